"""The measured points. In: bytes of a CSV, XLSX, GeoJSON or DXF, and the Job. Out: Survey, or every Problem at once.

``readers`` takes the file apart, ``reduce`` finds x and y where something else was measured, ``points`` reads each row,
``zones`` and ``lines`` put corners and chains together, ``look_over`` judges the whole against the job.

Heights: where any point has a z, every lamp, supply point and sleeve point needs one; corners, trees, pegs and mains
lines may go without, and then tell nothing about the surface (their place takes the nearest measured z). All measured
heights, those of zone corners too, are in ``Survey.heights``.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from ..job import Dxf, Job, Measuring
from ..problems import BadInput, Problem, nearest
from .empty_columns import told_once
from .far_off import far_off, in_another_unit
from .lines import Heights, make_mains, make_sleeves, place_of, read_lines
from .look_over import look_over
from .model import FixedPoint, Lamp, Peg, SupplyPoint, Survey, Tree, Zone
from .points import POSITION_FIELDS, Point, Points, fold, read_points
from .readers import read_rows
from .reduce import Reduced, reduce
from .steep import doubtful_heights
from .swapped import swapped
from .uncertain import uncertain
from .zones import Outline, name_grounds, read_outlines, zones_of_tree

XY = tuple[float, float]

__all__ = [
    "Survey", "build_survey", "points_of", "problems_of_points", "problems_without_job", "read_survey", "reduce_file",
]  # fmt: skip


def read_survey(data: bytes, file: str, job: Job) -> Survey:
    """
    Read a survey.

    Parameters
    ----------
    data, file
        Its bytes, and the name to show in problems.
    job
        The job it belongs to.

    Raises
    ------
    BadInput
        With every problem of the file.
    """
    return build_survey(reduce_file(data, file, job.measuring, job.dxf), file, job)


def reduce_file(data: bytes, file: str, measuring: Measuring, dxf: Dxf) -> Reduced:
    """
    Rows of a survey with x and y for all of them, as far as they can be found; needs no job.

    Raises
    ------
    BadInput
        The file cannot be read at all; what is wrong in single rows is in ``problems``.
    """
    return reduce(read_rows(data, file, dxf), file, measuring)


def build_survey(reduced: Reduced, file: str, job: Job, points: Points | None = None) -> Survey:
    """
    The survey of rows that have x and y; ``points`` are those of ``points_of``, where they are had already.

    Raises
    ------
    BadInput
        With every problem of the file.
    """
    points = points or points_of(reduced, file)
    outlines, problems, notes = read_outlines(points, file)
    sleeve_lines, sleeve_faults = read_lines(points, "sleeve", file)
    mains_lines, mains_faults = read_lines(points, "mains", file)
    problems = [*points.problems, *problems, *sleeve_faults, *mains_faults]
    heights = Heights({(point.x, point.y): point.z for point in points.points if point.whole and point.z is not None})

    lamps, faults = _lamps(points, job, file)
    problems += faults + _missing(points, file)
    zones, faults, more = name_grounds(outlines, job, file)
    problems, notes = problems + faults, notes + more
    sleeves, faults, more = make_sleeves(sleeve_lines, heights, job, file)
    problems, notes = problems + faults, notes + more
    trees = [Tree(point.name, place_of(point, heights), point.stem_mm, point.row) for point in _of_kind(points, "tree")]
    if trees and "root" not in job.grounds:
        found = f"found tree '{trees[0].name}', and the job has no root ground"
        problems.append(Problem(file, trees[0].row, "kind", found, "add [grounds.root] with its per_m to the job file"))
    else:
        zones += [zone for tree in trees for zone in zones_of_tree(tree, job)]
    supplies = {fold(name): name for name in job.supplies}
    survey = Survey(
        lamps=tuple(lamps),
        supplies=tuple(
            SupplyPoint(supplies.get(fold(point.name), point.name), point.place, point.row)
            for point in _of_kind(points, "supply")
        ),
        zones=tuple(zones),
        sleeves=tuple(sleeves),
        trees=tuple(trees),
        mains=tuple(make_mains(mains_lines, heights)),
        pegs=tuple(Peg(point.name, place_of(point, heights), point.row) for point in _of_kind(points, "peg")),
        fixed=tuple(_fixed_points(outlines, zones, heights, job)),
        heights=tuple((x, y, z) for (x, y), z in heights.items()),
        position=reduced.position,
    )
    if not _hides_the_ground(points):
        faults, more = look_over(survey, [name for name, _ in sleeve_lines], job, file)
        problems, notes = problems + faults, notes + more
    mirrored = swapped(points.points, outlines, zones, job)
    if problems:
        if mirrored:  # it may be the reason of the others
            problems = [Problem(file, 0, "x, y", f"found that {mirrored}", "look at both columns again"), *problems]
        raise BadInput([reduced.table.place(problem) for problem in problems])
    doubts = [doubt.words for doubt in doubtful_heights(points.points, zones, job)]
    doubts += [*in_another_unit(points.points), *(lamp.words for lamp in far_off(points.points))]
    doubts += [mirrored] * bool(mirrored)
    more = [*reduced.notes, *uncertain(reduced, zones, job), *doubts]
    return replace(survey, notes=tuple(dict.fromkeys([*points.notes, *more, *notes])))


def points_of(reduced: Reduced, file: str) -> Points:
    """Points of the rows; a missing x, y or z is not complained of where the reason is said already."""
    by_degrees = {reduced.table.rows[index].row for index, placed in reduced.placed.items() if placed.how == "receiver"}
    points = read_points(reduced.table, file, by_degrees)
    said = {"x": reduced.lost_rows, "y": reduced.lost_rows, "z": reduced.unlevelled}
    problems = [
        problem
        for problem in points.problems
        if not (problem.line in said.get(problem.field, ()) and problem.found.startswith("is empty"))
    ]
    reckoned = {index for index, placed in reduced.placed.items() if placed.how != "grid"}
    every = told_once((*reduced.problems, *problems), reduced.table, reckoned, file)
    return replace(points, problems=tuple(every))


def problems_without_job(data: bytes, file: str, measuring: Measuring, dxf: Dxf) -> list[Problem]:
    """Problems that show without the job: for a survey whose job file cannot be used."""
    try:
        reduced = reduce_file(data, file, measuring, dxf)
    except BadInput as error:
        return error.problems
    return [reduced.table.place(problem) for problem in problems_of_points(points_of(reduced, file), file)]


def problems_of_points(points: Points, file: str) -> list[Problem]:
    """Problems of points, of the zones and lines they make, and of what is missing; needs no job."""
    problems = [*points.problems, *read_outlines(points, file)[1], *_missing(points, file)]
    for kind in ("sleeve", "mains"):
        problems += read_lines(points, kind, file)[1]
    return problems


def _of_kind(points: Points, kind: str) -> list[Point]:
    return [point for point in points.points if point.kind == kind and point.whole]


def _fixed_points(outlines: Sequence[Outline], zones: Sequence[Zone], heights: Heights, job: Job) -> list[FixedPoint]:
    """Corners of buildings and walls, each place once; one without a name is called by its number."""
    grounds = {zone.name: job.grounds[zone.ground] for zone in zones if zone.of == "survey"}
    found: dict[XY, FixedPoint] = {}
    for name, corners, _ in outlines:
        ground = grounds.get(name)
        if ground is None or not ground.no_dig or ground.is_water:
            continue
        for number, corner in enumerate(corners, 1):
            place = place_of(corner, heights)
            found.setdefault(place[:2], FixedPoint(corner.name or str(number), name, place))
    return list(found.values())


def _hides_the_ground(points: Points) -> bool:
    """Whether coordinates are of another unit, so that nothing can be said about distances."""
    return any(problem.field in POSITION_FIELDS for problem in points.problems)


def _missing(points: Points, file: str) -> list[Problem]:
    """No lamps, no supply: not said while rows of unknown kind may be them."""
    if points.rows_left_out:
        return []
    kinds = {point.kind for point in points.points}
    problems = []
    if "lamp" not in kinds:
        problems.append(Problem(file, 0, "kind", "has no lamps", "write a row of kind lamp for each lamp"))
    if "supply" not in kinds:
        mend = "write a row of kind supply for each mains outlet that may take a driver"
        problems.append(Problem(file, 0, "kind", "has no supply point", mend))
    return problems


def _lamps(points: Points, job: Job, file: str) -> tuple[list[Lamp], list[Problem]]:
    types = {fold(name): name for name in job.lamps}
    lamps: list[Lamp] = []
    problems: list[Problem] = []
    for point in points.points:
        if point.kind != "lamp" or not point.of:
            continue
        name = point.of if point.of in job.lamps else types.get(fold(point.of))
        if name is None:
            near = nearest(point.of, job.lamps)
            mend = (
                f"did you mean '{near}'?" if near else f"write one of {', '.join(job.lamps)}, or add [lamps.{point.of}]"
            )
            found = f"found '{point.of}', which is no lamp type of the job"
            problems.append(Problem(file, point.row, "of", found, mend))
        elif point.whole:
            lamps.append(Lamp(point.name, name, point.place, point.group, point.row))
    return lamps, problems
