"""Zones from corners, and from trees. In: Points, Job. Out: Zone records with ground and keep-off, and every Problem.

A tree is two zones (DEVELOPERS.md): the trunk strip, a 16-gon, and root ground, a 32-gon, both drawn *round* their
circle, so that the circle lies within; corners are rounded to the millimetre. Root radius: 12 x stem diameter (BS
5837:2012, AS 4970), held to 2 ... 15 m (AS 4970; 15 m is BS 5837's cap of 707 m² as well); the strip: 1 m from the
trunk's face (NJUG Vol. 4). The job may change each under [trees].
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Sequence
from pathlib import PurePath

from shapely import Polygon
from shapely.validation import explain_validity

from ..job import TRUNK_STRIP, GroundKind, Job, TreeRule
from ..problems import Problem, nearest
from .model import Tree, Zone
from .points import Point, Points, fold
from .table import fold_column

XY = tuple[float, float]
Outline = tuple[str, list[Point], Polygon]
"""Name of a zone as first written, its corners, its polygon."""


def read_outlines(points: Points, file: str) -> tuple[list[Outline], list[Problem], list[str]]:
    """Polygons of the surveyed zones, in the order of their first corner; needs no job."""
    by_zone: dict[str, list[Point]] = {}
    for point in points.points:
        if point.kind == "corner" and point.of:
            by_zone.setdefault(fold(point.of), []).append(point)
    outlines: list[Outline] = []
    problems: list[Problem] = []
    notes: list[str] = []
    for corners in by_zone.values():
        if not all(corner.whole for corner in corners):
            continue  # its shape is not known until the rows named already are mended
        polygon, fault = _polygon(corners, [others[0].of for others in by_zone.values()], file, notes)
        if fault is not None:
            problems.append(fault)
        elif polygon is not None:
            outlines.append((corners[0].of, corners, polygon))
    return outlines, problems, notes


def _polygon(
    corners: Sequence[Point], others: Sequence[str], file: str, notes: list[str]
) -> tuple[Polygon | None, Problem | None]:
    name, row = corners[0].of, corners[0].row
    rings: dict[int, list[Point]] = {}
    for corner in corners:
        rings.setdefault(corner.ring, []).append(corner)
    if 0 not in rings:
        found = f"found zone '{name}' with holes but no outer ring"
        return None, Problem(file, row, "ring", found, "leave ring empty for the corners of its outer edge")
    for ring, points in rings.items():
        kept = [
            point for before, point in zip([points[-1], *points], points, strict=False) if _xy(before) != _xy(point)
        ]
        if len(kept) < len(points) and kept:
            notes.append(f"{PurePath(file).name}: zone '{name}' names a corner twice in a row; counted once")
        rings[ring] = kept
        which = f"zone '{name}'" if ring == 0 else f"ring {ring} of zone '{name}'"
        if len(kept) < 3:
            found = f"found {which} with {len(kept) or 1} corner{'s' * (len(kept) > 1)}"
            mend = "give it at least three corners, in order round its edge"
            alike = [other for other in others if other != name and fold_column(other) == fold_column(name)]
            if alike:  # a space too many or too few makes another zone of a corner
                mend = f"did you mean '{alike[0]}'? Else {mend}"
            return None, Problem(file, points[0].row, "of", found, mend)
        outline = Polygon([_xy(point) for point in kept])
        crossing = _crossing(kept)
        if outline.area < 1e-6 and (crossing is None or outline.convex_hull.area < 1e-6):
            found = f"found {which}, whose corners lie on one line"
            return None, Problem(file, points[0].row, "of", found, "measure corners that enclose some ground")
        if crossing is not None:
            found, at = f"found {which} crossing itself {crossing[0]}", crossing[1]
            return None, Problem(file, at, "of", found, "list its corners in order round its edge")
    holes = {ring: points for ring, points in rings.items() if ring != 0}
    outer = Polygon([_xy(point) for point in rings[0]])
    for ring, points in holes.items():
        if not outer.covers(Polygon([_xy(point) for point in points])):
            found = f"found ring {ring} of zone '{name}' outside its outer edge"
            return None, Problem(
                file, points[0].row, "ring", found, "measure the hole within the zone, or name it as a zone"
            )
    polygon = Polygon(
        [_xy(point) for point in rings[0]], [[_xy(point) for point in points] for points in holes.values()]
    )
    if not polygon.is_valid:  # holes that overlap, or that touch the edge along a line
        found = f"found zone '{name}' with rings that meet ({explain_validity(polygon)})"
        return None, Problem(file, row, "ring", found, "keep its rings apart from each other")
    return polygon, None


def _xy(point: Point) -> XY:
    return point.x, point.y


def _crossing(ring: Sequence[Point]) -> tuple[str, int] | None:
    """Where a ring first meets itself: words with place and rows, and the row to show; None where it is simple."""
    if Polygon([_xy(point) for point in ring]).exterior.is_simple:
        return None
    from shapely import STRtree, linestrings

    sides = list(zip(ring, [*ring[1:], ring[0]], strict=True))
    lines = linestrings([[_xy(a), _xy(b)] for a, b in sides])
    tree = STRtree(lines)
    for i, (a, b) in enumerate(sides):
        for j in sorted(int(other) for other in tree.query(lines[i], predicate="intersects") if other > i):
            c, d = sides[j]
            place = _meeting(_xy(a), _xy(b), _xy(c), _xy(d), j == i + 1, j == len(sides) - 1 and i == 0)
            if place is not None:
                words = f"at {place[0]:.2f}, {place[1]:.2f}, between rows {a.row}-{b.row} and {c.row}-{d.row}"
                return words, max(a.row, b.row, c.row, d.row)
    return "", ring[0].row


def _meeting(a: XY, b: XY, c: XY, d: XY, next_to: bool, closing: bool) -> XY | None:
    """Place where side ab meets side cd, apart from the corner that neighbours share."""
    from shapely import LineString

    shared = LineString([a, b]).intersection(LineString([c, d]))
    if shared.is_empty or ((next_to or closing) and shared.geom_type == "Point"):
        return None
    spot = shared.representative_point()
    return spot.x, spot.y


def name_grounds(outlines: Iterable[Outline], job: Job, file: str) -> tuple[list[Zone], list[Problem], list[str]]:
    """Zones with their ground: as listed under [zones], else by their name, with or without a number at its end."""
    zones: list[Zone] = []
    problems: list[Problem] = []
    notes: list[str] = []
    listed = {fold(name): setting for name, setting in job.zones.items()}
    grounds = {fold(name): name for name in job.grounds if name != TRUNK_STRIP}
    seen: set[str] = set()
    for name, corners, polygon in outlines:
        setting = listed.get(fold(name))
        seen.add(fold(name))
        ground = setting.ground if setting is not None else grounds.get(fold(name))
        bare = re.sub(r"[\s\d_-]+$", "", name)
        if ground is None:
            ground = grounds.get(fold(bare))
        if ground is None:
            found = f"found zone '{name}', which is neither under [zones] nor named like a ground of the job"
            problems.append(Problem(file, corners[0].row, "of", found, _mend_zone(name, bare, job)))
            continue
        keep_off_m = job.grounds[ground].keep_off_m
        if setting is not None and setting.keep_off_m is not None:
            keep_off_m = setting.keep_off_m
            if keep_off_m and not job.grounds[ground].no_dig:
                notes.append(f"zones.{name}.keep_off_m is not used: ground '{ground}' may be dug")
        if not job.grounds[ground].no_dig:
            keep_off_m = 0.0
        zones.append(Zone(name, ground, polygon, keep_off_m, "survey", corners[0].row))
    return zones, problems, notes


def _mend_zone(name: str, bare: str, job: Job) -> str:
    listed = nearest(name, job.zones)
    if listed:
        return f"did you mean zone '{listed}'?"
    grounds = [ground for ground in job.grounds if ground != TRUNK_STRIP]
    near = nearest(bare or name, grounds)
    if near:
        return f"did you mean '{near}'?"
    if bare in GroundKind.__args__:  # type: ignore[attr-defined]
        return f"add [grounds.{bare}] to the job file"
    return f'add [zones."{name}"] with ground = one of {", ".join(grounds)} to the job file'


# --- trees


def root_radius_m(stem_mm: float, rule: TreeRule) -> float:
    """Radius of root ground, in m: ``root_factor`` x stem diameter, held to its least and greatest."""
    return min(max(rule.root_factor * stem_mm / 1000, rule.root_min_m), rule.root_max_m)


def strip_radius_m(stem_mm: float, rule: TreeRule) -> float:
    """Radius of the trunk strip from the trunk's centre, in m."""
    return stem_mm / 2000 + rule.strip_m


def polygon_round(x: float, y: float, radius_m: float, sides: int) -> Polygon:
    """Regular polygon whose sides touch the circle from outside; area = sides x tan(pi / sides) x radius²."""
    reach = radius_m / math.cos(math.pi / sides)
    turns = [2 * math.pi * (side + 0.5) / sides for side in range(sides)]
    return Polygon([(round(x + reach * math.cos(turn), 3), round(y + reach * math.sin(turn), 3)) for turn in turns])


def zones_of_tree(tree: Tree, job: Job) -> tuple[Zone, Zone]:
    """Trunk strip and root ground of one tree. The job has both grounds: see ``look_over.trees_without_root``."""
    x, y, _ = tree.place
    strip = polygon_round(x, y, strip_radius_m(tree.stem_mm, job.trees), 16)
    root = polygon_round(x, y, root_radius_m(tree.stem_mm, job.trees), 32)
    ground = job.grounds["root"]
    return (
        Zone(f"{tree.name} trunk", TRUNK_STRIP, strip, job.grounds[TRUNK_STRIP].keep_off_m, "trunk", tree.row),
        Zone(f"{tree.name} root", "root", root, ground.keep_off_m if ground.no_dig else 0.0, "root", tree.row),
    )
