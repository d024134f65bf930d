"""Joints, leads, lamps and drivers against the ground. In: Index, Land. Out: cases."""

from __future__ import annotations

import math
from collections.abc import Iterable
from functools import cached_property

import shapely
from shapely import LineString, Point, Polygon
from shapely.geometry.base import BaseGeometry

from ..plan.model import JointPlan, LampPlan
from .index import Index
from .land import Land, lead_price_per_m, shrunk, union
from .limits import CENT, LENGTH_M, PLACE_M
from .report import Book
from .routes import length_m


def judge_places(index: Index, land: Land, book: Book) -> None:
    for joint in index.plan.joints:
        if joint.post is None:
            _judge_joint(index, land, joint, book)
    _judge_water(index, book)
    for lamp in index.plan.lamps:
        _judge_lead(index, land, lamp, book)


def _judge_joint(index: Index, land: Land, joint: JointPlan, book: Book) -> None:
    point, job = Point(joint.x, joint.y), index.job
    barred = [name for name, inner in land.inner.items() if not job.grounds[name].joints and inner.intersects(point)]
    if land.dug_off_inner.intersects(point):
        barred.append("no-dig ground")
    text = f"{joint.id} stands on {', '.join(barred)}, where no joint may stand"
    book.claim("joint ground", joint.id, not barred, text)
    for zone, polygon in land.no_dig:
        off = polygon.distance(point)
        if off <= zone.keep_off_m + 1:
            book.at_least("joint keep-off", joint.id, f"distance from {zone.name}", off, zone.keep_off_m, "m", PLACE_M)
    for tree in index.survey.trees:
        least = tree.stem_mm / 2000 + job.trees.strip_m
        off = point.distance(Point(tree.place[:2]))
        book.at_least("trunks", joint.id, f"distance from the middle of tree {tree.name}", off, least, "m", PLACE_M)
    for mains in index.survey.mains:
        off = point.distance(LineString([place[:2] for place in mains.route]))
        least = job.rules.mains_joint_clear_m
        book.at_least(
            "joint clear of mains", joint.id, f"distance from mains line {mains.name}", off, least, "m", PLACE_M
        )


def _judge_water(index: Index, book: Book) -> None:
    job = index.job
    water = [(zone, job.grounds[zone.ground]) for zone in index.survey.zones if job.grounds[zone.ground].is_water]
    dry = [lamp for lamp in index.survey.lamps if not job.lamps[lamp.type].submersible]
    places: list[tuple[str, str, str, Iterable[tuple[str, float, float]]]] = [
        ("lamp clear of water", "lamp", "lamp_clear_m", [(lamp.name, *lamp.place[:2]) for lamp in dry]),
        (
            "joint clear of water",
            "joint",
            "joint_clear_m",
            [(joint.id, joint.x, joint.y) for joint in index.plan.joints if joint.post is None],
        ),
        ("driver clear of water", "driver", "driver_clear_m", [(d.id, d.x, d.y) for d in index.plan.drivers]),
    ]
    for limit, what, key, points in places:
        for zone, ground in water:
            least = getattr(ground, key)
            if not least:
                continue
            for name, x, y in points:
                off = zone.polygon.distance(Point(x, y))
                text = f"distance of this {what} from {ground.kind} {zone.name}"
                book.at_least(limit, name, text, off, least, "m", PLACE_M)


