"""Turn rows of text into points. In: Table. Out: Points with numbers in metres, and every Problem of single rows.

Knows no job: kinds, names, numbers, and whether all coordinates together look like metres at all.
"""

from __future__ import annotations

import itertools
import math
import re
from collections.abc import Container, Sequence
from dataclasses import dataclass
from pathlib import PurePath
from statistics import median

from ..problems import Problem, nearest
from .numbers import BEYOND_GRIDS, METRES, decimal_comma, read_metres, read_number
from .stray_cells import stray_cells
from .table import Cells, Table

KINDS = ("lamp", "supply", "corner", "sleeve", "tree", "peg", "mains")
NAMED = ("lamp", "supply", "tree", "peg")  # the point's own name tells it; the others are told by 'of'
POSITION_FIELDS = ("x, y", "latitude, longitude")
"""Fields of problems with a point's place as a whole."""
SMALLEST_STEM_MM = 20.0
"""Of a tree; what is less is asked about wherever the survey is read."""
_FARTHEST_M = 1e8
"""From the origin of any grid on Earth to any of its places, with room to spare."""
_THIN_M, _STEP_M = 0.0099, 0.1
"""Measured points nearer than this whose heights differ by more are told of."""
_OWNER = {"lamp": "a lamp type", "corner": "a zone", "sleeve": "a sleeve", "mains": "a mains line"}


@dataclass(frozen=True)
class Point:
    """One measured point; ``whole`` is False where a number of it could not be read (then it is NaN)."""

    row: int
    name: str
    kind: str
    of: str
    x: float
    y: float
    z: float | None
    """None where not measured."""
    group: str = ""
    ring: int = 0
    stem_mm: float = 0.0
    whole: bool = True

    @property
    def place(self) -> tuple[float, float, float]:
        return self.x, self.y, self.z or 0.0


@dataclass(frozen=True)
class Points:
    points: tuple[Point, ...]
    problems: tuple[Problem, ...]
    notes: tuple[str, ...]
    rows_left_out: int = 0
    """Rows whose kind is not known, or that do not fit the header."""


def fold(name: str) -> str:
    """Two names that fold to the same are the same."""
    return name.casefold()


def read_points(table: Table, file: str, by_degrees: Container[int] = ()) -> Points:
    """Every row as a Point, as far as it can be read; ``by_degrees`` are the rows whose x and y come from degrees."""
    problems = list(table.problems)
    comma = decimal_comma(table)
    points: list[Point] = []
    unknown = 0
    groups: dict[str, str] = {}
    strays = stray_cells(table, file)
    for cells in table.rows:
        kind = cells["kind"].casefold()
        if kind not in KINDS:
            problems.append(_unknown_kind(cells, file))
            unknown += 1
            continue
        faults: list[Problem] = []
        numbers = {}
        for column in ("x", "y", "z"):
            value, fault = read_metres(cells[column], comma, needed=column != "z")
            numbers[column] = value
            if fault:
                faults.append(Problem(file, cells.row, column, *fault))
        if kind in NAMED and not cells["point"]:
            problems.append(Problem(file, cells.row, "point", "is empty", f"write the {_label(kind)}'s name"))
        if kind in _OWNER and not cells["of"]:
            problems.append(Problem(file, cells.row, "of", "is empty", f"write the name of {_OWNER[kind]}"))
            faults.append(problems.pop())
        ring, stem_mm = 0, 0.0
        if kind == "corner":
            ring, fault = _ring(cells["ring"])
            faults += [Problem(file, cells.row, "ring", *fault)] if fault else []
        if kind == "tree":
            stem_mm, fault = _stem(cells["stem_mm"], comma)
            faults += [Problem(file, cells.row, "stem_mm", *fault)] if fault else []
        faults += strays.get(cells.row, [])
        problems += faults
        x, y, z = numbers["x"], numbers["y"], numbers["z"]
        group = groups.setdefault(fold(cells["group"]), cells["group"]) if kind == "lamp" else ""
        points.append(
            Point(
                cells.row, cells["point"], kind, cells["of"],
                math.nan if x is None else x, math.nan if y is None else y, z, group, ring, stem_mm, not faults,
            )
        )  # fmt: skip
    problems += _names_twice(points, file)
    scale = _wrong_scale(points, table, file, by_degrees)
    problems += scale
    if not scale:
        problems += _heights(points, file)
    notes = [*table.notes, *_small_stems(points, file), *_thin_walls(points, file)]
    return Points(tuple(points), tuple(problems), tuple(notes), unknown + len(table.problems))


def _label(kind: str) -> str:
    return {"supply": "supply point", "corner": "zone corner", "mains": "mains line"}.get(kind, kind)


