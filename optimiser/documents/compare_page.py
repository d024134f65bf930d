"""A page that switches between the drawings of the alternatives. In: Comparison, plans. Out: one HTML file.

It needs nothing else: no network, no script. The switch is a row of radio buttons, the drawings are in the file.
"""

from __future__ import annotations

from collections.abc import Sequence
from html import escape

from ..compare.model import Comparison, Curve, Limits
from ..plan.model import Plan
from .compare_rows import NO_PLAN, NO_POINT, rows_of
from .compare_sheet import with_own_ids
from .curve_plot import draw_curve
from .drawing import draw_plan
from .words import INVENTED, money, number, plain

_STYLE = """
:root { color-scheme: light; }
body { font: 16px/1.45 system-ui, sans-serif; color: #1c1c1c; background: #f6f6f3; margin: 0; }
main { max-width: 1500px; margin: 0 auto; padding: 1.2rem; }
h1 { font-size: 1.5rem; margin: 0 0 .3rem; }
h2 { font-size: 1.1rem; margin: 1.8rem 0 .5rem; }
.says { font-size: 1.1rem; max-width: 60rem; }
.note { color: #555; max-width: 60rem; margin: .3rem 0; }
.doubts { max-width: 60rem; margin: 1rem 0; padding: .1rem 1rem; background: #fff; border-left: .4rem solid #1c1c1c; }
.doubts h2 { margin: .6rem 0 .2rem; }
.doubts p, .doubts ul { margin: .2rem 0 .6rem; }
.doubts li { overflow-wrap: anywhere; }
.scroll { overflow-x: auto; }
table { border-collapse: collapse; background: #fff; }
th, td { padding: .2rem .8rem; text-align: right; white-space: nowrap; font-variant-numeric: tabular-nums; }
th:first-child { text-align: left; font-weight: normal; }
td.inner, th.inner { color: #555; }
th.inner { padding-left: 1.8rem; }
tr.head > * { border-top: 1px solid #bbb; }
thead th, tr.total > * { font-weight: bold; }
.chosen { background: #eef5e4; }
.words th, .words td { text-align: left; white-space: normal; }
.sums th:first-child, .sums td:first-child { text-align: right; white-space: nowrap; }
.scroll table { border-collapse: separate; border-spacing: 0; }
.words td:first-child { min-width: 5.5rem; }
.scroll th:first-child { position: sticky; left: 0; background: #fff; }
fieldset { border: 0; padding: 0; margin: 0; min-width: 0; }
legend { font-size: 1.1rem; font-weight: bold; margin: 1.8rem 0 .5rem; padding: 0; }
fieldset > input { position: absolute; opacity: 0; }
fieldset > label { display: inline-block; padding: .4rem .9rem; margin: 0 .3rem .4rem 0; background: #fff;
  border: 1px solid #888; border-radius: .3rem; cursor: pointer; }
fieldset > input:focus-visible + label { outline: 3px solid #0060a8; }
.sheet { display: none; background: #fff; border: 1px solid #bbb; padding: .3rem; overflow-x: auto; }
.sheet svg { width: 100%; height: auto; display: block; }
.curves { display: flex; flex-wrap: wrap; gap: 1rem; }
.curves figure { margin: 0; background: #fff; border: 1px solid #bbb; flex: 1 1 24rem; max-width: 46rem; }
.curves svg { width: 100%; height: auto; }
.curves figcaption { padding: 0 .8rem .6rem; color: #555; }
.curves summary { padding: 0 .8rem .6rem; cursor: pointer; }
.curves table { margin: 0 .8rem .8rem; }
@media screen and (max-width: 48rem) { .sheet svg { min-width: 56rem; } main { padding: .6rem; } }
@media print { fieldset > label { display: none; } .sheet { display: block; break-before: page; } }
"""


