"""The words on sheets that go to site: what each must carry, what it may, and the notes. In: Plan. Out: SVG.

Every sheet carries the title and the cautions. The rest (circuits, signs, grounds, trenches by depth, cables, warnings)
stands beside the map where there is room; what does not stand there stands on sheets of notes.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property

from ..plan.model import CircuitPlan, Plan
from . import blocks, marks
from .blocks import GAP_MM, Block, Heading, column_boxes, draw_blocks
from .map_words import Window
from .sheet import FRAME_MM, GRID_BAND_MM, PAPERS_MM, Box, Sheet
from .svg import element, text

LETTERS = 1.05  # against their ordinary size: nothing below 1.9 mm (a little over 5 point)
_LEAST_MAP = 0.42  # of the paper
_WHERE_MM = 36.0  # height of the picture of where a sheet lies


@dataclass(frozen=True)
class Frame:
    """How a sheet is divided: paper, map and panel in mm; ``whole`` where the panel holds all words."""

    paper: str
    width: float
    height: float
    map: Box
    panel: Box
    columns: int
    whole: bool

    def sheet(self, scale: int, x_m: float, y_m: float) -> Sheet:
        return Sheet(self.width, self.height, self.map, self.panel, self.columns, scale, x_m, y_m, self.paper)


@dataclass(frozen=True)
class Notes:
    """Words that the plan as a whole asks for."""

    unnamed: Sequence[str] = ()
    """Trenches too short to be named on the sheets."""
    left_out: Sequence[str] = ()
    """What labels that found no room would have said."""


def frames(plan: Plan, paper: str, heading: Heading, notes: Notes) -> list[Frame]:
    """Ways to divide this paper, best first: all words beside the map, only the necessary ones beside or below it."""
    short, long = PAPERS_MM[paper]
    found = []
    known: dict[float, _Words] = {}

    def words_of(panel: Box, columns: int) -> _Words:
        """Words for this width of column, made once."""
        width = column_boxes(panel, columns)[0].width
        if width not in known:
            known[width] = _Words(plan, Sheet(0, 0, panel, panel, 1, 100, 0, 0, paper), width, heading, notes)
        return known[width]

    for whole in (True, False):
        for width, height in ((long, short), (short, long)):
            for beside in (True, False):
                for rows in (10, 0):  # of circuits, with a picture of where the sheet lies; else only what it must
                    frame = next(
                        (
                            _frame(paper, width, height, area, panel, columns, whole)
                            for area, panel, columns in _divisions(paper, width, height, beside=beside)
                            if _good(words_of(panel, columns), width, height, area, panel, columns, whole, rows)
                        ),
                        None,
                    )
                    if frame is not None:
                        found.append(frame)
                        break
    return found


def _divisions(paper: str, width: float, height: float, *, beside: bool) -> Iterator[tuple[Box, Box, int]]:
    """Map, panel and its columns, the smallest panel first."""
    inner = Box(0, 0, width, height).shrunk(FRAME_MM)
    if beside:
        for columns in (1, 2):
            panel_width = columns * _column_mm(paper)
            panel = Box(inner.right - panel_width, inner.top, panel_width, inner.height)
            yield Box(inner.left, inner.top, inner.width - panel_width, inner.height), panel, columns
        return
    columns = max(1, round(inner.width / _column_mm(paper)))
    for tall in range(40, round(inner.height * (1 - _LEAST_MAP)), 4):
        panel = Box(inner.left, inner.bottom - tall, inner.width, tall)
        yield Box(inner.left, inner.top, inner.width, inner.height - tall), panel, columns


def _column_mm(paper: str) -> float:
    return 96.0 if paper == "A3" else 86.0


def _frame(paper: str, width: float, height: float, area: Box, panel: Box, columns: int, whole: bool) -> Frame:
    return Frame(paper, width, height, area.shrunk(GRID_BAND_MM), panel, columns, whole)


def _good(
    words: _Words, width: float, height: float, area: Box, panel: Box, columns: int, whole: bool, rows: int
) -> bool:
    """Whether the panel holds the words, and enough is left for the map."""
    if area.width * area.height < _LEAST_MAP * width * height:
        return False
    most = column_boxes(panel, columns)[0].height
    count = len(words.plan.circuits if whole else words.plan.circuits[:rows])
    least = words.title.height + words.cautions.height + count * blocks.circuit_row_mm(LETTERS)
    if least > columns * most:
        return False
    wanted = words.all_blocks(most) if whole else words.circuits(words.plan.circuits[:rows], most)
    if not whole and rows:
        wanted = [*wanted, Block(height=_WHERE_MM)]
    return _flow([words.cautions, *wanted], words.title, column_boxes(panel, columns)) is not None


class _Words:
    """Blocks for one width of column, each made when it is first wanted."""

    def __init__(self, plan: Plan, sheet: Sheet, width: float, heading: Heading, notes: Notes) -> None:
        self.plan, self.sheet, self.width, self.heading, self.notes = plan, sheet, width, heading, notes

    @cached_property
    def title(self) -> Block:
        return blocks.title_block(self.plan, self.sheet, self.width, LETTERS, heading=self.heading)

    @cached_property
    def cautions(self) -> Block:
        return blocks.caution_block(self.plan, self.width, LETTERS)

    @cached_property
    def legends(self) -> list[Block]:
        return [
            blocks.sign_block(self.plan, self.width, LETTERS, site=True),
            blocks.ground_block(self.plan, self.width, LETTERS),
            blocks.trench_block(self.plan, self.width, LETTERS),
            blocks.cable_block(self.plan, self.width, LETTERS),
        ]

    def circuits(self, shown: Sequence[CircuitPlan], most: float) -> list[Block]:
        return blocks.circuit_blocks(self.plan, shown, self.width, LETTERS, len(shown), most)

    def all_blocks(self, most: float) -> list[Block]:
        """Everything but title and cautions, no block higher than ``most``."""
        plan, notes = self.plan, self.notes
        lists: list[tuple[str, Sequence[str]]] = [
            (f"Warnings of this plan: {len(plan.warnings)}", plan.warnings),
            ("No room on the sheets for", notes.left_out),
        ]
        if notes.unnamed:
            says = "Too short to be named on the sheets; see the trench list: " + ", ".join(notes.unnamed) + "."
            lists.insert(1, ("Short trenches", [says]))
        found = [*self.circuits(plan.circuits, most), *self.legends]
        for title, sentences in lists:
            if sentences:
                found += blocks.sentence_blocks(title, sentences, self.width, LETTERS, most)
        return found


Placed = list[tuple[Block, int, float]]


def _flow(made: Sequence[Block], title: Block, columns: Sequence[Box], *, some: int | None = None) -> Placed | None:
    """
    Each block into the first column with room, the title below on the right; None if it is too much.

    ``some``: so many must find room, the others may.
    """
    room = [column.height for column in columns]
    room[-1] -= title.height + GAP_MM
    used = [0.0] * len(columns)
    placed: Placed = []
    for i, block in enumerate(made):
        column = next((k for k in range(len(columns)) if used[k] + block.height <= room[k]), None)
        if column is None:
            if some is None or i < some:
                return None
            continue
        placed.append((block, column, used[column]))
        used[column] += block.height + GAP_MM
    if min(room) < 0:
        return None
    placed.append((title, len(columns) - 1, columns[-1].height - title.height))
    return placed


def whole_panel(plan: Plan, sheet: Sheet, heading: Heading, notes: Notes) -> str | None:
    """A panel with all words; None where they find no room."""
    columns = column_boxes(sheet.panel, sheet.columns)
    words = _Words(plan, sheet, columns[0].width, heading, notes)
    placed = _flow([words.cautions, *words.all_blocks(columns[0].height)], words.title, columns)
    return None if placed is None else draw_blocks(placed, columns)


def map_panel(
    plan: Plan, sheet: Sheet, heading: Heading, circuits: Sequence[CircuitPlan], windows: Sequence[Window]
) -> str:
    """A panel with title and cautions; where there is room, the sheet's circuits, where it lies, and the signs."""
    columns = column_boxes(sheet.panel, sheet.columns)
    words = _Words(plan, sheet, columns[0].width, heading, Notes())
    wanted = [words.cautions, *words.circuits(circuits, columns[0].height)]
    if len(windows) > 1:
        wanted.append(_where_block(plan, windows, heading.number, columns[0].width))
    wanted += words.legends
    placed = _flow(wanted, words.title, columns, some=1)
    if placed is None:
        raise ValueError("a panel that was measured to hold title and cautions does not")
    return draw_blocks(placed, columns)


