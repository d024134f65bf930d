"""Look the whole survey over against the job. In: Survey, Job. Out: every Problem that only both show, and notes.

Lamp types and drivers, water clearances, points too deep in ground that may not be dug, lamps on one spot, settings of
the job that nothing surveyed uses, defaults that were taken.
"""

from __future__ import annotations

from collections.abc import Iterable

from shapely import Point as ShapelyPoint
from shapely import union_all
from shapely.geometry.base import BaseGeometry

from ..job import Job
from ..matching import misfit
from ..problems import Problem, nearest
from .model import Lamp, Place, SupplyPoint, Survey, Zone
from .points import fold

_COVER_MM = 150  # least usual cover of lawn, bed and gravel (trade's practice, no source)


def look_over(survey: Survey, sleeves: Iterable[str], job: Job, file: str) -> tuple[list[Problem], list[str]]:
    """Problems and notes of a survey; ``sleeves`` names all that were surveyed, those left out too."""
    problems = [*_without_driver(survey, job, file), *_too_near_water(survey, job, file), *_too_deep(survey, job, file)]
    problems += _posts_on_one_spot(survey, job, file)
    notes = [*_on_one_spot(survey), *_unused(survey, sleeves, job), *_defaults(job)]
    return problems, notes


def _kind(supply: str) -> str:
    return "ac or dc" if supply == "either" else supply


def _without_driver(survey: Survey, job: Job, file: str) -> list[Problem]:
    problems: list[Problem] = []
    first: dict[str, Lamp] = {}
    for lamp in survey.lamps:
        first.setdefault(lamp.type, lamp)
    for name, lamp in first.items():
        lamp_type = job.lamps[name]
        reasons = {driver: misfit(lamp_type, model) for driver, model in job.drivers.items()}
        if all(reasons.values()):
            why = "; ".join(f"'{driver}' {reason}" for driver, reason in reasons.items())
            wants = f"{lamp_type.volts:g} V {_kind(lamp_type.supply)}"
            found = f"found lamp '{lamp.name}' of type '{name}' ({wants}), which no driver fits: {why}"
            mend = f"add a driver for {wants} lamps, or correct [lamps.{name}]"
            problems.append(Problem(file, lamp.row, "of", found, mend))
    return problems


def _too_near_water(survey: Survey, job: Job, file: str) -> list[Problem]:
    problems: list[Problem] = []
    for zone in survey.zones:
        ground = job.grounds[zone.ground]
        if not ground.is_water:
            continue
        named = f"'{zone.name}'" if fold(zone.name).startswith(ground.kind) else f"{ground.kind} '{zone.name}'"
        for lamp in survey.lamps:
            if job.lamps[lamp.type].submersible:
                continue
            clear_m = ground.lamp_clear_m
            away_m = _distance_m(lamp.place, zone.polygon)
            depth_m = _depth_m(lamp.place, zone.polygon)
            if away_m < clear_m - 1e-6:
                found = f"found lamp '{lamp.name}' {away_m:.2f} m from {named}"
                problems.append(
                    Problem(file, lamp.row, "x, y", found, _keep(zone, "lamp_clear_m", clear_m, "submersible lamp"))
                )
            elif depth_m > job.rules.border_tolerance_m + 1e-6:
                found = f"found lamp '{lamp.name}' {depth_m:.2f} m inside {named}, and its type is not submersible"
                mend = f"move it out, or set lamps.{lamp.type}.submersible = true if its maker says so"
                problems.append(Problem(file, lamp.row, "x, y", found, mend))
        for supply in survey.supplies:
            away_m = _distance_m(supply.place, zone.polygon)
            if away_m < ground.driver_clear_m - 1e-6:
                found = f"found supply point '{supply.name}' {away_m:.2f} m from {named}"
                mend = _keep(zone, "driver_clear_m", ground.driver_clear_m, "")
                problems.append(Problem(file, supply.row, "x, y", found, mend))
    return problems


def _keep(zone: Zone, key: str, clear_m: float, other: str) -> str:
    rule = f"grounds.{zone.ground}.{key}"
    use = f", or use a {other}" if other else ""
    return f"keep {clear_m:g} m off it ({rule}; local wiring rules come first){use}"


def _distance_m(place: Place, region: BaseGeometry) -> float:
    return float(region.distance(ShapelyPoint(place[0], place[1])))


