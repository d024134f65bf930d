"""The surface between measured heights. In: measured places. Out: Surface: how low and how high it may be anywhere.

It is linear over the Delaunay triangles of the measured places and of far places round them (rules of account). Where
four or more of the places lie on one circle, they may be split into triangles in several ways: there the surface lies
between the lowest and the highest of all triangles of these places.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from functools import lru_cache
from itertools import combinations
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import STRtree

from .limits import PLACE_M

Points = NDArray[np.float64]
Ints = NDArray[np.int64]

_FAR, _FIRST, _LEAST_M = 16, 0.37, 100.0
"""Far places, the step the first is turned by, and the least radius of their circle, in m."""
_BEYOND = 2
"""How many times as far from the middle as any zone's corner the far places stand."""
_NO_CORNERS = np.empty((0, 2))
_ON_CIRCLE_M, _FLAT_M2 = 0.003, 1e-6
"""Within this of a circle a place may be on it; triangles of less area than half of this have no slope."""
_NEAR_M = 0.002
"""A place that is rounded, or cut where slivers are not told apart, may be in any triangle within this."""
_ROUND_M = 0.002
_MANY_CORNERS = 16
_AT_ONCE = 4096


class Surface:
    """
    Triangles between measured places and far ones, and which of them could not be others.

    Parameters
    ----------
    measured
        x, y, z of each.
    corners
        (k, 2) corners of zones, which the far places stand beyond.
    """

    def __init__(self, measured: Iterable[tuple[float, float, float]], corners: Points = _NO_CORNERS) -> None:
        from scipy.spatial import cKDTree

        points = np.array(list(measured), dtype=float).reshape(-1, 3)
        every = np.vstack([points, _far_places(points, corners)])
        self._middle = every[:, :2].mean(axis=0)  # national grids run to millions of metres
        self._xy, self._z = every[:, :2] - self._middle, every[:, 2]
        self._places = cKDTree(self._xy)
        triangles = shapely.get_parts(shapely.delaunay_triangles(shapely.multipoints(self._xy)))
        ends = shapely.get_coordinates(triangles).reshape(-1, 4, 2)[:, :3]
        self._corners: Ints = np.asarray(self._places.query(ends)[1], dtype=np.int64)
        self._centre, self._radius = _circumcircles(ends)
        on_circle = self._places.query_ball_point(self._centre, self._radius + _ON_CIRCLE_M, return_length=True)
        self._to_shares, self._flat = _to_shares(ends)
        self._sure = (on_circle <= 3) & ~self._flat
        self._steep = np.where(self._flat, 0.0, _steepness(self._to_shares, self._z[self._corners]))
        self._triangles = STRtree(triangles)
        self._lay_sides()

    def _lay_sides(self) -> None:
        ends = np.sort(
            np.vstack([self._corners[:, [0, 1]], self._corners[:, [1, 2]], self._corners[:, [2, 0]]]), axis=1
        )
        pairs = np.unique(ends, axis=0)
        self._from, self._to = self._xy[pairs[:, 0]], self._xy[pairs[:, 1]]
        sides: Any = shapely.linestrings(np.stack([self._from, self._to], axis=1))
        self._sides = STRtree(sides)

    def crossed(self, a: Points, b: Points) -> tuple[Ints, Points]:
        """Which of n lines from a to b, (n, 2) each, cross the side of a triangle, and at which share of them."""
        a, way = a - self._middle, b - a
        line, side = self._sides.query(shapely.linestrings(np.stack([a, a + way], axis=1)))
        along, off = self._to[side] - self._from[side], self._from[side] - a[line]
        across = way[line, 0] * along[:, 1] - way[line, 1] * along[:, 0]
        with np.errstate(divide="ignore", invalid="ignore"):
            share = (off[:, 0] * along[:, 1] - off[:, 1] * along[:, 0]) / across
            of_side = (off[:, 0] * way[line, 1] - off[:, 1] * way[line, 0]) / across
            meets = (share > 0) & (share < 1) & (of_side >= 0) & (of_side <= 1)
        return line[meets], share[meets]

    def at(self, places: Points) -> tuple[Points, Points, Points]:
        """(n,) least and greatest height the surface may have at (n, 2) places, and what their rounding may add."""
        blocks = [self._at(places[start : start + _AT_ONCE]) for start in range(0, len(places), _AT_ONCE)]
        low, high, tol_m = (np.concatenate(column) for column in zip(*blocks, strict=True))
        return low, high, tol_m

    def _at(self, places: Points) -> tuple[Points, Points, Points]:
        local, n = places - self._middle, len(places)
        place, triangle = self._triangles.query(shapely.points(local), predicate="dwithin", distance=_NEAR_M)
        corner_z = self._z[self._corners[triangle]]
        shares = _shares(self._to_shares[triangle], local[place] - self._xy[self._corners[triangle, 2]])
        holds = (shares >= -1e-9).all(axis=1)
        z = (shares * corner_z).sum(axis=1)
        low, high = _extremes(place[holds], z[holds], z[holds], n)
        lowest, highest = _extremes(
            place, corner_z.min(axis=1, initial=np.inf), corner_z.max(axis=1, initial=-np.inf), n
        )
        steep = np.zeros(n)
        np.maximum.at(steep, place, self._steep[triangle])
        unsure = ~np.isfinite(low)
        unsure[place[~self._sure[triangle]]] = True
        for i in np.flatnonzero(unsure):
            low[i], high[i], slope = self._any_triangle(local[i], triangle[place == i])
            steep[i] = max(steep[i], slope)
        # Within a step of rounding the surface is no higher and no lower than the corners round it.
        more = np.maximum(np.maximum(high, highest) - low, high - np.minimum(low, lowest))
        return low, high, _ROUND_M + np.minimum(PLACE_M * steep, more)

    def _any_triangle(self, place: Points, near: Ints) -> tuple[float, float, float]:
        """Lowest, highest and steepest of all triangles over a place that may stand for those near it."""
        groups = [self._on_circle(triangle) for triangle in near[~self._flat[near]]]
        if self._flat[near].any():  # a sliver: any triangle of it and its neighbours
            groups.append(np.unique(self._corners[near]))
        found = [over for group in groups if (over := self._over(place, group))]
        if not found:
            z = self._z[np.concatenate(groups)] if groups else self._z
            return float(z.min()), float(z.max()), 0.0
        low, high, steep = zip(*found, strict=True)
        return min(low), max(high), max(steep)

    def _on_circle(self, triangle: int) -> Ints:
        near = self._places.query_ball_point(self._centre[triangle], self._radius[triangle] + _ON_CIRCLE_M)
        return np.unique(np.concatenate([self._corners[triangle], np.array(near, dtype=np.int64)]))

    def _over(self, place: Points, corners: Ints) -> tuple[float, float, float] | None:
        """Lowest, highest and steepest of all triangles of these corners that hold the place; None where none does."""
        if len(corners) > _MANY_CORNERS:
            z = self._z[corners]
            return float(z.min()), float(z.max()), 0.0
        three = corners[_threes(len(corners))]
        to_shares, flat = _to_shares(self._xy[three])
        shares = _shares(to_shares, place - self._xy[three[:, 2]])
        over = ~flat & (shares >= -1e-9).all(axis=1)
        if not over.any():
            return None
        there = (shares[over] * self._z[three[over]]).sum(axis=1)
        steep = _steepness(to_shares[over], self._z[three[over]])
        return float(there.min()), float(there.max()), float(steep.max())


