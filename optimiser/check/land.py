"""The check's own settled ground: which surface holds where. In: Job, Survey. Out: Land.

Zones are laid one on another by the rules of account: no-dig first, then dearest first. Borders are judged with a
millimetre to spare on either side, because places are printed in whole millimetres: ``inner`` is a region shrunk by it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely
from shapely import Point, Polygon
from shapely.geometry.base import BaseGeometry

from ..job import TRUNK_STRIP, Job
from ..survey.model import Survey, Zone
from .limits import PLACE_M

GRID_M = 1e-4
"""Overlays are snapped to this grid, so that corners lying on a neighbour's side leave no slivers."""
ON_BORDER_M = 0.00072
"""A place rounded to the millimetre lies at most this far from the border it was put on: half a diagonal."""
MAY_BE_ON_M = 0.0016
"""A place farther than this from a border is not on it: a line is cut within a millimetre of it, and rounded."""
NEAR_BORDER_M = 0.0045
"""Nearer than this to a border, a line runs along it, and what ground lies on either side hangs on rounding."""


def shrunk(shape: BaseGeometry, by_m: float = PLACE_M) -> BaseGeometry:
    """The shape without a strip along its border."""
    return shape.buffer(-by_m, join_style="mitre")


@dataclass(frozen=True)
class Land:
    """
    Attributes
    ----------
    regions
        Region of each ground that may be dug, by name; the base ground's is a box round everything less the others.
    inner
        The same, shrunk by the rounding of places.
    no_dig
        (zone, polygon) of each no-dig zone but the strips round trunks.
    bars_leads
        (name, shrunk region) of each ground and no-dig zone that a lead may not cross.
    closed
        Union of all no-dig zones; ``closed_inner`` shrunk; ``dug_off_inner`` the same without the strips round trunks.
    kept_off
        Union of all no-dig zones pushed out by their keep-off.
    """

    job: Job
    survey: Survey
    regions: dict[str, BaseGeometry]
    inner: dict[str, BaseGeometry]
    no_dig: list[tuple[Zone, Polygon]]
    bars_leads: list[tuple[str, BaseGeometry]]
    closed: BaseGeometry
    closed_inner: BaseGeometry
    dug_off_inner: BaseGeometry
    kept_off: BaseGeometry

    def candidates(self, point: Point) -> list[str]:
        """Grounds that may be dug and hold at the point or within a rounding of it."""
        return [name for name, region in self.regions.items() if region.distance(point) <= PLACE_M]


def lay_land(job: Job, survey: Survey, box_m: tuple[float, float, float, float]) -> Land:
    """Settle the ground. ``box_m`` (least x, y, greatest x, y) holds every place of the plan."""
    flat = [(zone, shapely.force_2d(zone.polygon)) for zone in survey.zones]
    no_dig = [(zone, polygon) for zone, polygon in flat if job.grounds[zone.ground].no_dig]
    hard = [(zone, polygon) for zone, polygon in no_dig if zone.of != "trunk"]
    closed = union([polygon for _, polygon in no_dig])
    order = list(job.grounds)
    diggable = {zone.ground for zone, _ in flat if not job.grounds[zone.ground].no_dig}
    # Dearest first; of equal prices the later in the job.
    ranked = sorted(diggable, key=lambda name: (job.grounds[name].per_m or 0.0, order.index(name)), reverse=True)
    regions: dict[str, BaseGeometry] = {}
    laid = closed
    for name in ranked:
        zones = union([polygon for zone, polygon in flat if zone.ground == name])
        regions[name] = shapely.difference(zones, laid, grid_size=GRID_M)
        laid = shapely.union(laid, zones, grid_size=GRID_M)
    low_x, low_y, high_x, high_y = box_m
    if not laid.is_empty:
        zone_box = laid.bounds
        low_x, low_y = min(low_x, zone_box[0]), min(low_y, zone_box[1])
        high_x, high_y = max(high_x, zone_box[2]), max(high_y, zone_box[3])
    rest = shapely.difference(shapely.box(low_x - 10, low_y - 10, high_x + 10, high_y + 10), laid, grid_size=GRID_M)
    base = regions.get(job.base_ground)
    regions[job.base_ground] = rest if base is None else shapely.union(base, rest, grid_size=GRID_M)
    inner = {name: shrunk(region) for name, region in regions.items()}
    bars_leads = [(name, shape) for name, shape in inner.items() if not job.grounds[name].leads]
    bars_leads += [
        (f"{zone.ground}: {zone.name}", shrunk(polygon)) for zone, polygon in hard if zone.ground != TRUNK_STRIP
    ]
    land = Land(
        job,
        survey,
        regions,
        inner,
        hard,
        bars_leads,
        closed,
        shrunk(closed),
        shrunk(union([polygon for _, polygon in hard])),
        union([polygon.buffer(zone.keep_off_m, join_style="mitre") for zone, polygon in no_dig]),
    )
    barring = [shape for _, shape in bars_leads]
    for shape in (*regions.values(), *inner.values(), *barring, land.closed_inner, land.dug_off_inner):
        shapely.prepare(shape)
    return land


def union(polygons: list[Polygon]) -> BaseGeometry:
    """Union on the grid; touching polygons leave no gap."""
    return shapely.union_all(np.array(polygons, dtype=object), grid_size=GRID_M) if polygons else Polygon()


def lead_price_per_m(job: Job, ground: str) -> float:
    """Price of a metre of lead; on no-dig ground the base ground's, on the strip round a trunk root ground's."""
    if ground == TRUNK_STRIP and "root" in job.grounds:
        return job.grounds["root"].lead_price_per_m
    if job.grounds[ground].no_dig:
        return job.grounds[job.base_ground].lead_price_per_m
    return job.grounds[ground].lead_price_per_m
