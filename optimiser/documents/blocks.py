"""Blocks of words for panels and sheets: circuits, signs, cautions, title and more. In: Plan, a width. Out: Blocks."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field

from ..plan.model import CircuitPlan, Plan
from . import marks
from .cautions import cautions
from .hatch import swatch
from .palette import LineStyle, circuit_styles, ground_styles
from .sheet import Box, Sheet
from .svg import cut_middle, cut_to_width, element, group, polyline, text, wrap
from .words import INVENTED, counted, isolated, money, number

GAP_MM = 3.0
"""Between blocks, and between a block and the edge of its panel."""
_AT_LAMP_M = 0.3


@dataclass
class Block:
    """Drawn from its own upper left corner."""

    height: float = 0.0
    drawn: list[str] = field(default_factory=list)

    def words(self, x: float, words: str, size: float, **attributes: float | str | None) -> None:
        """A line of text at the present height."""
        self.drawn.append(text(x, self.height + 0.9 * size, words, size, **attributes))

    def down(self, by: float) -> None:
        self.height += by


@dataclass(frozen=True)
class Heading:
    """
    What the title block of a sheet says beside the job.

    Attributes
    ----------
    subject
        What the sheet shows.
    number, of
        Which sheet of how many.
    date, revision
        As the user gave them; a line to write on where empty.
    digest
        sha256 of ``plan.json``.
    """

    subject: str
    number: int
    of: int
    date: str
    revision: str
    digest: str


def column_boxes(panel: Box, columns: int) -> list[Box]:
    """Where blocks stand in a panel."""
    width = panel.width / columns
    height = panel.height - 2 * GAP_MM
    return [
        Box(panel.left + i * width + GAP_MM, panel.top + GAP_MM, width - 2 * GAP_MM, height) for i in range(columns)
    ]


def draw_blocks(placed: Iterable[tuple[Block, int, float]], columns: Sequence[Box]) -> str:
    """Each block in its column, so far down."""
    return group(
        [
            group(block.drawn, transform=f"translate({columns[i].left:.2f} {columns[i].top + down:.2f})")
            for block, i, down in placed
        ],
        id="panel",
    )


def head(block: Block, words: str, width: float, s: float) -> None:
    block.words(0, words, 2.7 * s, font_weight="bold")
    block.down(3.3 * s)
    block.drawn.append(polyline([(0, block.height), (width, block.height)], stroke=marks.INK, stroke_width=0.2))
    block.down(0.9 * s)


def circuit_row_mm(s: float) -> float:
    """Height of a line of that table."""
    return 3.0 * s


def circuit_blocks(
    plan: Plan, shown: Sequence[CircuitPlan], width: float, s: float, rows: int, most: float
) -> list[Block]:
    """A table of the first ``rows`` of some circuits, broken where it is higher than ``most``."""
    blocks: list[Block] = []
    styles = circuit_styles(plan)
    size = 2.05 * s
    heads = ("circuit", "driver", "lamps", "A", "protected by")
    places = (0.0, 0.34 * width, 0.48 * width, 0.6 * width, 0.68 * width)

    def begin() -> Block:
        fresh = Block()
        head(fresh, "Circuits" if not blocks else "Circuits, continued", width, s)
        for x, words in zip(places, heads, strict=True):
            fresh.words(x, words, 1.8 * s, font_style="italic")
        fresh.down(2.7 * s)
        return fresh

    block = begin()
    for circuit in shown[:rows]:
        if block.height + circuit_row_mm(s) > most:
            blocks.append(block)
            block = begin()
        style = styles[circuit.id]
        fuse = "driver's limit"
        if circuit.fuse_a is not None:
            fuse = f"fuse {circuit.fuse_a:g} A"
        elif circuit.breaker_a is not None:
            fuse = f"breaker {circuit.breaker_a:g} A"
        middle = block.height + 0.55 * size
        block.drawn.append(marks.cable([(0, middle), (0.17 * width, middle)], style, 0.6 * s, 1.0))
        name = cut_middle(circuit.id, 0.15 * width, size, bold=True)
        block.words(0.19 * width, name, size, font_weight="bold", fill=style.colour)
        driver = cut_middle(f"{isolated(circuit.driver)}.{circuit.outlet}", 0.13 * width, size)
        for x, words in zip(places[1:], (driver, str(len(circuit.lamps)), number(circuit.amps, 2), fuse), strict=True):
            block.words(x, words, size)
        block.down(circuit_row_mm(s))
    if rows < len(shown):
        block.words(0, f"and {len(shown) - rows} more: see plan.json", size, font_style="italic")
        block.down(circuit_row_mm(s))
    return [*blocks, block]


def sign_block(plan: Plan, width: float, s: float, *, site: bool = False) -> Block:
    """Signs that occur; ``site`` explains the fuller labels of sheets that go to site."""
    block = Block()
    head(block, "Signs", width, s)
    grey = LineStyle(marks.INK, ())
    f = 1.1 * s
    across = 3.4 * s
    shown: list[tuple[Callable[[float], str], str]] = [
        (lambda y: marks.lamp((across, y), f), "lamp: number, volts"),
        (lambda y: marks.joint((across, y), f, grey), "joint"),
        (lambda y: marks.hub((across, y), f, grey), "hub: joint that branches"),
        (lambda y: marks.supply((across, y - 0.3), f, True), "supply point with driver"),
        (
            lambda y: marks.trench([(0.8, y), (6.4 * s, y)], 1.5 * f) + marks.soil([(0.8, y), (6.4 * s, y)], 1.5 * f),
            "trench",
        ),
        (lambda y: marks.lead([(0.4, y), (6.8 * s, y)], f), "lead"),
    ]
    if _joints_at_lamps(plan):

        def both(y: float) -> str:
            return marks.joint((across, y), f, grey, True) + marks.lamp((across, y), f)

        shown.insert(2, (both, "joint at a lamp"))
    if any(joint.post is not None for joint in plan.joints):
        shown.insert(1, (lambda y: marks.lamp((across, y), f, True), "lamp post, joined in it"))
    if any(supply.name not in {driver.supply for driver in plan.drivers} for supply in plan.site.supplies):
        shown.append((lambda y: marks.supply((across, y - 0.3), f, False), "supply point not used"))
    if plan.site.sleeves:
        shown.append((lambda y: marks.sleeve([(0.4, y), (6.8 * s, y)], 1.1 * f, f), "sleeve"))
    if plan.site.mains:
        shown.append((lambda y: marks.mains([(0.2, y), (7.0 * s, y)], f), "buried mains"))
    if plan.site.trees:
        shown.append((lambda y: marks.trunk((across, y), 1.0 * s), "tree"))
    if plan.site.pegs:
        shown.append((lambda y: marks.peg((across, y), f), "peg (measured from)"))
    size, row = 1.95 * s, 3.9 * s
    half = (len(shown) + 1) // 2
    for i, (mark, words) in enumerate(shown):
        x, y = (i // half) * width / 2, block.height + (i % half) * row
        block.drawn.append(element("g", mark(y + row / 2), transform=f"translate({x:.2f} 0)"))
        words = cut_to_width(words, width / 2 - 8.4 * s, size)
        block.drawn.append(text(x + 8.2 * s, y + row / 2 + 0.35 * size, words, size))
    block.down(half * row)
    says = ["K… · mm²: piece of the cut list and the size of its conductors (thicker line, thicker cable)."]
    if site:
        says = [
            "K… · mm² · m: piece of the cut list, size of its conductors, length to cut (thicker line, thicker cable).",
            "T… · ground · mm: trench, the ground it lies in, its depth.",
            "V at a lamp: predicted there with all lamps on.",
        ]
    size = 1.85 * s
    for sentence in says:
        for line in wrap(sentence, width, size):
            block.words(0, line, size)
            block.down(1.25 * size)
    return block


def _joints_at_lamps(plan: Plan) -> bool:
    """Whether joints stand so near their lamps that a sheet may draw the lamp in the joint's square."""
    places = {lamp.id: (lamp.x, lamp.y) for lamp in plan.lamps}
    beside = ((joint, lamp) for joint in plan.joints if joint.post is None and not joint.hub for lamp in joint.leads)
    return any(math.dist((joint.x, joint.y), places[lamp]) < _AT_LAMP_M for joint, lamp in beside)


