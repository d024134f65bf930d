"""How circuits and grounds look: always by pattern and words, colour only helps. In: positions, names. Out: styles.

Circuits differ by dash and by label, so a copy in black and white still tells them apart. Colours are darkened from the
set of Okabe and Ito (2008), chosen so that people with any form of colour blindness tell them apart.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

_COLOURS = ("#0060a8", "#b34700", "#006b54", "#222222", "#8f3d74", "#8a6400")
# in millimetres: drawn, left out, drawn …; empty is a full line
_DASHES: tuple[tuple[float, ...], ...] = (
    (),
    (3.2, 1.0),
    (1.1, 0.9),
    (5.0, 0.9, 1.0, 0.9),
    (6.5, 1.6),
    (2.4, 0.8, 0.7, 0.8, 0.7, 0.8),
    (1.8, 1.6),
    (8.0, 0.8, 2.0, 0.8),
)

if TYPE_CHECKING:  # what needs no plan, as the drawing of a survey, does not wait for its model
    from ..plan.model import Plan


@dataclass(frozen=True)
class LineStyle:
    colour: str
    dash: tuple[float, ...]

    def dash_text(self, factor: float = 1.0) -> str | None:
        return " ".join(f"{part * factor:.2f}" for part in self.dash) or None


def circuit_styles(plan: Plan) -> dict[str, LineStyle]:
    """Style of each circuit; 48 of them before one comes again."""
    return {
        # six colours and eight dashes meet again after 24; the dashes then move on by one
        circuit.id: LineStyle(_COLOURS[i % len(_COLOURS)], _DASHES[(i + i // 24) % len(_DASHES)])
        for i, circuit in enumerate(plan.circuits)
    }


@dataclass(frozen=True)
class GroundStyle:
    tint: str
    hatch: str | None
    outline: str = "#8a8a80"
    dash: str | None = None


_WATER = GroundStyle("#dcebf4", "water", "#5f8ba8")
_NO_DIG = (
    GroundStyle("#e3e2df", "no-dig", "#6d6d6d"),
    GroundStyle("#dedede", "no-dig rising", "#6d6d6d"),
    GroundStyle("#e6e2e2", "no-dig falling", "#6d6d6d"),
)
_TRUNK = GroundStyle("#ddd3c2", None, "#75603f")
_ROOT = GroundStyle("none", "root", "#8d7650", "1.6 1.2")
_BASE = GroundStyle("#f7faf2", None)
_KNOWN = {
    "lawn": GroundStyle("#eef5e4", "lawn"),
    "bed": GroundStyle("#efe7d9", "bed"),
    "gravel": GroundStyle("#f3f0e6", "gravel"),
    "mulch": GroundStyle("#ecdfcb", "mulch"),
    "paving": GroundStyle("#eeeeee", "paving"),
    "drive": GroundStyle("#e6e6ea", "drive"),
}
_SPARE = tuple(
    GroundStyle(tint, hatch)
    for tint, hatch in (("#f5ece9", "slant"), ("#ecf1f1", "grid"), ("#f3eef5", "rings"), ("#f4f4e2", "bars"))
)


def style_by_name(name: str, *, no_dig: bool = False, water: bool = False) -> GroundStyle:
    """Style of a zone of which hardly more than the name is known."""
    folded = name.casefold()
    if water or any(word in folded for word in ("pond", "pool", "fountain", "water")):
        return _WATER
    word = next((word for word in _KNOWN if word in folded), None)
    if no_dig:
        return _NO_DIG[0]
    return _KNOWN[word] if word is not None else GroundStyle("#f2f2f2", None)


def ground_styles(plan: Plan) -> dict[str, GroundStyle]:
    """Style of each ground that occurs: by what it is, then by trade words in its name, then the next spare one."""
    styles: dict[str, GroundStyle] = {plan.site.base_ground: _BASE}
    taken: set[str | None] = set()
    spare = walls = 0
    for zone in plan.site.zones:
        if zone.ground in styles:
            continue
        if zone.of != "survey":
            styles[zone.ground] = _TRUNK if zone.no_dig else _ROOT
        elif zone.no_dig:
            styles[zone.ground] = _WATER if zone.water else _NO_DIG[min(walls, len(_NO_DIG) - 1)]
            walls += not zone.water
        else:
            word = next((word for word in _KNOWN if word in zone.ground.lower() and word not in taken), None)
            if word is not None:
                styles[zone.ground] = _KNOWN[word]
                taken.add(word)
            else:
                styles[zone.ground] = _SPARE[spare % len(_SPARE)]
                spare += 1
    return styles
