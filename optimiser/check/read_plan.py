"""Read a plan folder and judge it. In: the folder or its plan.json. Out: Report; BadInput where it cannot be read."""

from __future__ import annotations

import json
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import Any, NoReturn

from pydantic import ValidationError

from ..job_folder import open_job
from ..plan.model import Plan
from ..problems import BadInput, Problem, nearest
from .judge import check_plan
from .report import Report

_REDO = "make the plan anew with lampspur plan"


def check_folder(plan_path: Path, job_path: Path | None = None) -> Report:
    """
    Judge a plan by the job it carries, or by the original.

    Parameters
    ----------
    plan_path
        A plan's folder, or its ``plan.json``.
    job_path
        Job folder or ``job.toml`` to judge against instead of the plan's own copies; values overridden on the command
        line still hold, and the report says which.

    Raises
    ------
    BadInput
        The plan or the job cannot be read.
    """
    path = plan_path / "plan.json" if plan_path.is_dir() else plan_path
    plan = read_plan(path)
    files = plan.job.files
    strange = [name for name in files if Path(name).name != name or name in ("", ".", "..")]
    if strange:
        _refuse(path, "job.files", f"found {strange[0]!r}, which is no file of the plan's folder", _REDO)
    if job_path is None:
        if not files:
            _refuse(path, "job.files", "found no files: the plan carries no copy of its job", "give the job with --job")
        lost = [name for name in files if not (path.parent / name).is_file()]
        if lost:
            _refuse(path, "job.files", f"found {lost[0]!r}, which is not in the plan's folder", _REDO)
        job_path = path.parent / files[0]
    folder = open_job(job_path, overrides=plan.job.overrides)
    report = check_plan(plan, folder.job, folder.survey, folder.digest)
    return Report(report.lines, [*report.notes, *folder_notes(path, job_path)])


def folder_notes(path: Path, job_path: Path) -> list[str]:
    own = job_path.resolve().parent == path.resolve().parent
    judged = "the copies in the plan's own folder" if own else f"the job {job_path}"
    return [f"Judged by {judged}."]


def read_plan(path: Path) -> Plan:
    """
    ``plan.json`` as a Plan.

    Keys that it may not have are refused, also where a later version wrote them: what nobody here knows the meaning of
    is judged by no check and printed on no paper, and neither would say so.

    Raises
    ------
    BadInput
        With every fault of its shape, by JSON path.
    """
    try:
        text = path.read_bytes().decode("utf-8")
    except FileNotFoundError:
        problem = Problem(str(path), 0, "", "found no such file", "name a plan's folder, or its plan.json")
        raise BadInput([problem]) from None
    except OSError as error:
        _refuse(path, "", f"cannot be read: {error.strerror or error}", "see to its rights, or copy it elsewhere")
    except UnicodeDecodeError:
        _refuse(path, "", "found bytes that are not UTF-8", _REDO)
    try:
        data = json.loads(text, parse_constant=_no_number, object_pairs_hook=_no_twice)
    except json.JSONDecodeError as error:
        _refuse(path, "", f"found text that is no JSON: {error.msg} at column {error.colno}", _REDO, error.lineno)
    except (ValueError, RecursionError) as error:
        found = str(error) if isinstance(error, _NotPlain) else "found JSON nested or long beyond reason"
        _refuse(path, "", found, _REDO)
    try:
        return Plan.model_validate_json(text, strict=True)
    except ValidationError as error:
        by = _other_version(data)
        raise BadInput([_problem(path, fault, by) for fault in error.errors(include_url=False)]) from None


def _other_version(data: Any) -> str:
    """The version of lampspur that the plan says it was made by; empty where it is this one, or says none."""
    tool = data.get("tool") if isinstance(data, dict) else None
    if not isinstance(tool, dict) or tool.get("name") != "lampspur":
        return ""
    made_by = tool.get("version")
    return made_by[:40] if isinstance(made_by, str) and made_by not in (_UNTOLD, _own_version()) else ""


_UNTOLD = "0"
"""Version of a lampspur that runs from its source, not installed."""


def _own_version() -> str:
    try:
        return version("lampspur")
    except PackageNotFoundError:
        return _UNTOLD


class _NotPlain(ValueError):
    """JSON of a kind that no plan holds."""


def _no_number(name: str) -> NoReturn:
    raise _NotPlain(f"found {name}, which is no number")


def _no_twice(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    found: dict[str, Any] = {}
    for key, value in pairs:
        if key in found:
            raise _NotPlain(f"found key {key!r} twice in one object")
        found[key] = value
    return found


def _refuse(path: Path, field: str, found: str, mend: str, line: int = 0) -> NoReturn:
    raise BadInput([Problem(path.name, line, field, found, mend)])


def _problem(path: Path, fault: Any, made_by: str) -> Problem:
    """What is wrong at one place; ``made_by`` another version, whose keys and words this one may not know."""
    where = ""
    for part in fault["loc"]:
        where += f"[{part}]" if isinstance(part, int) else f".{part}" if where else str(part)
    shown = repr(fault.get("input"))
    shown = shown if len(shown) <= 60 else shown[:57] + "..."
    key = str(fault["loc"][-1]) if fault["loc"] else ""
    if fault["type"] == "missing":
        return Problem(path.name, 0, where, "is missing", _REDO)
    other = f"look at the plan with the lampspur that made it, {made_by}, or make it anew with lampspur plan"
    if fault["type"] == "extra_forbidden" and made_by:
        return Problem(path.name, 0, where, f"is no key that this lampspur, {_own_version()}, knows", other)
    if fault["type"] == "extra_forbidden":
        like = nearest(key, Plan.model_fields) if len(fault["loc"]) == 1 else None
        return Problem(path.name, 0, where, "is no key of a plan", f"did you mean {like!r}?" if like else "remove it")
    wanted = {
        "float_type": "a number",
        "int_type": "a whole number",
        "int_from_float": "a whole number",
        "string_type": "a text",
        "bool_type": "true or false",
        "list_type": "a list",
        "tuple_type": "a list",
        "dict_type": "an object",
        "model_type": "an object",
        "literal_error": "one of the words a plan may hold here",
        "too_long": "a shorter list",
        "string_too_long": f"a text of at most {fault.get('ctx', {}).get('max_length')} characters",
    }.get(fault["type"], "what a plan holds here")
    mend = other if made_by and fault["type"] == "literal_error" else _REDO
    return Problem(path.name, 0, where, f"found {shown}, which is not {wanted}", mend)
