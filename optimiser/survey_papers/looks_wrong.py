"""What in a survey is probably not meant, though it can be read. In: Points, zones, lines. Out: Findings."""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from ..job import Job
from ..survey.far_off import far_off, in_another_unit
from ..survey.numbers import dated_name
from ..survey.points import SMALLEST_STEM_MM, Point, Points, fold
from ..survey.steep import doubtful_heights
from ..survey.swapped import swapped
from ..survey.zones import Outline, name_grounds

_CLOSE_M = 0.15
_FAR_M = 25.0
_SMALL_M2 = 0.05
_THIN_STEM_MM = 60.0  # 32 is more often a stem of 320 mm written in cm than a sapling
_MOST_CORNERS = 60
_MOST_EACH = 20
_WATER = ("pond", "pool", "fountain")


@dataclass(frozen=True)
class Finding:
    """A sentence, and the place on the ground that it is about (none where it is about none)."""

    words: str
    place: tuple[float, float] | None = None


def looks_wrong(
    points: Points,
    outlines: Sequence[Outline],
    sleeves: Sequence[tuple[str, list[Point]]],
    job: Job | None,
) -> list[Finding]:
    """
    All findings, those of one sort together; at most twenty of each sort, then how many more.

    Without a job no wall is known, and heights at walls are named as well.
    """
    whole = [point for point in points.points if point.whole]
    lamps = [point for point in whole if point.kind == "lamp"]
    zones = name_grounds(outlines, job, "")[0] if job is not None else []
    mirrored = swapped(points.points, outlines, zones, job)
    sorts = [
        [Finding(mirrored)] * bool(mirrored),
        [Finding(unit) for unit in in_another_unit(points.points)],
        _close_together(lamps),
        _corners_out_of_order(points),
        _in_closed_ground(lamps, outlines, job),
        _far_supplies(whole, lamps),
        [Finding(lamp.words, lamp.place) for lamp in far_off(points.points)],
        _dates_for_names(points.points),
        _small_zones(outlines),
        _short_sleeves(sleeves),
        _thin_stems(whole),
        [Finding(doubt.words, doubt.place) for doubt in doubtful_heights(whole, zones, job)],
    ]
    found: list[Finding] = []
    for findings in sorts:
        found += findings[:_MOST_EACH]
        if len(findings) > _MOST_EACH:
            found.append(Finding(f"… and {len(findings) - _MOST_EACH} more like these"))
    return found


def _close_together(lamps: list[Point]) -> list[Finding]:
    from scipy.spatial import cKDTree

    if len(lamps) < 2:
        return []
    places = np.array([(lamp.x, lamp.y) for lamp in lamps])
    tree = cKDTree(places)
    apart, near = map(np.asarray, tree.query(places, k=2, distance_upper_bound=_CLOSE_M))
    found: dict[tuple[int, int], float] = {}
    for i in np.flatnonzero(np.isfinite(apart[:, 1])).tolist():
        others = [int(k) for k in near[i] if int(k) != i and int(k) < len(lamps)]
        for j in others[:1]:
            found.setdefault((min(i, j), max(i, j)), math.dist(places[i], places[j]))
    return [
        Finding(
            f"lamps '{lamps[i].name}' and '{lamps[j].name}' stand on one spot"  # in the words of the survey's note
            if metres < 0.0005
            else f"lamps {lamps[i].name} and {lamps[j].name} stand {100 * metres:.0f} cm apart",
            (lamps[i].x, lamps[i].y),
        )
        for (i, j), metres in sorted(found.items())
    ]


def _corners_out_of_order(points: Points) -> list[Finding]:
    """Zones whose edge crosses itself, and would not if one corner stood elsewhere in the list."""
    rings: dict[tuple[str, int], list[Point]] = {}
    for point in points.points:
        if point.kind == "corner" and point.of:
            rings.setdefault((fold(point.of), point.ring), []).append(point)
    found = []
    for corners in rings.values():
        if not 4 <= len(corners) <= _MOST_CORNERS or not all(corner.whole for corner in corners) or _is_simple(corners):
            continue
        best: tuple[float, int, int] | None = None
        for i in range(len(corners)):
            rest = corners[:i] + corners[i + 1 :]
            for j in range(len(rest)):
                moved = [*rest[: j + 1], corners[i], *rest[j + 1 :]]
                if _is_simple(moved):
                    best = min(best or (math.inf, 0, 0), (_round(moved), i, j))
        corner = corners[best[1]] if best else corners[0]
        words = f"the edge of zone '{corner.of}' crosses itself"
        if best:
            rest = corners[: best[1]] + corners[best[1] + 1 :]
            after, before = rest[best[2]], rest[(best[2] + 1) % len(rest)]
            words += (
                f": {_corner(corner)} seems out of order, and to belong between {_corner(after)} and {_corner(before)}"
            )
        found.append(Finding(words, (corner.x, corner.y)))
    return found