def _extremes(index: Ints, low: Points, high: Points, n: int) -> tuple[Points, Points]:
    """(n,) least of ``low`` and greatest of ``high`` by index; infinite where there is none."""
    least, greatest = np.full(n, np.inf), np.full(n, -np.inf)
    np.minimum.at(least, index, low)
    np.maximum.at(greatest, index, high)
    return least, greatest


@lru_cache(maxsize=64)
def _threes(count: int) -> Ints:
    return np.array(list(combinations(range(count), 3)), dtype=np.int64)


def _to_shares(corners: Points) -> tuple[Any, Any]:
    """(t, 2, 2) what turns a way from the third corner into shares of the first two; whether a triangle is flat."""
    sides = np.stack([corners[:, 0] - corners[:, 2], corners[:, 1] - corners[:, 2]], axis=2)
    flat = np.abs(np.linalg.det(sides)) < _FLAT_M2
    sides[flat] = np.eye(2)
    return np.linalg.inv(sides), flat


def _shares(to_shares: Points, way: Points) -> Points:
    """(n, 3) shares of the corners in places that lie so far from the third, (n, 2)."""
    two = np.einsum("nij,nj->ni", to_shares, way)
    return np.column_stack([two, 1 - two.sum(axis=1)])


def _steepness(to_shares: Points, corner_z: Points) -> Points:
    slope = np.einsum("ni,nij->nj", corner_z[:, :2] - corner_z[:, 2:], to_shares)
    return np.asarray(np.hypot(*slope.T), dtype=float)


def _far_places(points: Points, corners: Points) -> Points:
    """Sixteen places that nobody measured, as high as the measured place nearest to each; of equally near the first."""
    (x0, y0), (x1, y1) = points[:, :2].min(axis=0), points[:, :2].max(axis=0)
    out_m = max((math.dist((x, y), ((x0 + x1) / 2, (y0 + y1) / 2)) for x, y in corners.tolist()), default=0.0)
    radius_m = max(_LEAST_M, 3 * math.hypot(x1 - x0, y1 - y0), _BEYOND * out_m)
    far = []
    for k in range(_FAR):
        angle = 2 * math.pi * (k + _FIRST) / _FAR
        x, y = (x0 + x1) / 2 + radius_m * math.cos(angle), (y0 + y1) / 2 + radius_m * math.sin(angle)
        away = np.round(np.hypot(points[:, 0] - x, points[:, 1] - y), 3)
        far.append((x, y, points[int(away.argmin()), 2]))
    return np.array(far)


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
