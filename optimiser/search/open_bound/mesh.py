"""Triangles over the ground that may be dug, and the least price of each. In: Land, places. Out: Mesh.

The triangles lie in a box that holds what leads reach, supply points, sleeve ends, no-dig zones and ground cheaper than
the base ground, with some room. Borders are edges of triangles as far as that is easily had; where a triangle lies in
several grounds, it has the least of their prices, so that no proof depends on it. A triangle is left out only where all
of it is no-dig ground or keep-off.

*Outside the box.* Of a trench that leaves the box, the nearest points in the box make a line that is no longer, since
the nearest point of a convex shape moves no faster than the point itself. So potentials may be continued beyond the box
by those of the nearest point in it, if along the box's sides they rise no faster than the cheapest ground outside
allows: triangles that touch its sides have that price where their own is higher, and none of them is left out.

*Stubs.* From a supply point, a post or a sleeve's end that lies in no-dig ground or its keep-off a stub leads to the
nearest ground that may be dug. Triangles that such a stub may touch are dug at the price of the cheapest ground there
is; only what is deeper in no-dig zones than stubs may go is left out.

*Rims.* Triangles are judged without a rim of two microns (``RIM_M``), by which borders and their edges may miss one
another. A trench within a rim runs along it, and there the potentials rise as they do on the edge's other side, or
crosses it; ``prove.py`` takes off a ten-thousandth of the trench for what little that makes.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry

from ...ground.border_places import stub_feet
from ...ground.graph import Bools, Floats, Ints
from ...ground.zones import Land

RIM_M = 2e-6
MARGIN_M, MARGIN = 1.0, 0.5
"""Room round all that is in the box: so many metres, and round lamps and supply points this part of how far they reach
across: along the box's sides trench may be as cheap as anywhere outside, so they should not be near."""
FINE, COARSE = 0.08, 0.6
"""Size of triangles at lamps and supply points, and the largest, as part of how far these are apart on average."""
GROWS = 0.3
"""How much larger triangles are for each metre from the nearest lamp or supply point, in m."""
RING = 12
"""Places on the rim of a lamp's reach."""
LEAST_STEP_M = 0.03
SPLITS = 8
"""How often borders that are no edges of triangles are halved."""
STUB_MORE_M = 0.1
"""How much farther than to the nearest free ground stubs are taken to go at most."""


@dataclass(frozen=True)
class Mesh:
    """
    Attributes
    ----------
    places
        (V, 2) corners of triangles, in m.
    corners
        (T, 3) indices of them.
    per_m
        (T,) least price of a metre of trench in each triangle.
    grounds
        (T, G) which grounds each lies in.
    terminals
        Place of each terminal asked for, in order.
    """

    places: Floats
    corners: Ints
    per_m: Floats
    grounds: Bools
    terminals: Ints

    def slopes(self) -> tuple[Floats, Floats]:
        """(T, 3, 2) gradients of the functions that are 1 at one corner and 0 at the others; (T,) areas, in m²."""
        a, b, c = (self.places[self.corners[:, i]] for i in range(3))
        double = _cross(b - a, c - a)
        turned = np.stack([c - b, a - c, b - a], axis=1)[:, :, ::-1] * np.array([-1.0, 1.0])
        return turned / double[:, None, None], np.abs(double) / 2


def _cross(a: Floats, b: Floats) -> Floats:
    return np.asarray(a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0], dtype=float)


def make_mesh(land: Land, terminals: Floats, reach_m: Floats, starts: Floats, fineness: float = 1.0) -> Mesh:
    """
    Triangles of one site.

    Parameters
    ----------
    terminals
        (n, 2) places of lamps, supply points and sleeve ends, in m.
    reach_m
        (n,) how far leads reach from each; 0 where nothing hangs.
    starts
        (k, 2) places that stubs may start from: supply points, posts, sleeve ends.
    fineness
        Triangles are so many times smaller.
    """
    size = _Size(terminals, fineness)
    low, high = _box(land, terminals, float(reach_m.max(initial=0.0)))
    lines = _borders(land, low, high)
    points = [terminals, *_rings(terminals, reach_m)]
    ends, pairs = _sampled(lines, size)
    places = _fill(np.vstack([*points, ends]), size, low, high)
    places, corners = _triangles(places, ends, pairs)
    corners, per_m, grounds = _priced(land, places, corners, starts, low, high)
    at = _nearest(places, terminals)
    return Mesh(places, corners, per_m, grounds, at)


