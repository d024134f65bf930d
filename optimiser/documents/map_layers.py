"""The map as SVG, layer by layer. In: Plan, MapView. Out: groups, undermost first."""

from __future__ import annotations

import math

from ..plan.model import Plan
from . import marks
from .hatch import hatch
from .labels import Placed
from .map_view import MapView
from .map_words import Line, Words
from .sheet import Box
from .svg import element, group, polyline, rings_path, text, title
from .words import plain


def map_layers(plan: Plan, view: MapView) -> list[str]:
    """Everything inside the map's frame, clipped to it, then its labels and the coordinates on its edge."""
    clipped = [_ground(plan, view), _grid(view), _site_lines(plan, view), _trenches(view), _cables(plan, view)]
    clipped += [_signs(plan, view), _windows(view)]
    return [group(clipped, clip_path="url(#map)"), _labels(view), _edge(view)]


def _ground(plan: Plan, view: MapView) -> str:
    """Tints and hatches: dug ground, then no-dig, then what trees ask for; the dearer lies above as in the accounts."""
    sheet, base = view.sheet, view.grounds[plan.site.base_ground]
    drawn = [_rect(sheet.map, fill=base.tint)]
    zones = sorted(plan.site.zones, key=lambda zone: (zone.no_dig, zone.of == "trunk"))
    window = (sheet.map.left, sheet.map.top, sheet.map.right, sheet.map.bottom)
    for i, zone in enumerate(zones):
        style = view.grounds[zone.ground]
        rings = [sheet.route(ring) for ring in zone.rings]
        faces = [rings_path(rings, fill=style.tint)] if style.tint != "none" else []
        if style.hatch is not None:
            faces.append(hatch(style.hatch, rings, f"zone-{i}", window))
        edge = rings_path(rings, fill="none", stroke=style.outline, stroke_width=0.25, stroke_dasharray=style.dash)
        drawn.append(element("g", title(f"{zone.name}: {zone.ground}") + "".join(faces) + edge))
    for tree in plan.site.trees:
        drawn.append(marks.trunk(sheet.at(tree.x, tree.y), max(0.8, sheet.mm(tree.stem_mm / 2000))))
    return group(drawn, id="ground")


def _site_lines(plan: Plan, view: MapView) -> str:
    sheet, f = view.sheet, view.factor
    drawn = [marks.mains(sheet.route(line.route), f) for line in plan.site.mains]
    laid = {band.trench.sleeve: band.width for band in view.bands if band.trench.sleeve}
    for pipe in plan.site.sleeves:
        drawn.append(marks.sleeve(sheet.route(pipe.route), laid.get(pipe.name, 1.2 * f), f))
    return group(drawn, id="sleeves-and-mains")


def _trenches(view: MapView) -> str:
    dug = [band for band in view.bands if band.trench.sleeve is None]
    return group(
        [marks.trench(band.route, band.width) for band in dug] + [marks.soil(band.route, band.width) for band in dug],
        id="trenches",
    )


def _cables(plan: Plan, view: MapView) -> str:
    drawn = []
    for strand in view.strands:
        style = view.circuits[strand.cable.circuit]
        width = view.widths.get(strand.cable.cable, 0.42 * view.factor)
        drawn.append(marks.cable(strand.route, style, width, view.factor))
    leads = [marks.lead(view.sheet.route(lamp.lead_route), view.factor) for lamp in plan.lamps if lamp.lead_route]
    return group(drawn + leads, id="cables")


def _signs(plan: Plan, view: MapView) -> str:
    sheet, f = view.sheet, view.factor
    used = {driver.supply for driver in plan.drivers}
    posts = {joint.post for joint in plan.joints}
    drawn = [marks.peg(sheet.at(peg.x, peg.y), f) for peg in plan.site.pegs]
    for joint in plan.joints:
        if joint.post is None:
            mark = marks.hub if joint.hub else marks.joint
            round_lamp = joint.id in view.scene.at_lamps
            drawn.append(mark(sheet.at(joint.x, joint.y), f, view.circuits[joint.circuit], round_lamp))
    # Over the hubs: one beside its driver stands a forearm's length off, and its ring is the larger sign.
    drawn += [marks.supply(sheet.at(s.x, s.y), f, s.name in used) for s in plan.site.supplies]
    drawn += [marks.lamp(sheet.at(lamp.x, lamp.y), f, lamp.id in posts) for lamp in plan.lamps]
    return group(drawn, id="signs")


def _labels(view: MapView) -> str:
    leaders = []
    for placed in view.placed:
        if placed.leader:
            colour = view.words[placed.label.key].lines[0].colour
            x, y = placed.leader[0]
            line = polyline(placed.leader, stroke=colour, stroke_width=0.13 * view.factor)
            end = element("circle", cx=x, cy=y, r=0.28 * view.factor, fill=colour)
            leaders.append(element("g", line + end, class_=_kind(placed)))
    return group(leaders + [_label(placed, view.words[placed.label.key]) for placed in view.placed], id="labels")


