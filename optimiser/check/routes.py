"""Routes as lines: ends, lengths, heights, and cables against trenches. In: Index. Out: cases, and Lines."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import LineString

from ..plan.model import JointPlan, TrenchPlan
from .heights import judge_heights
from .index import Index
from .limits import LENGTH_M, PLACE_M
from .report import Book

Points = NDArray[np.float64]
_AT_ONCE = 16
_ONE_TRENCH_M = 0.02
"""What is listed as two trenches nearer than this is dug as one, and its cables warm one another."""


@dataclass
class Lines:
    """Flat lines of the cables and trenches by id; only those with at least two points and some length."""

    cables: dict[str, LineString]
    trenches: dict[str, LineString]


def length_m(route: Sequence[Sequence[float]], sloped: bool) -> float:
    """Length of a polyline, along the slope where heights count."""
    points = np.array([point if sloped else point[:2] for point in route], dtype=float)
    return float(np.sqrt((np.diff(points, axis=0) ** 2).sum(axis=1)).sum())


def judge_routes(index: Index, book: Book) -> Lines:
    plan, sloped = index.plan, index.survey.has_heights
    lines = Lines({}, {})
    listed = [(k.id, k.route, lines.cables) for k in plan.cables]
    listed += [(t.id, t.route, lines.trenches) for t in plan.trenches]
    for name, route, into in listed:
        long = len(route) >= 2 and length_m(route, False) > 0
        if book.claim("cables in trenches", name, long, f"{name}: its route has no length"):
            into[name] = LineString([point[:2] for point in route])
        if sloped:
            book.claim("heights", name, all(len(p) == 3 for p in route), f"{name}: its route lacks heights")
        else:
            book.claim(
                "heights", name, all(len(p) == 2 or p[2] == 0 for p in route), f"{name}: heights, but none surveyed"
            )
    sloped = sloped and all(len(p) == 3 for _, route, _ in listed for p in route)
    for cable in plan.cables:
        if cable.id in lines.cables:
            own = length_m(cable.route, sloped)
            book.same("route lengths", cable.id, "route_m", cable.route_m, own, "m", LENGTH_M)
    for trench in plan.trenches:
        if trench.id in lines.trenches:
            own = length_m(trench.route, sloped)
            book.same("route lengths", trench.id, "length_m", trench.length_m, own, "m", LENGTH_M)
    _judge_ends(index, book)
    _judge_cover(index, lines, book)
    _judge_whole(index, book)
    _judge_once(lines, index, book)
    if index.survey.has_heights:
        judge_heights(index, book)
    else:
        for name, z in [(j.id, j.z) for j in plan.joints] + [(lamp.id, lamp.z) for lamp in plan.lamps]:
            book.claim("heights", name, not z, f"{name}: a height, but none surveyed")
    if min(index.job.rules.trench_bunched) < 1:
        index.beside = _cables_beside(index, lines)
    return lines


def _judge_ends(index: Index, book: Book) -> None:
    for cable in index.plan.cables:
        for name, point in ((cable.from_, cable.route[:1]), (cable.to, cable.route[-1:])):
            end = index.drivers.get(name) or index.joints[name]
            for x, y, *z in point:
                off = max(abs(x - end.x), abs(y - end.y))
                if z and isinstance(end, JointPlan):
                    off = max(off, abs(z[0] - (end.z or 0.0)))
                book.at_most("route ends", cable.id, f"distance of its end from {name}", off, 0, "m", PLACE_M)


def _judge_cover(index: Index, lines: Lines, book: Book) -> None:
    """
    Lay the trenches of each cable along its route: they must tile it, without gap and without overlap.

    Each straight part of a trench is placed by where its two ends fall along the route; it follows the route where both
    ends lie on it and are as far apart along it as they are in the trench.
    """
    limit = "cables in trenches"
    owner: list[str] = []
    trench_of: list[str] = []
    parts: list[Points] = []
    for trench in index.plan.trenches:
        if trench.id not in lines.trenches:
            continue
        points = shapely.get_coordinates(lines.trenches[trench.id])
        pairs = np.stack([points[:-1], points[1:]], axis=1)
        for name in dict.fromkeys(trench.cables):
            if name in lines.cables:
                owner += [name] * len(pairs)
                trench_of += [trench.id] * len(pairs)
                parts.append(pairs)
    spans: dict[str, list[tuple[float, float]]] = defaultdict(list)
    broken: set[tuple[str, str]] = set()
    if parts:
        ends = np.concatenate(parts)
        routes: NDArray[Any] = np.array([lines.cables[name] for name in owner], dtype=object)
        along = np.stack([shapely.line_locate_point(routes, shapely.points(ends[:, side])) for side in (0, 1)], axis=1)
        off = np.max([shapely.distance(routes, shapely.points(ends[:, side])) for side in (0, 1)], axis=0)
        middle_off = shapely.distance(routes, shapely.points(ends.mean(axis=1)))
        span = np.abs(along[:, 1] - along[:, 0])
        part_m = np.hypot(*(ends[:, 1] - ends[:, 0]).T)
        astray = (off > PLACE_M) | (middle_off > PLACE_M) | (np.abs(span - part_m) > LENGTH_M)
        for i in range(len(owner)):
            if astray[i]:
                broken.add((owner[i], trench_of[i]))
            else:
                spans[owner[i]].append((float(along[i].min()), float(along[i].max())))
    for name, trench_id in sorted(broken):
        book.claim(limit, name, False, f"{trench_id} lists {name}, whose route does not follow it")
    for cable in index.plan.cables:
        if cable.id not in lines.cables:
            continue
        total = lines.cables[cable.id].length
        at, gap_m, double_m = 0.0, 0.0, 0.0
        for start, end in sorted(spans[cable.id]):
            gap_m += max(0.0, start - at)
            double_m += max(0.0, min(at, end) - start - LENGTH_M)
            at = max(at, end)
        gap_m += max(0.0, total - at)
        book.at_most(limit, cable.id, "route outside its trenches", gap_m, 0, "m", LENGTH_M)
        mine = shapely.union_all([lines.trenches[t.id] for t in index.trenches_of[cable.id] if t.id in lines.trenches])
        beside_m = shapely.distance(shapely.points(shapely.get_coordinates(lines.cables[cable.id])), mine).max()
        book.at_most(limit, cable.id, "bend of its route beside its trenches", beside_m, 0, "m", LENGTH_M)
        book.at_most(limit, cable.id, "route in two trenches at once", double_m, 0, "m", 0)
        sum_m = sum(trench.length_m for trench in index.trenches_of[cable.id])
        tol_m = LENGTH_M + 0.001 * (len(index.trenches_of[cable.id]) + len(cable.route))
        book.same("route lengths", cable.id, "sum of its trenches", sum_m, cable.route_m, "m", tol_m)


def _judge_whole(index: Index, book: Book) -> None:
    """Trenches are cut where ground or cables change or others fork off, nowhere else: each is rounded for itself."""
    ends: dict[tuple[float, ...], list[TrenchPlan]] = defaultdict(list)
    for trench in index.plan.trenches:
        for point in {tuple(point[:2]) for point in (*trench.route[:1], *trench.route[-1:])}:
            ends[point].append(trench)
    for meeting in ends.values():
        if len(meeting) != 2:
            continue
        a, b = meeting
        alike = (a.ground, a.sleeve, a.stub, sorted(a.cables)) == (b.ground, b.sleeve, b.stub, sorted(b.cables))
        closed = {tuple(a.route[0][:2]), tuple(a.route[-1][:2])} == {tuple(b.route[0][:2]), tuple(b.route[-1][:2])}
        text = f"{a.id} and {b.id} are one trench: nothing changes where they meet"
        book.claim("trenches once", a.id, not alike or closed or a.stub or a.sleeve is not None, text)


def _judge_once(lines: Lines, index: Index, book: Book) -> None:
    """No two trenches in one place: each would be paid."""
    names = list(lines.trenches)
    if len(names) < 2:
        return
    shapes: NDArray[Any] = np.array([lines.trenches[name] for name in names], dtype=object)
    sleeve = {trench.id: trench.sleeve for trench in index.plan.trenches}
    tree = shapely.STRtree(shapes)
    for i, (name, shape) in enumerate(zip(names, shapes, strict=True)):
        # A sleeve may lie under a trench; two entries of one sleeve may not.
        near = [k for k in tree.query(shape).tolist() if k > i and sleeve[names[k]] == sleeve[name]]
        other = _first_on(shape, shapes, near)
        said = "" if other is None else f"{name} and {names[other]} lie in the same place"
        book.claim("trenches once", name, other is None, said)
    for name, count in Counter(value for value in sleeve.values() if value is not None).items():
        book.claim("trenches once", name, count == 1, f"sleeve {name} is listed as {count} trenches")


def _first_on(shape: LineString, shapes: NDArray[Any], near: list[int]) -> int | None:
    """The first of the lines ``near`` that lies where ``shape`` does; a few at a time, for one is enough."""
    for start in range(0, len(near), _AT_ONCE):
        mine = shapes[near[start : start + _AT_ONCE]]
        overlap_m = shapely.length(shapely.intersection(shape, shapely.buffer(mine, PLACE_M / 2)))
        share = overlap_m / np.minimum(shape.length, shapely.length(mine))
        # Short ones that meet in a fork may lie within a rounding of one another; from end to end they are one.
        between = np.array([{line.coords[0], line.coords[-1]} == {shape.coords[0], shape.coords[-1]} for line in mine])
        twice = (overlap_m > 0.5) | (((overlap_m > 0.01) | between) & (share > 0.9))
        if twice.any():
            return near[start + int(twice.argmax())]
    return None


def _cables_beside(index: Index, lines: Lines) -> dict[str, set[str]]:
    """
    For each dug trench, its cables and those of trenches listed beside it that are as good as in the same place.

    They must be near over half a metre, or over nine tenths of the shorter one: where trenches meet, they are near too.
    """
    dug = [t for t in index.plan.trenches if t.sleeve is None and t.id in lines.trenches]
    shapes: NDArray[Any] = np.array([lines.trenches[trench.id] for trench in dug], dtype=object)
    enough = len(index.job.rules.trench_bunched)  # more cables lessen a rating no further
    found: dict[str, set[str]] = {}
    tree = shapely.STRtree(shapes)
    for trench, shape in zip(dug, shapes, strict=True):
        cables = found[trench.id] = set(trench.cables)
        near = tree.query(shape, predicate="dwithin", distance=_ONE_TRENCH_M)
        for start in range(0, len(near), _AT_ONCE):
            if len(cables) >= enough:
                break
            beside = near[start : start + _AT_ONCE]
            near_m = shapely.length(shapely.intersection(shape, shapely.buffer(shapes[beside], _ONE_TRENCH_M)))
            shorter_m = np.minimum(shape.length, shapely.length(shapes[beside]))
            same = (near_m > 0.5) | ((near_m > 2 * _ONE_TRENCH_M) & (near_m > 0.9 * shorter_m))
            cables.update(name for k in beside[same].tolist() for name in dug[k].cables)
    return found
