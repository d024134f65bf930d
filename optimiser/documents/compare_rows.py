"""The table of a comparison, row by row. In: Comparison. Out: rows, of which text, CSV, page and sheet are made."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from ..compare.model import Comparison, Figures
from .words import PARTS, number, plain

NO_PLAN = {
    "no_feasible_layout": "no layout possible",
    "no_layout_found": "no layout found",
    "unusable": "cannot be used",
    "stopped": "stopped",
    "lost": "worker lost",
}
CUT_SHORT = ("stopped_by_user", "stopped_by_time")
NO_POINT = {
    "no_layout": "no layout",
    "not_tried": "not tried",
    "stopped": "stopped",
    "lost": "worker lost",
    "whole": "not known",
}
"""What stands instead of a cost or saving, by how the search for it ended."""


@dataclass(frozen=True)
class Row:
    """``cells`` as printed, ``values`` as numbers; both empty or None for alternatives without a plan."""

    key: str
    label: str
    cells: tuple[str, ...]
    values: tuple[float | str | None, ...]
    head: bool = False
    """Whether the row opens a part of the table."""


Value = Callable[[Figures], float | None]


def rows_of(comparison: Comparison) -> list[Row]:
    """All rows that say anything."""
    money = plain(comparison.currency) or "price"
    rows = [_row(comparison, "total", f"total ({money})", lambda f: f.cost.total, 2, head=True)]
    rows += [_row(comparison, part, f"  {label}", _part(part), 2) for part, label in PARTS]
    rows.append(_row(comparison, "trench_m", "trench (m)", lambda f: f.trench_m, 1, head=True))
    figures = [result.figures for result in comparison.alternatives]
    rows.append(_row(comparison, "cable_m", "cable (m)", lambda f: sum(f.cable_m.values()), 1))
    for name in sorted({name for one in figures if one is not None for name in one.cable_m}):
        rows.append(_row(comparison, f"cable_m {plain(name)}", f"  {plain(name)}", _metres_of(name), 1))
    rows.append(_row(comparison, "num_joints", "joints", lambda f: f.num_joints, 0))
    rows.append(_row(comparison, "num_drivers", "drivers", lambda f: len(f.drivers), 0, head=True))
    most = max((len(one.drivers) for one in figures if one is not None), default=0)
    rows += [_driver(comparison, i) for i in range(most)]
    rows.append(_row(comparison, "num_circuits", "circuits", lambda f: f.num_circuits, 0))
    rows.append(_row(comparison, "spare_w", "spare capacity (W)", lambda f: f.spare_w, 1))
    rows.append(_row(comparison, "lowest_v", "lowest lamp (V)", lambda f: f.lowest_v, 2, head=True))
    rows.append(_row(comparison, "highest_v", "highest lamp (V)", lambda f: f.highest_v, 2))
    rows.append(_row(comparison, "spread_v", "spread of volts (V)", lambda f: f.spread_v, 2))
    rows.append(_row(comparison, "largest_drop_pct", "largest drop (%)", lambda f: f.largest_drop_pct, 1))
    rows.append(_row(comparison, "least_v", "lowest at worst (V)", lambda f: f.least_v, 2))
    rows.append(_row(comparison, "most_v", "highest at worst (V)", lambda f: f.most_v, 2))
    if any(one is not None and one.energy_kwh is not None for one in figures):
        rows.append(_row(comparison, "energy_kwh", "energy a year (kWh)", lambda f: f.energy_kwh, 1, head=True))
        rows.append(_row(comparison, "loss_kwh", "  of it lost (kWh)", lambda f: f.loss_kwh, 1))
    if any(one is not None and one.energy_cost is not None for one in figures):
        rows.append(_row(comparison, "energy_cost", f"  its cost ({money})", lambda f: f.energy_cost, 2))
    if any(one is not None and one.outcome in CUT_SHORT for one in figures):
        rows.append(_searched(comparison))
    rows.append(_row(comparison, "bound", f"bound: at least ({money})", lambda f: f.bound, 2, head=True))
    rows.append(_row(comparison, "gap_pct", "gap: at most (%)", lambda f: None if f.gap is None else 100 * f.gap, 1))
    if any(one is not None and one.bound_on_common is not None for one in figures):
        rows.append(_row(comparison, "bound_on_common", "bound, common ground", lambda f: f.bound_on_common, 2))
    rows.append(_sure(comparison))
    return rows


def _searched(comparison: Comparison) -> Row:
    cells = [
        "-" if one.figures is None else "stopped early" if one.figures.outcome in CUT_SHORT else "to the end"
        for one in comparison.alternatives
    ]
    return Row("searched", "searched", tuple(cells), tuple(None if cell == "-" else cell for cell in cells), head=True)


def _part(part: str) -> Value:
    return lambda figures: float(getattr(figures.cost, part))


def _metres_of(cable: str) -> Value:
    return lambda figures: figures.cable_m.get(cable, 0.0)


def _row(comparison: Comparison, key: str, label: str, value: Value, digits: int, *, head: bool = False) -> Row:
    values = [None if result.figures is None else value(result.figures) for result in comparison.alternatives]
    if key == "total":
        cells = [
            NO_PLAN[result.status] if v is None else number(v, digits)
            for result, v in zip(comparison.alternatives, values, strict=True)
        ]
    else:
        cells = ["-" if v is None else number(v, digits) for v in values]
    rounded = [None if v is None else round(v, max(digits, 3)) for v in values]
    return Row(key, label, tuple(cells), tuple(rounded), head)


def _driver(comparison: Comparison, i: int) -> Row:
    cells = []
    for result in comparison.alternatives:
        drivers = [] if result.figures is None else result.figures.drivers
        if i < len(drivers):
            one = drivers[i]
            cells.append(f"{plain(one.model)} at {plain(one.supply)}, {number(one.load_pct, 0)} %")
        else:
            cells.append("-" if result.figures is None else "")
    values = tuple(None if cell in ("", "-") else cell for cell in cells)
    return Row(f"driver {i + 1}", f"  driver {i + 1}, loaded to", tuple(cells), values)


def _sure(comparison: Comparison) -> Row:
    said = {difference.other: difference for difference in comparison.differences}
    short = {
        "certain": "certainly dearer",
        "certain_on_its_own_graph": "dearer, own ground",
        "too_close_to_call": "too close to call",
        "same_layout": "the same layout",
    }
    cells = []
    for result in comparison.alternatives:
        if result.name == comparison.recommended:
            cells.append("recommended")
        else:
            cells.append(short[said[result.name].certainty] if result.name in said else "-")
    values = tuple(None if cell == "-" else cell for cell in cells)
    return Row("certainty", "against recommended", tuple(cells), values, head=True)
