"""Places at borders: where the best way bends. In: Land. Out: corners, crossing places, and feet of stubs, (n, 2) each.

A shortest way bends only at convex corners of what it must not enter, and at the borders of grounds. Places at these
stand a few millimetres on the cheaper side (``ASIDE_M``), so that no node of our choosing lies on a border: what is on
which side, and who pays the crossing, then never hangs on rounding.
"""

from __future__ import annotations

from itertools import pairwise
from typing import Any, Self

import numpy as np
import shapely
from shapely import LinearRing
from shapely.geometry.base import BaseGeometry

from .graph import Bools, Floats, Ints
from .zones import PUSH_M, Land, polygons_of, pushed

ASIDE_M = 0.003
_ROUND_M = 0.12
_NEAR_M = 5.0
_SHARP = np.sin(np.radians(20))
_ROUND = np.sin(np.radians(8))
_FLAT = np.sin(np.radians(1))


def rings_of(shape: BaseGeometry) -> list[Floats]:
    """Rings of all polygons of a shape, (k, 2) each, not closed, the shape always on the left."""
    rings = []
    for polygon in polygons_of(shape):
        oriented = shapely.orient_polygons(polygon)
        for ring in (oriented.exterior, *oriented.interiors):
            corners = shapely.get_coordinates(ring)[:-1]
            if len(corners) >= 3:
                rings.append(corners)
    return rings


def _turn(ring: Floats) -> Floats:
    """Sine of the turn at each corner; positive where the shape is convex."""
    before, after = ring - np.roll(ring, 1, axis=0), np.roll(ring, -1, axis=0) - ring
    cross = before[:, 0] * after[:, 1] - before[:, 1] * after[:, 0]
    lengths = np.maximum(np.hypot(*before.T) * np.hypot(*after.T), 1e-12)
    sine = cross / lengths
    sharp = (before * after).sum(axis=1) < 0  # turns of more than 90 degrees: the sine alone would make them flat
    return np.where(sharp, np.sign(cross), sine)


def coarser(land: Land, ring: Floats, off_m: float = _ROUND_M, most_deg: float = 35) -> Floats:
    """
    The ring with fewer corners where it is round: two corners give way to the one where their outer sides meet.

    Only where both turn by less than ``most_deg``, and the new corner is free and at most ``off_m`` off the ring: a
    trunk strip keeps half of its sixteen corners.
    """
    turn, k = _turn(ring), len(ring)
    small = (turn > _FLAT) & (turn < np.sin(np.radians(most_deg)))
    kept: list[Floats] = []
    idx = 0
    while idx < k:
        if idx + 1 < k and k > 8 and small[idx] and small[idx + 1]:
            before, one, two, after = ring[idx - 1], ring[idx], ring[idx + 1], ring[(idx + 2) % k]
            u, v, w = one - before, after - two, two - one
            share = (w[0] * v[1] - w[1] * v[0]) / (u[0] * v[1] - u[1] * v[0])
            corner = one + u * share
            off = abs(w[0] * (corner - one)[1] - w[1] * (corner - one)[0]) / float(np.hypot(*w))
            if off <= off_m and land.free(np.round(corner[None], 3))[0]:
                kept.append(corner)
                idx += 2
                continue
        kept.append(ring[idx])
        idx += 1
    return np.array(kept)


