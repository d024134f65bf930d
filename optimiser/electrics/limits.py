"""Every limit that a driver with its circuits breaks. In: states, trees, ratings, rules. Out: list of Breach.

A voltage limit counts as broken when less than ``spare_v`` is left of it: the plan is published in whole millivolts and
judged again from rounded lengths, and must stand then too. The other limits are compared as they are.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from ..job import Driver, Rules, Supply, Voltage
from .circuit import CircuitTree, DriverState, node_loads
from .network import CONSTANT_POWER, Floats, Network, collapse_margin
from .protection import Protection
from .sources import source_of

SPARE_V = 0.003
"""What the search keeps inside every voltage limit, in V."""


@dataclass(frozen=True)
class Breach:
    """
    One limit broken.

    ``limit`` is one of ``low``, ``high``, ``drop``, ``cable``, ``outlet``, ``circuit``, ``load``, ``driver amps``,
    ``protection``, ``start``, ``collapse``. ``value`` and ``allowed`` are in V for low, high and drop, in A for cable,
    outlet, circuit and driver amps, in W (VA) for load, in A or µF for start; for collapse the constant-power watts and
    what of them can be carried.
    ``margin`` is what is left of the limit, negative beyond it (never more than ``spare_v``); NaN for protection.
    ``circuit`` and ``node`` or ``lamp`` are positions in the trees given, -1 where they do not apply.
    """

    limit: str
    where: str
    value: float
    allowed: float
    margin: float
    circuit: int = -1
    node: int = -1
    lamp: int = -1


def driver_breaches(
    driver: Driver,
    state: DriverState,
    circuits: Sequence[CircuitTree],
    taps: Sequence[float],
    ratings: Sequence[Floats],
    protections: Sequence[Protection],
    supply: Supply,
    voltage: Voltage,
    rules: Rules,
    *,
    spare_v: float = SPARE_V,
) -> list[Breach]:
    """
    Limits that one driver with its circuits breaks; an empty list says that it stands.

    Parameters
    ----------
    driver, circuits, taps, voltage
        As given to ``circuit.solve_driver``.
    state
        What that returned.
    ratings
        For each circuit (n,) rating of the cable above each node in A, bunching counted; infinite for leads (fixed
        loads need no overload protection) and for branches without a cable. Entry 0 is ignored.
    protections
        For each circuit, what protects it.
    supply
        Where the driver is mounted: its derating.
    spare_v
        What must be left of every voltage limit, in V.
    """
    found: list[Breach] = []
    for index, (tree, one, rating, protection) in enumerate(
        zip(circuits, state.circuits, ratings, protections, strict=True)
    ):
        place = f"circuit {index + 1}"
        if one.collapsed:
            found.append(_collapse(driver, tree, taps[index], voltage, index))
            continue
        found += _voltage_breaches(tree, one.out_v, one.lamp_v, one.low_v, one.high_v, voltage, index, spare_v)
        over = np.flatnonzero(one.branch_amps[1:] > rating[1:]) + 1
        found += [
            _above("cable", f"{place}, cable above node {node}", one.branch_amps[node], rating[node], index, int(node))
            for node in over
        ]
        if one.amps > driver.max_outlet_a:
            found.append(_above("outlet", place, one.amps, driver.max_outlet_a, index))
        if one.amps > rules.max_circuit_a:
            found.append(_above("circuit", place, one.amps, rules.max_circuit_a, index))
        if not protection.ok:
            found.append(Breach("protection", f"{place}: {protection.why_not}", np.nan, np.nan, np.nan, index))
    types = [lamp_type for tree in circuits for lamp_type in tree.lamp_types]
    for what, stated, allowed in (
        ("inrush", [t.inrush_a for t in types], driver.start_a),
        ("input capacitance", [t.input_uf for t in types], driver.start_uf),
    ):
        total = sum(value or 0.0 for value in stated)
        if allowed is not None and total > allowed:
            found.append(_above("start", f"driver, {what} of its lamps", total, allowed))
    if state.collapsed:
        return found
    max_load_w = driver.max_load_w * supply.loading_pct / 100
    if state.load_va > max_load_w:
        found.append(_above("load", "driver", state.load_va, max_load_w))
    if state.amps > driver.rated_a:
        found.append(_above("driver amps", "driver", state.amps, driver.rated_a))
    return found


def _margins(
    tree: CircuitTree, out_v: float, lamp_v: Floats, low_v: Floats, high_v: Floats, voltage: Voltage
) -> tuple[Floats, Floats, Floats]:
    """(L,) volts left of the window's lower end, of its upper end, and of the drop limit."""
    window = np.array([lamp_type.window for lamp_type in tree.lamp_types]).reshape(-1, 2)
    nominal_v = np.array([lamp_type.volts for lamp_type in tree.lamp_types])
    max_drop_v = np.inf if voltage.max_drop is None else voltage.max_drop / 100 * nominal_v
    drop_v = (out_v if voltage.drop_from == "driver" else nominal_v) - lamp_v
    return low_v - window[:, 0], window[:, 1] - high_v, max_drop_v - drop_v


def _voltage_breaches(
    tree: CircuitTree,
    out_v: float,
    lamp_v: Floats,
    low_v: Floats,
    high_v: Floats,
    voltage: Voltage,
    index: int,
    spare_v: float,
) -> list[Breach]:
    low, high, drop = _margins(tree, out_v, lamp_v, low_v, high_v, voltage)
    found = []
    for lamp, node in enumerate(tree.lamp_node.tolist()):
        where, lamp_type = f"circuit {index + 1}, lamp {lamp + 1}", tree.lamp_types[lamp]
        window_low, window_high = lamp_type.window
        if low[lamp] < spare_v:
            found.append(Breach("low", where, float(low_v[lamp]), window_low, float(low[lamp]), index, node, lamp))
        if not high[lamp] >= spare_v:  # NaN: not even alone on cold copper is there an operating point
            found.append(Breach("high", where, float(high_v[lamp]), window_high, float(high[lamp]), index, node, lamp))
        if drop[lamp] < spare_v:
            allowed = (voltage.max_drop or 0.0) / 100 * lamp_type.volts
            left_v = float(drop[lamp])
            found.append(Breach("drop", where, allowed - left_v, allowed, left_v, index, node, lamp))
    return found


def _collapse(driver: Driver, tree: CircuitTree, tap_v: float, voltage: Voltage, index: int) -> Breach:
    """By how much the circuit is past its collapse point, as if it hung on the driver alone, at the lowest source."""
    kind, watts, nominal_v, factor = node_loads(tree, driver.ac)
    source = source_of(driver, tap_v)
    ohm = tree.hot_ohm(voltage)
    network = Network(  # the EMF goes before the outlet's terminals
        np.concatenate([[-1], tree.parent + 1]),
        np.concatenate([[0], kind]),
        np.concatenate([[0.0], watts]),
        np.concatenate([[1.0], nominal_v]),
        np.concatenate([[1.0], factor]),
    )
    share = collapse_margin(network, np.concatenate([[0.0, source.internal_ohm], ohm[1:]]), source.low_emf_v)
    load_w = float(watts[kind == CONSTANT_POWER].sum())
    # A circuit that stands alone and collapses only beside its neighbours has a share above 1: held to 1 here.
    carried_w = min(share, 1.0) * load_w
    return Breach("collapse", f"circuit {index + 1}", load_w, carried_w, carried_w - load_w, index)


def _above(limit: str, where: str, value: float, allowed: float, circuit: int = -1, node: int = -1) -> Breach:
    return Breach(limit, where, float(value), float(allowed), float(allowed - value), circuit, node)
