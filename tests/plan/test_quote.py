"""The quote of plans as they are made: by hand for a small one, by the check for all."""

from __future__ import annotations

import io
import re
from collections.abc import Iterator
from functools import cache
from pathlib import Path

import pypdf
import pytest

from optimiser.check import check_plan
from optimiser.check.index import Index
from optimiser.check.quote import judge_quote
from optimiser.check.report import Book
from optimiser.documents.papers import PaperOptions, choose_papers, make_papers
from optimiser.job import Job
from optimiser.job_folder import JobFolder, open_job
from optimiser.make_plan import Options, make_plan
from optimiser.plan.model import Plan
from optimiser.plan.quote import quote as reckon
from optimiser.survey.model import Survey
from tests.brief_search import brief_search
from tests.properties.random_jobs import folder_of

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


@pytest.fixture(scope="module", autouse=True)
def one_round() -> Iterator[None]:
    """Whatever is planned here is planned briefly."""
    with brief_search():
        yield


@cache
def planned(rates: str) -> tuple[JobFolder, Plan]:
    """The terrace with these rates; not to be changed."""
    job, survey = ((ROOT / "cases/terrace" / name).read_text(encoding="utf-8") for name in ("job.toml", "survey.csv"))
    folder = folder_of(job + rates, survey)
    return folder, make_plan(folder, Options(effort=0.02))


def test_the_quote_of_a_terrace_is_the_sum_of_its_parts() -> None:
    _, plan = planned(RATES)
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


def test_the_quote_is_what_a_pocket_calculator_gives() -> None:
    """
    Parts in round numbers, reckoned by hand with the rates above; halves are rounded up.

    That is the rule for money in euros: Council Regulation (EC) No 1103/97, Article 5 (from memory: "If the application
    of the conversion rate gives a result which is exactly half-way, the sum shall be rounded up").
    """
    job, plan = planned(RATES)
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


# Trenches as ground, route and borders as the cost counts them, and how often a digger passes a border priced for it.
# Lawn and bed cost nothing to cross, paving and drive do.
PASSING: dict[str, tuple[list[tuple[str, list[tuple[float, float]], int]], float]] = {
    "lawn to lawn": ([("lawn", [(0, 0), (1, 0)], 0), ("lawn", [(1, 0), (2, 1)], 0)], 0),
    "along a border": ([("paving", [(0, 0), (4, 0)], 2), ("paving", [(4, 0), (8, 0)], 2)], 0),
    "free of charge": ([("lawn", [(0, 0), (4, 0)], 1), ("bed", [(4, 0), (8, 0)], 1)], 0),
    "through": (
        [("lawn", [(0, 0), (4, 0)], 1), ("paving", [(4, 0), (4.5, 1), (6, 0)], 2), ("bed", [(9, 0), (6, 0)], 1)],
        2,
    ),
    "both priced": ([("drive", [(0, 0), (4, 0)], 1), ("paving", [(4, 0), (6, 0)], 1)], 1),
    "a fork on it": (
        [("lawn", [(0, 0), (4, 0)], 1), ("paving", [(4, 0), (6, 0)], 1), ("paving", [(4, 0), (6, 2)], 1)],
        1,
    ),
    "three grounds": (
        [("lawn", [(0, 0), (4, 0)], 1), ("bed", [(4, 0), (6, 0)], 1), ("paving", [(4, 0), (6, 2)], 1)],
        1,
    ),
    "three, two priced": (
        [("lawn", [(0, 0), (4, 0)], 1), ("drive", [(4, 0), (6, 0)], 1), ("paving", [(4, 0), (6, 2)], 1)],
        2,
    ),
}


@pytest.fixture(scope="module")
def terrace() -> tuple[JobFolder, Plan]:
    return planned(RATES + "crossing_min = 6\n")


@pytest.mark.parametrize("case", PASSING)
def test_a_crossing_is_charged_where_a_trench_passes_into_other_ground(
    terrace: tuple[JobFolder, Plan], case: str
) -> None:
    """Counted by hand; the check counts the same."""
    trenches, count = PASSING[case]
    job, plan = terrace
    grounds = {"lawn": 0, "bed": 0, "paving": 12, "drive": 5}
    settings = job.job.model_dump() | {"grounds": {name: {"per_m": 9, "crossing": c} for name, c in grounds.items()}}
    priced = Job.model_validate(settings)
    dug = [
        plan.trenches[0].model_copy(
            update={"id": f"T0{k}", "ground": ground, "route": route, "borders": borders, "sleeve": None}
        )
        for k, (ground, route, borders) in enumerate(trenches, 1)
    ]
    parts = (plan.drivers, plan.circuits, plan.joints, plan.cables)
    quote = reckon(priced, *parts, dug, plan.lamps, plan.reels)
    assert quote is not None
    assert [item.quantity for item in quote.items if item.kind == "crossing"] == ([count] if count else [])
    assert broken(plan.model_copy(update={"trenches": dug, "quote": quote}), priced, job.survey) == []
    if count:
        more = [
            item.model_copy(update={"quantity": count + 1}) if item.kind == "crossing" else item for item in quote.items
        ]
        wrong = quote.model_copy(update={"items": more})
        assert broken(plan.model_copy(update={"trenches": dug, "quote": wrong}), priced, job.survey)


def broken(plan: Plan, job: Job, survey: Survey) -> list[str]:
    """What the check finds wrong in the quote alone."""
    book = Book()
    names = Index(plan, job, survey, {}, {}, {}, {}, {}, {lamp.name: lamp for lamp in survey.lamps})
    judge_quote(names, book)
    return [finding.sentence for finding in book.close().violations]


def test_nothing_the_customer_gets_tells_what_anything_cost() -> None:
    """All text of PDF and CSV, and the PDF's own description of itself, are searched for every cost and rate."""
    _, plan = planned(RATES + 'lamps = { spike = 31.9 }\nextras = { "skip" = 91.3 }\n')
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
def test_the_check_reckons_the_same_quote(more: str) -> None:
    job, plan = planned(RATES + more)
    report = check_plan(plan, job.job, job.survey, job.digest)
    assert report.holds
    (line,) = [finding for finding in report.lines if finding.limit == "quote"]
    assert line.cases > 20


def test_the_layout_does_not_depend_on_the_quote() -> None:
    _, with_quote = planned(RATES)
    without = make_plan(open_job(ROOT / "cases/terrace"), Options(effort=0.02))
    assert without.quote is None
    same = {"job": without.job, "quote": None}
    assert with_quote.model_copy(update=same) == without
