"""The command line as a user meets it: what each command prints and where, its exit code, and what it leaves behind."""

from __future__ import annotations

import contextlib
import json
import os
import re
import signal
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import jsonschema
import pytest
import typer.testing

import cli
import optimiser.make_plan
import optimiser.search.stopping
from optimiser.check import check_folder
from optimiser.documents.folder import write_papers_folder
from optimiser.documents.plan_file import plan_json
from optimiser.documents.summary import summary
from optimiser.plan.model import Plan
from tests.case_plans import case_plan

ROOT = Path(__file__).resolve().parents[1]

JOB = """\
title = "Small garden"
currency = "EUR"

[grounds]
lawn = { per_m = 8 }
paving = { per_m = 30 }
wall = { kind = "no_dig" }

[zones]
house = { ground = "wall" }

[lamps]
spike = { watts = 5, volts = 12 }

[cables]
thin = { mm2 = 1.5, price_per_m = 1.2 }
thick = { mm2 = 4, price_per_m = 3.1 }

[drivers]
small = { taps_v = [12], rated_w = 60, limit_a = 6, limit_mode = "hiccup", short_rms_a = 2, price = 80 }

[joints.kits]
three = { max_ways = 3, price = 6 }
"""
SURVEY = """\
point,kind,of,x,y
S1,supply,,0,0
L1,lamp,spike,4,3
L2,lamp,spike,8,3.5
"""

Tree = dict[str, bytes | None]


def tree(folder: Path) -> Tree:
    """Everything below a folder: bytes of files, None for folders."""
    return {
        str(path.relative_to(folder)): path.read_bytes() if path.is_file() else None
        for path in sorted(folder.rglob("*"))
    }


def write(folder: Path, job: str | bytes | None = JOB, survey: str | bytes | None = SURVEY) -> None:
    folder.mkdir(parents=True, exist_ok=True)
    for name, content in (("job.toml", job), ("survey.csv", survey)):
        if content is not None:
            (folder / name).write_bytes(content if isinstance(content, bytes) else content.encode())


