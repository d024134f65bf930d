"""Slide hubs and forks of a found layout to their best places on the open ground. In: State, Land. Out: places, links.

The trenches of a layout form a network. Each of its nodes that is free to move (no supply point, post, sleeve end or
stub foot) is slid, others held, to where trench, cable and leads around it cost least: a pattern search on exact
prices of the straight lines to its neighbours. The places reached, and the lines asked for there, go into the ground
graph, and the search goes on from the layout moved onto them.
"""

from __future__ import annotations

import itertools
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from ..ground.graph import Floats, Ints
from ..ground.hub_places import fermat_points
from ..ground.zones import Land
from .circuit import Fed
from .facts import Facts, is_fixed
from .state import Bench, State

FIRST_STEP_M, LAST_STEP_M = 0.4, 0.005
LEAST_FORK_M = 0.15
AT_ONCE = 256
"""Most nodes slid at once: enough to price lines in bulk, few enough to stop in between."""
# Measured, in units of effort.
WORK_PER_CALL, WORK_PER_PLACE, WORK_PER_LINE, WORK_PER_LEAD = 1.0, 0.002, 0.01, 0.03
_TURNS = np.array([(np.cos(a), np.sin(a)) for a in np.arange(8) * np.pi / 4])


@dataclass(frozen=True, eq=False)
class Slid:
    """
    Where the nodes of a layout should stand.

    ``nodes`` (k,) are graph nodes, ``places`` (k, 2) where to move them; ``links`` are pairs of positions: i >= 0 a
    graph node, -1 - j the j-th place.
    """

    nodes: list[int]
    places: np.ndarray
    links: list[tuple[int, int]]
    gain: float
    more: np.ndarray
    """(j, 2) further places worth a node: Fermat points of neighbouring lines that meet at less than 120 degrees."""
    more_links: list[tuple[int, int, int]]
    """The three graph nodes or moved places (as in ``links``) that each of them should be joined to."""


def slide(bench: Bench, state: State, land: Land, *, sweeps: int = 3) -> Slid:
    """
    Best places of all movable nodes of a layout's network, found in a few sweeps.

    What the bench's effort does not reach stays where it is.
    """
    facts, effort = bench.facts, bench.effort
    network = _network(facts, state)
    movable = [
        v
        for v in sorted(network.links)
        if (not is_fixed(int(facts.graph.kind[v])) and len(network.links[v]) >= 2)
        or (v in network.lamps_at and not is_fixed(int(facts.graph.kind[v])))
    ]
    pricing = _Pricing(facts, land, network)
    total_gain = 0.0
    touched = set(movable)
    groups = _apart(movable, network)
    for sweep in range(sweeps):
        gained = 0.0
        now, touched = touched, set()
        for group in groups:
            asked = [v for v in group if v in now]  # not those that have not moved since, nor a neighbour
            if not asked or effort.is_over:
                continue
            gain = _slide_some(pricing, np.array(asked), coarse=sweep == 0)
            effort.spend(pricing.work())
            for v, saved in zip(asked, gain.tolist(), strict=True):
                if saved > 0:
                    touched.update((v, *(u for u, _ in network.links[v])))
            gained += float(gain.sum())
        total_gain += gained
        if gained < 1e-4 * state.price:
            break
    at = dict(zip(network.links, pricing.at[list(network.links)], strict=True))
    moved = [v for v in movable if np.hypot(*(at[v] - facts.graph.xyz[v, :2])) >= 0.002]
    places = np.round(np.array([at[v] for v in moved]).reshape(-1, 2), 3)
    index = {v: -1 - i for i, v in enumerate(moved)}
    links = sorted({tuple(sorted((index.get(u, u), index.get(v, v)))) for v in moved for u, *_ in network.links[v]})
    more, more_links = _forks(network, at, index, land)
    return Slid(moved, places, [(int(a), int(b)) for a, b in links], total_gain, more, more_links)


