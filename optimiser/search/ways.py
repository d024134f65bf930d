"""Shortest ways over the ground graph at marginal prices. In: Facts, and what is open already. Out: ways and prices."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import numpy as np

from .facts import Facts

MOST_CABLE_PRICES = 8
"""Cable prices for which the prices of all arcs are kept."""

_OPEN = np.array([0.0, 0.0, np.inf])
"""What one more cable pays for trench in an edge of each code but 0: see ``Ways``."""


class Ways:
    """Shortest ways over the graph at marginal prices: trench that is open already costs nothing more.

    What joins what is held once for a graph, by its ``Arcs``; each of these holds prices, which ``set_open`` changes.
    Arcs run both ways along edges, and from a lamp to the nodes of its leads only, so that no way runs through a lamp.
    """

    def __init__(self, facts: Facts, cable_price_m: float) -> None:
        from scipy.sparse import csr_matrix

        graph = self._graph = facts.graph
        arcs = self._arcs = facts.arcs
        self.num_nodes = arcs.num_nodes
        self.edge_of = arcs.edge_of
        """(u, v) -> the edge that joins two adjacent nodes."""
        self._route_m = facts.slack * graph.length_m
        self._pull = graph.pull_price + 1e-7
        self._lead_price = np.array(facts.lead_price) + 1e-7
        self._capped = np.flatnonzero(graph.capacity <= np.iinfo(np.int16).max)  # counts of cables are of that kind
        self._capacity = graph.capacity[self._capped]
        self._laid_at: dict[float, tuple[np.ndarray, np.ndarray]] = {}
        self._code: np.ndarray | None = None
        """(m,) how each edge is priced now: 0 closed trench, 1 open, 2 full; None: nothing is priced yet."""
        self._laid = np.zeros(0)
        self.set_cable(cable_price_m)
        self._matrix = csr_matrix((self._laid.copy(), arcs.tails, arcs.indptr), shape=(arcs.size, arcs.size))

    def set_cable(self, price_m: float) -> None:
        """Reckon with cable at this price a metre; ``set_open`` must follow before ways are asked for."""
        known = self._laid_at.get(price_m)
        if known is None:
            if len(self._laid_at) >= MOST_CABLE_PRICES:
                self._laid_at.clear()
            arcs = self._arcs
            price = self._route_m * price_m + self._pull
            laid = np.empty(len(arcs.edge))
            laid[arcs.at_edge] = price[arcs.edge_at]
            laid[arcs.at_lead] = self._lead_price[arcs.lead]
            known = self._laid_at[price_m] = price, laid
        self.laid_price: np.ndarray = known[0]
        if self._laid is not known[1]:
            self._laid, self._code = known[1], None

    def edge_between(self, u: int, v: int) -> int:
        """The edge that joins two adjacent nodes."""
        return self.edge_of[u, v]

    def has_edge(self, u: int, v: int) -> bool:
        """Whether two nodes are adjacent."""
        return (u, v) in self.edge_of

    def has_lead(self, lamp: int, node: int) -> bool:
        """Whether a lamp's lead reaches a node."""
        return (lamp, node) in self._arcs.lead_of

    def lead_between(self, lamp: int, node: int) -> int:
        """The lead arc of a lamp to a node."""
        return self._arcs.lead_of[lamp, node]

    def set_open(self, use: np.ndarray, ghost: np.ndarray | None = None, ends: Iterable[int] = ()) -> None:
        """
        Price the arcs for a layout in which edge e holds ``use[e]`` cables; full sleeves are closed.

        Trenches marked in ``ghost`` count as open too. No way leads on from the nodes in ``ends``.
        """
        code = (use > 0).astype(np.int8)
        if ghost is not None:
            code[ghost] = 1
        if len(self._capped):
            code[self._capped[use[self._capped] >= self._capacity]] = 2
        trench, data = self._graph.trench_price, self._matrix.data
        if self._code is None:
            price = np.zeros(len(trench) + 1)  # the last one is what leads read
            price[:-1] = np.where(code == 0, trench, _OPEN[code])
            np.take(price, self._arcs.edge, out=data, mode="clip")
            data += self._laid
        else:  # mostly few edges differ from what was asked for last
            changed = np.flatnonzero(code != self._code)
            now = code[changed]
            price = np.where(now == 0, trench[changed], _OPEN[now])
            at = self._arcs.at[changed]
            data[at] = price[:, None] + self._laid[at]
        self._code = code
        for node in ends:
            self._code = None
            data[self._matrix.indptr[node] : self._matrix.indptr[node + 1]] = np.inf

    def set_prices(self, price: np.ndarray) -> None:
        """Price the edges as given, (m,), cable included; leads at their own."""
        arcs, data = self._arcs, self._matrix.data
        np.take(np.append(price, 0.0), arcs.edge, out=data, mode="clip")
        data[arcs.at_lead] = self._lead_price[arcs.lead]
        self._code = None

    def nearest_sources(self, sources: Sequence[int]) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """As ``from_sources``, and which source each node is nearest to."""
        from scipy.sparse.csgraph import dijkstra

        found: tuple[np.ndarray, np.ndarray, np.ndarray] = dijkstra(
            self._matrix, directed=True, indices=list(sources), return_predecessors=True, min_only=True
        )
        return found

    def from_sources(self, sources: Sequence[int], limit: float = np.inf) -> tuple[np.ndarray, np.ndarray]:
        """Distance and predecessor of every node from the nearest of several sources (lamps are ``num_nodes`` + i)."""
        from scipy.sparse.csgraph import dijkstra

        dist, pred, _ = dijkstra(
            self._matrix, directed=True, indices=list(sources), return_predecessors=True, limit=limit, min_only=True
        )
        return dist, pred
