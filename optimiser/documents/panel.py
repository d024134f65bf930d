"""The words beside the map of the screen's sheet, in letters that fit. In: Plan, Sheet. Out: SVG."""

from __future__ import annotations

from ..plan.model import Plan
from . import blocks
from .blocks import GAP_MM, Block, column_boxes, draw_blocks
from .sheet import Sheet

_LETTERS = (1.24, 1.12, 1.0, 0.94, 0.88, 0.82, 0.76)  # how large letters may be against their ordinary size


def panel_fits(plan: Plan, sheet: Sheet) -> bool:
    """Whether all words find room on this sheet, in letters that can be read."""
    return any(_flow(plan, sheet, 0, s) is not None for s in _LETTERS)


def draw_panel(plan: Plan, sheet: Sheet, left_out: int) -> str:
    """
    The panel, letters as large as fit; ``left_out`` labels found no room on the map.

    Where even the smallest do not fit, only as many circuits as do, and how many they leave out.
    """
    for whole in (True, False):  # smaller letters rather than warnings left out
        for s in _LETTERS:
            if (drawn := _flow(plan, sheet, left_out, s, whole=whole)) is not None:
                return drawn
    drawn, most, least = "", len(plan.circuits), 0
    while least < most:
        rows = (least + most) // 2
        if (tried := _flow(plan, sheet, left_out, _LETTERS[-1], rows)) is None:
            most = rows
        else:
            drawn, least = tried, rows + 1
    return drawn


def _flow(
    plan: Plan, sheet: Sheet, left_out: int, s: float, rows: int | None = None, *, whole: bool = False
) -> str | None:
    """Blocks into columns, each into the first with room; the title below on the right; None if it is too much."""
    columns = column_boxes(sheet.panel, sheet.columns)
    width = columns[0].width
    title = blocks.title_block(plan, sheet, width, s, left_out=left_out)
    room = [column.height for column in columns]
    room[-1] -= title.height + GAP_MM
    made = [
        *blocks.circuit_blocks(plan, plan.circuits, width, s, len(plan.circuits) if rows is None else rows, room[0]),
        blocks.sign_block(plan, width, s),
        blocks.ground_block(plan, width, s),
        blocks.caution_block(plan, width, s),
    ]
    used = [0.0] * len(columns)
    placed: list[tuple[Block, int, float]] = []
    for block in made:
        column = next((i for i in range(len(columns)) if used[i] + block.height <= room[i]), None)
        if column is None:
            return None
        placed.append((block, column, used[column]))
        used[column] += block.height + GAP_MM
    if plan.warnings:
        column = max(range(len(columns)), key=lambda i: room[i] - used[i])
        warnings = blocks.warning_block(plan, width, s, room[column] - used[column], whole=whole)
        if warnings is None:
            return None
        placed.append((warnings, column, used[column]))
    placed.append((title, len(columns) - 1, columns[-1].height - title.height))
    return draw_blocks(placed, columns)
