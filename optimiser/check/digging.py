"""Trenches against the ground: no-dig zones, keep-off, trunks, stubs, mains, sleeves, grounds. In: Index, Land, Lines.

Out: cases, and how many ends of each trench lie on a border where it pays half a crossing.
"""

from __future__ import annotations

from collections import defaultdict
from itertools import pairwise
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import LineString, Point

from ..plan.model import TrenchPlan
from .index import Index
from .land import MAY_BE_ON_M, NEAR_BORDER_M, ON_BORDER_M, Land, shrunk
from .limits import LENGTH_M, PLACE_M
from .report import Book
from .routes import Lines

MAINS_ALONG_M = 0.3
"""A cable within the clearance of a mains line for no longer than this crosses it; longer, it runs along it."""
_STUB_SPARE_M, _STUB_MORE_M = 0.01, 0.05
"""Rounding of a stub's length, and what another way out may be longer than the nearest."""
_NEAR_M = 1.0


def judge_digging(index: Index, land: Land, lines: Lines, book: Book) -> None:
    trenches = [t for t in index.plan.trenches if t.id in lines.trenches]
    dug = [t for t in trenches if t.sleeve is None and not t.stub]
    _judge_no_dig(land, [t.id for t in dug], lines, book)
    for trench in trenches:
        if trench.stub and trench.sleeve is None:
            _judge_stub(index, land, trench, lines.trenches[trench.id], book)
        book.claim("stubs", trench.id, not (trench.stub and trench.sleeve), f"{trench.id}: a sleeve is no stub")
    _judge_grounds(index, land, trenches, lines, book)
    _judge_sleeves(index, book)
    _judge_mains(index, lines, book)


def _judge_no_dig(land: Land, names: list[str], lines: Lines, book: Book) -> None:
    shapes: NDArray[Any] = np.array([lines.trenches[name] for name in names], dtype=object)
    if not len(names):
        return
    inside = shapely.intersects(land.dug_off_inner, shapes)
    for name, shape, bad in zip(names, shapes, inside, strict=True):

        def say(name: str = name, shape: LineString = shape) -> str:
            zones = [zone.name for zone, polygon in land.no_dig if polygon.intersects(shape)]
            part_m = shape.intersection(land.dug_off_inner).length
            return f"{name} runs {part_m:.3f} m through no-dig zone {', '.join(zones)}"

        book.claim("no-dig", name, not bad, say)
    tree = shapely.STRtree(shapes)
    for zone, polygon in land.no_dig:
        near = tree.query(polygon, predicate="dwithin", distance=zone.keep_off_m + _NEAR_M)
        for i, off in zip(near, shapely.distance(shapes[near], polygon), strict=True):
            what = f"distance from {zone.name}"
            book.at_least("keep-off", names[i], what, float(off), zone.keep_off_m, "m", PLACE_M)
    for trunk in land.survey.trees:
        circle_m = trunk.stem_mm / 2000 + land.job.trees.strip_m
        point = Point(trunk.place[:2])
        near = tree.query(point, predicate="dwithin", distance=circle_m + _NEAR_M)
        for i, off in zip(near, shapely.distance(shapes[near], point), strict=True):
            what = f"distance from the middle of tree {trunk.name}"
            book.at_least("trunks", names[i], what, float(off), circle_m, "m", PLACE_M)


def _stub_starts(index: Index) -> list[tuple[str, tuple[float, float, float]]]:
    starts = [(f"supply point {supply.name}", supply.place) for supply in index.survey.supplies]
    starts += [(f"post {lamp.name}", lamp.place) for lamp in index.survey.lamps if index.job.lamps[lamp.type].terminals]
    for sleeve in index.survey.sleeves:
        starts += [(f"sleeve {sleeve.name}", sleeve.route[0]), (f"sleeve {sleeve.name}", sleeve.route[-1])]
    return starts


