"""Lines cut where they meet the borders of zones. In: border segments, lines. Out: the parts of each line, in order.

Parts shorter than a millimetre (``TINY_M``) are not told apart from their neighbours: they are slivers between zones
measured to the millimetre, and no trench of that length can be dug, drawn or checked. A line that ends on a border
(within ``ON_M``) meets that border there and nowhere else, however flat the angle: else it would cross it twice.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, NamedTuple

import numpy as np
import shapely
from shapely import Polygon, STRtree

from .graph import Bools, Floats, Ints

TINY_M = 0.001
ON_M = 0.00085
"""How near to a border the end of a line counts as on it: places are whole millimetres, half a diagonal is 0.71."""
_TOUCH_M = 1e-6


class Parts(NamedTuple):
    """Parts of n lines: ``line`` (p,) ascending, ``start``, ``end`` (p,) shares of its length, ``middle`` (p, 2)."""

    line: Ints
    start: Floats
    end: Floats
    middle: Floats
    a_near: Bools
    """(n,) whether the line's first end lies within ON_M of a border; ``b_near`` its last."""
    b_near: Bools


def sides_of(polygons: Sequence[Polygon]) -> tuple[Floats, Floats]:
    """Both ends, (k, 2) each, of every side of the polygons."""
    starts, ends = [np.empty((0, 2))], [np.empty((0, 2))]
    for polygon in polygons:
        for ring in (polygon.exterior, *polygon.interiors):
            corners = shapely.get_coordinates(ring)
            starts.append(corners[:-1])
            ends.append(corners[1:])
    return np.vstack(starts), np.vstack(ends)


class Borders:
    """
    Straight segments p to q, (k, 2) each, ready to be cut with.

    ``creases``, the ends of further segments (j, 2) each, cut lines too, but nothing lies on them.
    """

    def __init__(self, p: Floats, q: Floats, creases: tuple[Floats, Floats] | None = None) -> None:
        is_border = np.ones(len(p), dtype=bool)
        if creases is not None:
            p, q = np.vstack([p, creases[0]]), np.vstack([q, creases[1]])
            is_border = np.arange(len(p)) < len(is_border)
        solid = np.hypot(*(q - p).T) > 1e-9
        self.p, self.q, self._is_border = p[solid], q[solid], is_border[solid]
        low, high = np.minimum(self.p, self.q) - ON_M, np.maximum(self.p, self.q) + ON_M
        self._tree = STRtree(shapely.box(low[:, 0], low[:, 1], high[:, 0], high[:, 1]))

    def cut(self, a: Floats, b: Floats, lines: Any) -> Parts:
        """
        Cut n lines from a (n, 2) to b (n, 2).

        ``lines`` are the same lines as shapely geometries.
        """
        n = len(a)
        along = b - a
        length = np.hypot(along[:, 0], along[:, 1])
        a_near, b_near = np.zeros(n, bool), np.zeros(n, bool)
        cut_line, cut_share = np.empty(0, np.int64), np.empty(0)
        if len(self.p):
            line, segment = self._tree.query(lines)
            if len(line):
                cut_line, cut_share = self._cuts(a, b, along, length, line, segment, a_near, b_near)
        every = np.arange(n)
        line = np.concatenate([every, cut_line, every])
        share = np.concatenate([np.zeros(n), cut_share, np.ones(n)])
        order = np.lexsort((share, line))
        line, share = line[order], share[order]
        same = line[1:] == line[:-1]
        part_line, start, end = line[:-1][same], share[:-1][same], share[1:][same]
        if len(cut_line):
            part_line, start, end = _without_tiny(part_line, start, end, length, n)
        middle = a[part_line] + along[part_line] * ((start + end) / 2)[:, None]
        return Parts(part_line, start, end, middle, a_near, b_near)

    def segments_at(self, places: Floats) -> tuple[Floats, Floats]:
        """The border segments nearest to (n, 2) places that lie on borders: their two ends, (n, 2) each."""
        return self._nearest(places, 0.0)

    def _nearest(self, places: Floats, within_m: float) -> tuple[Floats, Floats]:
        place, segment = self._tree.query(shapely.points(places), predicate="dwithin", distance=within_m)
        off = _off(places[place], self.p[segment], self.q[segment])
        best = np.lexsort((segment, off, place))
        _, first = np.unique(place[best], return_index=True)
        chosen = segment[best[first]]
        return self.p[chosen], self.q[chosen]

    def segments_near(self, places: Floats, within_m: float) -> tuple[Floats, Floats]:
        """The border segment nearest to each of (n, 2) places: its two ends; NaN where none is so near."""
        p, q = np.full(places.shape, np.nan), np.full(places.shape, np.nan)
        if len(self.p):
            near = np.unique(self._tree.query(shapely.points(places), predicate="dwithin", distance=within_m)[0])
            if len(near):
                p[near], q[near] = self._nearest(places[near], within_m)
        return p, q

    def on(self, places: Floats) -> Bools:
        """(n,) whether (n, 2) places lie on a border, within ON_M."""
        found = np.zeros(len(places), dtype=bool)
        if len(self.p) and len(places):
            place, segment = self._tree.query(shapely.points(places))
            off = _off(places[place], self.p[segment], self.q[segment])
            found[place[self._is_border[segment] & (off <= ON_M)]] = True
        return found

    def _cuts(
        self,
        a: Floats,
        b: Floats,
        along: Floats,
        length: Floats,
        line: Ints,
        segment: Ints,
        a_near: Bools,
        b_near: Bools,
    ) -> tuple[Ints, Floats]:
        # Most boxes that meet do so only as boxes: drop segments that lie wholly on one side of the line.
        ax, ay, rx, ry = a[line, 0], a[line, 1], along[line, 0], along[line, 1]
        side_p = rx * (self.p[segment, 1] - ay) - ry * (self.p[segment, 0] - ax)
        side_q = rx * (self.q[segment, 1] - ay) - ry * (self.q[segment, 0] - ax)
        slack_m2 = 2 * TINY_M * length[line]
        meets = (np.minimum(side_p, side_q) <= slack_m2) & (np.maximum(side_p, side_q) >= -slack_m2)
        line, segment = line[meets], segment[meets]
        p, q = self.p[segment], self.q[segment]
        s = q - p
        s_length = np.hypot(s[:, 0], s[:, 1])
        r, r_length = along[line], length[line]
        w = p - a[line]
        denominator = r[:, 0] * s[:, 1] - r[:, 1] * s[:, 0]
        # Sine of the angle below 1e-9: parallel within a nanometre a metre.
        crossing = np.abs(denominator) > 1e-9 * r_length * s_length
        with np.errstate(divide="ignore", invalid="ignore"):
            t = (w[:, 0] * s[:, 1] - w[:, 1] * s[:, 0]) / denominator
            u = (w[:, 0] * r[:, 1] - w[:, 1] * r[:, 0]) / denominator
            slack = _TOUCH_M / s_length
            hit = crossing & (t > 0) & (t < 1) & (u >= -slack) & (u <= 1 + slack)
            # Segments that run along the line need no cut: where they end, others of their rings touch it.
        for end, near in ((a, a_near), (b, b_near)):
            on = self._is_border[segment] & (_off(end[line], p, q) <= ON_M)
            near[line[on]] = True
            hit &= ~on
        return line[hit], t[hit]


