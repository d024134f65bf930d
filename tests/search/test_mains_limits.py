"""Timers and dimmers in the search's own arithmetic: penalties of states, and the choice among circuits."""

from __future__ import annotations

import random

import pytest

from optimiser.ground import build_ground
from optimiser.search.choose_circuits import choose_circuits
from optimiser.search.construct import construct
from optimiser.search.effort import Effort
from optimiser.search.facts import gather_facts
from optimiser.search.state import Bench, State
from tests.properties.random_jobs import folder_of
from tests.running.test_year import JOB, ROW

# Each lamp of 12 W fills a driver of its own (24 W may be loaded) and draws a little more than 12 / 0.8 / 0.5 = 30 VA.


def two_sides(limit_va: float) -> tuple[Bench, State, State]:
    """A bench, and all lamps hung on S1 and on S2."""
    folder = folder_of(f"{JOB}[supplies]\nS1 = {{ dimmer_va = {limit_va} }}\n", ROW)
    facts = gather_facts(folder.job, folder.survey, build_ground(folder.job, folder.survey).graph)
    sides = [construct(Bench(facts, Effort(1e9), supplies=(s,)), random.Random(1)) for s in (0, 1)]
    return Bench(facts, Effort(1e9)), sides[0], sides[1]


def test_an_overloaded_supply_point_is_no_whole_layout() -> None:
    _, near, far = two_sides(1000)
    assert near.is_whole and far.is_whole and near.cost < far.cost
    assert sum(fed.load_w for fed in near.circuits) / 0.8 / 0.5 == pytest.approx(4 * 30, rel=0.1)
    tight, _, _ = two_sides(100)
    state = tight.compose(near.circuits)
    assert state is not None and not state.missing
    assert not state.is_whole


@pytest.mark.parametrize(("limit_va", "at_s1"), [(1000, 4), (100, 3), (70, 2), (35, 1), (20, 0)])
def test_the_choice_among_circuits_keeps_the_limit(limit_va: float, at_s1: int) -> None:
    _, near, _ = two_sides(1000)
    bench, _, far = two_sides(limit_va)
    chosen = choose_circuits(bench, near.circuits, far, 20_000) or far
    assert chosen.is_whole
    assert sum(len(fed.leads) for fed in chosen.circuits if fed.supply == 0) == at_s1
