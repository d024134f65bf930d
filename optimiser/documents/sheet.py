"""The sheet of paper: its size, which way up, and the scale. In: what must be seen, in metres. Out: Sheet."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from .svg import Point

if TYPE_CHECKING:  # what needs no plan, as the drawing of a survey, does not wait for its model
    from ..plan.model import Plan

SCALES = (20, 25, 50, 75, 100, 125, 150, 200, 250, 300, 400, 500, 600, 750, 1000, 1250, 1500, 2000, 2500, 3000, 5000)
ROUND_SCALES = (20, 25, 50, 100, 200, 250, 500, 1000, 2000, 2500, 5000)
"""Scales of sheets to measure from: those of common scale rulers (common practice, no source)."""
PAPERS_MM: dict[str, tuple[float, float]] = {"A4": (210.0, 297.0), "A3": (297.0, 420.0), "Letter": (215.9, 279.4)}
"""Short side, long side: ISO 216; Letter is 8.5 x 11 inches (ANSI/ASME Y14.1)."""
FRAME_MM = 8.0
GRID_BAND_MM = 4.5
COLUMN_MM = 96.0
BELOW_MM = {3: 104.0, 4: 82.0}
"""Height of a panel below the map, by its columns."""
BESIDE_MM = 12.0  # kept free round the site, for labels


@dataclass(frozen=True)
class Box:
    """A rectangle on the sheet, in mm from its upper left corner."""

    left: float
    top: float
    width: float
    height: float

    @property
    def right(self) -> float:
        return self.left + self.width

    @property
    def bottom(self) -> float:
        return self.top + self.height

    def shrunk(self, by: float) -> Box:
        return Box(self.left + by, self.top + by, self.width - 2 * by, self.height - 2 * by)


@dataclass(frozen=True)
class Sheet:
    """
    Paper with the map at a stated scale.

    Attributes
    ----------
    width, height
        Of the paper, in mm.
    map, panel
        Where the map and the words beside (or below) it go.
    columns
        Of words in the panel.
    scale
        Metres of ground for a metre of paper; 0 on a sheet without a map.
    x_m, y_m
        Place on the ground at the middle of the map.
    paper
        Name of the paper's size.
    """

    width: float
    height: float
    map: Box
    panel: Box
    columns: int
    scale: int
    x_m: float
    y_m: float
    paper: str = "A3"

    def at(self, x: float, y: float) -> Point:
        """Where a place is on the sheet, in mm; y of the ground points up, y of the sheet down."""
        per_m = 1000 / self.scale
        return (
            self.map.left + self.map.width / 2 + (x - self.x_m) * per_m,
            self.map.top + self.map.height / 2 - (y - self.y_m) * per_m,
        )

    def route(self, places: Iterable[tuple[float, ...]]) -> list[Point]:
        return [self.at(place[0], place[1]) for place in places]

    def ground_at(self, x: float, y: float) -> Point:
        """The place on the ground, in m, at a point of the sheet."""
        m = self.scale / 1000
        return (
            self.x_m + (x - self.map.left - self.map.width / 2) * m,
            self.y_m - (y - self.map.top - self.map.height / 2) * m,
        )

    def mm(self, length_m: float) -> float:
        return length_m * 1000 / self.scale


def seen_extent(plan: Plan) -> tuple[float, float, float, float]:
    """West, south, east, north of what the map shows, in m: all that is built, and the zones near it."""
    places: list[tuple[float, float]] = [(lamp.x, lamp.y) for lamp in plan.lamps]
    places += [(joint.x, joint.y) for joint in plan.joints]
    places += [(driver.x, driver.y) for driver in plan.drivers]
    places += [(point.x, point.y) for point in (*plan.site.supplies, *plan.site.pegs)]
    places += [(tree.x, tree.y) for tree in plan.site.trees]
    routes = [cable.route for cable in plan.cables] + [sleeve.route for sleeve in plan.site.sleeves]
    places += [(place[0], place[1]) for route in routes for place in route]
    low = np.min(np.array(places), axis=0)
    high = np.max(np.array(places), axis=0)
    near = np.maximum(3.0, 0.12 * (high - low).max())
    others = [ring for zone in plan.site.zones for ring in zone.rings]
    others += [[(place[0], place[1]) for place in line.route] for line in plan.site.mains]
    around = np.array([point for ring in others for point in ring] or places)
    west, south = np.maximum(np.minimum(low, around.min(axis=0)), low - near)
    east, north = np.minimum(np.maximum(high, around.max(axis=0)), high + near)
    return float(west), float(south), float(east), float(north)


def possible_sheets(plan: Plan, *, grown: bool = False) -> list[Sheet]:
    """
    Ways to lay out the sheet, the largest scale first; lying with the panel at its side where several allow the same.

    ``grown`` gives the panel twice its room, for very many circuits.
    """
    west, south, east, north = seen_extent(plan)
    sheets = []
    for width, height, beside in ((420, 297, True), (420, 297, False), (297, 420, False), (297, 420, True)):
        inner = Box(0, 0, width, height).shrunk(FRAME_MM)
        if beside:
            columns = 2 if grown else 1
            panel_width = COLUMN_MM * columns
            panel = Box(inner.right - panel_width, inner.top, panel_width, inner.height)
            area = Box(inner.left, inner.top, inner.width - panel_width, inner.height)
        else:
            columns = round(inner.width / COLUMN_MM)
            panel_height = BELOW_MM[columns] * (1.7 if grown else 1)
            panel = Box(inner.left, inner.bottom - panel_height, inner.width, panel_height)
            area = Box(inner.left, inner.top, inner.width, inner.height - panel_height)
        area = area.shrunk(GRID_BAND_MM)
        room_x, room_y = area.width - 2 * BESIDE_MM, area.height - 2 * BESIDE_MM
        needed = 1000 * max((east - west) / room_x, (north - south) / room_y)
        scale = scale_for(needed)
        middle = ((west + east) / 2, (south + north) / 2)
        sheets.append(Sheet(float(width), float(height), area, panel, columns, scale, *middle))
    return sorted(sheets, key=lambda sheet: sheet.scale)


def scale_for(needed: float, among: tuple[int, ...] = SCALES) -> int:
    """The largest usual scale that is no larger than 1 : ``needed``."""
    return next((scale for scale in among if scale >= needed), math.ceil(needed / 1000) * 1000)
