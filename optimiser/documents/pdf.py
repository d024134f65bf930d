"""Sheets as one PDF with text that can be selected. In: SVG sheets, Pages, in any order. Out: bytes, always the same.

All papers are printed with the same letters, so that sheets of any sort go into one file.
"""

from __future__ import annotations

import logging
from collections.abc import Iterator, Sequence
from pathlib import Path

from .canvas import Page
from .pdf_fonts import letters, without_clock
from .svg_to_pdf import Painted, paint_svg, texts_of_svg
from .words import plain


def pdf_of(sheets: Sequence[str | Page | Painted], title: str, fonts: Sequence[Path] = ()) -> bytes:
    """
    One page a sheet, of the sheet's own size; the same bytes for the same sheets.

    Parameters
    ----------
    sheets
        At least one: SVG as this package writes it, ``Painted`` where several files hold it, or Pages of marks.
    title
        Of the document.
    fonts
        TrueType fonts for signs that the program's own lack, in the order in which they are asked.

    Raises
    ------
    ValueError
        An SVG element or attribute that is not known here.
    """
    for name in ("fpdf", "fontTools"):
        logging.getLogger(name).setLevel(logging.ERROR)
    from fpdf import FPDF
    from fpdf.prefs import ViewerPreferences

    from .canvas_to_pdf import paint_page

    pdf = FPDF(unit="mm")
    without_clock(pdf)
    pdf.set_title(plain(title))
    pdf.set_producer("lampspur")
    pdf.set_auto_page_break(False)
    pdf.set_margin(0)
    pdf.c_margin = 0
    pdf.viewer_preferences = ViewerPreferences(print_scaling="None")  # a scale holds at 100 % only
    read = [Painted(sheet) if isinstance(sheet, str) else sheet for sheet in sheets]
    with letters(pdf, _texts(read), fonts) as pen:
        for sheet in read:
            if isinstance(sheet, Page):
                paint_page(pdf, pen, sheet)
            else:
                paint_svg(pdf, pen, sheet)
        return bytes(pdf.output())


def _texts(sheets: Sequence[Page | Painted]) -> Iterator[str]:
    from .canvas_to_pdf import texts_of_page

    for sheet in sheets:
        yield from texts_of_page(sheet) if isinstance(sheet, Page) else texts_of_svg(sheet.root)
