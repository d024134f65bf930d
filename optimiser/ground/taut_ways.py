"""Ways between neighbouring terminals pulled taut on the graph. In: Ground. Out: Ground with better places to bend at.

The base graph has places along borders every metre or more, and round shapes with half their corners. The cheapest way
through it is found first; then every stretch of it, between any two of its nodes, is tried anew

* straight, but bent where it crosses borders (``refraction.py``), and
* round one node, or two in a row, by way of places close together along borders and of every corner of what is no-dig;

and the best of these stretches, put together, are the taut way. What it bends at becomes nodes, and its lines edges, if
that makes the way cheaper by ``WORTH``. Rounds, for a way that is better in one place may be bettered in another.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import shapely

from .border_places import border_rings, places_along, rings_of, to_cheaper_side
from .graph import Floats, GroundGraph, Ints, NodeKind
from .model import Ground
from .nodes import NodeList
from .refining import refine
from .refraction import crossing_ways
from .zones import PUSH_M, Land, pushed

MOST_TERMINALS = 300
"""Beyond, nothing is pulled taut: ways are sought from every terminal, which takes as long as their number squared."""
MOST_OTHERS, LEAST_OTHERS = 200, 4
"""Ways to this many others in all for each terminal of one, shared by their number; and at the least."""
ROUNDS = 3
WORTH = 0.0015
"""Share of a way's price that must be saved: half of the 0.3 % by which ways on the graph may be dearer."""
SPAN = 10
"""Most lines of a stretch that is tried anew."""
STEP_M, NEAREST, REACH_M = 0.4, 8, 2.0
"""Spacing of places along borders, and how many of them, how near to a node, a way is tried by."""
GAP_M = 0.02
"""Less than a spade's width, which would move a bend too far along its border."""
_FIXED = (NodeKind.SUPPLY, NodeKind.POST, NodeKind.SLEEVE_END, NodeKind.FOOT)

Bends = dict[tuple[int, int], tuple[float, Floats]]
"""For two nodes, lower first: the price of a way between them, and the (k, 2) places it bends at from the first on."""


@dataclass(frozen=True)
class _Way:
    nodes: list[int]
    price: Floats
    """From its first node to each."""


def pull_taut(ground: Ground) -> Ground:
    """The ground with nodes and edges for the taut ways between terminals, all of them part of the base graph."""
    if ground.graph.num_lamps + len(ground.graph.supply_node) > MOST_TERMINALS:
        return ground
    fine = _fine_places(ground.land)
    if not len(fine):
        return ground
    known = _Bends(ground.land, fine)
    for _ in range(ROUNDS):
        ways = _ways(ground.graph)
        xy = ground.graph.xyz[:, :2]
        known.ask(xy, ground.graph.kind, ways)
        chosen: dict[tuple[int, int], Floats] = {}
        for way in ways:
            chosen |= {ends: known.bends[ends][1] for ends in _worthwhile(way, known.bends)}
        points, links, between = _as_nodes(chosen, xy)
        refined = refine(ground, points, links, between, kind=NodeKind.BORDER)
        if refined is ground:
            break
        ground = refined
    return Ground(ground.graph, ground.land, ground.graph.num_nodes, ground.graph.num_edges)


def _fine_places(land: Land) -> Floats:
    """Places close together along the borders of grounds, on their cheaper side, and all corners of no-dig zones."""
    found = [np.empty((0, 2)), *rings_of(pushed(land.forbidden, PUSH_M))]
    for ring in border_rings(land):
        line = shapely.LinearRing(ring)
        count = max(3, int(line.length / STEP_M))
        found += [to_cheaper_side(land, ring), places_along(land, line, (np.arange(count) + 0.5) * line.length / count)]
    places = np.asarray(np.round(np.vstack(found), 3), dtype=float)
    return places[land.free(places)]


def _terminals(graph: GroundGraph) -> list[int]:
    """Supply points, and of each lamp the joint place with the cheapest lead."""
    first: dict[int, int] = {}
    for arc in sorted(graph.leads, key=lambda arc: (arc.price, arc.node)):
        first.setdefault(arc.lamp, arc.node)
    return sorted({*graph.supply_node.tolist(), *first.values()})


