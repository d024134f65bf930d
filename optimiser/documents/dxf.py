"""The plan as DXF, for drawing programs. In: Plan. Out: bytes, the same for the same plan.

Metres, one layer for each kind of thing, names as text beside them. Routes with heights are 3D polylines.
"""

from __future__ import annotations

import io
import itertools
import math
import re
from collections.abc import Sequence
from typing import TYPE_CHECKING

from ..plan.model import Plan
from .plan_file import plan_digest
from .words import number, plain

if TYPE_CHECKING:
    from ezdxf.document import Drawing
    from ezdxf.layouts import Modelspace

_TEXT_M = 0.18
# layer: AutoCAD colour index, line type
LAYERS = {
    "ZONES": (8, "CONTINUOUS"),
    "NO_DIG": (1, "CONTINUOUS"),
    "SLEEVES": (4, "CONTINUOUS"),
    "MAINS": (1, "DASHDOT"),
    "TREES": (3, "CONTINUOUS"),
    "PEGS": (7, "CONTINUOUS"),
    "SUPPLIES": (7, "CONTINUOUS"),
    "TRENCHES": (34, "CONTINUOUS"),
    "CABLES": (5, "CONTINUOUS"),
    "LEADS": (5, "DASHED"),
    "JOINTS": (5, "CONTINUOUS"),
    "HUBS": (6, "CONTINUOUS"),
    "DRIVERS": (2, "CONTINUOUS"),
    "LAMPS": (30, "CONTINUOUS"),
    "NOTES": (7, "CONTINUOUS"),
}


def plan_dxf(plan: Plan) -> bytes:
    """DXF of release 2010, whose texts are UTF-8."""
    from ezdxf import new, options, units

    fixed = options.write_fixed_meta_data_for_testing
    options.write_fixed_meta_data_for_testing = True  # no clock, no random id
    try:
        drawing = new("R2010", setup=["linetypes"], units=units.M)
        for name, (colour, line_type) in LAYERS.items():
            drawing.layers.add(name, color=colour, linetype=line_type)
        _site(plan, drawing.modelspace())
        _wiring(plan, drawing.modelspace())
        _notes(plan, drawing)
        for kind in sorted(drawing.entitydb.dxf_types_in_use()):  # ezdxf would take them in the order of a set
            drawing.classes.add_class(kind)
        stream = io.StringIO()
        drawing.write(stream)
        return stream.getvalue().encode("utf-8", "surrogateescape")
    finally:
        options.write_fixed_meta_data_for_testing = fixed


def dxf_text(words: str) -> str:
    """Words as a DXF text shows them: a percent sign or a caret would start a code."""
    safe = re.sub(r"%(?=%)|(?<=%)%", "%%%", plain(words)).replace("^", "^ ")
    return re.sub(r"\\(?=[UM]\+)", r"\\ ", safe)


def _site(plan: Plan, space: Modelspace) -> None:
    for zone in plan.site.zones:
        layer = "NO_DIG" if zone.no_dig else "ZONES"
        for ring in zone.rings:
            space.add_lwpolyline(ring, close=True, dxfattribs={"layer": layer})
        x = sum(place[0] for place in zone.rings[0]) / len(zone.rings[0])
        y = sum(place[1] for place in zone.rings[0]) / len(zone.rings[0])
        _text(space, layer, f"{zone.name}: {zone.ground}", (x, y))
    for sleeve in plan.site.sleeves:
        _route(space, "SLEEVES", sleeve.route, sleeve.name)
    for mains in plan.site.mains:
        _route(space, "MAINS", mains.route, f"mains {mains.name}")
    for tree in plan.site.trees:
        space.add_circle((tree.x, tree.y), max(tree.stem_mm / 2000, 0.01), dxfattribs={"layer": "TREES"})
        _text(space, "TREES", tree.name, (tree.x, tree.y))
    for peg in plan.site.pegs:
        _point(space, "PEGS", (peg.x, peg.y, peg.z or 0.0), peg.name)
    for supply in plan.site.supplies:
        _point(space, "SUPPLIES", (supply.x, supply.y, supply.z or 0.0), supply.name)


def _wiring(plan: Plan, space: Modelspace) -> None:
    for trench in plan.trenches:
        says = f"{trench.id} {trench.sleeve or trench.ground} {number(trench.depth_mm, 0)} mm"
        _route(space, "TRENCHES", trench.route, says)
    for cable in plan.cables:
        says = f"{cable.id} {plan.cables_used[cable.cable].size} {number(cable.cut_m, 1)} m"
        _route(space, "CABLES", cable.route, says)
    for joint in plan.joints:
        _point(space, "HUBS" if joint.hub else "JOINTS", (joint.x, joint.y, joint.z or 0.0), joint.id)
    for driver in plan.drivers:
        says = f"{driver.id} {driver.model} {number(driver.load_w, 0)} W"
        _point(space, "DRIVERS", (driver.x, driver.y, 0.0), says)
    for lamp in plan.lamps:
        if len(lamp.lead_route) > 1:
            _route(space, "LEADS", lamp.lead_route, None)
        _point(space, "LAMPS", (lamp.x, lamp.y, lamp.z or 0.0), f"{lamp.id} {number(lamp.volts, 2)} V")


def _notes(plan: Plan, drawing: Drawing) -> None:
    """What the drawing is of, below its middle; the cautions with it."""
    from .cautions import cautions

    x = min(lamp.x for lamp in plan.lamps)
    y = min(lamp.y for lamp in plan.lamps) - 4.0
    says = [plan.job.title, f"metres, x and y of the survey; plan.json sha256 {plan_digest(plan)}", *cautions(plan)]
    for i, sentence in enumerate(says):
        _text(drawing.modelspace(), "NOTES", sentence, (x, y - 1.8 * _TEXT_M * i))


def _route(space: Modelspace, layer: str, route: Sequence[tuple[float, ...]], says: str | None) -> None:
    if any(len(place) == 3 for place in route):
        places = [(place[0], place[1], place[2] if len(place) == 3 else 0.0) for place in route]
        space.add_polyline3d(places, dxfattribs={"layer": layer})
    else:
        space.add_lwpolyline([place[:2] for place in route], dxfattribs={"layer": layer})
    if says is not None:
        a, b = max(itertools.pairwise(route), key=lambda part: math.dist(part[0][:2], part[1][:2]))
        _text(space, layer, says, ((a[0] + b[0]) / 2, (a[1] + b[1]) / 2))


def _point(space: Modelspace, layer: str, place: tuple[float, float, float], says: str) -> None:
    space.add_point(place, dxfattribs={"layer": layer})
    space.add_circle(place, 0.06, dxfattribs={"layer": layer})
    _text(space, layer, says, (place[0] + 0.1, place[1] + 0.05))


def _text(space: Modelspace, layer: str, words: str, place: tuple[float, float]) -> None:
    space.add_text(dxf_text(words), height=_TEXT_M, dxfattribs={"layer": layer}).set_placement(place)