@pytest.fixture
def site(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Return an empty working folder."""
    monkeypatch.chdir(tmp_path)
    return tmp_path


@pytest.fixture
def garden(site: Path) -> Path:
    """Return a working folder that holds a good job of two lamps."""
    write(site / "garden")
    return site


def run(*args: str) -> Any:
    return typer.testing.CliRunner().invoke(cli.app, list(args))


def plan_quickly(*args: str) -> Any:
    return run("plan", *args, "--effort", "0.02", "--processes", "1")


def refused(result: Any, said: str) -> None:
    """Exit code 2, nothing on stdout, and this whole text on stderr."""
    assert result.stderr == said
    assert (result.exit_code, result.stdout) == (2, "")


def box(zone: str, x0: float, y0: float, x1: float, y1: float) -> str:
    return "".join(f",corner,{zone},{x},{y}\n" for x, y in ((x0, y0), (x1, y0), (x1, y1), (x0, y1)))


# --- bad input: the whole text, exit code 2, nothing written

BAD_SURVEYS: dict[str, tuple[str | bytes | None, str]] = {
    "missing": (
        None,
        "garden/survey.csv: does not exist\n    mend: put the survey there, or name it with survey = in the job file\n",
    ),
    "not UTF-8": (
        SURVEY.encode() + "Bäume,peg,,1,1\n".encode("latin-1"),
        "garden/survey.csv:5: found byte 0xe4, which is not UTF-8\n"
        "    mend: save it from the spreadsheet as CSV UTF-8\n",
    ),
    "empty": (
        "",
        "garden/survey.csv: is empty\n    mend: write the header point,kind,of,x,y and a row for each point\n",
    ),
    "no lamps": (
        "point,kind,of,x,y\nS1,supply,,0,0\nP1,peg,,4,3\n",
        "garden/survey.csv:kind: has no lamps\n    mend: write a row of kind lamp for each lamp\n",
    ),
    "no supply point": (
        SURVEY.replace("S1,supply,,0,0\n", ""),
        "garden/survey.csv:kind: has no supply point\n"
        "    mend: write a row of kind supply for each mains outlet that may take a driver\n",
    ),
    "a name twice": (
        SURVEY.replace("L2,", "L1,"),
        "garden/survey.csv:4:point: found 'L1', the name that the lamp in row 3 has\n"
        "    mend: give each point a name of its own\n",
    ),
    "no name": (
        SURVEY.replace("L2,", ","),
        "garden/survey.csv:4:point: is empty\n    mend: write the lamp's name\n",
    ),
    "unknown lamp type": (
        SURVEY.replace("L2,lamp,spike", "L2,lamp,spyke"),
        "garden/survey.csv:4:of: found 'spyke', which is no lamp type of the job\n    mend: did you mean 'spike'?\n",
    ),
    "no number": (
        SURVEY.replace("8,3.5", '"8,5",3.5'),
        "garden/survey.csv:4:x: found '8,5', which is not a number\n    mend: write 8.5\n",
    ),
    "NaN": (
        SURVEY.replace("8,3.5", "nan,3.5"),
        "garden/survey.csv:4:x: found 'nan', which is not a finite number\n    mend: write the measured number\n",
    ),
    "infinite": (
        SURVEY.replace("8,3.5", "8,-inf"),
        "garden/survey.csv:4:y: found '-inf', which is not a finite number\n    mend: write the measured number\n",
    ),
    "two corners": (
        SURVEY + ",corner,house,1,1\n,corner,house,2,1\n",
        "garden/survey.csv:5:of: found zone 'house' with 2 corners\n"
        "    mend: give it at least three corners, in order round its edge\n",
    ),
    "zone crossing itself": (
        SURVEY + ",corner,house,1,1\n,corner,house,3,3\n,corner,house,3,1\n,corner,house,1,2\n",
        "garden/survey.csv:8:of: found zone 'house' crossing itself at 1.67, 1.67, between rows 5-6 and 7-8\n"
        "    mend: list its corners in order round its edge\n",
    ),
    "supply point deep in a no-dig zone": (
        SURVEY + box("house", -2, -2, 1, 1),
        "garden/survey.csv:2:x, y: found supply point 'S1' 1.00 m inside no-dig zone 'house'; "
        "rules.border_tolerance_m allows 0.3 m\n    mend: measure it again, or move it to the zone's border\n",
    ),
    # 2.00 m to the lawn and 0.75 m that do not lie along the ground, of a lead of 1 m
    "lead too short for any joint": (
        SURVEY + box("paving", 6, 1, 10, 6),
        "garden/survey.csv:4:x: the lead of lamp L2 (1 m) is 1.75 m too short for the nearest ground that a joint may "
        "stand on, 2.00 m away: of its length 0.3 m is aim reserve, 0.1 m the height of its exit, 0.2 m the depth "
        "there and 0.15 m the tail inside the joint\n"
        "    mend: give lamp type spike a lead_m of at least 2.76, set joints.extension_m to at least 1.76, "
        "or move the lamp\n",
    ),
    "lamp walled off": (
        SURVEY
        + box("wall 1", 6, 1, 10, 1.5)
        + box("wall 2", 6, 5.5, 10, 6)
        + box("wall 3", 6, 1, 6.5, 6)
        + box("wall 4", 9.5, 1, 10, 6),
        "garden/survey.csv:4:x: lamp L2 is walled off from every supply point by no-dig zones and their keep-off\n"
        "    mend: add a sleeve through the wall, leave a gap between the zones, make a keep-off smaller, "
        "or add a supply point on its side\n",
    ),
    "degrees": (
        SURVEY.replace("0,0", "8.5417,47.3769").replace("4,3", "8.5418,47.3770").replace("8,3.5", "8.5419,47.3770"),
        "garden/survey.csv:x, y: found 8.5417, 47.3769 and all others close by, which look like degrees\n"
        "    mend: write metres on a grid of the site: x to the right, y up the plan\n",
    ),
    "millimetres": (
        SURVEY.replace("4,3", "4000,3000").replace("8,3.5", "8000,3500"),
        "garden/survey.csv:x, y: found points spread over 8000 x 3500, which look like millimetres\n"
        "    mend: write metres, such as 12.345 for 12345 mm\n",
    ),
}
BAD_JOBS: dict[str, tuple[str | bytes | None, str]] = {
    "missing": (
        None,
        "garden/job.toml: does not exist\n    mend: write a job.toml there, or name another folder\n",
    ),
    "not UTF-8": (
        JOB.encode() + b"# \xe4\n",
        "garden/job.toml:24: found byte 0xe4, which is not UTF-8\n    mend: save the file as UTF-8 text\n",
    ),
    "empty": ("", "garden/job.toml: is empty\n    mend: write the job's settings, as in the README\n"),
    "decimal comma": (
        JOB.replace("per_m = 8 ", "per_m = 8,5 "),
        "garden/job.toml:5:grounds.lawn.per_m: found '8,5', which is not a number\n    mend: write 8.5\n",
    ),
    "unknown key": (
        JOB.replace("[zones]", "[zone]"),
        "garden/job.toml:9:zone: unknown key\n    mend: did you mean 'zones'?\n",
    ),
    "negative price": (
        JOB.replace("price = 80", "price = -80"),
        "garden/job.toml:20:drivers.small.price: found -80, which is below 0\n"
        "    mend: write 0 or more (price of one, mounted)\n",
    ),
    "window upside down": (
        JOB.replace("volts = 12 }", "volts = 12, window_v = [14, 11] }"),
        "garden/job.toml:13:lamps.spike.window_v: found [14, 11], which runs from 14 V to 11 V, upside down\n"
        "    mend: write the lowest volts first\n",
    ),
    "no driver of the lamp's voltage": (
        JOB.replace("watts = 5, volts = 12", "watts = 5, volts = 24"),
        "garden/survey.csv:3:of: found lamp 'L1' of type 'spike' (24 V dc), which no driver fits: "
        "'small' is for 12 V lamps, not 24 V\n    mend: add a driver for 24 V dc lamps, or correct [lamps.spike]\n",
    ),
    "no driver of the lamp's kind": (
        JOB.replace("volts = 12 }", 'volts = 12, supply = "ac" }'),
        "garden/survey.csv:3:of: found lamp 'L1' of type 'spike' (12 V ac), which no driver fits: "
        "'small' gives dc, not ac\n    mend: add a driver for 12 V ac lamps, or correct [lamps.spike]\n",
    ),
}
ONE = "1 problem; nothing was written.\n"


@pytest.mark.parametrize(("survey", "said"), BAD_SURVEYS.values(), ids=list(BAD_SURVEYS))
def test_a_survey_that_cannot_be_used(site: Path, survey: str | bytes | None, said: str) -> None:
    write(site / "garden", JOB, survey)
    before = tree(site)
    refused(plan_quickly("garden", "--out", "new/plan"), said + ONE)
    assert tree(site) == before


@pytest.mark.parametrize(("job", "said"), BAD_JOBS.values(), ids=list(BAD_JOBS))
def test_a_job_that_cannot_be_used(site: Path, job: str | bytes | None, said: str) -> None:
    write(site / "garden", job)
    before = tree(site)
    refused(plan_quickly("garden"), said + ONE)
    assert tree(site) == before


def test_all_faults_of_both_files_at_once_sorted_by_place(site: Path) -> None:
    write(site / "garden", JOB.replace("watts", "wats").replace("[zones]", "[zone]"), SURVEY.replace("8,3.5", "8,?"))
    refused(
        plan_quickly("garden"),
        "garden/job.toml:9:zone: unknown key\n    mend: did you mean 'zones'?\n"
        "garden/job.toml:13:lamps.spike.wats: unknown key\n    mend: did you mean 'watts'?\n"
        "garden/job.toml:13:lamps.spike.watts: is missing\n"
        "    mend: write watts = ... (power at nominal volts, in W)\n"
        "garden/survey.csv:4:y: found '?', which is not a number\n    mend: write a number\n"
        "4 problems; nothing was written.\n",
    )


def test_a_file_that_cannot_be_read(garden: Path) -> None:
    (garden / "garden/survey.csv").unlink()
    (garden / "garden/survey.csv").mkdir()
    said = "garden/survey.csv: cannot be read (is a directory)\n    mend: name a file that can be read\n"
    refused(plan_quickly("garden"), said + ONE)


def test_no_such_job(site: Path) -> None:
    refused(plan_quickly("nosuch"), "nosuch: does not exist\n    mend: name a job folder, or its job.toml\n" + ONE)
    assert tree(site) == {}


@pytest.mark.parametrize(
    ("args", "said"),
    [
        (("--drivers", "x"), "Invalid value for '--drivers': found 'x', which is not a whole number"),
        (("--drivers", "0"), "Invalid value for '--drivers': found 0; write a number of at least 1"),
        (("--effort", "much"), "Invalid value for '--effort': found 'much', which is not a number"),
        (("--effort", "nan"), "Invalid value for '--effort': found nan; write a number of at least 0.01"),
        (("--time-limit", "0"), "Invalid value for '--time-limit': found 0; write a number of at least 0.1"),
        (("--time-limit", "inf"), "Invalid value for '--time-limit': found inf; write a number of at least 0.1"),
        (("--seed", "-1"), "Invalid value for '--seed': found -1; write a number of at least 0"),
        (("--processes", "3"), "Invalid value for '--processes': found 3; write a number from 1 to 2"),
        (("--drop", "3"), "No such option: --drop"),
    ],
)
def test_an_option_that_cannot_be_used(garden: Path, args: tuple[str, ...], said: str) -> None:
    before = tree(garden)
    result = run("plan", "garden", *args)
    assert (result.exit_code, result.stdout) == (2, "")
    assert f"Error: {said}" in result.stderr
    assert tree(garden) == before


@pytest.mark.parametrize(
    ("value", "said"),
    [
        ("lots", 'found \'lots\', which is not a number of per cent\n    mend: write "10 %" or "off"'),
        ("-3%", "found '-3%', which is below 0 per cent\n    mend: write 0 or more"),
    ],
)
def test_a_drop_that_cannot_be_used(garden: Path, value: str, said: str) -> None:
    result = plan_quickly("garden", f"--max-drop={value}")
    assert result.exit_code == 2
    assert result.stderr.startswith("command line:voltage.max_drop: ")
    if value == "lots":
        refused(result, f"command line:voltage.max_drop: {said}\n{ONE}")


def test_missing_and_unknown_commands(site: Path) -> None:
    result = run("plan")
    assert result.exit_code == 2
    assert "Error: Missing argument 'JOB'." in result.stderr
    result = run("pln")
    assert result.exit_code == 2
    assert "No such command 'pln'. Did you mean 'plan'?" in result.stderr


# --- where the plan goes


def test_plan_goes_beside_the_job_unless_told_otherwise(garden: Path) -> None:
    result = plan_quickly("garden")
    assert (result.exit_code, result.stderr) == (0, "")
    files = {"cut_list.csv", "job.toml", "lists.pdf", "plan.json", "plan.sha256", "plan.svg", "survey.csv"}
    assert {path.name for path in (garden / "garden/plan").iterdir()} == files
    assert result.stdout == summary(read(garden / "garden/plan"), out="garden/plan")
    assert plan_quickly("garden/job.toml", "--out", "new/of it").exit_code == 0
    assert {path.name for path in (garden / "new/of it").iterdir()} == files
    assert (garden / "new/of it/plan.json").read_bytes() == (garden / "garden/plan/plan.json").read_bytes()


def test_the_plan_does_not_hang_on_where_its_job_lies(garden: Path) -> None:
    """Nor does it tell: notes on the survey name the file alone."""
    write(garden / "elsewhere/deep", JOB, SURVEY.replace("x,y", "x,y,colour"))
    write(garden / "garden", JOB, SURVEY.replace("x,y", "x,y,colour"))
    assert plan_quickly("garden", "--out", "a").exit_code == 0
    assert plan_quickly(str(garden / "elsewhere/deep"), "--out", "b").exit_code == 0
    assert tree(garden / "a") == tree(garden / "b")
    assert "survey.csv: column 'colour' is not used" in read(garden / "a").warnings


def read(folder: Path) -> Plan:
    return Plan.model_validate_json((folder / "plan.json").read_bytes())


def test_a_drawing_changed_by_hand_is_told_of_before_the_search(garden: Path) -> None:
    assert plan_quickly("garden", "--out", "p").exit_code == 0
    (garden / "p/plan.svg").write_bytes((garden / "p/plan.svg").read_bytes().replace(b"L1", b"L1!"))
    before = tree(garden)
    said = "p: holds plan.svg, changed since being written\n"
    said += "    mend: move that elsewhere to keep it, delete it, or choose another folder\n"
    refused(plan_quickly("garden", "--out", "p", "--replace"), said + ONE)
    assert tree(garden) == before


def test_an_earlier_plan_is_replaced_only_when_asked(garden: Path) -> None:
    assert plan_quickly("garden", "--out", "p").exit_code == 0
    before = tree(garden)
    said = "p: holds a plan already\n    mend: choose another folder (--out), or replace it (--replace)\n"
    refused(plan_quickly("garden", "--out", "p", "--seed", "2"), said + ONE)
    assert tree(garden) == before
    write_papers_folder({"lists.xlsx": b"x", "plan.dxf": b"x"}, garden / "p/papers", replace=False)
    replaced = plan_quickly("garden", "--out", "p", "--seed", "2", "--replace")
    said = "Replaced the earlier plan and its 2 papers: lampspur papers makes those of this plan.\n"
    assert (replaced.exit_code, replaced.stderr) == (0, said)
    assert read(garden / "p").seed == 2
    (garden / "p/notes.txt").write_text("mine")
    before = tree(garden)
    said = (
        "p: holds a plan and also notes.txt, which no plan wrote\n"
        "    mend: move that elsewhere, or choose another folder\n"
    )
    refused(plan_quickly("garden", "--out", "p", "--replace"), said + ONE)
    assert tree(garden) == before


@pytest.mark.parametrize(
    ("out", "said"),
    [
        ("garden/job.toml", "is a file"),
        ("garden", "holds files but no plan, and is left as it is"),
        (".", "holds files but no plan, and is left as it is"),
        ("garden/job.toml/plan", "cannot be written: Not a directory"),
        ("p" * 300, "cannot be written: File name too long"),
        ("p" * 250, "cannot be written: File name too long"),
    ],
)
def test_a_folder_that_cannot_be_written_is_refused_before_the_work(
    garden: Path, monkeypatch: pytest.MonkeyPatch, out: str, said: str
) -> None:
    monkeypatch.setattr(optimiser.make_plan, "make_plan", lambda *_, **__: pytest.fail("work that would be lost"))
    before = tree(garden)
    refused(plan_quickly("garden", "--out", out), f"{out}: {said}\n    mend: choose another folder\n{ONE}")
    assert tree(garden) == before


# --- what is planned


def test_number_of_drivers_asked_for_is_recorded_and_kept(site: Path) -> None:
    terrace = str(ROOT / "cases/terrace")
    assert "\n1 driver, 1 circuit\n" in plan_quickly(terrace, "--out", "any").stdout
    assert read(site / "any").drivers_asked is None
    result = plan_quickly(terrace, "--drivers", "2", "--out", "two")
    assert "\n2 drivers (as asked), 2 circuits\n" in result.stdout
    assert read(site / "two").drivers_asked == 2
    assert len(read(site / "two").drivers) == 2


def test_a_drop_given_instead_of_the_jobs_is_recorded_printed_and_judged(garden: Path) -> None:
    result = plan_quickly("garden", "--max-drop", "4%", "--out", "p")
    assert "With voltage.max_drop = 4%, instead of what the job says.\n" in result.stdout
    plan = read(garden / "p")
    assert plan.job.overrides == {"voltage.max_drop": "4%"}
    assert max(lamp.drop_pct for lamp in plan.lamps) <= 4
    result = run("check", "p", "--job", "garden")
    assert result.exit_code == 0
    assert "note   OVERRIDDEN on the command line: voltage.max_drop = 4%" in result.stdout


def test_json_is_the_plans_own_bytes(garden: Path) -> None:
    result = plan_quickly("garden", "--json", "--out", "p")
    assert result.exit_code == 0
    assert result.stdout_bytes == (garden / "p/plan.json").read_bytes()


def test_a_bound_on_the_open_ground_is_proven_where_asked_for(garden: Path) -> None:
    """The plan is the same; what is proven of it is more."""
    plain, asked = plan_quickly("garden", "--out", "p"), plan_quickly("garden", "--open-ground", "--out", "q")
    assert plain.exit_code == asked.exit_code == 0
    p, q = read(garden / "p"), read(garden / "q")
    assert p.open_bound is None and p.open_gap is None
    assert q.bound is not None and q.open_bound is not None and q.open_gap is not None
    assert 0.95 * q.bound <= q.open_bound <= q.bound <= q.cost.total
    assert q.cables == p.cables and q.trenches == p.trenches
    says = " ".join(asked.stdout.split())
    assert f"wherever its trenches run, costs less than {q.open_bound:,.2f} EUR" in says
    assert "wherever its trenches run" not in plain.stdout
    assert run("check", "q").exit_code == 0


# --- no feasible layout


def far_away(garden: Path) -> None:
    write(garden / "garden", JOB, SURVEY.replace("8,3.5", "400,3.5"))


def farther(garden: Path) -> None:
    write(garden / "garden", JOB, SURVEY.replace("8,3.5", "60,3.5"))


@pytest.mark.parametrize(
    ("args", "change", "named"),
    [
        ((), far_away, ("Lamp L2 would get ", " V and needs 10.80 V", "a supply point within ")),
        (("--max-drop", "1%"), farther, ("Lamp L2 ", " V and needs 11.88 V", "a greater voltage.max_drop")),
        (("--drivers", "3"), None, ("3 drivers were asked for and there are 2 lamps.", "fewer drivers")),
        (("--drivers", "9"), None, ("9 drivers were asked for and the supply points take 4.", "fewer drivers")),
    ],
)
def test_no_layout_says_what_is_in_the_way_and_what_mends_it(
    garden: Path, args: tuple[str, ...], change: Callable[[Path], None] | None, named: tuple[str, ...]
) -> None:
    if change is not None:
        change(garden)
    before = tree(garden)
    result = plan_quickly("garden", *args)
    assert (result.exit_code, result.stdout) == (3, "")
    assert result.stderr.startswith("No feasible layout.\n\n")
    assert "\nAny one of these removes this obstacle:\n    " in result.stderr
    assert result.stderr.endswith("\n\nNothing was written.\n")
    for text in named:
        assert text in result.stderr
    assert tree(garden) == before


# --- stopping


def interrupted(times: int, at: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """Ctrl-C this many times, at the first layout or at the first stage."""
    left = times

    def now(plain: Callable[..., None]) -> Callable[..., None]:
        def hear(progress: Any, *args: Any) -> None:
            nonlocal left
            plain(progress, *args)
            while left:
                left -= 1
                signal.raise_signal(signal.SIGINT)

        return hear

    monkeypatch.setattr(cli._Progress, at, now(getattr(cli._Progress, at)))


def test_interrupt_keeps_the_best_layout(garden: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    interrupted(1, "best", monkeypatch)
    result = run("plan", "garden", "--effort", "1000000", "--processes", "1")
    assert result.exit_code == 0
    assert result.stderr == "Stopped on request: this is the best layout found until then.\n"
    assert "stopped by hand; more time may find a cheaper layout" in result.stdout
    assert read(garden / "garden/plan").outcome == "stopped_by_user"
    assert run("check", "garden/plan").exit_code == 0


def test_interrupt_before_any_layout_writes_nothing(garden: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    interrupted(1, "stage", monkeypatch)
    before = tree(garden)
    result = run("plan", "garden")
    assert (result.exit_code, result.stdout) == (130, "")
    assert result.stderr == "Stopped before any layout was found. Nothing was written.\n"
    assert tree(garden) == before


def test_second_interrupt_gives_up(garden: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    interrupted(2, "best", monkeypatch)
    before = tree(garden)
    result = run("plan", "garden")
    assert (result.exit_code, result.stdout) == (130, "")
    assert result.stderr == "Given up. Nothing was written.\n"
    assert tree(garden) == before


def test_interrupt_while_files_are_written_waits(garden: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    interrupted(3, "close", monkeypatch)
    before = signal.getsignal(signal.SIGINT)
    result = plan_quickly("garden")
    assert (result.exit_code, result.stderr) == (0, "")
    assert read(garden / "garden/plan").outcome == "effort_spent"
    assert signal.getsignal(signal.SIGINT) is before


def timed(clock: Callable[[], float], monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(optimiser.search.stopping, "time", SimpleNamespace(monotonic=clock))


def test_time_limit_keeps_the_best_layout(garden: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    seconds = 0.0
    plain = cli._Progress.best

    def best(progress: Any, cost: float) -> None:
        nonlocal seconds
        seconds = 61.0
        plain(progress, cost)

    monkeypatch.setattr(cli._Progress, "best", best)
    timed(lambda: seconds, monkeypatch)
    result = run("plan", "garden", "--effort", "1000000", "--time-limit", "60", "--processes", "1")
    assert result.exit_code == 0
    assert result.stderr == "Stopped by the time limit: this is the best layout found until then.\n"
    assert read(garden / "garden/plan").outcome == "stopped_by_time"
    assert run("check", "garden/plan").exit_code == 0


def test_time_limit_before_any_layout(garden: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    # Two drivers of 8 W each: 16 W for 15 W, but three lamps that no driver takes two of. Only a search could tell.
    job = JOB.replace("rated_w = 60", "rated_w = 10") + "[supplies]\nS1 = { max_drivers = 2 }\n"
    write(garden / "garden", job, SURVEY + "L3,lamp,spike,6,3\n")
    ticks = iter([0.0])
    timed(lambda: next(ticks, 61.0), monkeypatch)
    before = tree(garden)
    result = run("plan", "garden", "--time-limit", "60", "--processes", "1")
    assert (result.exit_code, result.stdout) == (130, "")
    assert result.stderr == "Stopped before any layout was found. Nothing was written. Give it more time.\n"
    assert tree(garden) == before


def test_no_time_limit_hides_what_is_proven(garden: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    far_away(garden)
    ticks = iter([0.0])
    timed(lambda: next(ticks, 61.0), monkeypatch)
    result = run("plan", "garden", "--time-limit", "60", "--processes", "1")
    assert result.exit_code == 3
    assert "Lamp L2 would get" in result.stderr


def test_a_plan_that_fails_its_own_check_is_not_written(garden: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def fail(*_: object, **__: object) -> None:
        raise optimiser.make_plan.PlanDoesNotHold("L1: lowest 9.000 V")

    monkeypatch.setattr(optimiser.make_plan, "make_plan", fail)
    before = tree(garden)
    result = run("plan", "garden")
    assert (result.exit_code, result.stdout) == (70, "")
    assert result.stderr == ("A fault of this program, not of the job: L1: lowest 9.000 V\nNothing was written.\n")
    assert tree(garden) == before


def test_a_fault_of_the_program_has_an_exit_code_of_its_own(
    garden: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """1 would say that a plan does not hold."""

    def fail(*_: object, **__: object) -> None:
        raise ZeroDivisionError("division by zero")

    monkeypatch.setattr(optimiser.make_plan, "make_plan", fail)
    monkeypatch.setattr(sys, "argv", ["lampspur", "plan", "garden"])
    before = tree(garden)
    with pytest.raises(SystemExit) as ended:
        cli.main()
    said = capsys.readouterr()
    assert (ended.value.code, said.out) == (70, "")
    assert "ZeroDivisionError: division by zero" in said.err
    assert said.err.endswith("A fault of this program, not of the job: please report the lines above.\n")
    assert tree(garden) == before


# --- real processes: terminals, signals, streams

LAMPSPUR = [sys.executable, "-m", "cli"]


def environment(**more: str) -> dict[str, str]:
    return {**os.environ, "PYTHONPATH": str(ROOT), "COLUMNS": "80", **more}


def started(*args: str, stderr: int, cwd: Path, **more: str) -> subprocess.Popen[bytes]:
    return subprocess.Popen(
        [*LAMPSPUR, *args],
        cwd=cwd,
        env=environment(**more),
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=stderr,
        start_new_session=True,
    )


@contextlib.contextmanager
def on_terminal(*args: str, cwd: Path) -> Iterator[tuple[subprocess.Popen[bytes], Callable[[str | None], str]]]:
    """A process whose stderr is a terminal, and what reads that terminal until a text has come, or to the end."""
    pty = pytest.importorskip("pty")
    ours, theirs = pty.openpty()
    process = started(*args, stderr=theirs, cwd=cwd)
    os.close(theirs)
    seen = ""

    def shown(until: str | None = None) -> str:
        nonlocal seen
        while until is None or until not in seen:
            try:
                data = os.read(ours, 4096)
            except OSError:  # the last process with this terminal has ended
                data = b""
            if not data:
                assert until is None, f"{until!r} never came: {seen}"
                break
            seen += data.decode()
        return seen.replace("\r\n", "\n")

    try:
        yield process, shown
    finally:
        with contextlib.suppress(ProcessLookupError):
            os.killpg(process.pid, signal.SIGKILL)
        process.wait()
        assert process.stdout is not None
        process.stdout.close()
        os.close(ours)


def stays(text: str) -> list[str]:
    """Lines as a terminal shows them in the end: what follows a return overwrites what stood before it."""
    lines = []
    for line in text.split("\n"):
        cells = ""
        for part in line.split("\r"):
            cells = part + cells[len(part) :]
        lines.append(cells.rstrip())
    return lines


def test_progress_on_a_terminal(garden: Path) -> None:
    with on_terminal("plan", "garden", "--effort", "0.02", "--processes", "1", cwd=garden) as (process, shown):
        lines = stays(shown(None))
        assert process.stdout is not None
        printed = process.stdout.read().decode()
    assert process.returncode == 0
    assert printed == summary(read(garden / "garden/plan"), out="garden/plan")
    assert lines[0] == "Small garden: 2 lamps, 1 supply point"
    first = lines[1].split()
    assert (first[1], first[3], first[4], first[6], first[8:]) == ("s", "EUR", "bound", "gap", ["%", "first", "layout"])
    cost, bound, gap = (float(first[i].rstrip(",").replace(",", "")) for i in (2, 5, 7))
    assert gap == pytest.approx(100 * (cost - bound) / cost, abs=0.06)
    assert all(len(line) < 80 for line in lines)
    assert lines[-1] == ""  # the live line is gone


@pytest.mark.parametrize("how", ["pipe", "quiet"])
def test_no_progress_where_nobody_looks(garden: Path, how: str) -> None:
    if how == "quiet":
        with on_terminal("plan", "garden", "--effort", "0.02", "--quiet", cwd=garden) as (process, shown):
            said = shown(None)
            assert process.stdout is not None
            printed = process.stdout.read()
    else:
        process = started("plan", "garden", "--effort", "0.02", stderr=subprocess.PIPE, cwd=garden)
        printed, errors = process.communicate()
        said = errors.decode()
    assert (process.returncode, said) == (0, "")
    assert printed.decode() == summary(read(garden / "garden/plan"), out="garden/plan")


@pytest.mark.parametrize("to", ["group", "process"])
def test_ctrl_c_on_a_terminal_while_workers_start(site: Path, to: str) -> None:
    """A terminal sends Ctrl-C to the whole group; what a supervisor ends hears SIGTERM alone."""
    args = ("plan", str(ROOT / "cases/courtyard"), "--effort", "1000", "--out", "p")
    with on_terminal(*args, cwd=site) as (process, shown):
        shown("searching")
        if to == "group":
            os.killpg(process.pid, signal.SIGINT)
        else:
            os.kill(process.pid, signal.SIGTERM)
        assert process.stdout is not None
        printed = process.stdout.read().decode()
        lines = stays(shown(None))  # to the end: no worker holds the terminal any more
        process.wait()
    assert process.returncode == 0
    assert "Stopping; the best layout so far will be written. Ctrl-C again gives it up." in lines
    assert lines[-2:] == ["Stopped on request: this is the best layout found until then.", ""]
    assert printed == summary(read(site / "p"), out="p")
    assert read(site / "p").outcome == "stopped_by_user"
    assert check_folder(site / "p").holds


@pytest.mark.parametrize("name", ["SIGINT", "SIGTERM"])
@pytest.mark.parametrize("start", [["-m", "cli"], ["-c", "from cli import main; main()"]], ids=["module", "script"])
def test_stopped_while_the_program_loads(tmp_path: Path, start: list[str], name: str) -> None:
    """In the midst of the imports: another module stands in for the one that takes longest."""
    (tmp_path / "typer.py").write_text(f"import os, signal\nos.kill(os.getpid(), signal.{name})\n", encoding="utf-8")
    path = os.pathsep.join([str(tmp_path), str(ROOT)])
    result = subprocess.run(
        [sys.executable, *start, "schema"],
        cwd=tmp_path,
        env=environment(PYTHONPATH=path),
        capture_output=True,
        check=False,
    )
    assert (result.returncode, result.stdout, result.stderr) == (130, b"", b"")


def test_ctrl_c_before_the_command_begins(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    def interrupted() -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(cli, "app", interrupted)
    with pytest.raises(SystemExit) as ended:
        cli.main()
    assert (ended.value.code, capsys.readouterr()) == (130, ("", ""))


@pytest.mark.parametrize("command", [["schema"], ["check", "none"]], ids=["no own ending", "own ending"])
def test_told_to_terminate_before_or_in_a_command(tmp_path: Path, command: list[str]) -> None:
    """In the midst of what the command imports."""
    code = (
        "import os, signal, sys, cli\n"
        "class Late:\n"
        "    def find_spec(self, name, *more):\n"
        "        if name.startswith('optimiser.'):\n"
        "            sys.meta_path.remove(self)\n"
        "            os.kill(os.getpid(), signal.SIGTERM)\n"
        "sys.meta_path.insert(0, Late())\n"
        "cli.main()\n"
    )
    result = subprocess.run(
        [sys.executable, "-c", code, *command], cwd=tmp_path, env=environment(), capture_output=True, check=False
    )
    said = b"" if command == ["schema"] else b"Stopped before the check was done.\n"
    assert (result.returncode, result.stdout, result.stderr) == (130, b"", said)


@pytest.mark.parametrize("name", ["SIGINT", "SIGTERM"])
def test_importing_the_program_leaves_signals_as_they_were(name: str) -> None:
    own = f"signal.getsignal(signal.{name})"
    code = f"import signal; before = {own}; import cli; assert {own} is before"
    for more in ("", f"import signal; signal.signal(signal.{name}, signal.SIG_IGN); "):
        assert subprocess.run([sys.executable, "-c", more + code], env=environment(), check=False).returncode == 0


def test_ctrl_c_on_a_terminal_before_any_layout(site: Path) -> None:
    args = ("plan", str(ROOT / "cases/riverside"), "--out", "p")
    with on_terminal(*args, cwd=site) as (process, shown):
        shown("reading the ground")
        os.killpg(process.pid, signal.SIGINT)
        assert process.stdout is not None
        assert process.stdout.read() == b""
        lines = stays(shown(None))
        process.wait()
    assert process.returncode == 130
    assert lines[1:] == ["Stopped before any layout was found. Nothing was written.", ""]
    assert tree(site) == {}


def test_output_that_cannot_be_written(site: Path) -> None:
    if not Path("/dev/full").exists():
        pytest.skip("no /dev/full here")
    with Path("/dev/full").open("wb") as full:
        done = subprocess.run(
            [*LAMPSPUR, "schema"], stdout=full, stderr=subprocess.PIPE, env=environment(), cwd=site, check=False
        )
    assert done.stderr == b"The output cannot be written: No space left on device.\n"
    assert done.returncode == 70


def test_a_terminal_that_lacks_letters(site: Path) -> None:
    write(site / "garden", JOB.replace("Small garden", "Kleiner Garten für Łódź"))
    args = ("plan", "garden", "--effort", "0.02", "--processes", "1")
    process = started(*args, stderr=subprocess.PIPE, cwd=site, PYTHONIOENCODING="latin-1")
    printed, errors = process.communicate()
    assert (process.returncode, errors) == (0, b"")
    assert printed.splitlines()[0] == b"Kleiner Garten f\xfcr ?\xf3d?"


@pytest.mark.parametrize("args", [("--help",), ("plan", "--help"), ("check", "-h"), ("schema", "-h"), ("--version",)])
def test_help_comes_without_solvers_and_geometry(site: Path, args: tuple[str, ...]) -> None:
    code = (
        "import sys, cli\n"
        "try: cli.main()\n"
        "finally: print(sorted({'numpy', 'scipy', 'shapely', 'networkx', 'ortools'} & set(sys.modules)))"
    )
    done = subprocess.run(
        [sys.executable, "-c", code, *args], capture_output=True, text=True, env=environment(), cwd=site, check=False
    )
    assert (done.returncode, done.stderr) == (0, "")
    assert done.stdout.splitlines()[-1] == "[]"


@pytest.mark.parametrize(("given", "used"), [(None, "1"), ("2", "2")])
def test_small_matrices_are_one_threads_work_unless_told_otherwise(site: Path, given: str | None, used: str) -> None:
    """Asked of the matrix library that numpy has loaded, where its wheels bring their own."""
    env = {name: value for name, value in environment().items() if name != "OPENBLAS_NUM_THREADS"}
    env |= {"OPENBLAS_NUM_THREADS": given} if given is not None else {}
    code = (
        "import ctypes, os, pathlib, cli\n"
        "try: cli.main()\n"
        "except SystemExit: pass\n"
        "import numpy\n"
        "maps = pathlib.Path('/proc/self/maps')\n"
        "names = {line.split()[-1] for line in maps.read_text().splitlines()} if maps.exists() else set()\n"
        "found = [name for name in names if 'libscipy_openblas64_' in name]\n"
        "print(ctypes.CDLL(found[0]).scipy_openblas_get_num_threads64_() if found else 'none')"
    )
    done = subprocess.run(
        [sys.executable, "-c", code, "--version"], capture_output=True, text=True, env=env, cwd=site, check=False
    )
    assert (done.returncode, done.stderr) == (0, "")
    threads = done.stdout.split()[-1]
    if threads == "none":
        pytest.skip("numpy has another matrix library here")
    if used != "1" and (os.cpu_count() or 1) < 2:
        pytest.skip("one core only")
    assert threads == used


def test_bare_command_prints_help() -> None:
    bare, asked = run(), run("--help")
    assert bare.exit_code == 2
    assert asked.exit_code == 0
    assert (bare.stdout or bare.stderr) == asked.stdout
    for command in ("plan", "check", "schema"):
        assert f"\n  {command} " in asked.stdout
    for code in ("0 ", "1 ", "2 ", "3 ", "70 ", "130 "):
        assert f"\n    {code}" in asked.stdout


def test_version_is_the_installed_one() -> None:
    from importlib.metadata import version

    assert run("--version").stdout == f"lampspur {version('lampspur')}\n"


# --- check


@pytest.fixture(scope="module")
def planned(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a folder that holds the job ``garden`` and its plan ``p``; not to be changed."""
    folder = tmp_path_factory.mktemp("planned")
    write(folder / "garden")
    assert plan_quickly(str(folder / "garden"), "--out", str(folder / "p")).exit_code == 0
    return folder


@pytest.fixture
def spoiled(planned: Path, site: Path) -> Path:
    """Return a copy of the plan in which a lamp gets a volt more than it does."""
    for name in ("job.toml", "survey.csv"):
        (site / name).write_bytes((planned / "p" / name).read_bytes())
    data = json.loads((planned / "p/plan.json").read_bytes())
    data["lamps"][0]["volts"] += 1
    (site / "plan.json").write_text(json.dumps(data))
    return site


def test_check_of_a_plan_that_holds(planned: Path) -> None:
    for path in (planned / "p", planned / "p/plan.json"):
        result = run("check", str(path))
        assert (result.exit_code, result.stderr) == (0, "")
        *notes, last = result.stdout.splitlines()
        assert last.startswith("The plan holds: ")
        assert all(line.startswith("note   ") for line in notes)
        assert any("bound is not proved" in line for line in notes)


def test_check_of_a_plan_that_does_not_hold(spoiled: Path) -> None:
    result = run("check", str(spoiled))
    assert (result.exit_code, result.stderr) == (1, "")
    assert "FAILS  printed volts: L1: " in result.stdout
    fails = [line for line in result.stdout.splitlines() if line.startswith("FAILS")]
    count = f"{len(fails)} violation{'s' * (len(fails) > 1)}"
    assert result.stdout.splitlines()[-1] == f"The plan does not hold: {count}."


def test_check_by_the_original_job(planned: Path, site: Path) -> None:
    result = run("check", str(planned / "p"), "--job", str(planned / "garden"))
    assert result.exit_code == 0
    assert f"note   Judged by the job {planned / 'garden'}." in result.stdout
    write(site / "dearer", JOB.replace("per_m = 8", "per_m = 9"))
    result = run("check", str(planned / "p"), "--job", "dearer")
    assert result.exit_code == 1
    assert "FAILS  digest: " in result.stdout
    assert "FAILS  trench prices: " in result.stdout


def test_check_all_prints_every_limit(planned: Path) -> None:
    from optimiser.check.limits import LIMITS

    lines = run("check", str(planned / "p"), "--all").stdout.splitlines()
    assert [line[7:].split(": ")[0] for line in lines if line.startswith(("holds  ", "none   "))] == list(LIMITS)
    # Every limit that has a size says value, allowed and margin.
    low = next(line for line in lines if line.startswith("holds  window low: "))
    assert re.fullmatch(r"holds  window low: L\d+: lowest [\d.]+ V, at least [\d.]+ V, margin [\d.]+ V.*", low)
    assert any(re.search(r", margin [\d.]+ A \(tightest of \d+\)$", line) for line in lines)
    (timer,) = [line for line in lines if line.startswith("none   timer: ")]
    assert timer.endswith(": nothing here to judge")


def test_check_as_json(planned: Path, spoiled: Path) -> None:
    good, bad = run("check", str(planned / "p"), "--json"), run("check", str(spoiled), "--json")
    assert (good.exit_code, bad.exit_code) == (0, 1)
    assert json.loads(good.stdout)["holds"] is True
    found = json.loads(bad.stdout)
    assert found["holds"] is False
    fails = [finding for finding in found["findings"] if not finding["ok"]]
    assert [finding["limit"] for finding in fails] == [
        line.split(": ")[0][7:] for line in run("check", str(spoiled)).stdout.splitlines() if line.startswith("FAILS")
    ]


@pytest.mark.parametrize(
    ("args", "said"),
    [
        (("nosuch",), "nosuch: found no such file\n    mend: name a plan's folder, or its plan.json\n1 problem.\n"),
        (
            ("empty",),
            "empty/plan.json: found no such file\n    mend: name a plan's folder, or its plan.json\n1 problem.\n",
        ),
        (
            ("PLAN", "--job", "nosuch"),
            "nosuch: does not exist\n    mend: name a job folder, or its job.toml\n1 problem.\n",
        ),
        (
            ("bad.json",),
            "bad.json:1: found text that is no JSON: Expecting value at column 1\n"
            "    mend: make the plan anew with lampspur plan\n1 problem.\n",
        ),
    ],
)
def test_check_of_what_cannot_be_read(planned: Path, site: Path, args: tuple[str, ...], said: str) -> None:
    (site / "empty").mkdir()
    (site / "bad.json").write_text("no plan")
    refused(run("check", *[str(planned / "p") if arg == "PLAN" else arg for arg in args]), said)


# --- schema


@pytest.fixture(scope="module")
def schema() -> dict[str, Any]:
    """Return what ``lampspur schema`` prints."""
    result = run("schema")
    assert (result.exit_code, result.stderr) == (0, "")
    found: dict[str, Any] = json.loads(result.stdout)
    return found


def test_schema_is_a_json_schema(schema: dict[str, Any]) -> None:
    """JSON Schema 2020-12, judged by the jsonschema package's copy of its published meta-schema."""
    assert schema["$schema"] == "https://json-schema.org/draft/2020-12/schema"
    jsonschema.Draft202012Validator.check_schema(schema)


@pytest.mark.parametrize(
    "case",
    [
        "courtyard",
        pytest.param("orchard", marks=pytest.mark.slow),
        pytest.param("riverside", marks=pytest.mark.slow),
    ],
)
def test_plans_fit_the_schema(schema: dict[str, Any], case: str) -> None:
    """That the command prints these bytes is said by ``test_json_is_the_plans_own_bytes``."""
    jsonschema.Draft202012Validator(schema).validate(json.loads(plan_json(case_plan(case))))


def test_what_the_command_prints_fits_the_schema(site: Path, schema: dict[str, Any]) -> None:
    result = plan_quickly(str(ROOT / "cases/terrace"), "--out", "p", "--json")
    assert result.exit_code == 0
    jsonschema.Draft202012Validator(schema).validate(json.loads(result.stdout))


@pytest.mark.parametrize("spoil", ["drop", "add", "retype"])
def test_schema_refuses_what_is_no_plan(planned: Path, schema: dict[str, Any], spoil: str) -> None:
    data = json.loads((planned / "p/plan.json").read_bytes())
    judge = jsonschema.Draft202012Validator(schema)
    judge.validate(data)
    if spoil == "drop":
        del data["cost"]["total"]
    elif spoil == "add":
        data["lamps"][0]["colour"] = "warm"
    else:
        data["outcome"] = "perfect"
    with pytest.raises(jsonschema.ValidationError):
        judge.validate(data)


def test_schema_holds_every_key_that_was_promised(schema: dict[str, Any]) -> None:
    """Keys that programs outside rely on: they may grow in number, but none may go."""
    promised = {
        "": "tool job seed effort cost bound gap drivers circuits joints cables trenches lamps cuts warnings "
        "currency outcome site cables_used",
        "Cost": "total trench cable joints drivers supplies fuses",
        "DriverPlan": "id supply model tap_v load_w load_pct dim_group x y price",
        "CircuitPlan": "id driver outlet fuse_a amps lamps short_a tap_v out_v fuse_price dim_group",
        "JointPlan": "id x y circuit ways hub cables leads price",
        "CablePlan": "id circuit from to cable route route_m cut_m amps drop_v price",
        "TrenchPlan": "id ground route length_m depth_mm cables sleeve price",
        "LampPlan": "id joint lead_m watts amps volts drop_pct margin_v x y type group high_v lead_route lead_price "
        "joint_v",
        "CutPlan": "cable reel_m pieces left_m",
        "CableUsed": "mm2 ohm_per_m rating_a price_m",
    }
    for name, keys in promised.items():
        part = schema["$defs"][name] if name else schema
        assert set(keys.split()) <= set(part["properties"])
        assert set(keys.split()) <= set(part["required"]), name
