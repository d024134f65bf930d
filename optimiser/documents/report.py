"""The report: everything about a plan in one page for a phone or a desk. In: Plan, options. Out: HTML.

One file that asks nothing of any network: no fonts, pictures or scripts from elsewhere, and a policy in its head that
forbids them. The policy names its one script and its one style by their digests, so that nothing else can run, whatever
a name of the job says; names are escaped wherever they stand.
"""

from __future__ import annotations

import base64
import hashlib
import json
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import cache
from html import escape
from pathlib import Path
from typing import Any

from ..plan.model import Plan
from . import blocks
from .canvas import Page
from .canvas_svg import svg_of
from .cautions import brief, cautions
from .plan_file import plan_digest
from .report_facts import KINDS, Key, as_json, facts_of
from .report_map import ReportMap, report_map
from .svg import element, num
from .tables import Column, Table, shown
from .words import INVENTED, counted, metres, plain

_WEB = Path(__file__).with_name("web")
_LEGEND_MM = 88.0
_SHOWN = 12

LAYERS = (
    ("labels", "Labels", "#labels"),
    ("signs", "Lamps, joints, supply points", "#signs .of-lamp .of-joint .of-supply .of-drivers"),
    ("cables", "Cables", "#cables .of-cable .of-tag"),
    ("trenches", "Trenches", "#trenches .of-trench"),
    ("sleeves", "Sleeves, mains lines", "#sleeves-and-mains .of-sleeve .of-mains"),
    ("ground", "Ground, trees", "#ground .of-zone .of-tree"),
    ("grid", "Grid", "#grid #edge"),
)
"""Switches: id, words, and what each hides."""

# columns whose cells name something on the map
_COLUMNS = {"piece": "cable", "joint": "joint", "trench": "trench", "circuit": "circuit", "driver": "driver"}
_ENDS = {"from", "to", "point"}


@dataclass(frozen=True)
class ReportOptions:
    """Date and revision, printed as they are."""

    date: str = ""
    revision: str = ""


def report_html(
    plan: Plan, diagram: Sequence[Page], tables: Sequence[Table], options: ReportOptions | None = None
) -> str:
    """
    The page.

    Parameters
    ----------
    diagram
        Sheets of the single-line diagram.
    tables
        All lists.
    """
    options = options or ReportOptions()
    facts = facts_of(plan)
    place = {fact.key: i for i, fact in enumerate(facts)}
    drawn = report_map(plan, place)
    body = [
        _head(plan, options),
        _plan(plan, drawn),
        _warnings(plan),
        _cautions(plan),
        _diagram(diagram),
        '<section id="lists"><h2>Lists</h2>',
        '<p class="note">A number or name with a line under it leads to its place on the plan.</p>',
        *(_table(table, place) for table in tables),
        "</section>",
        _foot(plan),
    ]
    data = {"facts": as_json(facts), "mm_per_m": drawn.mm_per_m}
    style, script = _web("report.css") + _foot_of_sheets(), _web("report.js")
    policy = (
        f"default-src 'none'; style-src '{_digest(style)}'; script-src '{_digest(script)}'; "
        "base-uri 'none'; form-action 'none'"
    )
    head = [
        '<meta charset="utf-8">',
        f'<meta http-equiv="Content-Security-Policy" content="{escape(policy)}">',
        '<meta name="viewport" content="width=device-width, initial-scale=1">',
        '<meta name="referrer" content="no-referrer">',
        f"<title>{_text(plan.job.title)}</title>",
        f"<style>{style}</style>",
    ]
    return "\n".join(
        [
            "<!DOCTYPE html>",
            '<html lang="en">',
            "<head>",
            *head,
            "</head>",
            "<body>",
            *body,
            f'<script type="application/json" id="data">{_json(data)}</script>',
            f"<script>{script}</script>",
            "</body>",
            "</html>",
            "",
        ]
    )


@cache
def _web(name: str) -> str:
    return (_WEB / name).read_text(encoding="utf-8")


def _foot_of_sheets() -> str:
    """Cautions at the foot of every sheet that is printed."""
    return (
        f"@page {{ @bottom-left {{ content: {json.dumps(brief())}; width: 88%; font: 6.5pt/1.3 sans-serif; }} "
        "@bottom-right { content: counter(page); width: 8%; font: 7pt sans-serif; } }\n"
    )