def _judge_stub(index: Index, land: Land, trench: TrenchPlan, line: LineString, book: Book) -> None:
    """The excuse to cross keep-off: starts where one may, ends on free ground, and is short, straight and outward."""

    def so(ok: bool, text: str) -> bool:
        return book.claim("stubs", trench.id, ok, f"{trench.id}: {text}")

    if not so(len(trench.route) == 2, "a stub is one straight line"):
        return
    ends = [trench.route[0][:2], trench.route[-1][:2]]
    owners = [
        (name, side)
        for name, place in _stub_starts(index)
        for side in (0, 1)
        if max(abs(place[0] - ends[side][0]), abs(place[1] - ends[side][1])) <= PLACE_M
    ]
    if not so(bool(owners), "it starts at no supply point, post or sleeve's end"):
        return
    tolerance_m = index.job.rules.border_tolerance_m
    excuses = []
    for name, side in owners:
        start, foot = Point(ends[side]), Point(ends[1 - side])
        round_it = [
            (zone, polygon) for zone, polygon in land.no_dig if polygon.distance(start) < zone.keep_off_m + PLACE_M
        ]
        longest_m = _longest_stub_m(land, start, max((zone.keep_off_m for zone, _ in round_it), default=0.0))
        entered = line.intersection(land.closed_inner)
        out = entered.is_empty or (shapely.get_num_geometries(entered) == 1 and entered.distance(start) <= 2 * PLACE_M)
        deep = line.intersects(shrunk(land.closed, tolerance_m + PLACE_M))
        free = all(polygon.distance(foot) >= zone.keep_off_m - PLACE_M for zone, polygon in land.no_dig)
        free &= not land.closed_inner.intersects(foot)
        grounded = trench.ground in land.candidates(foot)
        excuses.append((name, bool(round_it) or land.closed.intersects(start), longest_m, out, deep, free, grounded))
    best = max(excuses, key=lambda e: (e[5], e[3], not e[4], e[6], e[1], e[2]))
    name, needed, longest_m, out, deep, free, grounded = best
    so(needed, f"{name} lies on free ground and needs no stub")
    so(free, f"the stub of {name} does not end on ground that may be dug")
    so(out, f"the stub of {name} crosses a no-dig zone that it does not start in")
    so(not deep, f"the stub of {name} lies deeper than {tolerance_m:g} m inside a no-dig zone")
    book.at_most("stubs", trench.id, f"stub of {name} long", line.length, longest_m, "m", PLACE_M)
    text = f"{trench.id}: the stub does not come out on {trench.ground!r}"
    book.claim("trench ground", trench.id, grounded, text)


def _longest_stub_m(land: Land, start: Point, keep_off_m: float) -> float:
    """
    Length of the nearest way out, with what is forgiven.

    Where that way would lead deeper through no-dig ground than the tolerance, another has to be taken: then no more is
    asked than that it is about as long as keep-off and tolerance.
    """
    tolerance_m = land.job.rules.border_tolerance_m
    if not land.kept_off.intersects(start):
        return keep_off_m + tolerance_m + _STUB_SPARE_M
    nearest = shapely.shortest_line(start, land.kept_off.boundary)
    if nearest.intersection(land.closed).length <= tolerance_m + PLACE_M:
        return float(nearest.length) + _STUB_MORE_M + _STUB_SPARE_M
    return max(1.05 * float(nearest.length), keep_off_m + tolerance_m) + _STUB_SPARE_M


def _judge_grounds(index: Index, land: Land, trenches: list[TrenchPlan], lines: Lines, book: Book) -> None:
    job = index.job
    dug = [trench for trench in trenches if trench.sleeve is None]
    shapes: NDArray[Any] = np.array([lines.trenches[trench.id] for trench in dug], dtype=object)
    if not len(dug):
        return
    elsewhere: dict[str, NDArray[np.bool_]] = {
        name: shapely.intersects(inner, shapes) for name, inner in land.inner.items()
    }
    for i, trench in enumerate(dug):
        ground = job.grounds[trench.ground]
        if ground.no_dig:
            book.claim("trench ground", trench.id, False, f"{trench.id}: ground {trench.ground!r} may not be dug")
            continue
        text = f"{trench.id}: {trench.depth_mm:g} mm deep, ground {trench.ground!r} has {ground.depth_mm:g} mm"
        ok = abs(trench.depth_mm - ground.depth_mm) <= 0.05
        book.claim("trench ground", trench.id, ok, text, value=trench.depth_mm, allowed=ground.depth_mm)
        if trench.stub:  # judged with its length
            continue
        others = [name for name, meets in elsewhere.items() if name != trench.ground and meets[i]]
        # A line that cuts a corner by less than the rounding of its ends is still in one ground.
        others = [name for name in others if lines.trenches[trench.id].intersection(land.inner[name]).length > LENGTH_M]
        text = f"{trench.id} is said to lie in {trench.ground!r}, but runs through {', '.join(map(repr, others))}"
        book.claim("trench ground", trench.id, not others, text)
        if trench.ground not in land.regions:
            book.claim("trench ground", trench.id, False, f"{trench.id}: there is no {trench.ground!r} on this site")
    for cable in index.plan.cables:
        lying = [trench for trench in index.trenches_of[cable.id] if trench.sleeve is None]
        own_m = sum(trench.length_m for trench in lying if job.grounds[trench.ground].depth_mm == 0)
        tol_m = LENGTH_M + 0.001 * len(lying)
        book.same("surface lengths", cable.id, "sun_m", cable.sun_m, own_m, "m", tol_m)


