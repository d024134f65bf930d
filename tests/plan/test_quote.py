"""The quote of plans as they are made: by hand for a small one, by the check for all."""

from __future__ import annotations

import io
import re
from pathlib import Path

import pypdf
import pytest

from optimiser.check import check_plan
from optimiser.documents.papers import PaperOptions, choose_papers, make_papers
from optimiser.job_folder import JobFolder, open_job
from optimiser.make_plan import Options, make_plan
from optimiser.plan.model import Plan
from optimiser.plan.quote import quote as reckon

ROOT = Path(__file__).resolve().parents[2]
HALF_UP = 0.005 + 1e-9
"""How far hours may be rounded; a half exactly, too."""
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
    assert by["labour", "lay"].hours == pytest.approx(sum(one.cut_m for one in plan.cables) * 1.5 / 60, abs=HALF_UP)
    trench = [item for item in quote.items if item.kind == "trench"]
    dug_m = sum(one.length_m for one in plan.trenches if one.sleeve is None)
    assert sum(item.hours or 0 for item in trench) == pytest.approx(dug_m * 7 / 60, abs=HALF_UP * len(trench))
    for item in quote.items:
        assert 1 - item.cost / item.price == pytest.approx(0.175, abs=0.02 / item.price), "the margin is of the price"
    assert quote.total == pytest.approx(sum(item.price for item in quote.items) * 1.081, abs=0.01)
    assert quote.not_priced == ["spike"]


def test_the_quote_is_what_a_pocket_calculator_gives(tmp_path: Path) -> None:
    """
    Parts in round numbers, reckoned by hand with the rates above; halves are rounded up.

    That is the rule for money in euros: Council Regulation (EC) No 1103/97, Article 5 (from memory: "If the application
    of the conversion rate gives a result which is exactly half-way, the sum shall be rounded up").
    """
    job, plan = planned(tmp_path, RATES)
    (name,) = plan.cables_used
    quote = reckon(
        job.job,
        [plan.drivers[0].model_copy(update={"price": 75.0})],
        plan.circuits[:1],
        [plan.joints[0].model_copy(update={"kit": "4 way"})] * 2,
        [plan.cables[0].model_copy(update={"cable": name, "cut_m": 12.5, "price": 8.75})] * 2,
        [plan.trenches[0].model_copy(update={"ground": "lawn", "sleeve": None, "length_m": 12.345, "borders": 0})],
        plan.lamps[:5],
        [],
    )
    assert quote is not None
    assert {(item.kind, item.of): (item.quantity, item.hours, item.cost, item.price) for item in quote.items} == {
        # price = cost / (1 - 0.175) = cost / 0.825
        ("cable", name): (25.0, None, 17.50, 21.21),  # 2 x 8.75; 21.2121
        ("kit", "4 way"): (2, None, 14.00, 16.97),  # 2 x 7; 16.9697
        ("driver", plan.drivers[0].model): (1, None, 75.00, 90.91),  # 90.9091
        ("trench", "lawn"): (12.345, 1.44, 61.20, 74.18),  # 86.415 min = 1.44025 h; x 42.50; 74.1818
        ("lay", ""): (25.0, 0.63, 26.78, 32.46),  # 37.5 min = 0.625 h, up; x 42.50 = 26.775, up; 32.4606
        ("joint", ""): (2, 0.47, 19.98, 24.22),  # 28 min = 0.4667 h; 19.975, up; 24.2182
        ("lamp", ""): (5, 1.5, 63.75, 77.27),  # 90 min; 77.2727
    }
    assert quote.hours == 4.04  # 1.44 + 0.63 + 0.47 + 1.50
    assert quote.cost == 278.21  # 17.50 + 14 + 75 + 61.20 + 26.78 + 19.98 + 63.75
    assert quote.net == 337.22  # 21.21 + 16.97 + 90.91 + 74.18 + 32.46 + 24.22 + 77.27
    assert quote.tax == 27.31  # 8.1 % of 337.22 is 27.31482
    assert quote.total == 364.53


def test_nothing_the_customer_gets_tells_what_anything_cost(tmp_path: Path) -> None:
    """All text of PDF and CSV, and the PDF's own description of itself, are searched for every cost and rate."""
    _, plan = planned(tmp_path, RATES + 'lamps = { spike = 31.9 }\nextras = { "skip" = 91.3 }\n')
    quote = plan.quote
    assert quote is not None
    files = make_papers(plan, choose_papers(["quote-customer", "quote-customer-csv"]), PaperOptions())
    read = pypdf.PdfReader(io.BytesIO(files["quote_customer.pdf"]))
    told = "\n".join(page.extract_text() for page in read.pages) + str(read.metadata) + str(read.xmp_metadata or "")
    told += files["quote_customer.csv"].decode("utf-8-sig")
    prices = {f"{item.price:.2f}" for item in quote.items} | {
        f"{one:.2f}" for one in (quote.net, quote.tax, quote.total)
    }
    secret = [item.cost for item in quote.items] + [quote.cost, quote.net - quote.cost, quote.hour_cost, 31.9]
    secret += [one.price for one in (*plan.drivers, *plan.reels, *plan.joints) if one.price]
    secret += [used.price_m for used in plan.cables_used.values()] + [kit.price for kit in plan.kits_used.values()]
    numbers = set(re.findall(r"\d+(?:\.\d+)?", told.replace(",", "")))
    assert prices <= numbers
    hours = {f"{item.hours:.2f}" for item in quote.items if item.hours}  # one may be a price of cable by chance
    assert not {f"{amount:.2f}" for amount in secret} & (numbers - hours)
    assert not re.search(r"cost|margin|17\.5|42\.5", told, re.I)


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
