"""The problem the oracle solves, apart from any job: few ends, one root, on a small graph. In: Facts. Out: Part.

An *end* is a lamp that wants a lead to one of several nodes, or a place where the rest of a circuit hangs below. The
*root* is a supply point, or a joint of the rest of the circuit above. All cables run from the root to the ends over
joints; a cable passes nodes between its two joints unjoined, in one gauge.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Sequence
from dataclasses import dataclass, field

import numpy as np

from .facts import LOAD_RESISTANCE, Facts
from .state import Bench


@dataclass(frozen=True)
class Place:
    """One way to join an end: at a node, for a price."""

    node: int
    """Index in the part's own nodes."""
    price: float
    need_v: float
    """Drop that must be left at this node for the end, in V, on the part's common scale (see ``Part.headroom_v``)."""
    fault_ohm: float
    """Fault loop resistance from this node to the farthest point below, in ohm."""
    ways: int
    """Ways it takes of the joint there."""
    thin_mm2: float
    thick_mm2: float
    ref: int
    """Lead arc, or the caller's own mark."""


@dataclass
class Region:
    """
    The graph's nodes and edges a part may use, with what opening each edge costs at present.

    Lengths in m, money in the job's currency. Nodes are positions in ``nodes``; edges likewise.

    Attributes
    ----------
    nodes
        Graph node of each own node.
    own
        Own node of each graph node.
    near
        (own node, own edge) beside each own node.
    edge
        Graph edge of each own edge.
    ends_of
        (m, 2) own nodes of each own edge.
    opening
        (m,) price of trench still to be opened, and of the pull through a sleeve.
    length_m, sun_m, factor
        (m,) length, part on the surface, factor on cable ratings in sleeves and trenches.
    """

    nodes: list[int]
    own: dict[int, int]
    near: list[list[tuple[int, int]]]
    edge: list[int]
    ends_of: np.ndarray
    opening: np.ndarray
    length_m: np.ndarray
    sun_m: np.ndarray
    factor: np.ndarray


@dataclass
class Part(Region):
    """
    A region with a few ends in it that are to be joined to one root. Resistances in ohm.

    Attributes
    ----------
    may_joint
        (n,) whether cables may be joined there (no posts).
    post_of
        (n,) end whose post stands there, else -1.
    places
        Ways to join each end.
    amps
        Current of each end, in A.
    root_price
        ``root_price[c]``: price at the root of c cables (or leads) that start there.
    headroom_v
        Drop that may be spent between the root and what the ends need.
    """

    may_joint: np.ndarray
    post_of: np.ndarray
    post_mm2: np.ndarray
    places: list[list[Place]]
    amps: list[float]
    root: int
    root_price: list[float]
    root_end_m: float
    root_mm2: float
    root_is_joint: bool
    headroom_v: float
    fault_headroom_ohm: float
    min_rating_a: float
    cables: tuple[int, ...]
    facts: Facts
    sizes_matter: bool = field(init=False)
    kit_of_ways: list[float] = field(init=False)
    """Least price of a joint by its ways, whatever sizes meet; infinite past the largest kit."""
    thin_m: float = field(init=False)
    """Cheapest cable's price a metre of route."""

    def __post_init__(self) -> None:
        facts = self.facts
        self.thin_m = facts.slack * min(facts.cables[k].price_m for k in self.cables)
        most = facts.max_ways
        self.kit_of_ways = facts.kit_of_ways
        sizes = {facts.cables[k].area_mm2 for k in self.cables}
        for places in self.places:
            for place in places:
                sizes.update(mm2 for mm2 in (place.thin_mm2, place.thick_mm2) if 0 < mm2 < math.inf)
        low, high = min(sizes), max(sizes)
        self.sizes_matter = any(facts.joint_price(w, low, high) != self.kit_of_ways[w] for w in range(2, most + 1))

    @property
    def num_ends(self) -> int:
        return len(self.places)

    def joint_price(self, ways: int, thin: float, thick: float) -> float:
        """Price of the joint that takes these ways and sizes."""
        if ways > self.facts.max_ways:
            return math.inf
        return self.facts.joint_price(ways, thin, thick) if self.sizes_matter else self.kit_of_ways[ways]


