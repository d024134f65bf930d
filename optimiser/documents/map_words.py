"""What the labels on the map say, and by what they stand. In: Plan, where things lie. Out: labels and their words.

How much is said depends on the sheet (``Detail``): the whole plan on the screen, the key to several sheets, or a sheet
that goes to site, where pieces have their lengths and trenches their ground and depth.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from enum import Enum

import numpy as np
from shapely import MultiPolygon, Polygon, box, contains_xy, maximum_inscribed_circle
from shapely.geometry.base import BaseGeometry

from ..plan.model import CircuitPlan, JointPlan, Plan, SiteZone
from . import marks
from .labels import Label
from .measured import measured_width
from .palette import LineStyle
from .sheet import Box, Sheet
from .strands import Band, Strand, Stretch
from .svg import Point, cut_middle, text_width, wrap
from .words import isolated, number, plain

_NAME_EM = 19.0  # names longer than this are cut on the map, in full in the lists
_FED_MM = 34.0
_TAG_EVERY_MM = 70.0
_SEEN_MM = 25.0  # of a cable or trench seen on a sheet have it named there, though another sheet shows more of it
_NAMED_MM = 3.5  # trenches shorter than this on the sheet are named in a list


class Detail(Enum):
    SCREEN = "screen"
    SITE = "site"
    KEY = "key"


@dataclass(frozen=True)
class Line:
    """One line of a label."""

    words: str
    size: float
    bold: bool = False
    italic: bool = False
    colour: str = marks.INK

    @property
    def measured(self) -> float | None:
        """Width in mm where all letters are known; None where it can only be reckoned."""
        return measured_width(self.words, self.size, "B" if self.bold else "I" if self.italic else "")

    @property
    def width(self) -> float:
        known = self.measured
        return text_width(self.words, self.size, bold=self.bold) if known is None else known


@dataclass(frozen=True)
class Words:
    """What stands in a label: lines one below the other; ``frame`` is a colour; ``full`` says it in a sentence."""

    lines: tuple[Line, ...]
    full: str
    frame: str | None = None

    @property
    def pad(self) -> float:
        return 0.5 if self.frame else 0.15

    @property
    def width(self) -> float:
        return max(line.width for line in self.lines) + 2 * self.pad

    @property
    def height(self) -> float:
        return sum(line.size for line in self.lines) * 1.12 + 2 * self.pad


@dataclass(frozen=True)
class Window:
    """Another sheet of the set: its number, and its map's edges on this one."""

    number: int
    box: Box


@dataclass(frozen=True)
class Scene:
    """What labels are made from."""

    plan: Plan
    sheet: Sheet
    factor: float
    bands: Sequence[Band]
    strands: Sequence[Strand]
    styles: dict[str, LineStyle]
    detail: Detail
    windows: Sequence[Window] = ()
    at_lamps: dict[str, str] = field(default_factory=dict)
    """Joints whose sign would lie under a lamp's, with that lamp."""


Made = list[tuple[Label, Words]]


def make_labels(scene: Scene) -> Made:
    """All labels of a sheet; none has an anchor outside its map."""
    key = (_windows, driver_boxes, _tags, _sleeves, _mains, _pegs, _zones)
    screen = (driver_boxes, _supplies, _lamps, _joints, _tags, _cables, _trees, _sleeves, _mains, _pegs, _zones)
    makers = {Detail.KEY: key, Detail.SCREEN: screen, Detail.SITE: (_windows, *screen, _trenches)}[scene.detail]
    area = scene.sheet.map.shrunk(0.5)
    made: Made = []
    for make in makers:
        for label, words in make(scene):
            seen = tuple(p for p in label.anchors if _holds(area, p))
            if seen:
                made.append((label if seen == label.anchors else label.with_anchors(seen), words))
    return made


def unnamed_trenches(plan: Plan, scale: int) -> list[str]:
    """Ids of trenches too short at this scale to be named on the map."""
    return [
        trench.id
        for trench in plan.trenches
        if trench.sleeve is None and _length(trench.route) * 1000 / scale < _NAMED_MM
    ]


def _label(
    key: str, words: Words, anchors: list[Point], gap: float, rank: int, *, pull: float = 1.0, over: bool = False
) -> Label:
    return Label(key, words.width, words.height, tuple(anchors), gap, rank, over=over, pull=pull)