def borders_paid(land: Land, trench: TrenchPlan) -> tuple[int, int]:
    """
    How many ends of a trench's straight lines lie on its ground's border with other ground that may be dug.

    Returns the least and the greatest number: an end may lie within a rounding of a border without being on it.
    """
    if trench.stub or trench.sleeve is not None or trench.ground not in land.regions:
        return 0, 0
    others = [region for name, region in land.regions.items() if name != trench.ground]
    places = [Point(x, y) for x, y, *_ in trench.route]
    middles = [Point((a.x + b.x) / 2, (a.y + b.y) / 2) for a, b in pairwise(places)]

    def away_m(point: Point) -> float:
        return min((region.distance(point) for region in others), default=np.inf)

    along = [away_m(middle) <= NEAR_BORDER_M for middle in middles]
    # Where a route only bends up or down, its straight line goes on.
    bends = [LineString([a, c]).distance(b) > PLACE_M for a, b, c in zip(places, places[1:], places[2:], strict=False)]
    ends = [True, *bends, True]
    sure = possible = 0
    for i, point in enumerate(places):
        near_m = away_m(point)
        if near_m > MAY_BE_ON_M or land.regions[trench.ground].distance(point) > MAY_BE_ON_M:
            continue
        lines = along[max(0, i - 1) : i + 1]
        possible += len(lines)
        # Along a border, and where no-dig ground meets it, an end may be taken for one on it or for none.
        if ends[i] and near_m <= ON_BORDER_M and (land.closed.is_empty or land.closed.distance(point) > NEAR_BORDER_M):
            sure += sum(not beside for beside in lines)
    return sure, possible


def ground_changes(index: Index, land: Land) -> dict[str, int]:
    """At how many of its two ends each trench goes on in other ground: there it leaves its own, whatever its bends."""
    at: dict[tuple[float, float], list[TrenchPlan]] = defaultdict(list)
    for trench in index.plan.trenches:
        if trench.sleeve is None and not trench.stub:
            for x, y, *_ in (*trench.route[:1], *trench.route[-1:]):
                at[x, y].append(trench)
    found: dict[str, int] = defaultdict(int)
    for place, meeting in at.items():
        if not land.closed.is_empty and land.closed.distance(Point(place)) <= NEAR_BORDER_M:
            continue  # where no-dig ground meets the border
        for trench in meeting:
            found[trench.id] += any(
                other.ground != trench.ground and not set(other.cables).isdisjoint(trench.cables) for other in meeting
            )
    return found


def _judge_sleeves(index: Index, book: Book) -> None:
    used: dict[str, set[str]] = defaultdict(set)
    for trench in index.plan.trenches:
        if trench.sleeve is None:
            continue
        used[trench.sleeve] |= set(trench.cables)
        text = f"{trench.id}: {trench.depth_mm:g} mm deep printed, a sleeve is not dug"
        book.claim("trench ground", trench.id, trench.depth_mm == 0, text, value=trench.depth_mm, allowed=0)
        sleeve = next(sleeve for sleeve in index.survey.sleeves if sleeve.name == trench.sleeve)
        text = f"{trench.id}: the sleeve's ground is printed as {trench.ground!r}, which is none of the job's"
        book.claim("trench ground", trench.id, trench.ground in ("sleeve", *index.job.grounds), text)
        tall = 3 if index.survey.has_heights and all(len(point) == 3 for point in trench.route) else 2
        own = np.array([place[:tall] for place in sleeve.route])
        printed = np.array([point[:tall] for point in trench.route])
        whole = own.shape == printed.shape and any(
            bool((np.abs(printed - way) <= PLACE_M).all()) for way in (own, own[::-1])
        )
        book.claim("sleeves", trench.id, whole, f"{trench.id} is not sleeve {sleeve.name} from end to end")
    for sleeve in index.survey.sleeves:
        book.at_most("sleeve capacity", sleeve.name, "cables", len(used[sleeve.name]), sleeve.capacity, "#", 0)
        ends = (sleeve.route[0], sleeve.route[-1])
        for joint in index.plan.joints:
            inside = joint.post is None and any(max(abs(joint.x - e[0]), abs(joint.y - e[1])) <= PLACE_M for e in ends)
            book.claim("sleeves", joint.id, not inside, f"{joint.id} stands in the mouth of sleeve {sleeve.name}")
        # A cable that is not listed in the sleeve may cross above it, not lie along it: that is judged by its trench.


def _judge_mains(index: Index, lines: Lines, book: Book) -> None:
    clear_m = index.job.rules.mains_clear_m
    in_sleeve = shapely.union_all(
        [lines.trenches[t.id] for t in index.plan.trenches if t.sleeve and t.id in lines.trenches]
    )
    for mains in index.survey.mains:
        line = LineString([place[:2] for place in mains.route])
        beside = line.buffer(clear_m - PLACE_M, cap_style="flat") if clear_m > PLACE_M else line
        for name, cable in lines.cables.items():
            if cable.distance(line) > clear_m:
                continue
            parts = shapely.get_parts(shapely.difference(cable, in_sleeve.buffer(PLACE_M)).intersection(beside))
            along_m = max((part.length for part in parts), default=0.0)
            what = f"metres beside mains line {mains.name}"
            book.at_most("mains clearance", name, what, along_m, MAINS_ALONG_M, "m", LENGTH_M)
