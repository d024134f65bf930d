"""Columns and cuts to begin with. In: Facts, Relaxation. Out: column indices, cuts, and the bound they prove already.

Two dual ascents share out the prices: one over trench, leads and supply points in the trench graph, one over cable
and joints in the cable graph. Any solution pays both sums, since no column's price is counted twice. Their cuts are
rows to begin with, and what they leave cheap are columns to begin with, beside shortest ways from every supply point
to all lamps, with which the program has a solution. What it begins with changes how long it takes, not what is
proven.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Collection

import numpy as np

from ..facts import Facts
from .ascent import ascend
from .program import Cut
from .relaxation import Relaxation


def dual_ascent(
    facts: Facts,
    stop: Callable[[], bool] | None = None,
    *,
    cable_m: float | None = None,
    way_m: np.ndarray | None = None,
    used: Collection[int] = (),
    unused: Collection[int] = (),
) -> float:
    """Price of the cheapest trenches, leads and supply points, with one cheapest cable in each trench: dual ascent's
    bound.

    In any layout every lamp is joined, by its lead and by trenches, to a supply point that is used. Each edge on
    those ways is paid at least once as trench, holds at least one cable, and that cable is cut at least (1 + slack)
    times the edge's length at no less than the cheapest price a metre. So the layout pays at least the price of an
    arborescence from an artificial root, over arcs to the supply points priced at what using them costs, to all
    lamps. ``way_m``: (N,) what lamps pay for each metre of their ways, as cut (``copper.py``). Supply points that are
    ``used`` in any case are paid in any case; no way starts at those that are ``unused``: infinite, where that leaves
    none.
    """
    if cable_m is None:
        cable_m = min(cable.price_m for cable in facts.cables)
    graph = facts.graph
    n, lamps = graph.num_nodes, facts.num_lamps
    price = graph.trench_price + graph.pull_price + graph.length_m * facts.slack * cable_m
    lead_from = np.array([arc.node for arc in graph.leads], dtype=np.int64)
    lead_to = np.array([n + arc.lamp for arc in graph.leads], dtype=np.int64)
    lead_price = np.array(facts.lead_price)
    root = n + lamps
    open_to = np.array([s for s in range(len(graph.supply_node)) if s not in unused], dtype=np.int64)
    if not len(open_to):
        return math.inf
    start_price = np.array([0.0 if s in used else float(facts.supply_price[s]) for s in open_to.tolist()])
    tail = np.concatenate([graph.ends[:, 0], graph.ends[:, 1], lead_from, np.full(len(open_to), root)])
    head = np.concatenate([graph.ends[:, 1], graph.ends[:, 0], lead_to, np.asarray(graph.supply_node)[open_to]])
    prices = np.concatenate([price, price, lead_price, start_price])
    own = None
    if way_m is not None:
        metres = np.zeros(len(prices))
        metres[: 2 * graph.num_edges] = np.tile(graph.length_m * facts.slack, 2)
        own = [each * metres for each in way_m.tolist()]
    try:
        found = ascend(root + 1, root, list(range(n, root)), tail, head, prices, stop, keep_cuts=False, own=own)
    except ValueError:
        if not unused:
            raise
        return math.inf
    return found.total * (1 - 1e-9) + math.fsum(facts.supply_price[s] for s in used)


def first_cuts(rx: Relaxation, stop: Callable[[], bool] | None = None) -> tuple[list[Cut], np.ndarray]:
    """The cuts of both ascents, and the columns they leave at reduced price 0 (nearly)."""
    lamps = [rx.num_nodes + i for i in range(rx.num_lamps)]
    cost = rx.cost.copy()
    leads = rx.names["lead"]
    in_y = np.flatnonzero(rx.y_tail >= 0)
    price = cost[in_y]
    y = ascend(rx.size, rx.root, lamps, rx.y_tail[in_y], rx.y_head[in_y], price, stop)
    in_x = np.flatnonzero((rx.x_tail >= 0) & (rx.lamp < 0))
    x = ascend(
        rx.size, rx.root, lamps, rx.x_tail[in_x], rx.x_head[in_x], np.where(np.isin(in_x, leads), 0.0, cost[in_x]), stop
    )
    cuts = [Cut("y", inside, -1, 1.0) for inside, _ in y.cuts]
    cuts += [Cut("n", inside, -1, 1.0) for inside, _ in x.cuts]
    cheap = np.concatenate([in_y[y.rest <= 1e-9], in_x[x.rest <= 1e-9]])
    arcs = np.unique(rx.arc[in_y[y.rest <= 1e-9]])
    arcs = arcs[arcs >= 0]
    return cuts, np.concatenate([cheap, np.flatnonzero(np.isin(rx.arc, arcs))])


def network_start(facts: Facts, rx: Relaxation, stop: Callable[[], bool] | None = None) -> tuple[list[Cut], np.ndarray]:
    """For ``network.py``: the cuts of one dual ascent over trench with a cable in it; the columns it leaves cheap,
    those of shortest ways (several circuits may need more cables than trenches there), and all that are no arcs."""
    y, x = rx.names["y"], rx.names["x"]
    in_y = np.flatnonzero(rx.y_tail >= 0)
    lamps = [rx.num_nodes + i for i in range(rx.num_lamps)]
    found = ascend(rx.size, rx.root, lamps, rx.y_tail[in_y], rx.y_head[in_y], rx.cost[in_y], stop)
    rest = np.zeros(len(rx.cost))
    rest[in_y] = found.rest
    ways = _shortest_arcs(facts, rx.y_tail[y], rx.y_head[y], rx.cost[y] + 1e-6)
    wanted = np.ones(len(rx.cost), dtype=bool)
    wanted[y] = (rest[y] <= 1e-9) | ways
    wanted[x] = ways
    return [Cut("y", inside, -1, 1.0) for inside, _ in found.cuts], np.flatnonzero(wanted)


def first_columns(facts: Facts, rx: Relaxation) -> np.ndarray:
    """All that is no arc, and the arcs of shortest ways (trench and cable) from each supply point to every lamp."""
    y, xc = rx.names["y"], rx.names["xc"]
    chosen = _shortest_arcs(facts, rx.y_tail[y], rx.y_head[y], rx.cost[y] + rx.cost[xc] + 1e-6)
    return np.flatnonzero((rx.arc < 0) | chosen[np.maximum(rx.arc, 0)])


def _shortest_arcs(facts: Facts, tail: np.ndarray, head: np.ndarray, price: np.ndarray) -> np.ndarray:
    """Mask of the arcs of cheapest ways from each supply point to every lamp's nearest lead."""
    from scipy.sparse import csr_matrix
    from scipy.sparse.csgraph import dijkstra

    n = facts.graph.num_nodes
    matrix = csr_matrix((price, (tail, head)), shape=(n, n))
    arc_of = {(int(t), int(h)): i for i, (t, h) in enumerate(zip(tail.tolist(), head.tolist(), strict=True))}
    lead_nodes: list[list[int]] = [[] for _ in range(facts.num_lamps)]
    for arc in facts.graph.leads:
        lead_nodes[arc.lamp].append(arc.node)
    chosen = np.zeros(len(tail), dtype=bool)
    for source in facts.graph.supply_node.tolist():
        dist, pred = dijkstra(matrix, indices=source, return_predecessors=True)
        for nodes in lead_nodes:
            v = min(nodes, key=lambda v: (dist[v], v))
            while pred[v] >= 0:
                chosen[arc_of[int(pred[v]), v]] = True
                v = int(pred[v])
    return chosen
