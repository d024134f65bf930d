"""Lamps far from all else, as a slip in x or y leaves them, and sites far too large. In: Points. Out: FarOff, words.

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
_APART_M = 50.0
"""Points of a garden or park are nearer to one another (common practice, no source)."""


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


def in_another_unit(points: Sequence[Point]) -> list[str]:
    """A sentence where x and y seem to be in centimetres or millimetres: whole numbers, and points far from another."""
    from scipy.spatial import cKDTree

    places = np.unique(np.array([(point.x, point.y) for point in points if point.whole]).reshape(-1, 2), axis=0)
    if len(places) < 4 or (places != np.round(places)).any():
        return []
    usual = float(np.median(np.asarray(cKDTree(places).query(places, k=2)[0])[:, 1]))
    if usual < _APART_M:
        return []
    return [
        f"x and y are whole numbers, and points lie {usual:.0f} m from the next (the median): are they in cm or mm? "
        "The survey is in metres"
    ]


__all__ = ["FarOff", "far_off", "in_another_unit"]
