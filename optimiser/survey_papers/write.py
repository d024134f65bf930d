"""Put files on disk, each whole or not at all. In: texts by name. Out: the paths written."""

from __future__ import annotations

import os
from collections.abc import Mapping
from pathlib import Path

from ..documents.made_folders import made_folder
from ..problems import BadInput, Problem


def write_files(folder: Path, contents: Mapping[str, str | bytes], *, replace: bool) -> list[Path]:
    """
    Write files into a folder, which is made if need be.

    Raises
    ------
    BadInput
        One of them is there already and may not be replaced, or the folder cannot be written.
    """
    there = [name for name in contents if (folder / name).exists()]
    if there and not replace:
        mend = "choose another folder (--out), or replace it (--replace)"
        raise BadInput([Problem(str(folder / there[0]), 0, "", "is there already", mend)])
    new: list[Path] = []
    try:
        with made_folder(folder):
            try:
                for name, content in contents.items():
                    path = folder / f".{name}.new-{os.getpid()}"
                    new.append(path)
                    path.write_bytes(content if isinstance(content, bytes) else content.encode())
                for name, path in zip(contents, new, strict=True):
                    path.replace(folder / name)
            finally:
                for path in new:
                    path.unlink(missing_ok=True)
    except (OSError, ValueError) as error:  # ValueError: a zero byte in the name
        reason = error.strerror if isinstance(error, OSError) and error.strerror else error
        raise BadInput([Problem(str(folder), 0, "", f"cannot be written: {reason}", "choose another folder")]) from None
    return [folder / name for name in contents]