def _digest(text: str) -> str:
    return "sha256-" + base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()


def _json(data: Any) -> str:
    """JSON that no HTML reader takes for markup: in strings, ``<``, ``>`` and ``&`` are written as escapes."""
    text = json.dumps(data, ensure_ascii=True, allow_nan=False, separators=(",", ":"))
    return text.replace("<", "\\u003c").replace(">", "\\u003e").replace("&", "\\u0026")


def _text(words: str) -> str:
    return escape(plain(words))


def _name(words: str) -> str:
    """A name among other words, kept from turning them round."""
    return f"<bdi>{_text(words)}</bdi>"


def _head(plan: Plan, options: ReportOptions) -> str:
    trench_m = sum(trench.length_m for trench in plan.trenches if trench.sleeve is None)
    cable_m = sum(cable.cut_m for cable in plan.cables)
    facts = [
        counted(len(plan.lamps), "lamp"), counted(len(plan.drivers), "driver"), counted(len(plan.circuits), "circuit"),
        f"{metres(trench_m)} of trench", f"{metres(cable_m)} of cable",
    ]  # fmt: skip
    fields = [("Date", options.date), ("Revision", options.revision), ("Plan", plan_digest(plan)[:_SHOWN])]
    said = [f"<div><dt>{name}</dt><dd>{_name(words)}</dd></div>" for name, words in fields if words]
    links = [("plan", "Plan"), ("warnings", "Warnings"), ("cautions", "Cautions"), ("diagram", "Diagram"),
             ("lists", "Lists")]  # fmt: skip
    if not plan.warnings:
        links.pop(1)
    jumps = "".join(f'<a href="#{id_}">{words}</a>' for id_, words in links)
    return "\n".join(
        [
            "<header>",
            f"<h1>{_name(plan.job.title)}</h1>",
            f"<p>{' · '.join(facts)}</p>",
            f"<dl>{''.join(said)}</dl>",
            *([f'<p class="invented">{INVENTED}</p>'] if plan.prices_are_invented else []),
            f"<nav>{jumps}</nav>",
            "</header>",
        ]
    )


def _plan(plan: Plan, drawn: ReportMap) -> str:
    switches = "".join(
        f'<label><input type="checkbox" checked data-hides="{hides}">{words}</label>' for _, words, hides in LAYERS
    )
    left_out = ""
    if drawn.num_left_out:
        left_out = (
            f'<p class="note">{counted(drawn.num_left_out, "label")} found no room: tap the things themselves.</p>'
        )
    return f"""<section id="plan">
<h2>Plan</h2>
<div class="bar">
<button type="button" data-do="in" aria-label="Nearer">+</button>
<button type="button" data-do="out" aria-label="Farther">−</button>
<button type="button" data-do="fit">Whole plan</button>
<input id="find" list="names" placeholder="Find: lamp, cable, joint …" aria-label="Find" autocomplete="off">
<datalist id="names"></datalist>
<details class="layers"><summary>Layers</summary><div>{switches}</div></details>
</div>
<div class="stage">
<div class="view" id="view" tabindex="0" aria-label="Plan: arrow keys move it, plus and minus zoom">
{drawn.svg}
{_north(plan)}
<div class="scale"><span></span></div>
</div>
<aside class="card" id="card" aria-live="polite">
<p class="note">Drag to move, pinch or turn the wheel to zoom. Tap a lamp, cable, joint or trench for its numbers.</p>
</aside>
</div>
{left_out}<p class="note">Volts are predicted: all lamps on, drivers at their stated volts, hot copper.
Coordinates in metres.</p>
<details class="legend"><summary>What the signs mean</summary><div>{_legend(plan)}</div></details>
</section>"""


def _north(plan: Plan) -> str:
    """Which way north is, to the nearest eighth of a turn; where no position tells it, which way y is, and no more."""
    if plan.site.position is None:
        return '<div class="north" aria-label="y of the survey is up; north is not known">y<span>↑</span></div>'
    turn = -plan.site.position.y_bearing % 360  # of north from the y axis, which points up
    says = f"True north is {turn:.0f}° from up, clockwise"
    return f'<div class="north" aria-label="{says}">N<span>{"↑↗→↘↓↙←↖"[round(turn / 45) % 8]}</span></div>'