def _name(name: str, size: float, *, bold: bool = False) -> str:
    return cut_middle(name, _NAME_EM * size, size, bold=bold)


def _windows(scene: Scene) -> Made:
    """The numbers of the other sheets, in the upper left corner of each."""
    made: Made = []
    size = 4.0 * scene.factor
    for window in scene.windows:
        if scene.detail is Detail.SITE:
            made += _beside(scene, window)
            continue
        words = Words((Line(str(window.number), size, bold=True),), f"sheet {window.number}", frame=marks.INK)
        dx, dy = words.width / 2 + 0.6, words.height / 2 + 0.6
        around = window.box
        spots = [(x, y) for y in (around.top + dy, around.bottom - dy) for x in (around.left + dx, around.right - dx)]
        spots.append((around.left + around.width / 2, around.top + around.height / 2))
        spots = [spot for spot in spots if _holds(scene.sheet.map, spot)][:1]  # the same corner wherever it can be
        made.append((_label(f"sheet {window.number}", words, spots, 0.0, -1, over=True, pull=6.0), words))
    return made


def _beside(scene: Scene, window: Window) -> Made:
    """Where another sheet goes on: at this map's edge, amid what both show."""
    area = scene.sheet.map
    left, right = max(area.left, window.box.left), min(area.right, window.box.right)
    top, bottom = max(area.top, window.box.top), min(area.bottom, window.box.bottom)
    if left >= right or top >= bottom:
        return []
    name = f"sheet {window.number}"
    words = Words((Line(name, 1.9 * scene.factor, bold=True),), f"{name} goes on here", frame=marks.INK)
    dx, dy = words.width / 2 + 0.8, words.height / 2 + 0.8
    across = area.right - dx if right == area.right else area.left + dx
    down = area.top + dy if top == area.top else area.bottom - dy
    if right - left < bottom - top:  # at the side
        spots = [(across, top + (bottom - top) * t) for t in (0.5, 0.35, 0.65, 0.2, 0.8)]
    else:
        spots = [(left + (right - left) * t, down) for t in (0.5, 0.35, 0.65, 0.2, 0.8)]
    return [(_label(f"sheet {window.number}", words, spots, 0.0, 4, over=True, pull=1.5), words)]


def driver_boxes(scene: Scene) -> Made:
    """A box for each supply point: its drivers, what each gives, and what it feeds."""
    plan, sheet, f = scene.plan, scene.sheet, scene.factor
    made: Made = []
    size = 1.9 * f
    for supply in dict.fromkeys(driver.supply for driver in plan.drivers):
        mounted = [driver for driver in plan.drivers if driver.supply == supply]
        lines: list[Line] = []
        if len(mounted) > 1:
            lines.append(Line(_name(supply, size * 1.1, bold=True), size * 1.1, bold=True))
        for driver in mounted:
            head = f"{isolated(driver.id)}  {driver.model if len(mounted) > 1 else supply}"
            lines.append(Line(_name(head, size * 1.1, bold=True), size * 1.1, bold=True))
            if scene.detail is Detail.KEY:
                continue
            if len(mounted) == 1:
                lines.append(Line(_name(driver.model, size), size))
            load = f"load {number(driver.load_w, 0)} W ({number(driver.load_pct, 0)} %)"
            lines.append(Line(f"tap {number(driver.tap_v, 1)} V, {load}", size))
            circuits = [circuit for circuit in plan.circuits if circuit.driver == driver.id]
            fed = " ".join(isolated(circuit.id) for circuit in circuits)
            lines += [Line(part, size) for part in wrap(f"feeds {fed}", _FED_MM * f, size)[:6]]
            lines += [Line(_name(words, size), size) for words in _groups(circuits)[:6]]
        full = "; ".join(
            f"driver {isolated(driver.id)} at {isolated(supply)}: {isolated(driver.model)}" for driver in mounted
        )
        words = Words(tuple(lines), full, frame=marks.INK)
        at = sheet.at(mounted[0].x, mounted[0].y)
        made.append((_label(f"drivers {supply}", words, [at], marks.SUPPLY_MM * f + 1.0, 0, pull=0.35), words))
    return made


