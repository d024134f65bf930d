"""First layouts along short forests: many forests, the circuits along each as cheap as can be. In: Bench. Out: State.

How much a metre of way is worth beside trench cannot be told beforehand: that depends on which cables will share what.
So forests are made for many worths, at trench prices that are a little wrong each time, and the cheapest layout along
one of them is kept. On six gardens of twelve lamps of 15 W, which need two circuits, layouts found so on the first
graph cost about what whole searches without them came to (measured once; whole searches with them of two of these are
printed by ``python -m tests.benchmarks.bench_seeds --only 12x180W-0 12x180W-1``).
"""

from __future__ import annotations

import math
import random
from dataclasses import dataclass, field

from .bound.copper import nearest_m
from .divide_forest import divide_forest
from .graft import draft_of, recreate
from .short_forest import short_forest, ways_worth
from .split_forest import along_forest
from .state import Bench, State
from .tree import Tree
from .wire_forest import wire_forest

LONGER = 1.2
"""Ways are guessed to be so many times the shortest ones."""
WORTH = (1.0, 4.5)
"""A metre of way is worth so many times what is proven at least; drawn evenly by ratio."""
WRONG = (0.0, 0.1, 0.2, 0.4)
"""Shares by which trench seems too dear; drawn."""
MOST_TRIES = 60
ANNEALED = 4
"""Forests along which many lamps are divided with care: those along which a plain division costs least."""
MOVES = 8000
TO_SORT_OUT = 0.5
"""Of the work, for finding these."""
NOTHING_YET = 2.0
"""Times the work that is spent where no forest had a layout so far."""


def start_on_short_forest(bench: Bench, rng: random.Random, work: float) -> State | None:
    """The cheapest layout found along short forests with so much work; None where drivers take none of them."""
    facts = bench.facts
    roots = [facts.roots[s] for s in bench.supplies]
    way_m = LONGER * nearest_m(facts.plain or facts, list(bench.supplies))
    worth = ways_worth(bench, way_m)
    begin = bench.effort.spent
    best: State | None = None
    seen: set[frozenset[tuple[int, int]]] = set()
    divided: list[_Divided] = []
    for _ in range(MOST_TRIES):
        spent = (bench.effort.spent - begin) / (TO_SORT_OUT if divided else 1.0)
        if bench.effort.stopped or spent >= (work if best is not None or divided else NOTHING_YET * work):
            break
        times = WORTH[0] * (WORTH[1] / WORTH[0]) ** rng.random()
        tree, leads = short_forest(bench, rng, roots, times * worth, wrong=rng.choice(WRONG))
        key = frozenset(tree.items())
        if key in seen:
            continue
        seen.add(key)
        left_out = frozenset(range(facts.num_lamps)) - leads.keys()
        bench.palette = bench.all_cables
        circuits, every = wire_forest(bench, tree, leads)
        if circuits is None and not every and (many := divide_forest(bench, rng, tree, leads)) is not None:
            state = bench.compose(many, left_out)
            if state is not None:
                divided.append(_Divided(state.cost, len(divided), tree, leads))
                continue
        of_all = None if circuits is None else bench.compose(circuits, left_out)
        new = _cheapest_along(bench, rng, tree, leads, best, of_all, every=every)
        if new is not None and (best is None or new.cost < best.cost - 1e-6):
            best = new
    for one in sorted(divided)[:ANNEALED]:
        new = _annealed(bench, rng, one)
        if new is not None and (best is None or new.cost < best.cost - 1e-6):
            best = new
    if best is not None and best.circuits:
        bench.palette = best.circuits[0].palette
    return best


@dataclass(frozen=True, order=True)
class _Divided:
    """A forest with what a layout along it costs where each driver has lamps that follow each other, in any gauges."""

    cost: float
    number: int
    tree: Tree = field(compare=False)
    leads: dict[int, int] = field(compare=False)


def _annealed(bench: Bench, rng: random.Random, one: _Divided) -> State | None:
    """The cheapest layout along these trenches that annealing comes to, in the gauges that are cheapest before it."""
    left_out = frozenset(range(bench.facts.num_lamps)) - one.leads.keys()
    least, chosen = math.inf, bench.facts.palettes[0]
    for palette in bench.facts.palettes:
        bench.palette = palette
        circuits = divide_forest(bench, rng, one.tree, one.leads)
        state = None if circuits is None else bench.compose(circuits, left_out)
        if state is not None and state.cost < least:
            least, chosen = state.cost, palette
    bench.palette = chosen
    circuits = divide_forest(bench, rng, one.tree, one.leads, MOVES)
    state = None if circuits is None else bench.compose(circuits, left_out)
    return recreate(bench, draft_of(state), rng) or state if state is not None and state.missing else state


def _cheapest_along(
    bench: Bench,
    rng: random.Random,
    tree: Tree,
    leads: dict[int, int],
    best: State | None,
    of_all: State | None,
    *,
    every: bool,
) -> State | None:
    """
    The cheapest layout along these trenches, where it may be cheaper than the best so far.

    ``of_all`` is the cheapest with all gauges at once, if there is one, and ``every`` whether all sets were priced.
    """
    left_out = frozenset(range(bench.facts.num_lamps)) - leads.keys()
    found = along_forest(bench, rng, tree, leads) if of_all is None or not every else None
    least = min([state.cost for state in (found, best) if state is not None], default=math.inf)
    if of_all is None or of_all.cost >= least:
        return found
    for palette in bench.facts.palettes:
        bench.palette = palette
        mine = list(of_all.circuits) if palette == bench.all_cables else wire_forest(bench, tree, leads)[0]
        state = None if mine is None else bench.compose(mine, left_out)
        if state is not None and (found is None or state.cost < found.cost):
            found = state
    if found is not None and found.missing:
        bench.palette = found.circuits[0].palette if found.circuits else bench.facts.palettes[0]
        return recreate(bench, draft_of(found), rng) or found
    return found


__all__ = ["start_on_short_forest"]
