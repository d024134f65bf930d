"""All circuits of one driver, solved together. In: driver, circuits as trees of resistance, taps. Out: DriverState.

The circuits of an electronic driver do not feel each other. Those of a wound transformer share its core: with amps I_j
drawn at taps t_j, every tap sags by the same share s = regulation x sum(t_j I_j) / rated VA of itself, which for one
tap is just its internal resistance. Seen from one tap's side (volts of circuit j divided by k = t_j / t_0, amps
multiplied by k, resistances divided by k²) that is again one tree behind one resistance, so that a single load flow
settles all circuits, whatever their taps, without a loop round it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np

from ..conductors import temperature_factor
from ..job import Driver, LampType, Voltage
from .network import (
    CONSTANT_CURRENT,
    CONSTANT_POWER,
    CONSTANT_RESISTANCE,
    NO_LOAD,
    Floats,
    Ints,
    Network,
    path_sum,
    solve,
)
from .sources import Source, source_of

_LOAD_CODE = {"power": CONSTANT_POWER, "current": CONSTANT_CURRENT, "resistance": CONSTANT_RESISTANCE}


@dataclass(frozen=True, eq=False)
class CircuitTree:
    """
    One circuit, for electrics only.

    Attributes
    ----------
    parent
        (n,) node above each node; node 0 is the outlet's terminals, ``parent[0]`` = -1, ``parent[i] < i``.
    buried20_ohm
        (n,) loop resistance at 20 °C of the copper above each node that lies at ``hot_c``: cable in the ground, leads.
    sun20_ohm
        (n,) the same of the copper at ``sun_c``: cable on the surface.
    contact_ohm
        (n,) resistance of the ends made off, which does not follow the temperature. Entry 0 of all three is ignored.
    lamp
        (n,) index into ``lamp_types`` of the lamp whose lead ends at the node, else -1; each lamp once. A lamp on a
        post hangs on its joint by a branch of no resistance, or sits on the joint's node itself.
    lamp_types
        the type of each lamp.
    """

    parent: Ints
    buried20_ohm: Floats
    sun20_ohm: Floats
    contact_ohm: Floats
    lamp: Ints
    lamp_types: tuple[LampType, ...]

    def __post_init__(self) -> None:
        lamps = np.sort(self.lamp[self.lamp >= 0])
        if len(lamps) != len(self.lamp_types) or (lamps != np.arange(len(lamps))).any():
            raise ValueError("each lamp of lamp_types must stand at exactly one node")

    @property
    def lamp_node(self) -> Ints:
        """(L,) node of each lamp."""
        nodes = np.flatnonzero(self.lamp >= 0)
        at = np.empty(len(nodes), np.int64)
        at[self.lamp[nodes]] = nodes
        return at

    def loop_ohm(self, buried_c: float, sun_c: float | None = None) -> Floats:
        """(n,) loop resistance above each node: buried copper at ``buried_c``, the rest at ``sun_c`` (or the same)."""
        hot = temperature_factor(buried_c)
        sun = hot if sun_c is None else temperature_factor(sun_c)
        loop: Floats = self.buried20_ohm * hot + self.sun20_ohm * sun + self.contact_ohm
        return loop

    def hot_ohm(self, voltage: Voltage) -> Floats:
        """(n,) for the low limit and the drop."""
        return self.loop_ohm(voltage.hot_c, voltage.sun_c)

    def cold_ohm(self, voltage: Voltage) -> Floats:
        """(n,) for the high limit."""
        return self.loop_ohm(voltage.cold_c)

    def fault_ohm(self, voltage: Voltage) -> Floats:
        """(n,) for fault current."""
        return self.loop_ohm(voltage.fault_c)


@dataclass(frozen=True, eq=False)
class CircuitState:
    """
    What one circuit does. All NaN where it collapses.

    Attributes
    ----------
    out_v, amps
        At the outlet's terminals: all on, source at its stated volts, hot.
    volts, branch_amps
        (n,) the same at each node and in the branch above it (entry 0: the outlet's amps).
    low_volts
        (n,) all on, source at its lowest, hot.
    high_v
        (L,) at each lamp, alone on the driver, source at its highest, cold copper.
    lamp_v, low_v
        (L,) ``volts`` and ``low_volts`` at each lamp.
    collapsed
        No operating point exists, as stated or at the lowest source.
    """

    out_v: float
    amps: float
    volts: Floats
    branch_amps: Floats
    low_volts: Floats
    high_v: Floats
    lamp_v: Floats
    low_v: Floats
    collapsed: bool


@dataclass(frozen=True, eq=False)
class DriverState:
    """States of a driver's circuits, in their order; ``load_va`` = sum of out_v x amps (NaN where one collapses)."""

    circuits: tuple[CircuitState, ...]
    load_va: float
    amps: float
    collapsed: bool


def solve_driver(
    driver: Driver, circuits: Sequence[CircuitTree], taps: Sequence[float], voltage: Voltage
) -> DriverState:
    """
    Solve all circuits of one driver.

    Parameters
    ----------
    driver
        Its model.
    circuits, taps
        Its circuits and the tap each hangs on, in V; both as many.
    voltage
        The temperatures.

    Raises
    ------
    ValueError
        Not one tap for each circuit, or a tree that is none.
    """
    if len(circuits) != len(taps):
        raise ValueError(f"{len(circuits)} circuits and {len(taps)} taps: write one tap for each circuit")
    states: list[CircuitState] = []
    for group in groups_of(driver, taps):
        states += _solve_group(driver, [circuits[i] for i in group], [taps[i] for i in group], voltage)
    return DriverState(
        tuple(states),
        load_va=sum(state.out_v * state.amps for state in states),
        amps=sum(state.amps for state in states),
        collapsed=any(state.collapsed for state in states),
    )


def grown(tree: CircuitTree, factor: float) -> CircuitTree:
    """The circuit with so many times the load at every lamp: what it draws when on, and when switched on."""
    if factor == 1:
        return tree
    return replace(tree, lamp_types=tuple(_grown(lamp_type, factor) for lamp_type in tree.lamp_types))


def _grown(lamp_type: LampType, factor: float) -> LampType:
    stated = {"watts": lamp_type.watts, "inrush_a": lamp_type.inrush_a, "input_uf": lamp_type.input_uf}
    return lamp_type.model_copy(update={key: value * factor for key, value in stated.items() if value is not None})


def groups_of(driver: Driver, taps: Sequence[float]) -> list[list[int]]:
    """Positions of the circuits that feel each other: all of a wound transformer's, each of an electronic driver's."""
    together = source_of(driver, taps[0]).internal_ohm > 0 if taps else False
    return [list(range(len(taps)))] if together else [[index] for index in range(len(taps))]


@dataclass(frozen=True, eq=False)
class Group:
    """
    Circuits that feel each other, as one tree behind one EMF: node 0 the EMF, node 1 the core, then circuit on circuit.

    Attributes
    ----------
    network, source
        The tree with its loads (n nodes), seen from the side of the first circuit's tap, and that tap.
    trees
        (C,) its circuits.
    scale
        (C,) each circuit's tap over the first one's: volts at its nodes are those of ``network`` times this, amps
        those divided by it, ohms those times its square.
    parts
        (C,) the nodes of each circuit in ``network``.
    """

    network: Network
    source: Source
    trees: tuple[CircuitTree, ...]
    scale: tuple[float, ...]
    parts: tuple[slice, ...]

    def loop_ohm(self, buried_c: float, sun_c: float | None = None) -> Floats:
        """(n,) resistance above each node of ``network``, copper at these temperatures (``CircuitTree.loop_ohm``)."""
        return self.joined(self.source.internal_ohm, [tree.loop_ohm(buried_c, sun_c) for tree in self.trees])

    def joined(self, internal_ohm: float, ohm: Sequence[Floats]) -> Floats:
        """(..., n) for ``network`` from the resistances (..., nodes) in each circuit; leading shapes alike."""
        lead = ohm[0].shape[:-1] if ohm else ()
        core = np.zeros((*lead, 2))
        core[..., 1] = internal_ohm
        parts = [core]
        for part, k in zip(ohm, self.scale, strict=True):
            seen = part / k**2
            seen[..., 0] = 0.0
            parts.append(seen)
        return np.concatenate(parts, axis=-1)


def group_circuits(driver: Driver, circuits: Sequence[CircuitTree], taps: Sequence[float]) -> Group:
    """One tree of circuits behind one resistance; ``circuits`` are those of one of ``groups_of``, at least one."""
    scale = [tap / taps[0] for tap in taps]
    first = np.cumsum([2] + [len(tree.parent) for tree in circuits]).tolist()
    parent = [np.array([-1, 0])]
    loads = [(np.zeros(2, np.int64), np.zeros(2), np.ones(2), np.ones(2))]
    for tree, k, start in zip(circuits, scale, first[:-1], strict=True):
        above = tree.parent + start
        above[0] = 1
        parent.append(above)
        loads.append(node_loads(tree, driver.ac, k))
    network = Network(np.concatenate(parent), *(np.concatenate(part) for part in zip(*loads, strict=True)))
    parts = tuple(slice(start, end) for start, end in pairwise(first))
    return Group(network, source_of(driver, taps[0]), tuple(circuits), tuple(scale), parts)


def _solve_group(
    driver: Driver, circuits: list[CircuitTree], taps: list[float], voltage: Voltage
) -> list[CircuitState]:
    """States of circuits behind one resistance."""
    group = group_circuits(driver, circuits, taps)
    loop_ohm = group.loop_ohm(voltage.hot_c, voltage.sun_c)
    stated = solve(group.network, loop_ohm, group.source.emf_v)
    lowest = solve(group.network, loop_ohm, group.source.low_emf_v)

    states = []
    for tree, k, tap_v, part in zip(circuits, group.scale, taps, group.parts, strict=True):
        volts, low_volts, amps = stated.volts[part] * k, lowest.volts[part] * k, stated.amps[part] / k
        at = tree.lamp_node
        states.append(
            CircuitState(
                out_v=float(volts[0]),
                amps=float(amps[0]),
                volts=volts,
                branch_amps=amps,
                low_volts=low_volts,
                high_v=high_volts(driver, tap_v, tree, voltage),
                lamp_v=volts[at],
                low_v=low_volts[at],
                collapsed=bool(stated.collapsed or lowest.collapsed),
            )
        )
    return states


def node_loads(tree: CircuitTree, ac: bool, k: float = 1.0) -> tuple[Ints, Floats, Floats, Floats]:
    """Kind, watts, nominal volts / k and power factor at each node."""
    n = len(tree.parent)
    kind, watts, nominal_v, factor = np.full(n, NO_LOAD, np.int64), np.zeros(n), np.ones(n), np.ones(n)
    for node, lamp_type in zip(tree.lamp_node.tolist(), tree.lamp_types, strict=True):
        kind[node] = _LOAD_CODE[lamp_type.load]
        watts[node] = lamp_type.watts
        nominal_v[node] = lamp_type.volts / k
        factor[node] = lamp_type.factor if ac else 1.0
    return kind, watts, nominal_v, factor


def high_volts(driver: Driver, tap_v: float, tree: CircuitTree, voltage: Voltage) -> Floats:
    """
    Volts at each lamp when it is alone on its driver, source at its highest, cold copper: (L,), in V.

    On ac, with a power factor below 1, what the lamp can have at most (``lone_volts``). NaN where the lamp has no
    operating point even alone.
    """
    source = source_of(driver, tap_v)
    at = tree.lamp_node
    kind, watts, nominal_v, _ = node_loads(tree, driver.ac)
    ohm = source.internal_ohm + path_sum(tree.parent, tree.cold_ohm(voltage))[at]
    return lone_volts(kind[at], watts[at], nominal_v[at], ohm, source.high_emf_v)


def lone_volts(kind: Ints, watts: Floats, nominal_v: Floats, ohm: Floats, emf_v: float | Floats) -> Floats:
    """
    Volts of loads that are each alone behind their own resistance, in V; NaN where there is no operating point.

    Shapes (..., L) that broadcast. Closed forms, R the whole resistance of the way: power (E + sqrt(E² - 4 R P)) / 2,
    current E - R P / nominal, resistance E / (1 + R P / nominal²). The active current alone is counted, so P are the
    true watts whatever the power factor: drops of a current out of phase with the source add up to less than their
    numbers, and these volts must never be too low. Exact at a power factor of 1; below it, the volts that no waveform
    exceeds (``interval`` has the proof).
    """
    with np.errstate(invalid="ignore"):
        power = (emf_v + np.sqrt(emf_v**2 - 4 * ohm * watts)) / 2
    current = emf_v - ohm * watts / nominal_v
    resistance = emf_v / (1 + ohm * watts / nominal_v**2)
    volts = np.select([kind == CONSTANT_POWER, kind == CONSTANT_CURRENT], [power, current], resistance)
    return np.where(volts > 0, volts, np.nan)


def far_end_short_a(driver: Driver, tap_v: float, tree: CircuitTree, voltage: Voltage) -> Floats:
    """
    Fault current into a short at each node, in A: (n,).

    Source at its lowest, its resistance counted, all copper at ``fault_c``, held to ``limit_a`` where the driver's mode
    is hold. Infinite where neither resistance nor limit holds it.
    """
    source = source_of(driver, tap_v)
    ohm = source.internal_ohm + path_sum(tree.parent, tree.fault_ohm(voltage))
    with np.errstate(divide="ignore"):
        amps = source.low_emf_v / ohm
    return np.minimum(amps, driver.current_limit_a) if driver.mode == "hold" else amps
