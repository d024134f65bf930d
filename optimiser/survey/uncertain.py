"""Which points are not known well enough for the plan. In: Reduced, zones, Job. Out: sentences that name them.

A point matters where the circle that holds it in two of three cases is larger than what the plan leaves it: a lamp, the
reach of its lead; a corner of no-dig ground, the distance that trenches keep from it or the job's
``border_tolerance_m``; supply points, sleeves, trees and mains lines, that tolerance.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

from ..job import Job
from .model import Zone
from .points import fold
from .reduce import Reduced
from .table import Cells

_SHOWN = 6
_BY = {
    "receiver": "by latitude and longitude",
    "tapes": "by tape",
    "offset": "by chainage and offset",
    "grid": "by x, y",
}


def uncertain(reduced: Reduced, zones: Sequence[Zone], job: Job) -> list[str]:
    """A sentence for each kind of point and way of measuring that is not good enough somewhere."""
    if not reduced.placed:
        return []
    keep_off = {fold(zone.name): zone.keep_off_m for zone in zones if job.grounds[zone.ground].no_dig}
    types = {fold(name): name for name in job.lamps}
    groups: dict[tuple[str, str], list[tuple[str, float, float]]] = {}
    for index, placed in sorted(reduced.placed.items()):
        room = _room(reduced.table.rows[index], keep_off, types, job)
        if room is not None and not placed.error_m <= room[1] + 1e-9:
            groups.setdefault((room[0], placed.how), []).append((reduced.names[index], placed.error_m, room[1]))
    return [_sentence(what, how, points) for (what, how), points in groups.items()]


def _room(cells: Cells, keep_off: dict[str, float], types: dict[str, str], job: Job) -> tuple[str, float] | None:
    """What a point's error is held against, in words and m; None where it does not matter."""
    kind = cells["kind"].casefold()
    tolerance_m = job.rules.border_tolerance_m
    if kind == "lamp":
        name = types.get(fold(cells["of"]))
        if name is None:
            return None
        lamp = job.lamps[name]
        if lamp.terminals:
            return "rules.border_tolerance_m", tolerance_m
        depth_m = job.grounds[job.base_ground].depth_mm / 1000
        reach_m = lamp.lead_m - lamp.aim_reserve_m - lamp.exit_height_m - depth_m - job.joints.tail_m
        return "the reach of a lead", max(0.0, reach_m)
    if kind == "corner":
        metres = keep_off.get(fold(cells["of"]))
        return None if metres is None else ("what trenches keep from it", max(metres, tolerance_m))
    return ("rules.border_tolerance_m", tolerance_m) if kind in ("supply", "sleeve", "mains", "tree") else None


def _sentence(what: str, how: str, points: list[tuple[str, float, float]]) -> str:
    worst = max(math.inf if math.isnan(error) else error for _, error, _ in points)
    names = ", ".join(name for name, _, _ in points[:_SHOWN])
    more = f" and {len(points) - _SHOWN} more" if len(points) > _SHOWN else ""
    size = "by how much, the tapes do not say" if worst == math.inf else f"{worst:.2f} m"
    size = f"up to {size}" if len(points) > 1 and worst < math.inf else size
    rooms = [room for _, _, room in points]
    room = f"{min(rooms):.2f} m" if max(rooms) - min(rooms) < 0.005 else f"{min(rooms):.2f} to {max(rooms):.2f} m"
    them = "it" if len(points) == 1 else "them"
    mend = f"tape {them} from pegs" if how == "receiver" else f"measure {them} again"
    return f"{names}{more}: placed {_BY[how]}, uncertain ({size}), and the plan leaves {room} ({what}): {mend}"
