"""Writing SVG, and how wide text will be. In: numbers and texts. Out: escaped elements; millimetres."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterable, Sequence
from functools import cache, lru_cache
from xml.sax.saxutils import escape, quoteattr

from .words import FIRST_STRONG, POP, plain

Point = tuple[float, float]

# Widths over font size, on the wide side of common sans-serif fonts, so that a measured box holds any of them.
_NARROW = {
    **dict.fromkeys("ijlI.,:;'|!·’", 0.33),
    **dict.fromkeys('frt()[]- /\\"', 0.42),
    **dict.fromkeys("mwMW@%—…", 0.95),
}
_WIDE_UPPER = 0.72
_LOWER = 0.61


@lru_cache(maxsize=1 << 16)
def text_width(text: str, size: float, *, bold: bool = False) -> float:
    """Width that a generic sans-serif font needs at most, in the unit of ``size``."""
    total = 0.0
    for char in text:
        if unicodedata.combining(char) or unicodedata.category(char) in {"Cf", "Mn", "Me"}:
            continue
        if char in _NARROW:
            total += _NARROW[char]
        elif unicodedata.east_asian_width(char) in "WF":
            total += 1.05
        elif char.isdigit():
            total += 0.64
        elif ord(char) > 0x24F and char not in "–²³°×Ω":
            total += 0.95
        else:
            total += _WIDE_UPPER if char.isupper() else _LOWER
    return total * size * (1.1 if bold else 1.0)


def cut_to_width(text: str, width: float, size: float, *, bold: bool = False) -> str:
    """The text, or as much of it as fits with an ellipsis."""
    text = plain(text)
    if text_width(text, size, bold=bold) <= width:
        return text
    while text and text_width(text + "…", size, bold=bold) > width:
        text = text[:-1]
    return text.rstrip() + "…"


def cut_middle(text: str, width: float, size: float, *, bold: bool = False) -> str:
    """The text, or its two ends with an ellipsis between: names often differ at their ends."""
    text = plain(text)
    if text_width(text, size, bold=bold) <= width:
        return text
    left, right = len(text) // 2, (len(text) + 1) // 2
    while left + right and text_width(text[:left] + "…" + text[len(text) - right :], size, bold=bold) > width:
        left, right = (left - 1, right) if left >= right else (left, right - 1)
    start, end = text[:left].rstrip(), text[len(text) - right :].lstrip()
    return start + POP * (start.count(FIRST_STRONG) - start.count(POP)) + "…" + end


def wrap(text: str, width: float, size: float, *, bold: bool = False) -> list[str]:
    """Lines no wider than ``width``; a word too long for a line is broken."""
    lines: list[str] = []
    line = ""
    for word in plain(text).split():
        joined = f"{line} {word}" if line else word
        if text_width(joined, size, bold=bold) <= width:
            line = joined
            continue
        if line:
            lines.append(line)
        while len(word) > 1 and text_width(word, size, bold=bold) > width:
            take = max(
                1, next((n for n in range(len(word), 0, -1) if text_width(word[:n], size, bold=bold) <= width), 1)
            )
            lines.append(word[:take])
            word = word[take:]
        line = word
    return [*lines, line] if line else lines


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
