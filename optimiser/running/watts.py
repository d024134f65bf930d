"""Where a driver's output goes, at a dim level. In: driver, circuits, taps. Out: Watts.

All lamps are on, the source at its stated volts, copper hot: the losses are on the high side. At a dim level d

* a lamp of constant power or current draws d times its watts or amps, at all times;
* a lamp of constant resistance is chopped: on for the part d of the time, as it is, and off for the rest. Dimming it by
  lower volts would come to the same energy where all lamps of the driver are such.

The mean over the two states (chopped lamps on, off) is taken. In a cable the loss so falls about with d² where lamps
draw less, and with d where they are chopped.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from ..electrics import CircuitTree, solve_driver
from ..electrics.circuit import node_loads
from ..electrics.network import CONSTANT_CURRENT, CONSTANT_POWER
from ..job import Driver, Voltage


@dataclass(frozen=True)
class Watts:
    """Mean real power in the lamps, and in cables, leads and their ends."""

    lamps_w: float
    cable_w: float

    @property
    def output_w(self) -> float:
        """At the driver's terminals."""
        return self.lamps_w + self.cable_w

    def loss_w(self, driver: Driver) -> float:
        """What the driver itself turns into heat, at its stated efficiency."""
        return self.output_w * (1 / driver.efficiency - 1)


def output_watts(
    driver: Driver, circuits: Sequence[CircuitTree], taps: Sequence[float], voltage: Voltage, dim_pct: float = 100.0
) -> Watts:
    """
    Where the output of one driver goes.

    Parameters
    ----------
    driver, circuits, taps, voltage
        As for ``electrics.solve_driver``; an operating point exists.
    dim_pct
        Dim level, in per cent of full power.
    """
    share = dim_pct / 100
    chops = any(lamp.load == "resistance" for tree in circuits for lamp in tree.lamp_types)
    parts = [(share, 1.0), (1 - share, 0.0)] if chops and share < 1 else [(1.0, share)]
    lamps_w = cable_w = 0.0
    for weight, chopped in parts:
        dimmed = [_dimmed(tree, share, chopped) for tree in circuits]
        state = solve_driver(driver, dimmed, taps, voltage)
        for tree, one in zip(dimmed, state.circuits, strict=True):
            lamps_w += weight * _lamps_w(tree, one.lamp_v, driver.ac)
            cable_w += weight * float((one.branch_amps[1:] ** 2 * tree.hot_ohm(voltage)[1:]).sum())
    return Watts(lamps_w, cable_w)


def _dimmed(tree: CircuitTree, share: float, chopped: float) -> CircuitTree:
    """The circuit with every demand scaled: ``chopped`` for lamps of constant resistance, ``share`` for the others."""
    if share == chopped == 1:
        return tree
    types = tuple(
        lamp.model_copy(update={"watts": lamp.watts * (chopped if lamp.load == "resistance" else share)})
        for lamp in tree.lamp_types
    )
    return replace(tree, lamp_types=types)


def _lamps_w(tree: CircuitTree, lamp_v: np.ndarray, ac: bool) -> float:
    at = tree.lamp_node
    kind, watts, nominal_v, _ = (part[at] for part in node_loads(tree, ac))
    ratio = lamp_v / nominal_v
    return float(
        np.select([kind == CONSTANT_POWER, kind == CONSTANT_CURRENT], [watts, watts * ratio], watts * ratio**2).sum()
    )
