"""A sheet as one SVG: map, words, frame. In: Plan, MapView, words. Out: SVG with real text, nothing from outside."""

from __future__ import annotations

from collections.abc import Iterable

from ..plan.model import Plan
from . import marks
from .map_layers import describe, map_layers
from .map_view import MapView
from .sheet import FRAME_MM, Box
from .svg import element, num, title


def map_page(plan: Plan, view: MapView, panel: str) -> str:
    """A sheet with a map and its panel."""
    sheet, area = view.sheet, view.sheet.map
    clip = element("rect", x=area.left, y=area.top, width=area.width, height=area.height)
    definitions = element("defs", element("clipPath", clip, id="map"))
    return page(describe(plan), sheet.width, sheet.height, [definitions], [*map_layers(plan, view), panel])


def page(says: str, width: float, height: float, definitions: Iterable[str], body: Iterable[str]) -> str:
    """Paper and frame round what is drawn; ``says`` is for readers who hear the drawing."""
    inner = Box(0, 0, width, height).shrunk(FRAME_MM)
    paper = element("rect", x=0, y=0, width=width, height=height, fill=marks.PAPER)
    frame = element(
        "rect", x=inner.left, y=inner.top, width=inner.width, height=inner.height,
        fill="none", stroke=marks.INK, stroke_width=0.5,
    )  # fmt: skip
    parts = [title(says), *definitions, paper, *body, frame]
    view_box = f"0 0 {num(width)} {num(height)}"
    svg = element(
        "svg", "\n" + "\n".join(parts) + "\n", xmlns="http://www.w3.org/2000/svg",
        width=f"{num(width)}mm", height=f"{num(height)}mm", viewBox=view_box,
        font_family="sans-serif", fill=marks.INK,
    )  # fmt: skip
    return f'<?xml version="1.0" encoding="UTF-8"?>\n{svg}\n'
