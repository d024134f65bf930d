"""Which supply point each lamp is near, and which lamps are searched together. In: Facts, or a State. Out: lists.

Lamps are given to supply points along a light forest of trenches: the spanning forest of the lamps and supply points
over the shortest ways between neighbours (K. Mehlhorn, "A faster approximation algorithm for the Steiner problem in
graphs", Information Processing Letters 27, 1988, 125-128), so that a lamp goes where trench leads that others need
anyway. Where a supply point's drivers cannot carry its lamps, the outermost go to the nearest that has room.

An *area* is a set of lamps with the supply points that may feed them: units (a supply point with its lamps or, where
those are too many, each of its drivers) cut in halves across their wider spread until no area has too many lamps. Cut
again at another angle, the lamps at the seams of one cut lie inside the areas of the next.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from ..ground.graph import Floats, Ints
from .facts import Facts
from .state import State
from .ways import Ways

MOST_LOAD = 0.95
"""Part of what a supply point's drivers carry that its lamps may take: whole drivers are never filled to the brim."""


@dataclass(frozen=True, eq=False)
class Given:
    """
    The supply point that each lamp is given to, and the forest along which it was found.

    Attributes
    ----------
    supply
        (N,) supply point of each lamp.
    up
        (N,) the lamp from which the forest leads on to each; N from a supply point, -1 where nothing leads to it.
    ways
        Nodes between the two.
    """

    supply: Ints
    up: Ints
    ways: list[list[int]]


@dataclass(frozen=True)
class Unit:
    """Lamps that stay in one area, the supply point that feeds them (-1: none yet), and circuits of the layout."""

    supply: int
    lamps: tuple[int, ...]
    circuits: tuple[int, ...] = ()


def give_to_supplies(facts: Facts) -> Given:
    """Give every lamp to a supply point along a light forest, within what the drivers there can carry."""
    graph, n, count = facts.graph, facts.graph.num_nodes, facts.num_lamps
    ways = Ways(facts, min(cable.price_m for cable in facts.cables))
    ways.set_open(np.zeros(graph.num_edges, dtype=np.int16))
    roots = graph.supply_node.tolist()
    dist, pred, source = ways.nearest_sources([*roots, *range(n, n + count)])
    supply_of = {root: s for s, root in reversed(list(enumerate(roots)))}
    supply = np.full(count, -1, dtype=np.int64)
    on_way: list[list[int]] = [[] for _ in range(count)]
    # Lines between the parts of two terminals, the shortest for each pair; all supply points are one root.
    lead_node, lead_lamp = np.array([(arc.node, n + arc.lamp) for arc in graph.leads], dtype=np.int64).T
    u, v = np.concatenate([graph.ends[:, 0], lead_node]), np.concatenate([graph.ends[:, 1], lead_lamp])
    length = dist[u] + np.concatenate([graph.trench_price + ways.laid_price, facts.lead_price]) + dist[v]
    end = np.where(source >= n, source - n, count)
    one, two = np.minimum(end[u], end[v]), np.maximum(end[u], end[v])
    line = np.flatnonzero(np.isfinite(length) & (one != two))
    line = line[np.lexsort((line, length[line], two[line], one[line]))]
    first = np.ones(len(line), dtype=bool)
    first[1:] = (np.diff(one[line]) != 0) | (np.diff(two[line]) != 0)
    line = line[first]
    line_of = {(int(one[e]), int(two[e])): int(e) for e in line}
    before = np.full(count, -1, dtype=np.int64)
    for lamp, up in _walk_from_root(count, one[line], two[line], length[line]):
        before[lamp] = up
        e = line_of[min(lamp, up), max(lamp, up)]
        for node in (int(u[e]), int(v[e])):
            at = node
            while at >= 0 and at < n:
                on_way[lamp].append(at)
                at = int(pred[at])
            if up == count and source[node] < n:
                supply[lamp] = supply_of[int(source[node])]
        if up != count:
            supply[lamp] = supply[up]
    _place_strays(facts, supply)
    _make_room(facts, ways, supply, on_way)
    return Given(supply, before, on_way)


def _walk_from_root(root: int, one: Ints, two: Ints, length: Floats) -> list[tuple[int, int]]:
    """(terminal, the one before it) along the spanning tree, from the root outwards."""
    from scipy.sparse import coo_matrix
    from scipy.sparse.csgraph import breadth_first_order, minimum_spanning_tree

    lines = coo_matrix((length + 1e-9, (one, two)), shape=(root + 1, root + 1)).tocsr()
    order, before = breadth_first_order(minimum_spanning_tree(lines), root, directed=False)
    return [(int(t), int(before[t])) for t in order[1:]]


def _place_strays(facts: Facts, supply: Ints) -> None:
    """Lamps that no way leads to: to the supply point nearest in plan."""
    places, roots = facts.lamp_places, facts.graph.xyz[facts.graph.supply_node, :2]
    for lamp in np.flatnonzero(supply < 0).tolist():
        supply[lamp] = int(np.argmin(np.hypot(*(roots - places[lamp]).T)))