@dataclass(frozen=True)
class Draw:
    """Currents and budgets of a circuit's lamps under one assumption about their voltages."""

    amps: list[float]
    budget_v: list[float]
    """Drop each lamp may see, its lead included, in V."""


def least_draw(facts: Facts, feed_idx: int, lamps: Sequence[int]) -> Draw:
    """
    Currents that no true state undercuts, and budgets that no sound circuit exceeds at those currents.

    Power loads draw least at the feed's stated volts, resistances at the lowest they may see. In the low case each
    lamp draws at least ``low_share`` times that, so drops there are at least so many times as large: the low budget,
    divided by it, bounds the drop at the least currents too.
    """
    feed, ac = facts.feeds[feed_idx], facts.feed_ac[feed_idx]
    amps, low = [], []
    for lamp in lamps:
        t = facts.lamp_type[lamp]
        out_v, low_v = feed.out_v, min(feed.low_v, feed.out_v)
        if facts.type_load[t] == LOAD_RESISTANCE:
            out_v -= min(feed.budget_v[t], feed.out_v) if math.isfinite(feed.budget_v[t]) else feed.out_v
            low_v = max(0.0, feed.low_v - feed.low_budget_v[t])
            out_v = max(out_v, 0.0)
        amps.append(facts.lamp_amps(lamp, out_v, ac) if out_v > 0 else 0.0)
        low.append(facts.lamp_amps(lamp, low_v, ac) if low_v > 0 else 0.0)
    ratios = [b / a for a, b in zip(amps, low, strict=True) if a > 0]
    low_share = min(ratios, default=1.0) or 1e-9
    budget = [
        min(feed.budget_v[facts.lamp_type[lamp]], feed.low_budget_v[facts.lamp_type[lamp]] / low_share)
        for lamp in lamps
    ]
    return Draw(amps, budget)


def likely_draw(facts: Facts, feed_idx: int, lamps: Sequence[int], share: float) -> Draw:
    """Currents as if every lamp had spent this share of its budget, judged in the case that binds."""
    feed, ac = facts.feeds[feed_idx], facts.feed_ac[feed_idx]
    types = [facts.lamp_type[lamp] for lamp in lamps]
    low_case = any(feed.low_budget_v[t] < feed.budget_v[t] for t in types)
    source_v = feed.low_v if low_case else feed.out_v
    budget = [min(feed.budget_v[t], feed.low_budget_v[t]) for t in types]
    amps = [facts.lamp_amps(lamp, source_v - share * b, ac) for lamp, b in zip(lamps, budget, strict=True)]
    return Draw(amps, budget)


def lead_place(facts: Facts, arc_idx: int, node: int, amps: float, spare_v: float) -> Place:
    """The place of a lamp at one of its lead arcs; ``spare_v``: greatest budget less the lamp's own."""
    arc = facts.graph.leads[arc_idx]
    hot_ohm, fault_ohm = facts.lead_ohm[arc_idx]
    mm2 = 0.0 if facts.post[arc.node] >= 0 else facts.type_lead[facts.lamp_type[arc.lamp]][0]
    return Place(node, facts.lead_price[arc_idx], spare_v + hot_ohm * amps, fault_ohm, 1, mm2, mm2, arc_idx)