def _judge_lead(index: Index, land: Land, lamp: LampPlan, book: Book) -> None:
    job, kind, joint = index.job, index.type_of(lamp), index.joints[lamp.joint]
    place = index.surveyed[lamp.id].place
    if joint.post == lamp.id:
        _judge_post(lamp, place, (joint.x, joint.y), book)
        return
    text = f"{lamp.id}: lead of {lamp.lead_m:g} m printed, its type has {kind.lead_m:g} m"
    book.claim(
        "lead ways", lamp.id, abs(lamp.lead_m - kind.lead_m) <= PLACE_M, text, value=lamp.lead_m, allowed=kind.lead_m
    )
    ends = [(place[0], place[1]), (joint.x, joint.y)]
    sloped = [(*ends[0], place[2]), (*ends[1], joint.z or 0.0)]
    straight = len(lamp.lead_route) == 2 and all(
        abs(a - b) <= PLACE_M
        for point, end in zip(lamp.lead_route, sloped, strict=True)
        for a, b in zip(point, end, strict=False)
    )
    text = f"{lamp.id}: its lead is not the straight way from lamp to joint {joint.id}"
    book.claim("lead ways", lamp.id, straight, text)
    rise = (joint.z or 0.0) - place[2] if index.survey.has_heights else 0.0
    span_m = length_m([(*ends[0], 0.0), (*ends[1], rise)], True)
    here = land.candidates(Point(ends[1]))
    depth_m = min((job.grounds[name].depth_mm for name in here), default=0.0) / 1000
    reach_m = kind.lead_m - kind.aim_reserve_m - kind.exit_height_m - depth_m - job.joints.tail_m
    what = f"way of its lead to {joint.id}"
    book.at_most("lead reach", lamp.id, what, span_m, reach_m + lamp.extension_m, "m", LENGTH_M)
    _judge_extension(index, lamp, book)
    line = LineString(ends)
    bars = _Bars(index, land, place)
    barred = bars.metres(line)
    why = ", ".join(f"{m:.3f} m of {name!r}" for name, m in barred.items())
    book.claim("lead ways", lamp.id, not barred, f"{lamp.id}: its lead crosses {why}, which bars leads")
    if job.rules.aim_anywhere:
        _judge_aim(index, bars, lamp, book)
    low, high, dearest = _lead_price(index, land, line, span_m)
    # Half a millimetre of lead, half a cent of rounding.
    tol = 0.0105 + 0.001 * dearest
    own = min(max(lamp.lead_price, low), high)
    book.same("lead prices", lamp.id, "price of its lead", lamp.lead_price, own, "", tol)


def _judge_aim(index: Index, bars: _Bars, lamp: LampPlan, book: Book) -> None:
    """
    The lead's way with the lamp moved straight to 48 places half and all the way out to its aim reserve.

    On the flat its length suffices wherever its reach does, for it has the reserve to spare.
    """
    joint, reserve_m = index.joints[lamp.joint], index.type_of(lamp).aim_reserve_m
    place = index.surveyed[lamp.id].place
    barred: dict[str, float] = {}
    for k in range(48):
        for share in (0.5, 1.0):
            far_m, turn = share * (reserve_m - PLACE_M), 2 * math.pi * k / 48
            moved = (place[0] + far_m * math.cos(turn), place[1] + far_m * math.sin(turn))
            if bars.metres(LineString([place[:2], moved]), moved=True):
                continue  # the lamp cannot be moved there
            line = LineString([moved, (joint.x, joint.y)])
            for name, metres in bars.metres(line, moved=True).items():
                barred[name] = max(barred.get(name, 0.0), metres)
    why = ", ".join(f"{m:.3f} m of {name!r}" for name, m in barred.items())
    text = f"{lamp.id}: moved within its aim reserve of {reserve_m:g} m, its lead crosses {why}, which bars leads"
    book.claim("aiming", lamp.id, not barred, text)


def _judge_post(lamp: LampPlan, place: tuple[float, ...], joint: tuple[float, float], book: Book) -> None:
    off = max(abs(place[0] - joint[0]), abs(place[1] - joint[1]))
    book.at_most("lead reach", lamp.id, "distance of the post's terminals", off, 0, "m", PLACE_M)
    stays = all(max(abs(p[0] - place[0]), abs(p[1] - place[1])) <= PLACE_M for p in lamp.lead_route)
    bare = lamp.lead_m == 0 and lamp.lead_price == 0 and lamp.extension_m == 0 and lamp.extension_price == 0
    book.claim("lead ways", lamp.id, stays and bare, f"{lamp.id}: a post has no lead, but one is printed or priced")


def _judge_extension(index: Index, lamp: LampPlan, book: Book) -> None:
    joints, kind = index.job.joints, index.type_of(lamp)
    book.at_most("extensions", lamp.id, "extension of its lead", lamp.extension_m, joints.extension_m, "m", PLACE_M)
    book.at_least("extensions", lamp.id, "extension of its lead", lamp.extension_m, 0, "m", 0)
    own = 0.0
    named = lamp.extension_kit is None or (lamp.extension_m > 0 and lamp.extension_kit in joints.kits)
    text = f"{lamp.id}: kit of its lead's extension is {lamp.extension_kit}, its extension {lamp.extension_m:g} m"
    book.claim("extensions", lamp.id, named, text)
    if lamp.extension_m > 0:
        kits = [kit for kit in joints.kits.values() if kit.min_mm2 - 1e-9 <= kind.lead_mm2 <= kit.max_mm2 + 1e-9]
        text = f"{lamp.id}: no kit takes its lead of {kind.lead_mm2:g} mm²"
        if not book.claim("extensions", lamp.id, bool(kits), text):
            return
        least = min(kit.price + kit.labour for kit in kits)
        named_kit = joints.kits.get(lamp.extension_kit or "")
        ok = named_kit is None or (named_kit in kits and named_kit.price + named_kit.labour <= least + CENT)
        text = f"{lamp.id}: kit {lamp.extension_kit!r} of its lead's extension is not the cheapest that takes its lead"
        book.claim("extensions", lamp.id, ok, text)
        own = lamp.extension_m * joints.extension_per_m + least
    tol = 0.0105 + 0.0005 * joints.extension_per_m
    book.same("extensions", lamp.id, "price of its extension", lamp.extension_price, own, "", tol)


