"""The loop: draw a move, try it, accept by annealing, keep the best. In: a State and a budget. Out: the best State.

A worse state is accepted with probability exp(-worse / T); T falls with the share of effort spent, so that the search ends as
a descent. All randomness comes from one generator handed down.
"""

from __future__ import annotations

import math
import random
from collections.abc import Callable

from .moves import MOVES
from .state import Bench, State

START_TEMPERATURE = 0.004
"""First temperature as a share of the first state's price."""


def improve(
    bench: Bench,
    state: State,
    rng: random.Random,
    on_best: Callable[[State], None] | None = None,
    *,
    temperature: float = START_TEMPERATURE,
) -> State:
    """Search around a state until the bench's effort is over."""
    moves = [(move, weight) for move, weight in MOVES if move.supports(bench)]
    total = sum(weight for _, weight in moves)
    current = best = state
    while not bench.effort.is_over:
        draw = rng.random() * total
        for move, weight in moves:
            draw -= weight
            if draw <= 0:
                break
        palette = bench.palette
        bench.effort.spend(0.1)
        new = move(bench, current, rng)
        if new is None:
            continue
        left = 1 - bench.effort.share
        heat = temperature * state.price * left * left
        worse = new.cost - current.cost
        if worse <= 0 or (heat > 0 and rng.random() < math.exp(-worse / heat)):
            current = new
            if new.circuits:
                bench.palette = new.circuits[0].palette
            if new.cost < best.cost - 1e-6:
                best = new
                if on_best is not None:
                    on_best(best)
        else:
            bench.palette = palette
    if best.circuits:
        bench.palette = best.circuits[0].palette
    return best
