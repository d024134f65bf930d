"""Many variants of one driver with its circuits, in one call. In: circuits, what varies. Out: volts, amps, collapses.

A variant is the same layout with other copper, contacts, temperature, source volts, loads, or with lamps switched off.
All variants of circuits that feel each other are one call of ``network.solve``.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from ..conductors import ALPHA_20
from ..job import Driver
from .circuit import CircuitTree, group_circuits, groups_of
from .network import Bools, Floats, solve


@dataclass(frozen=True, eq=False)
class Variants:
    """
    B variants. N counts the nodes of all circuits in their order, L their lamps in their order.

    Each array may have any shape that broadcasts to the one given: a number serves all, (B, 1) goes by variant, (N,) by
    node, (B, N) by both.

    Attributes
    ----------
    size
        B.
    emf
        (B,) factor on the source's EMF as stated.
    buried_c, sun_c
        (B,) temperature of buried copper and of copper on the surface, in °C.
    copper
        (B, N) factor on the resistance of the copper above each node (the maker's tolerance, and that of its length).
    contact
        (B, N) factor on the resistance of the ends made off.
    load
        (B, L) factor on each lamp's watts.
    on
        (B, L) which lamps are on.
    """

    size: int
    emf: ArrayLike = 1.0
    buried_c: ArrayLike = 20.0
    sun_c: ArrayLike = 20.0
    copper: ArrayLike = 1.0
    contact: ArrayLike = 1.0
    load: ArrayLike = 1.0
    on: ArrayLike = True


@dataclass(frozen=True, eq=False)
class VariantStates:
    """
    What every variant does; NaN where the circuit collapses.

    Attributes
    ----------
    volts, branch_amps
        (B, N) at each node and in the branch above it (a circuit's first node: its outlet).
    out_v, amps
        (B, C) at each circuit's outlet.
    lamp_v
        (B, L) at each lamp.
    collapsed
        (B, C) whether the circuit has no operating point.
    """

    volts: Floats
    branch_amps: Floats
    out_v: Floats
    amps: Floats
    lamp_v: Floats
    collapsed: Bools


def solve_variants(
    driver: Driver, circuits: Sequence[CircuitTree], taps: Sequence[float], variants: Variants
) -> VariantStates:
    """
    Solve many variants of one driver with its circuits.

    Parameters
    ----------
    driver, circuits, taps
        As in ``circuit.solve_driver``.
    variants
        What varies.

    Raises
    ------
    ValueError
        Not one tap for each circuit; an array that does not broadcast to its shape; resistances, EMF or loads that come
        out negative or not finite.
    """
    if len(circuits) != len(taps):
        raise ValueError(f"{len(circuits)} circuits and {len(taps)} taps: write one tap for each circuit")
    size = variants.size
    node_at = np.cumsum([0] + [len(tree.parent) for tree in circuits])
    lamp_at = np.cumsum([0] + [len(tree.lamp_types) for tree in circuits])
    num_nodes, num_lamps = int(node_at[-1]), int(lamp_at[-1])
    emf = np.broadcast_to(np.asarray(variants.emf, np.float64), (size,))
    ohm = node_ohm(circuits, variants)
    load = np.broadcast_to(np.asarray(variants.load, np.float64), (size, num_lamps))
    on = np.broadcast_to(np.asarray(variants.on, np.bool_), (size, num_lamps))

    volts, amps = np.empty((size, num_nodes)), np.empty((size, num_nodes))
    lamp_v = np.empty((size, num_lamps))
    collapsed = np.empty((size, len(circuits)), np.bool_)
    for members in groups_of(driver, taps):
        group = group_circuits(driver, [circuits[i] for i in members], [taps[i] for i in members])
        watts = np.broadcast_to(group.network.watts, (size, len(group.network.watts))).copy()
        lit = np.zeros(watts.shape, np.bool_)
        for index, part in zip(members, group.parts, strict=True):
            at, lamps = part.start + circuits[index].lamp_node, slice(lamp_at[index], lamp_at[index + 1])
            watts[:, at] *= load[:, lamps]
            lit[:, at] = on[:, lamps]
        loop_ohm = group.joined(
            group.source.internal_ohm, [ohm[:, node_at[index] : node_at[index + 1]] for index in members]
        )
        state = solve(group.network, loop_ohm, group.source.emf_v * emf, lit, watts=watts)
        for index, part, k in zip(members, group.parts, group.scale, strict=True):
            nodes = slice(node_at[index], node_at[index + 1])
            volts[:, nodes], amps[:, nodes] = state.volts[:, part] * k, state.amps[:, part] / k
            lamp_v[:, lamp_at[index] : lamp_at[index + 1]] = volts[:, nodes][:, circuits[index].lamp_node]
            collapsed[:, index] = state.collapsed
    outlet = node_at[:-1]
    return VariantStates(volts, amps, volts[:, outlet], amps[:, outlet], lamp_v, collapsed)


def node_ohm(circuits: Sequence[CircuitTree], variants: Variants) -> Floats:
    """(B, N) loop resistance above each node of all circuits, in ohm, as each variant has it."""
    size, num_nodes = variants.size, sum(len(tree.parent) for tree in circuits)
    if not circuits:
        return np.zeros((size, 0))
    buried20, sun20, contact = (
        np.concatenate([getattr(tree, name) for tree in circuits])
        for name in ("buried20_ohm", "sun20_ohm", "contact_ohm")
    )
    # As conductors.temperature_factor, for a column of temperatures.
    hot, sun = (
        1 + ALPHA_20 * (np.broadcast_to(np.asarray(celsius, np.float64), (size,))[:, None] - 20)
        for celsius in (variants.buried_c, variants.sun_c)
    )
    copper, ends = (
        np.broadcast_to(np.asarray(factor, np.float64), (size, num_nodes))
        for factor in (variants.copper, variants.contact)
    )
    ohm: Floats = copper * (buried20 * hot + sun20 * sun) + ends * contact
    return ohm
