"""How certain a driver's lamp volts are. In: driver, circuits, tolerances. Out: guaranteed limits; chances by sampling.

Copper, lengths, contacts, loads, temperature and source all stray. ``lamp_limits`` gives volts that no lamp can leave
as long as each stays within its tolerance (``interval`` holds the proofs). ``lamp_chances`` draws them at random, from
a seed, and counts how often each lamp leaves its window.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from ..job import Driver, Voltage
from .circuit import CircuitTree, Group, group_circuits, groups_of, lone_volts, node_loads
from .interval import Limits, lone_high_volts, volts_within
from .network import Bools, Floats, path_sum
from .sources import source_of
from .variants import Variants, node_ohm, solve_variants

_BLOCK = 1000  # samples drawn and solved together; part of what a seed means, so not to be changed lightly

PerCent = tuple[float, float]


@dataclass(frozen=True)
class Tolerance:
    """
    How far data may stray from what is stated: lowest and highest, in per cent, such as (-5, 10).

    The source strays as its driver says (``tol_pct``, or the mains' band), temperatures between ``cold_c`` and
    ``hot_c`` (``sun_c`` on the surface). IEC 60228 states the *highest* resistance of a size: copper strays downwards.

    Attributes
    ----------
    copper_pct
        Resistance per metre of cables and leads.
    length_pct
        Length of each piece.
    contact_pct
        Resistance of each end made off.
    load_pct
        Watts of each lamp.
    """

    copper_pct: PerCent = (0.0, 0.0)
    length_pct: PerCent = (0.0, 0.0)
    contact_pct: PerCent = (0.0, 0.0)
    load_pct: PerCent = (0.0, 0.0)

    def __post_init__(self) -> None:
        for name in ("copper_pct", "length_pct", "contact_pct", "load_pct"):
            low, high = getattr(self, name)
            if not -100 < low <= 0 <= high < math.inf:
                raise ValueError(f"{name} is ({low:g}, {high:g}): write the lowest (to 0), then the highest (from 0)")


@dataclass(frozen=True, eq=False)
class LampLimits:
    """
    Guaranteed volts at the lamps of one circuit.

    Attributes
    ----------
    low_v, all_on_high_v
        (L,) lowest and highest with all lamps on; ``low_v`` is also the lowest over all ways of switching. ``low_v`` is
        NaN where nothing can be guaranteed.
    high_v
        (L,) highest over all ways of switching: the lamp alone. NaN where it has no operating point even then.
    low_reached, all_on_high_reached
        (L,) whether a corner is known that gives just these volts; else they are bounds.
    """

    low_v: Floats
    all_on_high_v: Floats
    high_v: Floats
    low_reached: Bools
    all_on_high_reached: Bools


@dataclass(frozen=True, eq=False)
class LampChances:
    """
    Shares of the samples in which the lamps of one circuit leave their windows.

    Attributes
    ----------
    below, above, outside
        (L,) below the window's lower end with all lamps on (a collapse counts too); above its upper end when alone;
        either.
    samples
        Of how many.
    """

    below: Floats
    above: Floats
    outside: Floats
    samples: int


def lamp_limits(
    driver: Driver, circuits: Sequence[CircuitTree], taps: Sequence[float], voltage: Voltage, tolerance: Tolerance
) -> tuple[LampLimits, ...]:
    """
    Volts that no lamp leaves while everything stays within its tolerance.

    Parameters
    ----------
    driver, circuits, taps, voltage
        As in ``circuit.solve_driver``.
    tolerance
        How far the rest strays. With none, ``low_v`` and ``high_v`` are those of ``solve_driver``.

    Raises
    ------
    CircuitCollapses
        The heaviest variant, which lies within the tolerances, has no operating point.
    """
    if len(circuits) != len(taps):
        raise ValueError(f"{len(circuits)} circuits and {len(taps)} taps: write one tap for each circuit")
    found: list[LampLimits] = []
    for members in groups_of(driver, taps):
        group = group_circuits(driver, [circuits[i] for i in members], [taps[i] for i in members])
        limits = _limits_of(group, voltage, tolerance)
        interval, lone = volts_within(group.network, limits), lone_high_volts(group.network, limits)
        for tree, part, k in zip(group.trees, group.parts, group.scale, strict=True):
            at = part.start + tree.lamp_node
            found.append(
                LampLimits(
                    interval.low_v[at] * k,
                    interval.high_v[at] * k,
                    lone[at] * k,
                    interval.low_reached[at],
                    interval.high_reached[at],
                )
            )
    return tuple(found)


def lamp_chances(
    driver: Driver,
    circuits: Sequence[CircuitTree],
    taps: Sequence[float],
    voltage: Voltage,
    tolerance: Tolerance,
    *,
    samples: int = 10_000,
    seed: int = 0,
) -> tuple[LampChances, ...]:
    """
    Chance that each lamp leaves its window, by sampling.

    Of each quantity only limits are known, so every value between them is taken as equally likely (rectangular
    distribution: JCGM 100:2008, 4.3.7, from memory). One draw in a sample serves the source, the temperature and the
    make of copper, which are the same for all; lengths, contacts and loads stray each by itself. On ac, volts with all
    on are counted from below and volts alone from above (``interval``), so that chances are on the safe side.

    Parameters
    ----------
    driver, circuits, taps, voltage, tolerance
        As in ``lamp_limits``.
    samples, seed
        How many samples; the same seed gives the same chances. The share seen is an estimate of the
        chance: none in 10 000 leaves at most 0.04 % (95 %, Wilson's interval, JASA 22 (1927), 209-212).

    Raises
    ------
    ValueError
        Not one tap for each circuit; fewer than one sample.
    """
    if samples < 1:
        raise ValueError(f"found {samples} samples; write 1 or more")
    lamps = [np.array([lamp.window for lamp in tree.lamp_types]).reshape(-1, 2) for tree in circuits]
    window = np.concatenate(lamps) if lamps else np.zeros((0, 2))
    below, above, outside = (np.zeros(len(window), np.int64) for _ in range(3))
    rng = np.random.default_rng(seed)
    for first in range(0, samples, _BLOCK):
        # Always a whole block, so that the first samples are the same however many follow.
        variants = _draw(rng, driver, circuits, taps, voltage, tolerance)
        used = min(_BLOCK, samples - first)
        all_on = solve_variants(driver, circuits, taps, variants).lamp_v[:used]
        alone = _lone_volts(driver, circuits, taps, variants)[:used]
        too_low, too_high = ~(all_on >= window[:, 0]), ~(alone <= window[:, 1])
        below += too_low.sum(axis=0)
        above += too_high.sum(axis=0)
        outside += (too_low | too_high).sum(axis=0)
    ends = np.cumsum([0] + [len(each) for each in lamps]).tolist()
    return tuple(
        LampChances(below[a:b] / samples, above[a:b] / samples, outside[a:b] / samples, samples)
        for a, b in pairwise(ends)
    )


def _limits_of(group: Group, voltage: Voltage, tolerance: Tolerance) -> Limits:
    """Limits of the group's network, from its circuits and source."""

    def ohm(end: int, buried_c: float, sun_c: float) -> Floats:
        copper = (1 + tolerance.copper_pct[end] / 100) * (1 + tolerance.length_pct[end] / 100)
        contact = 1 + tolerance.contact_pct[end] / 100
        trees = [
            copper * (tree.loop_ohm(buried_c, sun_c) - tree.contact_ohm) + contact * tree.contact_ohm
            for tree in group.trees
        ]
        return group.joined(group.source.internal_ohm, trees)

    low_load, high_load = (1 + pct / 100 for pct in tolerance.load_pct)
    return Limits(
        ohm(0, voltage.cold_c, voltage.cold_c),
        ohm(1, voltage.hot_c, voltage.sun_c),
        low_load * group.network.watts,
        high_load * group.network.watts,
        group.source.low_emf_v,
        group.source.high_emf_v,
    )


def _draw(
    rng: np.random.Generator,
    driver: Driver,
    circuits: Sequence[CircuitTree],
    taps: Sequence[float],
    voltage: Voltage,
    tolerance: Tolerance,
) -> Variants:
    """One block of samples."""
    num_nodes = sum(len(tree.parent) for tree in circuits)
    num_lamps = sum(len(tree.lamp_types) for tree in circuits)
    source = source_of(driver, taps[0] if taps else driver.taps_v[0])

    def factors(pct: PerCent, *shape: int) -> Floats:
        return 1 + rng.uniform(pct[0], pct[1], shape) / 100

    warmth = rng.random(_BLOCK)
    emf = rng.uniform(source.low_emf_v, source.high_emf_v, _BLOCK) / source.emf_v
    copper = factors(tolerance.copper_pct, _BLOCK, 1)
    return Variants(
        _BLOCK,
        emf=emf,
        buried_c=voltage.cold_c + warmth * (voltage.hot_c - voltage.cold_c),
        sun_c=voltage.cold_c + warmth * (voltage.sun_c - voltage.cold_c),
        copper=copper * factors(tolerance.length_pct, _BLOCK, num_nodes),
        contact=factors(tolerance.contact_pct, _BLOCK, num_nodes),
        load=factors(tolerance.load_pct, _BLOCK, num_lamps),
    )


def _lone_volts(driver: Driver, circuits: Sequence[CircuitTree], taps: Sequence[float], variants: Variants) -> Floats:
    """(B, L) volts at each lamp when it is alone on its driver; on ac from above, by the active current."""
    ohm = node_ohm(circuits, variants)
    num_lamps = sum(len(tree.lamp_types) for tree in circuits)
    load = np.broadcast_to(np.asarray(variants.load, np.float64), (variants.size, num_lamps))
    volts, node, lamp = np.empty(load.shape), 0, 0
    for tree, tap_v in zip(circuits, taps, strict=True):
        source, at = source_of(driver, tap_v), tree.lamp_node
        kind, watts, nominal_v, _ = node_loads(tree, driver.ac)
        lamps = slice(lamp, lamp + len(at))
        way_ohm = source.internal_ohm + path_sum(tree.parent, ohm[:, node : node + len(tree.parent)])[:, at]
        emf_v = source.emf_v * np.broadcast_to(np.asarray(variants.emf, np.float64), (variants.size,))[:, None]
        volts[:, lamps] = lone_volts(kind[at], watts[at] * load[:, lamps], nominal_v[at], way_ohm, emf_v)
        node, lamp = node + len(tree.parent), lamp + len(at)
    return volts
