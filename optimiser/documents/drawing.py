"""The plan to scale on the screen: one A3 sheet with all its words. In: Plan. Out: SVG, in millimetres.

Drawn from the plan alone; the same plan gives the same bytes. ``lay_out`` is what ``draw_plan`` draws, so that tests
can ask where things are. The sheets that go to site are made of the same parts by ``drawing_set.py``.
"""

from __future__ import annotations

from ..plan.model import Plan
from .map_view import MapView, view_map
from .page import map_page
from .panel import draw_panel, panel_fits
from .sheet import Sheet, possible_sheets


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
    return map_page(plan, view, panel)
