"""Potentials that prove much, by splitting. In: OpenGround, Prices. Out: potentials of each lamp.

Sought are the potentials with the greatest sum at the lamps' landings that obey (1) of ``prove.py``. It is asked for
along a few axes in each triangle at first, and along others where it is found broken; each axis is a constraint of its
own on the slopes of all lamps' potentials along it. The method alternates between slopes that obey each constraint for
itself (where too much is asked of an axis, all who ask for something there give up the same) and potentials whose
slopes come nearest to these, which is one system of linear equations for all lamps with a matrix that stays the same:
the alternating direction method of multipliers (S. Boyd et al., Foundations and Trends in Machine Learning 3, 2011,
1-122; cited from memory). Its multipliers are metres of trench that each lamp's way has along each axis.

What comes out is no proof; ``prove.py`` makes one of it.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator

import numpy as np

from ...ground.graph import Floats, Ints
from .flow import OpenGround, Prices
from .prove import overshoot, proven

AXES = 6
STIFF = 2.0
"""Weight of the slopes against the multipliers: 2 to 6 made little difference, 1 and 10 took more rounds."""
RELAX = 1.8
BROKEN = 1.0005
"""Where (1) is broken by more, its worst direction becomes an axis."""
POWER = 0.3
"""It goes with this power of a triangle's area; 0 to 0.75 made little difference."""
LOOK = 25
"""Rounds between two looks at what is proven."""


