"""A survey drawn to scale on one sheet, with what looks wrong marked by number. In: Look. Out: SVG text."""

from __future__ import annotations

import math
from collections.abc import Iterable

import shapely
from shapely import Polygon

from ..documents import marks
from ..documents.hatch import hatch
from ..documents.labels import Ink, Label, place_labels
from ..documents.measured import measured_width
from ..documents.palette import style_by_name
from ..documents.sheet import Box, Sheet
from ..documents.svg import Point as Spot
from ..documents.svg import cut_to_width, element, group, num, polyline, rings_path, text, text_width, title, wrap
from ..documents.words import number
from ..survey.points import fold
from ..survey.zones import name_grounds, root_radius_m
from .look import Look

_SCALES = (10, 20, 25, 50, 75, 100, 125, 150, 200, 250, 300, 400, 500, 750, 1000, 1500, 2000, 2500, 5000)
_FRAME_MM, _BAND_MM, _PANEL_MM = 8.0, 5.0, 92.0
_MOST_SIGNS = 4000
_MOST_LABELS = 260
_ERROR_MM = 0.8  # smaller circles of error hide behind their sign
_RED = "#b3261e"
_PEG = "#0060a8"
_SIGN = {"lamp": 1.2, "supply": 1.3, "peg": 1.2}
"""How much larger than at their least these signs are drawn."""


def draw_survey(look: Look) -> str:
    """SVG with real text, all names escaped, no date and no outside file in it."""
    sheet = _sheet(look)
    area, inner = sheet.map, Box(0, 0, sheet.width, sheet.height).shrunk(_FRAME_MM)
    clip = element("rect", x=area.left, y=area.top, width=area.width, height=area.height)
    head = title(f"Survey of {look.title}, 1 : {sheet.scale}")
    body = [
        head,
        element("defs", element("clipPath", clip, id="map")),
        element("rect", x=0, y=0, width=sheet.width, height=sheet.height, fill=marks.PAPER),
        group(_ground(look, sheet), clip_path="url(#map)"),
        group(_findings(look, sheet)),
        group(_labels(look, sheet)),
        group(_edge(sheet)),
        group(_panel(look, sheet)),
        element(
            "rect", x=inner.left, y=inner.top, width=inner.width, height=inner.height, fill="none", stroke=marks.INK,
            stroke_width=0.5,
        ),
    ]  # fmt: skip
    svg = element(
        "svg", "\n" + "\n".join(body) + "\n", xmlns="http://www.w3.org/2000/svg",
        width=f"{num(sheet.width)}mm", height=f"{num(sheet.height)}mm",
        viewBox=f"0 0 {num(sheet.width)} {num(sheet.height)}", font_family="sans-serif", fill=marks.INK,
    )  # fmt: skip
    return f'<?xml version="1.0" encoding="UTF-8"?>\n{svg}\n'


def _ground(look: Look, sheet: Sheet) -> list[str]:
    return [*_zones(look, sheet), *_lines(look, sheet), *_errors(look, sheet), *_signs(look, sheet)]


def _whole(look: Look) -> list[tuple[float, float]]:
    places = [(point.x, point.y) for point in look.points.points if point.whole]
    return places or [(0.0, 0.0)]


def _sheet(look: Look) -> Sheet:
    """A3 lying, the panel at its right, or upright with the panel below: whichever allows the larger scale."""
    places = _whole(look)
    west, east = min(x for x, _ in places), max(x for x, _ in places)
    south, north = min(y for _, y in places), max(y for _, y in places)
    sheets = []
    for width, height, beside in ((420.0, 297.0, True), (297.0, 420.0, False)):
        inner = Box(0, 0, width, height).shrunk(_FRAME_MM)
        if beside:
            panel = Box(inner.right - _PANEL_MM, inner.top, _PANEL_MM, inner.height)
            area = Box(inner.left, inner.top, inner.width - _PANEL_MM, inner.height)
        else:
            panel = Box(inner.left, inner.bottom - 110, inner.width, 110)
            area = Box(inner.left, inner.top, inner.width, inner.height - 110)
        area = area.shrunk(_BAND_MM)
        needed = 1000 * max((east - west) / (area.width - 24), (north - south) / (area.height - 24))
        scale = next((scale for scale in _SCALES if scale >= needed), math.ceil(needed / 1000) * 1000)
        middle = ((west + east) / 2, (south + north) / 2)
        sheets.append(Sheet(width, height, area, panel, 1 if beside else 3, scale, *middle))
    return min(sheets, key=lambda sheet: sheet.scale)


# --- the map


