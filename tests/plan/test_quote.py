"""The quote of plans as they are made: by hand for a small one, by the check for all."""

from __future__ import annotations

from pathlib import Path

import pytest

from optimiser.check import check_plan
from optimiser.job_folder import JobFolder, open_job
from optimiser.make_plan import Options, make_plan
from optimiser.plan.model import Plan

ROOT = Path(__file__).resolve().parents[2]
RATES = """
[quote]
hour_cost = 42.5
trench_min_per_m = 7
cable_min_per_m = 1.5
joint_min = 14
lamp_min = 18
margin_pct = 17.5
tax_pct = 8.1
"""


def planned(tmp_path: Path, rates: str) -> tuple[JobFolder, Plan]:
    folder = tmp_path / "job"
    folder.mkdir()
    text = (ROOT / "cases/terrace/job.toml").read_text(encoding="utf-8") + rates
    (folder / "job.toml").write_text(text, encoding="utf-8")
    (folder / "survey.csv").write_bytes((ROOT / "cases/terrace/survey.csv").read_bytes())
    job = open_job(folder)
    return job, make_plan(job, Options(effort=0.02))


def test_the_quote_of_a_terrace_is_the_sum_of_its_parts(tmp_path: Path) -> None:
    _, plan = planned(tmp_path, RATES)
    quote = plan.quote
    assert quote is not None
    by = {(item.part, item.kind): item for item in quote.items}
    (cable,) = [item for item in quote.items if item.kind == "cable"]
    assert cable.cost == pytest.approx(plan.cost.cable)
    kits = {joint.kit: plan.kits_used[joint.kit] for joint in plan.joints if joint.kit}
    assert by["material", "kit"].cost == pytest.approx(
        sum(kits[joint.kit].price for joint in plan.joints if joint.kit), abs=0.005
    )
    assert by["labour", "lamp"].hours == pytest.approx(len(plan.lamps) * 18 / 60)
    assert by["labour", "lay"].hours == pytest.approx(sum(one.cut_m for one in plan.cables) * 1.5 / 60, abs=0.005)
    trench = [item for item in quote.items if item.kind == "trench"]
    dug_m = sum(one.length_m for one in plan.trenches if one.sleeve is None)
    assert sum(item.hours or 0 for item in trench) == pytest.approx(dug_m * 7 / 60, abs=0.005 * len(trench))
    for item in quote.items:
        assert 1 - item.cost / item.price == pytest.approx(0.175, abs=0.02 / item.price), "the margin is of the price"
    assert quote.total == pytest.approx(sum(item.price for item in quote.items) * 1.081, abs=0.01)
    assert quote.not_priced == ["spike"]


@pytest.mark.parametrize(
    "more",
    [
        "",
        'whole = true\nlamps = { spike = 31.9 }\nextras = { "skip, and <soil>" = 90 }\n',
        "grounds = { lawn = 5, paving = 0.01 }\ncrossing_min = 8\npull_min = 3\ndriver_min = 20\nfixed_hours = 2.25\n",
    ],
    ids=["least", "whole reels", "every time"],
)
def test_the_check_reckons_the_same_quote(tmp_path: Path, more: str) -> None:
    job, plan = planned(tmp_path, RATES + more)
    report = check_plan(plan, job.job, job.survey, job.digest)
    assert report.holds
    (line,) = [finding for finding in report.lines if finding.limit == "quote"]
    assert line.cases > 20


def test_the_layout_does_not_depend_on_the_quote(tmp_path: Path) -> None:
    _, with_quote = planned(tmp_path, RATES)
    without = make_plan(open_job(ROOT / "cases/terrace"), Options(effort=0.02))
    assert without.quote is None
    same = {"job": without.job, "quote": None}
    assert with_quote.model_copy(update=same) == without
