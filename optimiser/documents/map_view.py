"""The map: what is where on the sheet, before any SVG is written. In: Plan. Out: MapView, with all labels placed."""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass

import numpy as np
from shapely import MultiPoint, MultiPolygon, Polygon, box, contains_xy, maximum_inscribed_circle
from shapely.geometry.base import BaseGeometry

from ..plan.model import JointPlan, Plan, SiteZone
from . import marks
from .labels import Ink, Label, Placed, place_labels
from .palette import GroundStyle, LineStyle, circuit_styles, ground_styles
from .sheet import Sheet
from .strands import Band, Strand, lay_strands
from .svg import Point, cut_to_width, text_width, wrap
from .words import number, plain

_NAME_MM = 34.0  # names longer than this are cut on the map, in full in the lists
_TAG_EVERY_MM = 70.0
_ROUND_MM = 25.0  # room for labels round the outermost lamps and joints


@dataclass(frozen=True)
class Line:
    """One line of a label."""

    words: str
    size: float
    bold: bool = False
    italic: bool = False
    colour: str = marks.INK

    @property
    def width(self) -> float:
        return text_width(self.words, self.size, bold=self.bold)


@dataclass(frozen=True)
class Words:
    """What stands in a label: lines one below the other, or one after the other; ``frame`` is a colour."""

    lines: tuple[Line, ...]
    full: str
    across: bool = False
    frame: str | None = None

    @property
    def pad(self) -> float:
        return 0.5 if self.frame else 0.15

    @property
    def width(self) -> float:
        widths = [line.width for line in self.lines]
        inner = sum(widths) + 0.45 * self.lines[0].size * (len(widths) - 1) if self.across else max(widths)
        return inner + 2 * self.pad

    @property
    def height(self) -> float:
        sizes = [line.size for line in self.lines]
        return (max(sizes) if self.across else sum(sizes)) * 1.12 + 2 * self.pad


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
    left_out: list[str]


def view_map(plan: Plan, sheet: Sheet) -> MapView:
    """Lay out the map on this sheet."""
    factor = _factor(plan, sheet)
    bands, strands = lay_strands(plan, sheet, pitch=0.95 * factor)
    styles = circuit_styles(plan)
    ink = _ink(plan, sheet, factor, bands, strands)
    words: dict[str, Words] = {}
    labels: list[Label] = []
    for make in (_drivers, _supplies, _lamps, _joints, _tags, _cables, _trees, _sleeves, _mains, _pegs, _zones):
        for label, said in make(plan, sheet, factor, strands, styles):
            labels.append(label)
            words[label.key] = said
    placed, left_out = place_labels(labels, ink)
    widths = marks.cable_widths(plan, factor)
    names = [label.key for label in left_out]
    return MapView(sheet, factor, ground_styles(plan), styles, widths, bands, strands, placed, words, names)


def _factor(plan: Plan, sheet: Sheet) -> float:
    """1 on a crowded sheet, larger where there is room to spare."""
    count = 2 * len(plan.lamps) + len(plan.joints) + len(plan.cables) + 8 * len(plan.drivers)
    used = [sheet.at(lamp.x, lamp.y) for lamp in plan.lamps] + [sheet.at(joint.x, joint.y) for joint in plan.joints]
    left, top, right, bottom = MultiPoint(used).bounds
    area = max((right - left + 2 * _ROUND_MM) * (bottom - top + 2 * _ROUND_MM), 1.0)
    return min(1.6, max(1.0, math.sqrt(area / max(count, 1) / 170)))


def _ink(plan: Plan, sheet: Sheet, f: float, bands: list[Band], strands: list[Strand]) -> Ink:
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
    for lamp in plan.lamps:
        ink.line(sheet.route(lamp.lead_route), 0.8)
        ink.disc(sheet.at(lamp.x, lamp.y), marks.LAMP_MM * f + 0.3, 9.0)
    for joint in plan.joints:
        if joint.post is None:
            ink.disc(sheet.at(joint.x, joint.y), (marks.HUB_MM if joint.hub else marks.JOINT_MM * 0.75) * f + 0.2, 7.0)
    for supply in plan.site.supplies:
        ink.disc(sheet.at(supply.x, supply.y), marks.SUPPLY_MM * f + 0.3, 9.0)
    for peg in plan.site.pegs:
        ink.disc(sheet.at(peg.x, peg.y), marks.PEG_MM * f + 0.3, 5.0)
    for tree in plan.site.trees:
        ink.disc(sheet.at(tree.x, tree.y), max(0.8, sheet.mm(tree.stem_mm / 2000)) + 0.2, 3.0)
    return ink


