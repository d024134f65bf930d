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

from ..plan.model import JointPlan
from .index import Index
from .limits import LENGTH_M, PLACE_M
from .report import Book

Points = NDArray[np.float64]


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
    _judge_once(lines, index, book)
    if index.survey.has_heights:
        _judge_heights(index, book)
    else:
        for name, z in [(j.id, j.z) for j in plan.joints] + [(lamp.id, lamp.z) for lamp in plan.lamps]:
            book.claim("heights", name, not z, f"{name}: a height, but none surveyed")
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
            gap_m += max(0.0, start - at - LENGTH_M)
            double_m += max(0.0, min(at, end) - start - LENGTH_M)
            at = max(at, end)
        gap_m += max(0.0, total - at - LENGTH_M)
        book.at_most(limit, cable.id, "route outside its trenches", gap_m, 0, "m", 0)
        book.at_most(limit, cable.id, "route in two trenches at once", double_m, 0, "m", 0)
        sum_m = sum(trench.length_m for trench in index.trenches_of[cable.id])
        tol_m = LENGTH_M + 0.001 * (len(index.trenches_of[cable.id]) + len(cable.route))
        book.same("route lengths", cable.id, "sum of its trenches", sum_m, cable.route_m, "m", tol_m)


def _judge_once(lines: Lines, index: Index, book: Book) -> None:
    """No two trenches in one place: each would be paid."""
    names = list(lines.trenches)
    if len(names) < 2:
        return
    shapes: NDArray[Any] = np.array([lines.trenches[name] for name in names], dtype=object)
    a, b = shapely.STRtree(shapes).query(shapes, predicate="intersects")
    a, b = a[a < b], b[a < b]
    near = shapely.intersection(shapes[a], shapely.buffer(shapes[b], PLACE_M / 2))
    share = shapely.length(near) / np.minimum(shapely.length(shapes[a]), shapely.length(shapes[b]))
    sleeve = {trench.id: trench.sleeve for trench in index.plan.trenches}
    for i in range(len(a)):
        first, second = names[a[i]], names[b[i]]
        # A sleeve may lie under a trench; two entries of one sleeve may not.
        alike = sleeve[first] == sleeve[second]
        overlap_m = float(shapely.length(near[i]))
        twice = alike and (overlap_m > 0.5 or (overlap_m > 0.01 and share[i] > 0.9))
        book.claim("trenches once", first, not twice, f"{first} and {second} lie in the same place")
    for name, count in Counter(value for value in sleeve.values() if value is not None).items():
        book.claim("trenches once", name, count == 1, f"sleeve {name} is listed as {count} trenches")


def _judge_heights(index: Index, book: Book) -> None:
    """
    Heights of surveyed places are theirs; any other lies between the heights of the measured points round it.

    The points round a place are the corners of those Delaunay triangles whose circumcircle holds it: so the finding
    does not hang on how four points on one circle are split into triangles.
    """
    survey = index.survey
    places = [lamp.place for lamp in survey.lamps] + [supply.place for supply in survey.supplies]
    for zone in survey.zones:
        if zone.of == "survey" and zone.polygon.has_z:
            places += [tuple(row) for row in shapely.get_coordinates(zone.polygon, include_z=True)]
    places += [place for sleeve in survey.sleeves for place in sleeve.route]
    places += [tree.place for tree in survey.trees]
    places += [place for mains in survey.mains for place in mains.route] + [peg.place for peg in survey.pegs]
    z_at: dict[tuple[float, float], float] = {}
    for x, y, z in places:
        z_at.setdefault((round(x, 3), round(y, 3)), z)
    asked: dict[tuple[float, float], tuple[str, float]] = {}
    for joint in index.plan.joints:
        if book.claim("heights", joint.id, joint.z is not None, f"{joint.id}: the joint lacks its height"):
            asked.setdefault((joint.x, joint.y), (joint.id, joint.z or 0.0))
    sleeves = {trench.id for trench in index.plan.trenches if trench.sleeve is not None}
    in_sleeve = {tuple(point[:2]) for trench in index.plan.trenches if trench.id in sleeves for point in trench.route}
    for cable in index.plan.cables:
        for point in cable.route:
            if len(point) == 3 and tuple(point[:2]) not in in_sleeve:
                asked.setdefault((point[0], point[1]), (cable.id, point[2]))
    if not asked:
        return
    xy = np.array(list(z_at))
    heights = np.array(list(z_at.values()))
    triangles = shapely.get_parts(shapely.delaunay_triangles(shapely.multipoints(xy)))
    corners = shapely.get_coordinates(triangles).reshape(-1, 4, 2)[:, :3] if len(triangles) else np.empty((0, 3, 2))
    corner_z = np.array([[z_at[(round(x, 3), round(y, 3))] for x, y in corner] for corner in corners]).reshape(-1, 3)
    centre, radius = _circumcircles(corners)
    for (x, y), (name, z) in asked.items():
        known = z_at.get((round(x, 3), round(y, 3)))
        if known is not None:
            book.same("heights", name, f"height at ({x:g}, {y:g})", z, known, "m", PLACE_M)
            continue
        holds = np.hypot(centre[:, 0] - x, centre[:, 1] - y) <= radius * (1 + 1e-6) + 0.002
        near = corner_z[holds] if holds.any() else heights
        nearest = heights[np.hypot(xy[:, 0] - x, xy[:, 1] - y).argmin()]
        low, high = min(near.min(), nearest), max(near.max(), nearest)
        off = max(low - z, z - high)
        book.at_most("heights", name, f"height at ({x:g}, {y:g}) beyond those measured round it", off, 0, "m", 0.002)


def _circumcircles(corners: Points) -> tuple[Points, Points]:
    """Centres (t, 2) and radii (t,) of the circles through three corners (t, 3, 2)."""
    a, b, c = corners[:, 0], corners[:, 1], corners[:, 2]
    ab, ac = b - a, c - a
    double = 2 * (ab[:, 0] * ac[:, 1] - ab[:, 1] * ac[:, 0])
    ab2, ac2 = (ab**2).sum(axis=1), (ac**2).sum(axis=1)
    with np.errstate(divide="ignore", invalid="ignore"):
        ux = (ac[:, 1] * ab2 - ab[:, 1] * ac2) / double
        uy = (ab[:, 0] * ac2 - ac[:, 0] * ab2) / double
    offset = np.nan_to_num(np.stack([ux, uy], axis=1), nan=0.0, posinf=1e12, neginf=-1e12)
    return a + offset, np.hypot(offset[:, 0], offset[:, 1])