def _unknown_kind(cells: Cells, file: str) -> Problem:
    if not cells["kind"]:
        return Problem(file, cells.row, "kind", "is empty", f"write one of {', '.join(KINDS)}")
    near = nearest(cells["kind"], KINDS)
    mend = f"did you mean '{near}'?" if near else f"write one of {', '.join(KINDS)}"
    if cells["of"].casefold() in KINDS:
        mend = f"'{cells['of']}' stands under of: are the two changed over?"
    return Problem(file, cells.row, "kind", f"found '{cells['kind']}', which is no kind of point", mend)


# --- numbers


def _ring(text: str) -> tuple[int, tuple[str, str] | None]:
    number, fault = read_number(text, "," in text) if text else (0.0, None)
    if number is None or fault or number < 0 or number != int(number):
        return 0, (
            f"found '{text}', which is not a ring's number",
            "leave it empty for the outer ring, 1, 2 ... for holes",
        )
    return int(number), None


def _stem(text: str, comma: bool) -> tuple[float, tuple[str, str] | None]:
    if not text:
        return 0.0, ("is empty", "write the stem's diameter at breast height, in mm")
    number, fault = read_number(text, comma)
    if number is None:
        return 0.0, fault
    if number <= 0:
        return 0.0, (f"found {text}, which is not above 0", "write the stem's diameter at breast height, in mm")
    return number, None


# --- rules between rows


def _names_twice(points: Sequence[Point], file: str) -> list[Problem]:
    seen: dict[str, Point] = {}
    problems: list[Problem] = []
    for point in points:
        if point.kind not in NAMED or not point.name:
            continue
        first = seen.setdefault(fold(point.name), point)
        if first is not point:
            found = f"found '{point.name}', the name that the {_label(first.kind)} in row {first.row} has"
            problems.append(Problem(file, point.row, "point", found, "give each point a name of its own"))
    return problems


def _wrong_scale(points: Sequence[Point], table: Table, file: str, by_degrees: Container[int]) -> list[Problem]:
    """Coordinates that are no metres: degrees, millimetres, or a single point far off."""
    written = {cells.row: cells for cells in table.rows}
    good = [point for point in points if not math.isnan(point.x + point.y)]
    if len(good) < 2:
        return []
    xs, ys = [point.x for point in good], [point.y for point in good]
    wide, high = max(xs) - min(xs), max(ys) - min(ys)
    if max(wide, high) < 0.05 and max(map(abs, xs + ys)) <= 180 and min(max(map(abs, xs)), max(map(abs, ys))) <= 90:
        texts = [cells[column] for cells in table.rows for column in ("x", "y")]
        fine = sum(re.search(r"[.,]\d{4,}$", text) is not None for text in texts)
        if fine > len(texts) / 2:
            cells = table.rows[0]
            found = f"found {cells['x']}, {cells['y']} and all others close by, which look like degrees"
            return [
                Problem(file, 0, "x, y", found, "write metres on a grid of the site: x to the right, y up the plan")
            ]
    some = _some_in_degrees(table, file)
    if some or max(wide, high) <= 5000:
        return some or _beyond_grids(good, written, file)
    mid_x, mid_y = median(xs), median(ys)
    away = [max(abs(point.x - mid_x), abs(point.y - mid_y)) for point in good]
    far = [point for point, metres in zip(good, away, strict=True) if metres > max(2500, 20 * median(away))]
    few = len(good) / 4
    if all(point.row in by_degrees for point in far):
        few = (len(good) - 1) / 2  # degrees are of one grid, and in no other unit: whatever is the rarer is wrong
    if far and len(far) <= few:
        return [_far_off(point, written[point.row], file, by_degrees, _km(point, mid_x, mid_y)) for point in far]
    grids = _two_grids(good, file)
    if grids:
        return grids
    found = f"found points spread over {wide:g} x {high:g}, which look like millimetres"
    return [Problem(file, 0, "x, y", found, "write metres, such as 12.345 for 12345 mm")]


def _beyond_grids(points: Sequence[Point], written: dict[int, Cells], file: str) -> list[Problem]:
    """Coordinates that are near one another and no grid's: so far off, lengths are no longer good to the millimetre."""
    return [
        Problem(file, point.row, column, f"found '{written[point.row][column]}', {BEYOND_GRIDS}", METRES)
        for point in points
        for column, value in (("x", point.x), ("y", point.y))
        if abs(value) > _FARTHEST_M
    ]


def _far_off(point: Point, cells: Cells, file: str, by_degrees: Container[int], km: float) -> Problem:
    """A point far from all others, in the numbers that are written for it."""
    columns, mend = POSITION_FIELDS[0], "correct x and y, in metres"
    if point.row in by_degrees:
        columns, mend = POSITION_FIELDS[1], "are latitude and longitude swapped? Correct them, in degrees"
    texts = [cells[column] for column in columns.split(", ")]
    away = f"{km:.1f} km" if km < 1000 else "more than 1,000 km"  # the grid of degrees is not true to scale so far off
    return Problem(file, point.row, columns, f"found {', '.join(texts)}, {away} from the other points", mend)


