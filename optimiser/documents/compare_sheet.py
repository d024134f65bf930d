"""The drawings of all alternatives on one sheet, at one scale. In: Comparison, plans. Out: SVG, in millimetres."""

from __future__ import annotations

import math
import re
from collections.abc import Sequence

from ..compare.model import AlternativeResult, Comparison
from ..plan.model import Plan
from . import marks
from .compare_rows import NO_PLAN
from .map_layers import map_layers
from .map_view import view_map
from .sheet import FRAME_MM, SCALES, Box, Sheet, seen_extent
from .svg import cut_to_width, element, group, num, text, title, wrap
from .words import INVENTED, counted, money, number, plain

WIDTH_MM, HEIGHT_MM = 420.0, 297.0
LEAST_CELL_MM = 100.0
"""Height of one alternative: for more than six, the sheet grows longer than A3."""
HEAD_MM, CAPTION_MM, GAP_MM, EDGE_MM = 22.0, 24.0, 5.0, 5.0
ROOM_MM = 8.0
"""Kept free round the site within each map, for labels."""


def with_own_ids(svg: str, mark: str) -> str:
    """The same drawing with its ids begun by ``mark``, so that several may stand in one file."""
    return re.sub(r'(\bid="|url\(#|href="#)', rf"\g<1>{mark}", svg)


