"""First layouts: hang lamp after lamp where it costs least, then choose the gauges. In: Bench. Out: State, whole or
not.

While lamps are hung every cable of the job may be used; afterwards the set of gauges (the palette) that makes the whole
cheapest is kept. Should no palette hold the trees, they are built again within each palette.
"""

from __future__ import annotations

import random
from collections.abc import Sequence

import numpy as np

from .graft import Draft, recreate
from .light_forest import light_forest
from .moves.change_palette import with_palette
from .moves.straighten import straighten
from .state import Bench, State

WIDTH = 3
"""Sound places priced in full for each lamp of a first layout."""


def construct(
    bench: Bench,
    rng: random.Random,
    *,
    noise: float = 0.0,
    bulk: bool | None = None,
    along: int | None = None,
) -> State:
    """
    One layout from nothing; ``missing`` holds the lamps that found no place.

    ``along`` names a supply point: circuits then follow one light tree from there to all lamps, side by side.
    """
    bench.palette = bench.all_cables
    ghost = None if along is None else ghost_tree(bench, rng, along)
    state = _from_nothing(bench, rng, noise, bulk, ghost)
    best = best_palette(bench, state)
    if best is not None:
        return best
    tries = []
    for palette in bench.facts.palettes:
        bench.palette = palette
        tries.append(_from_nothing(bench, rng, noise, bulk, ghost))
        if bench.effort.stopped:
            break
    best = min(tries, key=lambda s: s.cost)
    bench.palette = best.circuits[0].palette if best.circuits else bench.facts.palettes[0]
    return best


def best_palette(bench: Bench, state: State) -> State | None:
    """The same trees in the cheapest set of gauges; None where none holds them."""
    best: State | None = None
    for palette in bench.facts.palettes:
        new = with_palette(bench, state, palette)
        if new is not None and (best is None or new.cost < best.cost - 1e-9):
            best = new
    if best is not None and best.circuits:
        bench.palette = best.circuits[0].palette
    return best


def straighten_all(
    bench: Bench, state: State, groups: Sequence[Sequence[int]] = (), *, elsewhere: bool = False
) -> State:
    """
    Lighten every circuit's tree in turn while that helps.

    ``groups`` are nodes to add together; ``elsewhere``: whole branches may be laid elsewhere.
    """
    improved = True
    while improved and not bench.effort.stopped:
        improved = False
        for index in range(len(state.circuits)):
            new = straighten(bench, state, index, groups=groups, elsewhere=elsewhere)
            if new is not None and new.cost < state.cost - 1e-6:
                state, improved = new, True
    return state


def ghost_tree(bench: Bench, rng: random.Random, supply: int) -> np.ndarray:
    """(m,) edges of a light tree from one supply point to all lamps, whatever circuits they will be on."""
    facts, ways = bench.facts, bench.ways
    root = int(facts.graph.supply_node[supply])
    tree, _ = light_forest(bench, rng, [root], jitter=0.2)
    ghost = np.zeros(facts.graph.num_edges, dtype=bool)
    ghost[[ways.edge_between(child, up) for child, up in tree.items()]] = True
    return ghost


def _from_nothing(
    bench: Bench,
    rng: random.Random,
    noise: float,
    bulk: bool | None,
    ghost: np.ndarray | None,
) -> State:
    use = bench.use_of(())
    draft = Draft([], use, 0.0, set(range(bench.facts.num_lamps)), ghost)
    state = recreate(bench, draft, rng, noise=noise, width=WIDTH, bulk=bulk)
    if state is None:  # cannot happen: grafts keep to drivers and sleeves; but a plain answer beats a wrong one
        empty = bench.compose((), frozenset(range(bench.facts.num_lamps)))
        assert empty is not None
        return empty
    return state
