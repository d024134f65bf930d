"""The cheapest trenches with ways to few lamps, exactly. In: Facts, prices. Out: price, and each lamp's way.

What dual ascent bounds from below (``start.py``, ``copper.py``) is found exactly for few lamps, by the tree of the
cheapest trenches to every set of them (S. E. Dreyfus, R. A. Wagner, The Steiner problem in graphs, Networks 1, 1971,
195-207; cited from memory): the cheapest for a set at a node is put together from two parts of the set there, or comes
from a neighbour, over an edge that each lamp of the set pays for its way beside what the edge costs once. An edge's
price is then the greater the more lamps its set holds, but still one number for each set, so the same proof holds.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Collection

import numpy as np

from ..facts import Facts

_NEVER = 1e15
AT_ONCE = 16
"""Sets whose ways are sought in one call."""
MOST_LAMPS = 12
"""Tables double, and the ways to part sets grow threefold, with each lamp more."""


def tree_work(facts: Facts) -> float:
    """Roughly the steps that one table takes; infinite beyond ``MOST_LAMPS``."""
    if facts.num_lamps > MOST_LAMPS:
        return math.inf
    return float(2**facts.num_lamps * (facts.graph.num_edges + 1.5**facts.num_lamps * facts.graph.num_nodes / 16))


class CheapestTree:
    """
    Tables of one job for a choice of prices.

    Parameters
    ----------
    cable_m
        Price of a metre of cable in each trench, as cut: one for all, or (m,).
    way_m
        (N,) price of a metre of each lamp's way, as cut.
    weight
        (m,) what a metre of each edge counts for in ways.
    used, unused
        Supply points that are paid in any case, and that no way starts at.

    Attributes
    ----------
    price
        Of the cheapest, supply points and leads included; infinite where there is none, minus infinite if stopped.
    """

    def __init__(
        self,
        facts: Facts,
        cable_m: float | np.ndarray,
        way_m: np.ndarray,
        weight: float | np.ndarray = 1.0,
        *,
        used: Collection[int] = (),
        unused: Collection[int] = (),
        stop: Callable[[], bool] | None = None,
    ) -> None:
        graph = facts.graph
        self._facts = facts
        metres = graph.length_m * facts.slack
        self._once = graph.trench_price + graph.pull_price + metres * cable_m
        self._metres = metres * weight
        sets = 1 << facts.num_lamps
        self._way_m = np.zeros(sets)
        for lamp, each in enumerate(way_m.tolist()):
            self._way_m[1 << lamp : 2 << lamp] = self._way_m[: 1 << lamp] + each
        self._cost = np.full((sets, graph.num_nodes), np.inf)
        for arc, price in zip(graph.leads, facts.lead_price, strict=True):
            row = self._cost[1 << arc.lamp]
            row[arc.node] = min(row[arc.node], price)
        self._own = self._cost[[1 << lamp for lamp in range(facts.num_lamps)]].copy()
        self._start = np.full(sets, np.inf)
        self._arcs = _Arcs(graph.ends, graph.num_nodes)
        self._begin = [
            (facts.roots[s], 0.0 if s in used else float(facts.supply_price[s]))
            for s in range(len(graph.supply_node))
            if s not in unused
        ]
        whole = bool(self._begin) and self._fill(stop)
        paid = sum(facts.supply_price[s] for s in used)
        self.price = float(self._start[-1]) + paid if whole else -np.inf

    def _fill(self, stop: Callable[[], bool] | None) -> bool:
        """Fill the tables, smaller sets first; False if stopped before the end."""
        cost, start = self._cost, self._start
        roots, begin = (np.array(column) for column in zip(*self._begin, strict=True))
        for group in _by_size(len(cost)):
            if stop is not None and stop():
                return False
            for mine in group:
                row = cost[mine]
                for part in _halves(mine):
                    np.minimum(row, cost[part] + cost[mine ^ part], out=row)
            prices = self._once + self._way_m[group][:, None] * self._metres
            cost[group] = self._arcs.spread(cost[group], prices)
            here = (cost[np.array(group)[:, None], roots] + begin).min(axis=1)
            for mine, price in zip(group, here.tolist(), strict=True):
                start[mine] = min([price, *(start[part] + start[mine ^ part] for part in _halves(mine))])
        return True

    def ways(self) -> list[list[int]]:
        """Edges of each lamp's way in the cheapest tree, from the lamp's lead on."""
        facts = self._facts
        found: list[list[int]] = [[] for _ in range(facts.num_lamps)]
        left = self._trees()
        for _ in range(2 * facts.num_lamps * facts.graph.num_nodes):  # edges that cost nothing might lead in circles
            if not left:
                break
            mine, node = left.pop()
            options = [(self._cost[p, node] + self._cost[mine ^ p, node], p, -1, -1) for p in _halves(mine)]
            if not mine & (mine - 1):
                options.append((self._own[mine.bit_length() - 1, node], 0, -1, -1))
            each = self._way_m[mine]
            for v, e in facts.near[node]:
                options.append((self._cost[mine, v] + self._once[e] + each * self._metres[e], mine, v, e))
            _, part, v, e = min(options, key=lambda option: option[0])
            if v >= 0:
                left.append((mine, v))
                for lamp in _lamps_of(mine):
                    found[lamp].append(e)
            elif part:
                left += [(part, node), (mine ^ part, node)]
        return found

    def _trees(self) -> list[tuple[int, int]]:
        """Sets of lamps that one supply point feeds, with its node."""
        left, found = [len(self._cost) - 1], []
        while left:
            mine = left.pop()
            here, node = min((self._cost[mine, node] + begin, node) for node, begin in self._begin)
            parts = [(self._start[part] + self._start[mine ^ part], part) for part in _halves(mine)]
            if parts and min(parts)[0] < here - 1e-9:
                left += [min(parts)[1], mine ^ min(parts)[1]]
            else:
                found.append((mine, node))
        return found


def _lamps_of(mine: int) -> list[int]:
    return [lamp for lamp in range(mine.bit_length()) if mine >> lamp & 1]


def _by_size(sets: int) -> list[list[int]]:
    """All sets but the empty one, smaller ones first, at most ``AT_ONCE`` of one size together."""
    found = []
    for size in range(1, sets.bit_length()):
        same = [mine for mine in range(1, sets) if mine.bit_count() == size]
        found += [same[begin : begin + AT_ONCE] for begin in range(0, len(same), AT_ONCE)]
    return found


def _halves(mine: int) -> list[int]:
    """Each way to part a set in two, once."""
    found = []
    part = (mine - 1) & mine
    while part > mine - part:
        found.append(part)
        part = (part - 1) & mine
    return found


class _Arcs:
    """
    The graph's arcs both ways and one from a source to each node, as scipy's matrices have them.

    Much of what one search of ways takes is asking for it, so some sets are asked for at once: graphs side by side.
    """

    def __init__(self, ends: np.ndarray, num_nodes: int) -> None:
        tail = np.concatenate([ends[:, 0], ends[:, 1], np.full(num_nodes, num_nodes)])
        head = np.concatenate([ends[:, 1], ends[:, 0], np.arange(num_nodes)])
        self._order = np.lexsort((head, tail))
        self._num, size = num_nodes, num_nodes + 1
        first = np.searchsorted(tail[self._order], np.arange(size + 1))
        copy = np.arange(AT_ONCE)[:, None]
        self._head = (head[self._order] + copy * size).astype(np.int32)
        self._first = np.concatenate([[0], (first[1:] + copy * len(head)).ravel()]).astype(np.int32)

    def spread(self, at: np.ndarray, price: np.ndarray) -> np.ndarray:
        """
        Cheapest over all nodes of what is ``at`` one and a way from there.

        Parameters
        ----------
        at, price
            (k, n) and (k, m), for each of at most ``AT_ONCE`` graphs.
        """
        from scipy.sparse import csr_matrix
        from scipy.sparse.csgraph import dijkstra

        count, size = len(at), self._num + 1
        less = at.min(axis=1, keepdims=True) - 1.0  # no arc of price 0, which a sparse matrix does not hold
        less[~np.isfinite(less)] = 0.0
        begin = np.where(np.isfinite(at), at - less, _NEVER)
        once = np.maximum(price, 1e-12)
        data = np.concatenate([once, once, begin], axis=1)[:, self._order]
        matrix = csr_matrix(
            (data.ravel(), self._head[:count].ravel(), self._first[: count * size + 1]), shape=(count * size,) * 2
        )
        sources = np.arange(count) * size + self._num
        far: np.ndarray = dijkstra(matrix, indices=sources, min_only=True)
        found = far.reshape(count, size)[:, : self._num] + less
        return np.where(found < _NEVER / 2, found, np.inf)


__all__ = ["CheapestTree", "tree_work"]