def _zones(look: Look, sheet: Sheet) -> list[str]:
    drawn = []
    closed: dict[str, tuple[bool, bool]] = {}
    grounds: dict[str, str] = {}
    if look.job is not None:
        for zone in name_grounds(look.outlines, look.job, "")[0]:
            ground = look.job.grounds[zone.ground]
            closed[zone.name] = (ground.no_dig, ground.is_water)
            grounds[zone.name] = ground.kind
    area = sheet.map
    within = (area.left, area.top, area.right, area.bottom)
    order = sorted(range(len(look.outlines)), key=lambda k: -look.outlines[k][2].area)
    for k in order:
        name, _, polygon = look.outlines[k]
        no_dig, water = closed.get(name, (False, False))
        kind = grounds.get(name, name)
        style = style_by_name(name if kind == "no_dig" else kind, no_dig=no_dig, water=water)
        rings = [sheet.route(ring.coords) for ring in (polygon.exterior, *polygon.interiors)]
        parts = [title(name), rings_path(rings, fill=style.tint)]
        if style.hatch is not None and k in order[:200]:
            parts.append(hatch(style.hatch, rings, f"zone{k}", within))
        parts.append(rings_path(rings, fill="none", stroke=style.outline, stroke_width=0.25))
        drawn.append(element("g", "".join(parts)))
    drawn += [
        polyline(sheet.route(ring), stroke=_RED, stroke_width=0.3, stroke_dasharray="1.4 1") for ring in _broken(look)
    ]
    for tree in (point for point in look.points.points if point.kind == "tree" and point.whole):
        at = sheet.at(tree.x, tree.y)
        if look.job is not None:
            radius = sheet.mm(root_radius_m(tree.stem_mm, look.job.trees))
            drawn.append(
                element("circle", cx=at[0], cy=at[1], r=radius, fill="none", stroke="#8d7650", stroke_width=0.2,
                        stroke_dasharray="1.6 1.2")
            )  # fmt: skip
        drawn.append(marks.trunk(at, max(0.9, sheet.mm(tree.stem_mm / 2000))))
    return drawn


def _broken(look: Look) -> list[list[Spot]]:
    """Rings of zones that cannot be used, closed, as they were measured."""
    used = {fold(name) for name, _, _ in look.outlines}
    rings: dict[tuple[str, int], list[Spot]] = {}
    for point in look.points.points:
        if point.kind == "corner" and point.whole and fold(point.of) not in used:
            rings.setdefault((fold(point.of), point.ring), []).append((point.x, point.y))
    return [[*ring, ring[0]] for ring in rings.values()]


def _lines(look: Look, sheet: Sheet) -> list[str]:
    drawn = []
    for chains, colour, dash in ((look.sleeves, "#444444", "2.2 1"), (look.mains, _RED, "4 1 1 1")):
        for name, chain in chains:
            route = [sheet.at(point.x, point.y) for point in chain]
            line = polyline(route, stroke=colour, stroke_width=0.6, stroke_dasharray=dash)
            drawn.append(element("g", title(name) + line))
    return drawn


def _errors(look: Look, sheet: Sheet) -> list[str]:
    """Round each point the circle that holds it in two of three cases, at the scale of the map."""
    drawn = []
    for placed in look.reduced.placed.values():
        if math.isnan(placed.error_m):
            continue
        radius = sheet.mm(placed.error_m)
        if radius > _ERROR_MM:
            x, y = sheet.at(placed.x, placed.y)
            drawn.append(
                element("circle", cx=x, cy=y, r=radius, fill=_PEG, fill_opacity=0.07, stroke=_PEG, stroke_width=0.15,
                        stroke_dasharray="0.8 0.6")
            )  # fmt: skip
    return drawn[:_MOST_SIGNS]


def _signs(look: Look, sheet: Sheet) -> list[str]:
    drawn = []
    types = look.job.lamps if look.job is not None else {}
    for point in look.points.points:
        if not point.whole:
            continue
        at = sheet.at(point.x, point.y)
        if point.kind == "lamp":
            sign = marks.lamp(at, _SIGN["lamp"], post=point.of in types and types[point.of].terminals)
        elif point.kind == "supply":
            sign = marks.supply(at, _SIGN["supply"], used=True)
        elif point.kind == "peg":
            sign = marks.peg(at, _SIGN["peg"])
        elif point.kind == "corner":
            sign = element("circle", cx=at[0], cy=at[1], r=0.35, fill="#77776c")
        else:
            continue
        drawn.append(element("g", title(point.name or point.of) + sign))
        if len(drawn) >= _MOST_SIGNS:
            break
    return drawn


