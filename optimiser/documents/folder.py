"""A plan's folder on disk, written whole or not at all. In: Plan, copies of its job. Out: the paths written.

Everything is first written to a new folder beside the target and forced to disk; then one rename puts it in place. A
folder that is replaced is renamed aside first and removed last, so that at every moment either the old or the new one
is there, under its own name or under ``.NAME.previous``, which the next write puts back.

Papers are written to: volts that were measured, notes, a drawing corrected by hand. A record of digests lies beside
them, in a plan's folder, in that of the papers and in a comparison's, so that what was changed since is never replaced.
"""

from __future__ import annotations

import hashlib
import json
import os
import shutil
from collections.abc import Callable, Mapping, Sequence
from fnmatch import fnmatchcase
from pathlib import Path

from ..plan.model import Plan
from ..problems import BadInput, Problem
from .made_folders import made_folder
from .papers import PAPERS, PaperOptions, make_papers
from .plan_file import plan_json as plan_json  # told on: the command line and tests ask here

PLAN_FILE = "plan.json"
PAPERS_FOLDER = "papers"
RECORD_FILE, PLAN_RECORD_FILE = "papers.sha256", "plan.sha256"
"""Digests of the papers, and of the files beside a plan, as they were written; ``sha256sum --check`` reads them. A
name for each kind of folder, so that a plan's folder is never taken for one of papers."""
EVERYDAY = tuple(paper for paper in PAPERS if paper.everyday)
_DRAWN = (PLAN_FILE, *(paper.file for paper in EVERYDAY), PLAN_RECORD_FILE)
COMPARISON_FILE, SUMMARY_FILE = "comparison.json", "summary.json"
COMPARISON_RECORD_FILE, SUMMARY_RECORD_FILE = "comparison.sha256", "summary.sha256"
_COMPARED = {PLAN_RECORD_FILE, COMPARISON_RECORD_FILE, SUMMARY_RECORD_FILE}
"""Records that may lie anywhere in a comparison's folder."""
_HOLDS = {PLAN_FILE: "plan", COMPARISON_FILE: "comparison", SUMMARY_FILE: "comparison of sites"}
_LITTER = {".DS_Store", "Thumbs.db", "desktop.ini"}  # what file managers leave behind in any folder


def write_plan_folder(plan: Plan, files: Mapping[str, bytes], out: Path, *, replace: bool) -> list[Path]:
    """
    Write ``plan.json``, the everyday papers and the copies.

    Parameters
    ----------
    plan
        Everything but the copies is drawn from it alone.
    files
        Copies of the job and the survey by file name, as bytes.
    out
        Folder to write. Its parent is made if need be.
    replace
        Whether an earlier plan's folder may be replaced, with its papers. A folder that holds anything else, or files
        that were changed, is never touched.

    Returns
    -------
    list of Path
        Files in the order written, ``plan.json`` first; the record of their digests is not among them.

    Raises
    ------
    BadInput
        The folder cannot be written there; nothing has been changed.
    """
    return write_whole(plan_contents(plan, files, out), out, marker=PLAN_FILE, replace=replace)[:-1]


def plan_contents(plan: Plan, files: Mapping[str, bytes], out: Path) -> dict[str, bytes]:
    """What stands in a plan's folder, by name, the record last; ``out`` is named where a copy cannot stand there."""
    for name in files:
        if name in _DRAWN or name in {"", ".", ".."} or Path(name).name != name or "\\" in name:
            raise _refusal(out, f"a copy named {name!r} cannot stand beside the plan", "rename that file of the job")
    contents = {PLAN_FILE: plan_json(plan).encode(), **make_papers(plan, EVERYDAY, PaperOptions()), **files}
    return recorded(contents, PLAN_RECORD_FILE)


def recorded(contents: Mapping[str, bytes], record: str) -> dict[str, bytes]:
    """
    A folder's files with the record of their digests, last.

    Parameters
    ----------
    contents
        Bytes by path within the folder. Folders in it have records of their own: their files are not in this one.
    record
        Name of the record, a file of the folder itself.
    """
    lines = [f"{hashlib.sha256(data).hexdigest()}  {name}\n" for name, data in contents.items() if "/" not in name]
    return {**contents, record: "".join(lines).encode()}


def write_papers_folder(contents: Mapping[str, bytes], out: Path, *, replace: bool) -> list[Path]:
    """
    Write papers to a folder of their own, by the same rules.

    Parameters
    ----------
    contents
        Bytes by file name, as ``papers.make_papers`` gives them.
    out
        Folder to write; everything in an earlier one is replaced.
    replace
        Whether earlier papers may be replaced. A folder that holds anything else, or papers that were changed, is never
        touched.

    Returns
    -------
    list of Path
        The papers; the record of their digests is not among them.

    Raises
    ------
    BadInput
        The folder cannot be written there; nothing has been changed.
    """
    papers = recorded(contents, RECORD_FILE)
    return _write_whole(out, papers, lambda: _refuse_what_is_no_paper(out, out.resolve(), replace))[:-1]


