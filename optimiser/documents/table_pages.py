"""Lists as sheets of A4. In: Tables, what stands in their heads. Out: Pages.

Columns take the width that their words need; where that is more than the sheet has, the long ones give way and their
cells break into lines. Every sheet has the job, date, plan and page in its head and the cautions at its foot, so that
it can be handed out alone.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from . import svg
from .canvas import A4, A4_WIDE, FAINT, HAIR, TINT, Line, Mark, Page, Rect, Words
from .tables import Cell, Column, Table, shown
from .words import plain

MARGIN = 12.0
_HEAD, _FOOT = 27.0, 20.0
_SIZE, _HEAD_SIZE, _SAYS = 2.75, 2.4, 2.75
_LEAD = 1.25
"""Line distance over font size."""
_PAD = 1.4
_CAPPED, _CAPPED_WORD = 60.0, 26.0
_SHORT = 15.0
_ROW, _CLOSE_ROW = 6.2, 5.5
"""Least height of rows with boxes; the smaller one where it saves a sheet that would be nearly empty."""
_NEARLY_EMPTY = 0.35
_NARROWER = 0.95
"""Widths of the PDF's letters over those that ``svg`` reckons with, at most."""


def text_width(text: str, size: float, *, bold: bool = False) -> float:
    return _NARROWER * svg.text_width(text, size, bold=bold)


def wrap(text: str, width: float, size: float, *, bold: bool = False) -> list[str]:
    return svg.wrap(text, width / _NARROWER + 1e-6, size, bold=bold)  # a column may be just as wide as its words


@dataclass(frozen=True)
class Heading:
    """What every sheet says at its head and foot."""

    job: str
    date: str
    digest: str
    invented: str
    caution: str


def table_pages(tables: Sequence[Table], heading: Heading) -> list[Page]:
    """Sheets of all tables, numbered through: each on its own, or below the one before where that saves a sheet."""
    pages: list[Page] = []
    last: _Sheets | None = None
    for table in tables:
        last = _laid_out(table, last)
        pages += last.pages
    for number, page in enumerate(pages, 1):
        frame(page, heading, f"page {number} of {len(pages)}")
    return pages


def frame(page: Page, heading: Heading, number: str) -> None:
    """Draw the head and the foot of a sheet."""
    right = page.width - MARGIN
    date = f", date {heading.date}" if heading.date else ""
    caution = f"{heading.caution} {heading.invented}".strip()
    lines = svg.wrap(caution, right - MARGIN, 2.3)
    top = page.height - MARGIN - 2.3 * _LEAD * len(lines)
    head: list[Mark] = [
        Words(MARGIN, MARGIN + 4.0, page.title, 5.0, bold=True, room=right - MARGIN - 40),
        Words(right, MARGIN + 4.0, number, 2.6, anchor="end"),
        Words(MARGIN, MARGIN + 9.2, plain(heading.job), 3.0, room=right - MARGIN - 96),
        Words(right, MARGIN + 9.2, f"plan {heading.digest}{date}", 2.6, anchor="end", room=92),
        Line(MARGIN, MARGIN + 11.2, right, MARGIN + 11.2, 0.4),
    ]
    page.marks[:0] = head  # first, so that text is read in order
    page.add(Line(MARGIN, top - 1.2, right, top - 1.2, 0.2, FAINT))
    for i, line in enumerate(lines):
        page.add(Words(MARGIN, top + 2.0 + 2.3 * _LEAD * i, line, 2.3))


def _laid_out(table: Table, before: _Sheets | None) -> _Sheets:
    """The table on as few sheets as can be."""
    best = _Sheets(table, None)
    if len(best.pages) > 1 and best.y < MARGIN + _NEARLY_EMPTY * best.size[1]:
        best = min(best, _Sheets(table, None, _CLOSE_ROW), key=lambda sheets: len(sheets.pages))
    if table.follows and before is not None and best.fits_below(before):
        marks = len(before.page.marks)
        below = _Sheets(table, before)
        if len(below.pages) < len(best.pages):
            return below
        del before.page.marks[marks:]
    return best


