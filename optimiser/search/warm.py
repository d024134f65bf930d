"""Begin from layouts found for a like job. In: layouts with their graphs and names, this job's ground. Out: states.

A layout is carried over by the places of its nodes and by names, not by their numbers, so it may come from a job with
another ground, other drivers or other cables. Its places go into this job's ground graph with the lines between them.
Then it is either taken just as it was, piece by piece (``layout_on``), or each circuit is priced anew with this job's
gauges and limits (``warm_states``); lamps of circuits that do not hold here are hung anew.
"""

from __future__ import annotations

import itertools
import random
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from ..ground import Ground, refine
from ..ground.graph import GroundGraph
from ..job import Job
from ..survey.model import Survey
from .circuit import Fed
from .graft import Draft, recreate
from .layout import Circuit, DriverUse, Layout, Piece
from .pieces import feed_pieces
from .state import Bench, State

SAME_PLACE_M = 0.0015
"""Refining takes a node within a millimetre instead of a new one."""


@dataclass(frozen=True)
class Carried:
    """One circuit by names; ``pieces`` and ``joints`` hold nodes of the graph it was found on."""

    supply: str
    model: str
    tap_v: float
    pieces: tuple[tuple[str, tuple[int, ...]], ...]
    """Cable, and nodes from the driver's side: cables of one circuit may lie side by side."""
    joints: dict[str, int]
    """The joint's node of each lamp."""
    fuse_a: float | None


@dataclass(frozen=True, eq=False)
class Warm:
    """
    One layout to begin from, told apart from the graph it was found on.

    Attributes
    ----------
    circuits
        In the layout's order.
    drivers
        Supply point, model, numbers of circuits.
    at
        Place in m and kind of the nodes used, by node.
    """

    circuits: tuple[Carried, ...]
    drivers: tuple[tuple[str, str, tuple[int, ...]], ...]
    at: dict[int, tuple[float, float, int]]


def carry(job: Job, survey: Survey, graph: GroundGraph, layout: Layout) -> Warm:
    """A layout as a start for another search."""
    models, cables = list(job.drivers), list(job.cables)
    circuits = []
    used: set[int] = set()
    for circuit in layout.circuits:
        joints = {
            survey.lamps[lamp].name: graph.leads[arc].node
            for lamp, arc in zip(circuit.lamps, circuit.leads, strict=True)
        }
        pieces = tuple((cables[piece.cable], piece.nodes) for piece in circuit.pieces)
        used.update(joints.values(), *(nodes for _, nodes in pieces))
        supply, model = survey.supplies[circuit.supply].name, models[circuit.model]
        circuits.append(Carried(supply, model, circuit.tap_v, pieces, joints, circuit.fuse_a))
    drivers = tuple((survey.supplies[use.supply].name, models[use.model], use.circuits) for use in layout.drivers)
    at = {}
    for v in sorted(used):
        at[v] = (round(float(graph.xyz[v, 0]), 3), round(float(graph.xyz[v, 1]), 3), int(graph.kind[v]))
    return Warm(tuple(circuits), drivers, at)


class _Nodes:
    """Nodes of a graph by place: of several at one place that of the kind asked for, if there is one."""

    def __init__(self, graph: GroundGraph) -> None:
        from scipy.spatial import cKDTree

        self._xy, self._kind = graph.xyz[:, :2], graph.kind
        self._near = cKDTree(self._xy)

    def find(self, place: tuple[float, float, int]) -> int | None:
        x, y, kind = place
        found = self._near.query_ball_point((x, y), SAME_PLACE_M)
        away = [(int(self._kind[v]) != kind, float(np.hypot(*(self._xy[v] - (x, y)))), int(v)) for v in found]
        return min(away)[2] if away else None

    def of(self, warm: Warm) -> dict[int, int | None]:
        return {v: self.find(place) for v, place in warm.at.items()}


def with_places(ground: Ground, warm: Sequence[Warm]) -> Ground:
    """The ground graph with the places and lines of these layouts, as far as the ground allows them."""
    for one in warm:
        number = {v: i for i, v in enumerate(one.at)}
        old = _Nodes(ground.graph).of(one)
        lines: list[tuple[int, int]] = []
        pairs = {pair for c in one.circuits for _, nodes in c.pieces for pair in itertools.pairwise(nodes)}
        for a, b in sorted({(min(pair), max(pair)) for pair in pairs}):
            for point, other in ((a, b), (b, a)):  # a line is wanted of a new node, whichever of the two that is
                there = old[other]
                lines.append((number[point], there if there is not None else -1 - number[other]))
        ground = refine(ground, np.array([place[:2] for place in one.at.values()], dtype=float).reshape(-1, 2), lines)
    return ground


