"""Light trees of trench from supply points to all lamps, whatever circuits will follow them. In: Bench. Out: a tree.

Lamp after lamp, nearest first, is joined by the cheapest way to what is there already; then forks are added
(``steiner``) and branches laid elsewhere (``key_paths``) until neither makes the trees lighter. Where several starts
are asked for, all but the first see prices that are a little wrong, and the lightest of what comes of them is kept.

With ascents, lamps are joined along the few edges that a dual ascent leaves (``tight_edges``), and trees then made
lighter on the whole graph. The second start is on the whole graph from the beginning; of the others every other one is
along the edges of an ascent that begins at some lamp.
"""

from __future__ import annotations

import math
import random
from collections.abc import Sequence

import numpy as np

from .key_paths import exchange_key_paths
from .state import Bench
from .steiner import lighten
from .tight_edges import narrowed, prove_edges
from .tree import Tree

WRONG = 0.4
"""Prices of later starts are up to so much too high."""
WRONG_ASCENT = 0.1
"""Those of later ascents: much more, and they prove little of the true prices."""
MOST_SHARE = 0.15
"""Of the effort: when so much is spent, no further start is made."""
LEANING = (0.7, 3.0)
"""Every other start besides finds the edges of the best trees so far cheaper, or now and then dearer, by these."""


def light_forest(
    bench: Bench,
    rng: random.Random,
    roots: Sequence[int],
    *,
    jitter: float = 0.0,
    starts: int = 1,
    ascents: bool = False,
) -> tuple[Tree, dict[int, int]]:
    """
    A tree from each root, together reaching every lamp that can be reached.

    Parameters
    ----------
    roots
        Nodes of supply points.
    jitter
        Lamps are taken in the order of their distance times up to 1 + ``jitter``.
    starts
        How many times to begin anew, at most.
    ascents
        Whether to begin along the edges that dual ascents leave: lighter trees, whose ways are often longer.

    Returns
    -------
    tuple
        Node upstream of each node, and each lamp's lead.
    """
    facts, ways = bench.facts, bench.ways
    closed = bench.use_of(())
    price = bench.prices_before()
    seen = np.random.default_rng(rng.randrange(2**32))
    best: tuple[float, Tree, dict[int, int]] | None = None
    least = 0.0
    for number in range(starts):
        ways.set_open(closed)
        if ascents and number % 2 == 0:
            seem = price if number == 0 else price * (1 + WRONG_ASCENT * seen.random(len(price)))
            begin = None if number == 0 else rng.randrange(facts.num_lamps)
            proven = prove_edges(facts, roots, seem, begin, bench.effort.spend)
            if proven is not None:
                ways.set_prices(narrowed(price, proven.tight))
                least = proven.least if number == 0 else least
        elif number > ascents:
            wrong = price * (1 + WRONG * seen.random(len(price)))
            if best is not None and number % 2:
                edges = [ways.edge_between(child, up) for child, up in best[1].items()]
                wrong[edges] *= np.where(seen.random(len(edges)) < 0.8, *LEANING)
            ways.set_prices(wrong)
        parent, leads = _joined(bench, rng, roots, jitter)
        ways.set_open(closed)
        parent, leads = _polished(bench, roots, parent, leads, price.tolist())
        total = sum(price.item(ways.edge_between(child, up)) for child, up in parent.items())
        total += sum(facts.lead_price[arc] for arc in leads.values())
        is_lightest = len(leads) == facts.num_lamps and total <= least * (1 + 1e-9)
        total -= len(leads) * bench.penalty_unit
        if best is None or total < best[0] - 1e-9:
            best = total, parent, leads
        if is_lightest or bench.effort.share > MOST_SHARE:
            break
    assert best is not None
    return best[1], best[2]


def _joined(bench: Bench, rng: random.Random, roots: Sequence[int], jitter: float) -> tuple[Tree, dict[int, int]]:
    """Lamp after lamp by the cheapest way to what is there, at the prices that the ways have now."""
    facts, ways = bench.facts, bench.ways
    n = facts.graph.num_nodes
    bench.effort.spend((facts.num_lamps + 1) * (0.5 + n / 1200))
    parent: Tree = {}
    leads: dict[int, int] = {}
    inside = list(roots)
    for lamp in bench.nearest_first(rng, roots, jitter):
        dist, pred = ways.from_sources([n + lamp])
        node = inside[int(np.argmin(dist[inside]))]
        if dist[node] == math.inf:
            continue
        while int(pred[node]) < n:
            below = int(pred[node])
            parent[below] = node
            inside.append(below)
            node = below
        leads[lamp] = ways.lead_between(lamp, node)
    return parent, leads


def _polished(
    bench: Bench, roots: Sequence[int], parent: Tree, leads: dict[int, int], price: list[float]
) -> tuple[Tree, dict[int, int]]:
    """
    Trees and leads after adding forks and exchanging key paths until neither helps.

    Here lamps are leaves of the tree, behind the graph's nodes, and the roots hang on one more that has no place.
    """
    facts, ways = bench.facts, bench.ways
    n, lamps = facts.graph.num_nodes, facts.num_lamps
    top, own = n + lamps, len(price)
    near = [*bench.near, *([[]] * (lamps + 1))]
    weight = [*price, 0.0, *facts.lead_price]
    edge_of = ways.edge_of
    leaves = {n + lamp for lamp in leads}
    ends, barred = leaves.union(roots), bench.barred | {top}

    def edge_between(child: int, up: int) -> int:
        if up == top:
            return own
        return edge_of[child, up] if child < n else own + 1 + ways.lead_between(child - n, up)

    def weight_between(child: int, up: int) -> float:
        return weight[edge_between(child, up)]

    tree = {**parent, **dict.fromkeys(roots, top), **{n + lamp: facts.lead_node[arc] for lamp, arc in leads.items()}}
    while not bench.effort.stopped:
        before = sum(weight_between(child, up) for child, up in tree.items())
        tree = lighten(near, weight.__getitem__, edge_between, top, tree, ends, bench.effort.spend, barred=barred)
        tree = exchange_key_paths(tree, top, ends, weight_between, bench.near_ways, barred=barred, leaves=leaves)
        if sum(weight_between(child, up) for child, up in tree.items()) > before - 1e-6:
            break
    found = {lamp: ways.lead_between(lamp, tree[n + lamp]) for lamp in leads}
    return {child: up for child, up in tree.items() if up != top and child < n}, found
