"""What is dug: trenches by ground, and every crossing. In: Plan. Out: Tables."""

from __future__ import annotations

import math
from itertools import pairwise

from ...plan.model import Plan, TrenchPlan
from ..tables import Cell, Column, Part, Table
from ..words import counted, isolated, metres
from .places import Key, key_of, name_at, peg_places

TRENCHES = (
    Column("ground", "ground", 0),
    Column("trench", "trench", 0.8),
    Column("from", "from", 1.3),
    Column("to", "to", 1.3),
    Column("length_m", "length, m", 0.9, 2),
    Column("depth_mm", "depth, mm", 0.9),
    Column("cables", "cables", 2.6),
    Column("note", "note", 2.2),
    Column("", "dug", 0.6, to_fill=True),
    Column("", "depth measured", 1.0, to_fill=True),
)
CROSSINGS = (
    Column("sort", "", 0),
    Column("at", "at", 1.2),
    Column("what", "what", 3.2),
    Column("trenches", "trenches", 1.6),
    Column("x_m", "x, m", 1, 3),
    Column("y_m", "y, m", 1, 3),
    Column("", "done", 0.6, to_fill=True),
)
APART_M = 0.01
"""Trenches shorter than this cannot be dug apart: two forks, or a fork and a border, lie a few millimetres from each
other."""


def trench_table(plan: Plan) -> Table:
    """Trenches by ground, the longest sum first; sleeves last. Lengths are along the surface."""
    names = name_at(peg_places(plan))
    grounds: dict[str, list[TrenchPlan]] = {}
    sleeves: dict[str, list[TrenchPlan]] = {}
    for trench in plan.trenches:
        if trench.sleeve is None:
            grounds.setdefault(trench.ground, []).append(trench)
        else:
            sleeves.setdefault(trench.sleeve, []).append(trench)
    parts = []
    for ground, dug in sorted(grounds.items(), key=lambda item: (-_sum(item[1]), item[0])):
        depths = sorted({trench.depth_mm for trench in dug})
        deep = f"{depths[0]:g} mm" if len(depths) == 1 else f"{depths[0]:g} to {depths[-1]:g} mm"
        count = "1 trench" if len(dug) == 1 else f"{len(dug)} trenches"
        title = f"{isolated(ground)}: {metres(_sum(dug))}, {count}, {deep} deep"
        parts.append(Part(title, tuple(_row(trench, names) for trench in dug)))
    for sleeve, through in sleeves.items():
        pulls = max(len(trench.cables) for trench in through)
        title = f"Sleeve {isolated(sleeve)}: {metres(_sum(through))}, {counted(pulls, 'cable')} to pull through"
        parts.append(Part(title, tuple(_row(trench, names) for trench in through)))
    total_m = _sum([trench for dug in grounds.values() for trench in dug])
    after = [f"To dig: {metres(total_m)} in all. A trench counts once, however many cables lie in it."]
    if any(len(place) == 3 for trench in plan.trenches for place in trench.route):
        after.append("Lengths are along the ground, up and down; the tapes of the set-out are level.")
    after.append(
        "Bed cables in fine soil without stones. Measure the depth before the cable is laid, and write down where a "
        "trench was dug otherwise."
    )
    return Table("trench_list", "Trench list", TRENCHES, tuple(parts), after=tuple(after))


def _sum(trenches: list[TrenchPlan]) -> float:
    return round(math.fsum(trench.length_m for trench in trenches), 3)


def _row(trench: TrenchPlan, names: dict[Key, str]) -> tuple[Cell, ...]:
    bends = [names[key_of(point)] for point in trench.route[1:-1] if key_of(point) in names]
    notes = []
    if trench.sleeve is not None:
        notes.append(f"through sleeve {isolated(trench.sleeve)}")
    if trench.stub:
        notes.append("stub at a border")
    elif trench.length_m < APART_M and trench.sleeve is None:
        notes.append("under 1 cm: two places that all but meet, dug as one")
    if bends:
        notes.append("by " + ", ".join(bends))
    ends = [names.get(key_of(point), "") for point in (trench.route[0], trench.route[-1])]
    depth_mm = None if trench.sleeve is not None else trench.depth_mm
    return (trench.ground, trench.id, *ends, trench.length_m, depth_mm, ", ".join(trench.cables), "; ".join(notes),
            None, None)  # fmt: skip


def crossing_table(plan: Plan) -> Table:
    """Where trenches pass from one ground to another, enter sleeves, and cross mains lines as surveyed."""
    names = name_at(peg_places(plan))
    ends: dict[Key, list[TrenchPlan]] = {}
    for trench in plan.trenches:
        for point in (trench.route[0], trench.route[-1]):
            ends.setdefault(key_of(point), []).append(trench)
    grounds, sleeves = [], []
    for key, trenches in ends.items():
        dug = list(dict.fromkeys(trench.ground for trench in trenches if trench.sleeve is None))
        through = list(dict.fromkeys(trench.sleeve for trench in trenches if trench.sleeve is not None))
        ids = ", ".join(trench.id for trench in trenches)
        if through and dug:
            sleeves.append(("sleeve", names[key], f"into sleeve {', '.join(map(isolated, through))}", ids, *key, None))
        elif len(dug) > 1:
            grounds.append(("ground", names[key], f"ground changes: {' | '.join(map(isolated, dug))}", ids, *key, None))
    mains = []
    for trench, line, key in _mains_crossings(plan):
        mains.append(("mains", "", f"crosses mains line {isolated(line)}: expose by hand", trench.id, *key, None))
    titles = {"Mains lines": mains, "Sleeves": sleeves, "Changes of ground": grounds}
    parts = tuple(Part(title, tuple(rows)) for title, rows in titles.items() if rows)
    return Table("crossings", "Crossings", CROSSINGS, parts, follows=True)


def _mains_crossings(plan: Plan) -> list[tuple[TrenchPlan, str, Key]]:
    found = []
    for line in plan.site.mains:
        for trench in plan.trenches:
            seen: set[Key] = set()
            for a, b in pairwise(trench.route):
                for c, d in pairwise(line.route):
                    place = _meeting(a, b, c, d)
                    if place is not None and place not in seen:
                        seen.add(place)
                        found.append((trench, line.name, place))
    return found


def _meeting(a: tuple[float, ...], b: tuple[float, ...], c: tuple[float, ...], d: tuple[float, ...]) -> Key | None:
    """Where two straight lines cross or touch; None where they run side by side."""
    rx, ry, sx, sy = b[0] - a[0], b[1] - a[1], d[0] - c[0], d[1] - c[1]
    turn = rx * sy - ry * sx
    if abs(turn) < 1e-12:
        return None
    t = ((c[0] - a[0]) * sy - (c[1] - a[1]) * sx) / turn
    u = ((c[0] - a[0]) * ry - (c[1] - a[1]) * rx) / turn
    if not (-1e-9 <= t <= 1 + 1e-9 and -1e-9 <= u <= 1 + 1e-9):
        return None
    return key_of((a[0] + t * rx, a[1] + t * ry))
