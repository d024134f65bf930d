"""Join the nodes of one circuit's tree by its lightest edges. In: Fed, cables in each edge. Out: a lighter tree.

Lamps are hung one by one, each where it costs least just then; what hung before may since do better on what came
after. The minimum spanning tree over the tree's own nodes sets that right at once (R. C. Prim, Bell System Technical
Journal 36, 1957, 1389-1401; cited from memory). It is by weight only: whoever asks prices the circuit anew.
"""

from __future__ import annotations

import heapq

import numpy as np

from .circuit import Fed
from .state import Bench
from .tree import Tree, prune

LEAST = 1e-6
"""What a tree must be lighter by."""


def lightest_tree(bench: Bench, fed: Fed, use: np.ndarray) -> Tree | None:
    """
    The minimum spanning tree over the circuit's nodes, cut back to its lamps, where that is lighter; else None.

    Trenches that other circuits use cost it nothing; ``use`` (m,) counts the cables in each edge, its own with them.
    Whether joints and posts take the cables that then meet at them is not asked here.
    """
    facts, tree = bench.facts, fed.tree
    root = facts.roots[fed.supply]
    near, trench, laid, edge_of = bench.near, facts.trench, bench.ways.laid_price, facts.arcs.edge_of
    capacity, own = facts.capacity, fed.edge_set
    bench.effort.spend(0.05 + 0.005 * len(tree))

    def weight(edge: int) -> float:
        others = use.item(edge) - (edge in own)
        if others >= capacity[edge]:
            return 1e12
        price: float = laid.item(edge)
        return price if others > 0 else price + trench[edge]

    parent: Tree = {}
    heap = [(weight(e), v, root) for v, e in near[root] if v in tree]
    heapq.heapify(heap)
    total = 0.0
    while heap:
        price, node, up = heapq.heappop(heap)
        if node in parent:
            continue
        parent[node] = up
        total += price
        for v, e in near[node]:
            if v in tree and v not in parent:
                heapq.heappush(heap, (weight(e), v, node))
    if len(parent) < len(tree):
        return None
    before = sum([weight(edge_of[up, child]) for child, up in tree.items()])
    new = prune(parent, sorted([facts.lead_node[arc] for arc in fed.leads.values()]))
    after = sum([weight(edge_of[up, child]) for child, up in new.items()])
    return new if after < before - LEAST else None