class _Sheets:
    """One table, laid out from top to bottom; below the one before where that is given."""

    def __init__(self, table: Table, before: _Sheets | None, row_mm: float = _ROW) -> None:
        self.table = table
        self.row_mm = row_mm
        self.size = A4_WIDE if table.wide else A4
        self.room = self.size[0] - 2 * MARGIN
        self.kept = [i for i, column in enumerate(table.columns) if column.share > 0]
        self.columns = [table.columns[i] for i in self.kept]
        self.fills = any(column.to_fill for column in self.columns)
        self.numeric = [self._is_numeric(i) for i in self.kept]
        self.widths = self._widths()
        self.heads = [wrap(column.head, width - _PAD, _HEAD_SIZE, bold=True)
                      for column, width in zip(self.columns, self.widths, strict=True)]  # fmt: skip
        self.head_mm = max((len(lines) for lines in self.heads), default=1) * _HEAD_SIZE * _LEAD + 1.6
        self.pages: list[Page] = []
        """Sheets begun for this table: none where it fits below the one before."""
        self.y = 0.0
        if before is not None:
            self.page: Page = before.page
            self.y = before.y + 9.0
            self.page.add(Words(MARGIN, self.y, table.title, 4.2, bold=True, room=self.room))
            self.y += 1.5
        else:
            self._next_page()
        self._say(table.before)
        if not table.rows:
            self._say(("None.",))
        else:
            self._body()
        self.y += 2.0
        self._say(table.after)

    @property
    def bottom(self) -> float:
        return self.size[1] - MARGIN - _FOOT + 8

    def fits_below(self, before: _Sheets) -> bool:
        """Whether title, first words and first rows have room there: no title stands alone."""
        lines = [line for sentence in self.table.before for line in wrap(sentence, self.room, _SAYS)]
        words_mm = len(lines) * _SAYS * _LEAD + 1.2 * len(self.table.before)
        needed = 10.5 + words_mm + 9.0 + self.head_mm + 3 * self.row_mm
        return before.size == self.size and before.y + needed <= self.bottom

    def _is_numeric(self, index: int) -> bool:
        cells = [row[index] for row in self.table.rows if row[index] is not None]
        return bool(cells) and not any(isinstance(cell, str) for cell in cells)

    def _text(self, row: Sequence[Cell], k: int) -> str:
        cell, column = row[self.kept[k]], self.columns[k]
        return shown(cell, column.digits)

    def _widths(self) -> list[float]:
        least, wanted = [], []
        for k, column in enumerate(self.columns):
            head = max((text_width(word, _HEAD_SIZE, bold=True) for word in column.head.split()), default=0.0)
            texts = [self._text(row, k) for row in self.table.rows]
            whole = max((text_width(text, _SIZE) for text in texts), default=0.0)
            word = max((text_width(word, _SIZE) for text in texts for word in text.split()), default=0.0)
            if column.to_fill:
                head, whole = max(head, 11 * column.share), 14 * column.share
            least.append(max(head, min(word, _CAPPED_WORD)) + 2 * _PAD)
            wanted.append(max(least[-1], min(whole, _CAPPED) + 2 * _PAD))
        spare = self.room - sum(wanted)
        if spare >= 0:
            shares = [column.share if column.to_fill else 0.25 * column.share for column in self.columns]
            return [width + spare * share / sum(shares) for width, share in zip(wanted, shares, strict=True)]
        slack = sum(wanted) - sum(least)
        room = self.room - sum(least)
        if room >= 0 and slack > 0:
            return [low + room * (high - low) / slack for low, high in zip(least, wanted, strict=True)]
        # not even the longest words have room: short columns keep their width, long ones share the rest
        kept = [low if low <= _SHORT else 0.0 for low in least]
        rest = [low - keep for low, keep in zip(least, kept, strict=True)]
        if sum(kept) > 0.7 * self.room or not sum(rest):
            return [self.room * low / sum(least) for low in least]
        part = (self.room - sum(kept)) / sum(rest)
        return [keep + part * low for keep, low in zip(kept, rest, strict=True)]

    def _next_page(self) -> None:
        title = self.table.title + (", continued" if self.y else "")
        self.page = Page(*self.size, title)
        self.pages.append(self.page)
        self.y = MARGIN + 15.0

    def _say(self, sentences: Sequence[str]) -> None:
        for sentence in sentences:
            lines = wrap(sentence, self.room, _SAYS)
            if self.y + len(lines) * _SAYS * _LEAD > self.bottom and self.y > MARGIN + 16:
                self._next_page()
            for line in lines:
                if self.y + _SAYS > self.bottom:
                    self._next_page()
                self.y += _SAYS * _LEAD
                self.page.add(Words(MARGIN, self.y, line, _SAYS))
            self.y += 1.2

    def _body(self) -> None:
        for part in self.table.parts:
            cells = [piece for row in part.rows for piece in self._broken(row)]
            heights = [self._height(row) for row in cells]
            needed = 9.0 + self.head_mm + sum(heights[:2])
            if self.y + needed > self.bottom and self.y > MARGIN + 16:
                self._next_page()
            self._part_title(part.title)
            self._column_heads()
            for k, (row, height) in enumerate(zip(cells, heights, strict=True)):
                with_last = heights[-1] if 0 < k == len(cells) - 2 else 0.0  # which should not go on alone
                if self.y + height + with_last > self.bottom:
                    self._next_page()
                    self._part_title(part.title and f"{part.title}, continued")
                    self._column_heads()
                self._row(row, height)

    def _broken(self, row: Sequence[Cell]) -> list[list[list[str]]]:
        """Lines of each cell of a row; in several pieces where one sheet cannot hold them."""
        cells = [wrap(self._text(row, k), width - 2 * _PAD, _SIZE) or [""] for k, width in enumerate(self.widths)]
        most = int((self.bottom - MARGIN - 26.0 - self.head_mm) / (_SIZE * _LEAD))
        longest = max(len(lines) for lines in cells)
        return [[lines[start : start + most] or [""] for lines in cells] for start in range(0, longest, most)]

    def _height(self, row: Sequence[Sequence[str]]) -> float:
        lines = max(len(cell) for cell in row)
        return max(self.row_mm if self.fills else 4.6, lines * _SIZE * _LEAD + 1.6)

    def _part_title(self, words: str) -> None:
        self.y += 2.0
        if words:
            self.y += 4.2
            self.page.add(Words(MARGIN, self.y, words, 3.2, bold=True, room=self.room))
            self.y += 1.6

    def _column_heads(self) -> None:
        page = self.page
        page.add(Rect(MARGIN, self.y, self.room, self.head_mm, TINT, None))
        x = MARGIN
        for lines, width, numeric in zip(self.heads, self.widths, self.numeric, strict=True):
            at, anchor = (x + width - _PAD, "end") if numeric else (x + _PAD, "start")
            for i, line in enumerate(lines):
                y = self.y + 0.6 + _HEAD_SIZE * _LEAD * (i + 0.85)
                page.add(Words(at, y, line, _HEAD_SIZE, bold=True, anchor=anchor))
            x += width
        self.y += self.head_mm
        page.add(Line(MARGIN, self.y, MARGIN + self.room, self.y, 0.3))

    def _row(self, row: Sequence[Sequence[str]], height: float) -> None:
        page, x = self.page, MARGIN
        for k, (lines, width) in enumerate(zip(row, self.widths, strict=True)):
            column: Column = self.columns[k]
            if column.to_fill:
                page.add(Rect(x + 0.5, self.y + 0.7, width - 1.0, height - 1.4, None, FAINT, 0.15))
            at, anchor = (x + width - _PAD, "end") if self.numeric[k] else (x + _PAD, "start")
            top = self.y + (height - len(lines) * _SIZE * _LEAD) / 2
            for i, line in enumerate(lines):
                page.add(Words(at, top + _SIZE * _LEAD * (i + 0.82), line, _SIZE, anchor=anchor, room=width - 1.0))
            x += width
        self.y += height
        page.add(Line(MARGIN, self.y, MARGIN + self.room, self.y, 0.15, HAIR))
