"""The map: what is where on the sheet, before any SVG is written. In: Plan. Out: MapView, with all labels placed."""

from __future__ import annotations

import math
from collections.abc import Collection, Sequence
from dataclasses import dataclass

import numpy as np
from shapely import MultiPoint

from ..plan.model import Plan
from . import marks
from .labels import Ink, Label, Placed, place_labels
from .map_words import Detail, Scene, Window, Words, make_labels
from .palette import GroundStyle, LineStyle, circuit_styles, ground_styles
from .sheet import Sheet
from .strands import Band, Strand, lay_strands

_ROUND_MM = 25.0  # room for labels round the outermost lamps and joints


@dataclass(frozen=True)
class MapView:
    sheet: Sheet
    factor: float
    """How much larger than at their least signs and letters are drawn."""
    grounds: dict[str, GroundStyle]
    circuits: dict[str, LineStyle]
    widths: dict[str, float]
    bands: list[Band]
    strands: list[Strand]
    placed: list[Placed]
    words: dict[str, Words]
    left_out: list[Label]
    scene: Scene


def view_map(
    plan: Plan,
    sheet: Sheet,
    detail: Detail = Detail.SCREEN,
    *,
    factor: float | None = None,
    windows: Sequence[Window] = (),
) -> MapView:
    """
    Lay out the map on this sheet.

    Parameters
    ----------
    factor
        How large letters and signs are drawn; by default as the crowd on the sheet allows.
    windows
        Other sheets, where their edges are shown.
    """
    factor = _factor(plan, sheet) if factor is None else factor
    bands, strands = lay_strands(plan, sheet, pitch=0.95 * factor)
    styles = circuit_styles(plan)
    at_lamps = _joints_at_lamps(plan, sheet, factor)
    ink = _ink(plan, sheet, factor, bands, strands, at_lamps)
    scene = Scene(plan, sheet, factor, bands, strands, styles, detail, windows, at_lamps)
    made = make_labels(scene)
    placed, left_out = place_labels([label for label, _ in made], ink)
    words = {label.key: said for label, said in made}
    widths = marks.cable_widths(plan, factor)
    return MapView(sheet, factor, ground_styles(plan), styles, widths, bands, strands, placed, words, left_out, scene)


def _factor(plan: Plan, sheet: Sheet) -> float:
    """1 on a crowded sheet, larger where there is room to spare."""
    count = 2 * len(plan.lamps) + len(plan.joints) + len(plan.cables) + 8 * len(plan.drivers)
    used = [sheet.at(lamp.x, lamp.y) for lamp in plan.lamps] + [sheet.at(joint.x, joint.y) for joint in plan.joints]
    left, top, right, bottom = MultiPoint(used).bounds
    area = max((right - left + 2 * _ROUND_MM) * (bottom - top + 2 * _ROUND_MM), 1.0)
    return min(1.6, max(1.0, math.sqrt(area / max(count, 1) / 170)))


def _joints_at_lamps(plan: Plan, sheet: Sheet, f: float) -> dict[str, str]:
    """Joints that a lamp's sign would hide, each with the nearest such lamp; a post's own terminals are no joint."""
    lamps = np.array([sheet.at(lamp.x, lamp.y) for lamp in plan.lamps])
    found = {}
    for joint in plan.joints:
        if joint.post is None:
            away = np.hypot(*(lamps - sheet.at(joint.x, joint.y)).T)
            nearest = int(away.argmin())
            if away[nearest] < 0.95 * marks.LAMP_MM * f:
                found[joint.id] = plan.lamps[nearest].id
    return found


def _ink(
    plan: Plan, sheet: Sheet, f: float, bands: list[Band], strands: list[Strand], at_lamps: Collection[str]
) -> Ink:
    """Weights of what labels should not cover: signs above all, then cables, leads, trenches, borders."""
    ink = Ink(sheet.map)
    for band in bands:
        ink.line(band.route, 0.4)
    for strand in strands:
        ink.line(strand.route, 1.0)
    for zone in plan.site.zones:
        for ring in zone.rings:
            ink.line(sheet.route([*ring, ring[0]]), 0.12 if zone.of == "survey" else 0.08)
    for mains in plan.site.mains:
        ink.line(sheet.route(mains.route), 1.0)
    for sleeve in plan.site.sleeves:
        ink.line(sheet.route(sleeve.route), 1.0)
    posts = {joint.post for joint in plan.joints}
    for lamp in plan.lamps:
        ink.line(sheet.route(lamp.lead_route), 0.8)
        ink.disc(sheet.at(lamp.x, lamp.y), marks.LAMP_MM * f + 0.3, 9.0)
        if lamp.id in posts:  # without its bar a post is a lamp like others
            (left, y), (right, _) = marks.post_bar(sheet.at(lamp.x, lamp.y), f)
            for edge in (y - 0.2 * f, y + 0.2 * f):
                ink.line([(left, edge), (right, edge)], 9.0)
    for joint in plan.joints:
        if joint.post is None:
            around = marks.ROUND_LAMP_MM if joint.id in at_lamps else marks.JOINT_MM
            ink.disc(sheet.at(joint.x, joint.y), (marks.HUB_MM if joint.hub else around * 0.75) * f + 0.2, 7.0)
    for supply in plan.site.supplies:
        ink.disc(sheet.at(supply.x, supply.y), marks.SUPPLY_MM * f + 0.3, 9.0)
    for peg in plan.site.pegs:
        ink.disc(sheet.at(peg.x, peg.y), marks.PEG_MM * f + 0.3, 5.0)
    for tree in plan.site.trees:
        ink.disc(sheet.at(tree.x, tree.y), max(0.8, sheet.mm(tree.stem_mm / 2000)) + 0.2, 3.0)
    return ink
