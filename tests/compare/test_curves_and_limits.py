"""Curves and limits: what they claim, against rules that hold whatever the search finds."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from optimiser.compare.alternatives import list_variants
from optimiser.compare.curves import (
    CurveTask,
    curve_of,
    curve_tasks,
    find_knee,
    known_of,
    points_of,
    trace_curve,
    with_offers,
)
from optimiser.compare.exchange import Exchange
from optimiser.compare.limits import LimitTask, limit_tasks, limits_of, one_tap_more, relaxed_rows
from optimiser.compare.model import Relaxed
from optimiser.compare.planning import Outcome, outcome_of, plan_variant
from optimiser.compare.workers import KILLED
from optimiser.job_folder import with_overrides
from optimiser.make_plan import Made, Options, make_whole
from optimiser.search.stopping import StopSignal
from optimiser.search.warm import Warm, carry
from tests.brief_search import brief_search

LITTLE = Options(effort=0.02, prove=False)


@pytest.fixture(scope="module", autouse=True)
def one_round() -> Iterator[None]:
    """Whatever is planned here is planned briefly."""
    with brief_search():
        yield


def test_the_knee_of_a_known_curve() -> None:
    """
    Figure 2 of Satopaa et al. (2011), from memory: y = 5 - 1 / (x + 0.1) at ten places from 0 to 1 has its knee at 2/9.

    That curve is turned by half a turn, as ours rises ever faster. The limit falls as it is tightened, or rises.
    """
    x = np.linspace(0, 1, 10)
    y = 5 - 1 / (x + 0.1)
    points = [(float(1 - a), float(10 - b)) for a, b in zip(x, y, strict=True)][::-1]
    assert find_knee(points) == pytest.approx(1 - 2 / 9)
    assert find_knee([(10 - 5 * limit, cost) for limit, cost in points]) == pytest.approx(10 - 5 * (1 - 2 / 9))


@pytest.mark.parametrize(
    "points",
    [
        [],
        [(15.0, 100.0), (3.0, 200.0)],
        [(15.0, 100.0), (10.0, 100.0), (3.0, 100.0)],
        [(15.0, 100.0), (9.0, 150.0), (3.0, 200.0)],
        [(15.0, 100.0), (9.0, 100.2), (3.0, 100.4)],
    ],
)
def test_a_flat_or_straight_curve_has_no_knee(points: list[tuple[float, float]]) -> None:
    assert find_knee(points) is None


@pytest.fixture(scope="module")
def begun(cases: Path) -> tuple[CurveTask, CurveTask, Made, Warm]:
    variant = list_variants(cases / "terrace", [1, 2])[0]
    made = make_whole(variant.folder, replace(LITTLE, num_drivers=1))
    warm = carry(variant.folder.job, variant.folder.survey, made.ground.graph, made.layout)
    drop, volts = curve_tasks(variant, made.plan, warm, Options(effort=0.1))
    return drop, volts, made, warm


def test_cost_never_falls_as_drop_is_tightened_and_every_point_keeps_its_limit(
    begun: tuple[CurveTask, CurveTask, Made, Warm],
) -> None:
    task = replace(begun[0], limits=(10.0, 6.0, 4.0, 1.0, 0.01))
    points = trace_curve(task, StopSignal())
    curve = curve_of(task, with_offers(task, points, known_of(points), Exchange()))
    got = [point for point in curve.points if point.cost is not None]
    costs = [point.cost for point in got]
    assert len(got) >= 3 and costs == sorted(costs)
    assert all(point.reached is not None and point.reached <= point.limit for point in got)
    assert curve.points[-1].cost is None, "no cable is as good as that"
    assert curve.points[-1].searched in ("no_layout", "not_tried")
    assert "no layout was found" in curve.says


def test_lowest_volts_are_asked_for_at_worst(begun: tuple[CurveTask, CurveTask, Made, Warm]) -> None:
    task = replace(begun[1], limits=begun[1].limits[:4])
    assert task.limits[0] == 10.0, "where the lamps' window begins"
    points = trace_curve(task, StopSignal())
    curve = curve_of(task, with_offers(task, points, known_of(points), Exchange()))
    got = [point for point in curve.points if point.cost is not None]
    assert got and curve.unit == "V"
    assert all(point.reached is not None and point.reached >= point.limit for point in got)
    costs = [point.cost for point in got]
    assert costs == sorted(costs)


def test_the_same_task_gives_the_same_curve(begun: tuple[CurveTask, CurveTask, Made, Warm]) -> None:
    task = replace(begun[0], limits=(10.0, 5.0))
    assert curve_of(task, trace_curve(task, StopSignal())) == curve_of(task, trace_curve(task, StopSignal()))


class After(StopSignal):
    """Asked to stop once it has been looked at so often."""

    def __init__(self, times: int) -> None:
        super().__init__()
        self.left = times

    def __call__(self) -> bool:
        self.left -= 1
        if self.left < 0:
            self.by_user = True
        return super().__call__()


def looks(task: CurveTask) -> int:
    """How often a whole curve looks at the signal."""
    counter = After(10**9)
    trace_curve(task, counter)
    return 10**9 - counter.left


@pytest.mark.parametrize("share", [0.0, 0.5])
def test_a_curve_that_was_stopped_says_so_and_never_that_there_is_no_layout(
    begun: tuple[CurveTask, CurveTask, Made, Warm], share: float
) -> None:
    task = replace(begun[0], limits=(10.0, 6.0, 5.0, 4.0))
    curve = curve_of(task, trace_curve(task, After(round(share * looks(task)) if share else 0)))
    cut = [point for point in curve.points if point.searched == "stopped"]
    assert cut and cut[-1] is curve.points[-1] and curve.knee is None
    assert {point.searched for point in curve.points} == ({"stopped", "whole"} if share else {"stopped"})
    assert "not searched to the end" in curve.says and "no layout was found" not in curve.says


def test_a_curve_whose_worker_was_lost_says_so(begun: tuple[CurveTask, CurveTask, Made, Warm]) -> None:
    task = begun[0]
    curve = curve_of(task, points_of(task, KILLED))
    assert {point.searched for point in curve.points} == {"lost"} and "its worker was lost" in curve.says


def rows_with(tasks: Sequence[LimitTask], outcomes: Sequence[Outcome], cost: float) -> list[Relaxed]:
    return relaxed_rows(tasks, outcomes, [None] * len(tasks), cost)


def test_what_each_limit_costs(begun: tuple[CurveTask, CurveTask, Made, Warm]) -> None:
    drop, _, made, warm = begun
    tasks = limit_tasks(drop.variant, made, warm, Options(effort=0.1))
    said = [task.what for task in tasks]
    assert said[0] == "" and "a largest drop of 11 % instead of 10 %" in said
    assert any("supply point by lamp" in what for what in said)
    assert "trench in lawn at 8.10 a metre instead of 9.00" in said
    asked = [tasks[0], *(task for task in tasks if task.what.startswith(("trench in lawn", "a largest", "'")))]
    found = [plan_variant(task.plan, StopSignal()) for task in asked]
    rows = rows_with(asked, found, made.plan.cost.total)
    savings = [row.saving for row in rows if row.saving is not None]
    assert savings == sorted(savings, reverse=True) and all(saving >= 0 for saving in savings)
    lawn = next(row for row in rows if row.what.startswith("trench in lawn"))
    # the same layout with a tenth off each metre in lawn is one of those it may choose from
    per_m = sum(t.price for t in made.plan.trenches if t.ground == "lawn")
    assert lawn.saving is not None and lawn.cost is not None
    assert lawn.cost <= made.plan.cost.total - 0.1 * per_m + 0.05


def test_a_row_that_was_stopped_or_lost_is_no_finding(begun: tuple[CurveTask, CurveTask, Made, Warm]) -> None:
    drop, _, made, warm = begun
    tasks = limit_tasks(drop.variant, made, warm, Options(effort=0.1))[:3]
    stop = StopSignal()
    stop.ask()
    cut = plan_variant(tasks[1].plan, stop)
    assert cut.plan is not None and cut.plan.outcome == "stopped_by_user"
    rows = rows_with(tasks, [cut, cut, outcome_of(KILLED)], made.plan.cost.total)
    assert {(row.saving, row.searched) for row in rows} == {(None, "stopped"), (None, "lost")}
    said = limits_of(drop.variant, made.plan.cost.total, rows).says
    assert said == (
        "What each limit costs was not found. Not searched to the end: 2 of 2 (1 stopped early, 1 lost with a worker)."
    )


@pytest.mark.parametrize("case", ["terrace", "courtyard", "orchard", "riverside"])
def test_one_tap_more_leaves_the_models_as_they_are(cases: Path, case: str) -> None:
    """The tap is a unit of its own: watts, outlet amps, current limit and price are the model's."""
    folder = list_variants(cases / case)[0].folder
    [(what, overrides)] = one_tap_more(folder.job.drivers)
    more = with_overrides(folder, overrides).job.drivers
    assert {name: more[name] for name in folder.job.drivers} == folder.job.drivers
    assert len(more) == 2 * len(folder.job.drivers) and "of the same watts, outlet amps and price" in what
    for name, model in folder.job.drivers.items():
        tap_v = max(model.taps_v) + 1
        new = more[f"{name} with a {tap_v:g} V tap"]
        assert new.taps_v == (tap_v,) and (f"{tap_v:g} V on '{name}'" in what or "2 more" in what)
        for same in ("rated_w", "max_outlet_a", "current_limit_a", "max_load_w", "price", "nominal_v", "kind", "mode"):
            assert getattr(new, same) == getattr(model, same), same
        assert new.rated_a * tap_v == pytest.approx(model.rated_w)
