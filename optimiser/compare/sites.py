"""One job or many. In: a path. Out: Sites with their variants, or every problem of all of them at once."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from ..job_folder import JOB_FILE
from ..problems import BadInput, Problem
from .alternatives import Variant, list_variants


@dataclass(frozen=True)
class Site:
    """``name`` is that of its folder; None where there is but one job."""

    name: str | None
    variants: list[Variant]


def list_sites(path: Path, num_drivers: Sequence[int] = (), max_drops: Sequence[str] = ()) -> list[Site]:
    """
    The job at this path, or those in the folders below it.

    Raises
    ------
    BadInput
        See ``list_variants``; for many sites, with the problems of all.
    """
    path = Path(path)
    inner: list[Path] = []
    if path.is_dir() and not (path / JOB_FILE).exists():
        inner = sorted(folder for folder in path.iterdir() if (folder / JOB_FILE).is_file())
    if not inner:
        return [Site(None, list_variants(path, num_drivers, max_drops))]
    sites = []
    problems: list[Problem] = []
    for folder in inner:
        try:
            sites.append(Site(folder.name, list_variants(folder, num_drivers, max_drops)))
        except BadInput as error:
            problems += [problem for problem in error.problems if problem not in problems]
    if problems:
        raise BadInput(problems)
    return sites
