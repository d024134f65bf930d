"""Volts that a lamp has for certain, where data are known within limits only. In: tree, limits. Out: lowest, highest.

A *variant* takes every resistance, load and the EMF from between its limits. Notation as in ``network``: K holds the
resistance that the ways to two nodes share (so K >= 0, and it grows with every branch), a, P, g are the loads' constant
currents, powers and conductances, and an operating point is V = E - K (a + P / V + g V); the greatest one counts.

**Which corner is worst.** At an operating point that is not the collapse point, G' = I - K diag(P / V² - g) has an
inverse without negative entries, and so has Z = G'⁻¹ K. Hence, at every node:

* volts rise with E (dV/dE = G'⁻¹ times shares that are not negative) and fall with every load, of whatever kind, since
  a load that draws more by dI moves the volts by -Z dI;
* volts fall with the resistance of every branch on the node's own way. Seen from the branch's lower end c, what lies
  above is an EMF behind a resistance r, and dV_c/dR = -I / (1 + (R + r) s), where s = dI/dV_c is the slope of all that
  hangs below c and the divisor is a pivot of G', so positive; all volts below c rise and fall with V_c;
* a branch *off* the node's way acts by the current that it draws, whose change is -I s / (1 + R s) dR: the node's
  volts *rise* with its resistance where s > 0 (resistances hang there, which draw less) and fall where s < 0 (constant
  powers, which draw more).

So with powers and currents alone (s <= 0 everywhere) one corner is worst for all lamps at once: every resistance and
load at its highest, the EMF at its lowest. Where resistances hang on the tree, each lamp has a corner of its own, found
from the sign of s at every branch; and where s may have either sign within the limits, monotony fails and no corner is
claimed to be the worst.

**What holds in any case.** Bounds L <= V <= U follow from two load flows in which each resistance draws a constant
current, that of the other's volts (limits written l and h):

    L = E_l - K_h (a_h + P_h / L + g_h U)        U = E_h - K_l (a_l + P_l / U + g_l L)

They are solved in turn, U with L = 0 first; each round lies within the one before. Proof: for every variant
F(x) = E - K (a + P / x + g x) maps the box [L, U] into itself, so an operating point lies in it (Brouwer), and the
greatest one is >= L; and V <= E_h - K_l (a_l + P_l / V + g_l L) makes V a point from below of the monotone map whose
greatest fixed point is U (Tarski), so V <= U. Without resistances L and U are the two corners themselves. With them,
the sign of s is taken over the whole box: slopes g - P / V² of the loads, s / (1 + R s) through a branch (which falls
with R and rises with s), added up to the source. A corner's own load flow then replaces the bound where every sign is
clear. A branch of unclear sign is put at the end from which less can be missed, and what it may still add, the highest
Z I s / (1 + R s) of the wrong sign times the width of its limits, is added to (taken off) the corner's volts; the
better of this and of L or U holds.

**Alternating current.** Loads of a power factor f below 1 draw currents that are out of phase, or not sines at all. For
r.m.s. values of any waveform:

* from below, drops and currents add up to no more than their numbers (Minkowski), so V >= E - K (a + S / V + g V) with
  S = P / f. Let the loads grow from nothing: V starts at E, above the L of that load, and cannot cross it, because
  G(V) >= 0 = G(L) and convexity give G'(V) (L - V) <= 0 as long as V is near to or above L. For one variant the same
  holds with the resistances left in K and in the shares of E, as ``network.solve`` has them, since they pass every
  moment's volts on by factors that are not negative. So no variant's volts are below those of the same variant with
  loads in phase that draw S: the lower end of these, corners and all, holds from below. Their slopes are taken over the
  box of L and U, in which they lie: the U of loads that draw S is no higher, and their L no lower;
* from above, let J be the power that flows into a branch's lower end over the volts there, the current's active part.
  With y for the rest of the drop, V_above² = (V + R J)² + y² and P_above = J (V + R J) + y² / R, so V_above >= V + R J,
  and P_above / V_above >= J because 2 (V + R J) >= R J. Active currents therefore add up to no less towards the source,
  and V <= E - K (f a + P / V + g V): the bound U with powers in W and currents times f.

Both then hold, but corners are not claimed to be reached.

**Lamps off.** More load lowers every voltage, so over all ways of switching the lowest volts are those with all on, and
the highest those of the lamp alone, by the closed form with every resistance and its own load at the lowest.

All this is in exact arithmetic; the load flow's own error is some 1e-9 V.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from .circuit import lone_volts
from .network import (
    CONSTANT_CURRENT,
    CONSTANT_POWER,
    CONSTANT_RESISTANCE,
    NO_LOAD,
    Bools,
    Floats,
    Network,
    draws_of,
    path_sum,
    solve,
    solve_draws,
    solve_or_raise,
)

_MOST_ROUNDS = 100  # each is a valid bound already; one round gains a factor of about the relative drop
_STILL_V = 1e-10


@dataclass(frozen=True, eq=False)
class Limits:
    """Between what the data of a network lie: (n,) loop resistances in ohm, (n,) watts, and the EMF in V."""

    low_ohm: Floats
    high_ohm: Floats
    low_w: Floats
    high_w: Floats
    low_emf_v: float
    high_emf_v: float

    def __post_init__(self) -> None:
        pairs = ((self.low_ohm[1:], self.high_ohm[1:]), (self.low_w, self.high_w), (self.low_emf_v, self.high_emf_v))
        if not all((np.asarray(low) <= high).all() for low, high in pairs):
            raise ValueError("a lower limit lies above its upper limit, or is not a number")
        if not ((self.low_ohm[1:] >= 0).all() and (self.low_w >= 0).all() and self.low_emf_v > 0):
            raise ValueError("limits of resistances and watts must not be negative, those of the EMF be positive")


@dataclass(frozen=True, eq=False)
class Interval:
    """
    Between what the volts lie, whatever the variant.

    Attributes
    ----------
    low_v, high_v
        (n,) all loads on. ``low_v`` is NaN where not even an operating point can be shown for every variant.
    low_reached, high_reached
        (n,) whether a corner is known at which the node has just these volts; else they are bounds, not known to be
        reached.
    """

    low_v: Floats
    high_v: Floats
    low_reached: Bools
    high_reached: Bools


def volts_within(network: Network, limits: Limits) -> Interval:
    """
    Guaranteed lowest and highest volts at every node, all loads on.

    Parameters
    ----------
    network
        n nodes; its watts are not used, those of the limits are.
    limits
        Between what its data lie.

    Raises
    ------
    CircuitCollapses
        The variant with every resistance and load at its highest and the EMF at its lowest has no operating point.
    ValueError
        Shapes that do not match.

    Examples
    --------
    A lamp of 20 W ± 10 % behind 0.8 ohm ± 5 % at 12 V: (12 + sqrt(144 - 4 R P)) / 2 at its two corners.

    >>> one = Network(np.array([-1, 0]), np.array([0, 1]), np.array([0.0, 20]), np.ones(2), np.ones(2))
    >>> box = Limits(np.array([0, 0.76]), np.array([0, 0.84]), np.array([0.0, 18]), np.array([0.0, 22]), 12, 12)
    >>> found = volts_within(one, box)
    >>> found.low_v.round(6).tolist(), found.high_v.round(6).tolist()
    ([12.0, 10.18569], [12.0, 10.724405])
    """
    n = len(network.parent)
    if any(len(values) != n for values in (limits.low_ohm, limits.high_ohm, limits.low_w, limits.high_w)):
        raise ValueError(f"the limits must be (n,) with n = {n}")
    heaviest = Network(network.parent, network.load, limits.high_w, network.nominal_v, network.power_factor)
    solve_or_raise(heaviest, limits.high_ohm, limits.low_emf_v)
    low_v, high_v = _enclose(network, limits)
    resistive = bool(((network.load == CONSTANT_RESISTANCE) & (limits.high_w > 0)).any())
    in_phase = not (_drawn_out_of_phase(network) & (limits.high_w > 0)).any()
    found = Interval(low_v, high_v, np.full(n, in_phase), np.full(n, in_phase))
    if not resistive or np.isnan(low_v).any():
        reached = in_phase and not resistive
        return Interval(low_v, high_v, np.full(n, reached), np.full(n, reached))
    corners = _with_corners(network, limits, found)
    if in_phase:
        return corners
    return Interval(corners.low_v, high_v, np.zeros(n, np.bool_), np.zeros(n, np.bool_))


def lone_high_volts(network: Network, limits: Limits) -> Floats:
    """
    Highest volts at every load, whatever the variant and whichever others are on: (n,), NaN where there is no load.

    It is reached, alone, with the EMF at its highest, its load and every resistance at the lowest; on ac, with a power
    factor below 1, it is a bound. NaN also where the load has no operating point even then.
    """
    ohm = path_sum(network.parent, limits.low_ohm)
    volts = lone_volts(network.load, limits.low_w, network.nominal_v, ohm, limits.high_emf_v)
    volts[network.load == NO_LOAD] = np.nan
    return volts


def _drawn_out_of_phase(network: Network) -> Bools:
    """(n,) loads whose current is not in phase with their volts; resistances always are."""
    has_factor = (network.load == CONSTANT_POWER) | (network.load == CONSTANT_CURRENT)
    out: Bools = has_factor & (network.power_factor < 1)
    return out


def _enclose(network: Network, limits: Limits) -> tuple[Floats, Floats]:
    """L and U of the module's text: (n,) each; L is NaN where it has no operating point."""
    parent, every = network.parent, np.ones(len(network.parent), np.bool_)
    most_p, most_a, most_g = draws_of(network, every, limits.high_w)
    unity = Network(parent, network.load, network.watts, network.nominal_v, np.ones(len(parent)))
    least_p, least_a, least_g = draws_of(unity, every, limits.low_w)  # watts are what is active
    none = np.zeros_like(most_g)

    def flow(ohm: Floats, power: Floats, current: Floats, emf_v: float) -> Floats:
        rows = [part.reshape(1, -1) for part in (ohm, power, current, none)]
        volts: Floats = solve_draws(parent, rows, np.array([emf_v], np.float64))[0][0]
        return volts

    low_v = none
    for _ in range(_MOST_ROUNDS):
        high_v = flow(limits.low_ohm, least_p, least_a + least_g * low_v, limits.high_emf_v)
        before, low_v = low_v, flow(limits.high_ohm, most_p, most_a + most_g * high_v, limits.low_emf_v)
        if not np.abs(low_v - before).max() > _STILL_V:  # NaN ends it too
            break
        if not most_g.any():
            break
    return low_v, high_v


