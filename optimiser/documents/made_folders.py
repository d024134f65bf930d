"""Folders made for what is written into them, gone again where it is not. In: a path. Out: -."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator
from pathlib import Path


@contextlib.contextmanager
def made_folder(folder: Path) -> Iterator[None]:
    """
    Make a folder, with its parents; where what follows fails, take away again those that were not there before.

    Raises
    ------
    OSError
        It cannot be made.
    """
    missing = [path for path in (folder, *folder.parents) if not path.exists()]
    try:
        folder.mkdir(parents=True, exist_ok=True)
        yield
    except BaseException:
        with contextlib.suppress(OSError):  # somebody else has put something there
            for path in missing:
                if path.exists():
                    path.rmdir()
        raise
