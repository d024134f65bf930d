"""What the ground is at every place, and what lines through it cost. In: Job, Survey. Out: Land.

The meanings are those of DEVELOPERS.md, "Rules of account": levels of dearness, on a border is not inside, keep-off
with mitred corners, leads without keep-off. Everything takes arrays of points or lines and is exact: a line is cut
where it meets a border and each part is judged by its middle.
"""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np
import shapely
from shapely import BufferJoinStyle, MultiPolygon, Polygon
from shapely.geometry.base import BaseGeometry

from ..job import Job
from ..survey.model import Survey
from .aiming import circle, ways_are_free
from .borders import ON_M, TINY_M, Borders, Parts, sides_of
from .graph import Bools, Floats, Ints, NodeKind
from .heights import Heights

Point3 = tuple[float, float, float]
TRUNK_STRIP = "trunk strip"
PUSH_M = 0.002
"""How far beyond keep-off nodes at pushed-out corners stand, so that rounding cannot bring them in."""
MAINS_ALONG_M = 0.3
"""Length of trench within ``mains_clear_m`` of a mains line from which it runs along it rather than crosses it."""
_MICRON = 1e-6
_RING = circle(np.zeros(2), 1.01 * ON_M)
"""Places round a place on a border: some lie on either side of it, more than a micron off."""


def pushed(shape: BaseGeometry, by_m: float) -> BaseGeometry:
    """The shape grown by so many metres, corners mitred (bevelled only where they would stand out five times that)."""
    return shapely.buffer(shape, by_m, join_style=BufferJoinStyle.mitre, mitre_limit=5.0)


def polygons_of(shape: BaseGeometry) -> list[Polygon]:
    """The polygons of a shape."""
    return [part for part in shapely.get_parts(shape) if isinstance(part, Polygon) and not part.is_empty]


def _point(xyz: Floats) -> Point3:
    return float(xyz[0]), float(xyz[1]), float(xyz[2])


def _sums(index: Ints, values: Any, n: int) -> Floats:
    """(n,) sums of values by index."""
    return np.bincount(index, np.asarray(values, dtype=float), n).astype(float)


class LinePrices(NamedTuple):
    """Of n straight lines, each (n,)."""

    length_m: Floats
    """Along the ground, in m."""
    sun_m: Floats
    """Part of it in grounds of depth 0, in m."""
    trench_price: Floats
    """Length times per_m of each ground, plus half crossings; what lies in no-dig ground counts nothing."""
    allowed: Bools
    """Whether it keeps out of no-dig zones and their keep-off, and runs along no mains line."""


class LinePiece(NamedTuple):
    """Part of a line in one ground."""

    route: list[Point3]
    """Its two ends and, between them, where the surface bends."""
    ground: str
    depth_mm: float


class LeadLines(NamedTuple):
    """Of n straight leads, each (n,)."""

    allowed: Bools
    """Whether the lead's way is lawful and within reach (the joint's own place is not judged)."""
    price: Floats
    length_m: Floats
    reach_m: Floats
    """How far the made lead reaches along the ground to a joint there; may be negative."""
    lawful: Bools
    """Whether its way is lawful, whatever its length."""


