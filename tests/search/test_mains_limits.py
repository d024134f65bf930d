"""Timers, dimmers, inrush and start in the search's own arithmetic: penalties of states, the choice among circuits."""

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


def surging(limit_a: float) -> tuple[Bench, State, State]:
    """The same with drivers that draw 25 A when switched on, and a timer that switches so much at S1."""
    job = JOB.replace("price = 50", "price = 50\ninrush_a = 25")
    folder = folder_of(f"{job}[supplies]\nS1 = {{ inrush_a = {limit_a} }}\n", ROW)
    facts = gather_facts(folder.job, folder.survey, build_ground(folder.job, folder.survey).graph)
    sides = [construct(Bench(facts, Effort(1e9), supplies=(s,)), random.Random(1)) for s in (0, 1)]
    return Bench(facts, Effort(1e9)), sides[0], sides[1]


@pytest.mark.parametrize(("limit_a", "drivers_at_s1"), [(100, 4), (99, 3), (75, 3), (50, 2), (49.9, 1), (24, 0)])
def test_the_choice_among_circuits_keeps_the_inrush(limit_a: float, drivers_at_s1: int) -> None:
    _, near, _ = surging(100)
    bench, _, far = surging(limit_a)
    assert len(near.drivers) == 4 or len(near.drivers) == len(near.circuits)
    state = bench.compose(near.circuits)
    assert state is not None
    assert state.is_whole == (25 * len(near.drivers) <= limit_a)
    chosen = choose_circuits(bench, near.circuits, far, 20_000) or far
    assert chosen.is_whole
    assert sum(supply == 0 for supply, _, _ in chosen.drivers) == drivers_at_s1


@pytest.mark.parametrize(("start_a", "drivers"), [(40, 1), (39, 2), (20, 2), (19, 4)])
def test_circuits_share_a_driver_as_far_as_it_starts_them(start_a: float, drivers: int) -> None:
    """Four lamps of 10 A, each on an outlet of its own: packed, and chosen, into as few drivers as start them."""
    job = JOB.replace("lead_m = 1", "lead_m = 1, inrush_a = 10")
    job = job.replace("price = 50", f"price = 50\noutlets = 4\noutlet_a = 1.5\nstart_a = {start_a}")
    job = job.replace("rated_w = 30", "rated_w = 90")
    folder = folder_of(job, ROW)
    facts = gather_facts(folder.job, folder.survey, build_ground(folder.job, folder.survey).graph)
    bench = Bench(facts, Effort(1e9), supplies=(0,))
    state = construct(bench, random.Random(1))
    assert state.is_whole
    assert [fed.start for fed in state.circuits] == [(10.0, 0.0)] * 4
    assert len(state.drivers) == drivers
    apart = construct(Bench(facts, Effort(1e9), supplies=(1,)), random.Random(1))
    both = Bench(facts, Effort(1e9))
    chosen = choose_circuits(both, state.circuits, apart, 20_000) or apart
    assert all(sum(chosen.circuits[c].start[0] for c in members) <= start_a for _, _, members in chosen.drivers)
    assert len(chosen.drivers) == drivers