class _Bars:
    """
    What bars the lead of one lamp, settled once for all ways its lead may run.

    Zones that its lamp stands in are taken out. Of a zone whose border it stands outside by no more than the tolerance,
    and of no-dig ground that it stands in no deeper, only so many metres are; where the lamp is moved, the zone's edge
    is, that much wide.
    """

    def __init__(self, index: Index, land: Land, place: tuple[float, ...]) -> None:
        self._land, self._tolerance_m = land, index.job.rules.border_tolerance_m
        whole, edges = _own_zones(index, Point(place[:2]))
        self._own = union(whole).buffer(PLACE_M) if whole else None
        self._zones_beside = union(edges)

    @cached_property
    def _beside(self) -> BaseGeometry:
        return self._zones_beside.buffer(PLACE_M)

    @cached_property
    def _edge_beside(self) -> BaseGeometry:
        zones = self._zones_beside
        return zones.difference(shrunk(zones, self._tolerance_m + PLACE_M)).buffer(PLACE_M)

    def metres(self, line: LineString, *, moved: bool = False) -> dict[str, float]:
        """Metres of a lead on each ground that bars it."""
        beside = self._edge_beside if moved else self._beside
        found = {}
        forgiven_m = 0.0
        for name, inner in self._land.bars_leads:
            if not inner.intersects(line):
                continue
            rest = line.intersection(inner)
            if self._own is not None:
                rest = rest.difference(self._own)
            near_m = rest.intersection(beside).length
            forgiven_m += near_m
            if rest.length - near_m > LENGTH_M or (not moved and forgiven_m > self._tolerance_m + LENGTH_M):
                found[name] = rest.length
        return found


def _own_zones(index: Index, lamp: Point) -> tuple[list[Polygon], list[Polygon]]:
    """Zones the lamp stands in, and those it may have been measured on the wrong side of."""
    tolerance_m = index.job.rules.border_tolerance_m + PLACE_M
    whole, edges = [], []
    for zone in index.survey.zones:
        polygon = shapely.force_2d(zone.polygon)
        near = polygon.boundary.distance(lamp) <= tolerance_m
        if polygon.contains(lamp) and not (near and index.job.grounds[zone.ground].no_dig):
            whole.append(polygon)
        elif near:
            edges.append(polygon)
    return whole, edges


def _lead_price(index: Index, land: Land, line: LineString, span_m: float) -> tuple[float, float, float]:
    """Least and greatest price of a lead, and its dearest metre: on a border either ground may be meant."""
    job = index.job
    prices = {name: lead_price_per_m(job, name) for name in land.regions}
    if line.length == 0:
        return 0.0, 0.0, max(prices.values())
    shares: list[tuple[float, float]] = []
    touched: list[float] = []
    for name, region in land.regions.items():
        if region.intersects(line):
            touched.append(prices[name])
            shares.append((region.intersection(line).length, prices[name]))
    if land.closed.intersects(line):
        for zone in index.survey.zones:
            if job.grounds[zone.ground].no_dig and zone.polygon.intersects(line):
                price = lead_price_per_m(job, zone.ground)
                touched.append(price)
                shares.append((shapely.force_2d(zone.polygon).intersection(line).length, price))
    slope = span_m / line.length
    sum_m = sum(part_m for part_m, _ in shares)
    unsure_m = abs(sum_m - line.length)
    if unsure_m <= 1e-5:
        price = slope * sum(part_m * per_m for part_m, per_m in shares)
        return price, price, max(touched, default=0.0)
    # Part of it lies on a border, or under two no-dig zones: each such metre may cost the least or the most.
    sure = [(max(0.0, part_m - unsure_m), per_m) for part_m, per_m in shares]
    rest_m = max(0.0, line.length - sum(part_m for part_m, _ in sure))
    floor = sum(part_m * per_m for part_m, per_m in sure)
    low, high = floor + rest_m * min(touched, default=0.0), floor + rest_m * max(touched, default=0.0)
    return slope * low, slope * high, max(touched, default=0.0)
