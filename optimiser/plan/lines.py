"""Straight lines of the ground graph as they lie on the ground. In: Ground, edges. Out: Line of each edge.

Shares are those of the plan: 0 at an edge's lower node, 1 at its upper, even in plan whatever the slope between.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from ..ground import Ground
from ..ground.graph import Floats
from ..ground.zones import LinePiece
from ..survey.model import Place

_BEND_M = 1e-4
"""A place that is no higher or lower than this from the straight line between those kept is no bend."""


@dataclass(frozen=True)
class Stretch:
    """Part of a line in one ground, by shares."""

    frm: float
    to: float
    ground: str
    depth_mm: float


@dataclass(frozen=True)
class Line:
    """
    One edge that is neither sleeve nor stub.

    Attributes
    ----------
    stretches
        Its parts in one ground each, in order.
    ends
        (2, 3) its two nodes.
    at, z
        (k,) shares from 0 to 1, and heights there, in m: both ends and every bend of the surface.
    """

    stretches: list[Stretch]
    ends: Floats
    at: Floats
    z: Floats

    def place(self, share: float) -> Place:
        """The place at a share of it, to the millimetre."""
        a, b = self.ends
        x, y = (a + (b - a) * share)[:2]
        return rounded((x, y, float(np.interp(share, self.at, self.z))))

    def bends(self, frm: float, to: float) -> list[float]:
        """Shares strictly between two others at which it bends."""
        return [float(share) for share in self.at[1:-1] if frm + 1e-9 < share < to - 1e-9]

    def length_m(self, frm: float, to: float) -> float:
        """Length along the ground between two shares, in m."""
        shares = np.array([frm, *self.bends(frm, to), to])
        plan_m = float(np.hypot(*(self.ends[1] - self.ends[0])[:2])) * np.diff(shares)
        return float(np.hypot(plan_m, np.diff(np.interp(shares, self.at, self.z))).sum())


def lines_of(ground: Ground, edges: Sequence[int]) -> dict[int, Line]:
    """Lines of those edges that are neither sleeves nor stubs, all cut at once."""
    graph = ground.graph
    straight = [edge for edge in edges if graph.sleeve[edge] < 0 and not graph.stub[edge]]
    if not straight:
        return {}
    ends = graph.xyz[graph.ends[straight]]
    split = ground.land.split_lines(ends[:, 0], ends[:, 1])
    return {edge: _line(a_b, pieces) for edge, a_b, pieces in zip(straight, ends, split, strict=True)}


def _line(ends: Floats, pieces: list[LinePiece]) -> Line:
    total = float(np.hypot(*(ends[1] - ends[0])[:2])) or 1.0
    at, z = [0.0], [float(ends[0, 2])]
    stretches: list[Stretch] = []
    gone = 0.0
    for k, piece in enumerate(pieces):
        frm = gone
        for p, q in pairwise(piece.route):
            gone += float(np.hypot(q[0] - p[0], q[1] - p[1])) / total
            at.append(gone)
            z.append(q[2])
        if k == len(pieces) - 1:
            gone = at[-1] = 1.0
        stretches.append(Stretch(frm, gone, piece.ground, piece.depth_mm))
    shares, heights = np.array(at), np.array(z)
    kept = kept_bends(shares, heights)
    return Line(stretches, ends, shares[kept], heights[kept])


def kept_bends(at: Floats, z: Floats) -> list[int]:
    """Places that a line needs so that none left out is off the straight between those kept by more than 0.1 mm."""
    kept, low, high = [0], -math.inf, math.inf  # slopes from the last kept place past all since
    for i in range(1, len(at)):
        slope = (z[i] - z[kept[-1]]) / max(at[i] - at[kept[-1]], 1e-12)
        if not low <= slope <= high:
            kept.append(i - 1)
            low, high = -math.inf, math.inf
        run = max(at[i] - at[kept[-1]], 1e-12)
        rise = z[i] - z[kept[-1]]
        low, high = max(low, (rise - _BEND_M) / run), min(high, (rise + _BEND_M) / run)
    return [*kept, len(at) - 1]


def rounded(xyz: Sequence[float] | Floats) -> Place:
    """A place to the millimetre, never minus nought."""
    x, y, z = (round(float(c), 3) + 0.0 for c in xyz)
    return x, y, z
