"""Curves and limits: what they claim, against rules that hold whatever the search finds."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from optimiser.compare.alternatives import list_variants
from optimiser.compare.curves import CurveTask, curve_tasks, find_knee, trace_curve
from optimiser.compare.limits import limit_tasks, limits_of, needs_nothing
from optimiser.compare.planning import Outcome, plan_variant
from optimiser.job_folder import with_overrides
from optimiser.make_plan import Made, Options, make_whole
from optimiser.search.stopping import StopSignal
from optimiser.search.warm import Warm, carry

LITTLE = Options(effort=0.02, prove=False)


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
    curve = trace_curve(task, StopSignal())
    got = [point for point in curve.points if point.cost is not None]
    costs = [point.cost for point in got]
    assert len(got) >= 3 and costs == sorted(costs)
    assert all(point.reached is not None and point.reached <= point.limit for point in got)
    assert curve.points[-1].cost is None, "no cable is as good as that"
    assert "no layout was found" in curve.says


def test_lowest_volts_are_asked_for_at_worst(begun: tuple[CurveTask, CurveTask, Made, Warm]) -> None:
    task = replace(begun[1], limits=begun[1].limits[:4])
    assert task.limits[0] == 10.0, "where the lamps' window begins"
    curve = trace_curve(task, StopSignal())
    got = [point for point in curve.points if point.cost is not None]
    assert got and curve.unit == "V"
    assert all(point.reached is not None and point.reached >= point.limit for point in got)
    costs = [point.cost for point in got]
    assert costs == sorted(costs)


def test_the_same_task_gives_the_same_curve(begun: tuple[CurveTask, CurveTask, Made, Warm]) -> None:
    task = replace(begun[0], limits=(10.0, 5.0))
    assert trace_curve(task, StopSignal()) == trace_curve(task, StopSignal())


def test_what_each_limit_costs(begun: tuple[CurveTask, CurveTask, Made, Warm]) -> None:
    drop, _, made, warm = begun
    tasks = limit_tasks(drop.variant, made, warm, Options(effort=0.1))
    said = [task.what for task in tasks]
    assert said[0] == "" and "a largest drop of 11 % instead of 10 %" in said
    assert any("supply point by lamp" in what for what in said)
    assert "trench in lawn at 8.10 a metre instead of 9.00" in said
    asked = [tasks[0], *(task for task in tasks if task.what.startswith(("trench in lawn", "a largest", "'")))]
    found = [plan_variant(task.plan, StopSignal()) for task in asked]
    better = needs_nothing(drop.variant, asked, found)
    base = min(made.plan.cost.total, *([better.plan.cost.total] if better else []))
    limits = limits_of(drop.variant, made.plan, base, asked, found)
    savings = [row.saving for row in limits.rows if row.saving is not None]
    assert savings == sorted(savings, reverse=True) and all(saving >= 0 for saving in savings)
    lawn = next(row for row in limits.rows if row.what.startswith("trench in lawn"))
    # the same layout with a tenth off each metre in lawn is one of those it may choose from
    per_m = sum(t.price for t in made.plan.trenches if t.ground == "lawn")
    assert lawn.saving is not None and lawn.cost is not None
    assert lawn.cost <= made.plan.cost.total - 0.1 * per_m + 0.05


def test_what_keeps_the_limit_anyway_is_no_saving_of_it(begun: tuple[CurveTask, CurveTask, Made, Warm]) -> None:
    """A layout found with more drop allowed that does not use it holds for the job as it is, and is counted so."""
    drop, _, made, warm = begun
    tasks = limit_tasks(drop.variant, made, warm, Options(effort=0.1))[:2]
    assert tasks[1].what.startswith("a largest drop")
    relaxed = make_whole(with_overrides(drop.variant.folder, {"voltage.max_drop": 11.0}), drop.options, warm=[warm])
    outcome = Outcome("planned", relaxed.plan, relaxed.ground, relaxed.layout)
    assert max(lamp.drop_pct for lamp in relaxed.plan.lamps) < 10
    kept = needs_nothing(drop.variant, tasks, [Outcome("stopped"), outcome])
    assert kept is not None and kept.plan.cost.total == relaxed.plan.cost.total
    limits = limits_of(drop.variant, made.plan, kept.plan.cost.total, tasks, [Outcome("stopped"), outcome])
    assert limits.rows[0].saving == 0