def ground_block(plan: Plan, width: float, s: float) -> Block:
    block = Block()
    head(block, "Ground", width, s)
    no_dig = {zone.ground for zone in plan.site.zones if zone.no_dig}
    size, row = 1.95 * s, 4.1 * s
    grounds = ground_styles(plan)
    names = list(grounds)
    half = (len(names) + 1) // 2
    for i, name in enumerate(names):
        style = grounds[name]
        x, y = (i // half) * width / 2, block.height + (i % half) * row
        corner = [(x, y + 0.4), (x + 7 * s, y + 0.4), (x + 7 * s, y + row - 0.4), (x, y + row - 0.4)]
        block.drawn.append(swatch(style.hatch, style.tint, style.outline, style.dash, corner, f"swatch-{i}"))
        says = isolated(name)
        says += " (no digging)" if name in no_dig else " (elsewhere)" if name == plan.site.base_ground else ""
        words = cut_to_width(says, width / 2 - 8.4 * s, size)
        block.drawn.append(text(x + 8.2 * s, y + row / 2 + 0.35 * size, words, size))
    block.down(half * row)
    return block


def trench_block(plan: Plan, width: float, s: float) -> Block:
    """Trenches by ground and depth."""
    metres: dict[tuple[str, float], float] = {}
    for trench in plan.trenches:
        if trench.sleeve is None:
            key = (trench.ground, trench.depth_mm)
            metres[key] = metres.get(key, 0.0) + trench.length_m
    rows = [(ground, f"{number(depth, 0)} mm", f"{number(metre, 1)} m") for (ground, depth), metre in metres.items()]
    return _table("Trenches", ("ground", "depth", "length"), rows, width, s)


def cable_block(plan: Plan, width: float, s: float) -> Block:
    """What each cable is, and how much of it lies here."""
    rows = []
    for name, used in plan.cables_used.items():
        cut_m = sum(cable.cut_m for cable in plan.cables if cable.cable == name)
        if cut_m:
            rows.append((f"{isolated(name)}, {isolated(used.size)}", f"{used.rating_a:g} A", f"{number(cut_m, 1)} m"))
    return _table("Cables", ("cable", "rated", "to cut"), rows, width, s)


def _table(title: str, heads: Sequence[str], rows: Sequence[Sequence[str]], width: float, s: float) -> Block:
    """Three columns, the first the widest."""
    block = Block()
    head(block, title, width, s)
    places, room = (0.0, 0.6 * width, 0.8 * width), (0.58 * width, 0.19 * width, 0.19 * width)
    for x, words in zip(places, heads, strict=True):
        block.words(x, words, 1.8 * s, font_style="italic")
    block.down(2.7 * s)
    size = 2.05 * s
    for row in rows:
        for x, most, words in zip(places, room, row, strict=True):
            block.words(x, cut_to_width(words, most, size), size)
        block.down(2.8 * s)
    return block


def caution_block(plan: Plan, width: float, s: float) -> Block:
    block = Block()
    head(block, "Cautions", width, s)
    for sentence in cautions(plan):
        _sentence(block, sentence, width, 1.95 * s)
    return block


def _sentence(block: Block, sentence: str, width: float, size: float) -> None:
    block.words(0, "–", size)
    _lines(block, wrap(sentence, width - 1.2 * size, size), size)


def _lines(block: Block, lines: Iterable[str], size: float) -> None:
    for line in lines:
        block.words(1.2 * size, line, size)
        block.down(1.22 * size)
    block.down(0.25 * size)


def warning_block(plan: Plan, width: float, s: float, room: float, *, whole: bool) -> Block | None:
    """As many as there is room for, or all of them (``whole``); None where that is too much."""
    size = 1.95 * s
    block = Block()
    head(block, f"Warnings of this plan: {len(plan.warnings)}", width, s)
    shown = 0
    for warning in plan.warnings:
        lines = len(wrap(warning, width - 1.2 * size, size))
        if block.height + lines * 1.22 * size + 3 * size > room:
            break
        _sentence(block, warning, width, size)
        shown += 1
    if shown < len(plan.warnings):
        if whole:
            return None
        block.words(0, f"{'All' if not shown else 'All others'} are listed in plan.json.", size, font_style="italic")
        block.down(1.4 * size)
    return block if block.height <= room else None


def sentence_blocks(title: str, sentences: Sequence[str], width: float, s: float, most: float) -> list[Block]:
    """A list of sentences, broken where it is higher than ``most``; within a sentence only where that alone is."""
    size = 1.95 * s
    blocks: list[Block] = []
    block = Block()
    head(block, title, width, s)
    for sentence in sentences:
        lines = wrap(sentence, width - 1.2 * size, size)
        needed = (1.22 * len(lines) + 0.25) * size
        if block.height + needed > most and block.height > 6 * s:
            blocks.append(block)
            block = Block()
            head(block, f"{title}, continued", width, s)
        block.words(0, "–", size)
        while block.height + (1.22 * len(lines) + 0.25) * size > most:
            fit = max(1, math.floor((most - block.height) / size / 1.22 - 0.25))
            _lines(block, lines[:fit], size)
            lines = lines[fit:]
            if not lines:
                break
            blocks.append(block)
            block = Block()
            head(block, f"{title}, continued", width, s)
        else:
            _lines(block, lines, size)
    return [*blocks, block]


def title_block(
    plan: Plan, sheet: Sheet, width: float, s: float, *, left_out: int = 0, heading: Heading | None = None
) -> Block:
    """North and scale, the job, what is drawn; ``heading`` on sheets that go to site."""
    block = Block()
    if sheet.scale:
        _north_and_bar(block, plan, sheet, width, s)
    block.drawn.append(polyline([(0, block.height), (width, block.height)], stroke=marks.INK, stroke_width=0.5))
    block.down(1.6 * s)
    size = 4.2 * s if heading is None else 3.4 * s
    lines = wrap(plan.job.title, width, size, bold=True)
    most = 3 if heading is None else 2
    if len(lines) > most:
        lines[most - 1] = cut_to_width(" ".join(lines[most - 1 :]), width, size, bold=True)
    for line in lines[:most]:
        block.words(0, line, size, font_weight="bold")
        block.down(1.19 * size)
    for fact in _facts(plan, left_out) if heading is None else _site_facts(plan, heading):
        for line in wrap(fact, width, 2.1 * s):
            block.words(0, line, 2.1 * s)
            block.down(2.7 * s)
    if heading is not None:
        _fields(block, heading, width, s)
    return block


def _facts(plan: Plan, left_out: int) -> list[str]:
    total = f"Cost {money(plan.cost.total, plan.currency)}"
    if plan.bound is not None and plan.gap is not None:
        total += f"; proven at least {money(plan.bound, plan.currency)}"
    facts = [total]
    if plan.open_bound is not None:
        facts.append(f"Wherever trenches run: at least {money(plan.open_bound, plan.currency)}")
    if plan.prices_are_invented:
        facts.append(INVENTED)
    facts.append(f"{_counts(plan)}; volts at full load, hot copper")
    digest = plan.job.digest.removeprefix("sha256:")[:12]
    facts.append(f"Job {digest}; drawn by {plan.tool.name} {plan.tool.version} from plan.json")
    if left_out:
        facts.append(f"No room on this sheet for {left_out} labels: see plan.json.")
    return facts


def _site_facts(plan: Plan, heading: Heading) -> list[str]:
    """Without money: these sheets lie about where everybody sees them."""
    return [
        heading.subject,
        f"{_counts(plan)}; volts at full load, hot copper",
        f"From plan.json, sha256 {heading.digest[:12]}, by {plan.tool.name} {plan.tool.version}",
    ]


def _counts(plan: Plan) -> str:
    return (
        f"{counted(len(plan.lamps), 'lamp')}, {counted(len(plan.drivers), 'driver')}, "
        f"{counted(len(plan.circuits), 'circuit')}"
    )


def _fields(block: Block, heading: Heading, width: float, s: float) -> None:
    """Boxes for date, revision and number of the sheet; empty ones are to be written in."""
    block.down(0.6 * s)
    high, size = 6.6 * s, 2.5 * s
    left = 0.0
    for name, words, share in (
        ("date", heading.date, 0.4),
        ("revision", heading.revision, 0.3),
        ("sheet", f"{heading.number} of {heading.of}", 0.3),
    ):
        box = share * width
        block.drawn.append(
            element("rect", x=left, y=block.height, width=box, height=high, fill="none", stroke=marks.INK,
                    stroke_width=0.2)
        )  # fmt: skip
        block.drawn.append(text(left + 0.8, block.height + 2.0 * s, name, 1.8 * s, font_style="italic"))
        shown = cut_to_width(words, box - 1.6, size, bold=True)
        block.drawn.append(text(left + 0.8, block.height + 5.4 * s, shown, size, font_weight="bold"))
        left += box
    block.down(high)


def _north_and_bar(block: Block, plan: Plan, sheet: Sheet, width: float, s: float) -> None:
    """Scale bar with its scale in words, and an arrow along y, with what is known of it."""
    most = width * 0.55
    length_m = max((m for m in _bar_lengths() if sheet.mm(m) <= most), default=1)
    parts = 4 if str(length_m)[0] in "24" else 5
    step = sheet.mm(length_m) / parts
    top = 4.6 * s
    for i in range(parts):
        fill = marks.INK if i % 2 == 0 else marks.PAPER
        bar = element(
            "rect", x=1 + i * step, y=top, width=step, height=1.3 * s, fill=fill, stroke=marks.INK, stroke_width=0.2
        )
        block.drawn.append(bar)
    size = 2.0 * s
    for i, words in ((0, "0"), (parts, f"{length_m:g} m")):
        block.drawn.append(text(1 + i * step, top - 0.8 * s, words, size, text_anchor="middle"))
    scale = f"1 : {number(sheet.scale, 0)} on {sheet.paper}"
    block.drawn.append(text(1, top + 4.4 * s, scale, 2.6 * s, font_weight="bold"))
    x = width - 6 * s
    arrow = f"M{x:.2f} 0 L{x + 1.6 * s:.2f} {6.4 * s:.2f} L{x:.2f} {5.0 * s:.2f} L{x - 1.6 * s:.2f} {6.4 * s:.2f} Z"
    block.drawn.append(element("path", d=arrow, fill=marks.PAPER, stroke=marks.INK, stroke_width=0.25))
    half = f"M{x:.2f} 0 L{x:.2f} {5.0 * s:.2f} L{x - 1.6 * s:.2f} {6.4 * s:.2f} Z"
    block.drawn.append(element("path", d=half, fill=marks.INK))
    block.drawn.append(text(width, 9.0 * s, _of_y(plan), 1.8 * s, text_anchor="end"))
    block.down(11.2 * s)


def _of_y(plan: Plan) -> str:
    """Which way y is, and no more than is known of it."""
    position = plan.site.position
    if position is None:
        return "y of the survey"
    turn = round((position.y_bearing + 180) % 360 - 180)
    if turn == 0:
        return "y, true north"
    return f"y, {abs(turn)}° {'right' if turn > 0 else 'left'} of true north"


def _bar_lengths() -> list[float]:
    return [digit * 10.0**power for power in range(-1, 5) for digit in (1, 2, 4, 5)]
