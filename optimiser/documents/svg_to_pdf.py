"""A sheet drawn as SVG by this package, painted into a PDF. In: SVG in millimetres. Out: nothing; it is in the FPDF.

Knows what ``svg.py`` and its users write and nothing more: groups moved or clipped, rectangles, circles, polylines,
paths whose arcs are half circles, texts. Anything else is an error, so that nothing is left out unseen.
"""

from __future__ import annotations

import itertools
import math
import re
from collections.abc import Iterator, Sequence
from contextlib import nullcontext
from typing import TYPE_CHECKING
from xml.etree import ElementTree

from .pdf_fonts import Pen

if TYPE_CHECKING:
    from fpdf import FPDF

_SVG = "{http://www.w3.org/2000/svg}"
_PT = 72 / 25.4
_ROUND = 0.5522847498  # control points of a quarter circle: 4/3 (√2 − 1)
_NUMBER = re.compile(r"[-+]?(?:\d+\.?\d*|\.\d+)")
_STEP = re.compile(r"([A-Za-z])([^A-Za-z]*)")
_CAPS = {"butt": 0, "round": 1}
_JOINS = {"miter": 0, "round": 1}
_KNOWN = {
    "id", "class", "x", "y", "cx", "cy", "r", "rx", "width", "height", "d", "points", "fill", "fill-opacity",
    "fill-rule", "stroke", "stroke-width", "stroke-dasharray", "stroke-linecap", "stroke-linejoin", "clip-path",
    "clip-rule", "transform", "font-size", "font-weight", "font-style", "font-family", "text-anchor", "viewBox",
    "textLength", "lengthAdjust",  # for screens: what is measured holds the letters of the PDF as they are
}  # fmt: skip

Move = tuple[float, float]


class Painted:
    """
    A sheet of SVG, read once: what is drawn of it for one PDF is kept for the next.

    Raises
    ------
    ValueError
        Not here but where it is drawn: an element or attribute that this writer does not know.
    """

    def __init__(self, svg: str) -> None:
        self.root = ElementTree.fromstring(svg)
        self.shapes: dict[ElementTree.Element, str] = {}
        """Operators of each shape."""


def texts_of_svg(root: ElementTree.Element) -> Iterator[str]:
    for node in root.iter(f"{_SVG}text"):
        yield "".join(node.itertext())


def paint_svg(pdf: FPDF, pen: Pen, sheet: Painted) -> None:
    """
    A sheet of its own size.

    Raises
    ------
    ValueError
        An element or attribute that this writer does not know.
    """
    _Painter(pdf, pen, sheet).paint()


