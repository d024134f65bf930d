"""Starts along short forests: whole layouts that hold, repeatable, and where the search asks for them."""

from __future__ import annotations

import math
import random

import pytest

from optimiser.ground import build_ground
from optimiser.job_folder import JobFolder
from optimiser.make_plan import Silent
from optimiser.search.construct import construct
from optimiser.search.driver_hubs import joined, with_driver_hubs
from optimiser.search.effort import Effort
from optimiser.search.facts import gather_facts
from optimiser.search.find import Options, _Search, to_layout
from optimiser.search.short_starts import start_on_short_forest
from optimiser.search.side_by_side import lay_side_by_side
from optimiser.search.state import Bench, State
from tests.benchmarks.bench_oracle import garden
from tests.search.test_moves import assert_circuit


def bench_of(folder: JobFolder) -> Bench:
    graph = build_ground(folder.job, folder.survey).graph
    return Bench(with_driver_hubs(gather_facts(folder.job, folder.survey, graph)), Effort(math.inf), hubs=True)


def started(bench: Bench, work: float) -> State:
    state = start_on_short_forest(bench, random.Random(1), work)
    assert state is not None
    return state


@pytest.mark.parametrize("lamps", [12, 14])
def test_a_start_is_a_whole_layout_for_less_than_lamp_after_lamp(lamps: int) -> None:
    folder = garden(lamps, 15.0, 0)  # beyond twelve, circuits follow the walk round the forest
    bench = bench_of(folder)
    state = started(bench, 400.0)
    assert state.is_whole and {fed.palette for fed in state.circuits} == {bench.palette}
    assert sorted(lamp for fed in state.circuits for lamp in fed.leads) == list(range(lamps))
    for fed in state.circuits:
        assert_circuit(bench, fed)
    assert state.cost < construct(bench_of(folder), random.Random(1)).cost


def test_more_work_never_starts_dearer_and_the_same_seed_starts_alike() -> None:
    folder = garden(12, 15.0, 0)
    little, much, again = (started(bench_of(folder), work) for work in (50.0, 900.0, 900.0))
    assert much.cost <= little.cost + 1e-6
    assert [fed.pieces for fed in again.circuits] == [fed.pieces for fed in much.circuits]


@pytest.mark.parametrize(("watts", "several"), [(5.0, False), (15.0, True)])
def test_the_search_starts_so_where_no_circuit_carries_all_lamps(watts: float, several: bool) -> None:
    # Twelve lamps of 5 or 15 W beside a driver that may be loaded with 160 W.
    folder = garden(12, watts, 0)
    ground = build_ground(folder.job, folder.survey)
    search = _Search(folder.job, folder.survey, ground, Options(), lambda *_: True, Silent(), lambda: False)
    search.first()
    assert any(task.short for task in search._with_driver_hubs()) == several


def test_what_is_finished_beside_the_cheapest_are_layouts_that_joined_cables_make_as_cheap() -> None:
    folder = garden(12, 15.0, 0)
    ground = build_ground(folder.job, folder.survey)
    search = _Search(folder.job, folder.survey, ground, Options(), lambda *_: True, Silent(), lambda: False)
    bench = search.bench(hubs=True)
    states = [
        state
        for seed in range(4)
        if (state := start_on_short_forest(bench, random.Random(seed), 100.0)) is not None and state.is_whole
    ]
    states = search.refine_around([search._slid(state) for state in states])  # with places for hubs at the drivers
    assert len({round(state.cost, 1) for state in states}) > 1
    search.pool = states
    cheapest = min(states, key=lambda state: state.cost)
    search.best = None
    assert not search.worth_finishing(cheapest)  # nothing was published yet

    def made(state: State) -> float:
        whole = joined(search.bench(), state)
        return math.inf if whole is None else min(whole.price, lay_side_by_side(search.bench(), whole).price)

    assert sum(made(state) < math.inf for state in states) > 1
    for least in (1.01 * min(map(made, states)), math.inf):  # as good as the best only; any
        search.best = (least, to_layout(search.facts, cheapest))
        found = search.worth_finishing(cheapest)
        prices = [made(state) for state in found]
        assert prices == sorted(prices) and all(price < 1.005 * least for price in prices)
        assert round(cheapest.cost, 1) not in {round(state.cost, 1) for state in found}
        others = {round(s.cost, 1) for s in states if s.cost < 1.06 * cheapest.cost and made(s) < 1.005 * least}
        assert len(found) == min(3, len(others - {round(cheapest.cost, 1)}))
    search.facts = search.facts.plain  # without hubs beside drivers
    assert not search.worth_finishing(construct(search.bench(), random.Random(1)))
