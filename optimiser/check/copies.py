"""What the plan copies from job and survey. In: Index. Out: cases on places, kinds, site and cables."""

from __future__ import annotations

import math

import numpy as np
import shapely

from ..earth_grid import Position
from ..job_folder import JOB_FILE
from ..plan.model import SitePoint, SitePosition, SiteZone
from ..survey.model import Zone
from .index import Index
from .limits import PLACE_M
from .report import Book


def _apart_m(a: tuple[float, ...], b: tuple[float, ...]) -> float:
    """Greatest difference of any coordinate that both have."""
    return max(abs(p - q) for p, q in zip(a, b, strict=False))


def judge_copies(index: Index, book: Book) -> None:
    _judge_places(index, book)
    _judge_texts(index, book)
    _judge_site(index, book)
    _judge_for_papers(index, book)


def _judge_places(index: Index, book: Book) -> None:
    survey, limit = index.survey, "surveyed places"
    supplies = {supply.name: supply for supply in survey.supplies}
    for driver in index.plan.drivers:
        off = _apart_m((driver.x, driver.y), supplies[driver.supply].place)
        book.at_most(limit, driver.id, f"distance from {driver.supply}", off, 0, "m", PLACE_M)
    for lamp in index.plan.lamps:
        measured = index.surveyed[lamp.id]
        place = (lamp.x, lamp.y) if lamp.z is None else (lamp.x, lamp.y, lamp.z)
        off = _apart_m(place, measured.place if survey.has_heights else (*measured.place[:2], lamp.z or 0.0))
        book.at_most(limit, lamp.id, "distance from where it was measured", off, 0, "m", PLACE_M)
        for what, printed, own in (("type", lamp.type, measured.type), ("group", lamp.group, measured.group)):
            text = f"lamp {lamp.id}: {what} {printed!r} printed, {own!r} surveyed"
            book.claim(limit, lamp.id, printed == own, text, value=printed, allowed=own)
        watts = index.type_of(lamp).watts
        text = f"lamp {lamp.id}: {lamp.watts:g} W printed, its type has {watts:g} W"
        ok = abs(lamp.watts - watts) <= 0.0005
        book.claim(limit, lamp.id, ok, text, value=lamp.watts, allowed=watts)


def _judge_texts(index: Index, book: Book) -> None:
    plan, job = index.plan, index.job
    own_files = list(dict.fromkeys([JOB_FILE, job.survey]))  # what may be replaced with the plan, and what is listed
    rows: list[tuple[str, object, object]] = [
        ("title", plan.job.title, job.title),
        ("currency", plan.currency, job.currency),
        ("prices_are_invented", plan.prices_are_invented, job.prices_are_invented),
        ("base ground", plan.site.base_ground, job.base_ground),
        ("job.files", plan.job.files or own_files, own_files),  # none: it carries no copies, and says so
        ("cables_used", sorted(plan.cables_used), sorted({cable.cable for cable in plan.cables})),
    ]
    for what, printed, own in rows:
        book.claim("copies", what, printed == own, f"{what} is printed as {printed!r}, job and plan say {own!r}")
    for name, used in plan.cables_used.items():
        cable = job.cables.get(name)
        if cable is None:
            continue
        hot_ohm = cable.loop_ohm_per_m(job.voltage.hot_c)
        text = f"cable {name}: size {used.size!r} printed, {cable.size!r} in the job"
        book.claim("copies", name, used.size == cable.size, text)
        for what, printed_number, own_number, tol in (
            ("mm2", used.mm2, cable.area_mm2, 0.006),
            ("ohm_per_m", used.ohm_per_m, hot_ohm, 6e-6),
            ("rating_a", used.rating_a, cable.rating, 0.006),
            ("price_m", used.price_m, cable.price_per_m, 0.0051),
        ):
            text = f"cable {name}: {what} {printed_number:g} printed, {own_number:g} in the job"
            ok = abs(printed_number - own_number) <= tol
            book.claim("copies", name, ok, text, value=printed_number, allowed=own_number)