class Splitting:
    """
    One job's potentials for a choice of prices; ``potential`` is (V, N), ``best`` what was proven at most.

    ``cut_off``: no trench leads from any supply point to some lamp; then there are no potentials to seek.

    Parameters
    ----------
    slack
        Metres of cable as cut for each metre of route.
    """

    def __init__(self, ground: OpenGround, slack: float, prices: Prices) -> None:
        self.ground, self.slack = ground, slack
        mesh = ground.mesh
        self._num, self._lamps = len(mesh.places), len(ground.landings)
        self._tri = np.repeat(np.arange(len(mesh.corners)), AXES)
        self._angle = np.tile(np.pi * np.arange(AXES) / AXES, len(mesh.corners))
        self._price = np.zeros(0)
        self.set_prices(prices)
        self._arcs()
        if self.cut_off:
            return
        self._stiff_m = (
            STIFF * ground.area**POWER * float(np.median(ground.area)) ** (0.5 - POWER) / self._price * (2 / AXES)
        )
        self._assemble()
        rows = len(self._tri) + len(self._arc_cap)
        self._z, self._y = np.zeros((rows, self._lamps)), np.zeros((rows, self._lamps))
        self.potential = np.full((self._num, self._lamps), np.nan)
        self.best, self.rounds = -np.inf, 0

    def set_prices(self, prices: Prices) -> None:
        """Other prices of cable and ways; which supply points cost something stays."""
        self.prices = prices
        self._price = self.ground.mesh.per_m + self.slack * prices.cable_m
        self._own = self.slack * prices.weight

    def _arcs(self) -> None:
        """Arcs: (tail, head, price, only this lamp's or -1); a tail of -1 is at 0."""
        ground, prices = self.ground, self.prices
        mesh = ground.mesh
        arcs: list[tuple[int, int, float, int]] = []
        metres = self.slack * ground.sleeve_m
        for (a, b), far, pull in zip(
            ground.sleeves.tolist(), metres.tolist(), ground.sleeve_price.tolist(), strict=True
        ):
            arcs.append((a, b, pull + far * prices.duct_m, -1))
        arcs += [
            (-1, node, cost, -1)
            for node, cost in zip(ground.supply.tolist(), prices.supply.tolist(), strict=True)
            if 0 < cost < np.inf
        ]
        for lamp, landing in enumerate(ground.landings):
            if landing.post >= 0:
                arcs.append((landing.post, self._num + lamp, 0.0, lamp))
            places = np.unique(mesh.corners[landing.triangles])
            far = np.hypot(*(mesh.places[places] - landing.place).T) * landing.lead_per_m
            arcs += [(p, self._num + lamp, cost, lamp) for p, cost in zip(places.tolist(), far.tolist(), strict=True)]
        self._arc = np.array([arc[:2] for arc in arcs], dtype=np.int64).reshape(-1, 2)
        self._arc_cap = np.array([arc[2] for arc in arcs], dtype=float)
        self._arc_lamp = np.array([arc[3] for arc in arcs], dtype=np.int64)
        cheap = {n for n, cost in zip(ground.supply.tolist(), prices.supply.tolist(), strict=True) if cost == 0}
        self._free = self._reached(cheap)
        self._size = len(self._free)

    def _reached(self, zero: set[int]) -> Ints:
        """Nodes that supply points reach and that are not at 0."""
        from scipy.sparse import coo_matrix
        from scipy.sparse.csgraph import connected_components

        corners = self.ground.mesh.corners
        total = self._num + self._lamps
        starts = [*zero, *self._arc[self._arc[:, 0] < 0, 1].tolist()]
        inner = self._arc[self._arc[:, 0] >= 0]
        pairs = np.vstack([corners[:, :2], corners[:, 1:], inner, [[total, s] for s in starts]])
        joined = coo_matrix((np.ones(len(pairs)), (pairs[:, 0], pairs[:, 1])), shape=(total + 1, total + 1))
        label = connected_components(joined, directed=False)[1]
        self._zero = np.array(sorted(zero), dtype=np.int64)
        mine = label[:total] == label[total]
        mine[self._zero] = False
        self.cut_off = not mine[self._num :].all()
        return np.flatnonzero(mine)

    def _assemble(self) -> None:
        """Matrix from potentials to rises: along each axis of a triangle for each metre, along each arc whole."""
        from scipy.sparse import coo_matrix, diags
        from scipy.sparse.linalg import splu

        ground, tri = self.ground, self._tri
        axis = np.column_stack([np.cos(self._angle), np.sin(self._angle)])
        along = np.einsum("rjc,rc->rj", ground.slopes[tri], axis)
        count, arcs = len(tri), len(self._arc)
        rows = np.concatenate([np.repeat(np.arange(count), 3), np.tile(count + np.arange(arcs), 2)])
        cols = np.concatenate([ground.mesh.corners[tri].ravel(), self._arc[:, 1], self._arc[:, 0]])
        vals = np.concatenate([along.ravel(), np.ones(arcs), -np.ones(arcs)])
        there = cols >= 0
        total = self._num + self._lamps
        whole = coo_matrix((vals[there], (rows[there], cols[there])), shape=(count + arcs, total)).tocsr()
        self._rise = whole[:, self._free].tocsr()
        self._back = self._rise.T.tocsr()
        typical = float(np.median(self._price)) * float(np.sqrt(np.percentile(ground.area, 10)))
        self._stiff = np.concatenate([self._stiff_m[tri], STIFF / np.maximum(self._arc_cap, typical)])
        self._solve = splu((self._back @ diags(self._stiff) @ self._rise).tocsc()).solve
        wanted = np.zeros((self._size, self._lamps))
        row_of = np.full(total, -1)
        row_of[self._free] = np.arange(self._size)
        for lamp in range(self._lamps):
            wanted[row_of[self._num + lamp], lamp] = 1.0
        self._wanted = wanted

    def run(self, rounds: int, stop: Callable[[], bool] | None = None) -> float:
        """So many more rounds; the most that was proven."""
        for _ in self.steps(rounds):
            if stop is not None and stop():
                break
        return self.best

    def steps(self, rounds: int) -> Iterator[float]:
        """What each look proves."""
        leads = np.flatnonzero(self._arc_lamp >= 0)
        lead_lamp = self._arc_lamp[leads]
        for turn in range(1, rounds + 1):
            count = len(self._tri)
            cap = np.concatenate([self._price[self._tri], self._arc_cap])
            own = np.concatenate([self._own[self._tri], np.zeros(len(self._arc))])[:, None] * self.prices.way_m
            free = self._solve(self._wanted + self._back @ (self._stiff[:, None] * (self._z - self._y)))
            moved = RELAX * (self._rise @ free) + (1 - RELAX) * self._z + self._y
            held = obeying(moved, own if self.prices.way_m.any() else None, cap)
            mine = moved[count + leads]
            at = np.arange(len(leads))
            mine[at, lead_lamp] = np.minimum(mine[at, lead_lamp], self._arc_cap[leads])
            held[count + leads] = mine
            self._y, self._z = moved - held, held
            self.rounds += 1
            if turn % LOOK == 0 or turn == rounds:
                self._show(free)
                value = proven(self.ground, self.slack, self.prices, self.potential)
                self.best = max(self.best, value)
                yield value
                if turn < rounds:
                    self._more_axes()

    def _show(self, free: Floats) -> None:
        every = np.full((self._num + self._lamps, self._lamps), np.nan)
        every[self._free] = free
        every[self._zero] = 0.0
        self.potential = every[: self._num]

    def metres(self) -> Floats:
        """(T, N) metres that each lamp's way has in each triangle, nearly."""
        count = len(self._tri)
        found = np.zeros((len(self.ground.mesh.corners), self._lamps))
        axis = np.column_stack([np.cos(self._angle), np.sin(self._angle)])
        along = self._stiff[:count, None] * self._y[:count]
        ways = np.zeros((2, *found.shape))
        for side in (0, 1):
            np.add.at(ways[side], self._tri, along * axis[:, side : side + 1])
        return np.asarray(np.hypot(ways[0], ways[1]), dtype=float)

    def _more_axes(self) -> None:
        """An axis more where (1) is broken."""
        corner = self.potential[self.ground.mesh.corners]
        whole = np.flatnonzero(np.isfinite(corner).all(axis=(1, 2)))
        slope = np.einsum("tjc,tjk->tkc", self.ground.slopes[whole], corner[whole])
        own = self._own[whole][:, None] * self.prices.way_m
        over, angle = overshoot(slope, own, self._price[whole])
        broken = np.flatnonzero(over > BROKEN)
        if not len(broken):
            return
        tri = whole[broken]
        self._insert(tri, angle[broken])

    def _insert(self, tri: Ints, angle: Floats) -> None:
        count = len(self._tri)
        axis = np.column_stack([np.cos(angle), np.sin(angle)])
        corner = np.nan_to_num(self.potential[self.ground.mesh.corners[tri]])
        rise = np.einsum("rjc,rc,rjk->rk", self.ground.slopes[tri], axis, corner)
        self._tri = np.concatenate([self._tri, tri])
        self._angle = np.concatenate([self._angle, angle])
        self._z = np.concatenate([self._z[:count], rise, self._z[count:]])
        self._y = np.concatenate([self._y[:count], 0 * rise, self._y[count:]])
        self._assemble()


def obeying(rise: Floats, own: Floats | None, cap: Floats) -> Floats:
    """
    The nearest rises that obey (1) along each axis, either way.

    Parameters
    ----------
    rise
        (n, N).
    own
        (n, N) what lamps pay for themselves, >= 0.
    cap
        (n,) >= 0.
    """
    held = rise.copy()
    for sign in (1.0, -1.0):
        over = sign * rise if own is None else sign * rise - own
        np.maximum(over, 0.0, out=over)
        broken = np.flatnonzero(over.sum(axis=1) > cap)
        if not len(broken):
            continue
        asked, most = over[broken], cap[broken]
        level = np.zeros(len(broken))
        while True:  # Newton's method from below: it ends after at most N steps
            some = asked > level[:, None]
            higher = ((asked * some).sum(axis=1) - most) / np.maximum(some.sum(axis=1), 1)
            if (higher <= level + 1e-12 * (1 + most)).all():
                break
            level = np.maximum(level, higher)
        left = np.maximum(asked - level[:, None], 0.0)
        if own is not None:
            left = left + own[broken]
        held[broken] = np.where(asked > 0, sign * left, held[broken])
    return held
