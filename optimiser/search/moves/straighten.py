"""Add, slide and drop hubs and forks of one circuit on the graph, at marginal prices. In: State. Out: State."""

from __future__ import annotations

import random

from ..state import Bench, State
from ..steiner import lighten


class Straighten:
    def supports(self, bench: Bench) -> bool:
        return True

    def __call__(self, bench: Bench, state: State, rng: random.Random) -> State | None:
        return straighten(bench, state, rng.randrange(len(state.circuits))) if state.circuits else None


def straighten(bench: Bench, state: State, index: int, *, laid_factor: float = 1.0) -> State | None:
    """Lighten the tree of one circuit; trenches that other circuits use cost it nothing."""
    fed = state.circuits[index]
    facts, ways = bench.facts, bench.ways
    mine = set(fed.edges)
    use, trench, laid = state.use, facts.trench, ways.laid_price

    def weight(edge: int) -> float:
        others = int(use[edge]) - (edge in mine)
        if others >= facts.capacity[edge]:
            return 1e12
        return (0.0 if others > 0 else trench[edge]) + laid_factor * float(laid[edge])

    arcs = facts.graph.leads
    terminals = sorted({arcs[arc].node for arc in fed.leads.values()})
    root = int(facts.graph.supply_node[fed.supply])
    tree = lighten(
        bench.near, weight, ways.edge_between, root, fed.tree, terminals, bench.effort.spend, barred=bench.barred
    )
    if tree == fed.tree:
        return None
    new = bench.feed(fed.supply, fed.feed, tree, fed.leads)
    if new is None:
        return None
    circuits = list(state.circuits)
    circuits[index] = new
    return bench.compose(circuits, state.missing)
