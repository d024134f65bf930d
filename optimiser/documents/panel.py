"""The words beside the map: circuits, signs, cautions, warnings, title. In: Plan, Sheet. Out: SVG."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

from ..plan.model import Plan
from . import marks
from .cautions import cautions
from .hatch import swatch
from .palette import LineStyle, circuit_styles, ground_styles
from .sheet import Sheet
from .svg import cut_to_width, element, group, polyline, text, wrap
from .words import INVENTED, counted, money, number

_GAP_MM = 3.0
_LETTERS = (1.24, 1.12, 1.0, 0.94, 0.88, 0.82, 0.76)  # how large letters may be against their ordinary size


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
    panel, columns = sheet.panel, sheet.columns
    width = panel.width / columns - 2 * _GAP_MM
    title = _title(plan, sheet, left_out, width, s)
    room = [panel.height - 2 * _GAP_MM] * columns
    room[-1] -= title.height + _GAP_MM
    used = [0.0] * columns
    drawn = []
    blocks = [
        *_circuits(plan, width, s, len(plan.circuits) if rows is None else rows, room[0]),
        _signs(plan, width, s),
        _grounds(plan, width, s),
        _cautions(plan, width, s),
    ]
    for block in blocks:
        column = next((i for i in range(columns) if used[i] + block.height <= room[i]), None)
        if column is None:
            return None
        drawn.append(_at(block, sheet, column, used[column]))
        used[column] += block.height + _GAP_MM
    if plan.warnings:
        column = max(range(columns), key=lambda i: room[i] - used[i])
        warnings = _warnings(plan, width, s, room[column] - used[column], whole)
        if warnings is None:
            return None
        drawn.append(_at(warnings, sheet, column, used[column]))
    drawn.append(_at(title, sheet, columns - 1, panel.height - 2 * _GAP_MM - title.height))
    return group(drawn, id="panel")


def _at(block: Block, sheet: Sheet, column: int, down: float) -> str:
    x = sheet.panel.left + column * sheet.panel.width / sheet.columns + _GAP_MM
    return group(block.drawn, transform=f"translate({x:.2f} {sheet.panel.top + _GAP_MM + down:.2f})")


def _head(block: Block, words: str, width: float, s: float) -> None:
    block.words(0, words, 2.7 * s, font_weight="bold")
    block.down(3.3 * s)
    block.drawn.append(polyline([(0, block.height), (width, block.height)], stroke=marks.INK, stroke_width=0.2))
    block.down(0.9 * s)


def _circuits(plan: Plan, width: float, s: float, rows: int, most: float) -> list[Block]:
    """A table, broken where it is higher than a column."""
    blocks: list[Block] = []
    styles = circuit_styles(plan)
    size = 2.05 * s
    head = ("circuit", "driver", "lamps", "A", "protected by")
    places = (0.0, 0.34 * width, 0.48 * width, 0.6 * width, 0.68 * width)

    def begin() -> Block:
        fresh = Block()
        _head(fresh, "Circuits" if not blocks else "Circuits, continued", width, s)
        for x, words in zip(places, head, strict=True):
            fresh.words(x, words, 1.8 * s, font_style="italic")
        fresh.down(2.7 * s)
        return fresh

    block = begin()
    for circuit in plan.circuits[:rows]:
        if block.height + 3.0 * s > most:
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
        name = cut_to_width(circuit.id, 0.15 * width, size, bold=True)
        block.words(0.19 * width, name, size, font_weight="bold", fill=style.colour)
        driver = cut_to_width(f"{circuit.driver}.{circuit.outlet}", 0.13 * width, size)
        for x, words in zip(places[1:], (driver, str(len(circuit.lamps)), number(circuit.amps, 2), fuse), strict=True):
            block.words(x, words, size)
        block.down(3.0 * s)
    if rows < len(plan.circuits):
        block.words(0, f"and {len(plan.circuits) - rows} more: see plan.json", size, font_style="italic")
        block.down(3.0 * s)
    return [*blocks, block]


def _signs(plan: Plan, width: float, s: float) -> Block:
    block = Block()
    _head(block, "Signs", width, s)
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
    size = 1.85 * s
    for line in wrap(
        "K05 · 2.5: piece of the cut list and its size in mm² (thicker line, thicker cable).", width, size
    ):
        block.words(0, line, size)
        block.down(1.25 * size)
    return block


def _grounds(plan: Plan, width: float, s: float) -> Block:
    block = Block()
    _head(block, "Ground", width, s)
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
        says = (
            f"{name} (no digging)"
            if name in no_dig
            else f"{name} (elsewhere)"
            if name == plan.site.base_ground
            else name
        )
        words = cut_to_width(says, width / 2 - 8.4 * s, size)
        block.drawn.append(text(x + 8.2 * s, y + row / 2 + 0.35 * size, words, size))
    block.down(half * row)
    return block


def _cautions(plan: Plan, width: float, s: float) -> Block:
    block = Block()
    _head(block, "Cautions", width, s)
    for sentence in cautions(plan):
        _sentence(block, sentence, width, 1.95 * s)
    return block


def _sentence(block: Block, sentence: str, width: float, size: float) -> None:
    block.words(0, "–", size)
    for line in wrap(sentence, width - 1.2 * size, size):
        block.words(1.2 * size, line, size)
        block.down(1.22 * size)
    block.down(0.25 * size)


def _warnings(plan: Plan, width: float, s: float, room: float, whole: bool) -> Block | None:
    """As many as there is room for, or all of them (``whole``); None where that is too much."""
    size = 1.95 * s
    block = Block()
    _head(block, f"Warnings of this plan: {len(plan.warnings)}", width, s)
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


def _title(plan: Plan, sheet: Sheet, left_out: int, width: float, s: float) -> Block:
    block = Block()
    _north_and_bar(block, sheet, width, s)
    block.drawn.append(polyline([(0, block.height), (width, block.height)], stroke=marks.INK, stroke_width=0.5))
    block.down(1.6 * s)
    lines = wrap(plan.job.title, width, 4.2 * s, bold=True)
    if len(lines) > 3:
        lines[2] = cut_to_width(lines[2] + " " + lines[3], width, 4.2 * s, bold=True)
    for line in lines[:3]:
        block.words(0, line, 4.2 * s, font_weight="bold")
        block.down(5.0 * s)
    total = f"Cost {money(plan.cost.total, plan.currency)}"
    if plan.bound is not None and plan.gap is not None:
        total += f"; proven at least {money(plan.bound, plan.currency)}"
    facts = [total]
    if plan.prices_are_invented:
        facts.append(INVENTED)
    facts.append(
        f"{counted(len(plan.lamps), 'lamp')}, {counted(len(plan.drivers), 'driver')}, "
        f"{counted(len(plan.circuits), 'circuit')}; "
        "volts at full load, hot copper"
    )
    digest = plan.job.digest.removeprefix("sha256:")[:12]
    facts.append(f"Job {digest}; drawn by {plan.tool.name} {plan.tool.version} from plan.json")
    if left_out:
        facts.append(f"No room on this sheet for {left_out} labels: see plan.json.")
    for fact in facts:
        for line in wrap(fact, width, 2.1 * s):
            block.words(0, line, 2.1 * s)
            block.down(2.7 * s)
    return block


def _north_and_bar(block: Block, sheet: Sheet, width: float, s: float) -> None:
    """Scale bar with its scale in words, and an arrow to grid north."""
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
    scale = f"1 : {number(sheet.scale, 0)} on A3"
    block.drawn.append(text(1, top + 4.4 * s, scale, 2.6 * s, font_weight="bold"))
    x = width - 6 * s
    arrow = f"M{x:.2f} 0 L{x + 1.6 * s:.2f} {6.4 * s:.2f} L{x:.2f} {5.0 * s:.2f} L{x - 1.6 * s:.2f} {6.4 * s:.2f} Z"
    block.drawn.append(element("path", d=arrow, fill=marks.PAPER, stroke=marks.INK, stroke_width=0.25))
    half = f"M{x:.2f} 0 L{x:.2f} {5.0 * s:.2f} L{x - 1.6 * s:.2f} {6.4 * s:.2f} Z"
    block.drawn.append(element("path", d=half, fill=marks.INK))
    block.drawn.append(text(x, 9.0 * s, "grid north (y)", 1.8 * s, text_anchor="middle"))
    block.down(11.2 * s)


def _bar_lengths() -> list[float]:
    return [digit * 10.0**power for power in range(-1, 5) for digit in (1, 2, 4, 5)]
