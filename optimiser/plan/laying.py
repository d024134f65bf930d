"""Cables as they are laid and cut: routes in metres, straight joints where a reel ends, uncut runs. In: Layout. Out:
Laid.

A *station* is a joint of one circuit: a graph node, or a place on a long piece's route where a straight joint is made
because no reel is long enough. Everything is rounded to the millimetre here, so that what follows computes with what
is printed.
"""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass, field

import numpy as np

from ..ground import Ground
from ..job import Job
from ..search.layout import Circuit, Layout
from ..survey.model import Place, Survey
from .lines import Line, lines_of, rounded

LEAST_CUT_M = 0.5
"""No straight joint is made nearer to the end of its piece."""

Station = tuple[int, int, int]
"""(circuit, graph node, 0), or (circuit, piece of the layout, k >= 1) for the k-th straight joint of that piece."""


class CannotLay(Exception):
    """A long piece has no place for a joint where it needs one."""


@dataclass(frozen=True)
class Span:
    """Part of a graph edge that a cable lies in: shares ``frm`` < ``to`` of it, counted from its lower node."""

    edge: int
    frm: float
    to: float
    back: bool = False
    """Whether the cable runs from ``to`` to ``frm``."""


@dataclass
class LaidCable:
    """One cable as cut."""

    circuit: int
    cable: int
    start: Station | None
    """None at the driver."""
    end: Station
    route: list[Place]
    spans: list[Span]
    route_m: float
    sun_m: float
    above: int
    """Index of the cable upstream in the same list, -1 at the driver."""
    run: int = -1
    through_start: bool = False
    """Goes through its first joint uncut."""
    through_end: bool = False
    cut_m: float = 0.0


@dataclass
class Laid:
    cables: list[LaidCable]
    place: dict[Station, Place]
    leads_at: dict[Station, list[int]] = field(default_factory=dict)
    """Lamps whose leads end at each station."""
    lines: dict[int, Line] = field(default_factory=dict)
    """How the edges in use lie on the ground, sleeves and stubs apart."""


def lay(job: Job, survey: Survey, ground: Ground, layout: Layout) -> Laid:
    """
    Lay every piece of a layout.

    Raises
    ------
    CannotLay
        A piece longer than its longest reel crosses no ground on which the joint it needs may stand.
    """
    used = {edge for circuit in layout.circuits for piece in circuit.pieces for edge in piece.edges}
    laid = Laid([], {}, lines=lines_of(ground, sorted(used)))
    for circuit_idx, circuit in enumerate(layout.circuits):
        _lay_circuit(job, survey, ground, circuit_idx, circuit, laid)
    if job.joints.method == "tap":
        _join_runs(job, survey, layout, laid)
    for cable in laid.cables:
        cable.cut_m = cut_length(job, survey, layout, cable)
    return laid


def cut_length(job: Job, survey: Survey, layout: Layout, cable: LaidCable) -> float:
    """Route with slack and both ends, rounded up to 0.1 m."""
    ends = 0.0
    if cable.start is None:
        ends += job.driver_end_m(survey.supplies[layout.circuits[cable.circuit].supply].name)
    elif not cable.through_start:
        ends += job.slack.joint_end_m
    if not cable.through_end:
        ends += job.slack.joint_end_m
    return round(math.ceil((cable.route_m * (1 + job.slack.per_cent / 100) + ends) * 10 - 1e-6) / 10, 1)


def length_of(route: list[Place]) -> float:
    """Length of a line of places along the slope, in whole millimetres."""
    return round(float(np.linalg.norm(np.diff(np.array(route), axis=0), axis=1).sum()), 3)