def _groups(circuits: Sequence[CircuitPlan]) -> list[str]:
    """The dim groups that a driver's circuits are in, so that whoever sets the dimmer knows which driver is which."""
    groups: dict[str, list[str]] = {}
    for circuit in circuits:
        if circuit.dim_group:
            groups.setdefault(circuit.dim_group, []).append(isolated(circuit.id))
    if len(groups) == 1 and all(circuit.dim_group for circuit in circuits):
        return [f"dim group {isolated(group)}" for group in groups]
    return [f"dim group {isolated(group)}: {' '.join(ids)}" for group, ids in groups.items()]


def _supplies(scene: Scene) -> Made:
    sheet, f = scene.sheet, scene.factor
    used = {driver.supply for driver in scene.plan.drivers}
    made: Made = []
    for supply in scene.plan.site.supplies:
        if supply.name in used:
            continue
        lines = (Line(_name(supply.name, 1.8 * f), 1.8 * f), Line("not used", 1.6 * f, italic=True))
        words = Words(lines, f"supply point {isolated(supply.name)}, not used")
        at = sheet.at(supply.x, supply.y)
        made.append((_label(f"supply {supply.name}", words, [at], marks.SUPPLY_MM * f + 0.5, 3), words))
    return made


def _lamps(scene: Scene) -> Made:
    f = scene.factor
    made: Made = []
    posts = {joint.post: joint.id for joint in scene.plan.joints if joint.post is not None}
    at_lamps = [joint for joint in scene.plan.joints if joint.id in scene.at_lamps]
    gaps = {scene.at_lamps[joint.id]: _joint_gap(scene, joint) for joint in at_lamps}
    for lamp in scene.plan.lamps:
        name = isolated(lamp.id) if lamp.id not in posts else f"{isolated(lamp.id)} {isolated(posts[lamp.id])}"
        size = 1.9 * f
        lines = (Line(_name(name, size, bold=True), size, bold=True), Line(f"{number(lamp.volts, 2)} V", 1.7 * f))
        full = (
            f"lamp {isolated(lamp.id)}, {isolated(lamp.type)}: {number(lamp.volts, 2)} V predicted, "
            f"joint {isolated(lamp.joint)}"
        )
        words = Words(lines, full)
        at = scene.sheet.at(lamp.x, lamp.y)
        gap = max(marks.LAMP_MM * f + 0.45, gaps.get(lamp.id, 0.0))
        made.append((_label(f"lamp {lamp.id}", words, [at], gap, 1, pull=1.6), words))
    return made


def _joints(scene: Scene) -> Made:
    f = scene.factor
    made: Made = []
    for joint in scene.plan.joints:
        if joint.post is not None:
            continue
        line = Line(_name(joint.id, 1.6 * f), 1.6 * f, bold=joint.hub, colour=scene.styles[joint.circuit].colour)
        words = Words((line,), _joint_full(joint))
        at = scene.sheet.at(joint.x, joint.y)
        made.append((_label(f"joint {joint.id}", words, [at], _joint_gap(scene, joint), 2, pull=1.5), words))
    return made


def _joint_gap(scene: Scene, joint: JointPlan) -> float:
    around = marks.ROUND_LAMP_MM * 0.55 if joint.id in scene.at_lamps else marks.JOINT_MM * 0.7
    return (marks.HUB_MM if joint.hub else around) * scene.factor + 0.35


def _joint_full(joint: JointPlan) -> str:
    meets = ", ".join([*map(isolated, joint.cables), *(f"lead of {isolated(lead)}" for lead in joint.leads)])
    kind = "hub" if joint.hub else "joint"
    return f"{kind} {isolated(joint.id)}, circuit {isolated(joint.circuit)}, {joint.ways} ways: {meets}"


def _tags(scene: Scene) -> Made:
    """The circuit's name on its first piece, and again every so far along the way."""
    made: Made = []
    walked: dict[str, float] = {}
    for strand in scene.strands:
        circuit = strand.cable.circuit
        spots = [stretch.at(0.5) for stretch in sorted(_seen(scene, strand), key=lambda s: (s.company, -s.length))]
        walked[circuit] = walked.get(circuit, _TAG_EVERY_MM) + sum(stretch.length for stretch in strand.stretches)
        if walked[circuit] < _TAG_EVERY_MM or not spots:
            continue
        walked[circuit] = 0.0
        size = 1.7 * scene.factor
        colour = scene.styles[circuit].colour
        line = Line(_name(circuit, size, bold=True), size, bold=True, colour=colour)
        words = Words((line,), f"circuit {isolated(circuit)}", frame=colour)
        key = f"tag {circuit} {strand.cable.id}"
        made.append((_label(key, words, spots[:4], 0.7 * scene.factor, 5, pull=1.2), words))
    return made