def note_panels(plan: Plan, paper: str, headings: Sequence[Heading], notes: Notes) -> list[tuple[Sheet, str]]:
    """
    Sheets of words alone, as many as there are headings or as the words need, whichever is more.

    The headings of those beyond the last are missing: call again with as many headings.
    """
    short, long = PAPERS_MM[paper]
    width, height = (long, short) if paper == "A3" else (short, long)
    inner = Box(0, 0, width, height).shrunk(FRAME_MM)
    count = max(1, round(inner.width / _column_mm(paper)))
    sheet = Sheet(width, height, inner, inner, count, 0, 0.0, 0.0, paper)
    columns = column_boxes(inner, count)
    words = _Words(plan, sheet, columns[0].width, headings[0], notes)
    waiting = words.all_blocks(columns[0].height - words.title.height - GAP_MM)
    made: list[tuple[Sheet, str]] = []
    while waiting:
        heading = headings[min(len(made), len(headings) - 1)]
        title = _Words(plan, sheet, columns[0].width, heading, notes).title
        some = len(waiting)
        while (placed := _flow([words.cautions, *waiting[:some]], title, columns)) is None and some > 1:
            some -= 1
        if placed is None:
            raise ValueError("a block of words is higher than a sheet")
        made.append((sheet, draw_blocks(placed, columns)))
        waiting = waiting[some:]
    return made


