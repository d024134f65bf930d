"""Rebuilding parts of circuits on a demo site: what comes out holds, is cheaper, and reaches whole-circuit optima."""

from __future__ import annotations

import math
import random
from pathlib import Path

import numpy as np
import pytest

from optimiser.ground import build_ground
from optimiser.job_folder import open_job
from optimiser.search.construct import construct
from optimiser.search.effort import Effort
from optimiser.search.facts import gather_facts
from optimiser.search.oracle import cheapest_circuit, price_of
from optimiser.search.rebuild_part import ends_of, grow_cut, rebuild_part
from optimiser.search.state import Bench, State


@pytest.fixture(scope="module")
def start(cases: Path) -> tuple[Bench, State]:
    folder = open_job(cases / "courtyard")
    ground = build_ground(folder.job, folder.survey, file="survey.csv")
    bench = Bench(gather_facts(folder.job, folder.survey, ground.graph), Effort(math.inf))
    return bench, construct(bench, random.Random(1))


def rebuilt(bench: Bench, state: State, rng: random.Random, least_ends: int = 4, most_ends: int = 8) -> State | None:
    """The state with a part rebuilt that is drawn: any circuit, any piece of it, so many ends at most."""
    index = rng.randrange(len(state.circuits))
    fed = state.circuits[index]
    cut = grow_cut(bench, fed, rng.choice(fed.pieces)[1][-1], rng.randint(least_ends, most_ends))
    return None if cut is None else rebuild_part(bench, state, index, cut)


def test_rebuilding_only_lowers_the_price_and_keeps_every_lamp(start: tuple[Bench, State]) -> None:
    bench, state = start
    rng = random.Random(2)
    lamps = sorted(lamp for fed in state.circuits for lamp in fed.leads)
    better = 0
    for _ in range(40):
        new = rebuilt(bench, state, rng)
        if new is None:
            continue
        assert new.price < state.price
        assert sorted(lamp for fed in new.circuits for lamp in fed.leads) == lamps
        assert (new.use == bench.use_of(new.circuits)).all()
        state = new
        better += 1
    assert better > 0


def test_same_seed_same_result(start: tuple[Bench, State]) -> None:
    bench, state = start
    prices = []
    for _ in range(2):
        rng, now = random.Random(5), state
        for _ in range(8):
            now = rebuilt(bench, now, rng) or now
        prices.append(now.price)
    assert prices[0] == prices[1]


def test_a_cut_has_no_more_ends_than_asked_for(start: tuple[Bench, State]) -> None:
    bench, state = start
    for index, fed in enumerate(state.circuits):
        for _, walk in fed.pieces:
            cut = grow_cut(bench, fed, walk[-1], 5)
            if cut is None:
                continue
            lamps, hanging = ends_of(bench, fed, cut)
            assert 0 < len(lamps) + len(hanging) <= 5
            assert walk[-1] in cut.far
            assert rebuild_part(bench, state, index, cut, spend=0.0) is None  # no work, no change


def test_no_part_of_a_proven_circuit_can_be_rebuilt_cheaper(cases: Path) -> None:
    folder = open_job(cases / "terrace")
    ground = build_ground(folder.job, folder.survey, file="survey.csv")
    bench = Bench(gather_facts(folder.job, folder.survey, ground.graph), Effort(math.inf))
    bench.palette = bench.facts.palettes[0]
    found = cheapest_circuit(bench, 0, 0, range(bench.facts.num_lamps), palette=bench.palette)
    assert found.proven and found.fed is not None
    state = bench.compose([found.fed])
    assert state is not None
    for _, walk in found.fed.pieces:
        for ends in (2, 4, 6):
            cut = grow_cut(bench, found.fed, walk[-1], ends)
            new = None if cut is None else rebuild_part(bench, state, 0, cut)
            if new is not None:  # only by cables that share a trench, which the proof leaves out
                fed = new.circuits[0]
                assert len(set(fed.edges)) < len(fed.edges)


def test_rebuilding_a_dear_circuit_by_parts_comes_near_its_optimum(cases: Path) -> None:
    folder = open_job(cases / "terrace")
    ground = build_ground(folder.job, folder.survey, file="survey.csv")
    bench = Bench(gather_facts(folder.job, folder.survey, ground.graph), Effort(math.inf))
    tries = [construct(bench, random.Random(seed), noise=0.4) for seed in range(12)]
    state = max((s for s in tries if len(s.circuits) == 1), key=lambda s: s.price)
    nothing = np.zeros(bench.facts.graph.num_edges)
    best = cheapest_circuit(bench, 0, 0, range(bench.facts.num_lamps))
    assert price_of(bench, state.circuits[0], nothing) > 1.01 * best.price
    rng = random.Random(1)
    for _ in range(30):
        state = rebuilt(bench, state, rng, 3, 6) or state
    assert price_of(bench, state.circuits[0], nothing) <= 1.005 * best.price
