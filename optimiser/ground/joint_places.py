"""Where each lamp's joint may stand. In: Land, one lamp. Out: candidate places, (n, 2), best first, and why there are
none.

The rule: the nearest ground that a joint may stand on (the lamp's own place if it is such); a ring at the whole reach
and, where the reach is long, one at half of it, turned towards the nearest other terminal; places where the reaches
of two lamps meet.
"""

from __future__ import annotations

import numpy as np
import shapely
from shapely import MultiPolygon
from shapely.geometry.base import BaseGeometry

from .graph import Floats, Ints
from .zones import PUSH_M, Land, pushed

SHORT_REACH_M = 0.15
LONG_REACH_M = 0.6
MANY_LAMPS = 40
_MM = 0.001


def joint_area(land: Land) -> BaseGeometry:
    """All ground in the lamps' surroundings that a joint may stand on."""
    lamps = np.array([lamp.place[:2] for lamp in land.survey.lamps]).reshape(-1, 2)
    low, high = lamps.min(axis=0) - 60, lamps.max(axis=0) + 60
    area: BaseGeometry = MultiPolygon()
    dearer: BaseGeometry = MultiPolygon()
    for idx, union in land.levels:
        if land.joints[idx]:
            area = shapely.union(area, shapely.difference(union, dearer))
        dearer = union
    if land.joints[land.base]:
        area = shapely.union(area, shapely.difference(shapely.box(*low, *high), dearer))
    area = shapely.difference(area, pushed(land.forbidden, PUSH_M))
    return shapely.difference(area, pushed(land.joint_bar, PUSH_M))


def nearest_places(land: Land, lamp_idx: int, area: BaseGeometry) -> Floats:
    """
    The lamp's own place, and the nearest places of each part of the joint ground within a few metres, nearest first.
    """
    own = np.array(land.survey.lamps[lamp_idx].place[:2])
    at = shapely.points(own)
    found = [own]
    for part in shapely.get_parts(area):
        line = shapely.get_coordinates(shapely.shortest_line(at, part))
        if not len(line):
            continue
        to = line[1]
        far = float(np.hypot(*(to - own)))
        if 0 < far < 10:
            # A little beyond the border, so that rounding to the millimetre does not bring the joint back over it.
            found.append(to + (to - own) / far * PUSH_M)
    found[1:] = sorted(found[1:], key=lambda place: (float(np.hypot(*(place - own))), place[0], place[1]))
    return np.array(found)


def ring_places(land: Land, lamp_idx: int, toward: Floats, extension_m: float = 0.0) -> Floats:
    """Places round a lamp at its reach, the first towards ``toward`` (2,); (n, 2) in reach."""
    own = np.array(land.survey.lamps[lamp_idx].place[:2])
    deepest = float(land.made_reach_m[lamp_idx]) + extension_m
    many = len(land.survey.lamps) > MANY_LAMPS
    start = float(np.arctan2(*(toward - own)[::-1]))
    places = []
    for share, count in ((1.0, 4 if many else 8), (0.5, 4)):
        if share < 1 and deepest < LONG_REACH_M:
            continue
        angle = start + np.arange(count) * 2 * np.pi / count
        direction = np.column_stack([np.cos(angle), np.sin(angle)])
        lamps = np.full(count, lamp_idx)
        radius = np.full(count, deepest - land.depth_m[land.ground_at(own[None])][0])
        # The reach depends on the depth (and height) where the joint stands: shorten until it fits, twice is enough.
        for _ in range(3):
            at = own + direction * np.maximum(radius, 0)[:, None]
            lead = land.lead_lines(lamps, at)
            over = np.where(lead.length_m > 0, (lead.reach_m + extension_m) / np.maximum(lead.length_m, 1e-9), 1.0)
            radius = np.where(over < 1, radius * np.maximum(over, 0), radius)
        radius = radius * share - _MM
        fits = radius >= SHORT_REACH_M
        places.append((own + direction * radius[:, None])[fits])
    return np.vstack(places)


def meeting_places(land: Land, pairs: Ints) -> Floats:
    """One place for each pair of lamps (k, 2) whose reaches meet: between them, as their reaches divide it."""
    if not len(pairs):
        return np.empty((0, 2))
    places = np.array([lamp.place[:2] for lamp in land.survey.lamps])
    a, b = places[pairs[:, 0]], places[pairs[:, 1]]
    reach_a = np.maximum(land.reach_m(pairs[:, 0], a), 0)
    reach_b = np.maximum(land.reach_m(pairs[:, 1], b), 0)
    both = reach_a + reach_b
    apart = np.hypot(*(b - a).T)
    meet = (apart <= both) & (both > 0)
    share = np.where(meet, reach_a / np.maximum(both, 1e-9), 0.5)
    return np.asarray((a + (b - a) * share[:, None])[meet], dtype=float)