def _depth_m(place: Place, region: BaseGeometry) -> float:
    """How deep a place lies inside a region, in m; 0 outside and on its border."""
    point = ShapelyPoint(place[0], place[1])
    return float(region.boundary.distance(point)) if region.contains(point) else 0.0


def _too_deep(survey: Survey, job: Job, file: str) -> list[Problem]:
    """Supply points and posts that no stub can reach: deeper than the tolerance in ground that may not be dug."""
    closed = [zone for zone in survey.zones if job.grounds[zone.ground].no_dig]
    shut = union_all([zone.polygon for zone in closed])
    posts = [lamp for lamp in survey.lamps if job.lamps[lamp.type].terminals]
    tolerance_m = job.rules.border_tolerance_m
    base_shut = job.grounds[job.base_ground].no_dig
    if base_shut:
        opened = union_all([zone.polygon for zone in survey.zones if not job.grounds[zone.ground].no_dig]).difference(
            shut
        )
    problems: list[Problem] = []
    points: list[tuple[str, SupplyPoint | Lamp]] = [("supply point", supply) for supply in survey.supplies]
    points += [("post", post) for post in posts]
    for word, point in points:
        if base_shut:
            depth_m = float("inf") if opened.is_empty else _distance_m(point.place, opened)
        else:
            depth_m = _depth_m(point.place, shut)
        if depth_m <= tolerance_m + 1e-6:
            continue
        around = [zone for zone in closed if _distance_m(point.place, zone.polygon) == 0]
        where = f"no-dig zone '{around[0].name}'" if around else f"ground '{job.base_ground}', which may not be dug"
        metres = "" if depth_m == float("inf") else f"{depth_m:.2f} m "
        found = f"found {word} '{point.name}' {metres}inside {where}; rules.border_tolerance_m allows {tolerance_m:g} m"
        problems.append(Problem(file, point.row, "x, y", found, "measure it again, or move it to the zone's border"))
    return problems


def _posts_on_one_spot(survey: Survey, job: Job, file: str) -> list[Problem]:
    """A post's terminals stand in the post: nothing else that cables end in can stand there."""
    there: dict[tuple[float, float], str] = {s.place[:2]: f"supply point '{s.name}'" for s in survey.supplies}
    problems: list[Problem] = []
    for lamp in survey.lamps:
        if not job.lamps[lamp.type].terminals:
            continue
        other = there.setdefault(lamp.place[:2], f"post '{lamp.name}'")
        if other != f"post '{lamp.name}'":
            found = f"found post '{lamp.name}' on the very spot of {other}"
            problems.append(Problem(file, lamp.row, "x, y", found, "measure it again"))
    return problems


def _on_one_spot(survey: Survey) -> list[str]:
    first: dict[tuple[float, float], Lamp] = {}
    notes: list[str] = []
    for lamp in survey.lamps:
        other = first.setdefault(lamp.place[:2], lamp)
        if other is not lamp:
            notes.append(f"lamps '{other.name}' and '{lamp.name}' stand on one spot")
    return notes


def _unused(survey: Survey, sleeves: Iterable[str], job: Job) -> list[str]:
    notes: list[str] = []
    surveyed: dict[str, tuple[Iterable[str], list[str]]] = {
        "zone": (job.zones, [zone.name for zone in survey.zones if zone.of == "survey"]),
        "sleeve": (job.sleeves, list(sleeves)),
        "supply point": (job.supplies, [supply.name for supply in survey.supplies]),
    }
    for word, (settings, names) in surveyed.items():
        known, set_up = {fold(name) for name in names}, {fold(name) for name in settings}
        for name in settings:
            if fold(name) in known:
                continue
            near = nearest(name, [other for other in names if fold(other) not in set_up])
            hint = f" (did you mean '{near}'?)" if near else ""
            notes.append(f"the job sets {word} '{name}', which was not surveyed{hint}")
    return notes


def _defaults(job: Job) -> list[str]:
    notes = [said for name, driver in job.drivers.items() if (said := driver.limit_assumed(name))]
    for name, ground in job.grounds.items():
        if ground.kind in ("lawn", "bed", "gravel") and not ground.no_dig and ground.depth_mm < _COVER_MM:
            depth = f"{ground.depth_mm:g} mm deep; {_COVER_MM} mm or more is usual"
            notes.append(f"ground '{name}': cables lie only {depth}")
    return notes