def _findings(look: Look, sheet: Sheet) -> list[str]:
    """A ring round the place of each finding, numbered as in the list; a broken one where tapes disagree."""
    drawn = []
    for finding in look.findings:
        if finding.place is not None:
            x, y = sheet.at(*finding.place)
            drawn.append(element("circle", cx=x, cy=y, r=2.6, fill="none", stroke=_RED, stroke_width=0.45))
    for row in sorted({tape.to for tape in look.reduced.tapes if tape.verdict}):
        placed = look.reduced.placed[row]
        x, y = sheet.at(placed.x, placed.y)
        ring = element(
            "circle", cx=x, cy=y, r=2.2, fill="none", stroke=_RED, stroke_width=0.35, stroke_dasharray="1 0.7"
        )
        drawn.append(element("g", title("a tape to it is probably wrong") + ring))
    return drawn


def _labels(look: Look, sheet: Sheet) -> list[str]:
    ink = Ink(sheet.map)
    for _, _, polygon in look.outlines:
        for ring in (polygon.exterior, *polygon.interiors):
            ink.line(sheet.route(ring.coords), 0.12)
    labels: list[Label] = []
    words: dict[str, tuple[str, float, str, bool]] = {}
    for point in look.points.points:
        if point.whole and point.kind != "corner":
            ink.disc(sheet.at(point.x, point.y), _reach_mm(point.kind) + 0.2, 2.0)

    def add(key: str, shown: str, size: float, colour: str, bold: bool, anchors: Iterable[Spot], **more: float) -> None:
        shown = cut_to_width(shown, 40, size, bold=bold)
        words[key] = (shown, size, colour, bold)
        known = measured_width(shown, size, "B" if bold else "")
        wide, high = (text_width(shown, size, bold=bold) if known is None else known) + 0.6, size * 1.15
        over = bool(more.get("over", 0))
        labels.append(Label(key, wide, high, tuple(anchors), more.get("gap", 1.6), int(more.get("rank", 3)), over=over))

    for number_of, finding in enumerate(look.findings, start=1):
        if finding.place is not None:
            add(f"finding {number_of}", str(number_of), 3.0, _RED, True, [sheet.at(*finding.place)], gap=3.0, rank=0)
    named = [point for point in look.points.points if point.whole and point.kind in ("lamp", "supply", "peg", "tree")]
    for k, point in enumerate(named[:_MOST_LABELS]):
        colour = _PEG if point.kind == "peg" else marks.INK
        at = sheet.at(point.x, point.y)
        add(f"{point.kind} {k}", point.name, 2.2, colour, point.kind in ("supply", "peg"), [at], rank=2,
            gap=_reach_mm(point.kind) + 0.5)  # fmt: skip
    for k, (name, _, polygon) in enumerate(look.outlines[:60]):
        shape = Polygon(sheet.route(polygon.exterior.coords), [sheet.route(r.coords) for r in polygon.interiors])
        if shape.area > 30:
            middles = (shapely.maximum_inscribed_circle(shape, tolerance=0.5), shape.representative_point())
            spots = [(middle.coords[0][0], middle.coords[0][1]) for middle in middles]
            words_of = f"{name}, {number(polygon.area, 1)} m²"
            add(f"zone {k}", words_of, 2.2, "#55554c", False, spots, gap=0.0, rank=5, over=1)
    for chains in (look.sleeves, look.mains):
        for k, (name, chain) in enumerate(chains[:40]):
            a, b = (sheet.at(point.x, point.y) for point in chain[:2])
            add(f"line {name} {k}", name, 2.0, "#444444", False, [((a[0] + b[0]) / 2, (a[1] + b[1]) / 2)], rank=4)
    placed, _ = place_labels(labels, ink)
    drawn = []
    for one in placed:
        shown, size, colour, bold = words[one.label.key]
        if one.leader:
            drawn.append(polyline(one.leader, stroke=colour, stroke_width=0.15))
        drawn.append(
            element("rect", x=one.left, y=one.top, width=one.label.width, height=one.label.height, fill=marks.PAPER,
                    fill_opacity=0.75)
        )  # fmt: skip
        known = measured_width(shown, size, "B" if bold else "")
        drawn.append(
            text(one.left + 0.3, one.top + 0.9 * size, shown, size, fill=colour, font_weight="bold" if bold else None,
                 textLength=known, lengthAdjust=None if known is None else "spacingAndGlyphs")
        )  # fmt: skip
    return drawn


def _reach_mm(kind: str) -> float:
    """How far the sign of a point goes from its place."""
    least = {"lamp": marks.LAMP_MM, "supply": marks.SUPPLY_MM + 0.15, "peg": marks.PEG_MM}.get(kind, 1.0)
    return least * _SIGN.get(kind, 1.0)


