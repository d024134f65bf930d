"""What may be measured at a sound circuit, all lamps on. In: driver, circuits, taps, temperatures. Out: CircuitBand.

The least and the most of four cases: source at its lowest or its highest, copper hot or cold. Between them the drop
moves one way with each of the two where all loads are of one kind.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from ..job import Driver, Voltage
from .circuit import CircuitTree, node_loads, solve_driver
from .network import CONSTANT_CURRENT, CONSTANT_POWER, Floats
from .sources import source_of


@dataclass(frozen=True, eq=False)
class CircuitBand:
    """
    Least and most of the four cases; NaN where one of them collapses.

    Attributes
    ----------
    idle_v, out_v, amps
        At the terminals with nothing connected, at the terminals, and the outlet's amps: (least, most).
    least_drop_v, most_drop_v
        (n,) volts at the terminals less volts at each node.
    """

    idle_v: tuple[float, float]
    out_v: tuple[float, float]
    amps: tuple[float, float]
    least_drop_v: Floats
    most_drop_v: Floats


def circuit_bands(
    driver: Driver, circuits: Sequence[CircuitTree], taps: Sequence[float], voltage: Voltage
) -> list[CircuitBand]:
    """Bands of all circuits of one driver; parameters and errors are those of ``solve_driver``."""
    cold = voltage.model_copy(update={"hot_c": voltage.cold_c, "sun_c": voltage.cold_c})
    cases = [
        solve_driver(one, circuits, taps, copper) for one in (driver, _highest(driver)) for copper in (voltage, cold)
    ]
    bands = []
    for i, (tree, tap_v) in enumerate(zip(circuits, taps, strict=True)):
        volts = np.array([case.circuits[i].low_volts for case in cases])
        drops = volts[:, :1] - volts
        amps = [_amps(driver, tree, one) for one in volts]
        source = source_of(driver, tap_v)
        bands.append(
            CircuitBand(
                (source.low_emf_v, source.high_emf_v),
                (float(volts[:, 0].min()), float(volts[:, 0].max())),
                (min(amps), max(amps)),
                drops.min(axis=0),
                drops.max(axis=0),
            )
        )
    return bands


def _highest(driver: Driver) -> Driver:
    """The same driver, its source at its lowest where this one's is at its highest."""
    return driver.model_copy(update={"tol_pct": -driver.tol_pct, "mains_low_pct": driver.mains_high_pct})


def _amps(driver: Driver, tree: CircuitTree, volts: Floats) -> float:
    """What the circuit's lamps draw together at these volts (n,)."""
    at = tree.lamp_node
    kind, watts, nominal_v, factor = (part[at] for part in node_loads(tree, driver.ac))
    by_power, by_current = watts / (volts[at] * factor), watts / (nominal_v * factor)
    by_resistance = watts * volts[at] / nominal_v**2
    drawn = np.select([kind == CONSTANT_POWER, kind == CONSTANT_CURRENT], [by_power, by_current], by_resistance)
    return float(drawn.sum())
