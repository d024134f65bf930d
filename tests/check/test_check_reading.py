"""Plan folders that cannot be read say where, what and how to mend it; good ones are judged by their own copies."""

from __future__ import annotations

import json
import shutil
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pydantic import ValidationError

from optimiser.check import check_folder, check_plan, read_plan
from optimiser.job_folder import open_job
from optimiser.plan.model import Plan
from optimiser.problems import BadInput
from tests.check.make import Data
from tests.check.sites import pond

JOB = """\
title = "check"
currency = "EUR"

[grounds.lawn]
per_m = 10

[grounds.pond]

[lamps.spike]
watts = 6
volts = 12
inrush_a = 8
input_uf = 150

[cables."1.5"]
mm2 = 1.5
price_per_m = 1.2

[cables."2.5"]
mm2 = 2.5
price_per_m = 2

[cables."4"]
mm2 = 4
price_per_m = 3

[joints.kits.two]
max_ways = 2
price = 6
labour = 4

[joints.kits.three]
max_ways = 3
price = 8
labour = 5

[joints.kits.five]
max_ways = 5
price = 12
labour = 7

[drivers.e60]
taps_v = [12]
rated_w = 60
limit_a = 6
limit_mode = "hiccup"
short_rms_a = 1
start_a = 16
start_uf = 300
inrush_a = 30
price = 90

[supplies.S1]
price = 25
inrush_a = 30

[schedule]
on = "18:00"
off = "23:00"
price_per_kwh = 0.4

[quote]
hour_cost = 60
trench_min_per_m = 6
cable_min_per_m = 1
joint_min = 15
lamp_min = 20
circuit_min = 30
fixed_hours = 1.5
lamps = { spike = 40 }
extras = { skip = 50 }
margin_pct = 20
tax_pct = 10
tax_name = "VAT"
"""
SURVEY = """\
point,kind,of,x,y
L1,lamp,spike,10,0.2
L2,lamp,spike,20,0.2
S1,supply,,0,0
S2,supply,,30,0
,corner,pond,8,3
,corner,pond,8,6
,corner,pond,5,6
,corner,pond,5,3
"""


SKETCH, POND = pond()
TEXT = json.dumps(POND)


def plain() -> Data:
    """The pond plan as JSON holds it."""
    found: Data = json.loads(TEXT)
    return found


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A plan folder as it is written, with its copies of job and survey."""
    plan_folder = tmp_path / "plan"
    plan_folder.mkdir()
    (plan_folder / "job.toml").write_text(JOB, encoding="utf-8")
    (plan_folder / "survey.csv").write_text(SURVEY, encoding="utf-8")
    data = plain()
    data["job"]["digest"] = open_job(plan_folder).digest
    (plan_folder / "plan.json").write_text(json.dumps(data), encoding="utf-8")
    return plan_folder


def respoil(folder: Path, change: Callable[[Data], Any]) -> None:
    data = json.loads((folder / "plan.json").read_text(encoding="utf-8"))
    change(data)
    (folder / "plan.json").write_text(json.dumps(data), encoding="utf-8")


def told(action: Callable[[], Any]) -> str:
    with pytest.raises(BadInput) as caught:
        action()
    return str(caught.value)


def test_a_folder_is_judged_by_its_copies(folder: Path) -> None:
    for path in (folder, folder / "plan.json"):
        report = check_folder(path)
        assert [finding.sentence for finding in report.violations] == []
        assert report.notes[-1] == "Judged by the copies in the plan's own folder."


def test_the_original_job_may_judge(folder: Path, tmp_path: Path) -> None:
    original = tmp_path / "job"
    shutil.copytree(folder, original)
    (original / "plan.json").unlink()
    assert check_folder(folder, original).holds
    # The original has changed since: another digest, and another price.
    (original / "job.toml").write_text(JOB.replace("per_m = 10", "per_m = 11"), encoding="utf-8")
    report = check_folder(folder, original)
    assert {"digest", "trench prices", "lead prices"} <= {finding.limit for finding in report.violations}
    assert report.violations[0].sentence.startswith("the plan was made from another job or survey: digest sha256:")


def test_copies_that_were_changed_are_found(folder: Path) -> None:
    (folder / "survey.csv").write_text(SURVEY.replace("10,0.2", "10,0.21"), encoding="utf-8")
    assert "digest" in {finding.limit for finding in check_folder(folder).violations}


def test_overrides_hold_and_are_noted(folder: Path) -> None:
    overrides = {"voltage.max_drop": "5 %"}

    def change(data: Data) -> None:
        data["job"] |= {"overrides": overrides, "digest": open_job(folder, overrides=overrides).digest}

    respoil(folder, change)
    report = check_folder(folder)
    assert report.holds
    assert any("OVERRIDDEN" in note for note in report.notes)


@pytest.mark.parametrize(
    ("change", "text"),
    [
        (
            lambda data: data["lamps"][0].pop("volts"),
            "plan.json:lamps[0].volts: is missing\n    mend: make the plan anew with lampspur plan",
        ),
        (
            lambda data: data["lamps"][0].update(volts="12"),
            "plan.json:lamps[0].volts: found '12', which is not a number\n"
            "    mend: make the plan anew with lampspur plan",
        ),
        (
            lambda data: data.update(cabels=data.pop("cables")),
            "plan.json:cabels: is no key of a plan\n    mend: did you mean 'cables'?\n"
            "plan.json:cables: is missing\n    mend: make the plan anew with lampspur plan",
        ),
        (
            lambda data: data.update(joints={}),
            "plan.json:joints: found {}, which is not a list\n    mend: make the plan anew with lampspur plan",
        ),
        (
            lambda data: data.update(seed=1.5),
            "plan.json:seed: found 1.5, which is not a whole number\n    mend: make the plan anew with lampspur plan",
        ),
        (
            lambda data: data["job"].update(title="x" * 201),
            f"plan.json:job.title: found '{'x' * 56}..., which is not a text of at most 200 characters\n"
            "    mend: make the plan anew with lampspur plan",
        ),
        (
            lambda data: data["tool"].update(version="x" * 41),
            f"plan.json:tool.version: found '{'x' * 41}', which is not a text of at most 40 characters\n"
            "    mend: make the plan anew with lampspur plan",
        ),
        (
            lambda data: data.update(outcome="perfect"),
            "plan.json:outcome: found 'perfect', which is not one of the words a plan may hold here\n"
            "    mend: make the plan anew with lampspur plan",
        ),
        (
            lambda data: data["job"].update(files=["../job.toml"]),
            "plan.json:job.files: found '../job.toml', which is no file of the plan's folder\n"
            "    mend: make the plan anew with lampspur plan",
        ),
        (
            lambda data: data["job"].update(files=[]),
            "plan.json:job.files: found no files: the plan carries no copy of its job\n"
            "    mend: give the job with --job",
        ),
    ],
)
def test_a_plan_of_the_wrong_shape(folder: Path, change: Callable[[Data], Any], text: str) -> None:
    respoil(folder, change)
    assert told(lambda: check_folder(folder)) == text


def test_a_plan_of_a_later_version_is_refused_by_name_and_version(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Its keys are not called slips, nor is it said that they should be removed: they mean something there."""

    def later(data: Data) -> None:
        data["tool"] = {"name": "lampspur", "version": "7.2"}
        data["lamps"][0]["glare"] = 3
        data["cables_laid"] = {}
        data["outcome"] = "perfect"

    monkeypatch.setattr(sys.modules["optimiser.check.read_plan"], "version", lambda name: "0.1.0")
    respoil(folder, later)
    mend = "look at the plan with the lampspur that made it, 7.2, or make it anew with lampspur plan"
    assert told(lambda: check_folder(folder)).split("\n") == [
        "plan.json:cables_laid: is no key that this lampspur, 0.1.0, knows",
        f"    mend: {mend}",
        "plan.json:lamps[0].glare: is no key that this lampspur, 0.1.0, knows",
        f"    mend: {mend}",
        "plan.json:outcome: found 'perfect', which is not one of the words a plan may hold here",
        f"    mend: {mend}",
    ]
    respoil(folder, lambda data: data["tool"].update(version="0.1.0"))
    assert "is no key of a plan\n    mend: remove it" in told(lambda: check_folder(folder))