def _lay_circuit(job: Job, survey: Survey, ground: Ground, circuit_idx: int, circuit: Circuit, laid: Laid) -> None:
    graph = ground.graph
    root = int(graph.supply_node[circuit.supply])
    last_at: dict[int, int] = {}  # graph node -> index of the cable that ends there
    for piece_idx, piece in enumerate(circuit.pieces):
        cable = list(job.cables.values())[piece.cable]
        start_node, end_node = piece.nodes[0], piece.nodes[-1]
        at_driver = start_node == root
        walk, spans = _walk(survey, ground, piece.nodes, piece.edges, laid.lines)
        first_end = job.driver_end_m(survey.supplies[circuit.supply].name) if at_driver else job.slack.joint_end_m
        cuts = _straight_joints(job, ground, walk, spans, first_end, cable.longest_reel_m)
        start: Station | None = None if at_driver else (circuit_idx, start_node, 0)
        above = -1 if at_driver else last_at[start_node]
        marks = [0, *cuts, len(walk) - 1]
        for k, (i, j) in enumerate(itertools.pairwise(marks), start=1):
            end: Station = (circuit_idx, end_node, 0) if j == len(walk) - 1 else (circuit_idx, piece_idx, k)
            laid.place[end] = walk[j]
            route = without_repeats(walk[i : j + 1])
            laid.cables.append(
                LaidCable(
                    circuit_idx,
                    piece.cable,
                    start,
                    end,
                    route,
                    _merged(spans[i:j]),
                    length_of(route),
                    round(sum(_sun_m(ground, span, laid.lines) for span in spans[i:j]), 3),
                    above,
                )
            )
            above, start = len(laid.cables) - 1, end
        last_at[end_node] = above
    for lamp, arc in zip(circuit.lamps, circuit.leads, strict=True):
        laid.leads_at.setdefault((circuit_idx, graph.leads[arc].node, 0), []).append(lamp)


def _walk(
    survey: Survey, ground: Ground, nodes: tuple[int, ...], edges: tuple[int, ...], lines: dict[int, Line]
) -> tuple[list[Place], list[Span]]:
    """Places along the route, and the span of graph edge between each and the next."""
    graph = ground.graph
    walk: list[Place] = [rounded(graph.xyz[nodes[0]])]
    spans: list[Span] = []
    for u, v, edge in zip(nodes, nodes[1:], edges, strict=False):
        up = int(graph.ends[edge][0]) == u
        if graph.sleeve[edge] >= 0:
            route = list(survey.sleeves[int(graph.sleeve[edge])].route)
            places = [rounded(p) for p in (route if rounded(route[0])[:2] == walk[-1][:2] else route[::-1])]
            places[0], places[-1] = walk[-1], rounded(graph.xyz[v])
            shares = [i / (len(places) - 1) for i in range(len(places))]
        else:
            bends = lines[edge].bends(0.0, 1.0) if edge in lines else []
            places = [lines[edge].place(share) for share in bends]
            shares = [0.0, *bends, 1.0]
            if not up:
                places, shares = places[::-1], [1 - share for share in reversed(shares)]
            places = [walk[-1], *places, rounded(graph.xyz[v])]
        for i, (a, b) in enumerate(itertools.pairwise(shares)):
            spans.append(Span(edge, a, b) if up else Span(edge, 1 - b, 1 - a, back=True))
            walk.append(places[i + 1])
    return walk, spans


def _sun_m(ground: Ground, span: Span, lines: dict[int, Line]) -> float:
    """Metres of a span that lie on the surface."""
    whole = float(ground.graph.sun_m[span.edge])
    if whole == 0 or (span.frm, span.to) == (0.0, 1.0):
        return whole
    line = lines[span.edge]  # stubs are laid whole, and sleeves are nowhere on the surface
    parts = [(max(span.frm, on.frm), min(span.to, on.to)) for on in line.stretches if on.depth_mm == 0]
    return sum(line.length_m(frm, to) for frm, to in parts if frm < to)


