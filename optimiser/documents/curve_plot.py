"""A trade-off curve as a picture. In: Curve. Out: SVG: cost upwards, the limit from loose to tight to the right."""

from __future__ import annotations

from shapely import LineString, box

from ..compare.model import Curve
from . import marks
from .svg import Point, element, group, num, polyline, text, text_width, title
from .words import number, plain

WIDTH_MM, HEIGHT_MM = 150.0, 92.0
LEFT, RIGHT, TOP, BOTTOM = 24.0, 8.0, 14.0, 20.0
LINE = "#0060a8"
KNEE = "#b34700"
_KNEE_WORDS = 3.2
BARE = {"no_layout": "no layout was found", "not_tried": "not tried", "whole": "nothing was found"}


def draw_curve(curve: Curve, currency: str) -> str:
    """SVG of its own, in millimetres; the same curve gives the same bytes."""
    body = curve_picture(curve, currency)
    svg = element(
        "svg", "\n" + body + "\n", xmlns="http://www.w3.org/2000/svg", width=f"{num(WIDTH_MM)}mm",
        height=f"{num(HEIGHT_MM)}mm", viewBox=f"0 0 {num(WIDTH_MM)} {num(HEIGHT_MM)}", font_family="sans-serif",
        fill=marks.INK,
    )  # fmt: skip
    return f'<?xml version="1.0" encoding="UTF-8"?>\n{svg}\n'


def curve_picture(curve: Curve, currency: str) -> str:
    points = [(point.limit, point.cost) for point in curve.points if point.cost is not None]
    name = "largest drop allowed" if curve.of == "max_drop" else "lowest lamp voltage asked for"
    drawn = [
        title(plain(curve.says)),
        element("rect", x=0, y=0, width=WIDTH_MM, height=HEIGHT_MM, fill=marks.PAPER),
        text(LEFT, 7.5, f"Cost against {name}, '{plain(curve.alternative)}'", 4.0, font_weight="bold"),
    ]
    if len(points) < 2:
        return group([*drawn, text(LEFT, 30, plain(curve.says), 3.2)])
    first, last = points[0][0], points[-1][0]
    low, high, step = _scale(min(cost for _, cost in points), max(cost for _, cost in points))
    wide, tall = WIDTH_MM - LEFT - RIGHT, HEIGHT_MM - TOP - BOTTOM

    def at(limit: float, cost: float) -> tuple[float, float]:
        return LEFT + wide * (limit - first) / (last - first), TOP + tall * (1 - (cost - low) / (high - low))

    for k in range(round((high - low) / step) + 1):
        cost = low + k * step
        _, y = at(first, cost)
        drawn.append(polyline([(LEFT, y), (LEFT + wide, y)], stroke="#d5d5d0", stroke_width=0.2))
        drawn.append(text(LEFT - 2, y + 1.1, number(cost, 0 if step >= 1 else 2), 3.0, text_anchor="end"))
    edge = -1e9
    for limit, _ in points:
        x, y = at(limit, low)
        drawn.append(polyline([(x, y), (x, y + 1.2)], stroke=marks.INK, stroke_width=0.25))
        if x - edge >= 8.0:
            drawn.append(text(x, y + 4.8, f"{limit:g}", 3.0, text_anchor="middle"))
            edge = x
    drawn.append(
        polyline([(LEFT, TOP), (LEFT, TOP + tall), (LEFT + wide, TOP + tall)], stroke=marks.INK, stroke_width=0.3)
    )
    tight = "tighter to the right"
    drawn.append(text(LEFT + wide / 2, TOP + tall + 9.6, f"{name}, {curve.unit} ({tight})", 3.2, text_anchor="middle"))
    middle = TOP + tall / 2
    drawn.append(
        text(5.5, middle, f"cost{f', {plain(currency)}' if plain(currency) else ''}", 3.2, text_anchor="middle",
             transform=f"rotate(-90 5.5 {num(middle)})")
    )  # fmt: skip
    drawn.append(polyline([at(*point) for point in points], stroke=LINE, stroke_width=0.6))
    for limit, cost in points:
        x, y = at(limit, cost)
        knee = limit == curve.knee
        spot = element("circle", cx=x, cy=y, r=1.6 if knee else 0.9, fill=KNEE if knee else LINE)
        drawn.append(element("g", title(f"{limit:g} {curve.unit}: {number(cost, 2)}") + spot))
        if knee:
            words = f"knee: {limit:g} {curve.unit}, {number(cost, 2)}"
            left, base = _beside_the_curve(words, (x, y), [at(*point) for point in points])
            drawn.append(text(left, base, words, _KNEE_WORDS, fill=KNEE, font_weight="bold"))
    gap = next((point for point in curve.points if point.cost is None), None)
    words = "" if gap is None else f"{BARE.get(gap.searched, '')} at {gap.limit:g} {curve.unit}"
    if any(point.searched in ("stopped", "lost") for point in curve.points):
        words = "not searched to the end"
    if words:
        drawn.append(
            text(
                LEFT + wide,
                TOP + tall + 14.6,
                words,
                3.0,
                text_anchor="end",
            )
        )
    return group(drawn)


def _beside_the_curve(words: str, knee: Point, curve: list[Point]) -> Point:
    """Where the words about the knee begin, in mm: by it, inside the axes, and off the line of the curve."""
    (x, y), wide, size = knee, text_width(words, _KNEE_WORDS, bold=True), _KNEE_WORDS
    line = LineString(curve)
    left, bottom = LEFT + 1.0, HEIGHT_MM - BOTTOM - 0.4

    def crossed(at: Point) -> bool:
        return line.distance(box(at[0], at[1] - 0.75 * size, at[0] + wide, at[1] + 0.25 * size)) < 0.8

    by = [(x - 2.4 - wide, y - 2.6), (x + 2.4, y + 1.4 * size), (x + 2.4, y + 0.25 * size)]
    for spot in by:
        inside = left <= spot[0] <= WIDTH_MM - RIGHT - wide and spot[1] + 0.25 * size <= bottom
        if inside and not crossed(spot):
            return spot
    across = min(max(left, x - 2.4 - wide), WIDTH_MM - RIGHT - wide)
    above = y - 2.6  # a curve that rises leaves room over it in the end
    while crossed((across, above)) and above > TOP:
        above -= 0.4
    return across, above


def _scale(low: float, high: float) -> tuple[float, float, float]:
    """A range of round numbers about these, with its step."""
    span = max(high - low, 0.01 * max(high, 1.0))
    step = next(s * 10**e for e in range(-2, 12) for s in (1, 2, 5) if s * 10**e * 6 >= span)
    first = step * (low // step)
    count = 1
    while first + count * step < high - 1e-9:
        count += 1
    return first, first + count * step, step