def _some_in_degrees(table: Table, file: str) -> list[Problem]:
    """Rows whose x and y have the many decimals and the small spread of degrees, among others in metres."""
    fine = [
        cells
        for cells in table.rows
        if all(re.fullmatch(r"-?\d{1,3}[.,]\d{5,}", cells[column]) for column in ("x", "y"))
    ]
    if not 2 <= len(fine) < len(table.rows):
        return []
    places = [tuple(float(cells[column].replace(",", ".")) for column in ("x", "y")) for cells in fine]
    spread = max(max(place[k] for place in places) - min(place[k] for place in places) for k in (0, 1))
    if spread > 0.05 or min(max(abs(place[k]) for place in places) for k in (0, 1)) > 90:
        return []
    found = (
        f"found {fine[0]['x']}, {fine[0]['y']} and {len(fine) - 1} more like it among metres, which look like degrees"
    )
    mend = "write degrees in the columns latitude and longitude"
    return [Problem(file, fine[0].row, "x, y", found, mend)]


def _two_grids(points: Sequence[Point], file: str) -> list[Problem]:
    """Points in two heaps a long way apart: some in the site's own metres, some in those of a country's grid."""
    for axis in ("x", "y"):
        order = sorted(points, key=lambda point: float(getattr(point, axis)))
        values = [float(getattr(point, axis)) for point in order]
        gap, k = max((after - before, k) for k, (before, after) in enumerate(itertools.pairwise(values)))
        heaps = order[: k + 1], order[k + 1 :]
        sizes = [
            max(max(p.x for p in heap) - min(p.x for p in heap), max(p.y for p in heap) - min(p.y for p in heap))
            for heap in heaps
        ]
        if min(map(len, heaps)) >= 2 and max(sizes) <= 5000 and gap > max(100_000, 10 * max(sizes)):
            words = [f"{len(heap)} about {heap[0].x:.0f}, {heap[0].y:.0f}" for heap in heaps]
            found = f"found points of two grids, {words[0]} and {words[1]}"
            smaller = min(reversed(heaps), key=len)
            return [
                Problem(
                    file,
                    min(point.row for point in smaller),
                    "x, y",
                    found,
                    "write the metres of one grid for all of them",
                )
            ]
    return []


def _km(point: Point, x: float, y: float) -> float:
    return math.hypot(point.x - x, point.y - y) / 1000


def _heights(points: Sequence[Point], file: str) -> list[Problem]:
    """Lamps, supply points and sleeves need a height where any point has one; one place has one height."""
    measured = [point for point in points if point.z is not None and point.whole]
    if not measured:
        return []
    problems: list[Problem] = []
    for point in points:
        if point.z is None and point.whole and point.kind in ("lamp", "supply", "sleeve"):
            found = f"is empty for this {_label(point.kind)}, while row {measured[0].row} has a height"
            problems.append(Problem(file, point.row, "z", found, "measure it, or leave z empty everywhere"))
    at: dict[tuple[float, float], Point] = {}
    for point in measured:
        first = at.setdefault((point.x, point.y), point)
        if first.z != point.z:
            found = f"found {point.z:g}, while row {first.row} has {first.z:g} at the same x and y"
            problems.append(Problem(file, point.row, "z", found, "write one height for one place"))
    return problems


def _thin_walls(points: Sequence[Point], file: str) -> list[str]:
    """Lines are not cut below a millimetre: over so thin a wall part of its height is lost from their length."""
    measured = [point for point in points if point.z is not None and point.whole]
    if len(measured) < 2:
        return []
    from scipy.spatial import cKDTree

    near = cKDTree([(point.x, point.y) for point in measured]).query_pairs(_THIN_M)
    notes = []
    for i, j in sorted(near):
        first, other = measured[i], measured[j]
        rise_m = abs((first.z or 0.0) - (other.z or 0.0))
        if rise_m > _STEP_M and (first.x, first.y) != (other.x, other.y):
            apart_mm = 1000 * math.hypot(first.x - other.x, first.y - other.y)
            notes.append(
                f"{PurePath(file).name}:{other.row}: z: {other.z:g} is {rise_m:.2f} m off that of row {first.row}, "
                f"{apart_mm:.1f} mm away: cables over so thin a wall are reckoned too short; "
                "write top and foot 5 cm apart"
            )
    return notes


def _small_stems(points: Sequence[Point], file: str) -> list[str]:
    name = PurePath(file).name
    return [
        f"{name}:{point.row}: the stem of tree '{point.name}' measures {point.stem_mm:g} mm; is that in mm?"
        for point in points
        if point.kind == "tree" and point.whole and not SMALLEST_STEM_MM <= point.stem_mm <= 3000
    ]