class Corners:
    """Convex corners of areas: ``xy`` (n, 2), with the two neighbours on its ring of each."""

    def __init__(self, rings: list[Floats], least_turn: float) -> None:
        found, before, after = [np.empty((0, 2))], [np.empty((0, 2))], [np.empty((0, 2))]
        for ring in rings:
            convex = _turn(ring) > least_turn
            found.append(ring[convex])
            before.append(np.roll(ring, 1, axis=0)[convex])
            after.append(np.roll(ring, -1, axis=0)[convex])
        self.xy, self.before, self.after = np.vstack(found), np.vstack(before), np.vstack(after)

    @classmethod
    def of_forbidden(cls, land: Land) -> Self:
        """Corners of no-dig zones, pushed out by keep-off and a little more."""
        return cls([coarser(land, ring) for ring in rings_of(pushed(land.forbidden, PUSH_M))], _FLAT)

    @classmethod
    def of_borders(cls, land: Land, rings: list[Floats], most: int) -> Self:
        """
        Corners of the borders between grounds (``border_rings``), on their cheaper side.

        Ways bend round convex corners of dearer ground, and cut through it from a hollow corner to another: where two
        paths cross, between the corners of the lawns. Round borders are made coarser from outside: a way along them
        through places on the border itself would run in the dearer ground between them. Where that makes
        more than ``most`` corners (roots of many trees), only sharp ones are taken: they would cost the search more
        than they gain.
        """
        sharp = cls([to_cheaper_side(land, ring) for ring in rings], _SHARP)
        every = cls(
            [to_cheaper_side(land, coarser(land, coarser(land, ring), 2 * _ROUND_M, 50)) for ring in rings], _ROUND
        )
        found = every if len(every.xy) - len(sharp.xy) <= most else sharp
        hollow = cls([to_cheaper_side(land, ring)[::-1] for ring in rings], _SHARP)
        return found.and_also(hollow)

    def and_also(self, other: Self) -> Self:
        """Both together, these first."""
        both = type(self)([], 0.0)
        both.xy = np.vstack([self.xy, other.xy])
        both.before = np.vstack([self.before, other.before])
        both.after = np.vstack([self.after, other.after])
        return both

    def is_tangent(self, corner: Ints, to: Floats) -> Bools:
        """Whether lines from corners (m,) to places (m, 2) leave their zone on one side: shortest ways are such."""
        at = self.xy[corner]
        way, u, v = to - at, self.before[corner] - at, self.after[corner] - at
        side_u = way[:, 0] * u[:, 1] - way[:, 1] * u[:, 0]
        side_v = way[:, 0] * v[:, 1] - way[:, 1] * v[:, 0]
        slack = 2e-3 * np.hypot(*way.T)  # rounding of the corner to the millimetre must not lose a tangent
        return np.asarray(
            ((side_u >= -slack) & (side_v >= -slack)) | ((side_u <= slack) & (side_v <= slack)), dtype=bool
        )


def to_cheaper_side(land: Land, ring: Floats) -> Floats:
    """
    Corners of a ring that runs a little outside an area; moved inside where the ground is cheaper there.

    A zone need not be dearer than the base ground: a bed in a lawn seldom is.
    """
    before, after = ring - np.roll(ring, 1, axis=0), np.roll(ring, -1, axis=0) - ring
    before, after = (way / np.maximum(np.hypot(*way.T), 1e-9)[:, None] for way in (before, after))
    # Mitred: both sides move by as much.
    mitre = (before + after) / np.maximum(1 + (before * after).sum(axis=1), 0.1)[:, None]
    return _cheaper(land, ring, np.column_stack([mitre[:, 1], -mitre[:, 0]]))


def _cheaper(land: Land, places: Floats, outward: Floats) -> Floats:
    """Places ``ASIDE_M`` outside a border, each moved as far inside where the ground is cheaper there."""
    inner = places - 2 * ASIDE_M * outward
    price = np.where(land.no_dig, np.inf, land.per_m)
    inside = price[land.ground_at(inner)] < price[land.ground_at(places)]
    return np.asarray(np.where(inside[:, None], inner, places), dtype=float)


def border_rings(land: Land) -> list[Floats]:
    """Rings of all ground of zones, each level of dearness, a little outside; forbidden parts are still there."""
    rings = []
    for level, (idx, area) in enumerate(land.levels):
        dearer = land.levels[level - 1][1] if level else None
        if land.no_dig[idx]:
            continue
        parts = polygons_of(pushed(area, ASIDE_M))
        if dearer is not None:
            # Parts that are dearer ground through and through have their border at a dearer level.
            shapely.prepare(parts)
            own = shapely.difference(area, dearer)
            parts = [part for part in parts if shapely.intersection(part, own).area > 1e-6]
        rings += [ring for part in parts for ring in rings_of(part)]
    return rings


