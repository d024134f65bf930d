"""The plan as GeoJSON. In: Plan, and where on Earth it lies if that is known. Out: a file's name and its bytes.

RFC 7946 wants longitude and latitude of WGS 84. Where the plan has a position, or one is given, the file has them.
Without one nobody knows them: then the coordinates are the plan's own metres, the file's name and its first member say
so, and it claims no place on Earth.
"""

from __future__ import annotations

import itertools
import json
from collections.abc import Callable, Iterable, Sequence
from functools import partial
from typing import Any

import numpy as np
import shapely
from shapely import LineString, Polygon
from shapely.geometry.polygon import orient

from ..earth_grid import Position
from ..plan.model import Plan
from .plan_file import plan_digest

_LOCAL = (
    "Coordinates are metres of the plan's own grid: x, y and, where measured, z. They are not longitude and latitude, "
    "and this file is no GeoJSON of RFC 7946: its position on Earth is not known. State it under [position] of the job."
)
_EARTH = (
    "Coordinates are longitude and latitude (WGS 84, RFC 7946). Heights of the survey (z_m) have a level of their own "
    "and are not in them, nor are places where a line only bends up or down. Lengths follow the ground."
)
_STRAIGHT_M = 0.002
"""A bend no farther off the straight line is none in plan: places are rounded to the mm."""
_DIGITS = 7
"""Of a degree: a centimetre. RFC 7946, 11.2, asks for no more digits than are of use."""

EARTH_FILE = "plan.geojson"
LOCAL_FILE = "plan_local_metres.json"
"""Where no position is known: no file of RFC 7946, whose places are degrees."""


At = Callable[[Sequence[Sequence[float]]], list[list[float]]]
"""From places of the plan to coordinates of the file."""


def plan_geojson(plan: Plan, position: Position | None = None) -> tuple[str, bytes]:
    """
    Everything of the plan with a place: one feature each, ``kind`` says what it is.

    Parameters
    ----------
    position
        Instead of the plan's own.

    Returns
    -------
    name, content
        ``plan.geojson`` with a position; ``plan_local_metres.json`` without.
    """
    at = position or _own_position(plan)
    features = list(_features(plan, at))
    if at is not None:
        for feature in features:
            feature["geometry"] = _cut(feature["geometry"])
    head: dict[str, Any] = {
        "type": "FeatureCollection",
        "says": _LOCAL if at is None else _EARTH,
        "coordinate_system": "local metres" if at is None else "WGS 84 longitude, latitude",
        "job": plan.job.title,
        "plan_sha256": plan_digest(plan),
        "drawn_by": f"{plan.tool.name} {plan.tool.version}",
    }
    if at is not None:
        head["bbox"] = _bbox(features)
    lines = ",\n  ".join(_compact(feature) for feature in features)
    members = ",\n ".join(f"{_compact(key)}: {_compact(value)}" for key, value in head.items())
    content = f'{{\n {members},\n "features": [\n  {lines}\n ]\n}}\n'
    return LOCAL_FILE if at is None else EARTH_FILE, content.encode()


def _own_position(plan: Plan) -> Position | None:
    at = plan.site.position
    return None if at is None else Position(at.longitude, at.latitude, at.x, at.y, at.y_bearing)


def _local(places: Sequence[Sequence[float]]) -> list[list[float]]:
    return [[round(value, 3) + 0.0 for value in place if value is not None] for place in places]


def _on_earth(position: Position, places: Sequence[Sequence[float]]) -> list[list[float]]:
    found = position.degrees(np.array([place[:2] for place in places], dtype=float))
    return [[round(float(value), _DIGITS) + 0.0 for value in pair] for pair in found]


def _cut(geometry: dict[str, Any]) -> dict[str, Any]:
    """What crosses the antimeridian as parts of which none does (RFC 7946, 3.1.9)."""
    longitudes = [pair[0] for pair in _pairs(geometry["coordinates"])]
    if max(longitudes) - min(longitudes) <= 180:
        return geometry
    kind, cut = geometry["type"], _cut_line if geometry["type"] == "LineString" else _cut_polygon
    parts = cut(geometry["coordinates"])
    if len(parts) == 1:
        return {"type": kind, "coordinates": parts[0]}
    return {"type": f"Multi{kind}", "coordinates": parts}


def _cut_line(line: list[list[float]]) -> list[list[list[float]]]:
    parts = [line[:1]]
    for a, b in itertools.pairwise(line):
        if abs(b[0] - a[0]) > 180:
            edge = 180.0 if a[0] > 0 else -180.0
            share = (edge - a[0]) / (b[0] + 2 * edge - a[0])
            latitude = round(a[1] + share * (b[1] - a[1]), _DIGITS) + 0.0
            parts[-1].append([edge, latitude])
            parts.append([[-edge, latitude]])
        parts[-1].append(b)
    return [part for part in parts if any(place != part[0] for place in part)]


def _cut_polygon(rings: list[list[list[float]]]) -> list[list[list[list[float]]]]:
    eastwards = [[[x + 360 if x < 0 else x, y] for x, y in ring] for ring in rings]
    shape = Polygon(eastwards[0], eastwards[1:])
    parts = []
    for half, back in ((shapely.box(0, -90, 180, 90), 0.0), (shapely.box(180, -90, 360, 90), 360.0)):
        for part in shapely.get_parts(shape.intersection(half)):
            # What only touches the antimeridian leaves a line or a place of it on the other side.
            if isinstance(part, Polygon) and part.buffer(-0.5 * 10**-_DIGITS).area > 0:
                whole = orient(part)
                parts.append([_rounded(ring.coords, back) for ring in (whole.exterior, *whole.interiors)])
    return parts


