"""A comparison's folder on disk, written whole or not at all. In: Compared. Out: the paths written.

::

    comparison.json  table.csv  side_by_side.svg  compare.html  [max_drop.csv .svg  lowest_volts.csv .svg  limits.csv]
    comparison.sha256   digests of these, by which one that was changed since is known
    1-two-drivers/      plan.json and all that stands in a plan's folder, for lampspur check
    summary.json  summary.csv  summary.sha256  SITE/ …   where several sites are compared: the above for each
"""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path

from ..compare.model import Comparison, Curve
from ..plan.model import Plan
from .compare_page import comparison_page
from .compare_rows import rows_of
from .compare_sheet import draw_side_by_side
from .curve_plot import draw_curve
from .folder import (
    COMPARISON_FILE,
    COMPARISON_RECORD_FILE,
    SUMMARY_FILE,
    SUMMARY_RECORD_FILE,
    plan_contents,
    recorded,
    write_whole,
)
from .plan_file import as_json
from .tables import safe
from .words import INVENTED

WithCopies = tuple[Plan, Mapping[str, bytes]]


def write_comparison(
    comparison: Comparison, plans: Sequence[WithCopies | None], out: Path, *, replace: bool
) -> list[str]:
    """
    Write one comparison; names of the files beside the plans' folders but their record, in the order written.

    Raises
    ------
    BadInput
        The folder cannot be written there; nothing has been changed.
    """
    contents = comparison_contents(comparison, plans, out)
    write_whole(contents, out, marker=COMPARISON_FILE, replace=replace)
    return [name for name in contents if "/" not in name and name != COMPARISON_RECORD_FILE]


def write_sites(
    sites: Sequence[tuple[str, Comparison, Sequence[WithCopies | None]]], out: Path, *, replace: bool
) -> None:
    """Write the comparisons of several sites, each in a folder of the site's name, and a summary of all."""
    contents: dict[str, bytes] = {}
    for name, comparison, plans in sites:
        inner = comparison_contents(comparison, plans, out)
        contents |= {f"{name}/{file}": data for file, data in inner.items()}
    rows = [_summary_row(name, comparison) for name, comparison, _ in sites]
    summary_csv = _csv(rows[0], (row.values() for row in rows))
    files = [SUMMARY_FILE, "summary.csv", *contents, SUMMARY_RECORD_FILE]
    summary = as_json({"sites": rows, "files": files})
    contents = {SUMMARY_FILE: summary.encode(), "summary.csv": summary_csv, **contents}
    write_whole(recorded(contents, SUMMARY_RECORD_FILE), out, marker=SUMMARY_FILE, replace=replace)


def _summary_row(name: str, comparison: Comparison) -> dict[str, object]:
    best = next((one for one in comparison.alternatives if one.name == comparison.recommended), None)
    figures = best.figures if best is not None else None
    return {
        "site": name,
        "title": comparison.title,
        "recommended": comparison.recommended,
        "cost": figures.cost.total if figures is not None else None,
        "currency": comparison.currency,
        "dearest_costs_more": max((one.costs_more for one in comparison.differences), default=None),
        "planned": sum(one.figures is not None for one in comparison.alternatives),
        "asked": len(comparison.alternatives),
        "says": comparison.says,
    }


def comparison_contents(comparison: Comparison, plans: Sequence[WithCopies | None], out: Path) -> dict[str, bytes]:
    """Bytes by path within the folder, the record of those that lie in no folder of it last."""
    alone = [None if one is None else one[0] for one in plans]
    drawn: dict[str, bytes] = {
        "table.csv": table_csv(comparison),
        "side_by_side.svg": draw_side_by_side(comparison, alone).encode(),
        "compare.html": comparison_page(comparison, alone).encode(),
    }
    for curve in comparison.curves:
        drawn[f"{curve.of}.csv"] = _curve_csv(curve)
        drawn[f"{curve.of}.svg"] = draw_curve(curve, comparison.currency).encode()
    if comparison.limits is not None:
        drawn["limits.csv"] = _csv(
            ("relaxed", "cost", "saving", "searched"),
            ((row.what, row.cost, row.saving, row.searched) for row in comparison.limits.rows),
        )
    for result, one in zip(comparison.alternatives, plans, strict=True):
        if one is not None:
            drawn |= {f"{result.folder}/{name}": data for name, data in plan_contents(*one, out).items()}
    files = [COMPARISON_FILE, *drawn, COMPARISON_RECORD_FILE]
    return recorded({COMPARISON_FILE: comparison_json(comparison, files).encode(), **drawn}, COMPARISON_RECORD_FILE)


def comparison_json(comparison: Comparison, files: Sequence[str] = ()) -> str:
    """The comparison as JSON, with the files written beside it."""
    data = comparison.model_dump(mode="json", by_alias=True)
    return as_json({**data, "files": list(files)})


def table_csv(comparison: Comparison) -> bytes:
    """A row for each figure, a column for each alternative; numbers as numbers."""
    names = [result.name for result in comparison.alternatives]
    overridden = [
        "; ".join(f"{key} = {value}" if value is not None else f"without {key}" for key, value in one.overrides.items())
        for one in comparison.alternatives
    ]
    rows: list[Sequence[object]] = [("status", *(one.status for one in comparison.alternatives))]
    rows.append(("drivers_asked", *(one.drivers_asked for one in comparison.alternatives)))
    rows.append(("overrides", *overridden))
    rows += [(row.key, *row.values) for row in rows_of(comparison)]
    if comparison.prices_are_invented:
        rows.append((INVENTED,))
    return _csv(("figure", *names), rows)


def _curve_csv(curve: Curve) -> bytes:
    head = ("limit", "unit", "cost", "reached", "drivers", "cable_m", "knee", "searched")
    knee = "knee"
    rows = (
        (
            p.limit,
            curve.unit,
            p.cost,
            p.reached,
            p.drivers,
            p.cable_m,
            knee if p.limit == curve.knee else "",
            p.searched,
        )
        for p in curve.points
    )
    return _csv(head, rows)


def _csv(head: Iterable[object], rows: Iterable[Iterable[object]]) -> bytes:
    buffer = io.StringIO(newline="")
    writer = csv.writer(buffer, lineterminator="\r\n")
    writer.writerow([safe(str(name)) for name in head])
    for row in rows:
        writer.writerow([safe(value) if isinstance(value, str) else value for value in row])
    return ("\ufeff" + buffer.getvalue()).encode()
