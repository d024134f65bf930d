"""The surface between measured heights. In: Survey. Out: Heights: z anywhere, and the lines along which it bends.

The surface is linear over the Delaunay triangles (in plan) of every measured point and of ``FAR`` points that nobody
measured, on a circle far outside: each of them is as high as the measured point nearest to it. So the surface has no
step anywhere, and beyond the measured points it goes on nearly level. A line laid along it bends where it leaves one
triangle for another: at *creases*.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import shapely

from ..survey.model import Survey
from .graph import Floats

FAR = 16
"""How many points stand outside; their circle's radius is three times the measured extent, 100 m at least.

Twice as far out as any zone's corner, too: ways round a long wall must not leave the surface.
"""
_NO_CORNERS = np.empty((0, 2))
_TURN = 0.37
"""Which part of a step the first of them is turned by, so that on square sites no two measured points are as near."""
_CREASE = 1e-5
"""Triangles whose slopes differ by less are one plane: over 100 m they part by a millimetre."""


def with_far_points(points: Floats, corners: Floats = _NO_CORNERS) -> Floats:
    """
    Measured points and, after them, the far ones: of equally near points the first tells their height.

    Parameters
    ----------
    points
        (n, 3) measured points.
    corners
        (k, 2) corners of zones.
    """
    low, high = points[:, :2].min(axis=0), points[:, :2].max(axis=0)
    out_m = np.hypot(*(corners - (low + high) / 2).T).max(initial=0.0)
    radius_m = max(100.0, 3 * float(np.hypot(*(high - low))), 2 * float(out_m))
    angle = (np.arange(FAR) + _TURN) * (2 * np.pi / FAR)
    far = (low + high) / 2 + radius_m * np.column_stack([np.cos(angle), np.sin(angle)])
    apart = np.hypot(*np.moveaxis(far[:, None] - points[None, :, :2], 2, 0))
    return np.vstack([points, np.column_stack([far, points[np.round(apart, 3).argmin(axis=1), 2]])])


class Heights:
    """
    Heights of the ground.

    Attributes
    ----------
    flat
        Whether none were measured.
    creases
        Both ends, (k, 2) each, of the lines along which the surface bends.
    """

    def __init__(self, survey: Survey) -> None:
        self.flat = not survey.has_heights
        self.creases: tuple[Floats, Floats] = (np.empty((0, 2)), np.empty((0, 2)))
        if self.flat:
            return
        from scipy.spatial import Delaunay, cKDTree

        corners = shapely.get_coordinates([zone.polygon for zone in survey.zones])
        points = with_far_points(np.array(survey.heights, dtype=float).reshape(-1, 3), corners)
        self._z = points[:, 2]
        self._nearest = cKDTree(points[:, :2])
        self._middle = points[:, :2].mean(axis=0)
        self._triangles: Any = Delaunay(points[:, :2] - self._middle)
        self.creases = self._bends(points[:, :2])

    def _bends(self, xy: Floats) -> tuple[Floats, Floats]:
        corners, to_shares = self._triangles.simplices, self._triangles.transform
        z = self._z[corners]
        with np.errstate(invalid="ignore"):
            slope = np.einsum("ni,nij->nj", z[:, :2] - z[:, 2:], to_shares[:, :2])
        ends = []
        for k in range(3):  # the side opposite a corner, from its one triangle to the other
            other = self._triangles.neighbors[:, k]
            mine = np.flatnonzero(other > np.arange(len(other)))
            apart = np.abs(slope[mine] - slope[other[mine]]).max(axis=1, initial=0.0)
            ends.append(corners[mine[~(apart <= _CREASE)]][:, [(k + 1) % 3, (k + 2) % 3]])
        pairs = np.vstack(ends)
        return xy[pairs[:, 0]], xy[pairs[:, 1]]

    def at(self, points: Floats) -> Floats:
        """(n,) heights in m of (n, 2) points; zeros where no heights were measured."""
        points = np.asarray(points, dtype=float).reshape(-1, 2)
        if self.flat or not len(points):
            return np.zeros(len(points))
        z: Floats = np.full(len(points), np.nan)
        local = points - self._middle
        triangle = self._triangles.find_simplex(local)
        within = np.flatnonzero(triangle >= 0)
        to_shares = self._triangles.transform[triangle[within]]
        two = np.einsum("nij,nj->ni", to_shares[:, :2], local[within] - to_shares[:, 2])
        corner_z = self._z[self._triangles.simplices[triangle[within]]]
        z[within] = (two * corner_z[:, :2]).sum(axis=1) + (1 - two.sum(axis=1)) * corner_z[:, 2]
        lost = np.flatnonzero(np.isnan(z))  # hundreds of metres away, or in a triangle without area
        if len(lost):
            z[lost] = self._z[self._nearest.query(points[lost])[1]]
        return z