class _Size:
    """Wanted length of edges at any place."""

    def __init__(self, terminals: Floats, fineness: float) -> None:
        from scipy.spatial import cKDTree

        unique = np.unique(np.round(terminals, 3), axis=0)
        self._tree = cKDTree(unique)
        apart = np.ravel(self._tree.query(unique, k=[min(2, len(unique))])[0])
        typical = max(0.5, float(apart.mean()), 0.15 * float(np.hypot(*np.ptp(unique, axis=0))))
        self.fine, self.coarse = FINE * typical / fineness, COARSE * typical / fineness
        self.typical = typical

    def at(self, points: Floats) -> Floats:
        """(n,) in m."""
        far = self._tree.query(points)[0]
        near = np.minimum(self.coarse, self.fine + GROWS * far)
        return np.asarray(np.maximum(near, 0.5 * (far - 3 * self.typical)), dtype=float)


def _box(land: Land, terminals: Floats, reach_m: float) -> tuple[Floats, Floats]:
    room = reach_m + MARGIN * float(np.hypot(*np.ptp(terminals, axis=0)))
    held = [terminals - room, terminals + room]
    if not land.forbidden.is_empty:
        held.append(shapely.get_coordinates(land.forbidden))
    price = np.where(land.no_dig, np.inf, land.per_m)
    held += [shapely.get_coordinates(area) for idx, area in land.levels if price[idx] < price[land.base]]
    every = np.vstack(held)
    return np.floor(every.min(axis=0) - MARGIN_M), np.ceil(every.max(axis=0) + MARGIN_M)


def _borders(land: Land, low: Floats, high: Floats) -> list[Floats]:
    """Borders within the box, and its sides: places of each line."""
    box = shapely.box(*low, *high)
    shapes = [shapely.boundary(area) for _, area in land.levels]
    shapes += [shapely.boundary(land.forbidden), shapely.boundary(box)]
    noded = shapely.unary_union([shapely.intersection(shape, box) for shape in shapes])
    return [shapely.get_coordinates(part) for part in shapely.get_parts(noded) if part.length > RIM_M]


def _rings(terminals: Floats, reach_m: Floats) -> list[Floats]:
    """Places round each terminal whose polygon holds all that its lead reaches."""
    angle = 2 * np.pi * np.arange(RING) / RING
    round_it = np.column_stack([np.cos(angle), np.sin(angle)]) / np.cos(np.pi / RING)
    return [at + far * round_it for at, far in zip(terminals, reach_m.tolist(), strict=True) if far > LEAST_STEP_M]


def _sampled(lines: Sequence[Floats], size: _Size) -> tuple[Floats, Ints]:
    """Places along lines, as near to one another as is wanted there, and the pairs of neighbours."""
    found: list[Floats] = []
    pairs: list[tuple[int, int]] = []
    for line in lines:
        for a, b in pairwise(line):
            length = float(np.hypot(*(b - a)))
            if length < RIM_M:
                continue
            tried = np.linspace(0, 1, max(2, int(length / (0.5 * size.fine)) + 2))
            steps = 1 / np.maximum(0.8 * size.at(a + tried[:, None] * (b - a)), LEAST_STEP_M)
            along = np.concatenate([[0.0], np.cumsum((steps[1:] + steps[:-1]) / 2 * np.diff(tried) * length)])
            count = max(1, round(float(along[-1])))
            share = np.interp(np.linspace(0, along[-1], count + 1), along, tried)
            first = len(found)
            found += list(a + share[:, None] * (b - a))
            pairs += [(first + i, first + i + 1) for i in range(count)]
    return np.round(np.array(found).reshape(-1, 2), 6), np.array(pairs, dtype=np.int64).reshape(-1, 2)


def _fill(places: Floats, size: _Size, low: Floats, high: Floats) -> Floats:
    """More places between, coarse ones first, on lattices of equilateral triangles."""
    from scipy.spatial import cKDTree

    places = np.unique(np.round(places, 6), axis=0)
    sides = np.array([low, high, [low[0], high[1]], [high[0], low[1]]])
    step = float(max(size.coarse, size.at(sides).max()))
    while step > 0.9 * size.fine:
        x = np.arange(low[0], high[0] + step, step)
        y = np.arange(low[1], high[1] + step, step * np.sqrt(0.75))
        grid_x, grid_y = np.meshgrid(x, y)
        lattice = np.column_stack([(grid_x + (np.arange(len(y)) % 2)[:, None] * step / 2).ravel(), grid_y.ravel()])
        lattice = lattice[((lattice > low + 0.3 * step) & (lattice < high - 0.3 * step)).all(axis=1)]
        wanted = size.at(lattice)
        fits = (wanted <= 1.3 * step) & (wanted > step / 1.6)
        lattice, wanted = lattice[fits], wanted[fits]
        if len(lattice):
            far = cKDTree(places).query(lattice)[0]
            places = np.vstack([places, lattice[far > 0.65 * np.minimum(wanted, step)]])
        step /= 1.5
    return np.unique(np.round(places, 6), axis=0)


