"""Letters for PDF files, the same on every machine. In: the texts to be set. Out: an FPDF with its fonts.

FiraGO (SIL Open Font License 1.1) has Latin, Greek, Cyrillic, Georgian, Hebrew, Arabic, Devanagari and Thai letters.
What it lacks (emoji, Chinese, Japanese, Korean) is printed as a box with its Unicode number, from a font made here for
these characters: two names never look alike, and searched or copied the box gives the right character.
"""

from __future__ import annotations

import io
import tempfile
import unicodedata
from collections.abc import Container, Iterable, Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from importlib import import_module
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from fpdf import FPDF

FAMILY, BOXES = "fira", "boxes"
_FACES = {"": "FiraGO_Regular", "B": "FiraGO_Bold", "I": "FiraGO_Italic"}
_UNITS, _WIDE = 1000, 900
_EPOCH_S = 2_082_844_800  # 1970 in the seconds of TrueType, which count from 1904
# Seven strokes of a digit: top, upper right, lower right, bottom, lower left, upper left, middle.
_STROKES = dict(zip("0123456789ABCDEF", (
    "abcdef", "bc", "abged", "abgcd", "fgbc", "afgcd", "afgedc", "abc", "abcdefg", "abcdfg",
    "abcefg", "cdefg", "adef", "bcdeg", "adefg", "aefg",
), strict=True))  # fmt: skip


@contextmanager
def letters(pdf: FPDF, texts: Iterable[str]) -> Iterator[None]:
    """Give ``pdf`` the fonts that these texts need; write the file before the context ends."""
    with tempfile.TemporaryDirectory(ignore_cleanup_errors=True) as folder:
        for style, face in _FACES.items():
            file = Path(folder) / f"{face}.ttf"
            file.write_bytes(import_module(f"pymupdf_fonts.{face}").fontbuffer)
            pdf.add_font(FAMILY, style, file)
        known = known_to(pdf)
        lacking = sorted({char for text in texts for char in text if ord(char) not in known and not unseen(char)})
        if lacking:
            file = Path(folder) / "boxes.ttf"
            file.write_bytes(_boxes(lacking))
            pdf.add_font(BOXES, "", file)
        yield


def known_to(pdf: FPDF) -> Container[int]:
    """Code points that the letters of ``pdf`` have."""
    return frozenset(getattr(pdf.fonts[FAMILY], "cmap", ()))


def unseen(char: str) -> bool:
    """Whether a character has no shape of its own: joiners, directions, choices between shapes."""
    return unicodedata.category(char) == "Cf" or "\ufe00" <= char <= "\ufe0f"


def without_clock(pdf: FPDF) -> None:
    """The same content is the same bytes: the file's date is 1970, not the clock's."""
    pdf.set_creation_date(datetime(1970, 1, 1, tzinfo=UTC))


def _boxes(chars: Iterable[str]) -> bytes:
    """A TrueType font with a numbered box for each of these characters."""
    from fontTools.fontBuilder import FontBuilder

    names = {ord(char): f"u{ord(char):04X}" for char in chars}
    order = [".notdef", *names.values()]
    builder = FontBuilder(_UNITS, isTTF=True)
    builder.setupGlyphOrder(order)
    builder.setupCharacterMap(names)
    builder.setupGlyf({".notdef": _box(""), **{name: _box(f"{code:04X}") for code, name in names.items()}})
    builder.setupHorizontalMetrics(dict.fromkeys(order, (_WIDE, 40)))
    builder.setupHorizontalHeader(ascent=800, descent=-200)
    builder.setupNameTable({"familyName": "Numbered boxes", "styleName": "Regular"}, mac=False)
    builder.setupOS2(sTypoAscender=800, sTypoDescender=-200, usWinAscent=800, usWinDescent=200)
    builder.setupPost()
    builder.font["head"].created = builder.font["head"].modified = _EPOCH_S
    builder.font.recalcTimestamp = False
    stream = io.BytesIO()
    builder.save(stream)
    return stream.getvalue()


def _box(digits: str) -> object:
    """A frame with digits in two rows."""
    from fontTools.pens.ttGlyphPen import TTGlyphPen

    pen = TTGlyphPen(None)

    def bar(left: float, low: float, right: float, high: float, *, hole: bool = False) -> None:
        corners = [(left, low), (left, high), (right, high), (right, low)]
        first, *others = [(round(x), round(y)) for x, y in (corners[::-1] if hole else corners)]
        pen.moveTo(first)
        for corner in others:
            pen.lineTo(corner)
        pen.closePath()

    bar(40, -120, 860, 780)
    bar(75, -85, 825, 745, hole=True)
    columns = (len(digits) + 1) // 2
    for i, digit in enumerate(digits):
        across = 700 / columns
        left, low = 110 + (i % columns) * across, 360 - (i // columns) * 390
        right, high, pen_mm = left + across - 50, low + 320, 42
        middle = (low + high) / 2
        bars = {
            "a": (left, high - pen_mm, right, high), "b": (right - pen_mm, middle, right, high),
            "c": (right - pen_mm, low, right, middle), "d": (left, low, right, low + pen_mm),
            "e": (left, low, left + pen_mm, middle), "f": (left, middle, left + pen_mm, high),
            "g": (left, middle - pen_mm / 2, right, middle + pen_mm / 2),
        }  # fmt: skip
        for stroke in _STROKES[digit]:
            bar(*bars[stroke])
    return pen.glyph()
