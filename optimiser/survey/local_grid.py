"""Latitude and longitude to metres on a grid of the site. In: degrees on WGS 84. Out: x east, y north, in m.

The grid is a transverse Mercator projection with scale 1 on the meridian of its origin: conformal, y to true north, and
within 5 km of the origin lengths are true to 1 in 3 000 000.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Degrees = tuple[float, float]
"""Longitude, latitude."""

RADIUS_OVER_SIGMA = 1.5096
"""A circle of sqrt(-2 ln(1 - 0.68)) standard errors of x (and of y) holds 68 % of all fixes, a phone's accuracy."""


@lru_cache(maxsize=8)
def _projection(origin: Degrees) -> Any:
    import pyproj

    return pyproj.Proj(proj="tmerc", lon_0=origin[0], lat_0=origin[1], k_0=1, ellps="WGS84")


def to_metres(positions: Sequence[Degrees], origin: Degrees) -> Floats:
    """(n, 2) x, y in m of positions; infinite where a position is half the world away."""
    lon, lat = np.array(positions, dtype=float).reshape(-1, 2).T
    x, y = _projection(origin)(lon, lat)
    return np.stack([x, y], axis=1)


def to_degrees(places: Floats, origin: Degrees) -> Floats:
    """(n, 2) longitude and latitude of places on the grid."""
    x, y = np.asarray(places, dtype=float).reshape(-1, 2).T
    lon, lat = _projection(origin)(x, y, inverse=True)
    return np.stack([lon, lat], axis=1)


def fit_to_grid(places: Floats, targets: Floats) -> tuple[Floats, Floats]:
    """
    Turn and shift of one grid onto another, at the same scale, by least squares over points known in both.

    Parameters
    ----------
    places, targets
        (n, 2) with n of at least 2.

    Returns
    -------
    turn, shift
        (2, 2) and (2,): ``places @ turn.T + shift`` are the targets as nearly as can be.

    References
    ----------
    .. [1] W. Kabsch, A solution for the best rotation to relate two sets of vectors, Acta Cryst. A32 (1976) 922;
       doi:10.1107/S0567739476001873.
    """
    middle, aim = places.mean(axis=0), targets.mean(axis=0)
    left, _, right = np.linalg.svd((places - middle).T @ (targets - aim))
    mirrored = np.sign(np.linalg.det(right.T @ left.T))
    turn = right.T @ np.diag([1.0, mirrored]) @ left.T
    return turn, aim - turn @ middle