def _apart(movable: list[int], network: _Network) -> list[list[int]]:
    """Nodes that may be slid at once: no two of a group are neighbours, and no group is large."""
    can = set(movable)
    colour: dict[int, int] = {}
    groups: list[list[list[int]]] = []
    for v in movable:
        taken = {colour[u] for u, _ in network.links[v] if u in colour and u in can}
        mine = next(c for c in itertools.count() if c not in taken)
        colour[v] = mine
        if mine == len(groups):
            groups.append([[]])
        if len(groups[mine][-1]) >= AT_ONCE:
            groups[mine].append([])
        groups[mine][-1].append(v)
    return [group for groups_of_colour in groups for group in groups_of_colour]


def _forks(
    network: _Network, at: dict[int, np.ndarray], index: dict[int, int], land: Land
) -> tuple[np.ndarray, list[tuple[int, int, int]]]:
    """Where two neighbouring lines of the network might better join before they meet."""
    triples: list[tuple[int, int, int]] = []
    for v in sorted(network.links):
        near = [u for u, _ in network.links[v]]
        if len(near) < 2:
            continue
        near.sort(key=lambda u: float(np.arctan2(*(at[u] - at[v])[::-1])))
        pairs = list(itertools.pairwise(near))
        if len(near) > 2:
            pairs.append((near[-1], near[0]))
        triples.extend((v, a, b) for a, b in pairs)
    if not triples:
        return np.zeros((0, 2)), []
    corners = [np.array([at[t[k]] for t in triples]) for k in range(3)]
    points, inner = fermat_points(*corners)
    apart = np.min([np.hypot(*(points - c).T) for c in corners], axis=0)
    good = inner & (apart > LEAST_FORK_M) & land.free(np.where(np.isfinite(points), points, 0.0))
    kept = [t for t, ok in zip(triples, good, strict=True) if ok]
    return np.round(points[good], 3), [(index.get(v, v), index.get(a, a), index.get(b, b)) for v, a, b in kept]


@dataclass
class _Network:
    links: dict[int, list[tuple[int, float]]]
    """node -> (neighbour, cable price per metre of route laid along that line)."""
    lamps_at: dict[int, list[int]]
    needs_joint: set[int]


def _network(facts: Facts, state: State) -> _Network:
    laid: dict[tuple[int, int], float] = {}
    lamps_at: dict[int, list[int]] = {}
    needs_joint: set[int] = set()
    sleeve_ends: set[tuple[int, int]] = set()
    for fed in state.circuits:
        for cable, nodes in fed.pieces:
            price_m = facts.cables[cable].price_m * facts.slack
            for u, v in itertools.pairwise(nodes):
                key = (min(u, v), max(u, v))
                laid[key] = laid.get(key, 0.0) + price_m
            needs_joint.add(nodes[-1])
        for lamp, arc in fed.leads.items():
            lamps_at.setdefault(facts.graph.leads[arc].node, []).append(lamp)
        sleeve_ends.update(tuple(facts.graph.ends[e].tolist()) for e in fed.edges if facts.sleeve[e] >= 0)
    links: dict[int, list[tuple[int, float]]] = {}
    for (u, v), price_m in laid.items():
        if (u, v) in sleeve_ends:
            links.setdefault(u, [])
            links.setdefault(v, [])
            continue
        links.setdefault(u, []).append((v, price_m))
        links.setdefault(v, []).append((u, price_m))
    return _Network(links, lamps_at, needs_joint)