def _off(places: Floats, p: Floats, q: Floats) -> Floats:
    """(n,) how far each place (n, 2) is from its segment p to q, (n, 2) each."""
    s, e = q - p, places - p
    share = np.clip((e * s).sum(axis=1) / (s * s).sum(axis=1), 0, 1)
    return np.asarray(np.hypot(*(e - s * share[:, None]).T), dtype=float)


def _without_tiny(line: Ints, start: Floats, end: Floats, length: Floats, n: int) -> tuple[Ints, Floats, Floats]:
    """Give tiny parts to their neighbours; a line that has tiny parts only becomes one part."""
    # What ends nearer to a border than ON_M was not cut by it: at the ends no part shorter than that is a sliver.
    at_end = (start == 0) | (end == 1)
    solid = (end - start) * length[line] >= np.where(at_end, ON_M - _TOUCH_M, TINY_M)
    lost = np.ones(n, dtype=bool)
    lost[line[solid]] = False
    whole = np.flatnonzero(lost)
    if len(whole):
        line = np.concatenate([line[solid], whole])
        start = np.concatenate([start[solid], np.zeros(len(whole))])
        end = np.concatenate([end[solid], np.ones(len(whole))])
        order = np.argsort(line, kind="stable")
        line, start, end = line[order], start[order], end[order]
    else:
        line, start, end = line[solid], start[solid], end[solid]
    same = line[1:] == line[:-1]
    between = (end[:-1] + start[1:]) / 2
    start = np.concatenate([[0.0], np.where(same, between, 0.0)])
    end = np.concatenate([np.where(same, between, 1.0), [1.0]])
    return line, start, end