class _Painter:
    """One page. Lengths in millimetres, y down, as in the SVG."""

    def __init__(self, pdf: FPDF, pen: Pen, sheet: Painted) -> None:
        self.pdf = pdf
        self.pen = pen
        self.root = root = sheet.root
        self.shapes = sheet.shapes
        self.width, self.height = (float(root.get(key, "").removesuffix("mm")) for key in ("width", "height"))
        self.clips = {node.get("id", ""): node for node in root.iter(f"{_SVG}clipPath")}

    def paint(self) -> None:
        self.pdf.add_page(format=(self.width, self.height))
        self._children(self.root, (0.0, 0.0), self.root.get("fill", "#000000"))

    def _children(self, parent: ElementTree.Element, move: Move, fill: str) -> None:
        for node in parent:
            self._element(node, move, fill)

    def _element(self, node: ElementTree.Element, move: Move, fill: str) -> None:
        tag = node.tag.removeprefix(_SVG)
        if tag in {"title", "defs", "clipPath"}:
            return
        unknown = set(node.attrib) - _KNOWN
        if unknown or tag not in {"g", "rect", "circle", "polyline", "path", "text"}:
            raise ValueError(f"<{tag}> with {sorted(unknown)} cannot be written as PDF")
        if tag == "text":
            self._text(node, move, node.get("fill", fill))
            return
        if tag == "g":
            move = _moved(move, node.get("transform"))
        elif node.get("transform"):
            raise ValueError(f"<{tag}> with a transform cannot be written as PDF")
        clip = node.get("clip-path")
        with self.pdf.local_context() if clip else nullcontext():
            if clip:
                shape = self.clips[clip.removeprefix("url(#").removesuffix(")")][0]
                if shape not in self.shapes:
                    rule = "W*" if shape.get("clip-rule") == "evenodd" else "W"
                    self.shapes[shape] = f"{self._outline(shape, move)} {rule} n"
                self._write(self.shapes[shape])
            if tag == "g":
                self._children(node, move, node.get("fill", fill))
            else:
                self._shape(node, move, node.get("fill", fill))

    def _shape(self, node: ElementTree.Element, move: Move, fill: str) -> None:
        if node not in self.shapes:
            self.shapes[node] = self._operators(node, move, fill)
        opacity = node.get("fill-opacity")
        with self.pdf.local_context(fill_opacity=float(opacity)) if opacity else nullcontext():
            self._write(self.shapes[node])

    def _operators(self, node: ElementTree.Element, move: Move, fill: str) -> str:
        stroke = node.get("stroke", "none")
        parts = [self._outline(node, move)]
        if fill != "none":
            parts.insert(0, f"{_colour(fill)} rg")
        if stroke != "none":
            dash = " ".join(_n(float(part) * _PT) for part in node.get("stroke-dasharray", "").split())
            parts.insert(
                0,
                f"{_colour(stroke)} RG {_n(float(node.get('stroke-width', '1')) * _PT)} w "
                f"{_CAPS[node.get('stroke-linecap', 'butt')]} J {_JOINS[node.get('stroke-linejoin', 'miter')]} j "
                f"[{dash}] 0 d",
            )
        even = "*" if node.get("fill-rule") == "evenodd" else ""
        parts.append({(True, True): f"B{even}", (True, False): f"f{even}", (False, True): "S", (False, False): "n"}[
            fill != "none", stroke != "none"
        ])  # fmt: skip
        return f"q {' '.join(parts)} Q"

    def _outline(self, node: ElementTree.Element, move: Move) -> str:
        tag = node.tag.removeprefix(_SVG)
        if tag == "rect":
            return self._rect([float(node.get(key, "0")) for key in ("x", "y", "width", "height", "rx")], move)
        if tag == "circle":
            x, y, r = (float(node.get(key, "0")) for key in ("cx", "cy", "r"))
            return self._join([("m", [(x - r, y)]), *_half(x, y, -r, 0.0, 1), *_half(x, y, r, 0.0, 1), ("h", [])], move)
        if tag == "polyline":
            numbers = [float(found) for found in _NUMBER.findall(node.get("points", ""))]
            points = list(zip(numbers[::2], numbers[1::2], strict=True))
            return self._join([("m" if not i else "l", [point]) for i, point in enumerate(points)], move)
        if tag == "path":
            return self._join(_steps(node.get("d", "")), move)
        raise ValueError(f"<{tag}> has no outline")

    def _rect(self, sides: Sequence[float], move: Move) -> str:
        x, y, width, height, r = sides
        if not r:
            left, top = self._at((x, y), move)
            return f"{_n(left)} {_n(top)} {_n(width * _PT)} {_n(-height * _PT)} re"
        right, bottom, k = x + width, y + height, r * (1 - _ROUND)
        return self._join(
            [
                ("m", [(x + r, y)]),
                ("l", [(right - r, y)]), ("c", [(right - k, y), (right, y + k), (right, y + r)]),
                ("l", [(right, bottom - r)]), ("c", [(right, bottom - k), (right - k, bottom), (right - r, bottom)]),
                ("l", [(x + r, bottom)]), ("c", [(x + k, bottom), (x, bottom - k), (x, bottom - r)]),
                ("l", [(x, y + r)]), ("c", [(x, y + k), (x + k, y), (x + r, y)]),
                ("h", []),
            ],
            move,
        )  # fmt: skip

    def _text(self, node: ElementTree.Element, move: Move, fill: str) -> None:
        pdf, words = self.pdf, "".join(node.itertext())
        size = float(node.get("font-size", "3"))
        style = "B" if node.get("font-weight") == "bold" else "I" if node.get("font-style") == "italic" else ""
        pdf.set_text_color(*_rgb(fill))
        x, y = float(node.get("x", "0")) + move[0], float(node.get("y", "0")) + move[1]
        turned = node.get("transform")
        angle, *about = (float(found) for found in _NUMBER.findall(turned or "0"))
        with pdf.rotation(-angle, about[0] + move[0], about[1] + move[1]) if turned else nullcontext():
            self.pen.write(x, y, words, size, style, node.get("text-anchor", "start"))

    def _at(self, point: Move, move: Move) -> Move:
        return (point[0] + move[0]) * _PT, (self.height - point[1] - move[1]) * _PT

    def _join(self, steps: Sequence[tuple[str, Sequence[Move]]], move: Move) -> str:
        (dx, dy), height = move, self.height
        return " ".join(
            [
                part
                for letter, points in steps
                for part in (*[f"{(x + dx) * _PT:.2f} {(height - y - dy) * _PT:.2f}" for x, y in points], letter)
            ]
        )

    def _write(self, operators: str) -> None:
        self.pdf._out(operators)


