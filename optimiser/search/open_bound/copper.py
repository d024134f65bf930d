"""Prices of copper that suit the ways found so far. In: OpenGround, what flows where. Out: Prices.

What drop forces is proven in ``bound/copper.py`` for any line under the prices of all cables, another one at each
place if need be, and for whatever the lamps are taken to ask for: nothing here can spoil a proof. As in
``bound/copper_trees.py`` each triangle has a mix of the flat line at the price of the thinnest cable and a steep one,
``share`` of the latter, best where share = slope x (what flows)^2 / (thinnest - the steep line's price at nothing)^2;
and what lamps ask for is best for the ways they have. In sleeves the flat line holds.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from ...ground.graph import Floats, Ints
from ..bound.copper import ask
from ..bound.loads import ROUND
from .flow import OpenGround, Prices
from .potentials import Splitting

HARDLY = 0.02
"""Triangles in which less than this part of the longest side is dug say nothing of what flows."""


def thinnest(ground: OpenGround, cable_m: float, supply: Floats) -> Prices:
    """One cheapest cable in each trench."""
    count = len(ground.mesh.corners)
    none = np.zeros(len(ground.landings))
    return Prices(np.full(count, cable_m), np.ones(count), cable_m, none, supply)


@dataclass
class CopperPrices:
    """
    Prices that follow what flows; ``way_m`` and ``flow`` are what is taken to be.

    Parameters
    ----------
    pull
        (N,) see ``bound.copper.amps_per_volt``.
    line
        Price a metre at no conductance, and a metre for each metre per ohm.
    thin_m
        Price of a metre of the thinnest cable.
    way_m
        (N,) ways as cut, in m, as they are first guessed.
    """

    ground: OpenGround
    plain: Prices
    pull: Floats
    line: tuple[float, float]
    thin_m: float
    way_m: Floats
    flow: Floats | None = None

    def prices(self) -> Prices:
        """For what is taken to be now."""
        copper = ask(self.pull, self.way_m, self.line)
        share = self._share()
        more = self.thin_m - self.line[0]
        return replace(
            self.plain,
            cable_m=np.maximum(self.thin_m - share * more, 0.0) * (1 - ROUND),
            weight=np.sqrt(share) * (1 - ROUND),
            way_m=copper.way_m,
            less=copper.less,
        )

    def _share(self) -> Floats:
        more, slope = self.thin_m - self.line[0], self.line[1]
        if self.flow is None or more <= 0 or slope <= 0:
            return np.ones(len(self.plain.cable_m))
        return np.asarray(np.clip(slope * self.flow**2 / more**2, 0.0, 1.0), dtype=float)

    def follow(self, splitting: Splitting, slack: float, step: float) -> None:
        """Go so much of the way towards what flows now."""
        metres = splitting.metres()
        weight = np.sqrt(self._share())
        ways = slack * (metres * weight[:, None]).sum(axis=0)
        asked = math.sqrt(self.line[1]) * self.pull * self.way_m
        dug = metres.max(axis=1)
        flows = np.flatnonzero(dug > HARDLY * np.sqrt(self.ground.area))
        self.way_m = self.way_m + step * (np.maximum(ways, 0.1) - self.way_m)
        if not len(flows):
            return
        there = (metres[flows] @ asked) / dug[flows]
        towards = there[self._nearest(flows)]
        self.flow = towards if self.flow is None else self.flow + step * (towards - self.flow)

    def _nearest(self, some: Ints) -> Ints:
        """(T,) for each triangle the place in ``some`` of the nearest of these."""
        from scipy.spatial import cKDTree

        mesh = self.ground.mesh
        middle = mesh.places[mesh.corners].mean(axis=1)
        return np.asarray(cKDTree(middle[some]).query(middle)[1], dtype=np.int64)
