"""Sheets as marks, before they are PDF or SVG. In: lines, boxes, words in millimetres. Out: Page.

x runs right and y down from the upper left corner of the sheet. Painted in the order in which they were added.
"""

from __future__ import annotations

from dataclasses import dataclass, field

INK = "#1a1a1a"
FAINT = "#8a8a8a"
HAIR = "#c8c8c8"
TINT = "#f0f0ec"


@dataclass(frozen=True)
class Line:
    x1: float
    y1: float
    x2: float
    y2: float
    width: float = 0.2
    colour: str = INK
    dash: tuple[float, ...] = ()


@dataclass(frozen=True)
class Rect:
    x: float
    y: float
    width: float
    height: float
    fill: str | None = None
    stroke: str | None = INK
    line: float = 0.2


@dataclass(frozen=True)
class Disc:
    x: float
    y: float
    radius: float
    fill: str | None = None
    stroke: str | None = INK
    line: float = 0.25


@dataclass(frozen=True)
class Words:
    """
    One line of text, its baseline at y.

    Attributes
    ----------
    size
        Of the font, in mm.
    anchor
        Which point of it x is: start, middle or end.
    room
        Most width in mm; what is longer is shortened with an ellipsis when it is drawn.
    """

    x: float
    y: float
    text: str
    size: float
    bold: bool = False
    anchor: str = "start"
    colour: str = INK
    room: float | None = None


Mark = Line | Rect | Disc | Words


@dataclass
class Page:
    width: float
    height: float
    title: str
    marks: list[Mark] = field(default_factory=list)

    def add(self, *marks: Mark) -> None:
        self.marks.extend(marks)


A4 = (210.0, 297.0)
A4_WIDE = (297.0, 210.0)
