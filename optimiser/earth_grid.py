"""The grid on which latitude and longitude become metres, and back. In: degrees on WGS 84. Out: x and y in m.

The grid is a transverse Mercator projection with scale 1 on the meridian of its origin: conformal, y to true north, and
within 5 km of the origin lengths are true to 1 in 3 000 000. A site's own grid may be turned and shifted against it.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Degrees = tuple[float, float]
"""Longitude, latitude."""


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


@dataclass(frozen=True)
class Position:
    """
    Where a site's own grid of x and y lies on Earth.

    Attributes
    ----------
    longitude, latitude
        In degrees (WGS 84), of the place (``x_m``, ``y_m``).
    y_bearing
        Bearing of the y axis there, in degrees from true north, clockwise.
    """

    longitude: float
    latitude: float
    x_m: float = 0.0
    y_m: float = 0.0
    y_bearing: float = 0.0

    def __post_init__(self) -> None:
        if not (abs(self.longitude) <= 180 and abs(self.latitude) <= 90):
            raise ValueError(f"longitude {self.longitude}, latitude {self.latitude}: no such place")
        if not all(map(math.isfinite, (self.x_m, self.y_m, self.y_bearing))):
            raise ValueError("x_m, y_m and y_bearing must be finite numbers")

    def degrees(self, places: Floats) -> Floats:
        """(n, 2) longitude (-180 to 180) and latitude of (n, 2) places of the site, in degrees."""
        turn = math.radians(self.y_bearing)
        dx, dy = (np.asarray(places, dtype=float).reshape(-1, 2) - (self.x_m, self.y_m)).T
        east, north = dx * math.cos(turn) + dy * math.sin(turn), dy * math.cos(turn) - dx * math.sin(turn)
        found = to_degrees(np.stack([east, north], axis=1), (self.longitude, self.latitude))
        found[:, 0] = (found[:, 0] + 180) % 360 - 180
        return found