def _straight_joints(
    job: Job, ground: Ground, walk: list[Place], spans: list[Span], first_end: float, reel_m: float
) -> list[int]:
    """
    Positions in ``walk`` of the joints that a route longer than a reel needs; new places are inserted into walk and
    spans.

    Each cut is as long as the reel and the ground allow.
    """
    slack, joint_end = 1 + job.slack.per_cent / 100, job.slack.joint_end_m

    def longest(near_end: float) -> float:
        return (math.floor(reel_m * 10 + 1e-6) / 10 - near_end - joint_end) / slack - 0.002

    cuts: list[int] = []
    begin, near_end = 0, first_end
    while (whole := length_of(walk[begin:])) > longest(near_end):
        most = longest(near_end)
        best: tuple[float, int, Place] | None = None  # distance, segment, place
        gone = 0.0
        for i in range(begin, len(walk) - 1):
            a, b = np.array(walk[i]), np.array(walk[i + 1])
            seg = float(np.linalg.norm(b - a))
            if ground.graph.sleeve[spans[i].edge] < 0 and not ground.graph.stub[spans[i].edge]:
                reach = min(seg, most - gone)
                if reach > 0:
                    shares = np.linspace(0, reach / seg, max(2, int(reach / 0.2) + 1)) if seg > 0 else np.zeros(1)
                    places = np.round(a + (b - a) * shares[:, None], 3)
                    along = gone + shares * seg
                    clear = (along > LEAST_CUT_M) & (along < whole - LEAST_CUT_M)
                    good = np.flatnonzero(ground.land.may_joint(places[:, :2]) & clear)
                    if len(good):
                        share = float(shares[good[-1]])
                        best = (gone + share * seg, i, rounded(places[good[-1]]))
            gone += seg
            if gone > most:
                break
        if best is None:
            raise CannotLay(
                f"no place for a straight joint within {most:.1f} m of ({walk[begin][0]:g}, {walk[begin][1]:g})"
            )
        _, i, place = best
        begin = _insert(walk, spans, i, place)
        cuts.append(begin)
        near_end = joint_end
    return cuts


def _insert(walk: list[Place], spans: list[Span], i: int, place: Place) -> int:
    """Put a place on segment i of a walk; returns its position."""
    if place == walk[i]:
        return i
    if place == walk[i + 1]:
        return i + 1
    share = float(np.linalg.norm(np.subtract(place, walk[i])) / np.linalg.norm(np.subtract(walk[i + 1], walk[i])))
    span = spans[i]
    middle = span.frm + (1 - share if span.back else share) * (span.to - span.frm)
    halves = [Span(span.edge, span.frm, middle, span.back), Span(span.edge, middle, span.to, span.back)]
    walk.insert(i + 1, place)
    spans[i : i + 1] = halves[::-1] if span.back else halves
    return i + 1


def _join_runs(job: Job, survey: Survey, layout: Layout, laid: Laid) -> None:
    """Leave the trunk uncut through joints: it goes on into the same gauge's child with the most watts below."""
    types = job.lamps
    below_w = [0.0] * len(laid.cables)
    kids: dict[int, list[int]] = {}
    for i, cable in enumerate(laid.cables):
        kids.setdefault(cable.above, []).append(i)
        below_w[i] += sum(types[survey.lamps[lamp].type].watts for lamp in laid.leads_at.get(cable.end, ()))
    for i in range(len(laid.cables) - 1, -1, -1):
        if laid.cables[i].above >= 0:
            below_w[laid.cables[i].above] += below_w[i]
    reels = [cable.longest_reel_m for cable in job.cables.values()]
    length: dict[int, float] = {}
    for i, cable in enumerate(laid.cables):
        if cable.run < 0:
            cable.run = i
            length[i] = cut_length(job, survey, layout, cable)
        post = any(types[survey.lamps[lamp].type].terminals for lamp in laid.leads_at.get(cable.end, ()))
        if cable.end[2] > 0 or post:  # a straight joint is a cut; a post's terminals are another
            continue
        for k in sorted(kids.get(i, ()), key=lambda k: -below_w[k]):
            child = laid.cables[k]
            more = cut_length(job, survey, layout, child)
            if child.cable == cable.cable and length[cable.run] + more <= reels[cable.cable]:
                child.run, child.through_start, cable.through_end = cable.run, True, True
                length[cable.run] += more
                break
    shared = {cable.run for cable in laid.cables if cable.through_start}
    for cable in laid.cables:
        if cable.run not in shared:
            cable.run = -1


def _merged(spans: list[Span]) -> list[Span]:
    """Neighbouring spans of one edge as one."""
    merged: list[Span] = []
    for span in spans:
        if merged and merged[-1].edge == span.edge:
            merged[-1] = Span(span.edge, min(merged[-1].frm, span.frm), max(merged[-1].to, span.to), span.back)
        else:
            merged.append(span)
    return merged


def without_repeats(route: list[Place]) -> list[Place]:
    """A route without places that are the same as the one before; at least its two ends."""
    kept = [route[0]]
    for place in route[1:]:
        if place != kept[-1]:
            kept.append(place)
    return kept if len(kept) > 1 else [route[0], route[-1]]
