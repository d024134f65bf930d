"""Edges that light trees of trench are likely to use, by dual ascent. In: Facts, prices, roots. Out: Proven.

A dual ascent (``bound/ascent.py``) leaves arcs with reduced prices, such that any tree that joins the node where it
began to all terminals costs at least what it proved and the reduced prices of the tree's arcs besides. A tree that uses
an arc runs from that node to the arc, along it, and on to some terminal; so it costs at least what was proven and the
cheapest such walk at reduced prices. Edges for which that is no more than what is proven of any tree are few. Where
dual ascent proves all that there is, a lightest tree lies along them; elsewhere they are mostly a better place to begin
than the whole graph is (T. Polzin, S. Vahdati Daneshmand, "Improved algorithms for the Steiner problem in networks",
Discrete Applied Mathematics 112, 2001, 263-300, take edges out by this bound and build trees on what is left; cited
from memory).

Edges are open both ways, so a tree may be directed away from any of its nodes: ascents that begin at different lamps
prove different things of the same edges. From a lamp that an ascent begins at, several of its leads may lead on; then
the tight edges alone need not join everything.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from .bound.ascent import ascend
from .facts import Facts

ROUND_WORK = 0.05
"""Work of one round of an ascent, in the units of ``Effort``."""
DEARER = 1000.0
"""Edges that are not kept are so many times dearer, and by so many times the dearest edge: a last resort."""


@dataclass(frozen=True)
class Proven:
    """``least``: no forest is lighter; ``through``: (m,) no forest that uses this edge is lighter."""

    least: float
    through: np.ndarray

    @property
    def tight(self) -> np.ndarray:
        """(m,) the edges of which no more is proven than of any forest."""
        return self.through <= self.least * (1 + 1e-9) + 1e-6


def prove_edges(
    facts: Facts, roots: Sequence[int], price: np.ndarray, begin: int | None, spend: Callable[[float], None]
) -> Proven | None:
    """
    What one ascent proves of forests that join every lamp, by one of its leads, to some root.

    Parameters
    ----------
    facts
        Look-ups of the job; leads have their own prices.
    roots
        Nodes at which the forest's trees may start.
    price
        (m,) of each edge, infinite where it is closed.
    begin
        Lamp at which the ascent begins; None: above all roots.
    spend
        Told the work done.

    Returns
    -------
    Proven or None
        None where not every lamp can be reached.
    """
    graph, n = facts.graph, facts.graph.num_nodes
    above = n + facts.num_lamps  # a node that all roots hang on
    start = above if begin is None else n + begin
    terminals = [node for node in range(n, above + 1) if node != start]
    roots_at, tops = np.array(roots, dtype=np.int64), np.full(len(roots), above)
    open_edges = np.flatnonzero(np.isfinite(price))
    one, other = graph.ends[open_edges].astype(np.int64).T
    lead_node = np.array([arc.node for arc in graph.leads], dtype=np.int64)
    lead_lamp = np.array([n + arc.lamp for arc in graph.leads], dtype=np.int64)
    lead_price = np.array(facts.lead_price, dtype=float)
    out = lead_lamp == start  # nothing runs through a lamp: only where the ascent begins do leads lead away from it
    tail = np.concatenate([one, other, lead_node, tops, roots_at, lead_lamp[out]])
    head = np.concatenate([other, one, lead_lamp, roots_at, tops, lead_node[out]])
    prices = [price[open_edges], price[open_edges], lead_price, np.zeros(2 * len(roots)), lead_price[out]]
    try:
        found = ascend(above + 1, start, terminals, tail, head, np.concatenate(prices), keep_cuts=False)
    except ValueError:
        return None
    spend(ROUND_WORK * found.rounds)
    rest = np.maximum(found.rest, 0.0)
    away = _distances(above + 1, tail, head, rest, [start])
    on = _distances(above + 1, head, tail, rest, terminals)
    m = len(open_edges)
    more = (away[tail] + rest + on[head])[: 2 * m]
    through = np.full(len(price), np.inf)
    through[open_edges] = found.total + np.minimum(more[:m], more[m:])
    return Proven(found.total, through)


def _distances(size: int, tail: np.ndarray, head: np.ndarray, price: np.ndarray, sources: list[int]) -> np.ndarray:
    """(size,) price of the cheapest way to each node from the nearest source; arcs without a price are arcs too."""
    from scipy.sparse import csr_matrix
    from scipy.sparse.csgraph import dijkstra

    order = np.argsort(tail, kind="stable")
    first = np.searchsorted(tail[order], np.arange(size + 1))
    matrix = csr_matrix((price[order], head[order], first), shape=(size, size))
    found, _, _ = dijkstra(matrix, directed=True, indices=sources, return_predecessors=True, min_only=True)
    return np.asarray(found)


def narrowed(price: np.ndarray, kept: np.ndarray) -> np.ndarray:
    """(m,) these prices where edges are ``kept``; all others so dear that they are used only where nothing else is."""
    dearest = float(np.max(price, initial=0.0, where=np.isfinite(price)))
    return np.where(kept, price, DEARER * (price + dearest))
