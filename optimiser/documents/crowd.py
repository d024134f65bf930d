"""At which scale the labels of a plan can be read. In: Plan. Out: a scale.

An estimate of how much of the paper labels would cover, square by square; whether they really find room shows when
they are placed.
"""

from __future__ import annotations

import itertools
import math

import numpy as np
from numpy.typing import NDArray

from ..plan.model import Plan
from .sheet import ROUND_SCALES

Floats = NDArray[np.float64]

_SQUARE_MM = 60.0
_FULL = 0.42  # of a square covered by labels: more is a crowd
_CROWDED = 0.15  # of all labels may stand in a crowd
# Areas of labels in mm² at factor 1: as measured on the cases.
_LAMP, _JOINT, _CABLE, _TRENCH, _DRIVER = 32.0, 10.0, 24.0, 20.0, 230.0


def readable_scale(plan: Plan, factor: float) -> int:
    """The smallest scale (the largest number) of the round ones at which few labels stand in a crowd."""
    places, areas = _labels(plan)
    for scale in reversed(ROUND_SCALES):
        if _crowded(places * 1000 / scale, areas * factor**2) <= _CROWDED:
            return scale
    return ROUND_SCALES[0]


def _labels(plan: Plan) -> tuple[Floats, Floats]:
    """(n, 2) places in m, (n,) areas in mm²."""
    made: list[tuple[float, float, float]] = [(lamp.x, lamp.y, _LAMP) for lamp in plan.lamps]
    made += [(joint.x, joint.y, _JOINT) for joint in plan.joints if joint.post is None]
    made += [(driver.x, driver.y, _DRIVER) for driver in plan.drivers]
    for routes, area in (
        ([cable.route for cable in plan.cables], _CABLE),
        ([t.route for t in plan.trenches if t.length_m > 1.0], _TRENCH),
    ):
        for route in routes:
            a, b = max(itertools.pairwise(route), key=lambda part: math.dist(part[0][:2], part[1][:2]),
                       default=(route[0], route[0]))  # fmt: skip
            made.append(((a[0] + b[0]) / 2, (a[1] + b[1]) / 2, area))
    found = np.array(made, dtype=np.float64)
    return found[:, :2], found[:, 2]


def _crowded(places_mm: Floats, areas: Floats) -> float:
    """Share of the labels that stand in squares more than full."""
    squares = np.floor((places_mm - places_mm.min(axis=0)) / _SQUARE_MM).astype(np.int64)
    _, of = np.unique(squares, axis=0, return_inverse=True)
    sums = np.bincount(of.reshape(-1), weights=areas)
    return float(areas[sums[of.reshape(-1)] > _FULL * _SQUARE_MM**2].sum() / areas.sum())
