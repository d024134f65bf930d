"""Cables side by side in their trenches. In: Plan, Sheet. Out: bands (trenches) and strands (cables), in mm.

Cables that share a trench are drawn a pitch apart, in the order of their circuits, and each ends in its joint itself,
so that one sees which cable is joined and which only passes.
"""

from __future__ import annotations

import itertools
import math
from collections import defaultdict
from dataclasses import dataclass

from ..plan.model import CablePlan, Plan, TrenchPlan
from .sheet import Sheet
from .svg import Point

_FULL = 6  # more cables than this in one trench are drawn closer together
_TOUCH_M = 0.006  # rounded coordinates of cable and trench differ by no more


@dataclass(frozen=True)
class Band:
    trench: TrenchPlan
    route: list[Point]
    width: float


@dataclass(frozen=True)
class Stretch:
    """A straight part of a strand within one trench; ``company`` cables lie beside it."""

    start: Point
    end: Point
    offset: float
    company: int

    @property
    def length(self) -> float:
        return math.dist(self.start, self.end)

    def at(self, t: float) -> Point:
        """Point on the line as drawn, 0 at its start, 1 at its end."""
        return _shifted(self, t * self.length)


@dataclass(frozen=True)
class Strand:
    cable: CablePlan
    route: list[Point]
    stretches: list[Stretch]
    """On the trench's middle line; ``offset`` to the left of the way walked."""


@dataclass
class _Side:
    """One straight part of a trench: its ends on the ground, and the direction its slots are counted across."""

    trench: int
    a: Point
    b: Point
    sign: float = 0.0


def lay_strands(plan: Plan, sheet: Sheet, pitch: float) -> tuple[list[Band], list[Strand]]:
    """Bands in the plan's order of trenches, strands in that of cables; ``pitch`` in mm."""
    order = {circuit.id: i for i, circuit in enumerate(plan.circuits)}
    rank = {cable.id: (order.get(cable.circuit, len(order)), i) for i, cable in enumerate(plan.cables)}
    slots: list[dict[str, float]] = []
    sides: dict[str, list[_Side]] = defaultdict(list)
    bands = []
    for t, trench in enumerate(plan.trenches):
        lying = sorted((cable for cable in trench.cables if cable in rank), key=lambda cable: rank[cable])
        apart = pitch * min(1.0, _FULL / max(len(lying), 1))
        slots.append({cable: (i - (len(lying) - 1) / 2) * apart for i, cable in enumerate(lying)})
        bands.append(Band(trench, sheet.route(trench.route), max(len(lying) - 1, 0) * apart + 1.9 * pitch))
        ground = [(place[0], place[1]) for place in trench.route]
        for a, b in itertools.pairwise(ground):
            side = _Side(t, a, b)
            for cable in lying:
                sides[cable].append(side)
    strands = []
    for piece in sorted(plan.cables, key=lambda piece: rank[piece.id]):
        stretches = _stretches(piece, sides[piece.id], slots, sheet)
        strands.append(Strand(piece, _joined(stretches, pitch), stretches))
    return bands, strands


def _stretches(cable: CablePlan, sides: list[_Side], slots: list[dict[str, float]], sheet: Sheet) -> list[Stretch]:
    found: list[Stretch] = []
    ground = [(place[0], place[1]) for place in cable.route]
    for p, q in itertools.pairwise(ground):
        length = math.dist(p, q)
        if length == 0:
            continue
        near = [part for part in sides if _is_along(p, q, part)]
        cuts = {0.0, 1.0}
        for part in near:
            for end in (part.a, part.b):
                t = ((end[0] - p[0]) * (q[0] - p[0]) + (end[1] - p[1]) * (q[1] - p[1])) / length**2
                if _TOUCH_M < t * length < length - _TOUCH_M:
                    cuts.add(t)
        steps = sorted(cuts)
        for t0, t1 in itertools.pairwise(steps):
            middle = _between(p, q, (t0 + t1) / 2)
            side = next((part for part in near if _distance(middle, part.a, part.b) < _TOUCH_M), None)
            start, end = sheet.at(*_between(p, q, t0)), sheet.at(*_between(p, q, t1))
            if side is None:
                found.append(Stretch(start, end, 0.0, 0))
                continue
            along = (q[0] - p[0]) * (side.b[0] - side.a[0]) + (q[1] - p[1]) * (side.b[1] - side.a[1])
            facing = 1.0 if along >= 0 else -1.0
            if side.sign == 0.0:  # the first cable that lies here says which way the slots are counted
                side.sign = facing
            offset = slots[side.trench][cable.id] * facing * side.sign
            found.append(Stretch(start, end, offset, len(slots[side.trench]) - 1))
    return _merged(found)