def _make_room(facts: Facts, ways: Ways, supply: Ints, on_way: list[list[int]]) -> None:
    """Move lamps from supply points that cannot carry theirs to the nearest with room, the outermost first."""
    n, roots = facts.graph.num_nodes, facts.graph.supply_node
    largest = max(feed.max_w for feed in facts.feeds)
    room = np.array(facts.supply_max_drivers) * np.array(facts.supply_loading) * largest * MOST_LOAD
    watts = np.array(facts.lamp_watts)
    room = room - np.bincount(supply, watts, len(room))
    if (room >= 0).all():
        return
    from_root, _ = ways.from_sources(roots.tolist())
    lead_node = np.array([facts.graph.leads[arcs[0]].node for arcs in facts.leads_of], dtype=np.int64)
    moved: list[int] = []
    for s in np.flatnonzero(room < 0).tolist():
        mine = np.flatnonzero(supply == s)
        for lamp in mine[np.lexsort((mine, -from_root[lead_node[mine]]))].tolist():
            if room[s] >= 0:
                break
            room[s] += watts[lamp]
            moved.append(lamp)
    while moved:
        open_ = np.flatnonzero(room >= watts[moved].min())
        if not len(open_):
            return  # more lamps than all drivers can carry: they stay where they were
        dist, pred, source = ways.nearest_sources(roots[open_].tolist())
        left: list[int] = []
        taken = False
        for lamp in sorted(moved, key=lambda lamp: (float(dist[lead_node[lamp]]), lamp)):
            at = int(lead_node[lamp])
            if math.isinf(dist[at]):
                continue
            s = int(open_[np.flatnonzero(roots[open_] == source[at])[0]])
            if room[s] < watts[lamp]:
                left.append(lamp)
                continue
            room[s] -= watts[lamp]
            supply[lamp], taken = s, True
            while 0 <= at < n:
                on_way[lamp].append(at)
                at = int(pred[at])
        if not taken:
            return
        moved = left


def units_given(facts: Facts, supply: Ints, most: int) -> list[Unit]:
    """A unit for each supply point, or several for one with more than ``most`` lamps."""
    places = facts.lamp_places
    units: list[Unit] = []
    for s in range(len(facts.supply_price)):
        lamps = np.flatnonzero(supply == s)
        if len(lamps) <= most:
            units.append(Unit(s, tuple(lamps.tolist())))
            continue
        for part in halve(places[lamps], np.ones(len(lamps)), most, 0.0):
            units.append(Unit(s, tuple(lamps[part].tolist())))
    return units


def units_of(facts: Facts, state: State, most: int) -> list[Unit]:
    """The units of a layout: supply points, drivers where one has too many lamps, and each lamp without a place."""
    units: list[Unit] = []
    for s in range(len(facts.supply_price)):
        drivers = [members for supply, _, members in state.drivers if supply == s]
        num_lamps = sum(len(state.circuits[i].leads) for members in drivers for i in members)
        groups = drivers if num_lamps > most else [tuple(i for members in drivers for i in members)]
        for members in groups:
            lamps = sorted(lamp for i in members for lamp in state.circuits[i].leads)
            units.append(Unit(s, tuple(lamps), tuple(sorted(members))))
    units += [Unit(-1, (lamp,)) for lamp in sorted(state.missing)]
    return units


def areas_of(facts: Facts, units: Sequence[Unit], most: int, angle: float) -> list[list[Unit]]:
    """Units by area; each unit is in just one, and areas without lamps are left out."""
    places = facts.lamp_places
    roots = facts.graph.xyz[facts.graph.supply_node, :2]
    at = [places[list(unit.lamps)].mean(axis=0) if unit.lamps else roots[unit.supply] for unit in units]
    weight = np.array([len(unit.lamps) for unit in units], dtype=float)
    areas = [[units[i] for i in area] for area in halve(np.array(at), weight, most, angle)]
    return [area for area in areas if any(unit.lamps for unit in area)]


def halve(places: Floats, weight: Floats, most: float, angle: float) -> list[list[int]]:
    """
    Cut points in halves of about the same weight, across their wider spread, until no part weighs more than ``most``.

    Parameters
    ----------
    places, weight
        (k, 2) and (k,) points.
    angle
        By which the two directions of cutting are turned, in radians.

    Examples
    --------
    >>> halve(np.array([[0.0, 0], [1, 0], [8, 0], [9, 0]]), np.ones(4), 2, 0.0)
    [[0, 1], [2, 3]]
    """
    turn = np.array([[math.cos(angle), -math.sin(angle)], [math.sin(angle), math.cos(angle)]])
    turned = np.round(places @ turn, 6)
    parts: list[list[int]] = []
    stack = [list(range(len(places)))]
    while stack:
        part = stack.pop()
        if len(part) < 2 or weight[part].sum() <= most:
            parts.append(sorted(part))
            continue
        axis = int(np.argmax(np.ptp(turned[part], axis=0)))
        part.sort(key=lambda i: (turned[i, axis], turned[i, 1 - axis], i))
        so_far = np.cumsum(weight[part])
        cut = 1 + int(np.argmin(np.abs(so_far[:-1] - so_far[-1] / 2)))
        stack += [part[cut:], part[:cut]]
    return parts
