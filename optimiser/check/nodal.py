"""Dense nodal equations with Newton's method. In: branches, loads, sources. Out: node volts and source amps, or None.

Unknown are the volts of every node and the amps of every source::

    G v + load(v) - (source amps at their nodes) = 0
    v at each source + Z (source amps)           = EMF

Z couples sources that share a core; it is zero for sources that hold their volts. From above, with load currents that
are convex in the volts, Newton's steps fall one after another to the greatest operating point if there is one; a step
that rises, or volts that reach zero, show that there is none.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

_DONE_V = 1e-9
_RISE_V = 1e-6
_MOST_STEPS = 200
_LEAST_OHM = 1e-7


@dataclass(frozen=True)
class Loads:
    """
    Loads at nodes ``at`` (k,).

    A node draws ``power_w`` / v + ``amps`` + ``siemens`` × v; each array (k,).
    """

    at: Ints
    power_w: Floats
    amps: Floats
    siemens: Floats


def solve_nodes(
    num_nodes: int, ends: Ints, ohm: Floats, loads: Loads, sources: Ints, emf_v: Floats, coupling_ohm: Floats
) -> tuple[Floats, Floats] | None:
    """
    Solve one network of several sources.

    Parameters
    ----------
    ends, ohm
        (b, 2) nodes of each branch, (b,) its resistance in ohm.
    sources, emf_v, coupling_ohm
        (s,) node of each source, (s,) its EMF in V, (s, s) resistances between them in ohm.

    Returns
    -------
    (num_nodes,) volts and (s,) source amps, or None where no operating point exists. Nodes must all hang together with
    a source by branches.
    """
    n, s = num_nodes, len(sources)
    siemens = 1 / np.maximum(ohm, _LEAST_OHM)
    matrix = np.zeros((n + s, n + s))
    a, b = ends[:, 0], ends[:, 1]
    np.add.at(matrix, (a, a), siemens)
    np.add.at(matrix, (b, b), siemens)
    np.add.at(matrix, (a, b), -siemens)
    np.add.at(matrix, (b, a), -siemens)
    np.add.at(matrix, (loads.at, loads.at), loads.siemens)
    rows = n + np.arange(s)
    matrix[sources, rows] = -1.0
    matrix[rows, sources] = 1.0
    matrix[n:, n:] = coupling_ohm
    right = np.concatenate([np.zeros(n), emf_v])
    np.add.at(right, loads.at, -loads.amps)

    x = np.concatenate([np.full(n, emf_v.max(initial=0.0)), np.zeros(s)])
    with np.errstate(all="ignore"):
        for step in range(_MOST_STEPS):
            volts = x[loads.at]
            jacobian = matrix.copy()
            np.add.at(jacobian, (loads.at, loads.at), -loads.power_w / volts**2)
            residual = matrix @ x - right
            np.add.at(residual, loads.at, loads.power_w / volts)
            try:
                change = np.linalg.solve(jacobian, -residual)
            except np.linalg.LinAlgError:
                return None
            x = x + change
            moved = change[:n]
            if not np.isfinite(x).all() or (x[:n] <= 0).any() or (step > 0 and moved.max(initial=0.0) > _RISE_V):
                return None
            if np.abs(moved).max(initial=0.0) < _DONE_V:
                return x[:n], x[n:]
    return None


def solve_samples(
    num_nodes: int, ends: Ints, ohm: Floats, at: Ints, drawn: Sequence[Floats], emf_v: Floats, coupling_ohm: Floats
) -> Floats:
    """
    ``solve_nodes`` for many networks of one shape: node i < s is that of source i.

    Parameters
    ----------
    ohm, emf_v
        (m, b) resistances and (m, s) EMFs of each network.
    at, drawn
        (k,) node of each load, and (m, k) its power in W, amps and conductance in S.

    Returns
    -------
    (m, num_nodes) volts; NaN where no operating point exists.
    """
    size, n, s = len(ohm), num_nodes, emf_v.shape[1]
    power, amps, load_siemens = drawn
    siemens = 1 / np.maximum(ohm, _LEAST_OHM)
    matrix = np.zeros((size, n + s, n + s))
    for i, (a, b) in enumerate(ends.tolist()):
        matrix[:, a, a] += siemens[:, i]
        matrix[:, b, b] += siemens[:, i]
        matrix[:, a, b] -= siemens[:, i]
        matrix[:, b, a] -= siemens[:, i]
    rows = n + np.arange(s)
    matrix[:, np.arange(s), rows] = -1.0
    matrix[:, rows, np.arange(s)] = 1.0
    matrix[:, n:, n:] = coupling_ohm
    right = np.concatenate([np.zeros((size, n)), emf_v], axis=1)
    for k, node in enumerate(at.tolist()):
        matrix[:, node, node] += load_siemens[:, k]
        right[:, node] -= amps[:, k]
    x = np.concatenate([np.repeat(emf_v.max(axis=1, keepdims=True), n, axis=1), np.zeros((size, s))], axis=1)
    settled, lost = np.zeros(size, bool), np.zeros(size, bool)
    with np.errstate(all="ignore"):
        for step in range(_MOST_STEPS):
            go = np.flatnonzero(~settled & ~lost)
            if not len(go):
                break
            jacobian, residual = matrix[go], np.einsum("mij,mj->mi", matrix[go], x[go]) - right[go]
            for k, node in enumerate(at.tolist()):
                jacobian[:, node, node] -= power[go, k] / x[go, node] ** 2
                residual[:, node] += power[go, k] / x[go, node]
            try:
                change = np.linalg.solve(jacobian, -residual[..., None])[..., 0]
            except np.linalg.LinAlgError:  # one of them is just at its collapse point: none is said to stand
                lost[go] = True
                break
            x[go] += change
            moved = change[:, :n]
            lost[go] = ~np.isfinite(x[go]).all(axis=1) | (x[go, :n] <= 0).any(axis=1)
            if step > 0:
                lost[go] |= moved.max(axis=1) > _RISE_V
            settled[go] = np.abs(moved).max(axis=1) < _DONE_V
    volts = x[:, :n]
    volts[~settled | lost] = np.nan
    return volts


def lone_volts(emf_v: Floats, ohm: Floats, power_w: Floats, amps: Floats, siemens: Floats) -> Floats:
    """(..., k) volts of loads that are each alone behind their own resistance; NaN without an operating point."""
    volts = emf_v.astype(float).copy()
    with np.errstate(all="ignore"):
        for _ in range(_MOST_STEPS):
            excess = volts - emf_v + ohm * (power_w / volts + amps + siemens * volts)
            slope = 1 + ohm * (siemens - power_w / volts**2)
            change = -excess / slope
            volts = np.where((change > _RISE_V) | (volts + change <= 0), np.nan, volts + change)
            if not (np.abs(change) >= _DONE_V).any():
                break
    return volts