def _triangles(places: Floats, ends: Floats, pairs: Ints) -> tuple[Floats, Ints]:
    """Delaunay triangles; borders that are no edges of them are halved until they are, or often enough."""
    from scipy.spatial import Delaunay

    segments = np.stack([ends[pairs[:, 0]], ends[pairs[:, 1]]], axis=1)
    corners: Ints = np.zeros((0, 3), dtype=np.int64)
    for turn in range(SPLITS):
        corners = Delaunay(places).simplices.astype(np.int64)
        a, b = _nearest(places, segments[:, 0]), _nearest(places, segments[:, 1])
        sides = np.sort(np.vstack([corners[:, [0, 1]], corners[:, [1, 2]], corners[:, [2, 0]]]), axis=1)
        there = set(map(tuple, sides.tolist()))
        wanted = np.sort(np.column_stack([a, b]), axis=1).tolist()
        missing = [i for i, (u, v) in enumerate(wanted) if u != v and (u, v) not in there]
        if not missing or turn == SPLITS - 1:
            break
        cut = segments[missing]
        middle = np.round(cut.mean(axis=1), 6)
        segments = np.concatenate(
            [np.delete(segments, missing, axis=0), np.stack([cut[:, 0], middle], 1), np.stack([middle, cut[:, 1]], 1)]
        )
        places = np.unique(np.vstack([places, middle]), axis=0)
    return places, corners


def _nearest(places: Floats, asked: Floats) -> Ints:
    from scipy.spatial import cKDTree

    return np.asarray(cKDTree(places).query(asked)[1], dtype=np.int64).reshape(-1)


def _priced(
    land: Land, places: Floats, corners: Ints, starts: Floats, low: Floats, high: Floats
) -> tuple[Ints, Floats, Bools]:
    """Triangles that may be dug, their prices and grounds."""
    shapes: Any = shapely.polygons(places[corners])
    inner: Any = shapely.buffer(shapes, -RIM_M)
    kept = ~np.asarray(shapely.is_empty(inner), dtype=bool)
    corners, inner = corners[kept], inner[kept]
    grounds = grounds_of(land, inner)
    price = np.where(land.no_dig, np.inf, land.per_m)
    per_m: Floats = np.asarray(np.where(grounds, price, np.inf).min(axis=1), dtype=float)
    least = float(price.min())
    if not land.forbidden.is_empty:
        per_m = np.where(shapely.covers(shapely.buffer(land.forbidden, RIM_M / 2), inner), np.inf, per_m)
    outside = shapely.difference(shapely.box(*(low - 1e6), *(high + 1e6)), shapely.box(*low, *high))
    around = float(price[grounds_of(land, np.array([outside], dtype=object))[0]].min())
    on_side = np.asarray(((places <= low + RIM_M) | (places >= high - RIM_M)).any(axis=1))
    at_side = on_side[corners].any(axis=1)
    per_m[at_side] = np.minimum(per_m[at_side], around)
    for at in starts[~land.off_no_dig(starts)]:
        per_m[_by_stubs(land, at, inner)] = least
    dug = np.isfinite(per_m)
    return corners[dug], per_m[dug], grounds[dug]


def grounds_of(land: Land, shapes: Any) -> Bools:
    """(n, G) which grounds each shape lies in, in part at least."""
    found = np.zeros((len(shapes), len(land.names)), dtype=bool)
    dearer: BaseGeometry = shapely.MultiPolygon()
    for idx, area in land.levels:
        own = shapely.difference(area, dearer)
        shapely.prepare(own)
        found[:, idx] = shapely.intersects(own, shapes)
        dearer = area
    shapely.prepare(dearer)
    found[:, land.base] |= ~np.asarray(shapely.covers(dearer, shapes), dtype=bool)
    return found


def _by_stubs(land: Land, at: Floats, inner: Any) -> Bools:
    """(T,) triangles that a stub from a place may touch."""
    feet = stub_feet(land, (float(at[0]), float(at[1])))
    far = float(np.hypot(*(feet - at).T).max()) if len(feet) else 0.0
    near = shapely.distance(inner, shapely.Point(at)) <= far + STUB_MORE_M
    deep = land.no_dig_area
    if shapely.contains(deep, shapely.Point(at)):
        deep = shapely.buffer(deep, -land.job.rules.border_tolerance_m - 0.001)
    return np.asarray(near & ~shapely.covers(shapely.buffer(deep, RIM_M / 2), inner), dtype=bool)