def _slopes(network: Network, limits: Limits, low_v: Floats, high_v: Floats) -> tuple[Floats, Floats, Floats, Floats]:
    """
    Limits over the box of the slope dI/dV of all that hangs below: (n,) each, in 1/ohm.

    The least and the greatest as seen at each node, then the same as seen from above its branch.
    """
    every = np.ones(len(network.parent), np.bool_)
    most_p, _, most_g = draws_of(network, every, limits.high_w)
    least_p, _, least_g = draws_of(network, every, limits.low_w)
    least, most = least_g - most_p / low_v**2, most_g - least_p / high_v**2
    least_above, most_above = np.zeros_like(least), np.zeros_like(most)
    for node in range(len(least) - 1, 0, -1):
        pivot = 1 + limits.high_ohm[node] * least[node]
        least_above[node] = least[node] / pivot if pivot > 0 else -np.inf
        pivot = 1 + limits.low_ohm[node] * most[node]
        most_above[node] = most[node] / pivot if pivot > 0 else np.inf
        least[network.parent[node]] += least_above[node]
        most[network.parent[node]] += most_above[node]
    return least, most, least_above, most_above


def _greatest_sway(network: Network, limits: Limits, low_v: Floats, high_v: Floats) -> Floats:
    """
    (n, n) the most by which the volts at node i can move for each 1/ohm of slope and each ohm of the branch above c.

    Z between i and the node above c, with all resistances at their highest and only constant powers in it, which is the
    greatest (a Neumann series with no negative term); times the greatest current in c.
    """
    n = len(network.parent)
    power, current, conductance = draws_of(network, np.ones(n, np.bool_), limits.high_w)
    on_way = _ways(network).astype(np.float64)
    on_way[:, 0] = 0.0
    shared_ohm = on_way @ (limits.high_ohm[:, None] * on_way.T)
    try:
        reach = np.linalg.solve(np.eye(n) - shared_ohm * (power / low_v**2), shared_ohm)
    except np.linalg.LinAlgError:
        reach = np.full((n, n), -np.inf)
    if reach.min() < -1e-9:  # so near to collapse that rounding decides: nothing is known
        return np.full((n, n), np.inf)
    amps = on_way.T @ (current + power / low_v + conductance * high_v)
    sway: Floats = reach[:, np.maximum(network.parent, 0)] * amps
    return sway