def count_papers(out: Path) -> int:
    """How many papers lie with the plan in a folder, and go when it is replaced."""
    papers = out.resolve() / PAPERS_FOLDER
    if not papers.is_dir():
        return 0
    return sum(path.name not in {RECORD_FILE, *_LITTER} for path in papers.iterdir())


def refuse_papers_early(out: Path, *, replace: bool) -> None:
    """Raise now what ``write_papers_folder`` would raise later."""
    _try_early(out, lambda: _refuse_what_is_no_paper(out, out.resolve(), replace))


def write_whole(contents: Mapping[str, bytes], out: Path, *, marker: str, replace: bool) -> list[Path]:
    """
    Write a folder of files, whole or not at all.

    Parameters
    ----------
    contents
        Bytes by path within the folder, with ``/`` between its parts.
    marker
        The file by which such a folder is known; only one that holds it, and nothing that no such write put there, may
        be replaced.

    Raises
    ------
    BadInput
        The folder cannot be written there; nothing has been changed.
    """
    return _write_whole(out, contents, lambda: _refuse_what_is_not_ours(out, out.resolve(), replace, marker))


def _write_whole(out: Path, contents: Mapping[str, bytes], refuse: Callable[[], None]) -> list[Path]:
    """Write beside the target, then rename; ``refuse`` raises where the target may not be replaced."""
    target = out.resolve()  # through links: what is renamed must be the folder itself
    new = target.with_name(_beside(target))
    previous = target.with_name(f".{target.name}.previous")
    try:
        with made_folder(target.parent):
            try:
                if previous.is_dir() and not target.exists():  # an earlier write ended between its two renames
                    previous.rename(target)
                refuse()
                _write_all(new, contents)
                refuse()  # once more: another write may have ended there meanwhile
                _swap(new, target, previous)
            finally:
                shutil.rmtree(new, ignore_errors=True)
    except OSError as error:
        raise _refusal(out, f"cannot be written: {error.strerror or error}", "choose another folder") from error
    return [out / name for name in contents]


def refuse_early(out: Path, *, replace: bool, marker: str = PLAN_FILE) -> None:
    """
    Raise now what writing that folder would raise later, before any work is lost; leaves nothing behind.

    Raises
    ------
    BadInput
        The folder holds something that may not be replaced, or nothing can be made there.
    """
    _try_early(out, lambda: _refuse_what_is_not_ours(out, out.resolve(), replace, marker))


def _try_early(out: Path, refuse: Callable[[], None]) -> None:
    try:
        target = out.resolve()
        refuse()
        there = next(parent for parent in target.parents if parent.exists())
        trial = there / _beside(target)
        trial.mkdir()
        trial.rmdir()
    except (OSError, ValueError) as error:  # ValueError: a zero byte in the name
        reason = error.strerror if isinstance(error, OSError) and error.strerror else error
        raise _refusal(out, f"cannot be written: {reason}", "choose another folder") from error


def _beside(target: Path) -> str:
    """Name of the folder that files are first written to."""
    return f".{target.name}.new-{os.getpid()}"


def _refusal(out: Path, found: str, mend: str) -> BadInput:
    return BadInput([Problem(str(out), 0, "", found, mend)])


def _refuse_what_is_not_ours(out: Path, target: Path, replace: bool, marker: str) -> None:
    """Raise unless the target is free, empty, or an earlier folder of its kind that may be replaced."""
    if not target.exists():
        return
    if not target.is_dir():
        raise _refusal(out, "is a file", "choose another folder")
    present = {path.name for path in target.iterdir()} - _LITTER
    what = _HOLDS[marker]
    if not present:
        return
    if marker not in present:
        raise _refusal(out, f"holds files but no {what}, and is left as it is", "choose another folder")
    if not replace:
        raise _refusal(out, f"holds a {what} already", "choose another folder (--out), or replace it (--replace)")
    if marker == PLAN_FILE:
        ours = set(_DRAWN) | _copies_of(target)
        if PAPERS_FOLDER in present and (target / PAPERS_FOLDER).is_dir():  # drawn from the plan that is replaced
            present = present - {PAPERS_FOLDER} | {
                f"{PAPERS_FOLDER}/{name}" for name in _no_papers(target / PAPERS_FOLDER)
            }
    else:
        present = {path.relative_to(target).as_posix() for path in target.rglob("*") if not path.is_dir()}
        present = {name for name in present if name.rsplit("/", 1)[-1] not in _LITTER}
        ours = {marker} | _listed_in(target / marker)
    foreign = sorted(present - ours)
    if foreign:
        found = f"holds a {what} and also {_some(foreign)}, which no {what} wrote"
        raise _refusal(out, found, "move that elsewhere, or choose another folder")
    if marker == PLAN_FILE:
        _refuse_changed(out, target, [PLAN_RECORD_FILE, f"{PAPERS_FOLDER}/{RECORD_FILE}"])
    else:
        _refuse_changed(out, target, sorted(name for name in ours if name.rpartition("/")[2] in _COMPARED))


