"""Where the ground rises or falls between the ends of straight lines. In: Heights, trenches. Out: metres by cable.

Lines are reckoned straight between their ends (rules of account). Over a dip or a hump that was measured beside one, a
cable laid along the ground is longer than that.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from ..ground.heights import Heights
from .digging import Dug

STEP_M = 0.25
"""How finely the ground is followed."""


def longer_over_ground(heights: Heights, dug: Sequence[Dug]) -> dict[int, float]:
    """How much longer than reckoned each cable lies along the ground, in m; sleeves run straight."""
    more: dict[int, float] = {}
    if heights.flat:
        return more
    for trench in dug:
        if trench.sleeve >= 0:
            continue
        extra_m = _surface_m(heights, np.array(trench.route, dtype=float)) - trench.length_m
        for cable in trench.cables:
            more[cable] = more.get(cable, 0.0) + extra_m
    return more


def _surface_m(heights: Heights, route: np.ndarray) -> float:
    """Length along the ground of a route, (n, 3)."""
    total = 0.0
    for a, b in zip(route[:-1, :2], route[1:, :2], strict=True):
        count = max(1, int(np.ceil(np.hypot(*(b - a)) / STEP_M)))
        xy = a + (b - a) * np.linspace(0.0, 1.0, count + 1)[:, None]
        total += float(np.sqrt((np.diff(np.column_stack([xy, heights.at(xy)]), axis=0) ** 2).sum(axis=1)).sum())
    return total