def comparison_page(comparison: Comparison, plans: Sequence[Plan | None]) -> str:
    """HTML with all names escaped; the same comparison gives the same bytes."""
    chosen = [result.name == comparison.recommended for result in comparison.alternatives]
    parts = [
        f"<h1>{_text(comparison.title)}: alternatives</h1>",
        f'<p class="says">{_text(comparison.says)}</p>',
    ]
    if comparison.prices_are_invented:
        parts.append(f'<p class="note">{INVENTED}</p>')
    parts += [_doubts(comparison), _switch(comparison, plans, chosen), _changes(comparison)]
    parts += [_table(comparison, chosen), _sure(comparison)]
    if comparison.curves:
        figures = [
            f"<figure>{with_own_ids(_inline(draw_curve(curve, comparison.currency)), f'c{i}-')}"
            f"<figcaption>{_text(curve.says)}</figcaption>{_points(curve, comparison.currency)}</figure>"
            for i, curve in enumerate(comparison.curves)
        ]
        parts.append(
            '<h2>What a limit costs as it is tightened</h2>\n<div class="curves">' + "\n".join(figures) + "</div>"
        )
    if comparison.limits is not None:
        parts.append(_limits(comparison.limits, comparison.currency))
    parts.append(
        '<p class="note">A plan is a calculation: confirm it by measuring before you back-fill. Mains work belongs to '
        "a licensed electrician; locate buried services before you dig; local wiring rules come first.</p>"
    )
    rules = [
        f"#show-{i}:checked ~ #sheet-{i} {{ display: block; }}\n"
        f"#show-{i}:checked + label {{ background: #1c1c1c; color: #fff; }}"
        for i in range(len(plans))
    ]
    return (
        '<!DOCTYPE html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n'
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        f"<title>{_text(comparison.title)}: alternatives</title>\n<style>{_STYLE}{chr(10).join(rules)}\n</style>\n"
        "</head>\n<body>\n<main>\n" + "\n".join(part for part in parts if part) + "\n</main>\n</body>\n</html>\n"
    )


def _text(words: str) -> str:
    return escape(plain(words))


def _inline(svg: str) -> str:
    """Without the line that says it is XML."""
    return svg.split("?>\n", 1)[1]


def _switch(comparison: Comparison, plans: Sequence[Plan | None], chosen: Sequence[bool]) -> str:
    first = chosen.index(True) if True in chosen else 0
    buttons, sheets = [], []
    for i, (result, plan) in enumerate(zip(comparison.alternatives, plans, strict=True)):
        on = " checked" if i == first else ""
        cost = NO_PLAN[result.status] if plan is None else money(plan.cost.total, comparison.currency)
        buttons.append(
            f'<input type="radio" name="show" id="show-{i}"{on}>'
            f'<label for="show-{i}">{_text(result.name)}: {_text(cost)}</label>'
        )
        if plan is None:
            body = "".join(f"<p>{_text(why)}</p>" for why in result.why)
        else:
            body = with_own_ids(_inline(draw_plan(plan)), f"p{i}-")
        sheets.append(f'<div class="sheet" id="sheet-{i}">{body}</div>')
    return "<fieldset>\n<legend>Drawings</legend>\n" + "\n".join([*buttons, *sheets]) + "\n</fieldset>"


def _table(comparison: Comparison, chosen: Sequence[bool]) -> str:
    marks = [' class="chosen"' if one else "" for one in chosen]
    names = "".join(
        f'<th scope="col"{mark}>{_text(result.name)}</th>'
        for result, mark in zip(comparison.alternatives, marks, strict=True)
    )
    lines = []
    for row in rows_of(comparison):
        kind = " ".join(name for name, so in (("head", row.head), ("total", row.key == "total")) if so)
        inner = ' class="inner"' if row.label.startswith("  ") else ""
        cells = "".join(f"<td{mark}>{_text(cell)}</td>" for cell, mark in zip(row.cells, marks, strict=True))
        lines.append(
            f'<tr{f" class={kind!r}" if kind else ""}><th scope="row"{inner}>{_text(row.label)}</th>{cells}</tr>'
        )
    return (
        '<h2>Side by side</h2>\n<div class="scroll"><table>\n<thead><tr><th></th>'
        f"{names}</tr></thead>\n<tbody>\n" + "\n".join(lines) + "\n</tbody></table></div>"
    )