class _Pricing:
    """Exact prices of what hangs on nodes, were they elsewhere; many nodes and places in one question."""

    def __init__(self, facts: Facts, land: Land, network: _Network) -> None:
        self.land = land
        self.at = facts.graph.xyz[:, :2].copy()
        """(n, 2) where each node of the graph stands now, in m."""
        n = len(self.at)
        self._z = land.height(self.at)
        self._line_of, self._far, self.price_m = _rows(n, network.links)
        self._lead_of, self._lamp, _ = _rows(
            n, {v: [(lamp, 0.0) for lamp in lamps] for v, lamps in network.lamps_at.items()}
        )
        self._joint = np.zeros(n, dtype=bool)
        self._joint[list(network.needs_joint)] = True
        self._least_m = float(land.per_m[~land.no_dig].min())
        self._asked = 0.0

    def work(self) -> float:
        """Work done since this was asked last."""
        work, self._asked = self._asked, 0.0
        return work

    def move(self, nodes: Ints, places: Floats) -> None:
        """Let k nodes stand at (k, 2) places from now on."""
        self.at[nodes] = places
        self._z[nodes] = self.land.height(places)

    def lines(self, nodes: Ints) -> tuple[Ints, Ints]:
        """Lines of k nodes: (p,) which of the nodes each belongs to, (p,) its place among all lines."""
        return _of(self._line_of, nodes)

    def ends(self, line: Ints) -> Floats:
        """(p, 2) where lines end that start at the nodes asked for, in m."""
        return np.asarray(self.at[self._far[line]])

    def price(self, nodes: Ints, places: Floats, below: Floats) -> Floats:
        """
        What trench, cable and leads of nodes cost at other places.

        Parameters
        ----------
        nodes
            (k,) nodes, no two of them neighbours.
        places
            (k, t, 2) places for each, in m.
        below
            (k,) only what costs less than this matters.

        Returns
        -------
        (k, t) prices; infinite where the node may not stand, or not for less than ``below``.
        """
        k, t = places.shape[:2]
        owner, line = self.lines(nodes)
        a = places[owner].reshape(-1, 2)
        b = np.repeat(self.ends(line), t, axis=0)
        cable_m = np.repeat(self.price_m[line], t)
        to = (owner[:, None] * t + np.arange(t)).ravel()
        # No line costs less than its length in the cheapest ground: most places are told dearer by that alone.
        least = np.bincount(to, np.hypot(*(a - b).T) * (cable_m + self._least_m), k * t)
        spot = places.reshape(-1, 2)
        self._asked += WORK_PER_CALL + WORK_PER_PLACE * k * t
        worth = np.flatnonzero(least < np.repeat(below, t))
        joint = np.repeat(self._joint[nodes], t)[worth]
        may = self.land.free(spot[worth])
        asked = np.flatnonzero(may & joint)
        may[asked] = self.land.may_joint_where_free(spot[worth[asked]])
        worth = worth[may]
        total = np.full(k * t, np.inf)
        total[worth] = 0.0
        asked = np.flatnonzero(np.isfinite(total[to]))
        if len(asked):
            heights = {}
            if not self.land.heights.flat:  # of each place once, not of each line's ends
                z = np.zeros(k * t)
                z[worth] = self.land.height(spot[worth])
                heights = {"a_z": z[to[asked]], "b_z": np.repeat(self._z[self._far[line]], t)[asked]}
            priced = self.land.price_lines(a[asked], b[asked], **heights)
            each = np.where(priced.allowed, priced.trench_price + priced.length_m * cable_m[asked], np.inf)
            total += np.bincount(to[asked], each, k * t)
            self._asked += WORK_PER_LINE * len(asked)
        owner, lead = _of(self._lead_of, nodes)
        to = (owner[:, None] * t + np.arange(t)).ravel()
        asked = np.flatnonzero(total[to] < np.repeat(below, t)[to])
        if len(asked):
            leads = self.land.lead_lines(np.repeat(self._lamp[lead], t)[asked], spot[to[asked]])
            total += np.bincount(to[asked], np.where(leads.allowed, leads.price, np.inf), k * t)
            self._asked += WORK_PER_LEAD * len(asked)
        return total.reshape(k, t)


def _rows(n: int, of: Mapping[int, Sequence[tuple[int, float]]]) -> tuple[Ints, Ints, Floats]:
    """Lists by node as one table: (n + 1,) where each node's rows start, (p,) the other ends, (p,) their numbers."""
    start = np.zeros(n + 1, dtype=np.int64)
    for v, items in of.items():
        start[v + 1] = len(items)
    items = [item for v in sorted(of) for item in of[v]]
    return np.cumsum(start), np.array([i for i, _ in items], dtype=np.int64), np.array([x for _, x in items])


def _of(start: Ints, nodes: Ints) -> tuple[Ints, Ints]:
    """Rows of k nodes in such a table: (p,) which of the nodes, (p,) which row."""
    count = start[nodes + 1] - start[nodes]
    owner = np.repeat(np.arange(len(nodes)), count)
    first = np.cumsum(count) - count
    return owner, np.arange(len(owner)) - first[owner] + start[nodes][owner]