def _judge_for_papers(index: Index, book: Book) -> None:
    """What stands in the plan for its papers alone; older plans have none of it."""
    plan, job, survey = index.plan, index.job, index.survey
    for driver in plan.drivers:
        model = job.drivers[driver.model]
        for what, printed, own in (
            ("kind", driver.kind, model.kind),
            ("output", driver.output, "ac" if model.ac else "dc"),
            ("rated_w", driver.rated_w, model.rated_w),
        ):
            text = f"driver {driver.id}: {what} {printed!r} printed, {own!r} in the job"
            book.claim("copies", driver.id, printed in (None, own), text)
    kits = sorted({joint.kit for joint in plan.joints if joint.kit is not None})
    text = f"kits_used lists {', '.join(sorted(plan.kits_used)) or 'none'}, the joints take {', '.join(kits) or 'none'}"
    book.claim("copies", "kits_used", not plan.kits_used or plan.kits_used.keys() >= set(kits), text)
    for name, used in plan.kits_used.items():
        kit = job.joints.kits.get(name)
        if not book.claim("copies", name, kit is not None, f"kit {name}: the job has none of that name") or kit is None:
            continue
        text = f"kit {name}: ways, price, labour or pack are not the job's"
        close = abs(used.price - kit.price) <= 0.0051 and abs(used.labour - kit.labour) <= 0.0051
        book.claim("copies", name, close and (used.max_ways, used.pack) == (kit.max_ways, kit.pack), text)
    tall = 3 if survey.has_heights else 2
    if plan.site.fixed:
        same = len(plan.site.fixed) == len(survey.fixed) and all(
            (a.name, a.of) == (b.name, b.of) and _apart_m((a.x, a.y, a.z or 0.0)[:tall], b.place) <= PLACE_M
            for a, b in zip(plan.site.fixed, survey.fixed, strict=True)
        )
        book.claim("copies", "fixed", same, "site, fixed: not the corners that were surveyed")
    position = plan.site.position
    if position is not None:
        same = survey.position is not None and _same_position(position, survey.position)
        book.claim("copies", "position", same, "site, position: not what survey and job say")


def _same_position(printed: SitePosition, own: Position) -> bool:
    """To a millimetre on the ground, 1 km from the place stated too."""
    metre = 1 / 111_000  # degrees of latitude, and at most so many of longitude
    return (
        abs(printed.latitude - own.latitude) <= PLACE_M * metre
        and abs(printed.longitude - own.longitude) <= PLACE_M * metre
        and _apart_m((printed.x, printed.y), (own.x_m, own.y_m)) <= PLACE_M
        and abs(printed.y_bearing - own.y_bearing) <= math.degrees(PLACE_M / 1000)
    )


def _rings_differ(printed: SiteZone, own: Zone) -> str:
    """How the corners printed differ from the surveyed ones; empty where they do not."""
    rings = [ring[:-1] if len(ring) > 1 and ring[0] == ring[-1] else ring for ring in printed.rings]
    surveyed = [shapely.get_coordinates(ring)[:-1] for ring in (own.polygon.exterior, *own.polygon.interiors)]
    if [len(ring) for ring in rings] != [len(ring) for ring in surveyed]:
        return "it has not the corners that were surveyed"
    off = max(float(np.abs(np.array(a) - b).max()) for a, b in zip(rings, surveyed, strict=True))
    return "" if off <= PLACE_M else f"a corner is {off:.3f} m from where it was measured"