def _ways(graph: GroundGraph) -> list[_Way]:
    """The cheapest ways through the graph from each terminal to the others that are nearest by way."""
    from scipy.sparse import coo_matrix
    from scipy.sparse.csgraph import dijkstra

    ends = np.array(_terminals(graph))
    size = graph.num_nodes
    price = graph.trench_price + graph.pull_price + 1e-9  # free edges are edges too
    arcs = coo_matrix((price, (graph.ends[:, 0], graph.ends[:, 1])), shape=(size, size)).tocsr()
    cost, before = dijkstra(arcs, directed=False, indices=ends, return_predecessors=True)
    most = max(LEAST_OTHERS, MOST_OTHERS // len(ends))
    pairs: set[tuple[int, int]] = set()
    for i, row in enumerate(cost[:, ends]):
        others = [j for j in np.argsort(np.round(row, 6), kind="stable").tolist() if j != i and np.isfinite(row[j])]
        pairs |= {(min(i, j), max(i, j)) for j in others[:most]}
    ways = []
    for i, j in sorted(pairs):
        nodes = [int(ends[j])]
        while nodes[-1] != ends[i]:
            nodes.append(int(before[i, nodes[-1]]))
        ways.append(_Way(nodes[::-1], cost[i, nodes[::-1]]))
    return ways


class _Bends:
    """The best ways found between two nodes, other than along the graph; each stretch is tried once."""

    def __init__(self, land: Land, fine: Floats) -> None:
        from scipy.spatial import cKDTree

        self._land, self._fine = land, fine
        self._tree = cKDTree(fine)
        self._asked: set[tuple[int, ...]] = set()
        self.bends: Bends = {}

    def ask(self, xy: Floats, kind: Ints, ways: list[_Way]) -> None:
        """Try all stretches of these ways that were not tried before; numbers of nodes stay good."""
        fixed = np.isin(kind, _FIXED)
        pairs: set[tuple[int, ...]] = set()
        windows: set[tuple[int, ...]] = set()
        for nodes in (way.nodes for way in ways):
            for i, u in enumerate(nodes):
                pairs |= {(min(u, v), max(u, v)) for v in nodes[i + 1 : i + 1 + SPAN]}
                for part in (nodes[i : i + 3], nodes[i : i + 4]):
                    if i + len(part) <= len(nodes) and len(part) > 2 and not fixed[part[1:-1]].any():
                        windows.add(tuple(part if part[0] < part[-1] else part[::-1]))
        self._straightened(xy, np.array(sorted(pairs - self._asked), dtype=np.int64).reshape(-1, 2))
        parts = [(part[0], part[1], part[-2], part[-1]) for part in sorted(windows - self._asked)]
        self._gone_round(xy, np.array(parts, dtype=np.int64).reshape(-1, 4))
        self._asked |= pairs | windows

    def _keep(self, ends: tuple[int, int], price: float, places: Floats) -> None:
        if price < self.bends.get(ends, (np.inf,))[0]:
            self.bends[ends] = price, places

    def _straightened(self, xy: Floats, pairs: Ints) -> None:
        """Stretches laid straight but where they cross borders."""
        crossing = crossing_ways(self._land, xy, pairs)
        if not crossing:
            return
        lines: list[Floats] = []
        owner: list[int] = []
        for number, ((u, v), places) in enumerate(crossing):
            stops = np.vstack([xy[u], np.round(places, 3), xy[v]])
            lines.append(np.stack([stops[:-1], stops[1:]], axis=1))
            owner += [number] * (len(stops) - 1)
        a, b = np.vstack(lines).transpose(1, 0, 2)
        price = np.bincount(owner, _prices(self._land, a, b), minlength=len(crossing))
        for ((u, v), places), cost in zip(crossing, price.tolist(), strict=True):
            self._keep((int(u), int(v)), cost, places)

    def _gone_round(self, xy: Floats, windows: Ints) -> None:
        """Stretches of two or three lines, (w, 4), laid by way of one or two close places instead of inner nodes."""
        if not len(windows):
            return
        fine, count = self._fine, len(xy)
        first, one, two, last = windows.T
        beside, beyond = (
            np.where(np.isfinite(far), near + count, count + len(fine)).reshape(len(windows), -1)
            for far, near in (
                self._tree.query(xy[mid], k=min(NEAREST, len(fine)), distance_upper_bound=REACH_M) for mid in (one, two)
            )
        )
        k = beside.shape[1]
        pairs = np.vstack(
            [
                np.column_stack([np.repeat(first, k), beside.ravel()]),
                np.column_stack([np.repeat(last, k), beyond.ravel()]),
                np.column_stack([np.repeat(beside, k, axis=1).ravel(), np.tile(beyond, k).ravel()]),
            ]
        )
        cost = _prices_of(self._land, np.vstack([xy, fine]), pairs)
        leave, arrive, between = np.split(cost, [len(windows) * k, 2 * len(windows) * k])
        whole = leave.reshape(-1, k, 1) + between.reshape(-1, k, k) + arrive.reshape(-1, 1, k)
        best = whole.reshape(len(windows), -1).argmin(axis=1)
        for window, at in enumerate(best.tolist()):
            price = float(whole[window].flat[at])
            by = [beside[window, at // k], beyond[window, at % k]]
            if price < np.inf:
                places = fine[np.array(by[: 1 + (by[0] != by[1])]) - count]
                self._keep((int(first[window]), int(last[window])), price, places)


def _prices(land: Land, a: Floats, b: Floats) -> Floats:
    """(n,) prices of straight trenches, infinite where none is allowed."""
    lines = land.price_lines(a, b)
    return np.where(lines.allowed, lines.trench_price, np.inf)


def _prices_of(land: Land, at: Floats, pairs: Ints) -> Floats:
    """(m,) prices of lines between places given by number; 0 from a place to itself, infinite to one that is absent."""
    pairs = np.sort(pairs, axis=1)
    every, of = np.unique(pairs, axis=0, return_inverse=True)
    price = np.full(len(every), np.inf)
    there = every[:, 1] < len(at)
    price[there & (every[:, 0] == every[:, 1])] = 0.0
    lines = there & (every[:, 0] != every[:, 1])
    price[lines] = _prices(land, at[every[lines, 0]], at[every[lines, 1]])
    return np.asarray(price[of.ravel()], dtype=float)


def _worthwhile(way: _Way, bends: Bends) -> list[tuple[int, int]]:
    """The stretches of a way that are best laid anew; none where all that saves next to nothing."""
    nodes, price = way.nodes, way.price.tolist()
    best = [0.0] + [np.inf] * (len(nodes) - 1)
    came: list[tuple[int, bool]] = [(0, False)] * len(nodes)
    for j in range(1, len(nodes)):
        for i in range(max(0, j - SPAN), j):
            ends = min(nodes[i], nodes[j]), max(nodes[i], nodes[j])
            anew = bends[ends][0] if ends in bends else np.inf
            least = best[i] + min(anew, price[j] - price[i])
            if least < best[j] - 1e-9:
                best[j], came[j] = least, (i, anew < price[j] - price[i] - 1e-6)
    if best[-1] > price[-1] * (1 - WORTH):
        return []
    found = []
    j = len(nodes) - 1
    while j:
        i, anew = came[j]
        if anew:
            found.append((min(nodes[i], nodes[j]), max(nodes[i], nodes[j])))
        j = i
    return found


def _as_nodes(
    chosen: dict[tuple[int, int], Floats], xy: Floats
) -> tuple[Floats, list[tuple[int, int]], list[tuple[int, int]]]:
    """
    Places to add, lines to and between them, and lines between nodes that are there, as ``refine`` wants them.

    A place within ``GAP_M`` of a node, or of one to be added, is that one: nodes side by side are no use.
    """
    nodes = NodeList()
    for place in xy.tolist():
        nodes.add(place, NodeKind.BORDER, 0)
    lines: set[tuple[int, int]] = set()
    for (u, v), places in sorted(chosen.items(), key=lambda item: item[0]):
        stops = [u, *nodes.add_all(places, NodeKind.BORDER, GAP_M), v]
        lines |= {(min(pair), max(pair)) for pair in pairwise(stops) if pair[0] != pair[1]}
    count = len(xy)
    links = [(j - count, i if i < count else -1 - (i - count)) for i, j in sorted(lines) if j >= count]
    return nodes.array()[count:], links, [(i, j) for i, j in sorted(lines) if j < count]


__all__ = ["pull_taut"]
