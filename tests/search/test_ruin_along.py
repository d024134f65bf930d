"""Lamps hung anew along the trenches of another layout: whole stretches are taken over; without others, no move."""

from __future__ import annotations

import math
import random
from pathlib import Path

import numpy as np

from optimiser.ground import build_ground
from optimiser.job_folder import open_job
from optimiser.search.construct import construct, straighten_all
from optimiser.search.effort import Effort
from optimiser.search.facts import gather_facts
from optimiser.search.improve import improve
from optimiser.search.moves import MOVES
from optimiser.search.moves.ruin_along import RuinAlong
from optimiser.search.state import Bench, State


def courtyard(cases: Path) -> Bench:
    folder = open_job(cases / "courtyard")
    ground = build_ground(folder.job, folder.survey)
    return Bench(gather_facts(folder.job, folder.survey, ground.graph), Effort(math.inf))


def share_within(bench: Bench, state: State, dug: np.ndarray) -> float:
    """Part of a layout's trench, by price, that lies in these edges."""
    used = state.use > 0
    return float(bench.trench[used & dug].sum() / bench.trench[used].sum())


def test_stretches_of_a_better_layout_are_taken_over(cases: Path) -> None:
    bench = courtyard(cases)
    bench.effort = Effort(1500.0)
    good = straighten_all(bench, improve(bench, construct(bench, random.Random(1)), random.Random(1)))
    bench.effort = Effort(math.inf)
    rng = random.Random(2)
    state = construct(bench, rng, noise=0.5)
    dug = good.use > 0
    cost, within = state.cost, share_within(bench, state, dug)
    assert good.cost < cost and within < 0.8  # else there is nothing to take over
    bench.others = (dug,)
    move = RuinAlong()
    for _ in range(60):
        new = move(bench, state, rng)
        if new is not None and new.cost < state.cost:
            state = new
    assert state.cost < cost
    assert share_within(bench, state, dug) > within


def test_the_move_needs_another_layout(cases: Path) -> None:
    bench = courtyard(cases)
    assert not any(move.supports(bench) for move, _ in MOVES if isinstance(move, RuinAlong))
    bench.others = (np.zeros(bench.facts.graph.num_edges, dtype=bool),)
    assert any(move.supports(bench) for move, _ in MOVES if isinstance(move, RuinAlong))