def _moved(move: Move, transform: str | None) -> Move:
    if transform is None:
        return move
    if not transform.startswith("translate("):
        raise ValueError(f"transform {transform!r} of a group cannot be written as PDF")
    dx, dy = (float(found) for found in _NUMBER.findall(transform))
    return move[0] + dx, move[1] + dy


def _steps(d: str) -> list[tuple[str, list[Move]]]:
    """A path as PDF knows it: move, line, curve, close."""
    steps: list[tuple[str, list[Move]]] = []
    x = y = x0 = y0 = 0.0
    control: Move = (0.0, 0.0)
    for letter, v in _commands(d):
        dx, dy = (x, y) if letter.islower() else (0.0, 0.0)
        kind = letter.upper()
        if kind == "M":
            x, y = v[0] + dx, v[1] + dy
            x0, y0 = x, y
            steps.append(("m", [(x, y)]))
        elif kind in "LHV":
            if kind != "V":
                x = v[0] + dx
            if kind != "H":
                y = v[-1] + dy
            steps.append(("l", [(x, y)]))
        elif kind in "QT":
            control = (v[0] + dx, v[1] + dy) if kind == "Q" else (2 * x - control[0], 2 * y - control[1])
            end = (v[-2] + dx, v[-1] + dy)
            first = (x + 2 / 3 * (control[0] - x), y + 2 / 3 * (control[1] - y))
            second = (end[0] + 2 / 3 * (control[0] - end[0]), end[1] + 2 / 3 * (control[1] - end[1]))
            steps.append(("c", [first, second, end]))
            x, y = end
        elif kind == "A":
            end = (v[5] + dx, v[6] + dy)
            if v[0] != v[1] or abs(math.dist((x, y), end) - 2 * v[0]) > 0.03:
                raise ValueError("arcs must be half circles")
            middle = ((x + end[0]) / 2, (y + end[1]) / 2)
            steps += _half(*middle, x - middle[0], y - middle[1], int(v[4]))
            x, y = end
        else:
            steps.append(("h", []))
            x, y = x0, y0
    return steps


def _commands(d: str) -> Iterator[tuple[str, list[float]]]:
    """Letters with as many numbers as one step takes."""
    takes = {"M": 2, "L": 2, "H": 1, "V": 1, "Q": 4, "T": 2, "A": 7, "Z": 0}
    for letter, rest in _STEP.findall(d):
        if letter.upper() not in takes:
            raise ValueError(f"a path with {letter} cannot be written as PDF")
        numbers = _numbers(rest)
        count = takes[letter.upper()]
        if len(numbers) == count:
            yield letter, numbers
            continue
        for i, start in enumerate(range(0, len(numbers), count)):
            after = {"M": "L", "m": "l"}.get(letter, letter) if i else letter
            yield after, numbers[start : start + count]


def _numbers(rest: str) -> list[float]:
    try:
        return [float(found) for found in rest.split()]
    except ValueError:  # run together, as in 3.6-3.6
        return [float(found) for found in _NUMBER.findall(rest)]


def _half(cx: float, cy: float, dx: float, dy: float, sweep: int) -> list[tuple[str, list[Move]]]:
    """Half a circle round (cx, cy), from (dx, dy) of it, clockwise on the sheet where ``sweep``."""
    turn = 1 if sweep else -1
    rays = [(dx, dy)]
    for _ in range(2):
        px, py = rays[-1]
        rays.append((-turn * py, turn * px))
    steps = []
    for (ax, ay), (bx, by) in itertools.pairwise(rays):
        points = [(cx + ax + _ROUND * bx, cy + ay + _ROUND * by), (cx + bx + _ROUND * ax, cy + by + _ROUND * ay)]
        steps.append(("c", [*points, (cx + bx, cy + by)]))
    return steps


def _rgb(colour: str) -> tuple[int, int, int]:
    if not re.fullmatch(r"#[0-9a-f]{6}", colour):
        raise ValueError(f"colour {colour!r} cannot be written as PDF")
    return int(colour[1:3], 16), int(colour[3:5], 16), int(colour[5:7], 16)


def _colour(colour: str) -> str:
    return " ".join(_n(part / 255) for part in _rgb(colour))


def _n(value: float) -> str:
    text = f"{value:.3f}".rstrip("0").rstrip(".")
    return "0" if text == "-0" else text
