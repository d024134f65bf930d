"""Which pieces of ground the sheets of a set show. In: places, room on a sheet, in metres. Out: middles of the sheets.

As few sheets as two simple ways find: strips from west to east, each covered from its first place on, or strips from
north to south. Sheets that would be empty are not drawn.
"""

from __future__ import annotations

import itertools
import math

import numpy as np
from numpy.typing import NDArray

from ..plan.model import Plan

Floats = NDArray[np.float64]


def built_places(plan: Plan, step_m: float) -> Floats:
    """(n, 2) places of all that is built, routes at least every ``step_m``."""
    routes = [cable.route for cable in plan.cables] + [trench.route for trench in plan.trenches]
    routes += [lamp.lead_route for lamp in plan.lamps]
    places = [(lamp.x, lamp.y) for lamp in plan.lamps] + [(joint.x, joint.y) for joint in plan.joints]
    places += [(driver.x, driver.y) for driver in plan.drivers]
    for route in routes:
        for a, b in itertools.pairwise(route):
            parts = max(1, math.ceil(math.dist(a[:2], b[:2]) / step_m))
            places += [(a[0] + (b[0] - a[0]) * k / parts, a[1] + (b[1] - a[1]) * k / parts) for k in range(parts + 1)]
    return np.unique(np.array(places, dtype=np.float64), axis=0)


def cover(places: Floats, width_m: float, height_m: float) -> list[tuple[float, float]]:
    """
    Middles of windows of this size; every one of the (n, 2) places lies in a window.

    In the order of reading: strip by strip, from north to south and from west to east.
    """
    across = _strips(places, width_m, height_m)
    down = [(x, y) for y, x in _strips(places[:, ::-1], height_m, width_m)]
    if len(down) < len(across):
        return sorted(down, key=lambda at: (at[0], -at[1]))
    return sorted(across, key=lambda at: (-at[1], at[0]))


def _strips(places: Floats, width_m: float, height_m: float) -> list[tuple[float, float]]:
    """Strips along the first coordinate, of equal height; each covered from its first place on."""
    low, high = float(places[:, 1].min()), float(places[:, 1].max())
    strips = max(1, math.ceil((high - low) / height_m - 1e-9))
    tall = (high - low) / strips
    strip_of = np.clip(np.floor((places[:, 1] - low) / tall), 0, strips - 1) if tall else np.zeros(len(places))
    found = []
    for strip in range(strips):
        here = places[strip_of == strip]
        here = here[np.argsort(here[:, 0], kind="stable")]
        while len(here):
            inside = here[:, 0] <= here[0, 0] + width_m
            taken, here = here[inside], here[~inside]
            middle = (taken[0, 0] + taken[-1, 0]) / 2
            found.append((float(middle), low + (strip + 0.5) * tall))
    return found
