"""Sleeves and mains lines from their points. In: Points, Job. Out: Sleeve and MainsLine records, problems, notes.

The room in a sleeve is what the job states, or 40 % of its bore's area over that of the thickest cable of the job
(common practice, no source). Sleeves that hold mains or no room are left out, with a note.
"""

from __future__ import annotations

import math
from typing import Any

from ..job import Cable, Job, SleeveSetting
from ..problems import Problem, nearest
from .model import MainsLine, Place, Sleeve
from .points import Point, Points, fold

_MANY = 500  # heights above which a tree finds the nearest
FILL = 0.4
"""Share of a bore's area that cables may fill."""


def read_lines(points: Points, kind: str, file: str) -> tuple[list[tuple[str, list[Point]]], list[Problem]]:
    """Points of each line of this kind (``sleeve`` or ``mains``) in order, repeated places dropped; needs no job."""
    by_name: dict[str, list[Point]] = {}
    for point in points.points:
        if point.kind == kind and point.of:
            by_name.setdefault(fold(point.of), []).append(point)
    lines: list[tuple[str, list[Point]]] = []
    problems: list[Problem] = []
    word = "sleeve" if kind == "sleeve" else "mains line"
    for chain in by_name.values():
        if not all(point.whole for point in chain):
            continue
        kept = [
            point
            for before, point in zip([None, *chain], chain, strict=False)
            if before is None or not _same(before, point)
        ]
        if len(kept) < 2:
            found = f"found {word} '{chain[0].of}' with one point"
            problems.append(Problem(file, chain[0].row, "of", found, "measure both of its ends"))
            continue
        if kind == "sleeve" and _same(kept[0], kept[-1]):
            found = f"found {word} '{chain[0].of}' ending where it begins"
            problems.append(Problem(file, kept[-1].row, "of", found, "measure both of its ends"))
            continue
        lines.append((chain[0].of, kept))
    return lines, problems


def _same(one: Point, other: Point) -> bool:
    return one.x == other.x and one.y == other.y


def make_sleeves(
    lines: list[tuple[str, list[Point]]], heights: Heights, job: Job, file: str
) -> tuple[list[Sleeve], list[Problem], list[str]]:
    listed = {fold(name): setting for name, setting in job.sleeves.items()}
    sleeves: list[Sleeve] = []
    problems: list[Problem] = []
    notes: list[str] = []
    for name, chain in lines:
        setting = listed.get(fold(name))
        if setting is None:
            near = nearest(name, job.sleeves)
            mend = f"did you mean '{near}'?" if near else f'add [sleeves."{name}"] with capacity = 1, or its bore_mm'
            found = f"found sleeve '{name}', which is not under [sleeves] of the job"
            problems.append(Problem(file, chain[0].row, "of", found, mend))
            continue
        if setting.holds_mains:
            notes.append(f"sleeve '{name}' holds a mains cable and is not used")
            continue
        capacity = room(setting, job)
        if capacity < 1:
            notes.append(
                f"sleeve '{name}' is not used: a bore of {setting.bore_mm:g} mm takes none of the job's cables"
            )
            continue
        if setting.capacity is None:
            notes.append(
                f"sleeve '{name}' takes {capacity} cables: 40 % of its bore of {setting.bore_mm:g} mm may be filled"
            )
        sleeves.append(Sleeve(name, route(chain, heights), capacity, setting.pull_price, chain[0].row))
    return sleeves, problems, notes


def make_mains(lines: list[tuple[str, list[Point]]], heights: Heights) -> list[MainsLine]:
    return [MainsLine(name, route(chain, heights), chain[0].row) for name, chain in lines]


def route(chain: list[Point], heights: Heights) -> tuple[Place, ...]:
    """Places of a line; a point without a height takes that of the nearest measured one."""
    return tuple(place_of(point, heights) for point in chain)


class Heights(dict[tuple[float, float], float]):
    """Measured heights by x, y."""

    _tree: Any = None

    def nearest(self, x: float, y: float) -> float:
        """Height at the nearest measured place; of several as near, at the one with the least x, then y."""
        if len(self) < _MANY:
            return self[min(self, key=lambda xy: (math.hypot(xy[0] - x, xy[1] - y), xy))]
        if self._tree is None:
            from scipy.spatial import cKDTree

            self._places = list(self)
            self._tree = cKDTree(self._places)
        metres = float(self._tree.query((x, y))[0])
        near = [self._places[k] for k in self._tree.query_ball_point((x, y), metres * (1 + 1e-9) + 1e-12)]
        return self[min(near, key=lambda xy: (math.hypot(xy[0] - x, xy[1] - y), xy))]


def place_of(point: Point, heights: Heights) -> Place:
    """Place of a point; without a height of its own it takes the nearest measured one (0 where there is none)."""
    if point.z is not None or not heights:
        return point.place
    return point.x, point.y, heights.nearest(point.x, point.y)


def room(setting: SleeveSetting, job: Job) -> int:
    """How many cables a sleeve takes: as stated, or by its bore and the job's thickest cable."""
    if setting.capacity is not None or setting.bore_mm is None:
        return setting.capacity or 0
    thickest_mm = max(diameter_mm(cable) for cable in job.cables.values())
    return int(FILL * (setting.bore_mm / thickest_mm) ** 2 + 1e-9)


def diameter_mm(cable: Cable) -> float:
    """
    Outer diameter of a two-core cable, in mm: as stated, or built up from its conductors.

    Common practice, no source: strands spread a conductor to 1.13 x the diameter of its area, insulation is 0.8 mm and
    sheath 1.2 mm thick, two cores side by side in a round sheath: 8.7 mm for 1.5 mm², 9.6 mm for 2.5 mm².
    """
    if cable.od_mm is not None:
        return cable.od_mm
    core_mm = 1.13 * math.sqrt(4 * cable.area_mm2 / math.pi) + 2 * 0.8
    return 2 * core_mm + 2 * 1.2
