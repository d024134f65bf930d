"""The plan as the report shows it: one map of any size, and what can be tapped on it. In: Plan. Out: SVG.

A screen has no edge of paper: the map takes the scale at which its labels can be read, and the reader zooms. At a
supply point near its edge it reaches out as far as the box about the drivers there needs, or that box, the largest of
all labels, would be led across the site to wherever it fits. Above the map lie unseen strokes and discs, wide enough
for a finger, each with the place of its fact in the list.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from ..plan.model import Plan
from . import marks
from .crowd import readable_scale
from .labels import Label
from .map_layers import describe, map_layers
from .map_view import MapView, view_map
from .map_words import Detail, Scene, driver_boxes
from .report_facts import Key
from .sheet import BESIDE_MM, ROUND_SCALES, Box, Sheet, seen_extent
from .svg import Point, element, group, num, polyline, title

_FACTOR = 1.35
_EDGE = (6.0, 2.0, 2.0, 5.0)  # left, top, right, bottom: where the numbers of the grid stand
_FINGER_MM = 3.2
_LEAST_MM = 40.0
_SMALL_MM = 120.0  # the longer side of a site is drawn at least so long
_CLEAR_MM = 1.0  # between the box of a driver and the map's edge
_NEAR_MM = 1.5 * BESIDE_MM  # farther from it, other ground is as near to stand on
_LABELLED = {"lamp", "joint", "cable", "trench", "supply"}


@dataclass(frozen=True)
class ReportMap:
    """
    Attributes
    ----------
    svg
        To be set into a page of HTML.
    mm_per_m
        How long a metre of the ground is in it.
    num_left_out
        Labels that found no room.
    """

    svg: str
    mm_per_m: float
    num_left_out: int


def report_map(plan: Plan, place: Mapping[Key, int]) -> ReportMap:
    """The map; ``place`` is where the fact of each thing stands."""
    sheet = _sheet(plan, _scale(plan))
    view = view_map(plan, sheet, Detail.SITE, factor=_FACTOR)
    area = sheet.map
    clip = element("rect", x=area.left, y=area.top, width=area.width, height=area.height)
    paper = element("rect", x=0, y=0, width=sheet.width, height=sheet.height, fill=marks.PAPER)
    parts = [title(describe(plan)), element("defs", element("clipPath", clip, id="map")), paper]
    parts += [*map_layers(plan, view), group(_touch(plan, view, place), id="touch", fill="none")]
    svg = element(
        "svg", "\n" + "\n".join(parts) + "\n", viewBox=f"0 0 {num(sheet.width)} {num(sheet.height)}",
        font_family="sans-serif", fill=marks.INK, role="img",
    )  # fmt: skip
    return ReportMap(svg, sheet.mm(1.0), len(view.left_out))


def _scale(plan: Plan) -> int:
    """The smallest at which few labels stand in a crowd, and no smaller than fills the map: few labels never crowd."""
    west, south, east, north = seen_extent(plan)
    side_m = max(east - west, north - south)
    wide = [scale for scale in ROUND_SCALES if 1000 * side_m / scale >= _SMALL_MM]
    return min(readable_scale(plan, _FACTOR), max(wide, default=ROUND_SCALES[0]))


def _sheet(plan: Plan, scale: int) -> Sheet:
    west, south, east, north = seen_extent(plan)
    sheet = _sheet_of(west, south, east, north, scale, _LEAST_MM)
    boxes = [label for label, _ in driver_boxes(Scene(plan, sheet, _FACTOR, (), (), {}, Detail.SITE))]
    least = max([_LEAST_MM] + [label.width + 2 * _CLEAR_MM for label in boxes])  # of very small sites
    sheet = _sheet_of(west, south, east, north, scale, least)
    boxes = [label for label, _ in driver_boxes(Scene(plan, sheet, _FACTOR, (), (), {}, Detail.SITE))]
    more = [0.0, 0.0, 0.0, 0.0]
    for label in boxes:
        side, mm = _wanting(label, sheet.map)
        more[side] = max(more[side], mm * scale / 1000)
    return _sheet_of(west - more[0], south - more[1], east + more[2], north + more[3], scale, least)


def _sheet_of(west: float, south: float, east: float, north: float, scale: int, least_mm: float) -> Sheet:
    left, top, right, bottom = _EDGE
    width = max(least_mm, 1000 * (east - west) / scale + 2 * BESIDE_MM)
    height = max(_LEAST_MM, 1000 * (north - south) / scale + 2 * BESIDE_MM)
    area = Box(left, top, width, height)
    middle = ((west + east) / 2, (south + north) / 2)
    return Sheet(left + width + right, top + height + bottom, area, area, 1, scale, *middle)


def _wanting(label: Label, area: Box) -> tuple[int, float]:
    """Where a label's anchor is near the map's edge: the side at which least is wanting for the label, and how much."""
    x, y = label.anchors[0]
    away = (x - area.left, area.bottom - y, area.right - x, y - area.top)
    sizes = (label.width, label.height, label.width, label.height)
    lacks = [size + label.gap + _CLEAR_MM - mm for size, mm in zip(sizes, away, strict=True)]
    near = [side for side in range(4) if away[side] <= _NEAR_MM]
    side = min(near, key=lambda side: lacks[side], default=0)
    return side, max(0.0, lacks[side]) if near else 0.0


def _touch(plan: Plan, view: MapView, place: Mapping[Key, int]) -> list[str]:
    """Wide things first, small ones above them."""
    sheet, f = view.sheet, view.factor
    drawn = []

    def stroke(key: Key, route: list[Point], width: float) -> None:
        drawn.append(polyline(route, stroke_width=width, **_named(key)))

    def disc(key: Key, at: Point, radius: float) -> None:
        drawn.append(element("circle", cx=at[0], cy=at[1], r=radius, **_named(key)))

    def _named(key: Key) -> dict[str, float | str | None]:
        return {"class_": f"of-{key[0]}", "data_of": str(place[key])}

    for band in view.bands:
        stroke(("trench", band.trench.id), band.route, band.width + _FINGER_MM)
    for strand in view.strands:
        stroke(("cable", strand.cable.id), strand.route, 0.6 * _FINGER_MM)
    for joint in plan.joints:
        if joint.post is None:
            disc(("joint", joint.id), sheet.at(joint.x, joint.y), 1.6 * f)
    for supply in plan.site.supplies:
        disc(("supply", supply.name), sheet.at(supply.x, supply.y), 2.6 * f)
    for lamp in plan.lamps:
        disc(("lamp", lamp.id), sheet.at(lamp.x, lamp.y), 2.0 * f)
    for label in view.placed:
        kind, _, name = label.label.key.partition(" ")
        if kind in _LABELLED and (kind, name) in place:
            at = label.box
            size = {"x": at.left, "y": at.top, "width": at.width, "height": at.height}
            drawn.append(element("rect", **size, **_named((kind, name))))
    return drawn
