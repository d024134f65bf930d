"""Writing SVG, and how wide text will be. In: numbers and texts. Out: escaped elements; millimetres."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterable, Sequence
from functools import cache, lru_cache
from xml.sax.saxutils import escape, quoteattr

from .words import FIRST_STRONG, POP, most_that_fit, plain

Point = tuple[float, float]

# Widths over font size, on the wide side of common sans-serif fonts, so that a measured box holds any of them.
_NARROW = {
    **dict.fromkeys("ijlI.,:;'|!·’", 0.33),
    **dict.fromkeys('frt()[]- /\\"', 0.42),
    **dict.fromkeys("mwMW@%—…", 0.95),
}
_WIDE_UPPER = 0.72
_LOWER = 0.61


@lru_cache(maxsize=1 << 12)
def _advance(char: str) -> float:
    """Width of one sign over the size of its font."""
    if unicodedata.combining(char) or unicodedata.category(char) in {"Cf", "Mn", "Me"}:
        return 0.0
    if char in _NARROW:
        return _NARROW[char]
    if unicodedata.east_asian_width(char) in "WF":
        return 1.05
    if char.isdigit():
        return 0.64
    if ord(char) > 0x24F and char not in "–²³°×Ω":
        return 0.95
    return _WIDE_UPPER if char.isupper() else _LOWER


@lru_cache(maxsize=1 << 16)
def text_width(text: str, size: float, *, bold: bool = False) -> float:
    """Width that a generic sans-serif font needs at most, in the unit of ``size``."""
    total = 0.0
    for char in text:  # not by sum(), which rounds otherwise from Python 3.12 on
        total += _advance(char)
    return total * size * (1.1 if bold else 1.0)


def _how_many_fit(text: str, begin: int, width: float, size: float, *, bold: bool, end: str = "") -> int:
    """How many signs from ``begin`` on are no wider than ``width`` with ``end`` behind them; looks at few more."""
    after, total, count = text_width(end, 1.0), 0.0, 0
    for i in range(begin, len(text)):
        total += _advance(text[i])
        if (total + after) * size * (1.1 if bold else 1.0) > width:
            break
        count += 1
    return count


def cut_to_width(text: str, width: float, size: float, *, bold: bool = False) -> str:
    """The text, or as much of it as fits with an ellipsis."""
    text = plain(text)
    if text_width(text, size, bold=bold) <= width:
        return text
    return text[: _how_many_fit(text, 0, width, size, bold=bold, end="…")].rstrip() + "…"


def cut_middle(text: str, width: float, size: float, *, bold: bool = False) -> str:
    """The text, or its two ends with an ellipsis between: names often differ at their ends."""
    text = plain(text)
    if text_width(text, size, bold=bold) <= width:
        return text

    def ends(count: int) -> tuple[str, str]:
        """So many signs of the text, of an odd number one more from its end."""
        return text[: count // 2], text[len(text) - (count + 1) // 2 :]

    def fits(count: int) -> bool:
        start, end = ends(count)
        return text_width(f"{start}…{end}", size, bold=bold) <= width

    start, end = ends(most_that_fit(len(text), fits))
    start, end = start.rstrip(), end.lstrip()
    return start + POP * (start.count(FIRST_STRONG) - start.count(POP)) + "…" + end


def wrap(text: str, width: float, size: float, *, bold: bool = False) -> list[str]:
    """Lines no wider than ``width``; a word too long for a line is broken."""
    return list(_wrapped(text, width, size, bold))


@lru_cache(maxsize=1 << 10)  # panels of many sizes are tried with the same words
def _wrapped(text: str, width: float, size: float, bold: bool) -> tuple[str, ...]:
    lines: list[str] = []
    line = ""
    for word in plain(text).split():
        joined = f"{line} {word}" if line else word
        if _how_many_fit(joined, 0, width, size, bold=bold) == len(joined):
            line = joined
            continue
        if line:
            lines.append(line)
        begin = 0
        while len(word) - begin > 1:
            take = max(1, _how_many_fit(word, begin, width, size, bold=bold))
            if begin + take == len(word):
                break
            lines.append(word[begin : begin + take])
            begin += take
        line = word[begin:]
    return (*lines, line) if line else tuple(lines)


def num(value: float) -> str:
    """A coordinate in millimetres, hundredths at most, never ``-0``."""
    text = f"{value:.2f}".rstrip("0").rstrip(".")
    return "0" if text == "-0" else text


_SPECIAL = re.compile("[&<>\"'\n\r\t]")


@cache
def _attribute(name: str) -> str:
    return name.rstrip("_").replace("_", "-")


def element(tag: str, content: str | None = None, /, **attributes: float | str | None) -> str:
    """
    One element; ``None`` attributes are left out, ``_`` in names becomes ``-``, values are escaped.

    ``content`` must be SVG already; text goes through ``text``.
    """
    parts = [tag]
    for name, value in attributes.items():
        if value is None:
            continue
        if isinstance(value, str):
            shown = quoteattr(value) if _SPECIAL.search(value) else f'"{value}"'
        else:
            shown = f'"{num(value)}"'
        parts.append(f"{_attribute(name)}={shown}")
    head = " ".join(parts)
    return f"<{head}/>" if content is None else f"<{head}>{content}</{tag}>"


def text(x: float, y: float, words: str, size: float, **attributes: float | str | None) -> str:
    """Real text with its baseline at ``y``."""
    return element("text", escape(plain(words)), x=x, y=y, font_size=size, **attributes)


def title(words: str) -> str:
    """What a viewer shows when the pointer rests on the element around it."""
    return f"<title>{escape(plain(words))}</title>"


def group(content: Iterable[str], **attributes: float | str | None) -> str:
    return element("g", "\n" + "\n".join(content) + "\n", **attributes)


def points(route: Sequence[Point]) -> str:
    return " ".join(f"{num(x)},{num(y)}" for x, y in route)


def polyline(route: Sequence[Point], **attributes: float | str | None) -> str:
    return element("polyline", points=points(route), fill="none", **attributes)


def rings_path(rings: Iterable[Sequence[Point]], **attributes: float | str | None) -> str:
    """Closed rings, holes left open."""
    d = "".join("M" + " ".join(f"{num(x)} {num(y)}" for x, y in ring) + "Z" for ring in rings)
    return element("path", d=d, fill_rule="evenodd", **attributes)
