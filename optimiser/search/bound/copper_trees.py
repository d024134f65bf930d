"""Copper and trench of few lamps by the cheapest trees, with a line for each edge. In: Facts, a line. Out: a bound.

``copper.py`` proves its sum for any line under the prices of all cables, another on each edge if need be. On a trunk,
where much flows, the line that touches the thick cables proves most; on the last metres to a lamp the flat one at the
price of the thinnest. Between the two each edge has a mix, ``share`` of the first: best where

    share = slope x (what flows)^2 / (thinnest - line's own price at nothing)^2,  at most 1.

What flows, and how long the ways are, is known of the cheapest tree once it is found, so tree and prices are sought in
turn. Whatever they are, each tree found (exactly, ``cheapest_tree.py``) is a bound; the greatest holds.
"""

from __future__ import annotations

import math
from typing import Protocol

import numpy as np

from ..facts import Facts
from .cheapest_tree import CheapestTree
from .copper import ask
from .loads import ROUND

TURNS, LEAST_TURNS = 14, 4
"""Trees sought for one bound; with fewer than the latter, the first line holds on all edges: its mixes take some turns
to prove more."""
SLOWER = 0.3
"""How fast steps grow smaller: the n-th (from 0) goes 1 / (1 + 0.3 n) of the way to what the last tree asks for."""
BESIDE = 0.3
"""Edges that the tree does not use go this part of a step towards what flows where they meet it."""


class Trees(Protocol):
    """The cheapest tree for a price of cable by edge, of ways by lamp, and weights of edges; None: no more work."""

    def __call__(self, cable_m: np.ndarray, way_m: np.ndarray, weight: np.ndarray) -> CheapestTree | None: ...


def copper_of_trees(
    facts: Facts, pull: np.ndarray, line: tuple[float, float], way_m: np.ndarray, trees: Trees, turns: int
) -> float:
    """
    What trench, leads, supply points and copper cost at least; 0 where the work suffices for nothing.

    Parameters
    ----------
    pull
        (N,) see ``copper.amps_per_volt``.
    line
        Price a metre at no conductance, and a metre for each metre per ohm.
    way_m
        (N,) ways as cut, in m, as they are first guessed.
    turns
        Trees to seek, as far as the work suffices.
    """
    thin_m = min(cable.price_m for cable in facts.cables)
    more_m, slope = thin_m - line[0], line[1]
    metres = facts.graph.length_m * facts.slack
    steepest = more_m / math.sqrt(slope) if slope > 0 and more_m > 0 else 0.0
    flow = np.full(facts.graph.num_edges, steepest)
    best = 0.0
    for turn in range(turns):
        share = np.clip((flow / steepest) ** 2, 0.0, 1.0) if steepest > 0 else np.ones(len(flow))
        weight = np.sqrt(share) * (1 - ROUND)
        copper = ask(pull, way_m, line)
        tree = trees((thin_m - share * more_m) * (1 - ROUND), copper.way_m, weight)
        if tree is None or not math.isfinite(tree.price):
            break
        best = max(best, tree.price * (1 - 1e-9) - copper.less)
        ways = tree.ways()
        step = 1 / (1 + SLOWER * turn)
        asked = math.sqrt(slope) * pull * way_m
        if turns >= LEAST_TURNS:
            flow += step * _towards(facts, flow, ways, asked)
        way_m = way_m + step * (np.array([(weight * metres)[way].sum() for way in ways]) - way_m)
    return best


def _towards(facts: Facts, flow: np.ndarray, ways: list[list[int]], asked: np.ndarray) -> np.ndarray:
    """(m,) changes of what is taken to flow in each edge, towards what flows in this tree and where it is near."""
    found = np.zeros(len(flow))
    for way, each in zip(ways, asked.tolist(), strict=True):
        found[way] += each
    used = np.flatnonzero(found)
    ends = facts.graph.ends
    at_node = np.zeros(facts.graph.num_nodes)
    for side in (0, 1):
        np.maximum.at(at_node, ends[used, side], found[used])
    beside = _nearest(facts, at_node)[ends].min(axis=1) - flow
    change: np.ndarray = BESIDE * beside
    change[used] = found[used] - flow[used]
    return change


def _nearest(facts: Facts, known: np.ndarray) -> np.ndarray:
    """(n,) the positive value of the nearest node that has one; the greatest where none is reached."""
    from scipy.sparse import coo_matrix
    from scipy.sparse.csgraph import dijkstra

    graph, n = facts.graph, facts.graph.num_nodes
    sources = np.flatnonzero(known > 0)
    if not len(sources):
        return known
    arcs = coo_matrix((graph.length_m + 1e-9, (graph.ends[:, 0], graph.ends[:, 1])), shape=(n, n)).tocsr()
    _, _, source = dijkstra(arcs, directed=False, indices=sources, min_only=True, return_predecessors=True)
    return np.where(source >= 0, known[np.maximum(source, 0)], known.max())


__all__ = ["copper_of_trees"]
