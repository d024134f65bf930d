"""What a layout's nodes cost, were they elsewhere on the open ground. In: Facts, State, Land. Out: Network, Pricing."""

from __future__ import annotations

import itertools
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from ..ground.graph import Bools, Floats, Ints
from ..ground.zones import Land
from .facts import Facts
from .state import State

# Measured once, no command; in units of effort.
WORK_PER_CALL, WORK_PER_PLACE, WORK_PER_LINE, WORK_PER_LEAD = 1.0, 0.002, 0.01, 0.03


@dataclass
class Network:
    links: dict[int, list[tuple[int, float]]]
    """node -> (neighbour, cable price per metre of route laid along that line)."""
    lamps_at: dict[int, list[int]]
    needs_joint: set[int]
    sleeves: set[tuple[int, int]]


def network_of(facts: Facts, state: State) -> Network:
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
    return Network(links, lamps_at, needs_joint, sleeve_ends)


class Pricing:
    """Exact prices of what hangs on nodes, were they elsewhere; many nodes and places in one question."""

    def __init__(self, facts: Facts, land: Land, network: Network) -> None:
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

    def needs_joint(self, nodes: Ints) -> Bools:
        """(k,) whether joints must be able to stand at k nodes."""
        return self._joint[nodes]

    def whole(self, u: Ints, v: Ints, cable_m: Floats) -> Floats:
        """(p,) what lines between nodes cost, with cable of a price per metre; infinite where none may run."""
        heights = {} if self.land.heights.flat else {"a_z": self._z[u], "b_z": self._z[v]}
        priced = self.land.price_lines(self.at[u], self.at[v], **heights)
        self._asked += WORK_PER_CALL + WORK_PER_LINE * len(u)
        return np.where(priced.allowed, priced.trench_price + priced.length_m * cable_m, np.inf)

    def holds_lamp(self, nodes: Ints) -> Bools:
        """(k,) whether leads of lamps end at k nodes."""
        return np.asarray(self._lead_of[nodes + 1] > self._lead_of[nodes])

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
