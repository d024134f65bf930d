"""Whether a circuit drawn by hand passes. In: job, ground graph, a circuit. Out: ways along the ground, Fed or nothing.

The electrics are the tool's own (``optimiser.electrics``), so that a hand-drawn circuit is held to the same limits as
one the search draws; whole layouts are judged by the independent check besides.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import csr_matrix
from scipy.sparse.csgraph import dijkstra

from optimiser.electrics.circuit import CircuitTree, far_end_short_a, solve_driver
from optimiser.electrics.limits import driver_breaches
from optimiser.electrics.protection import protect
from optimiser.ground.graph import GroundGraph
from optimiser.job import Cable, Driver, Job, Kit, LampType
from optimiser.search.layout import Circuit, Piece
from optimiser.survey.model import Survey

Weight = Literal["shortest", "cheapest"]
Routes = tuple[NDArray[np.float64], NDArray[np.int32], dict[tuple[int, int], int]]
"""Distances and predecessors from each start, and the edge between two nodes."""


class DoesNotPass(Exception):
    """The method finds no layout; the message says where it fails."""


@dataclass(frozen=True)
class Stop:
    """A joint place with the lamps whose leads end there."""

    node: int
    lamps: tuple[int, ...]
    most_cables: int


@dataclass(frozen=True)
class Fed:
    """A circuit that passes on a driver of its own, and what is counted when models are compared."""

    circuit: Circuit
    amps: float
    load_w: float
    cable_price: float
    sleeves: tuple[int, ...]
    """Sleeve of every cable that passes one."""


class Ways:
    """Shortest paths between the stops and supply points, round sleeves that are full."""

    def __init__(self, graph: GroundGraph, weight: Weight, cable_price_m: float, starts: Sequence[int]) -> None:
        self.graph, self.starts = graph, sorted(set(starts))
        self.row = {node: row for row, node in enumerate(self.starts)}
        length = np.maximum(graph.length_m, 1e-6)
        self.weight = length if weight == "shortest" else graph.trench_price + graph.pull_price + cable_price_m * length
        self.known: dict[frozenset[int], Routes] = {}

    def _solve(self, full: frozenset[int]) -> Routes:
        if full not in self.known:
            graph = self.graph
            edge_of: dict[tuple[int, int], int] = {}
            for edge in np.argsort(-self.weight, kind="stable").tolist():  # of edges side by side the cheapest is kept
                if graph.sleeve[edge] not in full or graph.sleeve[edge] < 0:
                    edge_of[int(graph.ends[edge, 0]), int(graph.ends[edge, 1])] = edge
            ends = np.array(list(edge_of), dtype=np.int64)
            value = self.weight[list(edge_of.values())]
            matrix = csr_matrix((value, (ends[:, 0], ends[:, 1])), shape=(graph.num_nodes, graph.num_nodes))
            far, before = dijkstra(matrix, directed=False, indices=self.starts, return_predecessors=True)
            self.known[full] = far, before, edge_of
        return self.known[full]

    def distance(self, frm: int, to: int, full: frozenset[int] = frozenset()) -> float:
        return float(self._solve(full)[0][self.row[frm], to])

    def path(self, frm: int, to: int, full: frozenset[int]) -> tuple[list[int], list[int]]:
        """Nodes and edges of the way; raises ``DoesNotPass`` where there is none."""
        far, before, edge_of = self._solve(full)
        row = self.row[frm]
        if not math.isfinite(far[row, to]):
            raise DoesNotPass("no way is left past the sleeves that are full")
        nodes = [to]
        while nodes[-1] != frm:
            nodes.append(int(before[row, nodes[-1]]))
        nodes.reverse()
        return nodes, [edge_of[min(a, b), max(a, b)] for a, b in itertools.pairwise(nodes)]


@dataclass
class Site:
    """What both methods look up."""

    job: Job
    survey: Survey
    graph: GroundGraph
    ways: Ways
    stops: list[Stop]
    lead_of: list[int]
    """For each lamp, its lead arc."""
    gauges: tuple[int, ...]
    """Cables that may be used, thinnest first."""
    cables: list[Cable] = field(init=False)
    models: list[Driver] = field(init=False)
    in_sleeve: dict[int, int] = field(default_factory=dict)
    """Cables laid in each sleeve so far, by edge."""

    def __post_init__(self) -> None:
        self.cables = list(self.job.cables.values())
        self.models = list(self.job.drivers.values())

    def full(self, more: Sequence[int] = ()) -> frozenset[int]:
        """Sleeves that take no further cable, with those in ``more`` laid besides."""
        edges = np.flatnonzero(self.graph.sleeve >= 0)
        used = {edge: self.in_sleeve.get(edge, 0) + list(more).count(edge) for edge in edges.tolist()}
        return frozenset(int(self.graph.sleeve[e]) for e, count in used.items() if count >= self.graph.capacity[e])


def cut_at_reels(
    site: Site, cable: int, supply: int, nodes: list[int], edges: list[int], *, starts_at_driver: bool
) -> Iterator[Piece]:
    """The way as one piece, or with straight joints where it is longer than a reel; nothing where none may stand."""
    start = 0
    reel_m = site.cables[cable].longest_reel_m
    while start < len(edges):
        stops = [
            end
            for end in range(len(edges), start, -1)
            if end == len(edges) or (site.graph.may_joint[nodes[end]] and site.graph.post_lamp[nodes[end]] < 0)
        ]
        for end in stops:
            length = cut_m(site, edges[start:end], supply if starts_at_driver and start == 0 else None)
            if length <= reel_m:
                yield Piece(cable, tuple(nodes[start : end + 1]), tuple(edges[start:end]))
                start = end
                break
        else:
            return


def cut_m(site: Site, edges: Sequence[int], driver_at: int | None) -> float:
    """Length that is cut: route, slack, both ends; ``driver_at`` is the supply point where it starts, if at one."""
    route = float(site.graph.length_m[list(edges)].sum())
    slack = site.job.slack
    name = site.survey.supplies[driver_at].name if driver_at is not None else ""
    begin = site.job.driver_end_m(name) if driver_at is not None else slack.joint_end_m
    return math.ceil((route * (1 + slack.per_cent / 100) + begin + slack.joint_end_m) * 10 - 1e-6) / 10


def judge(site: Site, circuit: Circuit, sleeves: Sequence[int]) -> Fed | None:
    """Let the electrics say whether the circuit passes on a driver of its own; ``sleeves`` hold cables already."""
    job, graph = site.job, site.graph
    driver = site.models[circuit.model]
    cable = site.cables[circuit.pieces[0].cable]
    if cable.area_mm2 > driver.terminal_mm2:
        return None
    node_of = {int(graph.supply_node[circuit.supply]): 0}
    parent, buried, sun, contact, lamp_at, rating = [-1], [0.0], [0.0], [0.0], [-1], [math.inf]
    cables_at: dict[int, int] = {}
    cable_price, shares = 0.0, _bunching(site, circuit, sleeves)
    for piece in circuit.pieces:
        begin, end = node_of[piece.nodes[0]], piece.nodes[-1]
        length = cut_m(site, piece.edges, circuit.supply if begin == 0 else None)
        route = float(graph.length_m[list(piece.edges)].sum())
        on_top = float(graph.sun_m[list(piece.edges)].sum()) / route if route > 0 else 0.0
        made_off = [node for node in (piece.nodes[0], end) if node_of.get(node) != 0 and graph.post_lamp[node] < 0]
        node_of[end] = len(parent)
        parent.append(begin)
        loop = cable.loop_ohm_per_m(20.0) * length
        buried.append(loop * (1 - on_top))
        sun.append(loop * on_top)
        contact.append(job.joints.end_ohm * len(made_off))
        lamp_at.append(-1)
        rating.append(cable.rating * min((shares[edge] for edge in piece.edges if edge in shares), default=1.0))
        cable_price += length * cable.price_per_m
        for node in (piece.nodes[0], end):
            cables_at[node] = cables_at.get(node, 0) + 1
    types = tuple(job.lamps[site.survey.lamps[lamp].type] for lamp in circuit.lamps)
    ways_at = dict(cables_at)
    for index, (lead, lamp_type) in enumerate(zip(circuit.leads, types, strict=True)):
        arc = graph.leads[lead]
        if lamp_type.terminals and cable.area_mm2 > lamp_type.terminal_mm2 + 1e-9:
            return None
        parent.append(node_of[arc.node])
        buried.append(0.0 if lamp_type.terminals else lamp_type.lead_ohm(20.0, arc.extension_m))
        sun.append(0.0)
        contact.append(0.0 if lamp_type.terminals else job.joints.end_ohm * (3 if arc.extension_m else 1))
        lamp_at.append(index)
        rating.append(math.inf)
        ways_at[arc.node] = ways_at.get(arc.node, 0) + (0 if lamp_type.terminals else 1)
    if any(not _has_kit(job, ways_at[n], cable, types) for n in node_of if node_of[n] and graph.post_lamp[n] < 0):
        return None
    if any(count > 2 for node, count in cables_at.items() if graph.post_lamp[node] >= 0):
        return None
    tree = CircuitTree(np.array(parent), np.array(buried), np.array(sun), np.array(contact), np.array(lamp_at), types)
    state = solve_driver(driver, [tree], [circuit.tap_v], job.voltage)
    if state.collapsed:
        return None
    protection = protect(
        driver,
        state.circuits[0].amps,
        [value for value in rating[1:] if math.isfinite(value)],
        far_end_short_a(driver, circuit.tap_v, tree, job.voltage)[1:],
        [(lamp_type.lead_mm2, lamp_type.lead_rating) for lamp_type in types if not lamp_type.terminals],
        job.fuses,
    )
    supply = job.supply(site.survey.supplies[circuit.supply].name)
    if driver_breaches(
        driver, state, [tree], [circuit.tap_v], [np.array(rating)], [protection], supply, job.voltage, job.rules
    ):
        return None
    own = tuple(edge for piece in circuit.pieces for edge in piece.edges if graph.sleeve[edge] >= 0)
    circuit = replace(circuit, fuse_a=protection.fuse_a)
    return Fed(circuit, state.amps, state.load_va, cable_price, own)


def _bunching(site: Site, circuit: Circuit, sleeves: Sequence[int]) -> dict[int, float]:
    """Rating factor of each sleeve's edge by the cables in it; the whole layout is judged again by the check."""
    factors = site.job.rules.bunched
    counts = {edge: max(list(sleeves).count(edge) + site.in_sleeve.get(edge, 0), 1) for edge in set(sleeves)}
    for edge in {edge for piece in circuit.pieces for edge in piece.edges if site.graph.sleeve[edge] >= 0}:
        counts.setdefault(edge, 1)
    return {edge: factors[min(count, len(factors)) - 1] for edge, count in counts.items()}


def _has_kit(job: Job, ways: int, cable: Cable, types: Sequence[LampType]) -> bool:
    sizes = [cable.area_mm2, *(t.lead_mm2 for t in types if not t.terminals)]

    def takes(kit: Kit) -> bool:
        return kit.max_ways >= ways and kit.min_mm2 <= min(sizes) and max(sizes) <= kit.max_mm2

    return any(takes(kit) for kit in job.joints.kits.values())
