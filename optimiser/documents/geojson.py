"""The plan as GeoJSON. In: Plan, and where on Earth it lies if that is known. Out: a file's name and its bytes.

RFC 7946 wants longitude and latitude of WGS 84. With a ``Position`` the file has them. Without one nobody knows them:
then the coordinates are the plan's own metres, the file's name and its first member say so, and it claims no place on
Earth.
"""

from __future__ import annotations

import itertools
import json
import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from typing import Any

from ..plan.model import Plan
from .plan_file import plan_digest

_A_M, _F = 6378137.0, 1 / 298.257223563  # WGS 84: semi-major axis, flattening (NIMA TR8350.2, table 3.1)
_LOCAL = (
    "Coordinates are metres of the plan's own grid: x, y and, where measured, z. They are not longitude and latitude, "
    "and this file is no GeoJSON of RFC 7946: its position on Earth is not known."
)
_EARTH = (
    "Coordinates are longitude and latitude (WGS 84, RFC 7946), reckoned from one point of the plan and its "
    "direction. Heights of the survey (z_m) have a level of their own and are not in them."
)


@dataclass(frozen=True)
class Position:
    """
    Where the plan lies on Earth.

    Attributes
    ----------
    longitude, latitude
        In degrees, of the place (``x_m``, ``y_m``) of the plan. At most 89 degrees north or south.
    y_bearing
        Bearing of the plan's y axis, in degrees from true north, clockwise.
    """

    longitude: float
    latitude: float
    x_m: float = 0.0
    y_m: float = 0.0
    y_bearing: float = 0.0

    def __post_init__(self) -> None:
        if not (abs(self.longitude) <= 180 and abs(self.latitude) <= 89):
            raise ValueError(f"longitude {self.longitude}, latitude {self.latitude}: no such place, or too near a pole")
        if not all(map(math.isfinite, (self.x_m, self.y_m, self.y_bearing))):
            raise ValueError("x_m, y_m and y_bearing must be finite numbers")

    def degrees(self, x_m: float, y_m: float) -> list[float]:
        """
        Longitude and latitude of a place of the plan, in degrees to 10⁻⁸ (a millimetre).

        By the ellipsoid's radii of curvature at the known point: good to a few millimetres within 500 m of it.
        Snyder, Map Projections: A Working Manual (USGS Professional Paper 1395, 1987), equations 4-18 to 4-20.
        """
        turn, phi = math.radians(self.y_bearing), math.radians(self.latitude)
        dx, dy = x_m - self.x_m, y_m - self.y_m
        east, north = dx * math.cos(turn) + dy * math.sin(turn), dy * math.cos(turn) - dx * math.sin(turn)
        e2 = _F * (2 - _F)
        w2 = 1 - e2 * math.sin(phi) ** 2
        meridian_m, normal_m = _A_M * (1 - e2) / w2**1.5, _A_M / math.sqrt(w2)
        # second order: the parallel bends away from the great circle that runs east
        latitude = phi + north / meridian_m - math.tan(phi) * east**2 / (2 * meridian_m * normal_m)
        longitude = math.radians(self.longitude) + east / (
            normal_m * math.cos(phi) * (1 - math.tan(phi) * north / normal_m)
        )
        degrees = (math.degrees(longitude) + 180) % 360 - 180
        return [round(degrees, 8), round(math.degrees(latitude), 8)]


LOCAL_FILE = "plan_local_metres.json"
"""Where no position is known: no file of RFC 7946, whose places are degrees."""


def plan_geojson(plan: Plan, position: Position | None = None) -> tuple[str, bytes]:
    """
    Everything of the plan with a place: one feature each, ``kind`` says what it is.

    Returns
    -------
    name, content
        ``plan.geojson`` with a position; ``plan_local_metres.json`` without.
    """
    at: Callable[[Sequence[float]], list[float]] = lambda p: [round(v, 3) + 0.0 for v in p if v is not None]  # noqa: E731
    if position is not None:
        at = lambda p: position.degrees(p[0], p[1])  # noqa: E731
    features = list(_features(plan, at))
    head: dict[str, Any] = {
        "type": "FeatureCollection",
        "says": _LOCAL if position is None else _EARTH,
        "coordinate_system": "local metres" if position is None else "WGS 84 longitude, latitude",
        "job": plan.job.title,
        "plan_sha256": plan_digest(plan),
        "drawn_by": f"{plan.tool.name} {plan.tool.version}",
    }
    lines = ",\n  ".join(_compact(feature) for feature in features)
    members = ",\n ".join(f"{_compact(key)}: {_compact(value)}" for key, value in head.items())
    content = f'{{\n {members},\n "features": [\n  {lines}\n ]\n}}\n'
    name = LOCAL_FILE if position is None else "plan.geojson"
    return name, content.encode()


def _compact(value: Any) -> str:
    """``ensure_ascii`` keeps every name harmless, also in a page that has the file written into it."""
    text = json.dumps(value, ensure_ascii=True, allow_nan=False)
    return text.replace("<", "\\u003c").replace(">", "\\u003e").replace("&", "\\u0026")


def _features(plan: Plan, at: Callable[[Sequence[float]], list[float]]) -> Iterable[dict[str, Any]]:
    site = plan.site

    def point(kind: str, name: str, place: Sequence[Any], **says: Any) -> dict[str, Any]:
        if len(place) == 3 and place[2] is not None:
            says["z_m"] = place[2]
        return _feature(kind, name, {"type": "Point", "coordinates": at(place)}, says)

    def line(kind: str, name: str, route: Sequence[Sequence[float]], **says: Any) -> dict[str, Any]:
        return _feature(kind, name, {"type": "LineString", "coordinates": [at(place) for place in route]}, says)

    for zone in site.zones:
        rings = [[at(place) for place in _wound(ring, left=not i)] for i, ring in enumerate(zone.rings)]
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
        yield point(
            "driver", driver.id, (driver.x, driver.y), supply=driver.supply, model=driver.model, tap_v=driver.tap_v,
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
