"""The surface between measured heights. In: Survey. Out: Heights, which tells z anywhere.

The surface is linear over the Delaunay triangles (in plan) of every measured point: lamps, supply points, corners of
surveyed zones that carry z, sleeves, trees, mains lines and pegs, in that order; of points at one place the first
holds. Outside the hull, and where the points span no triangle, the nearest measured point's height holds.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import shapely

from ..survey.model import Survey
from .graph import Floats


def measured_points(survey: Survey) -> Floats:
    """(n, 3) places with heights, each place once, in the order of the module's first lines."""
    places = [lamp.place for lamp in survey.lamps]
    places += [supply.place for supply in survey.supplies]
    for zone in survey.zones:
        if zone.of == "survey" and zone.polygon.has_z:
            places += [tuple(row) for row in shapely.get_coordinates(zone.polygon, include_z=True)]
    places += [place for sleeve in survey.sleeves for place in sleeve.route]
    places += [tree.place for tree in survey.trees]
    places += [place for line in survey.mains for place in line.route]
    places += [peg.place for peg in survey.pegs]
    seen: dict[tuple[float, float], tuple[float, float, float]] = {}
    for x, y, z in places:
        seen.setdefault((round(x, 3), round(y, 3)), (x, y, z))
    return np.array(list(seen.values()), dtype=float).reshape(-1, 3)


class Heights:
    """Heights of the ground; ``flat`` where none were measured."""

    def __init__(self, survey: Survey) -> None:
        self.flat = not survey.has_heights
        self._triangles: Any = None
        self._nearest: Any = None
        if self.flat:
            return
        from scipy.spatial import Delaunay, QhullError, cKDTree

        points = measured_points(survey)
        self._z = points[:, 2]
        self._nearest = cKDTree(points[:, :2])
        try:
            self._middle = points[:, :2].mean(axis=0)
            self._triangles = Delaunay(points[:, :2] - self._middle)
        except (QhullError, ValueError):  # fewer than three points, or all on one line
            self._triangles = None

    def at(self, points: Floats) -> Floats:
        """(n,) heights in m of (n, 2) points; zeros where no heights were measured."""
        points = np.asarray(points, dtype=float).reshape(-1, 2)
        if self.flat or not len(points):
            return np.zeros(len(points))
        z: Floats = np.full(len(points), np.nan)
        if self._triangles is not None:
            local = points - self._middle
            triangle = self._triangles.find_simplex(local)
            within = np.flatnonzero(triangle >= 0)
            to_shares = self._triangles.transform[triangle[within]]
            two = np.einsum("nij,nj->ni", to_shares[:, :2], local[within] - to_shares[:, 2])
            corner_z = self._z[self._triangles.simplices[triangle[within]]]
            z[within] = (two * corner_z[:, :2]).sum(axis=1) + (1 - two.sum(axis=1)) * corner_z[:, 2]
        outside = np.isnan(z)
        if outside.any():
            z[outside] = self._z[self._nearest.query(points[outside])[1]]
        return z
