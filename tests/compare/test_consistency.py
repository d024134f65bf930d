"""A report never contradicts itself: whatever was found for one of its numbers is offered to all others."""

from __future__ import annotations

import shutil
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from optimiser.check import check_plan
from optimiser.compare.alternatives import Variant, list_variants
from optimiser.compare.compare import Compared, Wanted, compare
from optimiser.compare.exchange import Exchange, Known
from optimiser.compare.model import AlternativeResult
from optimiser.compare.planning import PlanTask
from optimiser.compare.workers import Here, workers
from optimiser.documents.compare_folder import comparison_contents
from optimiser.job_folder import open_job, with_overrides
from optimiser.make_plan import Made, Options
from optimiser.search.stopping import StopSignal
from tests.brief_search import brief_search
from tests.case_plans import case_made
from tests.test_cli import JOB, SURVEY

LITTLE = Options(effort=0.02)


def ran(variants: Sequence[Variant], processes: int, wanted: Wanted) -> Compared:
    with workers(processes, None, StopSignal()) as crew:
        return compare([variants], LITTLE, crew, lambda text: None, wanted)[0]


DROPS = ["5%", "10%", "12%"]


@pytest.fixture(scope="module", params=["terrace", pytest.param("courtyard", marks=pytest.mark.slow)])
def variants(cases: Path, request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> list[Variant]:
    """The terrace, or every second lamp of the courtyard, among which are all of its kinds."""
    if request.param == "terrace":
        return list_variants(cases / "terrace", (), DROPS)
    folder = tmp_path_factory.mktemp("half") / "courtyard"
    shutil.copytree(cases / "courtyard", folder)
    rows = (folder / "survey.csv").read_text(encoding="utf-8").splitlines(keepends=True)
    lamps = [row for row in rows if ",lamp," in row]
    half = "".join(row for row in rows if row not in lamps[1::2])
    (folder / "survey.csv").write_text(half, encoding="utf-8")
    assert {row.split(",")[2] for row in lamps[::2]} == {row.split(",")[2] for row in lamps}
    return list_variants(folder, (), DROPS)


@pytest.fixture(scope="module")
def compared(variants: list[Variant]) -> Compared:
    with brief_search():
        return ran(variants, 1, Wanted(curves=True, limits=True))


def cost(result: AlternativeResult) -> float:
    assert result.figures is not None
    return result.figures.cost.total


def test_a_looser_limit_never_costs_more(compared: Compared) -> None:
    five, ten, twelve = compared.comparison.alternatives
    assert cost(five) >= cost(ten) >= cost(twelve)
    for curve in compared.comparison.curves:
        costs = [point.cost for point in curve.points if point.cost is not None]
        assert len(costs) > 3 and costs == sorted(costs)


def test_a_curve_at_a_plans_own_limit_is_that_plan(compared: Compared) -> None:
    curves = {curve.of: curve for curve in compared.comparison.curves}
    at = {point.limit: point.cost for point in curves["max_drop"].points}
    for limit, result in zip((5.0, 10.0, 12.0), compared.comparison.alternatives, strict=True):
        assert at[limit] == cost(result), limit
    recommended = next(one for one in compared.comparison.alternatives if one.name == compared.comparison.recommended)
    assert curves["lowest_volts"].points[0].cost == cost(recommended), "where the window begins"


def test_savings_count_from_the_plan_itself(compared: Compared) -> None:
    limits = compared.comparison.limits
    assert limits is not None and limits.alternative == compared.comparison.recommended
    own = cost(next(one for one in compared.comparison.alternatives if one.name == limits.alternative))
    assert limits.cost == own
    rows = [row for row in limits.rows if row.cost is not None]
    assert rows and all(row.cost is not None and row.saving == round(max(0.0, own - row.cost), 2) for row in rows)
    drop = next(row for row in limits.rows if row.what.startswith("a largest drop of"))
    at = {point.limit: point.cost for point in compared.comparison.curves[0].points}
    assert drop.cost is not None and min(own, drop.cost) >= (at[15.0] or 0.0)


def test_what_was_taken_over_is_a_plan_like_any_other(variants: list[Variant], compared: Compared) -> None:
    for variant, planned in zip(variants, compared.plans, strict=True):
        assert planned is not None
        plan, _ = planned
        assert not check_plan(plan, variant.folder.job, variant.folder.survey, variant.folder.digest).violations
        assert plan.effort == LITTLE.effort and plan.outcome == "effort_spent"
        assert plan.bound is not None and plan.bound <= plan.cost.total


@pytest.mark.slow  # test_compare.py asks the same of a smaller comparison
def test_it_does_not_depend_on_the_number_of_workers(tmp_path: Path) -> None:
    """Curves and limits of a garden of two lamps; none of them is searched briefly, for a worker would not know."""
    (tmp_path / "job.toml").write_text(JOB, encoding="utf-8")
    (tmp_path / "survey.csv").write_text(SURVEY, encoding="utf-8")
    variants = list_variants(tmp_path, (), ["5%", "10%"])
    one, two = (
        comparison_contents(found.comparison, found.plans, Path("x"))
        for found in (ran(variants, processes, Wanted(curves=True, limits=True)) for processes in (1, 2))
    )
    assert one == two and {"max_drop.csv", "lowest_volts.csv", "limits.csv"} <= set(one)


class Unlucky(Here):
    """Finds a dear layout of one alternative as long as it begins from nothing: one of two drivers."""

    def __init__(self, name: str) -> None:
        super().__init__(StopSignal())
        self.name = name

    def do(self, work: Any, tasks: Sequence[Any], on_done: Any) -> list[Any]:
        def poor(task: Any) -> Any:
            if not isinstance(task, PlanTask) or task.warm or task.variant.name != self.name:
                return task
            return replace(task, options=replace(task.options, num_drivers=2))

        return super().do(work, [poor(task) for task in tasks], on_done)


@pytest.mark.parametrize("wanted", [Wanted(), pytest.param(Wanted(curves=True), marks=pytest.mark.slow)])
def test_an_unlucky_search_takes_over_what_holds_for_it(cases: Path, wanted: Wanted) -> None:
    """Without that the looser limit would cost more than the tighter one, whose layout keeps it."""
    variants = list_variants(cases / "terrace", (), ["5%", "10%"])
    told: list[str] = []
    with brief_search():
        found = compare([variants], LITTLE, Unlucky("drop 10 %"), told.append, wanted)[0]
    five, ten = found.comparison.alternatives
    assert cost(ten) <= cost(five) and ten.figures is not None and len(ten.figures.drivers) == 1
    assert any(text.startswith("drop 10 %: planned again") for text in told)


# --- what is offered, and to whom


@pytest.fixture(scope="module")
def made() -> Made:
    return case_made("courtyard")


def test_a_layout_is_taken_only_where_it_holds_and_is_cheaper(cases: Path, made: Made) -> None:
    folder = open_job(cases / "courtyard")
    pool, exchange, own = [Known(folder, made)], Exchange(), made.plan.cost.total
    reached = max(lamp.drop_pct for lamp in made.plan.lamps)
    tighter = with_overrides(folder, {"voltage.max_drop": round(reached - 0.1, 2)})
    looser = with_overrides(folder, {"voltage.max_drop": round(reached + 0.1, 2)})
    assert exchange.cheaper(tighter, None, None, pool) is None
    found = exchange.cheaper(looser, None, None, pool)
    assert found is not None and found.plan.cost.total == own
    assert exchange.cheaper(looser, None, own, pool) is None, "no cheaper"
    assert exchange.cheaper(looser, 1 + len(made.layout.drivers), None, pool) is None, "another number of drivers"


def test_a_layout_is_priced_by_the_job_that_takes_it(cases: Path, made: Made) -> None:
    """Other prices, by hand: half a euro less for each metre dug in a bed; five euros more for each driver."""
    folder, plan = open_job(cases / "courtyard"), made.plan
    bed_m = sum(t.length_m for t in plan.trenches if t.ground == "bed" and t.sleeve is None)
    model = plan.drivers[0].model
    count = sum(driver.model == model for driver in plan.drivers)
    pool = [Known(folder, made)]
    bed = Exchange().cheaper(with_overrides(folder, {"grounds.bed.per_m": 6.5}), None, None, pool)
    assert bed is not None and bed_m > 1
    dug, now = (sum(t.price for t in one.trenches) for one in (plan, bed.plan))
    assert now == pytest.approx(dug - 0.5 * bed_m, abs=0.01 * len(plan.trenches))
    dearer = {f"drivers.{model}.price": folder.job.drivers[model].price + 5}
    found = Exchange().cheaper(with_overrides(folder, dearer), None, None, pool)
    assert found is not None and found.plan.cost.total == pytest.approx(plan.cost.total + 5 * count)


def test_what_is_not_in_the_job_is_not_offered(cases: Path, made: Made) -> None:
    folder = open_job(cases / "courtyard")
    model = made.plan.drivers[0].model
    other = open_job(cases / "courtyard", {f"drivers.{model}": None})
    assert Exchange().cheaper(other, None, None, [Known(folder, made)]) is None
