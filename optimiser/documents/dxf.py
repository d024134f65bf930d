"""The plan as DXF, for drawing programs. In: Plan. Out: bytes, the same for the same plan.

Metres, one layer for each kind of thing, names as text beside them, none over another. Routes with heights are 3D
polylines.
"""

from __future__ import annotations

import io
import itertools
import math
import re
from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np
from shapely import Polygon, make_valid

from ..plan.model import Plan
from .plan_file import plan_digest
from .svg import text_width
from .words import number, plain

if TYPE_CHECKING:
    from ezdxf.layouts import Modelspace

_TEXT_M = 0.18
_CAPITAL = 0.7  # height of a capital letter, by which the format counts, over the size of its font
_SHIFTS_M = tuple(sign * 1.6 * _TEXT_M * lines for lines in range(60) for sign in ((1, -1) if lines else (1,)))
_FIRST = ("LAMPS", "JOINTS", "HUBS", "DRIVERS", "SUPPLIES", "PEGS", "CABLES", "TRENCHES", "SLEEVES", "MAINS", "TREES")
"""Texts of these keep nearest to their place."""
# layer: colour number of the format, line type
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
    "DRIVERS": (7, "CONTINUOUS"),
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
        space, texts = drawing.modelspace(), _Texts()
        _site(plan, space, texts)
        _wiring(plan, space, texts)
        texts.write(space)
        _notes(plan, space)
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


class _Texts:
    """Texts to be written, each where none other stands."""

    def __init__(self) -> None:
        self._waiting: list[tuple[int, str, str, tuple[float, float]]] = []

    def put(self, layer: str, words: str, place: tuple[float, float]) -> None:
        self._waiting.append((_FIRST.index(layer) if layer in _FIRST else len(_FIRST), layer, words, place))

    def write(self, space: Modelspace) -> None:
        """In order of the layers' rank: beside its place, or so many lines below or above it."""
        boxes = np.empty((len(self._waiting), 4))
        for i, (_, layer, words, (x, y)) in enumerate(sorted(self._waiting, key=lambda text: text[0])):
            width = text_width(plain(words), _TEXT_M / _CAPITAL)
            for shift in _SHIFTS_M:
                box = np.array([x, y + shift, x + width, y + shift + 1.5 * _TEXT_M])
                if not ((boxes[:i, :2] < box[2:]) & (boxes[:i, 2:] > box[:2])).all(axis=1).any():
                    break
            boxes[i] = box
            _text(space, layer, words, (x, y + shift))


def _site(plan: Plan, space: Modelspace, texts: _Texts) -> None:
    for zone in plan.site.zones:
        layer = "NO_DIG" if zone.no_dig else "ZONES"
        for ring in zone.rings:
            space.add_lwpolyline(ring, close=True, dxfattribs={"layer": layer})
        inside = make_valid(Polygon(zone.rings[0], zone.rings[1:])).representative_point()
        texts.put(layer, f"{zone.name}: {zone.ground}", (inside.x, inside.y))
    for sleeve in plan.site.sleeves:
        _route(space, texts, "SLEEVES", sleeve.route, sleeve.name)
    for mains in plan.site.mains:
        _route(space, texts, "MAINS", mains.route, f"mains {mains.name}")
    for tree in plan.site.trees:
        space.add_circle((tree.x, tree.y), max(tree.stem_mm / 2000, 0.01), dxfattribs={"layer": "TREES"})
        texts.put("TREES", tree.name, (tree.x, tree.y))
    for peg in plan.site.pegs:
        _point(space, texts, "PEGS", (peg.x, peg.y, peg.z or 0.0), peg.name)
    for supply in plan.site.supplies:
        _point(space, texts, "SUPPLIES", (supply.x, supply.y, supply.z or 0.0), supply.name)


def _wiring(plan: Plan, space: Modelspace, texts: _Texts) -> None:
    for trench in plan.trenches:
        says = f"{trench.id} {trench.sleeve or trench.ground} {number(trench.depth_mm, 0)} mm"
        _route(space, texts, "TRENCHES", trench.route, says)
    for cable in plan.cables:
        says = f"{cable.id} {plan.cables_used[cable.cable].size} {number(cable.cut_m, 1)} m"
        _route(space, texts, "CABLES", cable.route, says)
    for joint in plan.joints:
        _point(space, texts, "HUBS" if joint.hub else "JOINTS", (joint.x, joint.y, joint.z or 0.0), joint.id)
    height = {supply.name: supply.z or 0.0 for supply in plan.site.supplies}
    for driver in plan.drivers:
        says = f"{driver.id} {driver.model} {number(driver.load_w, 0)} W"
        _point(space, texts, "DRIVERS", (driver.x, driver.y, height.get(driver.supply, 0.0)), says)
    for lamp in plan.lamps:
        if len(lamp.lead_route) > 1:
            _route(space, texts, "LEADS", lamp.lead_route, None)
        _point(space, texts, "LAMPS", (lamp.x, lamp.y, lamp.z or 0.0), f"{lamp.id} {number(lamp.volts, 2)} V")


def _notes(plan: Plan, space: Modelspace) -> None:
    """What the drawing is of, below everything; the cautions with it."""
    from .cautions import cautions

    places = [(lamp.x, lamp.y) for lamp in plan.lamps] + [(driver.x, driver.y) for driver in plan.drivers]
    places += [place for zone in plan.site.zones for place in zone.rings[0]]
    x, y = min(place[0] for place in places), min(place[1] for place in places) - 2.0
    says = [plan.job.title, f"metres, x and y of the survey; plan.json sha256 {plan_digest(plan)}", *cautions(plan)]
    for i, sentence in enumerate(says):
        _text(space, "NOTES", sentence, (x, y - 1.8 * _TEXT_M * i))


def _route(space: Modelspace, texts: _Texts, layer: str, route: Sequence[tuple[float, ...]], says: str | None) -> None:
    if any(len(place) == 3 for place in route):
        places = [(place[0], place[1], place[2] if len(place) == 3 else 0.0) for place in route]
        space.add_polyline3d(places, dxfattribs={"layer": layer})
    else:
        space.add_lwpolyline([place[:2] for place in route], dxfattribs={"layer": layer})
    if says is not None:
        a, b = max(itertools.pairwise(route), key=lambda part: math.dist(part[0][:2], part[1][:2]))
        texts.put(layer, says, ((a[0] + b[0]) / 2, (a[1] + b[1]) / 2))


def _point(space: Modelspace, texts: _Texts, layer: str, place: tuple[float, float, float], says: str) -> None:
    space.add_point(place, dxfattribs={"layer": layer})
    space.add_circle(place, 0.06, dxfattribs={"layer": layer})
    texts.put(layer, says, (place[0] + 0.1, place[1] + 0.05))


def _text(space: Modelspace, layer: str, words: str, place: tuple[float, float]) -> None:
    space.add_text(dxf_text(words), height=_TEXT_M, dxfattribs={"layer": layer}).set_placement(place)