def _legend(plan: Plan) -> str:
    width = _LEGEND_MM
    made = [blocks.sign_block(plan, width, 1.0, site=True), blocks.ground_block(plan, width, 1.0)]
    made += blocks.circuit_blocks(plan, plan.circuits, width, 1.0, len(plan.circuits), 150.0)
    made += [blocks.cable_block(plan, width, 1.0), blocks.trench_block(plan, width, 1.0)]
    return "".join(
        element("svg", "".join(block.drawn), viewBox=f"0 -1 {num(width)} {num(block.height + 2)}",
                width=f"{num(width)}mm", font_family="sans-serif", fill="#1a1a1a")
        for block in made
    )  # fmt: skip


def _sentences(id_: str, title: str, sentences: Iterable[str]) -> str:
    items = "".join(f"<li>{_text(sentence)}</li>" for sentence in sentences)
    return f'<section id="{id_}"><h2>{title}</h2><ul>{items}</ul></section>'


def _warnings(plan: Plan) -> str:
    return (
        _sentences("warnings", f"Warnings of this plan: {len(plan.warnings)}", plan.warnings) if plan.warnings else ""
    )


def _cautions(plan: Plan) -> str:
    return _sentences("cautions", "Cautions", cautions(plan))


def _diagram(pages: Sequence[Page]) -> str:
    sheets = "".join(f'<div class="sheet">{_inner(svg_of([page], page.title))}</div>' for page in pages)
    return (
        '<section id="diagram"><h2>Single-line diagram</h2><details><summary>'
        f"{counted(len(pages), 'sheet')}: drivers, circuits, protection, loads</summary>{sheets}</details></section>"
    )


def _inner(svg: str) -> str:
    """An SVG file as part of a page."""
    return svg.removeprefix('<?xml version="1.0" encoding="UTF-8"?>\n')


def _table(table: Table, place: dict[Key, int]) -> str:
    kept = [i for i, column in enumerate(table.columns) if column.share > 0]
    columns = [table.columns[i] for i in kept]
    numeric = [_is_numeric(table, i) for i in kept]
    heads = "".join(
        f'<th scope="col"{_class(column, right)}>{_text(column.head)}</th>'
        for column, right in zip(columns, numeric, strict=True)
    )
    body = []
    for part in table.parts:
        rows = []
        for row in part.rows:
            cells = [
                f"<td{_class(column, right)}>{_cell(row[i], column, place)}</td>"
                for i, column, right in zip(kept, columns, numeric, strict=True)
            ]
            rows.append(f"<tr>{''.join(cells)}</tr>")
        if part.title:
            rows.insert(0, f'<tr class="part"><th scope="rowgroup" colspan="{len(kept)}">{_text(part.title)}</th></tr>')
        body.append(f"<tbody>{''.join(rows)}</tbody>")
    before = "".join(f"<p>{_text(sentence)}</p>" for sentence in table.before)
    after = "".join(f"<p>{_text(sentence)}</p>" for sentence in table.after)
    held = f'<div class="wide"><table><thead><tr>{heads}</tr></thead>{"".join(body)}</table></div>'
    return (
        f'<details class="list" id="list-{table.name}"><summary>{_text(table.title)} '
        f"<span>{counted(len(table.rows), 'row')}</span></summary>{before}"
        f"{held if table.rows else '<p>None.</p>'}{after}</details>"
    )


def _is_numeric(table: Table, index: int) -> bool:
    cells = [row[index] for row in table.rows if row[index] is not None]
    return bool(cells) and not any(isinstance(cell, str) for cell in cells)


def _class(column: Column, right: bool) -> str:
    return ' class="fill"' if column.to_fill else ' class="number"' if right else ""


def _cell(cell: str | float | int | None, column: Column, place: dict[Key, int]) -> str:
    words = shown(cell, column.digits)
    if not words:
        return ""
    if isinstance(cell, str):
        kinds = KINDS if column.key in _ENDS else (_COLUMNS.get(column.key, ""),)
        found = [place[kind, cell] for kind in kinds if (kind, cell) in place]
        if len(found) == 1:
            return f'<a href="#plan" data-goes="{found[0]}">{_name(words)}</a>'
        return _name(words)
    return escape(words)


def _foot(plan: Plan) -> str:
    return (
        f"<footer><p>Made by {_text(plan.tool.name)} {_text(plan.tool.version)} from plan.json, sha256 "
        f"<code>{plan_digest(plan)}</code>.</p></footer>"
    )