def region_of(bench: Bench, nodes: Collection[int] | None, use: np.ndarray) -> Region:
    """The sub-graph on these nodes (None: all); ``use`` counts the cables of all other circuits in each edge."""
    facts = bench.facts
    graph = facts.graph
    chosen = sorted(nodes) if nodes is not None else list(range(graph.num_nodes))
    own = {v: i for i, v in enumerate(chosen)}
    inside = np.zeros(graph.num_nodes, dtype=bool)
    inside[chosen] = True
    kept = inside[graph.ends[:, 0]] & inside[graph.ends[:, 1]] & (use < graph.capacity)
    edge = np.flatnonzero(kept)
    position = np.full(graph.num_nodes, -1)
    position[chosen] = np.arange(len(chosen))
    ends_of = position[graph.ends[edge]]
    near: list[list[tuple[int, int]]] = [[] for _ in chosen]
    for e, (u, v) in enumerate(ends_of.tolist()):
        near[u].append((v, e))
        near[v].append((u, e))
    worst = facts.trench_bunched[-1]
    bunched = np.array(facts.bunched)
    in_sleeve = graph.sleeve[edge] >= 0
    share = bunched[np.minimum(np.maximum(graph.capacity[edge], 1), len(bunched)) - 1]
    return Region(
        nodes=chosen,
        own=own,
        near=near,
        edge=edge.tolist(),
        ends_of=ends_of,
        opening=np.where(use[edge] > 0, 0.0, graph.trench_price[edge]) + graph.pull_price[edge],
        length_m=graph.length_m[edge],
        sun_m=graph.sun_m[edge],
        factor=np.where(in_sleeve, worst * share, worst) * np.where(graph.sun_m[edge] > 0, facts.sun_factor, 1.0),
    )


def circuit_part(
    bench: Bench,
    region: Region,
    supply: int,
    feed_idx: int,
    lamps: Sequence[int],
    draw: Draw,
    cables: tuple[int, ...],
    *,
    min_rating_a: float,
    fuse_price: float,
    max_fault_ohm: float,
) -> Part | None:
    """The part that is a whole circuit; None where a lamp has no lead into the region."""
    facts = bench.facts
    feed = facts.feeds[feed_idx]
    most = max(draw.budget_v)
    places: list[list[Place]] = []
    for lamp, amps, budget in zip(lamps, draw.amps, draw.budget_v, strict=True):
        mine: dict[int, Place] = {}
        for arc in facts.leads_of[lamp]:
            node = region.own.get(facts.graph.leads[arc].node)
            if node is None:
                continue
            place = lead_place(facts, arc, node, amps, most - budget)
            if node not in mine or place.price < mine[node].price:
                mine[node] = place
        if not mine:
            return None
        places.append(list(mine.values()))
    root = region.own[int(facts.graph.supply_node[supply])]
    may_joint, post_of, post_mm2 = joint_nodes(facts, region, lamps)
    may_joint[root] = False
    return Part(
        **vars(region),
        may_joint=may_joint,
        post_of=post_of,
        post_mm2=post_mm2,
        places=places,
        amps=draw.amps,
        root=root,
        root_price=[0.0] + [fuse_price] * min(feed.terminal_cables, len(lamps)),
        root_end_m=facts.start_end_m(supply, feed),
        root_mm2=feed.terminal_mm2,
        root_is_joint=False,
        headroom_v=most,
        fault_headroom_ohm=max_fault_ohm,
        min_rating_a=min_rating_a,
        cables=cables,
        facts=facts,
    )


def joint_nodes(facts: Facts, region: Region, lamps: Sequence[int]) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Where joints may stand, whose posts are there (position in ``lamps``), and the size their terminals take."""
    count = len(region.nodes)
    may_joint = np.zeros(count, dtype=bool)
    post_of = np.full(count, -1)
    post_mm2 = np.full(count, math.inf)
    position = {lamp: i for i, lamp in enumerate(lamps)}
    for i, v in enumerate(region.nodes):
        if facts.post[v] < 0:
            may_joint[i] = facts.may_joint[v]
        elif facts.post[v] in position:
            post_of[i] = position[facts.post[v]]
            post_mm2[i] = facts.type_terminal_mm2[facts.lamp_type[facts.post[v]]]
    return may_joint, post_of, post_mm2
