"""Read a survey as far as it goes, whatever is wrong with it or its job. In: a path. Out: Look."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from ..ground import lamps_without_joint
from ..job import Dxf, Job, Measuring
from ..job_folder import JOB_FILE, mend_job, read_file, survey_settings
from ..problems import BadInput, Problem
from ..read_job import parse_toml, read_job
from ..survey import build_survey, points_of, problems_of_points, reduce_file
from ..survey.lines import read_lines
from ..survey.points import Point, Points
from ..survey.readers import READERS
from ..survey.reduce import Reduced
from ..survey.zones import Outline, read_outlines
from .looks_wrong import Finding, looks_wrong

Line = tuple[str, list[Point]]


@dataclass(frozen=True)
class Look:
    """A survey as read, with or without a job that can be used."""

    folder: Path
    file: str
    title: str
    job: Job | None
    has_job_file: bool
    reduced: Reduced
    points: Points
    outlines: tuple[Outline, ...]
    sleeves: tuple[Line, ...]
    mains: tuple[Line, ...]
    problems: tuple[Problem, ...]
    """What must be mended before a plan can be made, job file included."""
    notes: tuple[str, ...]
    findings: tuple[Finding, ...]
    """What is probably not meant."""


def look_at(path: Path) -> Look:
    """
    Look at the survey of a job folder, of a job file, or at a survey file of its own.

    Raises
    ------
    BadInput
        The job file is no TOML, or the survey cannot be read at all.
    """
    path = Path(path)
    if path.is_file() and path.suffix.casefold() in READERS:
        return _look(path.parent, path, None, [], Measuring(), Dxf(), path.stem, has_job_file=False)
    job_path = path / JOB_FILE if path.is_dir() else path
    job_data = read_file(job_path, mend_job(path))
    tables = parse_toml(job_data, str(job_path))[0]
    job: Job | None = None
    problems: list[Problem] = []
    try:
        job = read_job(job_data, str(job_path))
    except BadInput as error:
        problems = error.problems
    name = tables.get("survey", "survey.csv")
    if not isinstance(name, str) or not name or Path(name).name != name:
        raise BadInput(problems)
    title = tables.get("title")
    measuring, dxf = survey_settings(tables)
    survey_path = job_path.parent / name
    title = title if isinstance(title, str) and title else job_path.parent.resolve().name
    return _look(job_path.parent, survey_path, job, problems, measuring, dxf, title, has_job_file=True)


def _look(
    folder: Path, path: Path, job: Job | None, problems: list[Problem], measuring: Measuring, dxf: Dxf, title: str,
    *, has_job_file: bool,
) -> Look:  # fmt: skip
    data = read_file(path, "put the survey there, or name it with survey = in the job file")
    file = str(path)
    reduced = reduce_file(data, file, measuring, dxf)
    points = points_of(reduced, file)
    notes = [*points.notes, *reduced.notes]
    if job is None:
        more = problems_of_points(points, file)
    else:
        try:
            survey = build_survey(reduced, file, job, points)
            notes, more = list(survey.notes), lamps_without_joint(job, survey, file=file)
        except BadInput as error:
            more = error.problems
    more = [reduced.table.place(problem) for problem in more]
    outlines, _, outline_notes = read_outlines(points, file)
    sleeves, mains = (read_lines(points, kind, file)[0] for kind in ("sleeve", "mains"))
    findings = looks_wrong(points, outlines, sleeves, job)
    said = {finding.words for finding in findings}  # with their places: not once more without
    notes = [note for note in dict.fromkeys([*notes, *outline_notes]) if note not in said]
    return Look(
        folder, file, title, job, has_job_file, reduced, points, tuple(outlines), tuple(sleeves), tuple(mains),
        (*problems, *dict.fromkeys(more)), tuple(notes), tuple(findings),
    )  # fmt: skip