def draw_side_by_side(comparison: Comparison, plans: Sequence[Plan | None]) -> str:
    """One sheet of A3, longer for many alternatives; every map shows the same ground at the same scale."""
    count = len(plans)
    columns = min(count, 2) if count <= 4 else 3
    rows = math.ceil(count / columns)
    inner = Box(0, 0, WIDTH_MM, HEIGHT_MM).shrunk(FRAME_MM)
    wide = (inner.width - GAP_MM * (columns - 1)) / columns
    tall = max(LEAST_CELL_MM, (inner.height - HEAD_MM - GAP_MM * (rows - 1)) / rows)
    height_mm = max(HEIGHT_MM, 2 * FRAME_MM + HEAD_MM + tall * rows + GAP_MM * (rows - 1))
    cells = [
        Box(
            inner.left + (i % columns) * (wide + GAP_MM),
            inner.top + HEAD_MM + (i // columns) * (tall + GAP_MM),
            wide,
            tall,
        )
        for i in range(count)
    ]
    view = _common_view([plan for plan in plans if plan is not None], wide, tall)
    drawn = [
        title(f"{plain(comparison.title)}: {counted(count, 'alternative')} side by side"),
        element("rect", x=0, y=0, width=WIDTH_MM, height=height_mm, fill=marks.PAPER),
        *_head(comparison, inner, view[0] if view else None),
    ]
    for i, (result, plan, cell) in enumerate(zip(comparison.alternatives, plans, cells, strict=True)):
        body = _cell(comparison, result, plan, cell, view)
        drawn.append(with_own_ids(group(body), f"a{i + 1}-"))
    svg = element(
        "svg", "\n" + "\n".join(drawn) + "\n", xmlns="http://www.w3.org/2000/svg", width=f"{num(WIDTH_MM)}mm",
        height=f"{num(height_mm)}mm", viewBox=f"0 0 {num(WIDTH_MM)} {num(height_mm)}", font_family="sans-serif",
        fill=marks.INK,
    )  # fmt: skip
    return f'<?xml version="1.0" encoding="UTF-8"?>\n{svg}\n'


View = tuple[int, float, float]
"""Scale, and the place on the ground at the middle of each map, in m."""


def _common_view(plans: Sequence[Plan], wide: float, tall: float) -> View | None:
    if not plans:
        return None
    west, south, east, north = (
        pick(values)
        for pick, values in zip((min, min, max, max), zip(*map(seen_extent, plans), strict=True), strict=True)
    )
    room_x, room_y = wide - 2 * (EDGE_MM + ROOM_MM), tall - CAPTION_MM - 2 * (EDGE_MM + ROOM_MM)
    needed = 1000 * max((east - west) / room_x, (north - south) / room_y)
    scale = next((scale for scale in SCALES if scale >= needed), math.ceil(needed / 1000) * 1000)
    return scale, (west + east) / 2, (south + north) / 2


def _head(comparison: Comparison, inner: Box, scale: int | None) -> list[str]:
    at_scale = "" if scale is None else f", 1 : {scale:,} on a sheet {WIDTH_MM:g} mm wide"
    drawn = [
        text(inner.left, inner.top + 5, f"{plain(comparison.title)}: alternatives{at_scale}", 5.0, font_weight="bold")
    ]
    says = plain(comparison.says) + (f" {INVENTED}" if comparison.prices_are_invented else "")
    for k, line in enumerate(wrap(says, inner.width, 3.3)[:3]):
        drawn.append(text(inner.left, inner.top + 10.2 + 4.2 * k, line, 3.3))
    return drawn


def _cell(
    comparison: Comparison, result: AlternativeResult, plan: Plan | None, cell: Box, view: View | None
) -> list[str]:
    chosen = result.name == comparison.recommended
    frame = element(
        "rect", x=cell.left, y=cell.top, width=cell.width, height=cell.height, fill="none", stroke=marks.INK,
        stroke_width=0.8 if chosen else 0.3,
    )  # fmt: skip
    name = plain(result.name) + (" (recommended)" if chosen else "")
    left, base = cell.left + 3, cell.bottom - CAPTION_MM
    drawn = [frame]
    room = cell.width - 6
    if plan is None or result.figures is None or view is None:
        drawn.append(text(left, cell.top + 8, cut_to_width(name, room, 4.2, bold=True), 4.2, font_weight="bold"))
        says = [NO_PLAN[result.status].capitalize() + "."] + [plain(why) for why in result.why[:4]]
        lines = [line for part in says for line in wrap(part, room, 3.3)]
        return drawn + [text(left, cell.top + 15 + 4.4 * k, line, 3.3) for k, line in enumerate(lines[:12])]
    area = Box(cell.left, cell.top, cell.width, cell.height - CAPTION_MM).shrunk(EDGE_MM)
    sheet = Sheet(WIDTH_MM, HEIGHT_MM, area, area, 1, *view)
    clip = element("rect", x=area.left, y=area.top, width=area.width, height=area.height)
    drawn.append(element("defs", element("clipPath", clip, id="map")))
    drawn += map_layers(plan, view_map(plan, sheet))
    figures = result.figures
    total = money(figures.cost.total, comparison.currency)
    drawn.append(text(cell.right - 3, base + 4.2, total, 4.2, font_weight="bold", text_anchor="end"))
    drawn.append(text(left, base + 4.2, cut_to_width(name, room - 40, 4.2, bold=True), 4.2, font_weight="bold"))
    drivers = ", ".join(
        f"{plain(one.model)} at {plain(one.supply)} {number(one.load_pct, 0)} %" for one in figures.drivers
    )
    cable = ", ".join(f"{plain(cable)} {number(metres, 1)} m" for cable, metres in figures.cable_m.items())
    lines = [
        f"{counted(len(figures.drivers), 'driver')}: {drivers}",
        f"trench {number(figures.trench_m, 1)} m; cable {cable}; {counted(figures.num_joints, 'joint')}",
        f"lamps {number(figures.lowest_v, 2)} to {number(figures.highest_v, 2)} V, largest drop "
        f"{number(figures.largest_drop_pct, 1)} %; drivers have {number(figures.spare_w, 0)} W to spare",
        _against(comparison, result),
    ]
    return drawn + [
        text(left, base + 9 + 4.2 * k, cut_to_width(line, room, 3.2), 3.2) for k, line in enumerate(lines) if line
    ]


def _against(comparison: Comparison, result: AlternativeResult) -> str:
    found = next((one for one in comparison.differences if one.other == result.name), None)
    if found is None:
        return ""
    sure = {
        "certain": "certain",
        "certain_on_its_own_graph": "certain on its own ground",
        "too_close_to_call": "too close to call",
        "same_layout": "the same layout",
    }[found.certainty]
    if found.costs_more < 0.005:
        return f"costs the same as the recommended one: {sure}"
    return f"{money(found.costs_more, comparison.currency)} more than the recommended one: {sure}"
