"""Points and the measurements between them, as arrays. In: places to start from, Observations. Out: Adjustment.

Gauss-Newton with Marquardt's damping on the sparse normal equations; the points fall apart into groups that share no
measurement, and each group has its own cofactors. Solves and judges with the measurements it is told to use: which
ones may be wrong is no business of its own (`adjust.py`).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from enum import IntEnum
from typing import Any

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

_STEPS = 60  # of one solution; good tapes take four or five
_LARGEST_GROUP = 1500  # points; the cofactors of larger groups are not computed


class Sort(IntEnum):
    """What was measured."""

    DISTANCE = 0  # from point a to point i
    X = 1  # of point i
    Y = 2
    CHAINAGE = 3  # of point i along the line from a to b
    OFFSET = 4  # of point i to the left of it


@dataclass(frozen=True)
class Observation:
    """One measurement in m with its standard error; ``a`` and ``b`` are points too, where its sort has them."""

    sort: Sort
    i: int
    value: float
    sigma: float
    a: int = -1
    b: int = -1


@dataclass
class Adjustment:
    """
    What the measurements say together.

    Attributes
    ----------
    places
        (n, 2) adjusted x, y in m.
    cofactors
        (n, 2, 2) covariance of each place in m², 0 where it was held fixed, NaN where not computed or not determined.
    residuals
        (m,) computed less measured, in m, for every measurement, those left out too.
    redundancy
        (m,) share of a gross error that shows in the residual, 0 to 1; 0 for those left out.
    ratios
        (m,) residual over its standard error; NaN where nothing checks the measurement.
    left_out
        Measurements found wrong and not used, in the order found.
    unresolved
        Sets of measurements one of which is wrong, most likely (smallest error) first.
    """

    places: Floats
    cofactors: Floats
    residuals: Floats
    redundancy: Floats
    ratios: Floats
    sigmas: Floats
    groups: Ints
    """(n,) the group of each point, -1 where held fixed."""
    group_of: Ints
    """(m,) the group of each measurement, -1 where it is between fixed points."""
    left_out: list[int] = field(default_factory=list)
    unresolved: list[list[int]] = field(default_factory=list)
    doubted: frozenset[int] = frozenset()
    """Points whose place hangs on which of a set of ``unresolved`` is wrong."""
    misclosures: Floats = field(default_factory=lambda: np.empty(0))
    """(m,) computed less measured, in m, as told: residuals, but of those left out or suspected what the rest alone
    make of each, and of others beside a suspected one what they come to without it."""
    misclosure_ratios: Floats = field(default_factory=lambda: np.empty(0))
    """(m,) misclosure over its standard error; NaN where nothing checks the measurement."""
    converged: bool = True

    @property
    def num_redundant(self) -> int:
        """Measurements more than needed, in the groups whose cofactors were computed."""
        return round(float(np.nansum(self.redundancy)))

    @property
    def s0(self) -> float:
        """Standard error of unit weight: 1 where the measurements stray as stated; NaN where nothing is redundant."""
        used = self.redundancy > 0
        chi2 = float(((self.residuals[used] / self.sigmas[used]) ** 2).sum())
        return math.sqrt(chi2 / self.num_redundant) if self.num_redundant else math.nan

    def error_of(self, measurement: int) -> float:
        """The gross error of one left out or suspected: measured less what the others say without it, in m."""
        return -float(self.misclosures[measurement])


class Network:
    """The observations as arrays, and the places as they move."""

    def __init__(self, start: Floats, free: Bools, observations: Sequence[Observation]) -> None:
        self.places = np.array(start, dtype=float)
        self.free = np.asarray(free, dtype=bool)
        self.sort = np.array([o.sort for o in observations], dtype=np.int64)
        self.i = np.array([o.i for o in observations], dtype=np.int64)
        self.a = np.array([o.a for o in observations], dtype=np.int64)
        self.b = np.array([o.b for o in observations], dtype=np.int64)
        self.value = np.array([o.value for o in observations], dtype=float)
        self.sigma = np.array([o.sigma for o in observations], dtype=float)
        self.column = np.full(len(self.free), -1, dtype=np.int64)
        self.column[self.free] = np.arange(int(self.free.sum()))
        self.groups, self.group_of = self._group()
        self.converged = True

    def _group(self) -> tuple[Ints, Ints]:
        """Points joined by any chain of measurements between free points are one group."""
        from scipy.sparse import coo_array
        from scipy.sparse.csgraph import connected_components

        ends = np.stack([self.i, np.where(self.a < 0, self.i, self.a), np.where(self.b < 0, self.i, self.b)])
        pairs = np.concatenate([ends[[0, 1]], ends[[0, 2]], ends[[1, 2]]], axis=1)
        pairs = pairs[:, self.free[pairs[0]] & self.free[pairs[1]]] if pairs.size else pairs
        n = len(self.free)
        links = coo_array((np.ones(pairs.shape[1]), (pairs[0], pairs[1])), shape=(n, n))
        labels = np.asarray(connected_components(links, directed=False)[1], dtype=np.int64)
        groups = np.where(self.free, labels, -1)
        group_of = np.full(len(self.i), -1, dtype=np.int64)
        for end in ends[::-1]:
            group_of = np.where(self.free[end], groups[end], group_of) if len(end) else group_of
        return groups, group_of

    def computed(self, places: Floats) -> Floats:
        """(m,) what each measurement should have been."""
        p, a, b = places[self.i], places[self.a], places[self.b]
        along, across = _on_line(p, a, b)
        return np.select(
            [self.sort == Sort.DISTANCE, self.sort == Sort.X, self.sort == Sort.Y, self.sort == Sort.CHAINAGE],
            [np.hypot(*(p - a).T), p[:, 0], p[:, 1], along],
            across,
        )

    def off(self) -> Floats:
        """(m,) computed less measured."""
        return np.asarray(self.computed(self.places) - self.value)

    def slopes(self) -> Floats:
        """(m, 3, 2) how each measurement changes with x and y of its points i, a and b."""
        p, a, b = self.places[self.i], self.places[self.a], self.places[self.b]
        slopes = np.zeros((len(self.i), 3, 2))
        away = p - a
        unit = away / np.maximum(np.hypot(*away.T), 1e-9)[:, None]
        one = self.sort == Sort.DISTANCE
        slopes[one, 0], slopes[one, 1] = unit[one], -unit[one]
        slopes[self.sort == Sort.X, 0, 0] = 1
        slopes[self.sort == Sort.Y, 0, 1] = 1
        length = np.maximum(np.hypot(*(b - a).T), 1e-9)
        u = (b - a) / length[:, None]
        left = np.stack([-u[:, 1], u[:, 0]], axis=1)
        along, across = (away * u).sum(1), (away * left).sum(1)
        # Turning the line by dθ changes the chainage by offset x dθ and the offset by -chainage x dθ.
        for sort, toward, lever in ((Sort.CHAINAGE, u, across), (Sort.OFFSET, left, -along)):
            one = self.sort == sort
            turn = left * (lever / length)[:, None]
            slopes[one, 0] = toward[one]
            slopes[one, 1] = (-toward - turn)[one]
            slopes[one, 2] = turn[one]
        return slopes

    def jacobian(self) -> Any:
        """(m, 2 k) sparse, scaled by the standard errors; columns are x and y of the k free points."""
        from scipy.sparse import csr_array

        slopes = self.slopes() / self.sigma[:, None, None]
        rows, columns, values = [], [], []
        for slot, end in enumerate((self.i, self.a, self.b)):
            moves = (end >= 0) & self.free[end]
            for axis in (0, 1):
                rows.append(np.flatnonzero(moves))
                columns.append(2 * self.column[end[moves]] + axis)
                values.append(slopes[moves, slot, axis])
        shape = (len(self.i), 2 * int(self.free.sum()))
        return csr_array((np.concatenate(values), (np.concatenate(rows), np.concatenate(columns))), shape=shape)

    def solve(self, used: Bools) -> None:
        """Move the free points to the least sum of squares of the measurements used."""
        from scipy.sparse import diags_array
        from scipy.sparse.linalg import splu

        if not self.free.any() or not len(self.i):
            return
        weight = used.astype(float)

        def misfit(places: Floats) -> Floats:
            return np.asarray(weight * (self.value - self.computed(places)) / self.sigma)

        off = misfit(self.places)
        damping = 1e-9
        for _ in range(_STEPS):
            jacobian = self.jacobian().multiply(weight[:, None]).tocsc()
            normal = (jacobian.T @ jacobian).tocsc()
            scale = np.maximum(normal.diagonal(), 1e-12)
            step = splu((normal + diags_array(damping * scale)).tocsc()).solve(jacobian.T @ off)
            moved = self.places.copy()
            moved[self.free] += step.reshape(-1, 2)
            then = misfit(moved)
            if then @ then <= off @ off:
                self.places, off, damping = moved, then, max(damping / 10, 1e-9)
                if np.abs(step).max(initial=0.0) < 1e-6:
                    break
            else:
                damping = max(damping * 10, 1e-6)
                if damping > 1e12:
                    break
        else:
            self.converged = False

    def judge(self, used: Bools) -> Adjustment:
        """Cofactors, residuals and the redundancy of each measurement."""
        residuals = self.off()
        cofactors = np.zeros((len(self.free), 2, 2))
        redundancy = np.where(used, 1.0, 0.0)
        slopes = self.slopes() / self.sigma[:, None, None]
        alone = self._judge_alone(used, slopes, cofactors, redundancy)
        ends = np.stack([self.i, self.a, self.b], axis=1)
        members_of: dict[int, list[int]] = {}
        for m in np.flatnonzero(~alone[self.group_of] & (self.group_of >= 0)).tolist():
            members_of.setdefault(int(self.group_of[m]), []).append(m)
        points_of: dict[int, list[int]] = {}
        for point in np.flatnonzero(self.free & ~alone[self.groups]).tolist():
            points_of.setdefault(int(self.groups[point]), []).append(point)
        for group, points in points_of.items():
            members = members_of.get(group, [])
            if len(points) > _LARGEST_GROUP:
                cofactors[points] = np.nan
                redundancy[members] = np.nan
                continue
            local = {point: k for k, point in enumerate(points)}
            rows = np.zeros((len(members), 2 * len(points)))
            for row, m in enumerate(members):
                for slot in range(3):
                    k = local.get(int(ends[m, slot]), -1)
                    if k >= 0:
                        rows[row, 2 * k : 2 * k + 2] += slopes[m, slot]
            active = rows * used[members][:, None]
            normal = active.T @ active
            held = np.linalg.eigvalsh(normal)
            if held[0] <= 1e-12 * max(held[-1], 1e-300):
                cofactors[points] = np.nan  # some direction is not measured at all
                redundancy[members] = 0.0
                continue
            inverse = np.linalg.inv(normal)
            for k in range(len(points)):
                cofactors[points[k]] = inverse[2 * k : 2 * k + 2, 2 * k : 2 * k + 2]
            share = 1 - np.einsum("mi,ij,mj->m", active, inverse, active)
            redundancy[members] = np.where(used[members], np.clip(share, 0.0, 1.0), 0.0)
        with np.errstate(invalid="ignore", divide="ignore"):
            ratios = np.where(redundancy > 0.001, residuals / (self.sigma * np.sqrt(redundancy)), np.nan)
        return Adjustment(
            self.places.copy(), cofactors, residuals, redundancy, ratios, self.sigma.copy(), self.groups, self.group_of,
            misclosures=residuals.copy(), misclosure_ratios=ratios.copy(), converged=self.converged,
        )  # fmt: skip

    def _judge_alone(self, used: Bools, slopes: Floats, cofactors: Floats, redundancy: Floats) -> Bools:
        """The same for all groups of a single point at once; which groups (by label) these are."""
        sizes = np.bincount(self.groups[self.free], minlength=len(self.free) + 1)
        alone: Bools = sizes == 1
        if not alone.any():
            return alone
        point_of = np.zeros(len(sizes), dtype=np.int64)
        free = np.flatnonzero(self.free)
        point_of[self.groups[free]] = free
        members = np.flatnonzero((self.group_of >= 0) & alone[self.group_of])
        point = point_of[self.group_of[members]]
        moved = sum(
            slopes[members, slot] * (end[members] == point)[:, None]
            for slot, end in enumerate((self.i, self.a, self.b))
        )
        active = np.asarray(moved) * used[members][:, None]
        normal = np.zeros((len(self.free), 2, 2))
        np.add.at(normal, point, active[:, :, None] * active[:, None, :])
        det = normal[:, 0, 0] * normal[:, 1, 1] - normal[:, 0, 1] ** 2
        trace = normal[:, 0, 0] + normal[:, 1, 1]
        told = det > 1e-12 * np.maximum(trace, 1e-150) ** 2
        safe = np.where(told, det, 1.0)
        inverse = np.empty_like(normal)
        inverse[:, 0, 0], inverse[:, 1, 1] = normal[:, 1, 1] / safe, normal[:, 0, 0] / safe
        inverse[:, 0, 1] = inverse[:, 1, 0] = -normal[:, 0, 1] / safe
        inverse[~told] = np.nan
        single = free[alone[self.groups[free]]]
        cofactors[single] = inverse[single]
        share = 1 - np.einsum("mi,mij,mj->m", active, inverse[point], active)
        redundancy[members] = np.where(used[members] & told[point], np.clip(np.nan_to_num(share), 0.0, 1.0), 0.0)
        return alone


def _on_line(p: Floats, a: Floats, b: Floats) -> tuple[Floats, Floats]:
    """Chainage along the line from a to b, and offset to the left of it."""
    length = np.maximum(np.hypot(*(b - a).T), 1e-9)
    u = (b - a) / length[:, None]
    away = p - a
    return (away * u).sum(1), u[:, 0] * away[:, 1] - u[:, 1] * away[:, 0]
