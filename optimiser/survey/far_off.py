"""Lamps much farther from all else than the others are, as a slip in x or y leaves them. In: Points. Out: FarOff.

No fault: a lamp may stand alone at the end of a drive. But a plan then digs all the way there, so it says so.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from .points import Point

_FAR_M = 25.0
"""No lamp nearer to another point is far off (common practice, no source)."""
_TIMES_USUAL = 8


@dataclass(frozen=True)
class FarOff:
    """A sentence, and the lamp's place, in m."""

    words: str
    place: tuple[float, float]


def far_off(points: Sequence[Point]) -> list[FarOff]:
    """Lamps far from the next point, in the order of the survey; none where there are too few to tell what is far."""
    from scipy.spatial import cKDTree

    whole = [point for point in points if point.whole]
    lamps = [point for point in whole if point.kind == "lamp"]
    if len(lamps) < 4:
        return []
    places = np.unique(np.array([(point.x, point.y) for point in whole]), axis=0)
    if len(places) < 4:
        return []
    here = np.array([(lamp.x, lamp.y) for lamp in lamps])
    apart = np.asarray(cKDTree(places).query(here, k=2)[0])[:, 1]
    usual = float(np.median(apart))
    return [
        FarOff(
            f"lamp {lamps[k].name} is {apart[k]:.0f} m from the next point of the survey: look whether it stands there",
            (lamps[k].x, lamps[k].y),
        )
        for k in np.flatnonzero(apart > max(_FAR_M, _TIMES_USUAL * usual)).tolist()
    ]


__all__ = ["FarOff", "far_off"]