def _changes(comparison: Comparison) -> str:
    """What the job file changes in its alternatives."""
    lines = [
        f"<tr><td>{_text(one.name)}</td><td>{_text('; '.join(one.changes))}</td></tr>"
        for one in comparison.alternatives
        if one.changes
    ]
    if not lines:
        return ""
    return '<h2>What is changed</h2>\n<table class="words"><tbody>\n' + "\n".join(lines) + "\n</tbody></table>"


def _doubts(comparison: Comparison) -> str:
    """Above the drawings, which fill a screen: a slip in the survey is to be mended before any of them is of use."""
    if not comparison.doubts:
        return ""
    lines = "\n".join(f"<li>{_text(note)}</li>" for note in comparison.doubts)
    return (
        '<section class="doubts">\n<h2>To look at in the survey and the job</h2>\n'
        "<p>A slip there may be the reason why an alternative has no layout.</p>\n"
        f"<ul>\n{lines}\n</ul>\n</section>"
    )


def _points(curve: Curve, currency: str) -> str:
    """The curve's numbers, to be unfolded."""
    lines = []
    digits = 1 if curve.unit == "%" else 2
    for point in curve.points:
        cost = NO_POINT[point.searched] if point.cost is None else number(point.cost, 2)
        note = "knee" if point.limit == curve.knee else ""
        if point.searched in ("stopped", "lost") and point.cost is not None:
            note = "not searched to the end"
        cells = [
            f"{point.limit:g}",
            cost,
            "" if point.reached is None else number(point.reached, digits),
            "" if point.drivers is None else str(point.drivers),
            "" if point.cable_m is None else number(point.cable_m, 1),
            note,
        ]
        lines.append("<tr>" + "".join(f"<td>{_text(cell)}</td>" for cell in cells) + "</tr>")
    money = f"cost, {_text(currency)}" if currency else "cost"
    heads = [f"limit, {_text(curve.unit)}", money, "reached", "drivers", "cable, m", ""]
    return (
        "\n<details><summary>The numbers</summary><table><thead><tr>"
        + "".join(f"<th>{head}</th>" for head in heads)
        + "</tr></thead><tbody>\n"
        + "\n".join(lines)
        + "\n</tbody></table></details>"
    )


def _sure(comparison: Comparison) -> str:
    if not comparison.differences:
        return ""
    lines = [
        f"<tr><td>{_text(difference.other)}</td><td>{_text(difference.says)}.</td></tr>"
        for difference in comparison.differences
    ]
    ground = ""
    if comparison.common_ground is not None:
        ground = f'\n<p class="note">Ground: {_text(comparison.common_ground.says)}.</p>'
    head = f"<h2>How sure, against '{_text(comparison.recommended or '')}'</h2>"
    return f'{head}\n<table class="words"><tbody>\n' + "\n".join(lines) + f"\n</tbody></table>{ground}"


def _limits(limits: Limits, currency: str) -> str:
    lines = []
    for row in limits.rows:
        saving = NO_POINT[row.searched] if row.saving is None else number(row.saving, 2)
        cut = " (not searched to the end)" if row.saving is not None and row.searched in ("stopped", "lost") else ""
        lines.append(f"<tr><td>{saving}</td><td>{_text(row.what)}{cut}</td></tr>")
    unit = f", {_text(currency)}" if currency else ""
    return (
        f"<h2>What each limit costs</h2>\n<p>{_text(limits.says)}</p>\n"
        f'<table class="words sums"><thead><tr><th>saving{unit}</th><th>by</th></tr></thead><tbody>\n'
        + "\n".join(lines)
        + "\n</tbody></table>"
    )