def layout_on(job: Job, survey: Survey, graph: GroundGraph, warm: Warm) -> Layout | None:
    """
    The layout piece by piece as it was, gauges and all, on this job's graph; nothing of its limits is judged.

    None where the graph lacks a place, line or lead of it, or the job a lamp, supply point, driver, tap or cable.
    """
    names = _Names(job, survey)
    nodes = _Nodes(graph).of(warm)
    edge_of = {(min(u, v), max(u, v)): e for e, (u, v) in reversed(list(enumerate(graph.ends.tolist())))}
    lead_of = {(arc.lamp, arc.node): i for i, arc in reversed(list(enumerate(graph.leads)))}
    circuits: list[Circuit] = []
    try:
        for one in warm.circuits:
            model = names.models[one.model]
            if one.tap_v not in job.drivers[one.model].taps_v:
                return None
            pieces = []
            for cable, walk in one.pieces:
                here = [_there(nodes[v]) for v in walk]
                edges = tuple(edge_of[min(u, v), max(u, v)] for u, v in itertools.pairwise(here))
                pieces.append(Piece(names.cables[cable], tuple(here), edges))
            leads = {names.lamps[lamp]: lead_of[names.lamps[lamp], _there(nodes[v])] for lamp, v in one.joints.items()}
            lamps = tuple(sorted(leads))
            arcs = tuple(leads[lamp] for lamp in lamps)
            supply = names.supplies[one.supply]
            circuits.append(Circuit(supply, model, one.tap_v, lamps, arcs, tuple(pieces), one.fuse_a))
        drivers = tuple(DriverUse(names.supplies[s], names.models[m], members) for s, m, members in warm.drivers)
    except KeyError:
        return None
    if {lamp for circuit in circuits for lamp in circuit.lamps} != set(range(len(survey.lamps))):
        return None
    return Layout(drivers, tuple(circuits))


def _there(node: int | None) -> int:
    if node is None:
        raise KeyError
    return node


class _Names:
    """Numbers by name in one job."""

    def __init__(self, job: Job, survey: Survey) -> None:
        self.supplies = {point.name: i for i, point in enumerate(survey.supplies)}
        self.models = {name: i for i, name in enumerate(job.drivers)}
        self.cables = {name: i for i, name in enumerate(job.cables)}
        self.lamps = {lamp.name: i for i, lamp in enumerate(survey.lamps)}


def warm_states(bench: Bench, job: Job, survey: Survey, warm: Sequence[Warm], rng: random.Random) -> list[State]:
    """Each layout as a state of this job in its cheapest set of gauges, lamps that lost their circuit hung anew."""
    states = []
    names, nodes_of = _Names(job, survey), _Nodes(bench.facts.graph)
    for one in warm:
        nodes = nodes_of.of(one)
        tries = [s for palette in bench.facts.palettes for s in _in_palette(bench, names, nodes, one, palette, rng)]
        if tries:
            states.append(min(tries, key=lambda state: state.cost))
    return states


def _in_palette(
    bench: Bench,
    names: _Names,
    nodes: dict[int, int | None],
    warm: Warm,
    palette: tuple[int, ...],
    rng: random.Random,
) -> list[State]:
    every = frozenset(range(bench.facts.num_lamps))
    bench.palette = palette
    fed = [_fed(bench, names, nodes, circuit) for circuit in warm.circuits]
    kept = [one for one in fed if one is not None]
    missing = every.difference(*(one.leads for one in kept))
    whole = bench.compose(kept, missing)
    if whole is None:  # too many drivers, or a sleeve too full: begin with the circuit of most lamps
        kept = sorted(kept, key=lambda one: -len(one.leads))[:1]
        missing = every.difference(*(one.leads for one in kept))
        whole = bench.compose(kept, missing)
    if whole is None:
        return []
    if not missing:
        return [whole]
    hung = recreate(bench, Draft(list(kept), bench.use_of(kept), 0.0, set(missing)), rng)
    return [whole] if hung is None else [hung]


def _fed(bench: Bench, names: _Names, nodes: dict[int, int | None], circuit: Carried) -> Fed | None:
    """One circuit at this job's prices and limits, on its own tap where that holds; None where it does not hold."""
    facts, ways = bench.facts, bench.ways
    if circuit.supply not in names.supplies or circuit.model not in names.models:
        return None
    walks: list[tuple[int, ...]] = []
    for _, walk in circuit.pieces:
        here = [nodes[v] for v in walk]
        if any(u is None or v is None or not ways.has_edge(u, v) for u, v in itertools.pairwise(here)):
            return None
        walks.append(tuple(v for v in here if v is not None))
    leads: dict[int, int] = {}
    at_piece: dict[int, int] = {}
    far = {walk[-1]: i for i, walk in enumerate(walks)}
    for name, node in circuit.joints.items():
        at, lamp = nodes[node], names.lamps.get(name)
        if at is None or lamp is None or at not in far or not ways.has_lead(lamp, at):
            return None
        leads[lamp], at_piece[lamp] = ways.lead_between(lamp, at), far[at]
    above = [far.get(walk[0], -1) for walk in walks]
    supply = names.supplies[circuit.supply]
    feeds = [f for f in bench.feeds if facts.feeds[f].model == names.models[circuit.model]]
    feeds.sort(key=lambda f: (facts.feeds[f].tap_v != circuit.tap_v, facts.feeds[f].tap_v))
    made = (feed_pieces(bench, supply, f, bench.palette, walks, above, leads, at_piece) for f in feeds)
    return next((one for one in made if one is not None), None)