def _cables(scene: Scene) -> Made:
    """Each piece by its number and size, where it lies with the fewest others."""
    made: Made = []
    size = 1.5 * scene.factor
    for strand in scene.strands:
        cable = strand.cable
        seen = _seen(scene, strand)
        if not seen:
            continue
        used = scene.plan.cables_used.get(cable.cable)
        parts = [isolated(cable.id), isolated(used.size.removesuffix(" mm²") if used else cable.cable)]
        if scene.detail is Detail.SITE:
            parts.append(f"{number(cable.cut_m, 1)} m")
        best = sorted(seen, key=lambda s: (s.company, -s.length))[:3]
        spots = [s.at(t) for s in best for t in ((0.5,) if s.length < 12 else (0.5, 0.3, 0.7))]
        line = Line(_name(" · ".join(parts), size), size, colour=scene.styles[cable.circuit].colour)
        way = f"{isolated(cable.from_)} to {isolated(cable.to)}, {number(cable.cut_m, 1)} m"
        full = f"piece {isolated(cable.id)}, {isolated(cable.cable)}, circuit {isolated(cable.circuit)}, {way}"
        words = Words((line,), full)
        made.append((_label(f"cable {cable.id}", words, spots, 0.8 * scene.factor, 6, pull=1.2), words))
    return made


def _trenches(scene: Scene) -> Made:
    """Each trench by its number, ground and depth."""
    made: Made = []
    size = 1.45 * scene.factor
    for band in scene.bands:
        trench = band.trench
        whole = _length(band.route)
        if trench.sleeve is not None or whole < _NAMED_MM:
            continue
        lines = list(itertools.pairwise(band.route))
        if not _named_here(scene, lines):
            continue
        parts = [part for a, b in lines if (part := clipped(a, b, scene.sheet.map.shrunk(1.0)))]
        longest = sorted(parts, key=lambda part: -math.dist(*part))[:3]
        spots = [_between(a, b, t) for a, b in longest for t in (0.5, 0.3, 0.7)]
        depth = f"{number(trench.depth_mm, 0)} mm"
        line = Line(_name(f"{isolated(trench.id)} {isolated(trench.ground)} {depth}", size), size, italic=True,
                    colour=marks.EARTH)  # fmt: skip
        full = f"trench {isolated(trench.id)}: {isolated(trench.ground)}, {depth} deep, {number(trench.length_m, 1)} m"
        words = Words((line,), full)
        gap = band.width / 2 + 0.3
        made.append((_label(f"trench {trench.id}", words, spots, gap, 7, pull=0.9), words))
    return made


def _trees(scene: Scene) -> Made:
    sheet, f = scene.sheet, scene.factor
    made: Made = []
    for tree in scene.plan.site.trees:
        name = f"tree {isolated(tree.name)}"  # with the word, for trenches are numbered T too
        line = Line(_name(name, 1.7 * f), 1.7 * f, italic=True, colour="#5b4524")
        words = Words((line,), f"{name}, stem {number(tree.stem_mm, 0)} mm")
        gap = max(0.8, sheet.mm(tree.stem_mm / 2000)) + 0.5
        made.append((_label(f"tree {tree.name}", words, [sheet.at(tree.x, tree.y)], gap, 7), words))
    return made


def _sleeves(scene: Scene) -> Made:
    f = scene.factor
    made: Made = []
    for sleeve in scene.plan.site.sleeves:
        line = Line(_name(f"sleeve {isolated(sleeve.name)}", 1.7 * f), 1.7 * f, italic=True)
        words = Words((line,), f"sleeve {isolated(sleeve.name)}, room for {sleeve.capacity}")
        spots = _spots(scene, sleeve.route)
        made.append((_label(f"sleeve {sleeve.name}", words, spots, 1.6 * f, 7), words))
    return made