def _label(placed: Placed, words: Words) -> str:
    drawn = [title(words.full)]
    if words.frame:
        drawn.append(_rect(placed.box, rx=0.5, fill=marks.PAPER, stroke=words.frame, stroke_width=0.22))
    else:
        drawn.append(_rect(placed.box, fill=marks.PAPER, fill_opacity=0.72))
    # Lines are not of one length, nor are letters in all fonts: they stand at that end of the box where the thing is.
    at_end = not words.frame and placed.left + placed.label.width / 2 < placed.anchor[0] - 0.25 * placed.label.width
    x = placed.box.right - words.pad if at_end else placed.left + words.pad
    y = placed.top + words.pad
    for line in words.lines:
        drawn.append(_line(line, x, y, "end" if at_end else None))
        y += 1.12 * line.size
    return element("g", "".join(drawn), class_=_kind(placed))


def _kind(placed: Placed) -> str:
    """What sort of thing a label names, for readers that hide some of them."""
    return f"of-{placed.label.key.partition(' ')[0]}"


def _line(line: Line, x: float, top: float, anchor: str | None) -> str:
    return text(
        x, top + 0.88 * line.size, line.words, line.size, fill=line.colour,
        font_weight="bold" if line.bold else None, font_style="italic" if line.italic else None, text_anchor=anchor,
        textLength=line.measured, lengthAdjust=None if line.measured is None else "spacingAndGlyphs",
    )  # fmt: skip


def _windows(view: MapView) -> str:
    """Edges of the other sheets of the set."""
    drawn = [
        _rect(window.box, fill="none", stroke=marks.INK, stroke_width=0.25, stroke_dasharray="7 1.5 1 1.5")
        for window in view.scene.windows
    ]
    return group(drawn, id="windows")


def _grid(view: MapView) -> str:
    """A cross at every meeting of the lines that the edge numbers."""
    across, up = _grid_lines(view)
    crosses = "".join(f"M{x - 1:.2f} {y:.2f}h2M{x:.2f} {y - 1:.2f}v2" for x, _ in across for y, _ in up)
    return group([element("path", d=crosses, fill="none", stroke="#7d7d78", stroke_width=0.1)] if crosses else [],
                 id="grid")  # fmt: skip


def _grid_lines(view: MapView) -> tuple[list[tuple[float, str]], list[tuple[float, str]]]:
    """Where the lines of whole metres lie on the sheet, and their numbers: those of x, those of y."""
    sheet = view.sheet
    area = sheet.map
    step_m = next(step for step in (1, 2, 5, 10, 20, 50, 100, 200, 500, 1000, 10**9) if sheet.mm(step) >= 18)
    west, north = sheet.ground_at(area.left, area.top)
    east, south = sheet.ground_at(area.right, area.bottom)
    columns = range(math.ceil(west / step_m), math.floor(east / step_m) + 1)
    rows = range(math.ceil(south / step_m), math.floor(north / step_m) + 1)
    return (
        [(sheet.at(k * step_m, 0)[0], f"{k * step_m}") for k in columns],
        [(sheet.at(0, k * step_m)[1], f"{k * step_m}") for k in rows],
    )


def _edge(view: MapView) -> str:
    """Frame with coordinates in metres, to find and set out by."""
    area = view.sheet.map
    drawn = [_rect(area, fill="none", stroke=marks.INK, stroke_width=0.35)]
    size = 1.7 * max(1.0, min(view.factor, 1.2))
    across, up = _grid_lines(view)
    for x, metres in across:
        drawn.append(polyline([(x, area.bottom), (x, area.bottom + 1.2)], stroke=marks.INK, stroke_width=0.2))
        drawn.append(text(x, area.bottom + 3.4, metres, size, text_anchor="middle"))
    for y, metres in up:
        drawn.append(polyline([(area.left - 1.2, y), (area.left, y)], stroke=marks.INK, stroke_width=0.2))
        turned = f"rotate(-90 {area.left - 1.8:.2f} {y:.2f})"
        drawn.append(text(area.left - 1.8, y, metres, size, text_anchor="middle", transform=turned))
    return group(drawn, id="edge")


def _rect(area: Box, **attributes: float | str | None) -> str:
    return element("rect", x=area.left, y=area.top, width=area.width, height=area.height, **attributes)


def describe(plan: Plan) -> str:
    """One sentence for readers who hear the drawing."""
    return (
        f"Plan of {plain(plan.job.title)}: {len(plan.lamps)} lamps, {len(plan.drivers)} drivers, "
        f"{len(plan.circuits)} circuits, {len(plan.cables)} pieces of cable."
    )
