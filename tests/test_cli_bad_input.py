"""Every kind of bad input, as a user types it: exit code 2, file, place and mend on stderr, nothing written."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from pathlib import Path

import pytest
from typer.testing import CliRunner

from cli import app

TERRACE = Path(__file__).parents[1] / "cases" / "terrace"


@pytest.fixture
def job(tmp_path: Path) -> Path:
    folder = tmp_path / "job"
    folder.mkdir()
    for name in ("job.toml", "survey.csv"):
        shutil.copy(TERRACE / name, folder / name)
    return folder


def changed(name: str, old: str, new: str) -> Callable[[Path], None]:
    """A change of one text in one file of the job; the text must be there."""

    def change(folder: Path) -> None:
        text = (folder / name).read_text(encoding="utf-8")
        assert old in text
        (folder / name).write_text(text.replace(old, new, 1), encoding="utf-8")

    return change


def added(*rows: str) -> Callable[[Path], None]:
    """Rows put at the end of the survey."""

    def add(folder: Path) -> None:
        with (folder / "survey.csv").open("a", encoding="utf-8") as file:
            file.writelines(row + "\n" for row in rows)

    return add


def without(kind: str) -> Callable[[Path], None]:
    """The survey without rows of one kind."""

    def drop(folder: Path) -> None:
        lines = (folder / "survey.csv").read_text(encoding="utf-8").splitlines(keepends=True)
        (folder / "survey.csv").write_text("".join(line for line in lines if f",{kind}," not in line), encoding="utf-8")

    return drop


def written(name: str, data: bytes) -> Callable[[Path], None]:
    return lambda folder: (folder / name).write_bytes(data) and None  # type: ignore[func-returns-value]


def _walls(left: float, low: float, right: float, high: float) -> list[str]:
    """Survey rows of four walls round a rectangle, half a metre thick, overlapping at the corners."""
    t = 0.5
    boxes = [
        (left, low, left + t, high),
        (right - t, low, right, high),
        (left, low, right, low + t),
        (left, high - t, right, high),
    ]
    return [
        f",corner,house {n},{x},{y}"
        for n, (x0, y0, x1, y1) in enumerate(boxes, start=2)
        for x, y in ((x0, y0), (x1, y0), (x1, y1), (x0, y1))
    ]


# name, change, words that the message must hold
BAD: list[tuple[str, Callable[[Path], None], list[str]]] = [
    ("no survey", lambda folder: (folder / "survey.csv").unlink(), ["survey.csv", "mend"]),
    ("no job file", lambda folder: (folder / "job.toml").unlink(), ["job.toml", "mend"]),
    ("survey not UTF-8", written("survey.csv", "point,kind\nL1,lämp".encode("latin-1")), ["survey.csv", "UTF-8"]),
    ("job not TOML", written("job.toml", b"title = \n"), ["job.toml:1", "mend"]),
    ("empty survey", written("survey.csv", b""), ["survey.csv", "mend"]),
    ("no lamps", without("lamp"), ["survey.csv", "lamp"]),
    ("no supply", without("supply"), ["survey.csv", "supply"]),
    ("duplicate name", added("L01,lamp,spike,3,-9"), ["L01", "mend"]),
    ("missing name", added(",lamp,spike,3,-9"), ["name", "mend"]),
    ("unknown lamp type", added("L07,lamp,spyke,3,-9"), ["survey.csv:40", "spyke", "spike"]),
    ("word for a number", added("L07,lamp,spike,three,-9"), ["survey.csv:40", "'three'", "not a number"]),
    (
        "decimal comma without quotes",
        written("survey.csv", b"point,kind,of,x,y,group,stem_mm\nS1,supply,,0,0,,\nL1,lamp,spike,9,-12,5,back,\n"),
        ["survey.csv:3:stem_mm", "'back'", "decimal comma", "semicolons"],
    ),
    ("NaN", added("L07,lamp,spike,nan,-9"), ["survey.csv:40", "nan"]),
    ("infinite", added("L07,lamp,spike,3,inf"), ["survey.csv:40", "inf"]),
    ("two corners", added("q1,corner,bed 9,3,-9", "q2,corner,bed 9,4,-9"), ["bed 9", "corner"]),
    (
        "zone crosses itself",
        added("q1,corner,bed 9,3,-6", "q2,corner,bed 9,5,-8", "q3,corner,bed 9,5,-6", "q4,corner,bed 9,3,-8"),
        ["bed 9", "cross"],
    ),
    ("supply deep in a house", changed("survey.csv", "S1,supply,,0.90,0.00", "S1,supply,,5,1.5"), ["S1", "house"]),
    ("lead reaches no joint ground", added("L07,lamp,spike,6.0,-1.5"), ["L07", "mend"]),
    (
        "no driver of its voltage",
        changed("job.toml", "volts = 12, window", "volts = 24, window"),
        ["spike", "24", "driver"],
    ),
    (
        "walled off",
        added(
            "L07,lamp,spike,30,-6",
            *_walls(26, -10, 34, -2),
        ),
        ["L07", "walled off"],
    ),
    ("negative price", changed("job.toml", "price_per_m = 1.40", "price_per_m = -1.40"), ["job.toml", "-1.4"]),
    ("window upside down", changed("job.toml", "window_v = [10, 15]", "window_v = [15, 10]"), ["spike", "upside down"]),
    ("unknown key", changed("job.toml", "watts = 4", "wats = 4"), ["wats", "watts"]),
    (
        "degrees",
        written(
            "survey.csv",
            b"point,kind,of,x,y\nS1,supply,,5.12345,52.12345\nL1,lamp,spike,5.12355,52.12349\nL2,lamp,spike,5.12361,52.12331\n",
        ),
        ["degrees"],
    ),
    (
        "millimetres",
        written(
            "survey.csv", b"point,kind,of,x,y\nS1,supply,,0,0\nL1,lamp,spike,24500,-9000\nL2,lamp,spike,61000,-9400\n"
        ),
        ["millimetres"],
    ),
]


@pytest.mark.parametrize(("change", "words"), [row[1:] for row in BAD], ids=[row[0] for row in BAD])
def test_bad_input_is_refused(job: Path, change: Callable[[Path], None], words: list[str]) -> None:
    change(job)
    out = job / "plan"
    result = CliRunner().invoke(app, ["plan", str(job), "--out", str(out), "--effort", "0.01", "--processes", "1"])
    assert result.exit_code == 2, result.output
    assert not out.exists()
    assert result.stdout == ""
    for word in words:
        assert word in result.stderr, result.stderr
    assert "mend:" in result.stderr
    assert result.stderr.rstrip().endswith("nothing was written.")
    assert "Traceback" not in result.stderr


def test_infeasible_is_an_answer(job: Path) -> None:
    changed("survey.csv", "L06,lamp,spike,10.60,-8.20", "L06,lamp,spike,900,-8.20")(job)
    out = job / "plan"
    result = CliRunner().invoke(app, ["plan", str(job), "--out", str(out), "--effort", "0.01", "--processes", "1"])
    assert result.exit_code == 3, result.output
    assert not out.exists()
    for word in ("No feasible layout", "L06", "V", "a supply point within", "Nothing was written"):
        assert word in result.stderr


def test_without_a_layout_what_looks_wrong_is_told_all_the_same(job: Path) -> None:
    """Heights in millimetres, on ground that falls by 1 in 10: every cable is far too long, and no plan says why."""
    survey = job / "survey.csv"
    first, *rows = survey.read_text(encoding="utf-8").splitlines()
    high = [f"{row},{100 * float(row.split(',')[4]):.0f}" for row in rows]
    survey.write_text("\n".join([f"{first},z", *high]) + "\n", encoding="utf-8")
    args = ["plan", str(job), "--out", str(job / "plan"), "--effort", "0.01", "--processes", "1"]
    result = CliRunner().invoke(app, args)
    assert result.exit_code == 3, result.output
    assert "for a slip there may be the reason:\n    heights run from" in result.stderr
    assert "are they all in metres?\n\nNothing was written." in result.stderr


def test_plan_then_check(job: Path) -> None:
    out = job / "plan"
    run = CliRunner()
    made = run.invoke(app, ["plan", str(job), "--out", str(out), "--effort", "0.05", "--processes", "1"])
    assert made.exit_code == 0, made.output
    assert "total" in made.stdout
    assert made.stderr == ""  # no terminal, no progress
    for name in ("plan.json", "plan.svg", "cut_list.csv", "job.toml", "survey.csv"):
        assert (out / name).stat().st_size > 0
    assert run.invoke(app, ["check", str(out)]).exit_code == 0
    again = run.invoke(app, ["plan", str(job), "--out", str(out), "--effort", "0.05"])
    assert again.exit_code == 2
    assert "--replace" in again.stderr
    plan = (out / "plan.json").read_text(encoding="utf-8")
    (out / "plan.json").write_text(plan.replace('"total":', '"total": 1, "was":', 1), encoding="utf-8")
    assert run.invoke(app, ["check", str(out)]).exit_code == 2  # a key that is none
    (out / "plan.json").write_text(plan.replace('"watts": 4.0', '"watts": 9.0', 1), encoding="utf-8")
    assert run.invoke(app, ["check", str(out)]).exit_code == 1