def _mains(scene: Scene) -> Made:
    f = scene.factor
    made: Made = []
    for mains in scene.plan.site.mains:
        line = Line(_name(f"mains: {isolated(mains.name)}", 1.7 * f), 1.7 * f, bold=True, colour="#8c1d1d")
        if spots := _spots(scene, mains.route):
            words = Words((line,), f"buried mains {isolated(mains.name)}")
            made.append((_label(f"mains {mains.name}", words, spots, 1.0 * f, 7), words))
    return made


def _pegs(scene: Scene) -> Made:
    f = scene.factor
    made: Made = []
    for peg in scene.plan.site.pegs:
        name = f"peg {isolated(peg.name)}"
        words = Words((Line(_name(name, 1.6 * f), 1.6 * f),), name)
        at = scene.sheet.at(peg.x, peg.y)
        made.append((_label(f"peg {peg.name}", words, [at], marks.PEG_MM * f + 0.4, 7), words))
    return made


def _zones(scene: Scene) -> Made:
    """Names of surveyed zones inside them; trees name themselves."""
    made: Made = []
    area = scene.sheet.map
    window = box(area.left, area.top, area.right, area.bottom)
    for i, zone in enumerate(scene.plan.site.zones):
        if zone.of != "survey":
            continue
        shape = _shape(zone, scene.sheet).intersection(window)
        if shape.is_empty or shape.area < 1.0:
            continue
        size = 2.0 * scene.factor
        line = Line(_name(zone.name, size), size, italic=True, colour="#55554c")
        full = f"{isolated(zone.name)}: {isolated(zone.ground)}{', no digging' if zone.no_dig else ''}"
        words = Words((line,), full)
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


def _seen(scene: Scene, strand: Strand) -> list[Stretch]:
    """What of a cable is on the map; nothing where it is not to be named there."""
    if not _named_here(scene, [(stretch.start, stretch.end) for stretch in strand.stretches]):
        return []
    found = []
    for stretch in strand.stretches:
        if part := clipped(stretch.start, stretch.end, scene.sheet.map.shrunk(1.0)):
            found.append(Stretch(*part, stretch.offset, stretch.company))
    return found


def _named_here(scene: Scene, lines: Sequence[tuple[Point, Point]]) -> bool:
    """Whether enough is on this map, or no other sheet of the set shows more."""
    here = _length_in(scene.sheet.map, lines)
    if scene.detail is not Detail.SITE or here >= _SEEN_MM:
        return here > 0
    return here > 0 and here >= max((_length_in(window.box, lines) for window in scene.windows), default=0.0) - 1e-6


def _length_in(area: Box, lines: Sequence[tuple[Point, Point]]) -> float:
    return sum(math.dist(*part) for a, b in lines if (part := clipped(a, b, area)))


def clipped(a: Point, b: Point, area: Box) -> tuple[Point, Point] | None:
    """The part of a line from a to b inside the area (Liang and Barsky, 1984); None where there is none."""
    t0, t1 = 0.0, 1.0
    for start, step, low, high in (
        (a[0], b[0] - a[0], area.left, area.right),
        (a[1], b[1] - a[1], area.top, area.bottom),
    ):
        if step == 0:
            if not low <= start <= high:
                return None
            continue
        near, far = sorted(((low - start) / step, (high - start) / step))
        t0, t1 = max(t0, near), min(t1, far)
    return (_between(a, b, t0), _between(a, b, t1)) if t0 < t1 else None


def _spots(scene: Scene, route: Sequence[tuple[float, ...]]) -> list[Point]:
    """Middle of the longest part on the map first, then of the others."""
    ways = itertools.pairwise(scene.sheet.route(route))
    parts = [part for a, b in ways if (part := clipped(a, b, scene.sheet.map.shrunk(1.0)))]
    parts.sort(key=lambda part: -math.dist(*part))
    return [_between(a, b, t) for a, b in parts[:6] for t in (0.5, 0.25, 0.75)]


def _holds(area: Box, p: Point) -> bool:
    return area.left < p[0] < area.right and area.top < p[1] < area.bottom


def _length(route: Sequence[Sequence[float]]) -> float:
    return sum(math.dist(a[:2], b[:2]) for a, b in itertools.pairwise(route))


def _between(a: Point, b: Point, t: float) -> Point:
    return a[0] + (b[0] - a[0]) * t, a[1] + (b[1] - a[1]) * t
