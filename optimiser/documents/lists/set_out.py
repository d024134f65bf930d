"""Setting out with two tapes: coordinates and ties of all that is pegged. In: Plan. Out: Table."""

from __future__ import annotations

import math
from collections.abc import Sequence

from ...plan.model import Plan
from ..tables import Column, Part, Table
from ..words import isolated
from .places import PegPlace, peg_places
from .ties import LEAST_CUT_DEG, LONG_TAPE_M, MOST_CUT_DEG, SHORT_TAPE_M, FixedPoint, Tie, choose_ties

_FLAT = (
    Column("point", "point", 1.0),
    Column("is", "is", 2.3),
    Column("x_m", "x, m", 1, 3),
    Column("y_m", "y, m", 1, 3),
)
_HEIGHT = Column("z_m", "z, m", 0.8, 2)
_TIES = (
    Column("tape_1_from", "tape 1 from", 1.7),
    Column("tape_1_m", "m", 0.85, 2),
    Column("tape_2_from", "tape 2 from", 1.7),
    Column("tape_2_m", "m", 0.85, 2),
    Column("side", "side", 0.7),
    Column("cut_deg", "cut°", 0.65),
    Column("check_from", "check from", 1.7),
    Column("check_m", "m", 0.85, 2),
    Column("note", "note", 1.8),
    Column("", "set", 0.5, to_fill=True),
)


_OTHERS = "Other places of trenches"
_BESIDE_M = 0.05


def set_out_table(plan: Plan) -> Table:
    """Every driver, joint, hub and place of a trench, with ties from two fixed points and a third to check with."""
    has_heights = any(joint.z is not None for joint in plan.joints)
    columns = (*_FLAT, _HEIGHT, *_TIES) if has_heights else (*_FLAT, *_TIES)
    fixed = fixed_points(plan)
    walls = [zone.rings[0] for zone in plan.site.zones if zone.no_dig and not zone.water and zone.of == "survey"]
    groups = dict(zip(("Drivers", "Joints and hubs", _OTHERS), peg_places(plan), strict=True))
    parts, poor = [], 0
    pegged: list[PegPlace] = []
    for title, places in groups.items():
        ties = choose_ties([(place.x, place.y) for place in places], fixed, walls)
        rows = []
        for place, tie in zip(places, ties, strict=True):
            beside = _beside(place, pegged) if title == _OTHERS else None
            if beside is not None:
                rows.append(_untied(place, f"beside {beside.name}", has_heights))
                continue
            pegged.append(place)
            poor += bool(tie.poor)
            rows.append(_row(place, tie, fixed, has_heights))
        if rows:
            parts.append(Part(title, tuple(rows)))
    before = (
        "Hold both tapes level and pull them tight; the place is where they meet, on the stated side of the line "
        "from the first fixed point to the second, seen from the first. Then measure the third distance as a check.",
        f"A cut from {LEAST_CUT_DEG:g} to {MOST_CUT_DEG:g} degrees is taken as good. Pegs come first, then any fixed "
        f"point, within {SHORT_TAPE_M:g} m of tape; up to {LONG_TAPE_M:g} m where need be. Corners are measured as "
        "surveyed, supply points at the wall.",
        f"No good pair for {poor} of these places, as their notes say: set one more peg near them, measure it in, and "
        "tie from that."
        if poor
        else "Every place has a good pair.",
    )
    return Table("set_out", "Set-out", columns, tuple(parts), before, wide=True)


def fixed_point_table(plan: Plan) -> Table:
    """The fixed points that the set-out measures from, and where they are."""
    table = set_out_table(plan)
    from_ = [i for i, column in enumerate(table.columns) if column.key.endswith("_from")]
    used = {row[i] for row in table.rows for i in from_}
    at = {row[-2] for row in table.rows}
    rows = tuple((point.name, "peg" if point.peg else "as surveyed", point.x, point.y, None)
                 for point in fixed_points(plan) if point.name in used or f"at {point.name}" in at)  # fmt: skip
    columns = (
        Column("point", "fixed point", 1),
        Column("is", "is", 1),
        *_FLAT[2:],
        Column("", "found", 0.5, to_fill=True),
    )
    parts = (Part("", rows),) if rows else ()
    says = () if rows else ("The survey has no peg, supply point or corner to measure from.",)
    return Table("fixed_points", "Fixed points", columns, parts, says, wide=True, follows=True)


def fixed_points(plan: Plan) -> list[FixedPoint]:
    """Pegs, supply points, corners of what stands fast; each place once, each name once."""
    found = [FixedPoint(f"peg {isolated(peg.name)}", peg.x, peg.y, True) for peg in plan.site.pegs]
    found += [FixedPoint(f"supply {isolated(point.name)}", point.x, point.y, False) for point in plan.site.supplies]
    found += [
        FixedPoint(f"{isolated(corner.name)} of {isolated(corner.of)}", corner.x, corner.y, False)
        for corner in plan.site.fixed
    ]
    places: dict[tuple[float, float], FixedPoint] = {}
    for point in found:
        places.setdefault((point.x, point.y), point)
    return list(places.values())


def _beside(place: PegPlace, pegged: Sequence[PegPlace]) -> PegPlace | None:
    """What is pegged so near that this place needs no peg of its own."""
    return next((one for one in pegged if math.hypot(one.x - place.x, one.y - place.y) < _BESIDE_M), None)


def _untied(place: PegPlace, note: str, has_heights: bool) -> tuple[str | float | int | None, ...]:
    return (place.name, place.what, place.x, place.y, *([place.z] if has_heights else []),
            "", None, "", None, "", None, "", None, note, None)  # fmt: skip


def _row(
    place: PegPlace, tie: Tie, fixed: Sequence[FixedPoint], has_heights: bool
) -> tuple[str | float | int | None, ...]:
    def name(index: int | None) -> str:
        return "" if index is None else fixed[index].name

    place_cells = (place.name, place.what, place.x, place.y, *([place.z] if has_heights else []))
    note = f"at {name(tie.first)}" if tie.first_m == 0.0 else f"no good pair: {tie.poor}" if tie.poor else ""
    if tie.first_m == 0.0:
        return _untied(place, note, has_heights)
    return (*place_cells, name(tie.first), tie.first_m, name(tie.second), tie.second_m, tie.side,
            None if tie.cut_deg is None else round(tie.cut_deg), name(tie.check), tie.check_m, note, None)  # fmt: skip
