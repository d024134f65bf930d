"""Opening a job: from folder or file, all problems of both files at once, exact bytes and their digest."""

import hashlib
from pathlib import Path

import pytest

from optimiser.job_folder import digest_of, open_job
from optimiser.problems import BadInput

CASES = ("terrace", "courtyard", "orchard", "riverside")
JOB = b"""\
title = "Small garden"
survey = "points.csv"
[grounds]
lawn = { per_m = 8 }
[lamps]
spike = { watts = 5, volts = 12 }
[cables]
thin = { mm2 = 1.5, price_per_m = 1.2 }
[drivers]
small = { taps_v = [12], rated_w = 60, limit_a = 6, price = 80 }
[joints.kits]
three = { max_ways = 3, price = 6 }
"""
SURVEY = b"point,kind,of,x,y\r\nS1,supply,,0,0\r\nL1,lamp,spike,4,3\r\n"


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Return the folder of a good job, with the working directory beside it, so that messages name it shortly."""
    monkeypatch.chdir(tmp_path)
    Path("garden").mkdir()
    Path("garden/job.toml").write_bytes(JOB)
    Path("garden/points.csv").write_bytes(SURVEY)
    return Path("garden")


def complaint(path: Path) -> str:
    with pytest.raises(BadInput) as caught:
        open_job(path)
    return str(caught.value)


def test_opens_by_folder_or_by_job_file(folder: Path) -> None:
    by_folder, by_file = open_job(folder), open_job(folder / "job.toml")
    assert by_folder == by_file
    assert by_folder.path == folder
    assert by_folder.job.title == "Small garden"
    assert [lamp.name for lamp in by_folder.survey.lamps] == ["L1"]
    assert list(by_folder.files.items()) == [("job.toml", JOB), ("points.csv", SURVEY)]


def test_digest_is_over_job_survey_and_overrides(folder: Path) -> None:
    """Written out by hand, as any other tool would have to compute it."""
    plain = hashlib.sha256(JOB + b"\0" + SURVEY + b"\0" + b"{}").hexdigest()
    assert open_job(folder).digest == f"sha256:{plain}"
    values = b'{"rules.max_gauges":1,"voltage.max_drop":"5 %"}'
    changed = open_job(folder, {"voltage.max_drop": "5 %", "rules.max_gauges": 1})
    assert changed.digest == "sha256:" + hashlib.sha256(JOB + b"\0" + SURVEY + b"\0" + values).hexdigest()
    assert (changed.job.voltage.max_drop, changed.job.rules.max_gauges) == (5, 1)
    assert changed.overrides == {"voltage.max_drop": "5 %", "rules.max_gauges": 1}
    assert changed.files == open_job(folder).files
    assert digest_of(JOB, SURVEY, {"b": 1, "a": 2}) == digest_of(JOB, SURVEY, {"a": 2, "b": 1})


def test_missing_files(folder: Path) -> None:
    assert complaint(Path("nowhere")) == "nowhere: does not exist\n    mend: name a job folder, or its job.toml"
    (folder / "points.csv").unlink()
    assert complaint(folder) == (
        "garden/points.csv: does not exist\n    mend: put the survey there, or name it with survey = in the job file"
    )
    (folder / "job.toml").rename(folder / "work.toml")
    assert complaint(folder) == "garden/job.toml: does not exist\n    mend: name the job file itself: work.toml"
    (folder / "work.toml").unlink()
    assert complaint(folder) == (
        "garden/job.toml: does not exist\n    mend: write a job.toml there, or name another folder"
    )


def test_a_survey_named_instead_of_the_job_is_told(folder: Path) -> None:
    said = complaint(folder / "points.csv")
    assert said.startswith("garden/points.csv: is no job file")
    assert "name a job folder, or its job.toml" in said


def test_unreadable_files(folder: Path) -> None:
    (folder / "points.csv").unlink()
    (folder / "points.csv").mkdir()
    assert complaint(folder) == (
        "garden/points.csv: cannot be read (is a directory)\n    mend: name a file that can be read"
    )


def test_problems_of_job_and_survey_come_together(folder: Path) -> None:
    (folder / "job.toml").write_bytes(JOB.replace(b"per_m = 8", b"per_m = -8"))
    (folder / "points.csv").write_bytes(SURVEY.replace(b"4,3", b"4,nan"))
    assert complaint(folder) == (
        "garden/job.toml:4:grounds.lawn.per_m: found -8, which is below 0\n"
        "    mend: write 0 or more (price of a metre of trench; needed unless no_dig)\n"
        "garden/points.csv:3:y: found 'nan', which is not a finite number\n"
        "    mend: write the measured number"
    )


def test_a_broken_job_and_no_survey_are_both_said(folder: Path) -> None:
    (folder / "job.toml").write_bytes(JOB.replace(b"per_m = 8", b"per_m = -8"))
    (folder / "points.csv").unlink()
    assert [line.split(":")[0] for line in complaint(folder).splitlines()[::2]] == [
        "garden/job.toml",
        "garden/points.csv",
    ]


@pytest.mark.parametrize("case", CASES)
def test_cases_open_without_problems(cases: Path, case: str) -> None:
    opened = open_job(cases / case)
    assert opened.survey.lamps
    assert all(zone.ground in opened.job.grounds for zone in opened.survey.zones)
    assert all(zone.polygon.is_valid for zone in opened.survey.zones)
