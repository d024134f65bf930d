"""Light trees of trench from supply points to all lamps, whatever circuits will follow them. In: Bench. Out: a tree.

Lamp after lamp, nearest first, is joined by the cheapest way to what is there already.
"""

from __future__ import annotations

import math
import random
from collections.abc import Sequence

import numpy as np

from .state import Bench
from .trace import Tree


def light_forest(
    bench: Bench, rng: random.Random, roots: Sequence[int], *, jitter: float = 0.0
) -> tuple[Tree, dict[int, int]]:
    """
    A tree from each root, together reaching every lamp that can be reached.

    Parameters
    ----------
    roots
        Nodes of supply points.
    jitter
        Lamps are taken in the order of their distance times up to 1 + ``jitter``.

    Returns
    -------
    tuple
        Node upstream of each node, and each lamp's lead.
    """
    facts, ways = bench.facts, bench.ways
    n = facts.graph.num_nodes
    ways.set_open(bench.use_of(()))
    bench.effort.spend((facts.num_lamps + 1) * (0.5 + n / 1200))
    dist, _ = ways.from_sources(roots)
    away = [
        min(float(dist[facts.graph.leads[arc].node]) for arc in arcs) * (1 + jitter * rng.random())
        for arcs in facts.leads_of
    ]
    parent: Tree = {}
    leads: dict[int, int] = {}
    inside = list(roots)
    for lamp in sorted(range(facts.num_lamps), key=away.__getitem__):
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
