"""Every place that is pegged out, with a name. In: Plan. Out: PegPlace records.

Drivers and joints have their names in the plan. Other places of trenches (bends, forks, ends, sleeves' ends, changes of
ground) are named here, by number, in the order of the plan's trenches: the same plan gives the same names.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise

from ...plan.model import JointPlan, Plan, TrenchPlan
from ..words import isolated

Key = tuple[float, float]


STRAIGHT_M = 0.01
"""A bend no farther off the straight line needs no peg: half of what a tape strays (``measuring.tape_m``)."""


@dataclass(frozen=True)
class PegPlace:
    name: str
    what: str
    x: float
    y: float
    z: float | None


def peg_places(plan: Plan) -> tuple[list[PegPlace], list[PegPlace], list[PegPlace]]:
    """Drivers; joints and hubs; the other places of trenches."""
    drivers = [PegPlace(one.id, f"driver at {isolated(one.supply)}", one.x, one.y, _driver_z(plan, one.supply))
               for one in plan.drivers]  # fmt: skip
    joints = [PegPlace(one.id, _sort(one), one.x, one.y, one.z) for one in plan.joints]
    taken = {key_of((place.x, place.y)) for place in (*drivers, *joints)}
    lamps = {key_of((lamp.x, lamp.y)): lamp.id for lamp in plan.lamps}
    meeting: dict[Key, list[TrenchPlan]] = {}
    inner: set[Key] = set()
    heights: dict[Key, float | None] = {}
    for trench in plan.trenches:
        for i, point in enumerate(trench.route):
            key = key_of(point)
            heights.setdefault(key, point[2] if len(point) > 2 else None)
            meeting.setdefault(key, []).append(trench)
            if 0 < i < len(trench.route) - 1:
                inner.add(key)
    marked = taken | {key for key, found in meeting.items() if len(found) > 1 or key not in inner}
    marked |= {key for trench in plan.trenches for key in _bends(trench, marked)}
    free = [key for key in meeting if key in marked - taken]
    letter = _letter(plan)
    width = max(2, len(str(len(free))))
    bends = [
        PegPlace(f"{letter}{number:0{width}d}", _what(meeting[key], key in inner, lamps.get(key)), *key, heights[key])
        for number, key in enumerate(free, 1)
    ]
    return drivers, joints, bends


def _bends(trench: TrenchPlan, marked: set[Key]) -> list[Key]:
    """
    Places of a trench that must be marked besides, so that it runs nowhere more than ``STRAIGHT_M`` off straight lines.

    D. H. Douglas, T. K. Peucker, Algorithms for the reduction of the number of points required to represent a
    digitized line or its caricature, Cartographica 10 (1973) 112.
    """
    keys = [key_of(point) for point in trench.route]
    last = len(keys) - 1
    fixed = [i for i, key in enumerate(keys) if i in (0, last) or key in marked]
    spans, found = list(pairwise(fixed)), []
    while spans:
        start, end = spans.pop()
        off = [_off_m(keys[i], keys[start], keys[end]) for i in range(start + 1, end)]
        if off and max(off) > STRAIGHT_M:
            farthest = start + 1 + off.index(max(off))
            found.append(keys[farthest])
            spans += [(start, farthest), (farthest, end)]
    return found


def _off_m(place: Key, start: Key, end: Key) -> float:
    """From a place to a straight line between two others."""
    dx, dy, length = end[0] - start[0], end[1] - start[1], math.dist(start, end)
    along = ((place[0] - start[0]) * dx + (place[1] - start[1]) * dy) / (length or 1) ** 2
    along = min(1.0, max(0.0, along))
    return math.dist(place, (start[0] + along * dx, start[1] + along * dy))


def name_at(places: tuple[list[PegPlace], list[PegPlace], list[PegPlace]]) -> dict[Key, str]:
    """Names by place; joints that share one stand together, and a driver is named before them."""
    names: dict[Key, list[str]] = {}
    for place in (*places[0], *places[1], *places[2]):
        names.setdefault(key_of((place.x, place.y)), []).append(place.name)
    return {key: ", ".join(found) for key, found in names.items()}


def key_of(point: tuple[float, ...]) -> Key:
    """A place to the millimetre, never minus nought."""
    return round(point[0], 3) + 0.0, round(point[1], 3) + 0.0


def _sort(joint: JointPlan) -> str:
    return f"post {isolated(joint.post)}" if joint.post is not None else "hub" if joint.hub else "joint"


def _driver_z(plan: Plan, supply: str) -> float | None:
    return next((point.z for point in plan.site.supplies if point.name == supply), None)


def _what(trenches: list[TrenchPlan], inner: bool, lamp: str | None) -> str:
    sleeve = next((trench.sleeve for trench in trenches if trench.sleeve is not None), None)
    dug = [trench for trench in trenches if trench.sleeve is None]
    grounds = list(dict.fromkeys(trench.ground for trench in dug))
    if sleeve is not None and dug:
        return f"end of sleeve {isolated(sleeve)}"
    if sleeve is not None:
        return f"bend in sleeve {isolated(sleeve)}"
    words = "bend" if len(trenches) == 1 and inner else "fork" if len(trenches) > 2 or inner else "bend"
    if len(trenches) == 1 and not inner:
        words = "end" if lamp is None else f"end at lamp {isolated(lamp)}"
    return f"{words}, {' | '.join(map(isolated, grounds))}" if len(grounds) > 1 else words


def _letter(plan: Plan) -> str:
    """B, unless the survey has names like those."""
    known = {lamp.id for lamp in plan.lamps} | {point.name for point in (*plan.site.supplies, *plan.site.pegs)}
    return next(
        letter for letter in ("B", "TB", "BEND ") if letter == "BEND " or not any(
            name.upper().startswith(letter) and name[len(letter):].isdigit() for name in known)
    )  # fmt: skip
