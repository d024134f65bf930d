"""The bound on trench and cheapest cable against exact Steiner trees, found by trying every set of forks.

A Steiner tree in a graph is a minimum spanning tree of the sub-graph on its own nodes: the least of those over all sets
that hold the terminals is the optimum (networkx does the spanning trees).
"""

from __future__ import annotations

import itertools
import random
from types import SimpleNamespace

import networkx as nx
import numpy as np
import pytest

from optimiser.ground.graph import GroundGraph, LeadArc
from optimiser.search.bound import dual_ascent


def tiny_graph(rng: random.Random) -> GroundGraph:
    """A connected graph of seven nodes, node 0 a supply point, lamps at three or four others."""
    nodes = 7
    pairs = {(rng.randrange(i), i) for i in range(1, nodes)}
    pairs |= {pair for pair in itertools.combinations(range(nodes), 2) if rng.random() < 0.4}
    ends = np.array(sorted(pairs))
    lamps = rng.sample(range(1, nodes), rng.randint(3, 4))
    m = len(ends)
    return GroundGraph(
        xyz=np.zeros((nodes, 3)),
        kind=np.zeros(nodes, dtype=np.int64),
        may_joint=np.ones(nodes, dtype=bool),
        post_lamp=np.full(nodes, -1),
        ends=ends,
        length_m=np.array([rng.uniform(1, 10) for _ in range(m)]),
        sun_m=np.zeros(m),
        trench_price=np.array([rng.uniform(1, 50) for _ in range(m)]),
        pull_price=np.zeros(m),
        capacity=np.full(m, 100),
        sleeve=np.full(m, -1),
        stub=np.zeros(m, dtype=bool),
        supply_node=np.array([0]),
        leads=tuple(LeadArc(i, node, 0.0, rng.uniform(0, 3)) for i, node in enumerate(lamps)),
        num_lamps=len(lamps),
    )


@pytest.mark.parametrize("seed", range(150))
def test_bound_is_never_above_the_optimum(seed: int) -> None:
    rng = random.Random(seed)
    ground = tiny_graph(rng)
    facts = SimpleNamespace(
        graph=ground,
        num_lamps=ground.num_lamps,
        slack=1.03,
        cables=[SimpleNamespace(price_m=1.2), SimpleNamespace(price_m=2.0)],
        supply_price=[25.0],
        lead_price=[arc.price for arc in ground.leads],
    )
    whole = nx.Graph()
    whole.add_nodes_from(range(7))
    for (u, v), trench, length in zip(ground.ends.tolist(), ground.trench_price, ground.length_m, strict=True):
        whole.add_edge(u, v, weight=trench + 1.03 * 1.2 * length)
    terminals = {0, *(arc.node for arc in ground.leads)}
    others = [v for v in range(7) if v not in terminals]
    best = np.inf
    for count in range(len(others) + 1):
        for forks in itertools.combinations(others, count):
            part = whole.subgraph([*terminals, *forks])
            if nx.is_connected(part):
                best = min(best, nx.minimum_spanning_tree(part).size(weight="weight"))
    optimum = best + sum(arc.price for arc in ground.leads) + 25.0
    bound = dual_ascent(facts)  # type: ignore[arg-type]
    assert bound <= optimum + 1e-6
    assert bound >= 0.5 * optimum  # a bound that says nothing would be one too
