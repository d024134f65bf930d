"""Trenches as they are dug: one ground, one set of cables, no fork inside. In: laid cables. Out: Dug trenches, priced.

Every edge of the ground graph that holds a cable is cut where its ground changes and where its set of cables does; the
parts are then strung together wherever exactly two meet that agree in ground, cables and kind.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from ..ground import Ground
from ..ground.zones import LinePiece
from ..job import Job
from ..survey.model import Place, Survey
from .laying import LaidCable, length_of


@dataclass
class Dug:
    """One trench; ``cables`` are positions in the list of laid cables."""

    ground: str
    depth_mm: float
    route: list[Place]
    cables: tuple[int, ...]
    sleeve: int
    stub: bool
    borders: int
    """How many of its places pay half a crossing."""
    length_m: float = 0.0
    price: float = 0.0


def dig(job: Job, survey: Survey, ground: Ground, cables: Sequence[LaidCable]) -> list[Dug]:
    """All trenches of the laid cables, in a stable order."""
    in_edge: dict[int, list[tuple[float, float, int]]] = {}
    for i, cable in enumerate(cables):
        for span in cable.spans:
            in_edge.setdefault(span.edge, []).append((span.frm, span.to, i))
    parts: list[Dug] = []
    lines = _lines_of(ground, sorted(in_edge))
    for edge in sorted(in_edge):
        parts.extend(_parts(job, survey, ground, edge, in_edge[edge], cables, lines.get(edge)))
    strung = _string(parts)
    for trench in strung:
        trench.length_m = length_of(trench.route)
        if trench.sleeve >= 0:
            trench.price = round(len(trench.cables) * survey.sleeves[trench.sleeve].pull_price, 2)
        else:
            setting = job.grounds[trench.ground]
            trench.price = round(trench.length_m * (setting.per_m or 0.0) + trench.borders * setting.crossing / 2, 2)
    return strung


@dataclass(frozen=True)
class _Line:
    """A straight trench: its pieces, one for each ground, and whether its two ends pay half a crossing."""

    pieces: list[LinePiece]
    first_pays: bool
    last_pays: bool


def _lines_of(ground: Ground, edges: Sequence[int]) -> dict[int, _Line]:
    """All edges that are neither sleeves nor stubs, cut at once."""
    graph, land = ground.graph, ground.land
    straight = [e for e in edges if graph.sleeve[e] < 0 and not graph.stub[e]]
    if not straight:
        return {}
    a, b = graph.xyz[graph.ends[straight, 0]], graph.xyz[graph.ends[straight, 1]]
    split = land.split_lines(a, b)
    first, last = (np.array([land.names.index(pieces[k].ground) for pieces in split]) for k in (0, -1))
    first_pays, last_pays = land.on_border(a[:, :2], first), land.on_border(b[:, :2], last)
    return {
        edge: _Line(pieces, bool(pays_a), bool(pays_b))
        for edge, pieces, pays_a, pays_b in zip(straight, split, first_pays, last_pays, strict=True)
    }


def _parts(
    job: Job,
    survey: Survey,
    ground: Ground,
    edge: int,
    spans: list[tuple[float, float, int]],
    cables: Sequence[LaidCable],
    line: _Line | None,
) -> list[Dug]:
    graph, land = ground.graph, ground.land
    u, v = (int(node) for node in graph.ends[edge])
    a, b = _place(graph.xyz[u]), _place(graph.xyz[v])
    if graph.sleeve[edge] >= 0:
        sleeve = survey.sleeves[int(graph.sleeve[edge])]
        route = [_place(np.array(p)) for p in sleeve.route]
        if route[0][:2] != a[:2]:
            route.reverse()
        route[0], route[-1] = a, b
        who = tuple(sorted({i for _, _, i in spans}))
        return [Dug("sleeve", 0.0, route, who, int(graph.sleeve[edge]), False, 0)]
    if graph.stub[edge]:
        foot = graph.xyz[v if int(graph.kind[u]) != 1 else u]
        name = land.names[int(land.ground_at(foot[None, :2])[0])]
        who = tuple(sorted({i for _, _, i in spans}))
        return [Dug(name, job.grounds[name].depth_mm, [a, b], who, -1, True, 0)]
    assert line is not None
    pieces = line.pieces
    total = float(np.linalg.norm(graph.xyz[v] - graph.xyz[u])) or 1.0
    parts: list[Dug] = []
    gone = 0.0
    for k, piece in enumerate(pieces):
        here = float(np.linalg.norm(np.subtract(piece.b, piece.a))) / total
        frm, to = gone, (1.0 if k == len(pieces) - 1 else gone + here)
        gone = to
        marks = sorted({frm, to, *(m for s in spans for m in s[:2] if frm + 1e-9 < m < to - 1e-9)})
        pays_a = k > 0 and not land.no_dig[land.names.index(pieces[k - 1].ground)]
        pays_b = k < len(pieces) - 1 and not land.no_dig[land.names.index(pieces[k + 1].ground)]
        if k == 0:
            pays_a = line.first_pays
        if k == len(pieces) - 1:
            pays_b = line.last_pays
        for m, (lo, hi) in enumerate(itertools.pairwise(marks)):
            middle = (lo + hi) / 2
            who = tuple(sorted({i for f, t, i in spans if f <= middle <= t}))
            if not who:
                continue
            ends = [_at(graph.xyz[u], graph.xyz[v], share) for share in (lo, hi)]
            for share_idx, share in enumerate((lo, hi)):  # straight joints stand where the cable's own route says
                at_joint = frm + 1e-9 < share < to - 1e-9
                near = _station_near(ends[share_idx], who, cables) if at_joint else None
                ends[share_idx] = near or ends[share_idx]
            if ends[0] == ends[1]:  # a corner of a zone clipped by less than a millimetre
                continue
            borders = (pays_a and m == 0) + (pays_b and m == len(marks) - 2)
            parts.append(Dug(piece.ground, piece.depth_mm, ends, who, -1, False, int(borders)))
    return parts


def _station_near(place: Place, who: tuple[int, ...], cables: Sequence[LaidCable]) -> Place | None:
    for i in who:
        for end in (cables[i].route[0], cables[i].route[-1]):
            if max(abs(end[0] - place[0]), abs(end[1] - place[1])) < 0.0025:
                return end
    return None


def _string(parts: list[Dug]) -> list[Dug]:
    """Parts strung together where two and only two meet that agree; the rest as they are."""
    meets: dict[Place, list[int]] = {}
    for i, part in enumerate(parts):
        meets.setdefault(part.route[0], []).append(i)
        meets.setdefault(part.route[-1], []).append(i)
    used = [False] * len(parts)

    def mate(i: int, place: Place) -> int:
        here = meets[place]
        if len(here) != 2 or here[0] == here[1]:
            return -1
        other = here[0] if here[1] == i else here[1]
        a, b = parts[i], parts[other]
        same = (a.ground, a.depth_mm, a.cables) == (b.ground, b.depth_mm, b.cables)
        return other if same and not used[other] and a.sleeve < 0 > b.sleeve and not (a.stub or b.stub) else -1

    strung: list[Dug] = []
    for i, part in enumerate(parts):
        if used[i]:
            continue
        used[i] = True
        route, borders = list(part.route), part.borders
        for forward in (True, False):
            at = i
            while True:
                end = route[-1] if forward else route[0]
                at = mate(at, end)
                if at < 0:
                    break
                used[at] = True
                more = parts[at].route if parts[at].route[0] == end else parts[at].route[::-1]
                route = route + more[1:] if forward else more[::-1][:-1] + route
                borders += parts[at].borders
        strung.append(Dug(part.ground, part.depth_mm, route, part.cables, part.sleeve, part.stub, borders))
    return strung


def _at(a: np.ndarray, b: np.ndarray, share: float) -> Place:
    return _place(a + (b - a) * share)


def _place(xyz: np.ndarray) -> Place:
    x, y, z = (round(float(c), 3) + 0.0 for c in xyz)
    return x, y, z
