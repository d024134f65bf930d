"""Heights against the surface between measured points. In: Index. Out: cases.

The surface is linear over the Delaunay triangles of the measured places and of far places round them (rules of
account). Where four or more of the places lie on one circle, triangles may be split in two ways: there a height only
has to lie between those of the corners of all triangles whose circumcircle holds the place.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from itertools import pairwise

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import LineString

from .index import Index
from .limits import LENGTH_M, PLACE_M
from .report import Book

Points = NDArray[np.float64]

_FAR, _FIRST, _LEAST_M = 16, 0.37, 100.0
"""Far places, the step the first is turned by, and the least radius of their circle, in m."""
_ON_CIRCLE_M, _FLAT_M2 = 0.003, 1e-6
"""Within this of a circle a place may be on it; triangles of less area than half of this have no slope."""
_EVERY_M, _BETWEEN_M = 0.25, 0.002
"""How closely cables are followed between their bends, and what a straight stretch may leave the surface by."""
_AT_ONCE = 512


def judge_heights(index: Index, book: Book) -> None:
    """Heights of surveyed places are theirs; all else that is laid lies on the surface, sleeves and stubs apart."""
    z_at: dict[tuple[float, float], float] = {}
    for x, y, z in index.survey.heights:
        z_at.setdefault((round(x, 3), round(y, 3)), z)
    surface = _Surface(z_at)
    asked: list[tuple[str, float, float, float]] = []
    for joint in index.plan.joints:
        if book.claim("heights", joint.id, joint.z is not None, f"{joint.id}: the joint lacks its height"):
            asked.append((joint.id, joint.x, joint.y, joint.z or 0.0))
    sleeves = [trench.route for trench in index.plan.trenches if trench.sleeve is not None]
    in_sleeve = {tuple(point[:2]) for route in sleeves for point in route}
    straight = {_way(p, q) for trench in index.plan.trenches if trench.stub for p, q in pairwise(trench.route)}
    straight |= {_way(p, q) for route in sleeves for p, q in pairwise(route)}
    for cable in index.plan.cables:
        asked += [(cable.id, *point) for point in cable.route if len(point) == 3 and tuple(point[:2]) not in in_sleeve]
    _judge_places(list(dict.fromkeys(asked)), z_at, surface, book)
    for cable in index.plan.cables:
        if all(len(point) == 3 for point in cable.route):
            _judge_between(cable.id, [w for w in pairwise(cable.route) if _way(*w) not in straight], surface, book)
    _judge_trenches(index, book)


def _way(p: Sequence[float], q: Sequence[float]) -> frozenset[tuple[float, ...]]:
    return frozenset((tuple(p[:2]), tuple(q[:2])))


def _judge_places(
    asked: list[tuple[str, float, float, float]], z_at: dict[tuple[float, float], float], surface: _Surface, book: Book
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
    name: str, ways: list[tuple[Sequence[float], Sequence[float]]], surface: _Surface, book: Book
) -> None:
    """A cable bends wherever the surface does: between its bends it lies on it too."""
    places = [np.empty((0, 3))]
    for p, q in ways:
        a, b = np.array(p, dtype=float), np.array(q, dtype=float)
        count = math.ceil(float(np.hypot(*(b - a)[:2])) / _EVERY_M)
        places.append(a + (b - a) * (np.arange(1, count) / max(count, 1))[:, None])
    every = np.vstack(places)
    if not len(every):
        return
    low, high, tol_m = surface.at(every[:, :2])
    off = np.maximum(low - every[:, 2], every[:, 2] - high) - tol_m
    worst = int(off.argmax())
    x, y = every[worst, :2]
    what = f"height between its bends, at ({x:.2f}, {y:.2f}), off the surface"
    book.at_most("heights", name, what, float(off[worst]), 0, "m", _BETWEEN_M)


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
        steep = float((np.abs(np.diff(route[:, 2])) / np.maximum(step, 1e-3)).max())
        what = f"height off that of {trench.cables[0]}"
        book.at_most("heights", trench.id, what, float(off.max()), 0, "m", LENGTH_M * (1 + steep))


class _Surface:
    """Triangles between measured and far places, and which of them could not be others."""

    def __init__(self, z_at: dict[tuple[float, float], float]) -> None:
        z_at = z_at | _far_places(z_at)
        self.xy, self.heights = np.array(list(z_at)), np.array(list(z_at.values()))
        triangles = shapely.get_parts(shapely.delaunay_triangles(shapely.multipoints(self.xy)))
        corners = shapely.get_coordinates(triangles).reshape(-1, 4, 2)[:, :3]
        z = [z_at[round(x, 6), round(y, 6)] for x, y in corners.reshape(-1, 2).tolist()]
        self.corner_z: Points = np.array(z).reshape(-1, 3)
        self.centre, self.radius = _circumcircles(corners)
        away = np.hypot(*np.moveaxis(self.centre[:, None] - self.xy[None], 2, 0))
        self.sure = (np.abs(away - self.radius[:, None]) <= _ON_CIRCLE_M).sum(axis=1) <= 3
        self._corner = corners[:, 2]
        sides = np.stack([corners[:, 0] - corners[:, 2], corners[:, 1] - corners[:, 2]], axis=2)
        flat = np.abs(np.linalg.det(sides)) < _FLAT_M2
        self.sure &= ~flat
        sides[flat] = np.eye(2)
        self._to_shares = np.linalg.inv(sides)
        self._slope = np.einsum("ni,nij->nj", self.corner_z[:, :2] - self.corner_z[:, 2:], self._to_shares)

    def at(self, places: Points) -> tuple[Points, Points, Points]:
        """(n,) least and greatest height the surface may have at (n, 2) places, and what their rounding may add."""
        blocks = [self._at(places[start : start + _AT_ONCE]) for start in range(0, len(places), _AT_ONCE)]
        low, high, tol_m = (np.concatenate(column) for column in zip(*blocks, strict=True))
        return low, high, tol_m

    def _at(self, places: Points) -> tuple[Points, Points, Points]:
        two = np.einsum("tij,ntj->nti", self._to_shares, places[:, None] - self._corner[None])
        shares = np.concatenate([two, 1 - two.sum(axis=2, keepdims=True)], axis=2)
        holds = np.all(shares >= -1e-9, axis=2)
        exact = np.any(holds, axis=1) & np.all(self.sure[None] | ~holds, axis=1)
        z = (shares * self.corner_z).sum(axis=2)
        low, high = np.where(holds, z, np.inf).min(axis=1), np.where(holds, z, -np.inf).max(axis=1)
        steep = np.where(holds, np.hypot(*self._slope.T), 0.0).max(axis=1)
        tol_m = np.where(exact, 0.002 + PLACE_M * steep, 0.002)
        for i in np.flatnonzero(~exact):
            away = np.hypot(self.centre[:, 0] - places[i, 0], self.centre[:, 1] - places[i, 1])
            round_it = away <= self.radius * (1 + 1e-6) + 0.002
            near = self.corner_z[round_it] if round_it.any() else self.heights
            low[i], high[i] = near.min(), near.max()
        return low, high, tol_m


def _far_places(z_at: dict[tuple[float, float], float]) -> dict[tuple[float, float], float]:
    """Sixteen places that nobody measured, as high as the measured place nearest to each."""
    measured = list(z_at)
    xs, ys = [x for x, _ in measured], [y for _, y in measured]
    middle = (min(xs) + max(xs)) / 2, (min(ys) + max(ys)) / 2
    radius_m = max(_LEAST_M, 3 * math.hypot(max(xs) - min(xs), max(ys) - min(ys)))
    far = {}
    for k in range(_FAR):
        angle = 2 * math.pi * (k + _FIRST) / _FAR
        place = round(middle[0] + radius_m * math.cos(angle), 6), round(middle[1] + radius_m * math.sin(angle), 6)
        far[place] = z_at[min(measured, key=lambda at, place=place: round(math.dist(at, place), 3))]  # type: ignore[misc]
    return far


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
