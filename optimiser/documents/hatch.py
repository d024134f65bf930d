"""Hatches of grounds, stamped as strokes. In: rings in mm, a hatch's name. Out: SVG.

Strokes instead of SVG patterns: some programs that print SVG turn patterns into blurred pictures.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from .svg import Point, element, num, rings_path

_MOST_STAMPS = 2500  # on one zone; a larger zone gets a coarser hatch


@dataclass(frozen=True)
class _Hatch:
    """``stamps``: place within a tile and a relative path; no length with round ends is a dot."""

    width: float
    height: float
    colour: str
    stroke: float
    stamps: tuple[tuple[float, float, str], ...]


_DOT = "h0"
_HATCHES = {
    "lawn": _Hatch(7, 6, "#a3b88c", 0.14, ((1, 2, "v-1.1"), (1.6, 2, "v-.7"), (4.6, 5, "v-1.1"), (5.2, 5, "v-.7"))),
    "bed": _Hatch(5, 5, "#a9986f", 0.14, ((0.6, 1.8, "l.8-1 .8 1"), (3.1, 4.3, "l.8-1 .8 1"))),
    "gravel": _Hatch(4.4, 4.4, "#8f8a7c", 0.36, tuple(
        (x, y, _DOT) for x, y in ((0.7, 0.8), (2.3, 0.5), (3.6, 1.7), (1.4, 2.3), (2.8, 3.4), (0.6, 3.8))
    )),
    "mulch": _Hatch(5, 5, "#a07f52", 0.16, (
        (0.5, 1, "l1.3.6"), (3, 0.6, "l.9 1"), (1.2, 3.2, "l.8-.9"), (3.2, 3.6, "l1.3.4")
    )),
    "paving": _Hatch(6, 6, "#b4b4b4", 0.13, ((0, 0, "h6"), (0, 3, "h6"), (0, 0, "v3"), (3, 3, "v3"))),
    "drive": _Hatch(5, 5, "#a0a0aa", 0.13, ((0, 5, "l5-5"),)),
    "slant": _Hatch(3.6, 3.6, "#b59a92", 0.13, ((0, 0, "l3.6 3.6"),)),
    "grid": _Hatch(4.2, 4.2, "#94a8a8", 0.13, ((0, 2.1, "h4.2"), (2.1, 0, "v4.2"))),
    "rings": _Hatch(4.6, 4.6, "#a48fae", 0.13, ((1.5, 2.3, "a.8.8 0 1 0 1.6 0a.8.8 0 1 0-1.6 0"),)),
    "bars": _Hatch(3.2, 5.2, "#a3a36c", 0.14, ((1.6, 0.8, "v3.2"),)),
    "water": _Hatch(8, 4.4, "#6f9ab5", 0.15, ((0.4, 1.6, "q1-.9 2 0t2 0"), (4.4, 3.8, "q.9-.9 1.7 0t1.7 0"))),
    "no-dig": _Hatch(3.6, 3.6, "#a9a9a6", 0.12, ((0, 0, "l3.6 3.6"), (0, 3.6, "l3.6-3.6"))),
    "no-dig rising": _Hatch(1.8, 1.8, "#a9a9a6", 0.12, ((0, 1.8, "l1.8-1.8"),)),
    "no-dig falling": _Hatch(1.8, 1.8, "#a9a9a6", 0.12, ((0, 0, "l1.8 1.8"),)),
    "root": _Hatch(6.4, 6.4, "#b0976a", 0.45, ((1.2, 1.2, _DOT), (4.4, 4.4, _DOT))),
}  # fmt: skip


def hatch(name: str, rings: Sequence[Sequence[Point]], clip_id: str, within: tuple[float, float, float, float]) -> str:
    """
    Strokes over the part of the rings that lies in ``within`` (left, top, right, bottom), clipped to the rings.

    ``clip_id`` must be new in the drawing. Tiles are anchored to the sheet, so hatches of neighbours run on.
    """
    style = _HATCHES[name]
    xs, ys = [x for x, _ in rings[0]], [y for _, y in rings[0]]
    left, right = max(min(xs), within[0]), min(max(xs), within[2])
    top, bottom = max(min(ys), within[1]), min(max(ys), within[3])
    if left >= right or top >= bottom:
        return ""
    tiles = (right - left) * (bottom - top) / (style.width * style.height)
    grow = max(1, math.ceil(math.sqrt(tiles * len(style.stamps) / _MOST_STAMPS)))
    wide, high = style.width * grow, style.height * grow
    lines_run_on = grow > 1 and any(_runs_across(style, stamp) for stamp in style.stamps)
    parts = []
    for row in range(math.floor(top / high), math.ceil(bottom / high)):
        for column in range(math.floor(left / wide), math.ceil(right / wide)):
            for x, y, path in style.stamps:
                scaled = _scaled(path, grow) if lines_run_on else path
                parts.append(f"M{num(column * wide + x * grow)} {num(row * high + y * grow)}{scaled}")
    clip = element("clipPath", rings_path(rings, clip_rule="evenodd"), id=clip_id)
    drawn = element(
        "path", d="".join(parts), fill="none", stroke=style.colour, stroke_width=style.stroke, stroke_linecap="round",
        clip_path=f"url(#{clip_id})",
    )  # fmt: skip
    return clip + drawn


def _runs_across(style: _Hatch, stamp: tuple[float, float, str]) -> bool:
    """Whether the stamp meets its neighbour in the next tile, as hatch lines do."""
    return stamp[2] in {f"h{num(style.width)}", f"v{num(style.height)}"} or stamp[2].startswith(f"l{num(style.width)}")


def _scaled(path: str, by: int) -> str:
    """A relative path of one letter and its numbers, enlarged."""
    letter, rest = path[0], path[1:].replace("-", " -").split()
    return letter + " ".join(num(float(part) * by) for part in rest)


def swatch(name: str | None, tint: str, outline: str, dash: str | None, corners: Sequence[Point], clip_id: str) -> str:
    """A small sample for the legend."""
    left, top = min(x for x, _ in corners), min(y for _, y in corners)
    right, bottom = max(x for x, _ in corners), max(y for _, y in corners)
    faces = rings_path([corners], fill=tint) if tint != "none" else ""
    if name is not None:
        faces += hatch(name, [corners], clip_id, (left, top, right, bottom))
    return faces + rings_path([corners], fill="none", stroke=outline, stroke_width=0.2, stroke_dasharray=dash)
