"""Letters for PDF files, the same on every machine. In: the texts to be set. Out: a Pen that writes them.

FiraGO (SIL Open Font License 1.1) has Latin, Greek, Cyrillic, Georgian, Hebrew, Arabic, Devanagari and Thai letters.
What it lacks (emoji, Chinese, Japanese, Korean) is printed as a box with its Unicode number, from a font made here for
these characters: two names never look alike, and searched or copied the box gives the right character.
"""

from __future__ import annotations

import io
import itertools
import re
import struct
import tempfile
import unicodedata
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from importlib import import_module
from pathlib import Path
from typing import TYPE_CHECKING, Any

from ..problems import BadInput, Problem

if TYPE_CHECKING:
    from fpdf import FPDF

FAMILY, BOXES = "fira", "boxes"
_FACES = {"": "FiraGO_Regular", "B": "FiraGO_Bold", "I": "FiraGO_Italic"}
_PT = 72 / 25.4
_ISOLATES = re.compile("[\u2066-\u2069]")
_JOINERS = "\u200c\u200d"
_UNITS, _WIDE = 1000, 900
_EPOCH_S = 2_082_844_800  # 1970 in the seconds of TrueType, which count from 1904
# Seven strokes of a digit: top, upper right, lower right, bottom, lower left, upper left, middle.
_STROKES = dict(zip("0123456789ABCDEF", (
    "abcdef", "bc", "abged", "abgcd", "fgbc", "afgcd", "afgedc", "abc", "abcdefg", "abcdfg",
    "abcefg", "cdefg", "adef", "bcdeg", "adefg", "aefg",
), strict=True))  # fmt: skip


class Pen:
    """Writes lines of text with the fonts of one file, each run of letters in the first font that has them."""

    def __init__(self, pdf: FPDF, families: Sequence[str]) -> None:
        self.pdf = pdf
        self._widths: dict[tuple[_Run, str, float], float] = {}
        self._known = [(family, frozenset(getattr(pdf.fonts[family], "cmap", ()))) for family in families]

    def lacks(self, char: str) -> bool:
        return not unseen(char) and not any(ord(char) in known for _, known in self._known)

    def width(self, words: str, size: float, style: str) -> float:
        """Of a line, in mm; ``size`` of the letters in mm, ``style`` ``""``, ``"B"`` or ``"I"``."""
        return sum(self._width(run, style, size) for run in self._runs(words))

    def write(self, x: float, y: float, words: str, size: float, style: str, anchor: str = "start") -> None:
        """One line, its baseline at ``y``; ``anchor`` says which point of it ``x`` is: start, middle or end."""
        runs = list(self._runs(words))
        if anchor == "start" and len(runs) == 1 and not runs[0].shaped:  # most lines: nothing to measure
            self._choose(runs[0], style, size)
            self.pdf.text(x, y, runs[0].words)
            return
        widths = [self._width(run, style, size) for run in runs]
        x -= {"start": 0.0, "middle": 0.5, "end": 1.0}[anchor] * sum(widths)
        for run, width in zip(runs, widths, strict=True):
            self._choose(run, style, size)
            if run.shaped:  # a cell sets text of both directions; its baseline lies 0.3 of the size below its middle
                self.pdf.set_xy(x, y - 0.8 * size)
                self.pdf.cell(width, size, run.words)
            else:
                self.pdf.text(x, y, run.words)
            x += width

    def _runs(self, words: str) -> Iterator[_Run]:
        if words.isascii():
            if words:
                yield _Run(words, FAMILY, False)
            return
        for piece in _ISOLATES.split(words):  # a name written from right to left turns no words beside it
            kept = (char for char in piece if not unseen(char) or char in _JOINERS)
            runs = []
            for family, chars in itertools.groupby(kept, self._family):
                run = "".join(chars)
                runs.append(_Run(run, family, family != BOXES and any(map(_joins, run))))
            yield from reversed(runs) if _begins_right(piece) else runs

    def _family(self, char: str) -> str:
        return next((family for family, known in self._known if ord(char) in known), BOXES)

    def _choose(self, run: _Run, style: str, size: float) -> None:
        self.pdf.set_font(run.family, style if run.family == FAMILY else "", size * _PT)
        self.pdf.set_text_shaping(use_shaping_engine=run.shaped)

    def _width(self, run: _Run, style: str, size: float) -> float:
        key = run, style, size
        if key not in self._widths:
            self._choose(run, style, size)
            self._widths[key] = self.pdf.get_string_width(run.words)
        return self._widths[key]


@dataclass(frozen=True)
class _Run:
    """Words of one font; ``shaped`` where letters join, combine or run from right to left."""

    words: str
    family: str
    shaped: bool


def _without_joining(font: Any) -> None:
    """Leave out the tables that say how letters join, where none do: to cut them down takes longest of all."""
    for table in ("GSUB", "GPOS", "GDEF"):
        if table in font.ttfont:
            del font.ttfont[table]


def _begins_right(words: str) -> bool:
    """Whether the first letter with a direction is written from right to left (UAX #9, rules P2 and P3)."""
    strong = (unicodedata.bidirectional(char) for char in words)
    return next((kind in {"R", "AL"} for kind in strong if kind in {"L", "R", "AL"}), False)


def _joins(char: str) -> bool:
    return ord(char) >= 0x300 and char not in "–…·²³°×Ω−" and not "\u0370" <= char <= "\u058f"


@contextmanager
def letters(pdf: FPDF, texts: Iterable[str], fonts: Sequence[Path] = ()) -> Iterator[Pen]:
    """
    Give ``pdf`` the fonts that these texts need; write the file before the context ends.

    Parameters
    ----------
    fonts
        Asked for what the program's own lacks, before boxes are printed.

    Raises
    ------
    BadInput
        There is no room for them in the folder of temporary files.
    """
    with tempfile.TemporaryDirectory(ignore_cleanup_errors=True) as folder:
        for style, face in _FACES.items():
            file = Path(folder) / f"{face}.ttf"
            _lay(file, import_module(f"pymupdf_fonts.{face}").fontbuffer)
            pdf.add_font(FAMILY, style, file)
        families = [FAMILY]
        for number, path in enumerate(fonts):
            families.append(f"given{number}")
            pdf.add_font(families[-1], "", path)
        pen = Pen(pdf, families)
        used = {char for text in texts if not text.isascii() for char in text}
        if not any(map(_joins, used)):
            for style in _FACES:
                _without_joining(pdf.fonts[FAMILY + style])
        lacking = sorted(char for char in used if pen.lacks(char))
        if lacking:
            file = Path(folder) / "boxes.ttf"
            _lay(file, _boxes(lacking))
            pdf.add_font(BOXES, "", file)
        try:
            yield pen
        finally:
            for font in pdf.fonts.values():
                if hasattr(font, "close"):  # fonts of files are read from them until the PDF is written
                    font.close()


def _lay(file: Path, data: bytes) -> None:
    """Put a font where the PDF's maker reads it: a temporary folder, which may lie on another disk than the papers."""
    try:
        file.write_bytes(data)
    except OSError as error:
        found = f"has no room for the letters of PDF files: {error.strerror or error}"
        mend = "make room there, or name another folder in the environment (TMPDIR)"
        raise BadInput([Problem(tempfile.gettempdir(), 0, "", found, mend)]) from error


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