@pytest.mark.parametrize(
    ("content", "text"),
    [
        (b"", "plan.json:1: found text that is no JSON: Expecting value at column 1"),
        (
            b"{",
            "plan.json:1: found text that is no JSON: Expecting property name enclosed in double quotes at column 2",
        ),
        (b"\xff\xfe{}", "plan.json: found bytes that are not UTF-8"),
        (b"[" * 100_000, "plan.json: found JSON nested or long beyond reason"),
        (b'{"bound": NaN}', "plan.json: found NaN, which is no number"),
        (b'{"bound": -Infinity}', "plan.json: found -Infinity, which is no number"),
        (b'{"bound": 1, "bound": 2}', "plan.json: found key 'bound' twice in one object"),
        (b"[]", "plan.json: found [], which is not an object"),
        (b"7" * 5000, "plan.json: found JSON nested or long beyond reason"),
    ],
)
def test_files_that_are_no_plan(tmp_path: Path, content: bytes, text: str) -> None:
    path = tmp_path / "plan.json"
    path.write_bytes(content)
    assert told(lambda: read_plan(path)) == text + "\n    mend: make the plan anew with lampspur plan"


def test_no_plan_at_all(tmp_path: Path) -> None:
    text = f"{tmp_path / 'plan.json'}: found no such file\n    mend: name a plan's folder, or its plan.json"
    assert told(lambda: check_folder(tmp_path)) == text


def test_huge_numbers_are_violations_not_tracebacks(folder: Path) -> None:
    respoil(folder, lambda data: data["cables"][0].update(route=[[0, 0], [1e308, -1e308]]))
    report = check_folder(folder)
    assert [finding.limit for finding in report.violations] == ["finite numbers", "finite numbers"]
    text = (folder / "plan.json").read_text(encoding="utf-8").replace("1e+308", "1e999")
    (folder / "plan.json").write_text(text, encoding="utf-8")
    assert {finding.limit for finding in check_folder(folder).violations} == {"finite numbers"}


def _paths(value: Any, path: tuple[str | int, ...] = ()) -> list[tuple[str | int, ...]]:
    children = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    return [path] * bool(path) + [found for key, inner in children for found in _paths(inner, (*path, key))]


JUNK = st.sampled_from(
    [None, True, -1, 0, 1e308, 10**30, "", "D1", "J2", "K1", [], {}, [[]], [0.0, 0.0], [[0, 0]], [[0, 0], [0, 0]], -7.5]
)


@settings(max_examples=150, deadline=None)
@given(st.data(), JUNK)
def test_no_junk_ends_in_a_traceback(draw: st.DataObject, junk: Any) -> None:

    data = plain()
    path = draw.draw(st.sampled_from(_paths(data)))
    at: Any = data
    for key in path[:-1]:
        at = at[key]
    at[path[-1]] = junk
    try:
        plan = Plan.model_validate_json(json.dumps(data), strict=True)
    except ValidationError:
        return  # told as a Problem: see above
    check_plan(plan, SKETCH.job, SKETCH.survey, "sha256:0")
