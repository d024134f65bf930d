"""The ground graph as arcs in the order of a sparse matrix. In: GroundGraph. Out: Arcs, which all ways on it share."""

from __future__ import annotations

import numpy as np

from ..ground.graph import GroundGraph


class Arcs:
    """What all ``Ways`` on one graph share: its arcs in the order of a sparse matrix, and which joins what."""

    def __init__(self, graph: GroundGraph, num_lamps: int) -> None:
        n, m = graph.num_nodes, graph.num_edges
        heads = np.concatenate([graph.ends[:, 0], graph.ends[:, 1], [n + arc.lamp for arc in graph.leads]])
        tails = np.concatenate([graph.ends[:, 1], graph.ends[:, 0], [arc.node for arc in graph.leads]])
        arc_edge = np.concatenate([np.arange(m), np.arange(m), np.full(len(graph.leads), m)])
        arc_lead = np.concatenate([np.full(2 * m, -1), np.arange(len(graph.leads))])
        order = np.lexsort((tails, heads))
        self.num_nodes = n
        self.size = n + num_lamps
        """Nodes and, behind them, lamps."""
        self.tails = tails[order].astype(np.int32)
        self.edge = arc_edge[order].astype(np.intp)
        """Edge of each arc; the number of edges for a lead."""
        lead = arc_lead[order]
        self.at = np.argsort(self.edge, kind="stable")[: 2 * m].reshape(m, 2)
        """(m, 2) places of each edge's two arcs."""
        self.at_lead, self.at_edge = np.flatnonzero(lead >= 0), np.flatnonzero(lead < 0)
        self.lead, self.edge_at = lead[self.at_lead], self.edge[self.at_edge]
        self.indptr = np.zeros(self.size + 1, dtype=np.int32)
        np.cumsum(np.bincount(heads[order].astype(np.int64), minlength=self.size), out=self.indptr[1:])
        self.edge_of: dict[tuple[int, int], int] = {}
        for e, (u, v) in enumerate(graph.ends.tolist()):
            self.edge_of[u, v] = e
            self.edge_of[v, u] = e
        self.lead_of = {(arc.lamp, arc.node): i for i, arc in enumerate(graph.leads)}
