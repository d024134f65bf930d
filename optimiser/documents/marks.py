"""Signs on the map and in its legend. In: places and sizes in mm. Out: SVG, each sign the same wherever it is used."""

from __future__ import annotations

from typing import TYPE_CHECKING

from .palette import LineStyle
from .svg import Point, element, polyline

if TYPE_CHECKING:  # what needs no plan, as the drawing of a survey, does not wait for its model
    from ..plan.model import Plan

LAMP_MM = 0.95
JOINT_MM = 1.15
HUB_MM = 1.7
ROUND_LAMP_MM = 2.5
"""Side of a joint's square that holds the lamp standing at it, so that neither hides the other."""
SUPPLY_MM = 1.5
PEG_MM = 1.0
INK = "#1c1c1c"
PAPER = "#ffffff"
SOIL = "#f6efdf"
EARTH = "#5f4a22"


def lamp(at: Point, f: float, post: bool = False) -> str:
    """A disc, its lower half dark: light falls down. A post with terminals stands on a bar."""
    x, y = at
    r = LAMP_MM * f
    parts = [element("circle", cx=x, cy=y, r=r, fill=PAPER, stroke=INK, stroke_width=0.25 * f)]
    parts.append(element("path", d=f"M{x - r:.2f} {y:.2f} A{r:.2f} {r:.2f} 0 0 0 {x + r:.2f} {y:.2f} Z", fill=INK))
    if post:
        parts.append(polyline(post_bar(at, f), stroke=INK, stroke_width=0.4 * f))
    return "".join(parts)


def post_bar(at: Point, f: float) -> list[Point]:
    """The bar under a post's lamp, which tells it from other lamps."""
    x, y = at
    reach = 1.5 * LAMP_MM * f
    return [(x - reach, y + reach), (x + reach, y + reach)]


def joint(at: Point, f: float, style: LineStyle, round_lamp: bool = False) -> str:
    """A square; larger where a lamp is drawn in it."""
    side = (ROUND_LAMP_MM if round_lamp else JOINT_MM) * f
    return _square(at, side, fill=PAPER, stroke=style.colour, stroke_width=0.32 * f)


def hub(at: Point, f: float, style: LineStyle, round_lamp: bool = False) -> str:
    """A larger square in a ring; its corners show behind a lamp."""
    side = HUB_MM * f
    ring = element("circle", cx=at[0], cy=at[1], r=side * 0.92, fill=PAPER, stroke=style.colour, stroke_width=0.25 * f)
    inner = side * (1.1 if round_lamp else 0.72)
    return ring + _square(at, inner, fill=style.colour, stroke=style.colour, stroke_width=0.2 * f)


def _square(at: Point, side: float, **attributes: float | str | None) -> str:
    return element("rect", x=at[0] - side / 2, y=at[1] - side / 2, width=side, height=side, **attributes)


def supply(at: Point, f: float, used: bool) -> str:
    """A half disc with two pins; hollow where the layout does not use it."""
    x, y = at
    r = SUPPLY_MM * f
    fill = INK if used else PAPER
    body = element(
        "path",
        d=f"M{x - r:.2f} {y:.2f} A{r:.2f} {r:.2f} 0 0 1 {x + r:.2f} {y:.2f} Z",
        fill=fill,
        stroke=INK,
        stroke_width=0.3 * f,
    )
    pins = [
        polyline([(x + s * r * 0.45, y), (x + s * r * 0.45, y + 0.75 * r)], stroke=INK, stroke_width=0.4 * f)
        for s in (-1, 1)
    ]
    return body + "".join(pins)


def peg(at: Point, f: float) -> str:
    x, y = at
    r = PEG_MM * f
    return element(
        "path",
        d=f"M{x - r:.2f} {y - r:.2f} L{x + r:.2f} {y + r:.2f} M{x - r:.2f} {y + r:.2f} L{x + r:.2f} {y - r:.2f}",
        stroke=INK, stroke_width=0.3 * f, fill="none",
    )  # fmt: skip


def trunk(at: Point, radius: float) -> str:
    x, y = at
    return element("circle", cx=x, cy=y, r=radius, fill="#6b5230", stroke="#3f2f18", stroke_width=0.2)


def trench(route: list[Point], width: float) -> str:
    """Its casing; the soil is laid over all casings afterwards, so that forks stay open."""
    return polyline(route, stroke="#7b6f58", stroke_width=width + 0.3, stroke_linecap="round", stroke_linejoin="round")


def soil(route: list[Point], width: float) -> str:
    return polyline(route, stroke=SOIL, stroke_width=width, stroke_linecap="round", stroke_linejoin="round")


def sleeve(route: list[Point], width: float, f: float) -> str:
    """A pipe: dark walls, white inside."""
    return polyline(route, stroke=INK, stroke_width=width + 0.7 * f, stroke_linejoin="round") + polyline(
        route, stroke=PAPER, stroke_width=width, stroke_linejoin="round"
    )


def cable(route: list[Point], style: LineStyle, width: float, f: float) -> str:
    return polyline(
        route,
        stroke=style.colour,
        stroke_width=width,
        stroke_dasharray=style.dash_text(0.75 * f),
        stroke_linejoin="round",
    )


def lead(route: list[Point], f: float) -> str:
    return polyline(route, stroke=INK, stroke_width=0.22 * f)


def mains(route: list[Point], f: float) -> str:
    """A heavy line with a white core, broken: nothing else on the sheet looks like it."""
    dash = f"{4 * f:.2f} {1.4 * f:.2f}"
    return polyline(route, stroke="#8c1d1d", stroke_width=1.1 * f, stroke_dasharray=dash) + polyline(
        route, stroke=PAPER, stroke_width=0.45 * f, stroke_dasharray=dash
    )


def cable_widths(plan: Plan, f: float) -> dict[str, float]:
    """Stroke of each cable: the thicker its conductor, the wider."""
    sizes = sorted({used.mm2 for used in plan.cables_used.values()})
    return {name: (0.42 + 0.16 * min(sizes.index(used.mm2), 3)) * f for name, used in plan.cables_used.items()}
