"""The plan to scale, to dig by. In: Plan. Out: SVG of one A3 sheet, in millimetres.

Drawn from the plan alone; the same plan gives the same bytes. ``lay_out`` is what ``draw_plan`` draws, so that tests
can ask where things are.
"""

from __future__ import annotations

from ..plan.model import Plan
from . import marks
from .map_layers import describe, map_layers
from .map_view import MapView, view_map
from .panel import draw_panel, panel_fits
from .sheet import FRAME_MM, Box, Sheet, possible_sheets
from .svg import element, num, title


def lay_out(plan: Plan) -> tuple[MapView, str]:
    """Where everything on the map is, and the panel: on the sheet of the largest scale whose panel holds all words."""
    for grown in (False, True):
        for sheet in possible_sheets(plan, grown=grown):
            if panel_fits(plan, sheet):
                return _laid_out(plan, sheet)
    return _laid_out(plan, possible_sheets(plan, grown=True)[0])


def _laid_out(plan: Plan, sheet: Sheet) -> tuple[MapView, str]:
    view = view_map(plan, sheet)
    return view, draw_panel(plan, sheet, len(view.left_out))


def draw_plan(plan: Plan) -> str:
    """SVG with real text, all names escaped, no date and no outside file in it."""
    view, panel = lay_out(plan)
    sheet = view.sheet
    area = sheet.map
    clip = element("rect", x=area.left, y=area.top, width=area.width, height=area.height)
    definitions = element("defs", element("clipPath", clip, id="map"))
    inner = Box(0, 0, sheet.width, sheet.height).shrunk(FRAME_MM)
    paper = element("rect", x=0, y=0, width=sheet.width, height=sheet.height, fill=marks.PAPER)
    frame = element(
        "rect", x=inner.left, y=inner.top, width=inner.width, height=inner.height,
        fill="none", stroke=marks.INK, stroke_width=0.5,
    )  # fmt: skip
    body = [title(describe(plan)), definitions, paper, *map_layers(plan, view), panel, frame]
    view_box = f"0 0 {num(sheet.width)} {num(sheet.height)}"
    svg = element(
        "svg", "\n" + "\n".join(body) + "\n", xmlns="http://www.w3.org/2000/svg",
        width=f"{num(sheet.width)}mm", height=f"{num(sheet.height)}mm", viewBox=view_box,
        font_family="sans-serif", fill=marks.INK,
    )  # fmt: skip
    return f'<?xml version="1.0" encoding="UTF-8"?>\n{svg}\n'
