"""Open a job. In: its folder or job.toml, values of the command line. Out: JobFolder: Job, Survey, bytes, digest."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, TypeVar

from pydantic import ValidationError

from .earth_grid import Position
from .job import Dxf, Job, Measuring, Model
from .problems import BadInput, Problem
from .read_job import parse_toml, read_job
from .survey import problems_without_job, read_survey
from .survey.model import Survey
from .survey.readers import MOST_BYTES, READERS

M = TypeVar("M", bound=Model)
JOB_FILE = "job.toml"


@dataclass(frozen=True)
class JobFolder:
    """
    One job as read.

    Attributes
    ----------
    path
        The folder.
    job, survey
        What its files say, overrides included.
    digest
        See ``digest_of``.
    files
        Exact bytes by name: the job file first, as ``job.toml``, then the survey.
    overrides
        Values given instead of the file's, by dotted key.
    job_file
        Name that the job file has in the folder.
    """

    path: Path
    job: Job
    survey: Survey
    digest: str
    files: dict[str, bytes]
    overrides: dict[str, object]
    job_file: str = JOB_FILE


def open_job(path: Path, overrides: Mapping[str, object] = {}) -> JobFolder:
    """
    Read job and survey.

    Where the job file cannot be used, the survey is still looked through for what shows without it.

    Raises
    ------
    BadInput
        With every problem of both files.
    """
    path = Path(path)
    job_path = path / JOB_FILE if path.is_dir() else path
    if path.is_file() and path.suffix.casefold() in READERS:
        mend = f"name a job folder, or its {JOB_FILE}; from a survey, lampspur new FOLDER --survey FILE starts one"
        raise BadInput([Problem(str(path), 0, "", "is no job file", mend)])
    job_data = read_file(job_path, mend_job(path))
    try:
        job = read_job(job_data, str(job_path), overrides)
    except BadInput as error:
        raise BadInput([*error.problems, *_survey_problems(job_path, job_data)]) from None
    survey_path = job_path.parent / job.survey
    survey_data = read_file(survey_path, "put the survey there, or name it with survey = in the job file")
    return _folder_of(job_path, job, job_data, survey_data, overrides)


def with_overrides(folder: JobFolder, more: Mapping[str, object]) -> JobFolder:
    """
    The same job with more of its values overridden, read from the bytes at hand.

    Raises
    ------
    BadInput
        A value cannot be used, or the survey cannot with it.
    """
    overrides = {**folder.overrides, **more}
    job_data, survey_data = folder.files[JOB_FILE], folder.files[folder.job.survey]
    job_path = folder.path / JOB_FILE
    job = read_job(job_data, str(job_path), overrides)
    return _folder_of(job_path, job, job_data, survey_data, overrides)


def _folder_of(
    job_path: Path, job: Job, job_data: bytes, survey_data: bytes, overrides: Mapping[str, object]
) -> JobFolder:
    survey = _of_use(read_survey(survey_data, str(job_path.parent / job.survey), job), job, str(job_path))
    survey = _positioned(survey, job, str(job_path))
    files = {JOB_FILE: job_data, job.survey: survey_data}
    digest = digest_of(job_data, survey_data, overrides)
    return JobFolder(job_path.parent, job, survey, digest, files, dict(overrides), job_path.name)


def _of_use(survey: Survey, job: Job, file: str) -> Survey:
    """The survey without the supply points that the job does not use."""
    used = tuple(point for point in survey.supplies if job.supply(point.name).use)
    if not used:
        raise BadInput([Problem(file, 0, "supplies", "no supply point is of use", "write use = true for one of them")])
    return survey if len(used) == len(survey.supplies) else replace(survey, supplies=used)


def _positioned(survey: Survey, job: Job, file: str) -> Survey:
    """The survey with the position that the job states, where it has none of its own."""
    stated = job.position
    if stated is None:
        return survey
    if survey.position is not None:
        found = "is stated, and the survey has degrees and tells its position itself"
        raise BadInput([Problem(file, 0, "position", found, "take [position] out")])
    at = Position(stated.longitude, stated.latitude, stated.x, stated.y, stated.y_bearing)
    return replace(survey, position=at)


def digest_of(job_data: bytes, survey_data: bytes, overrides: Mapping[str, object]) -> str:
    """``sha256:`` and the hex digest over job, zero byte, survey, zero byte, overrides as JSON with sorted keys."""
    values = json.dumps(dict(overrides), sort_keys=True, separators=(",", ":"), ensure_ascii=False, default=str)
    return "sha256:" + hashlib.sha256(b"\0".join([job_data, survey_data, values.encode()])).hexdigest()


def survey_settings(tables: Mapping[str, Any]) -> tuple[Measuring, Dxf]:
    """What a job file says on its survey, though the rest cannot be used; defaults where that part cannot either."""
    return _settings(Measuring, tables.get("measuring", {})), _settings(Dxf, tables.get("dxf", {}))


def _settings(model: type[M], table: Any) -> M:
    try:
        return model.model_validate(table)
    except ValidationError:
        return model()


def read_file(path: Path, mend: str) -> bytes:
    """All of a file, or as much of it as shows that it is too large."""
    try:
        with path.open("rb") as file:
            return file.read(MOST_BYTES + 1)
    except FileNotFoundError:
        raise BadInput([Problem(str(path), 0, "", "does not exist", mend)]) from None
    except OSError as error:
        reason = (error.strerror or "unknown reason").lower()
        raise BadInput(
            [Problem(str(path), 0, "", f"cannot be read ({reason})", "name a file that can be read")]
        ) from None
    except ValueError:  # a zero byte in the name
        raise BadInput([Problem(str(path), 0, "", "is no name of a file", mend)]) from None


def mend_job(path: Path) -> str:
    """What to name instead where there is no job file at ``path``, a folder or a file."""
    if path.is_dir():
        others = sorted(other.name for other in path.glob("*.toml"))
        return f"name the job file itself: {others[0]}" if others else "write a job.toml there, or name another folder"
    return f"name a job folder, or its {JOB_FILE}"


def _survey_problems(job_path: Path, job_data: bytes) -> list[Problem]:
    """What shows in the survey without the job; nothing where the job file does not even tell its name."""
    try:
        tables = parse_toml(job_data, str(job_path))[0]
    except BadInput:
        return []
    name = tables.get("survey", "survey.csv")
    if not isinstance(name, str) or not name or Path(name).name != name:
        return []
    path = job_path.parent / name
    try:
        data = read_file(path, "put the survey there, or name it with survey = in the job file")
        return problems_without_job(data, str(path), *survey_settings(tables))
    except BadInput as error:
        return error.problems
