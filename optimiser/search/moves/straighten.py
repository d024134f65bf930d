"""Add, slide and drop hubs and forks of one circuit on the graph, at marginal prices. In: State. Out: State."""

from __future__ import annotations

import random
from collections.abc import Sequence

import numpy as np

from ..key_paths import exchange_key_paths
from ..state import Bench, State, lay
from ..steiner import lighten


class Straighten:
    def supports(self, bench: Bench) -> bool:
        return True

    def __call__(self, bench: Bench, state: State, rng: random.Random) -> State | None:
        return straighten(bench, state, rng.randrange(len(state.circuits))) if state.circuits else None


def straighten(
    bench: Bench,
    state: State,
    index: int,
    *,
    groups: Sequence[Sequence[int]] = (),
    elsewhere: bool = False,
) -> State | None:
    """
    Lighten the tree of one circuit; trenches that other circuits use cost it nothing.

    ``groups`` are nodes to add together: see ``lighten``. ``elsewhere``: lay whole branches elsewhere where lighter.
    """
    fed = state.circuits[index]
    facts, ways = bench.facts, bench.ways
    others = state.use.copy()
    lay(others, fed, -1)
    weight = np.where(others > 0, 0.0, facts.graph.trench_price) + ways.laid_price
    weight[others >= facts.graph.capacity] = 1e12
    price = weight.tolist()
    arcs = facts.graph.leads
    terminals = sorted({arcs[arc].node for arc in fed.leads.values()})
    root = int(facts.graph.supply_node[fed.supply])
    tree = lighten(
        bench.near,
        price.__getitem__,
        ways.edge_between,
        root,
        fed.tree,
        terminals,
        bench.effort.spend,
        barred=bench.barred,
        groups=groups,
    )
    if elsewhere:
        ways.set_open(others)
        tree = exchange_key_paths(
            tree,
            root,
            terminals,
            lambda child, up: price[ways.edge_of[child, up]],
            bench.near_ways,
            barred=bench.barred,
        )
    if tree == fed.tree:
        return None
    new = bench.feed(fed.supply, fed.feed, tree, fed.leads)
    if new is None:
        return None
    circuits = list(state.circuits)
    circuits[index] = new
    return bench.compose(circuits, state.missing)
