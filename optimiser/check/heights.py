"""Heights of what is laid against the surface between measured points. In: Index. Out: cases."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Sequence
from itertools import pairwise

import numpy as np
import shapely
from shapely import LineString

from .index import Index
from .limits import LENGTH_M, PLACE_M
from .report import Book
from .surface import Ints, Points, Surface

_EVERY_M, _BETWEEN_M = 0.25, 0.002
"""How closely lines are followed between their bends, and what a straight stretch may leave the surface by."""

Way = frozenset[tuple[float, ...]]


def judge_heights(index: Index, book: Book) -> None:
    """Heights of surveyed places are theirs; all else that is laid lies on the surface, sleeves and stubs apart."""
    z_at: dict[tuple[float, float], float] = {}
    for x, y, z in index.survey.heights:
        z_at.setdefault((round(x, 3), round(y, 3)), z)
    corners = shapely.get_coordinates([zone.polygon for zone in index.survey.zones])
    surface = Surface(index.survey.heights, corners)
    asked: list[tuple[str, float, float, float]] = []
    for joint in index.plan.joints:
        if book.claim("heights", joint.id, joint.z is not None, f"{joint.id}: the joint lacks its height"):
            asked.append((joint.id, joint.x, joint.y, joint.z or 0.0))
    dug = [trench for trench in index.plan.trenches if trench.sleeve is None and not trench.stub]
    laid = [(cable.id, cable.route) for cable in index.plan.cables] + [(trench.id, trench.route) for trench in dug]
    for name, route in laid:
        asked += [(name, *point) for point in route if len(point) == 3]
    _judge_places(list(dict.fromkeys(asked)), z_at, surface, book)
    apart = _ways_apart(index)
    for name, route in laid:
        if all(len(point) == 3 for point in route):
            _judge_between(name, [w for w in pairwise(route) if _way(*w) not in apart[name]], surface, book)
    _judge_trenches(index, book)


def _way(p: Sequence[float], q: Sequence[float]) -> Way:
    return frozenset((tuple(p[:2]), tuple(q[:2])))


def _ways_apart(index: Index) -> defaultdict[str, set[Way]]:
    """Of each cable, its ways through sleeves and stubs: they run straight, whatever the surface between."""
    apart: defaultdict[str, set[Way]] = defaultdict(set)
    for trench in index.plan.trenches:
        if trench.stub or trench.sleeve is not None:
            ways = {_way(p, q) for p, q in pairwise(trench.route)}
            for name in trench.cables:
                apart[name] |= ways
    return apart


def _judge_places(
    asked: list[tuple[str, float, float, float]], z_at: dict[tuple[float, float], float], surface: Surface, book: Book
) -> None:
    if not asked:
        return
    low, high, tol_m = surface.at(np.array([place[1:3] for place in asked]))
    for i, (name, x, y, z) in enumerate(asked):
        known = z_at.get((round(x, 3), round(y, 3)))
        if known is not None:
            book.same("heights", name, f"height at ({x:g}, {y:g})", z, known, "m", PLACE_M)
            continue
        off = float(max(low[i] - z, z - high[i]))
        what = f"height at ({x:g}, {y:g}) beyond those measured round it"
        book.at_most("heights", name, what, off, 0, "m", float(tol_m[i]))


def _judge_between(
    name: str, ways: list[tuple[Sequence[float], Sequence[float]]], surface: Surface, book: Book
) -> None:
    """What is laid bends wherever the surface does: between its bends it lies on it too."""
    if not ways:
        return
    a, b = (np.array(ends, dtype=float) for ends in zip(*ways, strict=True))
    line, share = _asked_between(a, b, surface)
    if not len(line):
        return
    every = a[line] + (b - a)[line] * share[:, None]
    low, high, tol_m = surface.at(every[:, :2])
    off = np.maximum(low - every[:, 2], every[:, 2] - high) - tol_m
    worst = int(off.argmax())
    x, y = every[worst, :2]
    what = f"height between its bends, at ({x:.2f}, {y:.2f}), off the surface"
    book.at_most("heights", name, what, float(off[worst]), 0, "m", _BETWEEN_M)


def _asked_between(a: Points, b: Points, surface: Surface) -> tuple[Ints, Points]:
    """Lines, and shares of them: where they pass from one triangle to another (a wall may be thin), and in steps."""
    crossing, at_share = surface.crossed(a[:, :2], b[:, :2])
    counts = [math.ceil(m / _EVERY_M) for m in np.hypot(*(b - a)[:, :2].T).tolist()]
    lines = [crossing, *(np.full(max(count - 1, 0), i) for i, count in enumerate(counts))]
    shares = [at_share, *(np.arange(1, count) / max(count, 1) for count in counts)]
    return np.concatenate(lines), np.concatenate(shares)


def _judge_trenches(index: Index, book: Book) -> None:
    """Trenches are cut where grounds meet, also between the bends of a cable: there heights run evenly along it."""
    for trench in index.plan.trenches:
        bends = index.cables[trench.cables[0]].route if trench.cables else []
        whole = all(len(point) == 3 for point in [*bends, *trench.route])
        if trench.sleeve is not None or len(bends) < 2 or not trench.route or not whole:
            continue
        route = np.array(bends, dtype=float)
        step = np.hypot(*np.diff(route[:, :2], axis=0).T)
        along_m = np.concatenate([[0.0], np.cumsum(step)])
        points = np.array(trench.route, dtype=float)
        at_m = shapely.line_locate_point(LineString(route[:, :2]), shapely.points(points[:, :2]))
        off = np.abs(np.interp(at_m, along_m, route[:, 2]) - points[:, 2])
        slope = np.abs(np.diff(route[:, 2])) / np.maximum(step, 1e-3)
        first, last = (np.searchsorted(along_m[1:-1], at_m + more) for more in (-LENGTH_M, LENGTH_M))
        steep = np.array([slope[i : j + 1].max() for i, j in zip(first, last, strict=True)])
        beyond = off - LENGTH_M * steep
        what = f"height off that of {trench.cables[0]}"
        book.at_most("heights", trench.id, what, float(beyond.max()), 0, "m", LENGTH_M)