Made = list[tuple[Label, Words]]


def _label(
    key: str, words: Words, anchors: list[Point], gap: float, rank: int, *, pull: float = 1.0, over: bool = False
) -> Label:
    return Label(key, words.width, words.height, tuple(anchors), gap, rank, over=over, pull=pull)


def _name(name: str, size: float, *, bold: bool = False) -> str:
    return cut_to_width(name, _NAME_MM, size, bold=bold)


def _drivers(plan: Plan, sheet: Sheet, f: float, strands: list[Strand], styles: dict[str, LineStyle]) -> Made:
    """A box for each supply point: its drivers, what each gives, and what it feeds."""
    made: Made = []
    size = 1.9 * f
    for supply in dict.fromkeys(driver.supply for driver in plan.drivers):
        mounted = [driver for driver in plan.drivers if driver.supply == supply]
        lines: list[Line] = []
        if len(mounted) > 1:
            lines.append(Line(_name(supply, size * 1.1, bold=True), size * 1.1, bold=True))
        for driver in mounted:
            head = f"{driver.id}  {driver.model if len(mounted) > 1 else supply}"
            lines.append(Line(_name(head, size * 1.1, bold=True), size * 1.1, bold=True))
            if len(mounted) == 1:
                lines.append(Line(_name(driver.model, size), size))
            load = f"load {number(driver.load_w, 0)} W ({number(driver.load_pct, 0)} %)"
            lines.append(Line(f"tap {number(driver.tap_v, 1)} V, {load}", size))
            fed = " ".join(circuit.id for circuit in plan.circuits if circuit.driver == driver.id)
            lines += [Line(part, size) for part in wrap(f"feeds {fed}", _NAME_MM * f, size)[:6]]
        full = "; ".join(f"driver {driver.id} at {supply}: {driver.model}" for driver in mounted)
        words = Words(tuple(lines), full, frame=marks.INK)
        at = sheet.at(mounted[0].x, mounted[0].y)
        made.append((_label(f"drivers {supply}", words, [at], marks.SUPPLY_MM * f + 1.0, 0, pull=0.35), words))
    return made


def _supplies(plan: Plan, sheet: Sheet, f: float, strands: list[Strand], styles: dict[str, LineStyle]) -> Made:
    used = {driver.supply for driver in plan.drivers}
    made: Made = []
    for supply in plan.site.supplies:
        if supply.name not in used:
            words = Words(
                (Line(_name(supply.name, 1.8 * f), 1.8 * f), Line("not used", 1.6 * f, italic=True)), supply.name
            )
            made.append(
                (
                    _label(
                        f"supply {supply.name}", words, [sheet.at(supply.x, supply.y)], marks.SUPPLY_MM * f + 0.5, 3
                    ),
                    words,
                )
            )
    return made


def _lamps(plan: Plan, sheet: Sheet, f: float, strands: list[Strand], styles: dict[str, LineStyle]) -> Made:
    made: Made = []
    posts = {joint.post: joint.id for joint in plan.joints if joint.post is not None}
    for lamp in plan.lamps:
        name = lamp.id if lamp.id not in posts else f"{lamp.id} {posts[lamp.id]}"
        size = 1.9 * f
        lines = (Line(_name(name, size, bold=True), size, bold=True), Line(f"{number(lamp.volts, 2)} V", 1.7 * f))
        words = Words(lines, f"lamp {lamp.id}, {lamp.type}: {number(lamp.volts, 2)} V predicted, joint {lamp.joint}")
        made.append(
            (_label(f"lamp {lamp.id}", words, [sheet.at(lamp.x, lamp.y)], marks.LAMP_MM * f + 0.45, 1, pull=1.6), words)
        )
    return made


