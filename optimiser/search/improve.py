"""The loop: draw a move, try it, accept by annealing, keep the best. In: a State and a budget. Out: the best State.

A worse state is accepted with probability exp(-worse / T); T falls with the share of effort spent, so that the search
ends as a descent. All randomness comes from one generator handed down.
"""

from __future__ import annotations

import math
import random
from collections.abc import Callable

from .moves import MOVES
from .state import Bench, State

START_TEMPERATURE = 0.3
"""First temperature as a share of what a layout costs for each lamp."""

UNDUG_HEAT = 3.0
"""Times hotter where nothing is dug: there is no trench to share, so a layout costs little and a step much of that.
Three capacitated trees came out much nearer the published values so (measured once; ``python -m
tests.benchmarks.bench_capacitated`` prints how near they are now)."""

METRES_DRAWN = (0.5, 0.4, 0.1)
"""How often ways are sought at the price of the thinnest, a middling and a very dear cable."""


def improve(
    bench: Bench,
    state: State,
    rng: random.Random,
    on_best: Callable[[State], None] | None = None,
    *,
    temperature: float = START_TEMPERATURE,
) -> State:
    """Search around a state until the bench's effort is over."""
    kinds = [move for move, _ in MOVES if move.supports(bench)]
    weights = [weight for move, weight in MOVES if move.supports(bench)]
    current = best = state
    lamps = max(1, bench.facts.num_lamps)
    if bench.is_undug:
        temperature *= UNDUG_HEAT
    # Ways are sought before gauges are known: as if in the thinnest cable, in a middling one, or, where drop binds,
    # short at nearly any price.
    metres = sorted({bench.facts.cables[k].price_m for k in bench.all_cables})
    metres = [metres[0], metres[len(metres) // 2], 3 * metres[-1]]
    while not bench.effort.is_over:
        move = rng.choices(kinds, weights)[0]
        palette = bench.palette
        bench.effort.spend(0.1)
        bench.ways.set_cable(rng.choices(metres, METRES_DRAWN)[0])
        new = move(bench, current, rng)
        if new is None:
            continue
        left = 1 - bench.effort.share
        heat = temperature * best.price / lamps * left * left
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
    bench.ways.set_cable(metres[0])
    if best.circuits:
        bench.palette = best.circuits[0].palette
    return best
