"""Pages as one PDF with text that can be selected. In: Pages, fonts. Out: bytes, the same every time.

The fonts that come with the program (DejaVu Sans Condensed: Latin, Greek, Cyrillic, Hebrew, Arabic and more) are
embedded, only the signs that occur. Text of other scripts is shaped and set in its own direction. A sign that no font
holds is written as its code point, ``[U+1F333]``, so that names stay apart; a font given besides is asked first.
"""

from __future__ import annotations

import datetime
import logging
import struct
from collections.abc import Sequence
from functools import cache, lru_cache
from pathlib import Path
from typing import TYPE_CHECKING

from .canvas import Line, Mark, Page, Rect, Words
from .svg import text_width
from .words import plain

if TYPE_CHECKING:
    from fpdf import FPDF

_FONTS = Path(__file__).with_name("fonts")
_FILES = {"": _FONTS / "DejaVuSansCondensed.ttf", "B": _FONTS / "DejaVuSansCondensed-Bold.ttf"}
_PT = 72 / 25.4
_MADE = datetime.datetime(2000, 1, 1, tzinfo=datetime.UTC)
"""PDF wants a date; dates of papers come from the reader's option, never from the clock."""


@cache
def _signs(path: Path) -> frozenset[int]:
    """Code points that a font holds."""
    from fontTools.ttLib import TTFont

    with TTFont(path, lazy=True) as font:
        return frozenset(font.getBestCmap())


def font_fault(path: Path) -> str:
    """Why a file is no font that can be embedded; empty where it is one."""
    from fontTools.ttLib import TTFont, TTLibError

    try:
        with TTFont(path) as font:
            if "glyf" not in font:
                return "found a font without TrueType outlines"
            font.getBestCmap()
    except OSError as error:
        return f"cannot be read: {error.strerror or error}"
    except (TTLibError, AssertionError, ValueError, KeyError, struct.error):
        return "found no TrueType font in it"
    return ""


def drawable(text: str, fonts: Sequence[Path] = ()) -> str:
    """The text with each sign that no font holds written as its code point."""
    text = plain(text)
    return text if text.isascii() else _spelt(text, tuple(fonts))


@lru_cache(maxsize=20_000)
def _spelt(text: str, fonts: tuple[Path, ...]) -> str:
    known = [_signs(_FILES[""]) & _signs(_FILES["B"]), *(_signs(path) for path in fonts)]
    return "".join(
        char if any(ord(char) in signs for signs in known) else "" if _unseen(char) else f"[U+{ord(char):04X}]"
        for char in text
    )


def _unseen(char: str) -> bool:
    """Joiners, marks of direction and variation selectors, which draw nothing themselves."""
    code = ord(char)
    return code in range(0x200B, 0x2010) or code in range(0x202A, 0x202F) or code in range(0xFE00, 0xFE10) or (
        code in range(0x2066, 0x206A) or code in range(0xE0000, 0xE0200)
    )  # fmt: skip


def pdf_of(pages: Sequence[Page], name: str, fonts: Sequence[Path] = ()) -> bytes:
    """
    PDF of all sheets.

    Parameters
    ----------
    pages
        At least one.
    name
        Title of the document.
    fonts
        TrueType fonts for signs that the program's own lack, in the order in which they are asked.
    """
    logging.getLogger("fpdf").setLevel(logging.ERROR)
    logging.getLogger("fontTools").setLevel(logging.ERROR)
    from fpdf import FPDF

    pdf = FPDF(unit="mm")
    pdf.set_creation_date(_MADE)
    pdf.set_title(drawable(name, fonts))
    pdf.set_auto_page_break(False)
    pdf.set_margin(0)
    pdf.c_margin = 0
    for style, path in _FILES.items():
        pdf.add_font("own", style, str(path))
    for number, path in enumerate(fonts):
        pdf.add_font(f"given{number}", "", str(path))
    if fonts:
        pdf.set_fallback_fonts([f"given{number}" for number in range(len(fonts))], exact_match=False)
    for page in pages:
        pdf.add_page(format=(page.width, page.height))
        for mark in page.marks:
            _draw(pdf, mark, fonts)
    return bytes(pdf.output())


def _draw(pdf: FPDF, mark: Mark, fonts: Sequence[Path]) -> None:
    if isinstance(mark, Words):
        _write(pdf, mark, fonts)
        return
    if isinstance(mark, Line):
        pdf.set_draw_color(mark.colour)
        pdf.set_line_width(mark.width)
        if mark.dash:
            pdf.set_dash_pattern(dash=mark.dash[0], gap=mark.dash[1] if len(mark.dash) > 1 else mark.dash[0])
        pdf.line(mark.x1, mark.y1, mark.x2, mark.y2)
        if mark.dash:
            pdf.set_dash_pattern()
        return
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


def _write(pdf: FPDF, words: Words, fonts: Sequence[Path]) -> None:
    text = drawable(words.text, fonts)
    if not text:
        return
    pdf.set_font("own", "B" if words.bold else "", words.size * _PT)
    pdf.set_text_color(words.colour)
    shaped = any(ord(char) > 0x2FF and not 0x2000 <= ord(char) < 0x2C00 for char in text)
    pdf.set_text_shaping(shaped)
    if (
        not shaped
        and not fonts
        and words.anchor == "start"
        and (words.room is None or text_width(text, words.size, bold=words.bold) <= words.room)
    ):
        pdf.text(words.x, words.y, text)  # surely fits: no need to measure
        return
    width = pdf.get_string_width(text)
    if words.room is not None and width > words.room:
        while text and pdf.get_string_width(text + "…") > words.room:
            text = text[:-1]
        text = text.rstrip() + "…"
        width = pdf.get_string_width(text)
    left = words.x - (width if words.anchor == "end" else width / 2 if words.anchor == "middle" else 0.0)
    if not shaped and not fonts:
        pdf.text(left, words.y, text)
        return
    # a cell sets text of both directions; its baseline lies 0.3 of the size below its middle
    pdf.set_xy(left, words.y - 0.8 * words.size)
    pdf.cell(width, words.size, text)
