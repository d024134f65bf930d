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
from ..ground.graph import NodeKind
from ..job import Job
from ..survey.model import Place, Survey
from .laying import Laid, LaidCable, length_of, without_repeats
from .lines import Line, rounded


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


def dig(job: Job, survey: Survey, ground: Ground, laid: Laid) -> list[Dug]:
    """All trenches of the laid cables, in a stable order."""
    cables, lines = laid.cables, laid.lines
    in_edge: dict[int, list[tuple[float, float, int]]] = {}
    for i, cable in enumerate(cables):
        for span in cable.spans:
            in_edge.setdefault(span.edge, []).append((span.frm, span.to, i))
    parts: list[Dug] = []
    pays = _pays(ground, lines)
    for edge, spans in sorted(in_edge.items()):
        if edge in lines:
            parts.extend(_parts(ground, lines[edge], pays[edge], spans, cables))
        else:
            parts.append(_apart(job, survey, ground, edge, tuple(sorted({i for _, _, i in spans}))))
    strung = _string(parts)
    for trench in strung:
        trench.length_m = length_of(trench.route)
        if trench.sleeve >= 0:
            trench.price = round(len(trench.cables) * survey.sleeves[trench.sleeve].pull_price, 2)
        else:
            setting = job.grounds[trench.ground]
            trench.price = round(trench.length_m * (setting.per_m or 0.0) + trench.borders * setting.crossing / 2, 2)
    return strung


def _pays(ground: Ground, lines: dict[int, Line]) -> dict[int, tuple[bool, bool]]:
    """Whether the two ends of each line pay half a crossing."""
    if not lines:
        return {}
    land = ground.land
    ends = np.array([line.ends[:, :2] for line in lines.values()])
    first, last = (np.array([land.names.index(line.stretches[k].ground) for line in lines.values()]) for k in (0, -1))
    pays = zip(land.on_border(ends[:, 0], first), land.on_border(ends[:, 1], last), strict=True)
    return {edge: (bool(a), bool(b)) for edge, (a, b) in zip(lines, pays, strict=True)}


def _apart(job: Job, survey: Survey, ground: Ground, edge: int, who: tuple[int, ...]) -> Dug:
    """The trench of a sleeve or a stub."""
    graph, land = ground.graph, ground.land
    u, v = (int(node) for node in graph.ends[edge])
    a, b = rounded(graph.xyz[u]), rounded(graph.xyz[v])
    if graph.sleeve[edge] >= 0:
        sleeve = survey.sleeves[int(graph.sleeve[edge])]
        route = [rounded(place) for place in sleeve.route]
        if route[0][:2] != a[:2]:
            route.reverse()
        route[0], route[-1] = a, b
        return Dug("sleeve", 0.0, route, who, int(graph.sleeve[edge]), False, 0)
    foot = graph.xyz[v if int(graph.kind[u]) != NodeKind.FOOT else u]
    name = land.names[int(land.ground_at(foot[None, :2])[0])]
    return Dug(name, job.grounds[name].depth_mm, [a, b], who, -1, True, 0)


def _parts(
    ground: Ground,
    line: Line,
    pays: tuple[bool, bool],
    spans: list[tuple[float, float, int]],
    cables: Sequence[LaidCable],
) -> list[Dug]:
    """The trenches of a straight line, cut where its ground and where its set of cables changes."""
    land, stretches = ground.land, line.stretches
    parts: list[Dug] = []
    for k, stretch in enumerate(stretches):
        frm, to = stretch.frm, stretch.to
        marks = sorted({frm, to, *(m for s in spans for m in s[:2] if frm + 1e-9 < m < to - 1e-9)})
        pays_a = pays[0] if k == 0 else not land.no_dig[land.names.index(stretches[k - 1].ground)]
        pays_b = pays[1]
        if k < len(stretches) - 1:
            pays_b = not land.no_dig[land.names.index(stretches[k + 1].ground)]
        for m, (lo, hi) in enumerate(itertools.pairwise(marks)):
            middle = (lo + hi) / 2
            who = tuple(sorted({i for f, t, i in spans if f <= middle <= t}))
            if not who:
                continue
            ends = [line.place(share) for share in (lo, hi)]
            for share_idx, share in enumerate((lo, hi)):  # straight joints stand where the cable's own route says
                at_joint = frm + 1e-9 < share < to - 1e-9
                near = _station_near(ends[share_idx], who, cables) if at_joint else None
                ends[share_idx] = near or ends[share_idx]
            if ends[0] == ends[1]:  # a corner of a zone clipped by less than a millimetre
                continue
            route = without_repeats([ends[0], *(line.place(share) for share in line.bends(lo, hi)), ends[1]])
            borders = (pays_a and m == 0) + (pays_b and m == len(marks) - 2)
            parts.append(Dug(stretch.ground, stretch.depth_mm, route, who, -1, False, int(borders)))
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
