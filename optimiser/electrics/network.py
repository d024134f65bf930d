"""Load flow of a radial network. In: tree, loads, resistances, EMF. Out: volts and amps, or the word that it collapses.

The method is Newton's, started from above, on a tree: each load is replaced by its tangent at the last volts (a
current and a conductance, negative for constant power), and the linear tree that results is solved exactly by one
sweep from the leaves to the source and one back. Work is proportional to the number of nodes.

Why the answer is the right one. Let V be the volts, K >= 0 the matrix of volts lost at node i for each ampere drawn at
node j with the resistance loads left in place, u the share of the EMF E that arrives at each node without other loads,
a the constant currents, P the constant powers. An operating point is a V > 0 with G(V) = V - E u + K (a + P / V) = 0.

* G is convex, since each P / V is. Its derivative G'(V) = I - K diag(P / V²) has no positive entry off its diagonal.
* Suppose an operating point V* exists, and V >= V* with G(V) >= 0. By convexity G'(V) (V - V*) >= G(V) - G(V*) >= 0,
  strictly where constant powers move the volts, so G'(V) is an M-matrix and its inverse has no negative entry.
* The Newton step V+ = V - G'(V)⁻¹ G(V) is then <= V; by convexity G'(V) (V* - V+) <= G(V*) = 0, so V+ >= V*; and
  G(V+) >= G(V) + G'(V) (V+ - V) = 0, so the step can be repeated.
* The start V = E at every node lies above every operating point and has G >= 0 (u <= 1). So if there is any operating
  point, the steps only ever decrease, stay positive, stay above *every* operating point, and end at the greatest one:
  the one in which lamps run. (This is the Newton-Fourier theorem: Ortega and Rheinboldt, Iterative Solution of
  Nonlinear Equations in Several Variables, 1970, section 13.3.)
* Turned round: a pivot that is not positive (the sweep's pivots are those of the symmetric nodal matrix, all positive
  if and only if G'(V) is an M-matrix) or volts that are not positive prove that no operating point exists. That is
  what ``collapsed`` says. Within about 1e-12 of the collapse point, rounding decides which is said.

On ac, volts and amps are r.m.s. values and add up as numbers, with a constant power's amps P / (V x power factor).
Where all loads draw in phase this is exact; else the true volts, of any waveform, are never lower (proof in
``interval``, with a bound from above).

The fixed-point form of the same argument (V <- F(V), the backward-forward sweep) ends at the same point, but needs
some 1 / distance steps near collapse where this needs its logarithm.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ..problems import CircuitCollapses

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

NO_LOAD, CONSTANT_POWER, CONSTANT_CURRENT, CONSTANT_RESISTANCE = 0, 1, 2, 3
_MAX_STEPS = 200  # at worst (exactly at collapse) a step halves the distance: some 40 are enough
_ROWS_ONE_BY_ONE = 12  # up to here, plain floats beat numpy's cost of a call for every node
_ENDLESS = 1e12  # a margin beyond this counts as infinite
_ROWS_TOGETHER = 1024  # more variants than this are solved in blocks, so that a block stays in the processor's cache


@dataclass(frozen=True, eq=False)
class Network:
    """
    A tree of loads behind one EMF.

    Attributes
    ----------
    parent
        (n,) node above each node; ``parent[0]`` is -1 (node 0 is the source's EMF) and ``parent[i] < i``.
    load
        (n,) 0 none, 1 constant power, 2 constant current, 3 constant resistance.
    watts
        (n,) power at nominal volts, in W.
    nominal_v
        (n,) nominal volts; any positive number where there is no load.
    power_factor
        (n,) power factor of constant powers and currents on ac, which draw watts / (nominal_v x power_factor) at
        nominal volts; 1 on dc. Not used by resistances.
    """

    parent: Ints
    load: Ints
    watts: Floats
    nominal_v: Floats
    power_factor: Floats

    def __post_init__(self) -> None:
        n = len(self.parent)
        earlier = (self.parent[1:] >= 0) & (self.parent[1:] < np.arange(1, max(n, 1)))
        if n == 0 or self.parent[0] != -1 or not earlier.all():
            raise ValueError("parent must start with -1 and name an earlier node for every other node")
        if any(len(values) != n for values in (self.load, self.watts, self.nominal_v, self.power_factor)):
            raise ValueError("load, watts, nominal_v and power_factor must be as long as parent")
        if (self.watts < 0).any() or (self.nominal_v <= 0).any() or (self.power_factor <= 0).any():
            raise ValueError("watts must not be negative, nominal_v and power_factor must be positive")


@dataclass(frozen=True, eq=False)
class State:
    """
    An operating point, or the finding that there is none.

    Attributes
    ----------
    volts
        (n,) or (B, n) volts at each node; NaN where collapsed.
    amps
        (n,) or (B, n) amps in the branch above each node (entry 0: all that the EMF gives); NaN where collapsed.
    collapsed
        () or (B,) whether no operating point exists.
    """

    volts: Floats
    amps: Floats
    collapsed: Bools


def solve(
    network: Network,
    loop_ohm: ArrayLike,
    source_v: ArrayLike,
    on: ArrayLike | None = None,
    *,
    watts: ArrayLike | None = None,
    tol_v: float = 1e-9,
) -> State:
    """
    Solve a tree of loads, or many variants of one at once.

    Parameters
    ----------
    network
        n nodes.
    loop_ohm
        (n,) or (B, n) loop resistance of the branch above each node, in ohm; 0 is allowed, entry 0 is ignored.
    source_v
        scalar or (B,) EMF at node 0, in V.
    on
        None (all on) or (n,) or (B, n): which loads are on.
    watts
        None (those of the network) or (n,) or (B, n): power at nominal volts, in W, instead of ``network.watts``. It
        scales every kind of load.
    tol_v
        Stop when no node moves by as much as this in a step, in V. The error left is of the order of its square.

    Returns
    -------
    State
        Shapes (n,) where nothing was given by variants, else (B, n).

    Raises
    ------
    ValueError
        Shapes that do not match; a resistance or watts that are negative or not finite; an EMF that is not positive
        and finite.

    Examples
    --------
    One load of 20 W behind 0.8 ohm at 12 V: (12 + sqrt(144 - 4 x 0.8 x 20)) / 2.

    >>> one = Network(np.array([-1, 0]), np.array([0, 1]), np.array([0.0, 20]), np.ones(2), np.ones(2))
    >>> round(float(solve(one, [0, 0.8], 12).volts[1]), 12)
    10.472135955
    >>> bool(solve(one, [0, 1.81], 12).collapsed)  # past 144 / (4 x 20) = 1.8 ohm
    True
    """
    n = len(network.parent)
    ohm, source = np.asarray(loop_ohm, np.float64), np.asarray(source_v, np.float64)
    mask = np.ones(n, np.bool_) if on is None else np.asarray(on, np.bool_)
    load_w = network.watts if watts is None else np.asarray(watts, np.float64)
    by_node = (ohm, mask, load_w)
    if source.ndim > 1 or any(part.ndim not in (1, 2) or part.shape[-1] != n for part in by_node):
        raise ValueError(f"loop_ohm (and on, watts) must be (n,) or (B, n) with n = {n}, source_v a number or (B,)")
    batch = np.broadcast_shapes(*(part.shape[:-1] for part in by_node), source.shape)
    if not (np.isfinite(ohm[..., 1:]).all() and (ohm[..., 1:] >= 0).all()):
        raise ValueError("loop_ohm must be finite and not negative")
    if not (np.isfinite(load_w).all() and (load_w >= 0).all()):
        raise ValueError("watts must be finite and not negative")
    if not (np.isfinite(source).all() and (source > 0).all()):
        raise ValueError("source_v must be finite and positive")

    size = batch[0] if batch else 1
    rows = [np.broadcast_to(part, (size, n)) for part in (ohm, *draws_of(network, mask, load_w))]
    volts, amps = solve_draws(network.parent, rows, np.broadcast_to(source, (size,)), tol_v=tol_v)
    collapsed = np.isnan(volts[:, 0])
    if not batch:
        return State(volts[0], amps[0], collapsed[0])
    return State(volts, amps, collapsed)


def solve_draws(parent: Ints, rows: list[Floats], emf_v: Floats, *, tol_v: float = 1e-9) -> tuple[Floats, Floats]:
    """
    Solve trees whose loads are given by what they draw.

    Parameters
    ----------
    parent
        (n,) as in ``Network``.
    rows
        Four of (B, n): resistance of the branch above in ohm; and of the load power in W, current in A, conductance in
        1/ohm. Nothing is checked.
    emf_v
        (B,) EMF at node 0, in V.

    Returns
    -------
    (B, n) volts and (B, n) amps, NaN where a variant collapses.
    """
    size = len(emf_v)
    if size <= _ROWS_ONE_BY_ONE:
        return _solve_one_by_one(parent, rows, emf_v, tol_v)
    volts, amps = np.empty((size, len(parent))), np.empty((size, len(parent)))
    for first in range(0, size, _ROWS_TOGETHER):
        part = slice(first, first + _ROWS_TOGETHER)
        volts[part], amps[part] = _solve_together(parent, [row[part] for row in rows], emf_v[part], tol_v)
    return volts, amps


def solve_or_raise(network: Network, loop_ohm: ArrayLike, source_v: float) -> State:
    """
    Like ``solve`` for a single network (shapes (n,)) with all loads on, with a collapse raised instead of flagged.

    Raises
    ------
    CircuitCollapses
        No operating point exists. The message says to what share the loads would have to shrink; ``margin`` is the
        factor by which all of them could be multiplied (``load_margin``), below 1.
    """
    state = solve(network, loop_ohm, source_v)
    if state.collapsed:
        load_w = float(network.watts[network.load == CONSTANT_POWER].sum())
        others_w = float(network.watts[(network.load != CONSTANT_POWER) & (network.load != NO_LOAD)].sum())
        margin = load_margin(network, loop_ohm, source_v)
        share = collapse_margin(network, loop_ohm, source_v) if others_w else margin
        beside = f", or {100 * margin:.4g} % of it and of the {others_w:g} W beside it" if others_w else ""
        raise CircuitCollapses(
            f"no operating point: {load_w:g} W of constant-power loads behind {source_v:g} V ask for more than the "
            f"cables can carry at any voltage; at most {100 * share:.4g} % of it can be carried{beside}",
            margin,
        )
    return state


def collapse_margin(
    network: Network, loop_ohm: ArrayLike, source_v: float, on: ArrayLike | None = None, *, rel_tol: float = 1e-6
) -> float:
    """
    Factor by which all constant-power loads may grow together before no operating point is left.

    Parameters
    ----------
    network, loop_ohm, source_v, on
        As in ``solve``, a single network.
    rel_tol
        The factor returned lies within this of the true one, and below it (an operating point exists there).

    Returns
    -------
    float
        Below 1 where the network is collapsed already; 0 where the other loads alone leave no operating point;
        infinite (or beyond 1e12) where no constant-power load hangs behind a resistance.
    """
    return _largest_factor(network, loop_ohm, source_v, on, rel_tol, power_alone=True)


def load_margin(
    network: Network, loop_ohm: ArrayLike, source_v: float, on: ArrayLike | None = None, *, rel_tol: float = 1e-6
) -> float:
    """
    Factor by which all loads, of every kind, may grow together before no operating point is left.

    Parameters and accuracy are those of ``collapse_margin``. It is never 0, since without loads there always is an
    operating point; infinite where resistances alone hang behind a resistance.
    """
    return _largest_factor(network, loop_ohm, source_v, on, rel_tol, power_alone=False)


def _largest_factor(
    network: Network,
    loop_ohm: ArrayLike,
    source_v: float,
    on: ArrayLike | None,
    rel_tol: float,
    *,
    power_alone: bool,
) -> float:
    """Bisect for the largest factor on constant powers, or on all loads: more load never brings a point back."""
    mask = np.ones(len(network.parent), np.bool_) if on is None else np.asarray(on, np.bool_)
    ohm = np.asarray(loop_ohm, np.float64)
    power, current, conductance = draws_of(network, mask, network.watts)
    behind_ohm = path_sum(network.parent, ohm)

    def stands(factor: float) -> bool:
        others = 1.0 if power_alone else factor
        rows = [part.reshape(1, -1) for part in (ohm, factor * power, others * current, others * conductance)]
        volts, _ = _solve_one_by_one(network.parent, rows, np.array([source_v], np.float64), 1e-9)
        return not np.isnan(volts[0, 0])

    # A load cannot take more than E²/4R (a current, than E/R) alone on its path, and others beside it only lower that.
    emf_v, most = float(source_v), float((behind_ohm * power).max())
    most_v = 0.0 if power_alone else float((behind_ohm * current).max())
    high = min(
        emf_v**2 / (4 * most) if most > 0 else math.inf,
        emf_v / most_v if most_v > 0 else math.inf,
    ) * (1 + 1e-9)
    if not stands(0.0):
        return 0.0
    if high > _ENDLESS:
        if stands(_ENDLESS):
            return math.inf
        high = _ENDLESS
    low = 0.0
    while high - low > rel_tol * high:
        middle = (low + high) / 2
        low, high = (middle, high) if stands(middle) else (low, middle)
    return low


def path_sum(parent: Ints, values: ArrayLike) -> Floats:
    """Sum of ``values`` (n,) or (B, n) over the branches from node 0 down to each node. Entry 0 is ignored."""
    by_node = np.asarray(values, np.float64).T
    total = by_node.tolist() if by_node.ndim == 1 else by_node.copy()
    total[0] = 0.0
    for node, above in enumerate(parent.tolist()):
        if node:
            total[node] += total[above]
    return np.array(total).T


def draws_of(network: Network, on: Bools, watts: Floats) -> tuple[Floats, Floats, Floats]:
    """Split the loads that are on: power in W (as drawn, power factor counted), current in A, conductance in 1/ohm."""
    kind = np.where(on, network.load, NO_LOAD)
    return (
        np.where(kind == CONSTANT_POWER, watts / network.power_factor, 0.0),
        np.where(kind == CONSTANT_CURRENT, watts / (network.nominal_v * network.power_factor), 0.0),
        np.where(kind == CONSTANT_RESISTANCE, watts / network.nominal_v**2, 0.0),
    )


def _solve_one_by_one(parent: Ints, rows: list[Floats], emf: Floats, tol_v: float) -> tuple[Floats, Floats]:
    """Solve each variant in plain floats. rows: (B, n) ohm, power, current, conductance. Out: volts, amps, (B, n)."""
    above = parent.tolist()
    volts, amps = np.full(rows[0].shape, np.nan), np.full(rows[0].shape, np.nan)
    for row in range(len(emf)):
        ohm, power, current, conductance = (part[row].tolist() for part in rows)
        found = _solve_one(above, ohm, power, current, conductance, float(emf[row]), tol_v)
        if found is not None:
            volts[row], amps[row] = found
    return volts, amps


def _solve_one(
    parent: list[int],
    ohm: list[float],
    power: list[float],
    current: list[float],
    conductance: list[float],
    emf: float,
    tol_v: float,
) -> tuple[list[float], list[float]] | None:
    """Newton from above for one network; None where it collapses."""
    n = len(parent)
    volts = [emf] * n
    for _ in range(_MAX_STEPS):
        # The tangent of each load at these volts draws drawn + slope x V.
        drawn = [c + 2 * p / v for c, p, v in zip(current, power, volts, strict=True)]
        slope = [g - p / (v * v) for g, p, v in zip(conductance, power, volts, strict=True)]
        for i in range(n - 1, 0, -1):
            pivot = 1 + slope[i] * ohm[i]
            if pivot <= 0:
                return None
            drawn[i] /= pivot  # from here on, as seen from the node above
            slope[i] /= pivot
            drawn[parent[i]] += drawn[i]
            slope[parent[i]] += slope[i]
        largest = 0.0
        old, volts = volts, [emf] * n
        for i in range(1, n):
            v_above = volts[parent[i]]
            volt = v_above - ohm[i] * (drawn[i] + slope[i] * v_above)
            if volt <= 0:
                return None
            volts[i] = volt
            largest = max(largest, abs(old[i] - volt))
        if largest < tol_v:
            break
    else:
        return None
    # Amps from the loads themselves, so that currents add up exactly at every node.
    amps = [c + p / v + g * v for c, p, g, v in zip(current, power, conductance, volts, strict=True)]
    for i in range(n - 1, 0, -1):
        amps[parent[i]] += amps[i]
    return volts, amps


def _solve_together(parent: Ints, rows: list[Floats], emf: Floats, tol_v: float) -> tuple[Floats, Floats]:
    """The same as ``_solve_one`` for all variants at once: node by node, each step an operation on (B,) rows."""
    above = parent.tolist()
    n, size = len(above), len(emf)
    volts, amps = np.full((n, size), np.nan), np.full((n, size), np.nan)
    ohm, power, current, conductance = (np.ascontiguousarray(part.T) for part in rows)
    left = np.arange(size)  # the variants not settled yet; the arrays hold only these
    now = np.tile(emf, (n, 1))
    for _ in range(_MAX_STEPS):
        drawn = current + 2 * power / now
        slope = conductance - power / now**2
        bad = np.zeros(len(left), np.bool_)
        for i in range(n - 1, 0, -1):
            pivot = 1 + slope[i] * ohm[i]
            if pivot.min() <= 0:
                bad |= pivot <= 0
                pivot[pivot <= 0] = 1.0  # its column is lost; keep it harmless until it is dropped below
            drawn[i] /= pivot
            slope[i] /= pivot
            drawn[above[i]] += drawn[i]
            slope[above[i]] += slope[i]
        new = np.empty_like(now)
        new[0] = now[0]
        for i in range(1, n):
            v_above = new[above[i]]
            new[i] = v_above - ohm[i] * (drawn[i] + slope[i] * v_above)
        bad |= (new <= 0).any(axis=0)
        done = ~bad & (np.abs(now - new).max(axis=0) < tol_v)
        if done.any():
            at, volt = left[done], new[:, done]
            total = current[:, done] + power[:, done] / volt + conductance[:, done] * volt
            for i in range(n - 1, 0, -1):
                total[above[i]] += total[i]
            volts[:, at], amps[:, at] = volt, total
        keep = ~(bad | done)
        if keep.all():
            now = new
            continue
        left, now = left[keep], new[:, keep]
        ohm, power, current, conductance = ohm[:, keep], power[:, keep], current[:, keep], conductance[:, keep]
        if not len(left):
            break
    return volts.T.copy(), amps.T.copy()