def _edge(sheet: Sheet) -> list[str]:
    """Frame with coordinates in metres."""
    area = sheet.map
    step_m = next(step for step in (1, 2, 5, 10, 20, 50, 100, 200, 500, 1000, 2000, 10**9) if sheet.mm(step) >= 18)
    drawn = [
        element("rect", x=area.left, y=area.top, width=area.width, height=area.height, fill="none", stroke=marks.INK,
                stroke_width=0.35)
    ]  # fmt: skip
    half_x, half_y = area.width / 2 * sheet.scale / 1000, area.height / 2 * sheet.scale / 1000
    for k in range(math.ceil((sheet.x_m - half_x) / step_m), math.floor((sheet.x_m + half_x) / step_m) + 1):
        x, _ = sheet.at(k * step_m, 0)
        drawn.append(polyline([(x, area.bottom), (x, area.bottom + 1.2)], stroke=marks.INK, stroke_width=0.2))
        drawn.append(text(x, area.bottom + 3.4, f"{k * step_m}", 1.8, text_anchor="middle"))
    for k in range(math.ceil((sheet.y_m - half_y) / step_m), math.floor((sheet.y_m + half_y) / step_m) + 1):
        _, y = sheet.at(0, k * step_m)
        drawn.append(polyline([(area.left - 1.2, y), (area.left, y)], stroke=marks.INK, stroke_width=0.2))
        turned = f"rotate(-90 {area.left - 1.8:.2f} {y:.2f})"
        drawn.append(text(area.left - 1.8, y, f"{k * step_m}", 1.8, text_anchor="middle", transform=turned))
    return drawn


# --- the panel


def _panel(look: Look, sheet: Sheet) -> list[str]:
    """Title, scale, legend, and the list of what looks wrong, in as many columns as there is room for."""
    panel = sheet.panel.shrunk(4.0)
    gap = 6.0
    width = (panel.width - gap * (sheet.columns - 1)) / sheet.columns
    drawn: list[str] = []
    x, y, column = panel.left, panel.top, 0

    def room(height: float) -> bool:
        nonlocal x, y, column
        if y + height <= panel.bottom:
            return True
        if column + 1 >= sheet.columns:
            return False
        column, x, y = column + 1, x + width + gap, panel.top
        return True

    for line in wrap(look.title, width, 4.6, bold=True)[:3]:
        y += 5.4
        drawn.append(text(x, y, line, 4.6, font_weight="bold"))
    y += 4.6
    drawn.append(text(x, y, f"Survey, 1 : {number(sheet.scale, 0)} on A3, coordinates in m", 2.6))
    y += 7
    signs = (
        ("lamp", marks.lamp((x + 2, y - 0.9), 1.2)), ("supply", marks.supply((x + 30, y - 0.9), 1.2, used=True)),
        ("peg", marks.peg((x + 60, y - 0.9), 1.2)),
    )  # fmt: skip
    for (word, sign), left in zip(signs, (0, 28, 58), strict=True):
        drawn += [sign, text(x + left + 5, y, "supply point" if word == "supply" else word, 2.4)]
    y += 5
    if look.reduced.placed:
        drawn.append(
            element("circle", cx=x + 2, cy=y - 0.8, r=1.6, fill=_PEG, fill_opacity=0.07, stroke=_PEG, stroke_width=0.15,
                    stroke_dasharray="0.8 0.6")
        )  # fmt: skip
        drawn.append(text(x + 5, y, "holds the point in two of three cases", 2.4))
        y += 5
    sentences = [(str(k), finding.words) for k, finding in enumerate(look.findings, start=1)]
    sentences += [("", words) for words in look.notes]
    for problem in look.problems:
        if problem.file == look.file:  # what is missing in the job file does not show on the ground
            place = ", ".join(filter(None, [f"row {problem.line}" if problem.line else "", problem.field]))
            sentences.append(("!", f"{place}{': ' if place else ''}{problem.found}; {problem.mend}"))
    y += 3
    heading = "To look at" if sentences else "Nothing looks wrong"
    drawn.append(text(x, y, heading, 3.0, font_weight="bold"))
    y += 1.5
    for k, (mark, words) in enumerate(sentences):
        lines = wrap(words, width - 6, 2.4)
        if not room(3.1 * len(lines) + 5):
            drawn.append(text(x, y + 3.1, f"… and {len(sentences) - k} more", 2.4))
            break
        colour = _RED if mark else marks.INK
        drawn.append(text(x + 4.2, y + 3.1, mark or "–", 2.4, text_anchor="end", fill=colour, font_weight="bold"))
        for line in lines:
            y += 3.1
            drawn.append(text(x + 6, y, line, 2.4))
        y += 0.9
    return drawn
