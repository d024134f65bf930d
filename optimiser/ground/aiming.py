"""Whether a lead still reaches its lamp wherever that is moved when it is aimed. In: barred ground, places. Out: bools.

A lamp may be moved straight to any place within its aim reserve as long as it crosses no ground that bars leads. Its
lead has the reserve to spare, so on the flat its length always suffices (triangle inequality); its way is looked at
here. All ways from a joint to the places of a polygon fill the triangles that the joint makes with the polygon's sides.
"""

from __future__ import annotations

import numpy as np
import shapely
from shapely import Polygon
from shapely.geometry.base import BaseGeometry

from .graph import Bools, Floats

CORNERS = 32
_TINY_M = 1e-6


def circle(place: Floats, radius_m: float, corners: int = CORNERS) -> Floats:
    """(corners, 2) places round one."""
    turn = 2 * np.pi * np.arange(corners) / corners
    return np.asarray(place + radius_m * np.column_stack([np.cos(turn), np.sin(turn)]), dtype=float)


def ways_are_free(barred: BaseGeometry, place: Floats, reserve_m: float, joints: Floats) -> Bools:
    """
    Whether no lead from a joint to a place within the reserve crosses barred ground.

    Parameters
    ----------
    barred
        Ground that bars leads; touching it is not crossing it.
    place
        (2,) where the lamp was surveyed, not in barred ground.
    reserve_m
        How far it may be moved, in m.
    joints
        (n, 2) places of joints.

    Returns
    -------
    (n,); where the circle is cut apart by barred ground, only the part that the lamp stands in counts.
    """
    free = np.ones(len(joints), dtype=bool)
    if reserve_m <= 0 or not len(joints):
        return free
    # Drawn round the circle, so that its sides hold it whole.
    disc = Polygon(circle(place, reserve_m / np.cos(np.pi / CORNERS)))
    far_m = reserve_m + float(np.hypot(*(joints - place).T).max())
    barred = shapely.intersection(barred, shapely.Point(place).buffer(2 * far_m))
    if barred.is_empty:
        return free
    parts = [part for part in shapely.get_parts(shapely.difference(disc, barred)) if isinstance(part, Polygon)]
    if not parts:
        return free
    own = min(parts, key=lambda part: part.distance(shapely.Point(place)))
    inner = shapely.buffer(barred, -_TINY_M, join_style="mitre")
    ring = shapely.get_coordinates(own.exterior)
    sides = np.stack([ring[:-1], ring[1:]], axis=1)
    shapely.prepare(inner)
    corners = np.empty((len(joints), len(sides), 3, 2))
    corners[:, :, 0] = joints[:, None]
    corners[:, :, 1:] = sides[None]
    crosses = np.asarray(shapely.intersects(inner, shapely.polygons(corners)), dtype=bool)
    return np.asarray(~crosses.any(axis=1), dtype=bool)