def _ways(network: Network) -> Bools:
    """(n, n) whether branch c lies on the way to node i: entry (i, c)."""
    on_way = np.eye(len(network.parent), dtype=np.bool_)
    for node in range(1, len(on_way)):
        on_way[node] |= on_way[network.parent[node]]
    return on_way


def _with_corners(network: Network, limits: Limits, found: Interval) -> Interval:
    """The interval with each node's own corners in place of the bounds, and what unclear branches may add to them."""
    on_way, every = _ways(network), np.arange(len(network.parent))
    least, most, least_above, most_above = _slopes(network, limits, found.low_v, found.high_v)
    spread = np.where(every > 0, limits.high_ohm - limits.low_ohm, 0.0)
    unclear = (least < 0) & (most > 0) & (spread > 0)
    # By what volts elsewhere may rise, and fall, in all while an unclear branch goes from its lowest to its highest.
    rise, fall = np.where(unclear, [most_above * spread, -least_above * spread], 0.0)
    falls = np.where(unclear, rise <= fall, most <= 0)
    # Whether node i's volts are taken to fall with branch c's resistance; else to rise with it.
    sinks = on_way | falls
    low = solve(network, np.where(sinks, limits.high_ohm, limits.low_ohm), limits.low_emf_v, watts=limits.high_w).volts
    high = solve(network, np.where(sinks, limits.low_ohm, limits.high_ohm), limits.high_emf_v, watts=limits.low_w).volts
    wrong = np.where(falls, rise, fall)  # what is missed where the branch moves the volts the other way
    missed = np.zeros(len(every))
    if unclear.any():
        sway = _greatest_sway(network, limits, found.low_v, found.high_v)
        with np.errstate(invalid="ignore"):  # a slope without limit where nothing sways
            missed = np.where(on_way | ~unclear | (sway == 0), 0.0, sway * wrong).sum(axis=1)
    reached = np.array((on_way | ~unclear).all(axis=1))
    return Interval(
        np.fmax(found.low_v, low[every, every] - missed),
        np.fmin(found.high_v, high[every, every] + missed),
        reached,
        reached.copy(),
    )
