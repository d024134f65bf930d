"""Layouts carried over to a like job: nothing of them is lost where they hold, and the search begins from them."""

from __future__ import annotations

import itertools
import math
import random
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from optimiser.ground import build_ground
from optimiser.job_folder import open_job
from optimiser.make_plan import Made, Options, make_whole, plan_of
from optimiser.search import find
from optimiser.search.by_areas import ByAreas
from optimiser.search.effort import Effort
from optimiser.search.facts import gather_facts
from optimiser.search.find import to_layout
from optimiser.search.pieces import feed_pieces
from optimiser.search.state import Bench
from optimiser.search.stopping import StopSignal
from optimiser.search.warm import carry, layout_on, warm_states, with_places
from tests.case_plans import case_made
from tests.search.test_side_by_side import lines

LITTLE = Options(effort=0.02, prove=False)


@pytest.fixture(scope="module")
def made() -> Made:
    return case_made("courtyard")


@pytest.mark.parametrize(
    ("walks", "above", "joints"),
    [
        (((0, 1, 2), (2, 1, 3)), (-1, 0), (2, 3)),  # out to a lamp and back in the same trench
        (((0, 1), (1, 2, 3), (1, 2, 4)), (-1, 0, 0), (1, 3, 4)),  # two cables from the joint before the fork
    ],
)
def test_cables_side_by_side_in_one_trench_are_carried_over(
    walks: tuple[tuple[int, ...], ...], above: tuple[int, ...], joints: tuple[int, ...]
) -> None:
    """Where they fork no joint may stand, so that no tree on the ground has the same trenches."""
    lengths = {(u, v): 3.0 + 2.0 * v for walk in walks for u, v in itertools.pairwise(walk) if u < v}
    folder, graph = lines(lengths, list(joints))
    fork = 1 if joints[0] == 2 else 2
    graph = replace(graph, may_joint=graph.may_joint & (np.arange(graph.num_nodes) != fork))
    bench = Bench(gather_facts(folder.job, folder.survey, graph), Effort(math.inf))
    leads = {lamp: lamp for lamp in range(len(joints))}
    fed = feed_pieces(bench, 0, 0, bench.palette, walks, above, leads, leads)
    assert fed is not None
    state = bench.compose([fed])
    assert state is not None
    layout = to_layout(bench.facts, state)
    warm = carry(folder.job, folder.survey, graph, layout)
    assert layout_on(folder.job, folder.survey, graph, warm) == layout
    begun = warm_states(bench, folder.job, folder.survey, [warm], random.Random(1))
    assert [(one.missing, one.price) for one in begun] == [(frozenset(), pytest.approx(state.price))]


def test_a_layout_lies_on_the_ground_built_anew_as_it_was(cases: Path, made: Made) -> None:
    folder = open_job(cases / "courtyard")
    warm = carry(folder.job, folder.survey, made.ground.graph, made.layout)
    ground = with_places(build_ground(folder.job, folder.survey), [warm])
    layout = layout_on(folder.job, folder.survey, ground.graph, warm)
    assert layout is not None
    plan = plan_of(folder, ground, layout)
    assert plan is not None and plan.cost == made.plan.cost


def test_what_the_job_does_not_have_is_no_layout_of_it(cases: Path, made: Made) -> None:
    folder = open_job(cases / "courtyard")
    warm = carry(folder.job, folder.survey, made.ground.graph, made.layout)
    tap = made.layout.circuits[0].tap_v
    model = list(folder.job.drivers)[made.layout.circuits[0].model]
    for overrides in ({f"drivers.{model}": None}, {f"drivers.{model}.taps_v": [tap + 1]}):
        other = open_job(cases / "courtyard", overrides)
        assert layout_on(other.job, other.survey, made.ground.graph, warm) is None


def test_a_plan_begun_from_layouts_never_costs_more_than_they_do(cases: Path, made: Made) -> None:
    """Even where the search is stopped before it has looked at anything."""
    folder = open_job(cases / "courtyard")
    warm = carry(folder.job, folder.survey, made.ground.graph, made.layout)
    stop = StopSignal()
    stop.ask()
    again = make_whole(folder, Options(), stop=stop, warm=[warm])
    assert again.plan.cost.total <= made.plan.cost.total and again.plan.outcome == "stopped_by_user"


def test_very_large_jobs_begin_from_layouts_found_too(cases: Path, made: Made, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(find, "SPLIT_LAMPS", 5)
    folder = open_job(cases / "courtyard")

    def never(self: ByAreas, bench: Bench) -> Any:
        raise AssertionError("a first layout is had already")

    monkeypatch.setattr(ByAreas, "first", never)
    warm = carry(folder.job, folder.survey, made.ground.graph, made.layout)
    again = make_whole(folder, LITTLE, warm=[warm])
    assert again.plan.cost.total <= made.plan.cost.total
    tighter = open_job(cases / "courtyard", {"voltage.max_drop": 4})
    plan = make_whole(tighter, LITTLE, warm=[warm]).plan
    assert max(lamp.drop_pct for lamp in plan.lamps) <= 4


def test_time_that_passes_while_the_bound_is_sought_leaves_the_search_whole(
    cases: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    stop = StopSignal()
    bound = find.lower_bound

    def late(*args: Any, **kwargs: Any) -> Any:
        stop.by_time = True
        return bound(*args, **kwargs)

    monkeypatch.setattr(find, "lower_bound", late)
    plan = make_whole(open_job(cases / "terrace"), Options(effort=0.02), stop=stop).plan
    assert stop.by_time and plan.outcome in ("effort_spent", "proved_best")
