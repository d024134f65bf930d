"""The comparison on a terminal. In: Comparison. Out: lines of at most 80 columns: the answer first, then the table."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence

from ..compare.model import Comparison, Curve, Limits
from .compare_rows import NO_PLAN, NO_POINT, Row, rows_of
from .summary import WIDTH, wrapped
from .words import INVENTED, columns_of, fitted, number, plain

LABEL = 23
MOST_BESIDE = 3


def comparison_text(comparison: Comparison, *, out: str | None, files: Sequence[str] = ()) -> str:
    """Lines of text, ended by a newline."""
    blocks = [_title(comparison), wrapped(comparison.says, "")]
    rows = rows_of(comparison)
    count = len(comparison.alternatives)
    each = MOST_BESIDE if count != MOST_BESIDE + 1 else 2  # four as two and two
    for first in range(0, count, each):
        blocks.append(_table(comparison, rows, range(first, min(count, first + each))))
    blocks += [_changes(comparison), _failures(comparison), _doubts(comparison), _sure(comparison)]
    blocks += [_curve(curve) for curve in comparison.curves]
    if comparison.limits is not None:
        blocks.append(_limits(comparison.limits, comparison.currency))
    if out is not None:
        blocks.append(["Written to", f"  {out}", *wrapped(", ".join(files))])
    return "\n\n".join("\n".join(block) for block in blocks if block) + "\n"


def _title(comparison: Comparison) -> list[str]:
    lines = wrapped(plain(comparison.title), "")
    return [*lines, INVENTED] if comparison.prices_are_invented else lines


def _table(comparison: Comparison, rows: list[Row], columns: range) -> list[str]:
    width = min(26, (WIDTH - LABEL) // len(columns))
    names = [comparison.alternatives[i].name for i in columns]
    heads = [_in_lines(plain(name), width - 1) for name in names]
    deep = max(map(len, heads))
    lines = [
        (
            " " * LABEL
            + "".join(
                " " + fitted(head[k], width - 1, right=True) for head in ([""] * (deep - len(h)) + h for h in heads)
            )
        ).rstrip()
        for k in range(deep)
    ]
    for row in rows:
        if row.key != "total" and all(row.cells[i] in ("-", "") for i in columns):
            continue  # none of these has a layout
        if row.head and len(lines) > deep:
            lines.append("")
        cells = [[row.cells[i]] for i in columns]
        if row.key.startswith("driver ") and max(columns_of(row.cells[i]) for i in columns) > width - 2:
            cells = [_driver_in_lines(row.cells[i]) for i in columns]
        for k in range(max(map(len, cells)) if any(map(any, cells)) else 0):
            here = [cell[k] if k < len(cell) else "" for cell in cells]
            label = _label(row.label if k == 0 else "")
            lines.append((label + "".join(" " + fitted(c, width - 1, right=True) for c in here)).rstrip())
    return lines


def _in_lines(name: str, width: int) -> list[str]:
    """A name over at most two lines."""
    first, *rest = textwrap.wrap(name, width) or [""]
    return [first, " ".join(rest)] if rest else [first]


def _driver_in_lines(cell: str) -> list[str]:
    """Its model, then below where it stands and its load: together they are wider than a column."""
    model, at, place = cell.rpartition(" at ")
    return [model, at.lstrip() + place] if model else [cell]


def _label(label: str) -> str:
    """Padded; what belongs to the row above stands in by two."""
    return "  " + fitted(label, LABEL - 2) if label.startswith("  ") else fitted(label, LABEL)


def _changes(comparison: Comparison) -> list[str]:
    lines: list[str] = []
    for result in comparison.alternatives:
        if result.changes:
            first, *more = wrapped(f"'{plain(result.name)}': {plain('; '.join(result.changes))}", "    ")
            lines += ["  " + first.lstrip(), *more]
    return ["Changed", *lines] if lines else []


def _failures(comparison: Comparison) -> list[str]:
    lines: list[str] = []
    for result in comparison.alternatives:
        if result.figures is None:
            why = " ".join(plain(text) for text in result.why[:2])
            more = f" … and {len(result.why) - 2} more." if len(result.why) > 2 else ""
            lines += wrapped(f"'{plain(result.name)}': {why}{more}")
    return ["Without a layout", *lines] if lines else []


def _doubts(comparison: Comparison) -> list[str]:
    lines: list[str] = []
    for note in comparison.doubts:
        first, *more = wrapped(plain(note), "    ")
        lines += ["  - " + first.lstrip(), *more]
    if not lines:
        return []
    return [*wrapped("To look at in the survey and the job, for a slip there may be the reason", ""), *lines]


def _sure(comparison: Comparison) -> list[str]:
    if not comparison.differences:
        return []
    lines = [f"'{plain(comparison.recommended or '')}' against"]
    for difference in comparison.differences:
        first, *more = wrapped(f"'{plain(difference.other)}': {plain(difference.says)}.", "    ")
        lines += ["  " + first.lstrip(), *more]
    if comparison.common_ground is not None:
        ground = comparison.common_ground
        size = "" if ground.nodes is None else f" ({ground.nodes:,} places, {ground.edges:,} lines)"
        lines += wrapped(f"Ground: {ground.says}{size}.")
    return lines


def _curve(curve: Curve) -> list[str]:
    name = "Cost against the largest drop" if curve.of == "max_drop" else "Cost against the lowest lamp voltage"
    lines = [f"{name}, '{plain(curve.alternative)}'", f"  {'limit':>8}  {'cost':>12}  {'reached':>9}  drivers  cable"]
    for point in curve.points:
        limit = f"{point.limit:g} {curve.unit}"
        if point.cost is None:
            lines.append(f"  {limit:>8}  {NO_POINT[point.searched]:>12}")
            continue
        knee = "  <- knee" if point.limit == curve.knee else ""
        if point.searched in ("stopped", "lost"):
            knee = "  not searched to the end"
        digits = 1 if curve.unit == "%" else 2
        lines.append(
            f"  {limit:>8}  {number(point.cost, 2):>12}  {number(point.reached or 0, digits) + ' ' + curve.unit:>9}  "
            f"{point.drivers:>7}  {number(point.cable_m or 0, 1):>6} m{knee}"
        )
    return [*lines, *wrapped(plain(curve.says))]


def _limits(limits: Limits, currency: str) -> list[str]:
    lines = [f"What each limit costs, '{plain(limits.alternative)}'"]
    lines.append(f"  {fitted('saves' + (f' {plain(currency)}' if currency else ''), 11, right=True)}  by")
    for row in limits.rows:
        saving = NO_POINT[row.searched] if row.saving is None else number(row.saving, 2)
        cut = " (not searched to the end)" if row.saving is not None and row.searched in ("stopped", "lost") else ""
        first, *more = wrapped(plain(row.what) + cut, " " * 15)
        lines += [f"  {saving:>11}  {first.lstrip()}", *more]
    return [*lines, *wrapped(plain(limits.says))]


def summary_text(sites: Sequence[tuple[str, Comparison]], *, out: str | None) -> str:
    """Several sites: a line for each, then the total of what is recommended."""
    lines = [f"{'site':<26}{'recommended':<24}{'cost':>13}  {'saves':>11}"]
    totals: dict[str, float] = {}
    for name, comparison in sites:
        best = next((r for r in comparison.alternatives if r.name == comparison.recommended), None)
        if best is None or best.figures is None:
            statuses = [NO_PLAN[r.status] for r in comparison.alternatives]
            lines.append(f"{fitted(name, 25)} {', '.join(dict.fromkeys(statuses))}")
            continue
        dearest = max((d.costs_more for d in comparison.differences), default=0.0)
        cost = best.figures.cost.total
        totals[comparison.currency] = totals.get(comparison.currency, 0.0) + cost
        lines.append(
            f"{fitted(name, 25)} {fitted(best.name, 23)} {number(cost, 2):>12}  {number(dearest, 2):>11} "
            f"{plain(comparison.currency)}".rstrip()
        )
    for currency, total in totals.items():
        lines.append(f"{'total':<26}{'':<24}{number(total, 2):>13}  {'':>11} {plain(currency)}".rstrip())
    lines += wrapped("Saves: against the dearest alternative that was planned.", "")
    blocks = [lines]
    if any(comparison.prices_are_invented for _, comparison in sites):
        blocks.append([INVENTED])
    for name, comparison in sites:
        blocks.append([*wrapped(f"{plain(name)}: {plain(comparison.says)}", "")])
    if out is not None:
        blocks.append(["Written to", f"  {out}", *wrapped("summary.csv, summary.json, and a folder for each site")])
    return "\n\n".join("\n".join(block) for block in blocks) + "\n"
