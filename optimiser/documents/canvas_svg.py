"""Pages as one SVG, sheet under sheet, in millimetres. In: Pages. Out: text with real words, all names escaped."""

from __future__ import annotations

from collections.abc import Sequence

from .canvas import INK, Disc, Line, Mark, Page, Rect
from .svg import cut_to_width, element, group, num, text, title

_GAP_MM = 6.0


def svg_of(pages: Sequence[Page], name: str) -> str:
    """SVG of all sheets, one below the other with a gap."""
    width = max(page.width for page in pages)
    height = sum(page.height + _GAP_MM for page in pages) - _GAP_MM
    body, top = [title(name)], 0.0
    for page in pages:
        paper = element("rect", x=0, y=0, width=page.width, height=page.height, fill="#ffffff")
        marks = [paper, *(_mark(mark) for mark in page.marks)]
        body.append(group(marks, transform=f"translate(0 {num(top)})"))
        top += page.height + _GAP_MM
    svg = element(
        "svg", "\n" + "\n".join(body) + "\n", xmlns="http://www.w3.org/2000/svg", width=f"{num(width)}mm",
        height=f"{num(height)}mm", viewBox=f"0 0 {num(width)} {num(height)}", font_family="sans-serif", fill=INK,
    )  # fmt: skip
    return f'<?xml version="1.0" encoding="UTF-8"?>\n{svg}\n'


def _mark(mark: Mark) -> str:
    if isinstance(mark, Line):
        dash = " ".join(num(part) for part in mark.dash) or None
        return element("line", x1=mark.x1, y1=mark.y1, x2=mark.x2, y2=mark.y2, stroke=mark.colour,
                       stroke_width=mark.width, stroke_dasharray=dash)  # fmt: skip
    if isinstance(mark, Rect):
        return element("rect", x=mark.x, y=mark.y, width=mark.width, height=mark.height, fill=mark.fill or "none",
                       stroke=mark.stroke, stroke_width=mark.line if mark.stroke else None)  # fmt: skip
    if isinstance(mark, Disc):
        return element("circle", cx=mark.x, cy=mark.y, r=mark.radius, fill=mark.fill or "none", stroke=mark.stroke,
                       stroke_width=mark.line if mark.stroke else None)  # fmt: skip
    words = mark.text if mark.room is None else cut_to_width(mark.text, mark.room, mark.size, bold=mark.bold)
    return text(mark.x, mark.y, words, mark.size, font_weight="bold" if mark.bold else None,
                text_anchor=None if mark.anchor == "start" else mark.anchor, fill=mark.colour)  # fmt: skip