def _joints(plan: Plan, sheet: Sheet, f: float, strands: list[Strand], styles: dict[str, LineStyle]) -> Made:
    made: Made = []
    for joint in plan.joints:
        if joint.post is not None:
            continue
        line = Line(_name(joint.id, 1.6 * f), 1.6 * f, bold=joint.hub, colour=styles[joint.circuit].colour)
        words = Words((line,), _joint_full(joint))
        gap = (marks.HUB_MM if joint.hub else marks.JOINT_MM * 0.7) * f + 0.35
        made.append((_label(f"joint {joint.id}", words, [sheet.at(joint.x, joint.y)], gap, 2, pull=1.5), words))
    return made


def _joint_full(joint: JointPlan) -> str:
    meets = ", ".join([*joint.cables, *(f"lead of {lead}" for lead in joint.leads)])
    return f"{'hub' if joint.hub else 'joint'} {joint.id}, circuit {joint.circuit}, {joint.ways} ways: {meets}"


def _tags(plan: Plan, sheet: Sheet, f: float, strands: list[Strand], styles: dict[str, LineStyle]) -> Made:
    """The circuit's name on its first piece, and again every so far along the way."""
    made: Made = []
    walked: dict[str, float] = {}
    for strand in strands:
        circuit = strand.cable.circuit
        spots = [stretch.at(0.5) for stretch in sorted(strand.stretches, key=lambda s: (s.company, -s.length))]
        walked[circuit] = walked.get(circuit, _TAG_EVERY_MM) + sum(stretch.length for stretch in strand.stretches)
        if walked[circuit] < _TAG_EVERY_MM or not spots:
            continue
        walked[circuit] = 0.0
        size = 1.7 * f
        colour = styles[circuit].colour
        words = Words(
            (Line(_name(circuit, size, bold=True), size, bold=True, colour=colour),), f"circuit {circuit}", frame=colour
        )
        made.append((_label(f"tag {circuit} {strand.cable.id}", words, spots[:4], 0.7 * f, 5, pull=1.2), words))
    return made


def _cables(plan: Plan, sheet: Sheet, f: float, strands: list[Strand], styles: dict[str, LineStyle]) -> Made:
    """Each piece by its number and size, where it lies with the fewest others."""
    made: Made = []
    for strand in strands:
        cable = strand.cable
        if not strand.stretches:
            continue
        used = plan.cables_used.get(cable.cable)
        size = used.size.removesuffix(" mm²") if used else cable.cable
        best = sorted(strand.stretches, key=lambda s: (s.company, -s.length))[:3]
        spots = [s.at(t) for s in best for t in ((0.5,) if s.length < 12 else (0.5, 0.3, 0.7))]
        line = Line(_name(f"{cable.id} · {size}", 1.5 * f), 1.5 * f, colour=styles[cable.circuit].colour)
        way = f"{cable.from_} to {cable.to}, {number(cable.cut_m, 1)} m"
        words = Words((line,), f"piece {cable.id}, {cable.cable}, circuit {cable.circuit}, {way}")
        made.append((_label(f"cable {cable.id}", words, spots, 0.8 * f, 6, pull=1.2), words))
    return made


def _trees(plan: Plan, sheet: Sheet, f: float, strands: list[Strand], styles: dict[str, LineStyle]) -> Made:
    made: Made = []
    for tree in plan.site.trees:
        line = Line(_name(tree.name, 1.7 * f), 1.7 * f, italic=True, colour="#5b4524")
        words = Words((line,), f"tree {tree.name}, stem {number(tree.stem_mm, 0)} mm")
        gap = max(0.8, sheet.mm(tree.stem_mm / 2000)) + 0.5
        made.append((_label(f"tree {tree.name}", words, [sheet.at(tree.x, tree.y)], gap, 7), words))
    return made