class Land:
    """
    The ground of one job, prepared for questions.

    Attributes
    ----------
    names
        Names of the grounds, in the job's order; grounds are told by their index in it.
    per_m, crossing, depth_m, joints, no_dig
        Of each ground, arrays in that order.
    no_dig_area
        Union of the no-dig zones; ``forbidden`` the same with keep-off, where no trench may run.
    levels
        For each ground that has zones, dearest first: its index, and the union of its zones and of all dearer ones.
    """

    def __init__(self, job: Job, survey: Survey) -> None:
        self.job, self.survey = job, survey
        grounds = list(job.grounds.values())
        self.names = list(job.grounds)
        self.per_m = np.array([0.0 if g.no_dig else g.per_m or 0.0 for g in grounds])
        self.crossing = np.array([g.crossing for g in grounds])
        self.depth_m = np.array([g.depth_mm / 1000 for g in grounds])
        self.joints = np.array([g.joints and not g.no_dig for g in grounds])
        self.no_dig = np.array([g.no_dig for g in grounds])
        self.base = self.names.index(job.base_ground)
        self.heights = Heights(survey)
        self._zone_ground = np.array([self.names.index(zone.ground) for zone in survey.zones], dtype=np.int64)
        self._lay_leads()
        self._lay_levels()
        self._lay_limits()
        sides = sides_of([zone.polygon for zone in survey.zones])
        self.borders = Borders(*sides)
        self._cut_at = self.borders if self.heights.flat else Borders(*sides, creases=self.heights.creases)
        self._prepare()

    # -- laying out ----------------------------------------------------------------------------------------------------

    def _lay_leads(self) -> None:
        job = self.job
        price = [ground.lead_price_per_m for ground in job.grounds.values()]
        for idx, (name, ground) in enumerate(job.grounds.items()):
            if name == TRUNK_STRIP:
                price[idx] = job.grounds["root"].lead_price_per_m if "root" in job.grounds else price[idx]
            elif ground.no_dig:  # only for lamps that stand in it
                price[idx] = job.grounds[job.base_ground].lead_price_per_m
        self.lead_per_m = np.array(price)
        self.bars_leads = np.array(
            [(g.no_dig and name != TRUNK_STRIP) or not g.leads for name, g in job.grounds.items()]
        )
        tolerance = job.rules.border_tolerance_m
        lamps = shapely.points([lamp.place[:2] for lamp in self.survey.lamps]) if self.survey.lamps else []
        self._zone_shapes = np.array([zone.polygon for zone in self.survey.zones], dtype=object)
        self._bar_zones = np.flatnonzero(self.bars_leads[self._zone_ground])
        self._barred_of: dict[int, BaseGeometry] = {}
        # Of each lamp, the zones whose bar on leads is waived: any length of lead, or only the border's tolerance.
        self._own_zones: list[dict[int, bool]] = [{} for _ in self.survey.lamps]
        self.made_reach_m = np.array(
            [
                kind.lead_m - kind.aim_reserve_m - kind.exit_height_m - job.joints.tail_m
                for kind in (job.lamps[lamp.type] for lamp in self.survey.lamps)
            ]
        ).reshape(-1)
        for zone_idx, zone in enumerate(self.survey.zones):
            if self.bars_leads[self._zone_ground[zone_idx]] and len(self._own_zones):
                no_dig = self.no_dig[self._zone_ground[zone_idx]]
                deep = shapely.intersects(pushed(zone.polygon, -tolerance if no_dig else 0.0), lamps)
                for lamp_idx in np.flatnonzero(shapely.distance(zone.polygon, lamps) <= tolerance + 1e-9):
                    self._own_zones[lamp_idx][zone_idx] = bool(deep[lamp_idx])

    def _lay_levels(self) -> None:
        def dearness(idx: int) -> tuple[int, int, float, int]:
            # The trunk strip gives way to other no-dig grounds: leads may cross it, not them.
            return (not self.no_dig[idx], self.names[idx] == TRUNK_STRIP, -self.per_m[idx], -idx)

        self.levels: list[tuple[int, BaseGeometry]] = []
        area: BaseGeometry = MultiPolygon()
        self.no_dig_area: BaseGeometry = area
        for idx in sorted(range(len(self.names)), key=dearness):
            zones = [zone.polygon for zone in self.survey.zones if zone.ground == self.names[idx]]
            if not zones:
                continue
            area = shapely.force_2d(shapely.union_all([area, *zones]))
            self.levels.append((idx, area))
            if self.no_dig[idx]:
                self.no_dig_area = area

    def _lay_limits(self) -> None:
        job, rules = self.job, self.job.rules
        no_dig = [zone for zone in self.survey.zones if job.grounds[zone.ground].no_dig]
        kept_off = [pushed(shapely.force_2d(z.polygon), z.keep_off_m) if z.keep_off_m else z.polygon for z in no_dig]
        # Closing half a millimetre mends slivers between touching zones whose corners were rounded to the millimetre.
        union = shapely.force_2d(shapely.union_all(kept_off)) if kept_off else MultiPolygon()
        self.forbidden: BaseGeometry = pushed(pushed(union, TINY_M / 2), -TINY_M / 2) if kept_off else union
        wet = [
            pushed(shapely.force_2d(zone.polygon), job.grounds[zone.ground].joint_clear_m)
            for zone in self.survey.zones
            if job.grounds[zone.ground].joint_clear_m > 0
        ]
        mains = [shapely.linestrings([place[:2] for place in line.route]) for line in self.survey.mains]
        self._mains = mains

        def beside(clear_m: float) -> BaseGeometry:
            around = [shapely.buffer(m, clear_m, cap_style="square", join_style="mitre") for m in mains]
            return shapely.union_all(around) if around and clear_m > 0 else MultiPolygon()

        self._mains_area = beside(rules.mains_clear_m)
        self.joint_bar = shapely.union_all([*wet, beside(rules.mains_joint_clear_m)])

    def _prepare(self) -> None:
        """Shrink by a micron (touching a border is not entering it, whatever the last bit says) and prepare."""
        self._level_tests = [(idx, pushed(area, -_MICRON)) for idx, area in self.levels]
        self._forbidden_test = pushed(self.forbidden, -_MICRON)
        self._no_dig_test = pushed(self.no_dig_area, -_MICRON)
        self._joint_test = pushed(self.joint_bar, -_MICRON)
        tests = [area for _, area in self._level_tests]
        shapely.prepare([*tests, self._forbidden_test, self._no_dig_test, self._joint_test, self._mains_area])

    def __getstate__(self) -> dict[str, Any]:
        return self.__dict__

    def __setstate__(self, state: dict[str, Any]) -> None:
        self.__dict__.update(state)
        self._prepare()

    # -- points --------------------------------------------------------------------------------------------------------

    def height(self, points: Floats) -> Floats:
        """(n,) heights of (n, 2) points, in m."""
        return self.heights.at(points)

    def ground_at(self, points: Floats) -> Ints:
        """(n,) index in ``names`` of the ground at (n, 2) points; on a border, the cheaper one's."""
        points = np.asarray(points, dtype=float).reshape(-1, 2)
        found = np.full(len(points), self.base, dtype=np.int64)
        left = np.arange(len(points))
        for idx, area in self._level_tests:
            if not len(left):
                break
            inside = shapely.contains_xy(area, points[left, 0], points[left, 1])
            found[left[inside]] = idx
            left = left[~inside]
        return found

    def free(self, points: Floats) -> Bools:
        """(n,) whether a trench may pass at (n, 2) points: outside no-dig zones and keep-off, clear of mains lines."""
        points = np.asarray(points, dtype=float).reshape(-1, 2)
        free = self.off_no_dig(points)
        if self._mains:
            free &= ~shapely.contains_xy(self._mains_area, points[:, 0], points[:, 1])
        return free

    def off_no_dig(self, points: Floats) -> Bools:
        """(n,) whether (n, 2) points are outside no-dig zones and keep-off, mains lines or not."""
        points = np.asarray(points, dtype=float).reshape(-1, 2)
        return np.asarray(~shapely.contains_xy(self._forbidden_test, points[:, 0], points[:, 1]), dtype=bool)

    def passable(self, points: Floats, kind: Ints) -> Bools:
        """
        (n,) whether trenches may turn at nodes of these places and kinds.

        Supply points, posts and sleeve ends stand where they stand, by the mains line that feeds them if need be: a
        trench leaves from there as it would cross it.
        """
        stands = np.isin(kind, [NodeKind.SUPPLY, NodeKind.POST, NodeKind.SLEEVE_END])
        return np.where(stands, self.off_no_dig(points), self.free(points))

    def may_joint(self, points: Floats) -> Bools:
        """(n,) whether a joint may stand at (n, 2) points."""
        points = np.asarray(points, dtype=float).reshape(-1, 2)
        return np.asarray(self.free(points) & self.may_joint_where_free(points), dtype=bool)

    def may_joint_where_free(self, points: Floats) -> Bools:
        """(n,) whether a joint may stand at (n, 2) points that are known to be free."""
        may = self.joints[self.ground_at(points)]
        return np.asarray(may & ~shapely.contains_xy(self._joint_test, points[:, 0], points[:, 1]), dtype=bool)

    def on_border(self, points: Floats, ground: Ints) -> Bools:
        """
        Whether trenches that end at the points pay half a crossing.

        Parameters
        ----------
        points
            (n, 2) ends of trenches.
        ground
            (n,) ground that each trench lies in.

        Returns
        -------
        (n,) whether the point lies on a border (within ``ON_M``) with other ground that may be dug.
        """
        points, ground = np.asarray(points, dtype=float).reshape(-1, 2), np.asarray(ground)
        pays = self.borders.on(points)
        asked = np.flatnonzero(pays)
        beside = self.ground_at((points[asked, None, :] + _RING[None]).reshape(-1, 2)).reshape(len(asked), len(_RING))
        pays[asked] = ((beside != ground[asked, None]) & ~self.no_dig[beside]).any(axis=1)
        return pays

    def ends_z(self, z: Floats, pairs: Ints) -> tuple[Floats | None, Floats | None]:
        """Heights of both ends of lines between nodes of these heights, or None where the site is flat: quicker."""
        return (None, None) if self.heights.flat else (z[pairs[:, 0]], z[pairs[:, 1]])

    # -- trench lines --------------------------------------------------------------------------------------------------

    def visible(self, a: Floats, b: Floats, lines: Any = None) -> Bools:
        """(n,) whether straight trenches from a (n, 2) to b (n, 2) are allowed: see ``LinePrices.allowed``."""
        if lines is None:
            lines = shapely.linestrings(np.stack([a, b], axis=1))
        allowed = ~shapely.intersects(self._forbidden_test, lines)
        if self._mains:
            beside = np.flatnonzero(allowed & shapely.intersects(self._mains_area, lines))
            along = shapely.length(shapely.intersection(lines[beside], self._mains_area))
            allowed[beside[along > MAINS_ALONG_M]] = False
        return np.asarray(allowed, dtype=bool)

    def cut(self, a: Floats, b: Floats, lines: Any) -> tuple[Parts, Ints]:
        """Parts of the lines between borders and where the surface bends, and the ground of each."""
        parts = self._cut_at.cut(a, b, lines)
        return parts, self.ground_at(parts.middle)

    def price_lines(self, a: Floats, b: Floats, a_z: Floats | None = None, b_z: Floats | None = None) -> LinePrices:
        """
        Lengths, prices and lawfulness of straight trenches.

        Parameters
        ----------
        a, b
            (n, 2) ends, in m.
        a_z, b_z
            (n,) heights of the ends, in m; default those of the ground.
        """
        a, b = np.asarray(a, dtype=float).reshape(-1, 2), np.asarray(b, dtype=float).reshape(-1, 2)
        n = len(a)
        if n == 0:
            none = np.zeros(0)
            return LinePrices(none, none, none, np.zeros(0, bool))
        lines = shapely.linestrings(np.stack([a, b], axis=1))
        allowed = self.visible(a, b, lines)
        parts, ground = self.cut(a, b, lines)
        length = np.hypot(b[:, 0] - a[:, 0], b[:, 1] - a[:, 1])
        part_m = (parts.end - parts.start) * length[parts.line]
        if not self.heights.flat or a_z is not None or b_z is not None:
            part_m = np.hypot(part_m, np.subtract(*self._parts_z(a, b, parts, a_z, b_z)))
            length = _sums(parts.line, part_m, n)
        price = _sums(parts.line, part_m * self.per_m[ground], n)
        sun = _sums(parts.line, np.where(self.depth_m[ground] == 0, part_m, 0.0), n)
        allowed &= _sums(parts.line, self.no_dig[ground], n) == 0
        if self.crossing.any():
            price += self._crossings(a, b, parts, ground)
        return LinePrices(length, sun, price, allowed)

    def _crossings(self, a: Floats, b: Floats, parts: Parts, ground: Ints) -> Floats:
        n, line = len(a), parts.line
        half = np.where(self.no_dig, 0.0, self.crossing / 2)
        before, after = ground[:-1], ground[1:]
        change = (line[:-1] == line[1:]) & (before != after) & ~self.no_dig[before] & ~self.no_dig[after]
        total = _sums(line[:-1][change], (half[before] + half[after])[change], n)
        first = np.flatnonzero(np.concatenate([[True], line[1:] != line[:-1]]))
        last = np.flatnonzero(np.concatenate([line[1:] != line[:-1], [True]]))
        for ends, part, near in ((a, first, parts.a_near), (b, last, parts.b_near)):
            asked = np.flatnonzero(near & (half[ground[part]] > 0))
            if len(asked):
                pays = self.on_border(ends[asked], ground[part[asked]])
                total[asked[pays]] += half[ground[part[asked[pays]]]]
        return np.asarray(total, dtype=float)

    def _parts_z(
        self, a: Floats, b: Floats, parts: Parts, a_z: Floats | None, b_z: Floats | None
    ) -> tuple[Floats, Floats]:
        """(p,) heights of the first and the last end of each part of the lines a to b, (n, 2) each, in m."""
        z_a = self.height(a) if a_z is None else a_z
        z_b = self.height(b) if b_z is None else b_z
        goes_on = np.flatnonzero(parts.line[1:] == parts.line[:-1])
        first, last = z_a[parts.line], z_b[parts.line]
        line = parts.line[goes_on]
        between = self.height(a[line] + (b[line] - a[line]) * parts.end[goes_on][:, None])
        last[goes_on] = first[goes_on + 1] = between
        return first, last

    def split_lines(self, a: Floats, b: Floats) -> list[list[LinePiece]]:
        """
        Lines from a to b, (n, 3) each, cut where the ground changes; between their ends they follow the surface.

        Each piece lies in one ground; neighbours differ in ground.
        """
        found: list[list[LinePiece]] = [[] for _ in range(len(a))]
        if not found:
            return found
        parts, ground = self.cut(a[:, :2], b[:, :2], shapely.linestrings(np.stack([a[:, :2], b[:, :2]], axis=1)))
        z = self._parts_z(a[:, :2], b[:, :2], parts, a[:, 2], b[:, 2])[1]
        way = (b - a)[parts.line] * parts.end[:, None]
        to = np.column_stack([(a[parts.line] + way)[:, :2], z])
        last = np.concatenate([parts.line[1:] != parts.line[:-1], [True]])
        to[last] = b[parts.line[last]]
        before, route = -1, []
        for idx, (line, kind) in enumerate(zip(parts.line.tolist(), ground.tolist(), strict=True)):
            if line != before:
                route = [_point(a[line])]
            route.append(_point(to[idx]))
            if last[idx] or ground[idx + 1] != kind:
                name = self.names[kind]
                found[line].append(LinePiece(route, name, self.job.grounds[name].depth_mm))
                route = [route[-1]]
            before = line
        return found

    def _slope_length(self, a: Floats, b: Floats, a_z: Floats | None, b_z: Floats | None) -> Floats:
        plan = np.hypot(b[:, 0] - a[:, 0], b[:, 1] - a[:, 1])
        if self.heights.flat and a_z is None and b_z is None:
            return np.asarray(plan, dtype=float)
        z_a = self.height(a) if a_z is None else a_z
        z_b = self.height(b) if b_z is None else b_z
        return np.asarray(np.hypot(plan, z_b - z_a), dtype=float)

    # -- leads ---------------------------------------------------------------------------------------------------------

    def reach_m(self, lamp_idx: Ints, points: Floats) -> Floats:
        """(n,) how far the made lead of each lamp reaches along the ground to a joint at each point (n, 2), in m."""
        return np.asarray(self.made_reach_m[lamp_idx] - self.depth_m[self.ground_at(points)], dtype=float)

    def _bars_at(self, place: Floats, ground: int) -> list[int]:
        """Zones that bar leads at a place: all no-dig zones that hold it, or those of its ground that may be dug."""
        mine = self._bar_zones
        mine = mine[self.no_dig[self._zone_ground[mine]] if self.no_dig[ground] else self._zone_ground[mine] == ground]
        shapes = self._zone_shapes[mine]
        inside = shapely.contains(shapes, shapely.Point(place))
        if not inside.any():  # on the border that two of them share
            inside = shapely.distance(shapes, shapely.Point(place)) <= _MICRON
        return [int(zone) for zone in mine[inside]]

    def lead_lines(self, lamp_idx: Ints, points: Floats) -> LeadLines:
        """
        Straight leads from lamps to joints.

        No-dig zones and grounds with ``leads = false`` bar the way, except those the lamp stands in. Where it stands no
        deeper in a no-dig zone than ``border_tolerance_m``, or outside a zone by no more, the lead may lie in it for
        that length: such a lamp may have been measured on the wrong side, but its lead does not go through a house.

        With ``rules.aim_anywhere`` the same holds for every place within its aim reserve that the lamp may be moved to.

        Parameters
        ----------
        lamp_idx
            (n,) lamps of the survey.
        points
            (n, 2) places of their joints.
        """
        lamp_idx = np.asarray(lamp_idx, dtype=np.int64)
        points = np.asarray(points, dtype=float).reshape(-1, 2)
        n = len(points)
        if n == 0:
            none, no = np.zeros(0), np.zeros(0, bool)
            return LeadLines(no, none, none, none, no)
        places = np.array([self.survey.lamps[idx].place for idx in lamp_idx])
        a = places[:, :2]
        length = self._slope_length(a, points, None if self.heights.flat else places[:, 2], None)
        parts, ground = self.cut(a, points, shapely.linestrings(np.stack([a, points], axis=1)))
        part_m = (parts.end - parts.start) * length[parts.line]
        price = _sums(parts.line, part_m * self.lead_per_m[ground], n)
        lawful, waived_m = np.ones(n, dtype=bool), np.zeros(n)
        for part in np.flatnonzero(self.bars_leads[ground] & (part_m > 1e-9)):
            line = parts.line[part]
            waived = self._own_zones[lamp_idx[line]]
            there = self._bars_at(parts.middle[part], ground[part])
            lawful[line] &= all(zone in waived for zone in there)
            waived_m[line] += 0.0 if all(waived.get(zone, True) for zone in there) else part_m[part]
        lawful &= waived_m <= self.job.rules.border_tolerance_m + 1e-9
        reach = self.reach_m(lamp_idx, points)
        if self.job.rules.aim_anywhere:
            lawful &= self._aims(lamp_idx, points, lawful)
            if not self.heights.flat:
                reach = reach - self._climb_m(lamp_idx, points, length)
        return LeadLines(lawful & (length <= reach + 1e-9), price, length, reach, lawful)

    def _aims(self, lamp_idx: Ints, points: Floats, asked: Bools) -> Bools:
        """(n,) whether leads reach their lamps anywhere within the aim reserve; only those asked for are looked at."""
        holds = np.ones(len(points), dtype=bool)
        for lamp in np.unique(lamp_idx[asked]).tolist():
            kind = self.job.lamps[self.survey.lamps[lamp].type]
            mine = np.flatnonzero(asked & (lamp_idx == lamp))
            if not kind.terminals and len(mine):
                place = np.array(self.survey.lamps[lamp].place[:2])
                holds[mine] = ways_are_free(self._barred_for(lamp), place, kind.aim_reserve_m, points[mine])
        return holds

    def _barred_for(self, lamp: int) -> BaseGeometry:
        """Ground that bars this lamp's lead: without zones it stands in, and the edge of those it stands beside."""
        if lamp not in self._barred_of:
            before: BaseGeometry = MultiPolygon()
            barred = []
            for idx, area in self.levels:
                if self.bars_leads[idx]:
                    barred.append(shapely.difference(area, before))
                before = area
            if self.bars_leads[self.base]:
                box = shapely.buffer(shapely.Point(self.survey.lamps[lamp].place[:2]), 1000.0, cap_style="square")
                barred.append(shapely.difference(box, before))
            waived = [
                shape if whole else shapely.difference(shape, pushed(shape, -self.job.rules.border_tolerance_m))
                for shape, whole in (
                    (shapely.force_2d(self._zone_shapes[zone]), whole) for zone, whole in self._own_zones[lamp].items()
                )
            ]
            self._barred_of[lamp] = shapely.difference(shapely.union_all(barred), shapely.union_all(waived))
        return self._barred_of[lamp]

    def _climb_m(self, lamp_idx: Ints, points: Floats, length_m: Floats) -> Floats:
        """(n,) what slopes take of the aim reserve: how much longer than on the flat a lead to its rim is."""
        more = np.zeros(len(points))
        for n, lamp in enumerate(lamp_idx.tolist()):
            reserve_m = self.job.lamps[self.survey.lamps[lamp].type].aim_reserve_m
            rim = circle(np.array(self.survey.lamps[lamp].place[:2]), reserve_m)
            to_rim = self._slope_length(rim, np.repeat(points[n : n + 1], len(rim), axis=0), None, None)
            more[n] = max(0.0, float(to_rim.max()) - reserve_m - length_m[n])
        return more
