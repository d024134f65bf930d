"""Sheets as one PDF with text that can be selected. In: SVG sheets, Pages, in any order. Out: bytes, always the same.

All papers are printed with the same letters, so that sheets of any sort go into one file.
"""

from __future__ import annotations

import logging
from collections.abc import Iterator, Sequence
from pathlib import Path
from xml.etree import ElementTree

from .canvas import Page
from .pdf_fonts import letters, without_clock
from .words import plain


def pdf_of(sheets: Sequence[str | Page], title: str, fonts: Sequence[Path] = ()) -> bytes:
    """
    One page a sheet, of the sheet's own size; the same bytes for the same sheets.

    Parameters
    ----------
    sheets
        At least one: SVG as this package writes it, or Pages of marks.
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
    from .svg_to_pdf import paint_svg

    pdf = FPDF(unit="mm")
    without_clock(pdf)
    pdf.set_title(plain(title))
    pdf.set_producer("lampspur")
    pdf.set_auto_page_break(False)
    pdf.set_margin(0)
    pdf.c_margin = 0
    pdf.viewer_preferences = ViewerPreferences(print_scaling="None")  # a scale holds at 100 % only
    read = [sheet if isinstance(sheet, Page) else ElementTree.fromstring(sheet) for sheet in sheets]
    with letters(pdf, _texts(read), fonts) as pen:
        for sheet in read:
            if isinstance(sheet, Page):
                paint_page(pdf, pen, sheet)
            else:
                paint_svg(pdf, pen, sheet)
        return bytes(pdf.output())


def _texts(sheets: Sequence[Page | ElementTree.Element]) -> Iterator[str]:
    from .canvas_to_pdf import texts_of_page
    from .svg_to_pdf import texts_of_svg

    for sheet in sheets:
        yield from texts_of_page(sheet) if isinstance(sheet, Page) else texts_of_svg(sheet)