def _refuse_what_is_no_paper(out: Path, target: Path, replace: bool) -> None:
    """Raise unless the target is free, empty, or holds earlier papers that may be replaced."""
    if not target.exists():
        return
    if not target.is_dir():
        raise _refusal(out, "is a file", "choose another folder")
    foreign = _no_papers(target)
    if foreign:
        raise _refusal(out, f"holds {_some(foreign)}, which is no paper", "choose another folder")
    if {path.name for path in target.iterdir()} - _LITTER and not replace:
        raise _refusal(out, "holds papers already", "choose another folder (--out), or replace them (--replace)")
    _refuse_changed(out, target, [RECORD_FILE])


def _refuse_changed(out: Path, target: Path, records: Sequence[str]) -> None:
    """Raise where files that these records name are no longer as they were written: somebody's work is in them."""
    changed = []
    for record in records:
        folder, within = (target / record).parent, record.rpartition("/")[0]
        for name, digest in _recorded_in(folder, Path(record).name).items():
            file = folder / name
            if file.is_file() and hashlib.sha256(file.read_bytes()).hexdigest() != digest:
                changed.append(f"{within}/{name}" if within else name)
    changed.sort()
    if changed:
        found = f"holds {_some(changed)}, changed since being written"
        raise _refusal(out, found, "move that elsewhere to keep it, delete it, or choose another folder")


def _some(names: list[str]) -> str:
    return f"{', '.join(names[:3])}{' …' if len(names) > 3 else ''}"


def _no_papers(folder: Path) -> list[str]:
    """Names of what lies in a folder and is no paper: by the record there, or else by the names that papers have."""
    known = list(_recorded_in(folder)) or [name for paper in PAPERS for name in (paper.file, paper.instead)]
    known += [RECORD_FILE, *sorted(_LITTER)]
    return sorted(
        path.name
        for path in folder.iterdir()
        if not path.is_file() or not any(fnmatchcase(path.name, name) for name in known)
    )


def _recorded_in(folder: Path, record: str = RECORD_FILE) -> dict[str, str]:
    """Digest by name of each file as it was written there; empty where no record lies or it cannot be read."""
    try:
        lines = (folder / record).read_text(encoding="utf-8").splitlines()
        return {name: digest for digest, name in (line.split("  ", 1) for line in lines) if Path(name).name == name}
    except (OSError, ValueError):
        return {}


def _copies_of(folder: Path) -> set[str]:
    """Names of the copies that the plan in this folder says it carries."""
    try:
        listed = json.loads((folder / PLAN_FILE).read_bytes())["job"]["files"]
        return {name for name in listed if isinstance(name, str)}
    except (OSError, ValueError, KeyError, TypeError):
        return set()


def _listed_in(file: Path) -> set[str]:
    """Paths of the files that a comparison says were written with it."""
    try:
        return {name for name in json.loads(file.read_bytes())["files"] if isinstance(name, str)}
    except (OSError, ValueError, KeyError, TypeError):
        return set()


def _write_all(folder: Path, contents: Mapping[str, bytes]) -> None:
    shutil.rmtree(folder, ignore_errors=True)
    folder.mkdir()
    for name, data in contents.items():
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
        with (folder / name).open("wb") as file:
            file.write(data)
            file.flush()
            os.fsync(file.fileno())
    for inner in sorted({(folder / name).parent for name in contents}):
        _sync(inner)
    _sync(folder)


def _swap(new: Path, target: Path, previous: Path) -> None:
    """Put ``new`` in the target's place; the target, if there is one, is removed only after that."""
    replaced = target.exists()
    if replaced:
        if previous.exists():  # a write that had ended but for the clearing up
            shutil.rmtree(previous)
        target.rename(previous)
    try:
        new.rename(target)
    except BaseException:
        if replaced and not target.exists():
            previous.rename(target)
        raise
    _sync(target.parent)
    if replaced:
        shutil.rmtree(previous, ignore_errors=True)


def _sync(folder: Path) -> None:
    """Force a folder's entries to disk where the system can."""
    if not hasattr(os, "O_DIRECTORY"):
        return
    handle = os.open(folder, os.O_RDONLY | os.O_DIRECTORY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
