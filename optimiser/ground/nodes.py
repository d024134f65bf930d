"""Places gathered into nodes. In: candidate places by kind, best first. Out: NodeList, no two in one place."""

from __future__ import annotations

import math

import numpy as np

from .graph import Floats, NodeKind

SPADE_M = 0.15
"""A spade's width: nodes of our own choosing keep this far apart."""


class NodeList:
    """Nodes in the order they came; a candidate too near to one that is there already is left out."""

    def __init__(self) -> None:
        self.xy: list[tuple[float, float]] = []
        self.kind: list[NodeKind] = []
        self.post_lamp: list[int] = []
        self._cells: dict[tuple[int, int], list[int]] = {}

    def __len__(self) -> int:
        return len(self.xy)

    def nearest_within(self, x: float, y: float, gap_m: float) -> int:
        """The nearest node within ``gap_m`` (at most a spade's width), or -1."""
        cx, cy = math.floor(x / SPADE_M), math.floor(y / SPADE_M)
        best, best_m = -1, gap_m
        for i in (cx - 1, cx, cx + 1):
            for j in (cy - 1, cy, cy + 1):
                for node in self._cells.get((i, j), ()):
                    far = math.hypot(self.xy[node][0] - x, self.xy[node][1] - y)
                    if far < best_m or (far == best_m and best == -1):
                        best, best_m = node, far
        return best

    def add(self, place: tuple[float, float], kind: NodeKind, gap_m: float = SPADE_M, post_lamp: int = -1) -> int:
        """Round to the millimetre and add; or the node that lies nearer than ``gap_m`` already (0: always add)."""
        x, y = round(float(place[0]), 3) + 0.0, round(float(place[1]), 3) + 0.0
        if gap_m > 0:
            there = self.nearest_within(x, y, gap_m)
            if there >= 0:
                return there
        self.xy.append((x, y))
        self.kind.append(kind)
        self.post_lamp.append(post_lamp)
        self._cells.setdefault((math.floor(x / SPADE_M), math.floor(y / SPADE_M)), []).append(len(self.xy) - 1)
        return len(self.xy) - 1

    def add_all(self, places: Floats, kind: NodeKind, gap_m: float = SPADE_M) -> list[int]:
        """Add (n, 2) places in order; the node of each."""
        return [self.add((place[0], place[1]), kind, gap_m) for place in places]

    def array(self) -> Floats:
        return np.array(self.xy, dtype=float).reshape(-1, 2)