def _rounded(places: Iterable[Sequence[float]], back: float) -> list[list[float]]:
    return [[round(x - back, _DIGITS) + 0.0, round(y, _DIGITS) + 0.0] for x, y, *_ in places]


def _bends(route: Sequence[Sequence[float]]) -> Sequence[Sequence[float]]:
    """Ends and bends of a route; its places that only rise or fall would make it crooked in rounded degrees."""
    return list(LineString([place[:2] for place in route]).simplify(_STRAIGHT_M, preserve_topology=False).coords)


def _bbox(features: Sequence[dict[str, Any]]) -> list[float]:
    """West, south, east, north (RFC 7946, 5); west is the larger where the site lies across the antimeridian (5.2)."""
    found = np.array([pair for feature in features for pair in _pairs(feature["geometry"]["coordinates"])])
    longitudes, latitudes = found.T
    west, east = float(longitudes.min()), float(longitudes.max())
    if east - west > 180:
        west, east = float(longitudes[longitudes > 0].min()), float(longitudes[longitudes < 0].max())
    return [west, float(latitudes.min()), east, float(latitudes.max())]


def _pairs(coordinates: Any) -> Iterable[list[float]]:
    if isinstance(coordinates[0], float):
        yield coordinates
    else:
        for inner in coordinates:
            yield from _pairs(inner)


def _compact(value: Any) -> str:
    """``ensure_ascii`` keeps every name harmless, also in a page that has the file written into it."""
    text = json.dumps(value, ensure_ascii=True, allow_nan=False)
    return text.replace("<", "\\u003c").replace(">", "\\u003e").replace("&", "\\u0026")


def _features(plan: Plan, position: Position | None) -> Iterable[dict[str, Any]]:
    site = plan.site
    at: At = _local if position is None else partial(_on_earth, position)
    height = {supply.name: supply.z for supply in site.supplies}

    def point(kind: str, name: str, place: Sequence[Any], **says: Any) -> dict[str, Any]:
        if len(place) == 3 and place[2] is not None:
            says["z_m"] = place[2]
        return _feature(kind, name, {"type": "Point", "coordinates": at([place])[0]}, says)

    def line(kind: str, name: str, route: Sequence[Sequence[float]], **says: Any) -> dict[str, Any]:
        places = at(route if position is None else _bends(route))
        return _feature(kind, name, {"type": "LineString", "coordinates": places}, says)

    for zone in site.zones:
        rings = [at(_wound(ring, left=not i)) for i, ring in enumerate(zone.rings)]
        shape = {"type": "Polygon", "coordinates": rings}
        yield _feature("zone", zone.name, shape, {"ground": zone.ground, "no_dig": zone.no_dig, "water": zone.water})
    for sleeve in site.sleeves:
        yield line("sleeve", sleeve.name, sleeve.route, capacity=sleeve.capacity)
    for mains in site.mains:
        yield line("mains", mains.name, mains.route)
    for tree in site.trees:
        yield point("tree", tree.name, (tree.x, tree.y), stem_mm=tree.stem_mm)
    for peg in site.pegs:
        yield point("peg", peg.name, (peg.x, peg.y, peg.z))
    for supply in site.supplies:
        yield point("supply", supply.name, (supply.x, supply.y, supply.z))
    for trench in plan.trenches:
        yield line(
            "trench", trench.id, trench.route, ground=trench.ground, depth_mm=trench.depth_mm, length_m=trench.length_m,
            cables=trench.cables, sleeve=trench.sleeve,
        )  # fmt: skip
    for cable in plan.cables:
        yield line(
            "cable", cable.id, cable.route, circuit=cable.circuit, cable=cable.cable,
            mm2=plan.cables_used[cable.cable].mm2, cut_m=cable.cut_m, amps=cable.amps,
            **{"from": cable.from_, "to": cable.to},
        )  # fmt: skip
    for joint in plan.joints:
        yield point(
            "hub" if joint.hub else "joint", joint.id, (joint.x, joint.y, joint.z), circuit=joint.circuit,
            ways=joint.ways, cables=joint.cables, leads=joint.leads, kit=joint.kit, post=joint.post,
        )  # fmt: skip
    for driver in plan.drivers:
        place = (driver.x, driver.y, height.get(driver.supply))
        yield point(
            "driver", driver.id, place, supply=driver.supply, model=driver.model, tap_v=driver.tap_v,
            load_w=driver.load_w,
        )  # fmt: skip
    for lamp in plan.lamps:
        if len(lamp.lead_route) > 1:
            yield line("lead", f"lead of {lamp.id}", lamp.lead_route, lamp=lamp.id, joint=lamp.joint)
        yield point(
            "lamp", lamp.id, (lamp.x, lamp.y, lamp.z), type=lamp.type, joint=lamp.joint, watts=lamp.watts,
            volts=lamp.volts,
        )  # fmt: skip


def _feature(kind: str, name: str, geometry: dict[str, Any], says: dict[str, Any]) -> dict[str, Any]:
    return {"type": "Feature", "geometry": geometry, "properties": {"kind": kind, "name": name, **says}}


def _wound(ring: Sequence[tuple[float, float]], *, left: bool) -> list[tuple[float, float]]:
    """Closed, outer rings to the left and holes to the right (RFC 7946, 3.1.6)."""
    points = list(ring)
    if points[0] != points[-1]:
        points.append(points[0])
    area = sum(a[0] * b[1] - b[0] * a[1] for a, b in itertools.pairwise(points))
    return points if (area > 0) == left else points[::-1]