def _sleeves(plan: Plan, sheet: Sheet, f: float, strands: list[Strand], styles: dict[str, LineStyle]) -> Made:
    made: Made = []
    for sleeve in plan.site.sleeves:
        line = Line(_name(f"sleeve {sleeve.name}", 1.7 * f), 1.7 * f, italic=True)
        words = Words((line,), f"sleeve {sleeve.name}, room for {sleeve.capacity}")
        made.append((_label(f"sleeve {sleeve.name}", words, _spots(sheet.route(sleeve.route)), 1.6 * f, 7), words))
    return made


def _mains(plan: Plan, sheet: Sheet, f: float, strands: list[Strand], styles: dict[str, LineStyle]) -> Made:
    made: Made = []
    for mains in plan.site.mains:
        line = Line(_name(f"mains: {mains.name}", 1.7 * f), 1.7 * f, bold=True, colour="#8c1d1d")
        spots = [p for p in _spots(sheet.route(mains.route)) if _holds(sheet, p)]
        if spots:
            words = Words((line,), f"buried mains {mains.name}")
            made.append((_label(f"mains {mains.name}", words, spots, 1.0 * f, 7), words))
    return made


def _pegs(plan: Plan, sheet: Sheet, f: float, strands: list[Strand], styles: dict[str, LineStyle]) -> Made:
    made: Made = []
    for peg in plan.site.pegs:
        words = Words((Line(_name(f"peg {peg.name}", 1.6 * f), 1.6 * f),), f"peg {peg.name}")
        made.append((_label(f"peg {peg.name}", words, [sheet.at(peg.x, peg.y)], marks.PEG_MM * f + 0.4, 7), words))
    return made


def _zones(plan: Plan, sheet: Sheet, f: float, strands: list[Strand], styles: dict[str, LineStyle]) -> Made:
    """Names of surveyed zones inside them; trees name themselves."""
    made: Made = []
    window = box(sheet.map.left, sheet.map.top, sheet.map.right, sheet.map.bottom)
    for i, zone in enumerate(plan.site.zones):
        if zone.of != "survey":
            continue
        shape = _shape(zone, sheet).intersection(window)
        if shape.is_empty or shape.area < 1.0:
            continue
        size = 2.0 * f
        line = Line(_name(zone.name, size), size, italic=True, colour="#55554c")
        words = Words((line,), f"{zone.name}: {zone.ground}{', no digging' if zone.no_dig else ''}")
        inner = shape.buffer(-words.height * 0.6)
        spots = _inside(inner if not inner.is_empty else shape)
        made.append((_label(f"zone {i} {plain(zone.name)}", words, spots, 0.0, 8, pull=2.0, over=True), words))
    return made


def _shape(zone: SiteZone, sheet: Sheet) -> BaseGeometry:
    outer, *holes = [sheet.route(ring) for ring in zone.rings]
    return Polygon(outer, holes).buffer(0)


def _inside(shape: BaseGeometry) -> list[Point]:
    """The roomiest spot first, then a few dozen others spread over the shape."""
    first = shape.representative_point().coords[0]
    if isinstance(shape, Polygon | MultiPolygon) and shape.area > 1:
        first = maximum_inscribed_circle(shape, tolerance=0.5).coords[0]
    left, top, right, bottom = shape.bounds
    step = max(4.0, math.sqrt(max((right - left) * (bottom - top), 1.0) / 60))
    x, y = np.meshgrid(np.arange(left + step / 2, right, step), np.arange(top + step / 2, bottom, step))
    hits = contains_xy(shape, x, y)
    return [(first[0], first[1]), *zip(x[hits].tolist(), y[hits].tolist(), strict=True)]


def _spots(route: list[Point]) -> list[Point]:
    """Middle of the longest part first, then of the others."""
    parts = sorted(itertools.pairwise(route), key=lambda part: -math.dist(*part))
    return [_between(a, b, t) for a, b in parts[:6] for t in (0.5, 0.25, 0.75)]


def _holds(sheet: Sheet, p: Point) -> bool:
    return sheet.map.left < p[0] < sheet.map.right and sheet.map.top < p[1] < sheet.map.bottom


def _between(a: Point, b: Point, t: float) -> Point:
    return a[0] + (b[0] - a[0]) * t, a[1] + (b[1] - a[1]) * t
