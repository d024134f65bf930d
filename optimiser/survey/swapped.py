"""x and y changed over in the rows of lamps or supply points. In: Points, zones. Out: a sentence, or none.

A survey changed over as a whole is a mirror image that nothing in it tells from the truth. Where zones were written one
way and lamps the other, the lamps lie where none would stand, and changed back they do not: that is said.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import shapely

from ..job import Job
from .model import Zone
from .points import Point, fold
from .zones import Outline

_LEAST = 3
"""Fewer points may lie so by chance (common practice, no source)."""
_BESIDE_M = 1.0
"""How far outside all that was surveyed a point may lie and not seem astray (common practice, no source)."""


def swapped(points: Sequence[Point], outlines: Sequence[Outline], zones: Sequence[Zone], job: Job | None) -> str:
    """What is said where the places of all lamps, or all supply points, are right only with x and y changed over."""
    whole = [point for point in points if point.whole]
    corners = [(corner.x, corner.y) for _, ring, _ in outlines for corner in ring]
    if len(corners) < _LEAST:
        return ""
    (west, south), (east, north) = np.min(corners, axis=0) - _BESIDE_M, np.max(corners, axis=0) + _BESIDE_M
    site = shapely.box(west, south, east, north)
    tolerance_m = job.rules.border_tolerance_m if job is not None else 0.0
    closed = [
        (shapely.buffer(shapely.force_2d(zone.polygon), -tolerance_m), job.grounds[zone.ground].is_water)
        for zone in zones
        if job is not None and zone.of == "survey" and job.grounds[zone.ground].no_dig
    ]
    float_types = {fold(name) for name, lamp in job.lamps.items() if lamp.submersible} if job is not None else set()

    def astray(chosen: Sequence[Point], *, changed: bool) -> tuple[np.ndarray, np.ndarray]:
        """(n,) whether each lies outside the box round all zones, (n,) or in ground where it does not belong."""
        places = np.array([(point.y, point.x) if changed else (point.x, point.y) for point in chosen])
        outside, inside = ~shapely.contains_xy(site, places), np.zeros(len(chosen), dtype=bool)
        floats = np.array([point.kind == "lamp" and fold(point.of) in float_types for point in chosen])
        for shape, is_water in closed:
            inside |= shapely.contains_xy(shape, places) & ~(is_water & floats)
        return outside, inside

    kinds = {"lamps": ("lamp",), "supply points": ("supply",), "lamps and supply points": ("lamp", "supply")}
    for word, kind in kinds.items():
        chosen = [point for point in whole if point.kind in kind]
        if len(chosen) < _LEAST:
            continue
        outside, inside = astray(chosen, changed=False)
        if (outside | inside).all() and not np.logical_or(*astray(chosen, changed=True)).any():
            ways = ["outside all zones"] * bool(outside.any()) + ["in ground that may not be dug"] * bool(inside.any())
            return (
                f"all {len(chosen)} {word} lie {' or '.join(ways)}, and none would with x and y changed over: "
                "are x and y swapped in their rows?"
            )
    return ""
