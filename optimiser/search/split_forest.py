"""A first layout for many lamps: light trenches first, circuits along them second. In: Bench. Out: State.

1. A light forest of trenches joins all lamps to the supply points: lamp after lamp, nearest first, by the cheapest way
   to what is there already.
2. The lamps of each tree are taken in the order of a walk round it, in which neighbours follow each other, and that
   sequence is split into circuits at the least price by dynamic programming: what a circuit costs along the tree in its
   own gauges, and its share of a driver. All trench is shared, so circuits side by side cost cable only.
3. Lamps that no circuit holds so are left out, the others, where they are many or no circuit carries all, divided
   on among circuits and drivers (``divide_forest.py``), and those left out are then hung like any others.

Splitting a sequence is exact for the sequence; that the circuits follow it is the heuristic (J. E. Beasley, "Route
first, cluster second methods for vehicle routing", Omega 11, 1983, 403-408).
"""

from __future__ import annotations

import math
import random

import numpy as np

from .circuit import Fed
from .construct import best_palette
from .divide_forest import divide_forest, needs_several_circuits
from .graft import draft_of, recreate
from .light_forest import light_forest
from .round_walk import round_walk
from .state import Bench, State
from .tree import Tree

STARTS = 12
"""Forests tried; the lightest is split."""
MOVES = 30
"""Of dividing on, for each lamp."""
FEW_LAMPS = 20
"""Up to which nothing is divided on where one circuit carries all. With it courtyard (14 lamps) cost 0.7 % more in the
mean of four seeds, orchard (30) 0.4 % less in that of three, riverside (120) 0.7 % less in that of two (measured
once, no command)."""
MOST_FEEDS = 4
"""Ways to feed a circuit that are tried: those cheapest by the watt."""


def split_forest(bench: Bench, rng: random.Random, *, starts: int = STARTS, ascents: bool = True) -> State | None:
    """
    The layout along one light forest; None where drivers do not take it.

    With ``ascents`` a second forest is split, mostly lighter and with longer ways, and the cheaper layout kept.
    """
    roots = [int(bench.facts.graph.supply_node[s]) for s in bench.supplies]
    many = bench.facts.num_lamps > FEW_LAMPS or needs_several_circuits(bench.facts)
    moves = MOVES * bench.facts.num_lamps if many else 0
    best = None
    for with_ascents in (False, True)[: 1 + ascents]:
        parent, leads = light_forest(bench, rng, roots, starts=starts, ascents=with_ascents)
        state = along_forest(bench, rng, parent, leads, moves=moves)
        if state is not None and (best is None or state.cost < best.cost - 1e-9):
            best = state
    if best is not None and best.circuits:
        bench.palette = best.circuits[0].palette
    return best


def along_forest(
    bench: Bench, rng: random.Random, parent: Tree, leads: dict[int, int], *, moves: int = 0
) -> State | None:
    """The layout along this forest, divided on with so many moves; None where drivers do not take it."""
    bench.palette = bench.all_cables
    circuits: list[Fed] = []
    missing: set[int] = set(range(bench.facts.num_lamps)) - set(leads)
    for supply in bench.supplies:
        order = round_walk(bench, parent, leads, int(bench.facts.graph.supply_node[supply]))
        by_kind: dict[tuple[str, tuple[int, ...]], list[int]] = {}
        for lamp in order:  # lamps of other dim groups or other feeds are never on one circuit
            by_kind.setdefault((bench.facts.lamp_group[lamp], tuple(bench.facts.lamp_feeds[lamp])), []).append(lamp)
        for lamps in by_kind.values():
            chosen, left = _split(bench, supply, parent, leads, lamps)
            circuits += chosen
            missing |= left
    for full in _overfull(bench, circuits):
        missing.update(full.leads)
        circuits.remove(full)
    state = bench.compose(circuits, frozenset(missing))
    if state is None:
        return None
    state = best_palette(bench, state) or state
    whole = _hung(bench, state, rng)
    if not moves:
        return whole
    bench.palette = state.circuits[0].palette if state.circuits else bench.palette
    divided = divide_forest(bench, rng, parent, leads, moves, state)
    better = None if divided is None else bench.compose(divided, state.missing)
    if better is None or better.cost >= state.cost:
        return whole
    return min(whole, _hung(bench, better, rng), key=lambda state: state.cost)


def _hung(bench: Bench, state: State, rng: random.Random) -> State:
    """With the lamps that no circuit holds along the forest."""
    return (recreate(bench, draft_of(state), rng) or state) if state.missing else state


def _overfull(bench: Bench, circuits: list[Fed]) -> list[Fed]:
    """Circuits that sleeves have no room for beside those of heavier load, the heaviest first."""
    room = dict(enumerate((np.asarray(bench.facts.capacity) - bench.use_of(())).tolist()))
    found: list[Fed] = []
    for fed in sorted(circuits, key=lambda fed: -fed.load_w):
        if any(room[e] < 1 for e in fed.edges):
            found.append(fed)
            continue
        for e in fed.edges:
            room[e] -= 1
    return found


def _split(
    bench: Bench, supply: int, parent: Tree, leads: dict[int, int], lamps: list[int]
) -> tuple[list[Fed], set[int]]:
    """The sequence split into circuits on one kind of feed at the least price, and the lamps that it does not hold."""
    facts = bench.facts
    feeds = sorted(bench.lamp_feeds[lamps[0]], key=lambda f: (facts.feeds[f].price / facts.feeds[f].max_w, f))
    best: tuple[float, list[Fed], set[int]] = (math.inf, [], set(lamps))
    for f in feeds[:MOST_FEEDS]:
        circuits, left = _split_on(bench, supply, f, parent, leads, lamps)
        drivers = bench.packing.share(circuits)
        if drivers is None:
            continue
        price = sum(fed.price for fed in circuits) + bench.penalty_unit * len(left)
        price += bench.drivers_price(circuits, drivers)
        if price < best[0]:
            best = price, circuits, left
    return best[1], best[2]


def _split_on(
    bench: Bench, supply: int, f: int, parent: Tree, leads: dict[int, int], lamps: list[int]
) -> tuple[list[Fed], set[int]]:
    facts, feed = bench.facts, bench.facts.feeds[f]
    max_w = feed.max_w * facts.supply_loading[supply]
    count = len(lamps)
    best = [0.0] + [math.inf] * count
    last: list[tuple[int, Fed | None]] = [(0, None)] * (count + 1)
    for i in range(count):
        if best[i] + bench.penalty_unit < best[i + 1]:  # left out
            best[i + 1], last[i + 1] = best[i] + bench.penalty_unit, (i, None)
        tree: Tree = {}
        mine: dict[int, int] = {}
        for j in range(i, count):
            mine[lamps[j]] = leads[lamps[j]]
            node = facts.graph.leads[leads[lamps[j]]].node
            while node in parent and node not in tree:
                tree[node] = parent[node]
                node = parent[node]
            fed = bench.feed(supply, f, dict(tree), dict(mine))
            if fed is None:
                break
            price = best[i] + fed.price + feed.price * max(fed.load_w / max_w, 1 / feed.outlets)
            if price < best[j + 1]:
                best[j + 1], last[j + 1] = price, (i, fed)
    circuits: list[Fed] = []
    left: set[int] = set()
    at = count
    while at:
        start, fed = last[at]
        if fed is None:
            left.add(lamps[start])
        else:
            circuits.append(fed)
        at = start
    return circuits, left


__all__ = ["along_forest", "split_forest"]
