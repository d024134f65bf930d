"""Ways that follow what is open: after any chain of changes, prices are those of ways told once, and of networkx."""

from __future__ import annotations

import math
import random
from pathlib import Path

import networkx as nx
import numpy as np
import pytest

from optimiser.ground import build_ground
from optimiser.job_folder import open_job
from optimiser.search.facts import Facts, gather_facts
from optimiser.search.ways import Ways


@pytest.fixture(scope="module")
def facts(cases: Path) -> Facts:
    folder = open_job(cases / "courtyard")
    return gather_facts(folder.job, folder.survey, build_ground(folder.job, folder.survey).graph)


def reference(
    facts: Facts, price_m: float, use: np.ndarray, ghost: np.ndarray | None, ends: list[int], source: int
) -> dict[int, float]:
    """Distances by another library, from the prices that the rules of account give each edge."""
    graph = facts.graph
    arcs = nx.DiGraph()
    for e, (u, v) in enumerate(graph.ends.tolist()):
        opened = use[e] > 0 or (ghost is not None and ghost[e])
        if use[e] >= graph.capacity[e]:
            continue
        price = graph.length_m[e] * facts.slack * price_m + graph.pull_price[e]
        price += 0.0 if opened else graph.trench_price[e]
        arcs.add_edge(u, v, price=price)
        arcs.add_edge(v, u, price=price)
    for arc in graph.leads:
        lamp = graph.num_nodes + arc.lamp
        arcs.add_edge(lamp, arc.node, price=arc.price + arc.extension_price)
    arcs.remove_edges_from([(u, v) for u in ends for v in list(arcs.successors(u))])
    found: dict[int, float] = nx.single_source_dijkstra_path_length(arcs, source, weight="price")
    return found


@pytest.mark.parametrize("seed", range(6))
def test_ways_told_of_changes_are_ways_told_at_once(facts: Facts, seed: int) -> None:
    rng = random.Random(seed)
    graph = facts.graph
    m = graph.num_edges
    told = Ways(facts, 1.0)
    use = np.zeros(m, dtype=np.int16)
    price_m = 1.0
    for _ in range(12):
        if rng.random() < 0.4:
            price_m = rng.choice((0.6, 1.0, 2.5))
            told.set_cable(price_m)
        for e in rng.sample(range(m), rng.choice((0, 3, m // 2))):
            use[e] = rng.choice((0, 0, 1, 2))
        if rng.random() < 0.5:
            use[np.flatnonzero(graph.sleeve >= 0)] = 2
        ghost = np.array([rng.random() < 0.1 for _ in range(m)]) if rng.random() < 0.4 else None
        ends = [int(graph.supply_node[0])] if rng.random() < 0.3 else []
        told.set_open(use, ghost, ends)
        fresh = Ways(facts, price_m)
        fresh.set_open(use, ghost, ends)
        source = graph.num_nodes + rng.randrange(facts.num_lamps)
        dist, pred = told.from_sources([source])
        dist_fresh, pred_fresh = fresh.from_sources([source])
        assert dist.tolist() == dist_fresh.tolist()
        assert pred.tolist() == pred_fresh.tolist()
        assert told.laid_price.tolist() == fresh.laid_price.tolist()
        known = reference(facts, price_m, use, ghost, ends, source)
        for v in range(graph.num_nodes):
            # Each line also pays a ten-millionth, so that ways of no price are told apart.
            assert dist[v] == pytest.approx(known.get(v, math.inf), abs=1e-4)