def _corner(corner: Point) -> str:
    return f"{corner.name} (row {corner.row})" if corner.name else f"the corner in row {corner.row}"


def _is_simple(corners: Sequence[Point]) -> bool:
    from shapely import LinearRing

    return bool(LinearRing([(corner.x, corner.y) for corner in corners]).is_simple)


def _round(corners: Sequence[Point]) -> float:
    return sum(math.dist((a.x, a.y), (b.x, b.y)) for a, b in zip(corners, [*corners[1:], corners[0]], strict=True))


def _in_closed_ground(lamps: list[Point], outlines: Sequence[Outline], job: Job | None) -> list[Finding]:
    """Lamps that stand in water, or deep in other ground that may not be dug."""
    import shapely

    closed = {fold(name): ("water" if fold(name).startswith(_WATER) else "") for name, _, _ in outlines}
    closed = {name: word for name, word in closed.items() if word}
    if job is not None:
        for zone in name_grounds(outlines, job, "")[0]:
            ground = job.grounds[zone.ground]
            if ground.no_dig:
                closed[fold(zone.name)] = "water" if ground.is_water else "no-dig ground"
            else:
                closed.pop(fold(zone.name), None)
    if not lamps:
        return []
    x, y = np.array([lamp.x for lamp in lamps]), np.array([lamp.y for lamp in lamps])
    may_stand = {fold(name) for name, lamp in job.lamps.items() if lamp.submersible} if job is not None else set()
    tolerance_m = job.rules.border_tolerance_m if job is not None else 0.3
    found = []
    for name, _, polygon in outlines:
        word = closed.get(fold(name))
        if word is None:
            continue
        for k in np.flatnonzero(shapely.contains_xy(polygon, x, y)).tolist():
            depth_m = polygon.boundary.distance(shapely.Point(x[k], y[k]))
            if depth_m > tolerance_m and not (word == "water" and fold(lamps[k].of) in may_stand):
                words = f"lamp {lamps[k].name} stands {depth_m:.2f} m inside '{name}' ({word})"
                found.append(Finding(words, (lamps[k].x, lamps[k].y)))
    return found


def _far_supplies(whole: list[Point], lamps: list[Point]) -> list[Finding]:
    from scipy.spatial import cKDTree

    if not lamps:
        return []
    places = np.array([(lamp.x, lamp.y) for lamp in lamps])
    tree = cKDTree(places)
    spread = float(np.hypot(*np.ptp(places, axis=0)))
    found = []
    for supply in (point for point in whole if point.kind == "supply"):
        metres = float(tree.query((supply.x, supply.y))[0])
        if metres > max(_FAR_M, spread / 2):
            words = f"supply point {supply.name} is {metres:.0f} m from the nearest lamp"
            found.append(Finding(words, (supply.x, supply.y)))
    return found


def _dates_for_names(points: Sequence[Point]) -> list[Finding]:
    dated = [point for point in points if dated_name(point.name)]
    if not dated:
        return []
    more = f", and those of {len(dated) - 1} more," if len(dated) > 1 else ""
    words = (
        f"the name '{dated[0].name}' in row {dated[0].row}{more} may be a date that a spreadsheet made of another "
        "name, such as 1-2: set the column to text"
    )
    return [Finding(words, (dated[0].x, dated[0].y) if dated[0].whole else None)]


def _small_zones(outlines: Sequence[Outline]) -> list[Finding]:
    return [
        Finding(f"zone '{name}' measures {polygon.area:.3f} m² only", (corners[0].x, corners[0].y))
        for name, corners, polygon in outlines
        if polygon.area < _SMALL_M2
    ]


def _short_sleeves(sleeves: Sequence[tuple[str, list[Point]]]) -> list[Finding]:
    found = []
    for name, chain in sleeves:
        metres = sum(math.dist((a.x, a.y), (b.x, b.y)) for a, b in itertools.pairwise(chain))
        if metres < 0.3:
            found.append(Finding(f"sleeve '{name}' is {metres:.2f} m long only", (chain[0].x, chain[0].y)))
    return found


def _thin_stems(whole: list[Point]) -> list[Finding]:
    """Stems that may be written in cm; of those under ``SMALLEST_STEM_MM`` the notes of the points tell already."""
    return [
        Finding(f"the stem of tree {tree.name} measures {tree.stem_mm:g} mm; is that in mm?", (tree.x, tree.y))
        for tree in whole
        if tree.kind == "tree" and SMALLEST_STEM_MM <= tree.stem_mm < _THIN_STEM_MM
    ]