def _merged(stretches: list[Stretch]) -> list[Stretch]:
    """Stretches in one line with one offset are one."""
    merged: list[Stretch] = []
    for stretch in stretches:
        last = merged[-1] if merged else None
        if (
            last is not None
            and (last.offset, last.company) == (stretch.offset, stretch.company)
            and abs(_turn(last, stretch)) < 0.002
        ):
            merged[-1] = Stretch(last.start, stretch.end, last.offset, last.company)
        else:
            merged.append(stretch)
    return [stretch for stretch in merged if stretch.length > 1e-6]


def _joined(stretches: list[Stretch], pitch: float) -> list[Point]:
    """The line as drawn: shifted stretches with their corners closed, both ends drawn into the joints."""
    if not stretches:
        return []
    first, last = stretches[0], stretches[-1]
    route = [first.start]
    if first.offset:
        route.append(_shifted(first, min(1.2 * pitch, first.length / 3)))
    for here, onward in itertools.pairwise(stretches):
        corner = _corner(here, onward)
        reach = 2.5 * max(abs(here.offset), abs(onward.offset), 0.4 * pitch)
        if corner is not None and math.dist(corner, here.end) <= reach:
            route.append(corner)
        else:
            route.append(_shifted(here, here.length - min(0.6 * pitch, here.length / 3)))
            route.append(_shifted(onward, min(0.6 * pitch, onward.length / 3)))
    if last.offset:
        route.append(_shifted(last, last.length - min(1.2 * pitch, last.length / 3)))
    route.append(last.end)
    return route


def _shifted(stretch: Stretch, along: float) -> Point:
    """Point of the shifted line at a distance from its start."""
    ux, uy = (stretch.end[0] - stretch.start[0]) / stretch.length, (stretch.end[1] - stretch.start[1]) / stretch.length
    return (
        stretch.start[0] + ux * along + uy * stretch.offset,
        stretch.start[1] + uy * along - ux * stretch.offset,
    )


def _corner(here: Stretch, onward: Stretch) -> Point | None:
    """Where the two shifted lines meet; None where they are nearly parallel."""
    turn = _turn(here, onward)
    if abs(turn) < 0.15:
        return None
    p, q = _shifted(here, 0.0), _shifted(onward, 0.0)
    dx, dy = (here.end[0] - here.start[0]) / here.length, (here.end[1] - here.start[1]) / here.length
    ex, ey = (onward.end[0] - onward.start[0]) / onward.length, (onward.end[1] - onward.start[1]) / onward.length
    t = ((q[0] - p[0]) * ey - (q[1] - p[1]) * ex) / turn
    return p[0] + dx * t, p[1] + dy * t


def _turn(here: Stretch, onward: Stretch) -> float:
    """Sine of the angle between two stretches; 2 where the way turns back."""
    if min(here.length, onward.length) < 1e-9:
        return 0.0
    dx, dy = here.end[0] - here.start[0], here.end[1] - here.start[1]
    ex, ey = onward.end[0] - onward.start[0], onward.end[1] - onward.start[1]
    scale = here.length * onward.length
    return 2.0 if dx * ex + dy * ey < -0.999 * scale else (dx * ey - dy * ex) / scale


def _between(p: Point, q: Point, t: float) -> Point:
    return p[0] + (q[0] - p[0]) * t, p[1] + (q[1] - p[1]) * t


def _distance(point: Point, a: Point, b: Point) -> float:
    length2 = (b[0] - a[0]) ** 2 + (b[1] - a[1]) ** 2
    if length2 == 0:
        return math.dist(point, a)
    t = ((point[0] - a[0]) * (b[0] - a[0]) + (point[1] - a[1]) * (b[1] - a[1])) / length2
    return math.dist(point, _between(a, b, min(1.0, max(0.0, t))))


def _is_along(p: Point, q: Point, side: _Side) -> bool:
    """Whether the part of a trench and the part of a cable lie in one line and overlap."""
    ends = [
        _distance(side.a, p, q),
        _distance(side.b, p, q),
        _distance(p, side.a, side.b),
        _distance(q, side.a, side.b),
    ]
    return sorted(ends)[1] < _TOUCH_M