def _where_block(plan: Plan, windows: Sequence[Window], this: int, width: float) -> Block:
    """A small picture of all sheets with this one filled; windows in metres, y up."""
    block = Block()
    blocks.head(block, "Where this sheet lies", width, LETTERS)
    left, right = min(w.box.left for w in windows), max(w.box.right for w in windows)
    low, high = min(w.box.top for w in windows), max(w.box.bottom for w in windows)
    per_m = min(width / (right - left), 30.0 / (high - low))
    top = block.height + 0.6

    def at(x: float, y: float) -> tuple[float, float]:
        return (x - left) * per_m, top + (high - y) * per_m

    for lamp in plan.lamps:
        x, y = at(lamp.x, lamp.y)
        block.drawn.append(element("circle", cx=x, cy=y, r=0.3, fill=marks.INK))
    for window in sorted(windows, key=lambda w: w.number == this):
        x, y = at(window.box.left, window.box.bottom)
        mine = window.number == this
        block.drawn.append(
            element("rect", x=x, y=y, width=window.box.width * per_m, height=window.box.height * per_m,
                    fill=marks.INK if mine else "none", fill_opacity=0.12 if mine else None, stroke=marks.INK,
                    stroke_width=0.6 if mine else 0.15)
        )  # fmt: skip
    for window in windows:
        x, y = at(window.box.left, window.box.bottom)
        size = 2.4
        block.drawn.append(
            text(x + 0.8, y + 0.4 + size, str(window.number), size,
                        font_weight="bold" if window.number == this else None)
        )  # fmt: skip
    block.height = top + (high - low) * per_m + 0.6
    return block
