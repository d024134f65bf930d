"""Where cheapest ways cross the borders of dearer ground. In: Land, pairs of places. Out: crossing places.

Like light, the cheapest way bends at a border so that price times sine of the angle is the same on both sides (Snell's
law). Each crossing slides along the border segment that the straight line crosses, its neighbours held still, until
none moves. Only a source of good nodes: what a line costs is always priced by ``Land.price_lines``.
"""

from __future__ import annotations

import numpy as np
import shapely

from .border_places import ASIDE_M
from .graph import Bools, Floats, Ints
from .zones import Land

MOST_CROSSINGS = 6
_SWEEPS = 12
_STEPS = 30
_WORTH = 1e-4


def crossing_ways(land: Land, at: Floats, pairs: Ints) -> list[tuple[Ints, Floats]]:
    """
    Bent ways that are cheaper than the straight line.

    Parameters
    ----------
    at
        (n, 2) places.
    pairs
        (m, 2) which of them to join.

    Returns
    -------
    For each pair that gains: the pair, and its crossing places (k, 2) in order from its first place to its second, each
    a little on the cheaper side of its border.
    """
    if not len(pairs):
        return []
    a, b = at[pairs[:, 0]], at[pairs[:, 1]]
    lines = shapely.linestrings(np.stack([a, b], axis=1))
    parts, ground = land.cut(a, b, lines)
    change = (parts.line[:-1] == parts.line[1:]) & (ground[:-1] != ground[1:])
    bad = np.unique(parts.line[land.no_dig[ground]])
    cut = np.flatnonzero(change & ~np.isin(parts.line[:-1], bad))
    count = np.bincount(parts.line[cut], minlength=len(pairs))
    cut = cut[count[parts.line[cut]] <= MOST_CROSSINGS]
    if not len(cut):
        return []
    line = parts.line[cut]
    place = a[line] + (b - a)[line] * parts.end[cut][:, None]
    p, q = land.borders.segments_at(place)
    before, after = land.per_m[ground[cut]], land.per_m[ground[cut + 1]]
    x = _settle(a[line], b[line], line, place, p, q, before, after)
    ways = []
    for idx in np.unique(line):
        mine = np.flatnonzero(line == idx)
        prices = np.concatenate([before[mine], after[mine[-1:]]])
        straight, bent = (
            float((np.hypot(*np.diff(np.vstack([a[idx], way[mine], b[idx]]), axis=0).T) * prices).sum())
            for way in (place, x)
        )
        if bent < straight * (1 - _WORTH):
            ways.append((pairs[idx], _aside(x[mine], p[mine], q[mine], a[idx], before[mine] <= after[mine])))
    return ways


def _settle(a: Floats, b: Floats, line: Ints, x: Floats, p: Floats, q: Floats, before: Floats, after: Floats) -> Floats:
    x = x.copy()
    first = np.concatenate([[True], line[1:] != line[:-1]])
    last = np.concatenate([line[1:] != line[:-1], [True]])
    position = np.arange(len(line)) - np.maximum.accumulate(np.where(first, np.arange(len(line)), 0))
    for _ in range(_SWEEPS):
        for odd in (0, 1):
            mine = position % 2 == odd
            frm = np.where(first[:, None], a, np.roll(x, 1, axis=0))[mine]
            to = np.where(last[:, None], b, np.roll(x, -1, axis=0))[mine]
            x[mine] = _slide(frm, to, p[mine], q[mine], before[mine], after[mine])
    return x


def _slide(frm: Floats, to: Floats, p: Floats, q: Floats, before: Floats, after: Floats) -> Floats:
    """Best place on each segment p-q by halving thirds (the price is convex along it)."""
    low, high = np.zeros(len(p)), np.ones(len(p))

    def price(share: Floats) -> Floats:
        x = p + (q - p) * share[:, None]
        return np.asarray(before * np.hypot(*(x - frm).T) + after * np.hypot(*(to - x).T), dtype=float)

    for _ in range(_STEPS):
        one, two = low + (high - low) / 3, high - (high - low) / 3
        left = price(one) <= price(two)
        low, high = np.where(left, low, one), np.where(left, two, high)
    return np.asarray(p + (q - p) * ((low + high) / 2)[:, None], dtype=float)


def _aside(x: Floats, p: Floats, q: Floats, a: Floats, cheap_before: Bools) -> Floats:
    """Move crossing places a little to the cheaper side."""
    normal = np.column_stack([-(q - p)[:, 1], (q - p)[:, 0]])
    normal /= np.hypot(*normal.T)[:, None]
    came_from = np.vstack([a, x[:-1]])
    toward = np.sign(((came_from - x) * normal).sum(axis=1))
    toward = np.where(toward == 0, 1.0, toward)
    return np.asarray(x + normal * (ASIDE_M * toward * np.where(cheap_before, 1, -1))[:, None], dtype=float)