def _slide_some(pricing: _Pricing, nodes: Ints, *, coarse: bool) -> Floats:
    """
    Move nodes, no two of them neighbours, to better places: a pattern search for each, all asked at once.

    Returns (k,) what moving each saves.
    """
    k = len(nodes)
    here = np.round(pricing.at[nodes], 3)
    start = pricing.price(nodes, here[:, None, :], np.full(k, np.inf))[:, 0]
    now = start.copy()
    # The weighted geometric median of the neighbours is where it would go on even ground: try it first.
    owner, line = pricing.lines(nodes)
    many = np.flatnonzero(np.isfinite(now) & (np.bincount(owner, minlength=k) > 2))
    if len(many):
        every = pricing.ends(line), pricing.price_m[line] + float(pricing.land.per_m[pricing.land.base])
        median = np.round([_median(every[0][owner == i], every[1][owner == i], here[i]) for i in many], 3)
        worth = pricing.price(nodes[many], median[:, None, :], now[many])[:, 0]
        better = worth < now[many] - 1e-9
        here[many[better]], now[many[better]] = median[better], worth[better]
    step = np.full(k, FIRST_STEP_M if coarse else FIRST_STEP_M / 4)
    going = np.flatnonzero(np.isfinite(now))
    while len(going):
        places = np.round(here[going, None, :] + step[going, None, None] * _TURNS, 3)
        each = pricing.price(nodes[going], places, now[going])
        best = each.argmin(axis=1)
        worth = each[np.arange(len(going)), best]
        better = worth < now[going] - 1e-9
        won = going[better]
        here[won], now[won] = places[better, best[better]], worth[better]
        step[going] = np.where(better, step[going] * 1.5, step[going] / 3)
        going = going[step[going] >= LAST_STEP_M]
    moved = np.isfinite(now) & (now < start - 1e-6)
    pricing.move(nodes[moved], here[moved])
    gain = np.zeros(k)
    gain[moved] = start[moved] - now[moved]
    return gain


def _median(points: Floats, weight: Floats, start: Floats) -> Floats:
    """Weiszfeld's iteration for the weighted geometric median."""
    x = start.astype(float)
    for _ in range(60):
        away = np.maximum(np.hypot(*(points - x).T), 1e-6)
        pull = weight / away
        new = (points * pull[:, None]).sum(axis=0) / pull.sum()
        if np.hypot(*(new - x)) < 1e-4:
            return np.asarray(new)
        x = new
    return x


def moved_onto(bench: Bench, state: State, slid: Slid, place_node: list[int]) -> State | None:
    """
    The layout with its nodes moved, as far as the refined graph has the lines; None where a circuit cannot follow.

    ``place_node[j]`` is the graph node at the j-th place, -1 where the graph has none.
    """
    to = {v: place_node[j] for j, v in enumerate(slid.nodes) if place_node[j] >= 0}
    circuits: list[Fed] = []
    for fed in state.circuits:
        new = _moved(bench, fed, to)
        if new is None:
            return None
        circuits.append(new)
    return bench.compose(circuits, state.missing)


def _moved(bench: Bench, fed: Fed, to: dict[int, int]) -> Fed | None:
    ways, arcs = bench.ways, bench.facts.graph.leads
    if not any(v in to for v in fed.tree):
        return fed
    to = dict(to)
    for _ in range(50):  # nodes whose lines are missing stay; that may strand a neighbour, so look again
        stays: set[int] = set()
        for child, up in fed.tree.items():
            a, b = to.get(child, child), to.get(up, up)
            if a == b or not ways.has_edge(a, b):
                stays.update((child, up))
        for lamp, arc in fed.leads.items():
            node = arcs[arc].node
            if node in to and not ways.has_lead(lamp, to[node]):
                stays.add(node)
        stays &= to.keys()
        if not stays:
            break
        for v in stays:
            del to[v]
    tree = {to.get(child, child): to.get(up, up) for child, up in fed.tree.items()}
    if len(tree) != len(fed.tree):
        return fed
    leads = {}
    for lamp, arc in fed.leads.items():
        node = arcs[arc].node
        leads[lamp] = ways.lead_between(lamp, to.get(node, node)) if node in to else arc
    return bench.feed(fed.supply, fed.feed, tree, leads, fed.palette) or fed