def _judge_site(index: Index, book: Book) -> None:
    site, survey, job = index.plan.site, index.survey, index.job

    def so(where: str, ok: bool, text: str) -> None:
        book.claim("copies", where, ok, f"site, {where}: {text}")

    so("zones", len(site.zones) == len(survey.zones), f"{len(site.zones)} zones printed, {len(survey.zones)} surveyed")
    left = list(site.zones)
    for zone in survey.zones:
        ground = job.grounds[zone.ground]
        like = [z for z in left if (z.name, z.ground, z.of) == (zone.name, zone.ground, zone.of)]
        if not like:
            so(zone.name, False, f"the zone of ground {zone.ground!r} is not printed")
            continue
        left.remove(like[0])
        so(zone.name, like[0].no_dig == ground.no_dig and like[0].water == ground.is_water, "no_dig or water is wrong")
        ok = math.isclose(like[0].keep_off_m, zone.keep_off_m, abs_tol=PLACE_M)
        so(zone.name, ok, f"keep-off {like[0].keep_off_m:g} m printed, {zone.keep_off_m:g} m is right")
        why = _rings_differ(like[0], zone)
        so(zone.name, not why, why)

    def named(what: str, printed: list[str], own: list[str]) -> bool:
        """Each once, so that what a name says below is all there is of it."""
        text = f"printed {', '.join(printed) or 'none'}, surveyed {', '.join(own) or 'none'}"
        so(what, sorted(printed) == sorted(own), text)
        return sorted(printed) == sorted(own)

    def points(what: str, printed_all: list[tuple[str, tuple[float, ...]]], own: dict[str, tuple[float, ...]]) -> None:
        if not named(what, [name for name, _ in printed_all], list(own)):
            return
        printed = dict(printed_all)
        for name in own:
            off = float(np.max(np.abs(np.subtract(printed[name], own[name]))))
            so(name, off <= PLACE_M, f"{what} stands {off:.3f} m from where it was measured")

    tall = 3 if survey.has_heights else 2

    def place(point: SitePoint) -> tuple[float, ...]:
        return (point.x, point.y, point.z or 0.0)[:tall]

    own_supplies = {p.name: p.place[:tall] for p in survey.supplies}
    own_pegs = {p.name: p.place[:tall] for p in survey.pegs}
    if not survey.has_heights:  # drawings for other programs and the set-out would print them
        heights = [(point.name, point.z) for point in (*site.supplies, *site.pegs)]
        for name, z in heights + [(corner.name, corner.z) for corner in site.fixed]:
            so(name, not z, "its height is printed, the survey has none")
    points("supplies", [(p.name, place(p)) for p in site.supplies], own_supplies)
    points("pegs", [(p.name, place(p)) for p in site.pegs], own_pegs)
    points("trees", [(t.name, (t.x, t.y)) for t in site.trees], {t.name: t.place[:2] for t in survey.trees})
    for peg in site.pegs:
        so(peg.name, peg.price == 0, "a peg costs nothing")
    stems = {tree.name: tree.stem_mm for tree in survey.trees}
    for tree in site.trees:
        so(tree.name, abs(tree.stem_mm - stems.get(tree.name, tree.stem_mm)) <= 0.05, "its stem is printed wrongly")
    for supply in site.supplies:
        price = job.supply(supply.name).price
        so(
            supply.name,
            abs(supply.price - price) <= 0.0051,
            f"price {supply.price:.2f} printed, {price:.2f} is the job's",
        )
    for what, lines, own in (("sleeves", site.sleeves, survey.sleeves), ("mains", site.mains, survey.mains)):
        if not named(what, [line.name for line in lines], [line.name for line in own]):
            continue
        high = tall if all(len(point) == tall for line in lines for point in line.route) else 2
        printed_routes = {line.name: [tuple(point[:high]) for point in line.route] for line in lines}
        own_routes = {line.name: [place[:high] for place in line.route] for line in own}
        for name in own_routes:
            a, b = np.array(printed_routes[name]), np.array(own_routes[name])
            ok = a.shape == b.shape and bool((np.abs(a - b) <= PLACE_M).all())
            so(name, ok, "its line is not the surveyed one")
    capacities = {sleeve.name: sleeve.capacity for sleeve in survey.sleeves}
    for sleeve in site.sleeves:
        ok = sleeve.capacity == capacities.get(sleeve.name)
        so(sleeve.name, ok, f"capacity {sleeve.capacity} is not the surveyed one")