def border_places(land: Land, rings: list[Floats], corners: Corners, terminals: Floats, most: int) -> Floats:
    """
    Crossing places along the borders of dearer ground, on free ground; (k, 2).

    Parameters
    ----------
    corners
        Corners of the borders: no places along them are wanted nearer to these than half their spacing.
    terminals
        (n, 2) places whose nearest border places are wanted too, where nearer than ``_NEAR_M``.
    most
        About how many places along the borders there may be; sets their spacing, at least 1 m.
    """
    none = np.empty((0, 2))
    if not rings:
        return none
    total = sum(float(np.hypot(*(np.roll(ring, -1, axis=0) - ring).T).sum()) for ring in rings)
    spacing = max(1.0, total / max(most, 1))
    along, near = [none], [none]
    at = np.array([shapely.Point(place) for place in terminals], dtype=object)
    for ring in rings:
        line = LinearRing(ring)
        sharp = np.flatnonzero(np.abs(_turn(ring)) > _SHARP)
        # Even steps between the sharp corners, so that each straight side has its own places.
        stops = np.array([line.project(shapely.Point(ring[idx])) for idx in sharp] or [0.0])
        stops = np.concatenate([np.sort(stops), [np.sort(stops)[0] + line.length]])
        for start, end in pairwise(stops):
            count = int(np.floor((end - start) / spacing + 0.5))
            steps = start + (np.arange(count) + 0.5) * (end - start) / max(count, 1)
            along.append(places_along(land, line, steps % line.length))
        if len(at):
            shapely.prepare(line)
            close = shapely.distance(line, at) < _NEAR_M
            share = shapely.line_locate_point(line, at[close])
            near.append(places_along(land, line, share))
    steps = np.vstack(along)
    if len(corners.xy) and len(steps):
        from scipy.spatial import cKDTree

        steps = steps[cKDTree(corners.xy).query(steps)[0] > spacing / 2]
    crossing = np.vstack([*near, steps])
    return crossing[land.free(crossing)]


def places_along(land: Land, line: LinearRing, at_m: Floats) -> Floats:
    """Places so many metres along a ring, each on its cheaper side."""
    places, ahead, behind = (
        shapely.get_coordinates(shapely.line_interpolate_point(line, (at_m + by) % line.length))
        for by in (0, 0.01, -0.01)
    )
    along = ahead - behind
    along /= np.maximum(np.hypot(*along.T), 1e-9)[:, None]
    return _cheaper(land, places, np.column_stack([along[:, 1], -along[:, 0]]))


def stub_feet(land: Land, place: tuple[float, float]) -> Floats:
    """
    Where stubs from a place in no-dig ground or its keep-off come out, nearest first; (n, 2), empty where none may.

    A stub is the straight way to the nearest free ground. It crosses keep-off, and of no-dig ground no more than
    ``border_tolerance_m``. Other ways out, 60 degrees or more apart, are given where they are as short within 5 cm (a
    corner of two walls).
    """
    own = np.array(place, dtype=float)
    at = shapely.Point(own)
    area = pushed(land.forbidden, PUSH_M)
    inside = shapely.contains(land.no_dig_area, at)
    most_in = (land.job.rules.border_tolerance_m if inside else 0.0) + 0.001
    keep_off = max((zone.keep_off_m for zone in land.survey.zones), default=0.0)
    # A mitred corner's keep-off may stand up to five times its width away.
    longest = 5 * keep_off + land.job.rules.border_tolerance_m + 0.01
    outline = shapely.boundary(area)
    ends = [shapely.get_coordinates(shapely.shortest_line(at, part))[1] for part in shapely.get_parts(outline)]
    angle = np.arange(48) * 2 * np.pi / 48
    for dx, dy in np.column_stack([np.cos(angle), np.sin(angle)]):
        ray = shapely.LineString([own, own + longest * np.array([dx, dy])])
        ends += list(shapely.get_coordinates(shapely.intersection(ray, outline)))
    feet = np.round(np.array(ends).reshape(-1, 2), 3)
    feet = np.unique(feet, axis=0)
    far = np.hypot(*(feet - own).T)
    feet, far = feet[(far <= longest) & (far > 0)], far[(far <= longest) & (far > 0)]
    order = np.argsort(far, kind="stable")
    feet, far = feet[order], far[order]
    lines: Any = shapely.linestrings(np.stack([np.broadcast_to(own, feet.shape), feet], axis=1)) if len(feet) else []
    good = land.free(feet) & (shapely.length(shapely.intersection(lines, land.no_dig_area)) <= most_in)
    kept: list[Floats] = []
    for foot, foot_m in zip(feet[good], far[good], strict=True):
        if kept and foot_m > float(np.hypot(*(kept[0] - own))) + 0.05:
            break
        out = (foot - own) / foot_m
        if all(float(out @ (other - own)) < 0.5 * np.hypot(*(other - own)) for other in kept):  # 60 degrees apart
            kept.append(foot)
    return np.array(kept).reshape(-1, 2)
