"""A Page of marks painted into a PDF. In: Page. Out: nothing; what was drawn is in the FPDF."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

from .canvas import Line, Mark, Page, Rect, Words
from .pdf_fonts import Pen
from .svg import text_width
from .words import most_that_fit, plain

if TYPE_CHECKING:
    from fpdf import FPDF


def texts_of_page(page: Page) -> Iterator[str]:
    for mark in page.marks:
        if isinstance(mark, Words):
            yield plain(mark.text) + "…"


def paint_page(pdf: FPDF, pen: Pen, page: Page) -> None:
    """A sheet of its own size, its marks in their order."""
    pdf.add_page(format=(page.width, page.height))
    for mark in page.marks:
        if isinstance(mark, Words):
            _write(pdf, pen, mark)
        else:
            _draw(pdf, mark)


def _draw(pdf: FPDF, mark: Mark) -> None:
    if isinstance(mark, Line):
        pdf.set_draw_color(mark.colour)
        pdf.set_line_width(mark.width)
        if mark.dash:
            pdf.set_dash_pattern(dash=mark.dash[0], gap=mark.dash[1] if len(mark.dash) > 1 else mark.dash[0])
        pdf.line(mark.x1, mark.y1, mark.x2, mark.y2)
        if mark.dash:
            pdf.set_dash_pattern()
        return
    assert not isinstance(mark, Words)
    if mark.fill is not None:
        pdf.set_fill_color(mark.fill)
    if mark.stroke is not None:
        pdf.set_draw_color(mark.stroke)
        pdf.set_line_width(mark.line)
    style = ("D" if mark.stroke is not None else "") + ("F" if mark.fill is not None else "")
    if isinstance(mark, Rect):
        pdf.rect(mark.x, mark.y, mark.width, mark.height, style=style)
    else:
        pdf.circle(mark.x, mark.y, mark.radius, style=style)


def _surely_fits(words: Words, text: str) -> bool:
    """Without measuring: no sign of ASCII is wider than 1.25 of what ``text_width`` reckons."""
    return words.room is not None and text.isascii() and 1.25 * text_width(text, words.size) <= words.room


def _write(pdf: FPDF, pen: Pen, words: Words) -> None:
    text, style = plain(words.text), "B" if words.bold else ""
    room = words.room
    if room is not None and not _surely_fits(words, text) and pen.width(text, words.size, style) > room:
        kept = most_that_fit(len(text), lambda count: pen.width(text[:count] + "…", words.size, style) <= room)
        text = text[:kept].rstrip() + "…"
    pdf.set_text_color(words.colour)
    pen.write(words.x, words.y, text, words.size, style, words.anchor)
