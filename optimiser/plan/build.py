"""From a layout to the plan that is printed. In: JobFolder, Ground, Layout. Out: Plan.

Nothing is decided here but names and rounding: routes, trenches and wiring come from ``laying``, ``digging``,
``wiring``; money is rounded item by item, so that totals are sums of what is printed.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from importlib.metadata import PackageNotFoundError, version

import numpy as np

from ..electrics.bands import CircuitBand, circuit_bands
from ..ground import Ground
from ..job import Job
from ..job_folder import JobFolder
from ..search.layout import Layout
from ..survey.model import Place, Survey
from . import model as m
from .certainty import certainty, sure_lamps
from .cut_list import pack_cuts
from .digging import Dug, dig
from .laying import Laid, Station, lay
from .quote import quote
from .running import mains_side, running, schedule_rules
from .starting import start_of
from .warn import warnings
from .wiring import Wired, WiredDriver, wire


@dataclass(frozen=True)
class Proof:
    """What the search can say of a layout beyond its price."""

    seed: int
    effort: float
    work: float
    outcome: m.Outcome
    bound: float | None
    bound_says: str | None
    bound_parts: dict[str, float] | None
    refinements: int
    last_gain_pct: float | None
    drivers_asked: int | None = None
    open_bound: float | None = None
    """What no layout undercuts wherever its trenches run; never above ``bound``."""


OPEN_NEAR = 0.95
"""Part of the bound on the ground graph that one on the open ground must come to, to be told: less says little."""
HALF_A_CENT = 0.005

NOTHING_PROVEN = Proof(0, 0.0, 0.0, "effort_spent", None, None, None, 0, None)


def build_plan(
    folder: JobFolder, ground: Ground, layout: Layout, proof: Proof = NOTHING_PROVEN, *, draft: bool = False
) -> m.Plan:
    """
    The plan of a layout.

    Parameters
    ----------
    draft
        Leave out the search for the cheapest purchase of reels (each piece gets a reel of its own): for plans that are
        built only to be judged.

    Raises
    ------
    laying.CannotLay
        A long piece has no place for a joint it needs.
    """
    job, survey = folder.job, folder.survey
    laid = lay(job, survey, ground, layout)
    dug = dig(job, survey, ground, laid)
    wired = wire(job, survey, ground, layout, laid, dug)
    return _Writer(folder, ground, layout, laid, dug, wired, proof, draft).plan()


def _proven(proof: Proof, total: float) -> tuple[float | None, m.Outcome]:
    """The bound in whole cents, rounded down, and the outcome: proven best where less than half a cent is left."""
    if proof.bound is None:
        return None, proof.outcome
    if proof.bound >= total - HALF_A_CENT:
        return total, "proved_best" if proof.outcome == "effort_spent" else proof.outcome
    return math.floor(proof.bound * 100) / 100, proof.outcome


def _on_open(proof: Proof, bound: float | None) -> float | None:
    """The bound on the open ground in whole cents, rounded down, where it comes near the other and is not above it."""
    if proof.open_bound is None or bound is None or proof.open_bound < OPEN_NEAR * bound:
        return None
    return min(bound, math.floor(proof.open_bound * 100) / 100)


def _gap(bound: float, total: float) -> float:
    """What could still be saved at most, as a share of the cost."""
    return round((total - bound) / total, 5) if total > 0 else 0.0


def _parts(proof: Proof, bound: float | None) -> dict[str, float] | None:
    """
    Parts of the bound in whole cents that add up to it: the cents lost by rounding down go to those that lost most.

    Where the bound is held to a cost rounded item by item, the difference is a part of its own.
    """
    parts = proof.bound_parts
    if parts is None:
        return None
    cents = {name: math.floor(part * 100) for name, part in parts.items()}
    left = 0 if bound is None else round(bound * 100) - sum(cents.values())
    if 0 <= left <= len(cents):
        for name in sorted(cents, key=lambda name: (cents[name] - 100 * parts[name], name))[:left]:
            cents[name] += 1
    else:
        cents["rounding of prices"] = left
    return {name: count / 100 for name, count in cents.items()}


def _version() -> str:
    try:
        return version("lampspur")
    except PackageNotFoundError:
        return "0"


class _Writer:
    def __init__(
        self,
        folder: JobFolder,
        ground: Ground,
        layout: Layout,
        laid: Laid,
        dug: list[Dug],
        wired: list[WiredDriver],
        proof: Proof,
        draft: bool,
    ) -> None:
        self.folder, self.ground, self.layout = folder, ground, layout
        self.laid, self.dug, self.wired, self.proof, self.draft = laid, dug, wired, proof, draft
        self.job: Job = folder.job
        self.survey: Survey = folder.survey
        self.cable_names = list(self.job.cables)
        self.model_names = list(self.job.drivers)
        self.wired_of: dict[int, Wired] = {}
        self.driver_of: dict[int, int] = {}
        for d, (use, driver) in enumerate(zip(layout.drivers, wired, strict=True)):
            for c, one in zip(use.circuits, driver.circuits, strict=True):
                self.wired_of[c] = one
                self.driver_of[c] = d
        self.driver_id = _ids("D", len(layout.drivers))
        order = [c for use in layout.drivers for c in use.circuits]
        self.circuit_id = dict(zip(order, _ids("C", len(order)), strict=True))
        cable_order = [i for c in order for i in self.wired_of[c].cables]
        self.cable_id = dict(zip(cable_order, _ids("K", len(cable_order)), strict=True))
        self.cable_order = cable_order
        self.meets: dict[Station, list[int]] = {}
        """Cables that meet in each joint, in order."""
        for i in cable_order:
            for station in (laid.cables[i].start, laid.cables[i].end):
                if station is not None:
                    self.meets.setdefault(station, []).append(i)
        stations = [laid.cables[i].end for i in cable_order]
        self.joint_id: dict[Station, str] = dict(zip(stations, _ids("J", len(stations)), strict=True))
        self.volts_at: dict[Station, float] = {}
        for one in self.wired_of.values():
            for k, i in enumerate(one.cables):
                self.volts_at[laid.cables[i].end] = float(one.state.volts[1 + k])
        self.band_of: dict[int, CircuitBand] = {}
        self.drop_band_at: dict[Station, tuple[float, float]] = {}
        models = [self.job.drivers[self.model_names[use.model]] for use in layout.drivers]
        self.sure = sure_lamps(self.job, models, wired, proof.seed, draft=draft)
        if not draft:
            self._find_bands()

    def _find_bands(self) -> None:
        """What may be measured on site; nothing in the layout depends on it."""
        for use, driver in zip(self.layout.drivers, self.wired, strict=True):
            model = self.job.drivers[self.model_names[use.model]]
            taps = [self.layout.circuits[c].tap_v for c in use.circuits]
            bands = circuit_bands(model, [one.tree for one in driver.circuits], taps, self.job.voltage)
            for c, one, band in zip(use.circuits, driver.circuits, bands, strict=True):
                if not (np.isfinite(band.most_drop_v).all() and np.isfinite(band.least_drop_v).all()):
                    continue  # past its collapse point in one of the cases: no band is better than a false one
                self.band_of[c] = band
                for k, i in enumerate(one.cables):
                    drops = (float(band.least_drop_v[1 + k]), float(band.most_drop_v[1 + k]))
                    self.drop_band_at[self.laid.cables[i].end] = _thousandths(drops)

    def plan(self) -> m.Plan:
        cables = [self._cable(i) for i in self.cable_order]
        joints = [self._joint(station) for station in self.joint_id]
        trenches = [self._trench(id_, trench) for id_, trench in zip(_ids("T", len(self.dug)), self.dug, strict=True)]
        lamps = self._lamps()
        drivers = [self._driver(d) for d in range(len(self.layout.drivers))]
        circuits = [self._circuit(c) for c in self.circuit_id]
        used_supplies = sorted({use.supply for use in self.layout.drivers})
        cost = {
            "trench": _cents([t.price for t in trenches] + [lamp.lead_price for lamp in lamps]),
            "cable": _cents([c.price for c in cables]),
            "joints": _cents([j.price for j in joints] + [lamp.extension_price for lamp in lamps]),
            "drivers": _cents([d.price for d in drivers]),
            "supplies": _cents([round(self.job.supply(self.survey.supplies[s].name).price, 2) for s in used_supplies]),
            "fuses": _cents([c.fuse_price for c in circuits]),
        }
        total = _cents(cost.values())
        cuts, reels = self._cuts(cables)
        proof = self.proof
        bound, outcome = _proven(proof, total)
        open_bound = _on_open(proof, bound)
        graph = self.ground.graph
        return m.Plan(
            tool=m.Tool(name="lampspur", version=_version()),
            job=m.JobRef(
                title=self.job.title,
                digest=self.folder.digest,
                files=list(self.folder.files),
                overrides=dict(self.folder.overrides),
            ),
            currency=self.job.currency,
            prices_are_invented=self.job.prices_are_invented,
            seed=proof.seed,
            effort=proof.effort,
            work=round(proof.work, 1),
            outcome=outcome,
            drivers_asked=proof.drivers_asked,
            cost=m.Cost(total=total, **cost),
            bound=bound,
            gap=None if bound is None else _gap(bound, total),
            bound_says=proof.bound_says,
            bound_parts=_parts(proof, bound),
            open_bound=open_bound,
            open_gap=None if open_bound is None else _gap(open_bound, total),
            drivers=drivers,
            circuits=circuits,
            joints=joints,
            cables=cables,
            trenches=trenches,
            lamps=lamps,
            cuts=cuts,
            reels=reels,
            cables_used=self._cables_used(cables),
            kits_used=self._kits_used(joints, lamps),
            site=self._site(),
            graph=m.GraphFacts(
                nodes=graph.num_nodes,
                edges=graph.num_edges,
                base_nodes=self.ground.base_nodes,
                base_edges=self.ground.base_edges,
                refinements=proof.refinements,
                last_gain_pct=None if proof.last_gain_pct is None else round(proof.last_gain_pct, 3),
            ),
            rules=self._rules(),
            warnings=warnings(self.job, self.survey, self.layout, self.dug, self.wired),
            mains=mains_side(self.job, [supply.name for supply in self.survey.supplies], drivers, self.wired),
            running=running(self.job, drivers, self.wired),
            certainty=certainty(self.job, proof.seed),
            quote=quote(self.job, drivers, circuits, joints, cables, trenches, lamps, reels),
        )

    def _xy(self, place: Place) -> m.XY:
        return (place[0], place[1], place[2]) if self.survey.has_heights else (place[0], place[1])

    def _z(self, place: Place) -> float | None:
        return place[2] if self.survey.has_heights else None

    def _driver(self, d: int) -> m.DriverPlan:
        use = self.layout.drivers[d]
        supply = self.survey.supplies[use.supply]
        model = self.job.drivers[self.model_names[use.model]]
        groups = {self.survey.lamps[lamp].group for c in use.circuits for lamp in self.layout.circuits[c].lamps}
        load = self.wired[d].load_va
        starts = start_of(model, self.wired[d])
        return m.DriverPlan(
            id=self.driver_id[d],
            supply=supply.name,
            model=self.model_names[use.model],
            tap_v=max(self.layout.circuits[c].tap_v for c in use.circuits),
            load_w=round(load, 2),
            load_pct=round(100 * load / model.rated_w, 1),
            grown_w=round(self.wired[d].grown_va, 2) if self.job.rules.growth else None,
            start_a=starts.inrush_a,
            start_uf=starts.input_uf,
            dim_group=next(iter(groups)) if len(groups) == 1 and groups != {""} else None,
            x=supply.place[0],
            y=supply.place[1],
            price=round(model.price, 2),
            kind=model.kind,
            output="ac" if model.ac else "dc",
            rated_w=model.rated_w,
        )

    def _circuit(self, c: int) -> m.CircuitPlan:
        one, d = self.wired_of[c], self.driver_of[c]
        circuit, guard = self.layout.circuits[c], self.wired_of[c].protection
        groups = {self.survey.lamps[lamp].group for lamp in circuit.lamps}
        band = self.band_of.get(c)
        return m.CircuitPlan(
            id=self.circuit_id[c],
            driver=self.driver_id[d],
            outlet=1 + self.layout.drivers[d].circuits.index(c),
            fuse_a=guard.fuse_a,
            breaker_a=guard.breaker_a,
            amps=round(one.state.amps, 3),
            lamps=[self.survey.lamps[lamp].name for lamp in circuit.lamps],
            short_a=None if guard.short_a is None else round(guard.short_a, 3),
            tap_v=circuit.tap_v,
            out_v=round(one.state.out_v, 3),
            fuse_price=0.0 if guard.fuse_a is None else round(self.job.fuses.price, 2),
            dim_group=next(iter(groups)) or None,
            grown_amps=round(one.grown.amps, 3) if self.job.rules.growth else None,
            protected_by=guard.sentence or guard.why_not,
            idle_band_v=None if band is None else _thousandths(band.idle_v),
            out_band_v=None if band is None else _thousandths(band.out_v),
            amps_band=None if band is None else _thousandths(band.amps),
        )

    def _cable(self, i: int) -> m.CablePlan:
        cable = self.laid.cables[i]
        one = self.wired_of[cable.circuit]
        node = 1 + one.cables.index(i)
        state = one.state
        above_v = state.volts[one.tree.parent[node]]
        name = self.cable_names[cable.cable]
        start = self.driver_id[self.driver_of[cable.circuit]] if cable.start is None else self.joint_id[cable.start]
        return m.CablePlan(
            id=self.cable_id[i],
            circuit=self.circuit_id[cable.circuit],
            from_=start,
            to=self.joint_id[cable.end],
            cable=name,
            route=[self._xy(place) for place in cable.route],
            route_m=cable.route_m,
            cut_m=cable.cut_m,
            amps=round(float(state.branch_amps[node]), 3),
            drop_v=round(float(above_v - state.volts[node]), 3),
            price=round(cable.cut_m * self.job.cables[name].price_per_m, 2),
            run=None if cable.run < 0 else f"R{cable.run + 1:02d}",
            sun_m=cable.sun_m,
        )

    def _joint(self, station: Station) -> m.JointPlan:
        place = self.laid.place[station]
        meets = self.meets[station]
        lamps = self.laid.leads_at.get(station, [])
        types = [self.job.lamps[self.survey.lamps[lamp].type] for lamp in lamps]
        post = next((self.survey.lamps[a].name for a, t in zip(lamps, types, strict=True) if t.terminals), None)
        sizes = [self.job.cables[self.cable_names[self.laid.cables[i].cable]].area_mm2 for i in meets]
        sizes += [t.lead_mm2 for t in types if not t.terminals]
        kit, price = (None, 0.0) if post is not None else self._kit(sizes)
        leaving = len(meets) - 1
        return m.JointPlan(
            id=self.joint_id[station],
            x=place[0],
            y=place[1],
            z=self._z(place),
            circuit=self.circuit_id[station[0]],
            ways=len(meets) + len(lamps),
            hub=leaving > 1 or len(lamps) > 1,
            cables=[self.cable_id[i] for i in meets],
            leads=[self.survey.lamps[lamp].name for lamp in lamps],
            kit=kit,
            post=post,
            end_ohm=0.0 if post is not None else self.job.joints.end_ohm,
            price=round(price, 2),
            volts=round(self.volts_at[station], 3),
            drop_band_v=self.drop_band_at.get(station),
        )

    def _kit(self, sizes: Sequence[float]) -> tuple[str | None, float]:
        offers = [
            (kit.price + kit.labour, name)
            for name, kit in self.job.joints.kits.items()
            if kit.max_ways >= len(sizes) and kit.min_mm2 <= min(sizes) and max(sizes) <= kit.max_mm2
        ]
        if not offers:
            return None, 0.0
        price, name = min(offers)
        return name, price

    def _trench(self, id_: str, trench: Dug) -> m.TrenchPlan:
        return m.TrenchPlan(
            id=id_,
            ground=trench.ground,
            route=[self._xy(place) for place in trench.route],
            length_m=trench.length_m,
            depth_mm=trench.depth_mm,
            cables=sorted(self.cable_id[i] for i in trench.cables),
            sleeve=None if trench.sleeve < 0 else self.survey.sleeves[trench.sleeve].name,
            price=trench.price,
            stub=trench.stub,
            borders=trench.borders,
        )

    def _lamps(self) -> list[m.LampPlan]:
        found: dict[int, m.LampPlan] = {}
        for c, one in self.wired_of.items():
            arc_of = dict(zip(self.layout.circuits[c].lamps, self.layout.circuits[c].leads, strict=True))
            first = 1 + len(one.cables)
            for k, lamp in enumerate(one.lamps):
                surveyed = self.survey.lamps[lamp]
                kind = self.job.lamps[surveyed.type]
                arc = self.ground.graph.leads[arc_of[lamp]]
                volts = float(one.state.lamp_v[k])
                from_v = one.state.out_v if self.job.voltage.drop_from == "driver" else kind.volts
                low, high = kind.window
                low_v, high_v = float(one.state.low_v[k]), float(one.state.high_v[k])
                station = (c, arc.node, 0)
                place, joint = surveyed.place, self.laid.place[station]
                sure = self.sure.get(lamp)
                found[lamp] = m.LampPlan(
                    id=surveyed.name,
                    joint=self.joint_id[station],
                    lead_m=0.0 if kind.terminals else kind.lead_m,
                    watts=kind.watts,
                    amps=round(float(one.state.branch_amps[first + k]), 3),
                    volts=round(volts, 3),
                    drop_pct=round(100 * (from_v - volts) / kind.volts, 2),
                    margin_v=round(min(low_v - low, high - high_v), 3),
                    x=place[0],
                    y=place[1],
                    z=self._z(place),
                    type=surveyed.type,
                    group=surveyed.group,
                    low_v=round(low_v, 3),
                    high_v=round(high_v, 3),
                    lead_route=[] if kind.terminals else [self._xy(place), self._xy(joint)],
                    lead_price=round(arc.price, 2),
                    joint_v=round(self.volts_at[station], 3),
                    extension_m=round(arc.extension_m, 3),
                    extension_price=round(arc.extension_price, 2),
                    extension_kit=self._extension_kit() if arc.extension_m else None,
                    grown_v=round(float(one.grown.lamp_v[k]), 3) if self.job.rules.growth else None,
                    grown_low_v=round(float(one.grown.low_v[k]), 3) if self.job.rules.growth else None,
                    sure_low_v=None if sure is None else sure.low_v,
                    sure_high_v=None if sure is None else sure.high_v,
                    sure_margin_v=None if sure is None else sure.margin_v,
                    sure_drop_pct=None if sure is None else sure.drop_pct,
                    outside_pct=None if sure is None else sure.outside_pct,
                )
        return [found[lamp] for lamp in sorted(found)]

    def _cuts(self, cables: Sequence[m.CablePlan]) -> tuple[list[m.CutPlan], list[m.Reels]]:
        cuts: list[m.CutPlan] = []
        reels: list[m.Reels] = []
        for name in self.cable_names:
            mine = [cable for cable in cables if cable.cable == name]
            if not mine:
                continue
            runs: dict[str, list[m.CablePlan]] = {}
            for cable in mine:
                runs.setdefault(cable.run or cable.id, []).append(cable)
            setting = self.job.cables[name]
            prices = setting.reel_prices or tuple(round(r * setting.price_per_m, 2) for r in setting.reels_m)
            pieces = [(key, round(sum(c.cut_m for c in run), 1)) for key, run in runs.items()]
            packed_reels: list[tuple[float, float]] = []
            if self.draft:
                for key, length in pieces:
                    reel = min(r for r in setting.reels_m if r >= length - 1e-9)
                    cuts.append(
                        m.CutPlan(
                            cable=name, reel_m=reel, pieces=[c.id for c in runs[key]], left_m=round(reel - length, 3)
                        )
                    )
                packed_reels = [
                    (cut.reel_m, prices[setting.reels_m.index(cut.reel_m)]) for cut in cuts if cut.cable == name
                ]
                proven = False
            else:
                packing = pack_cuts(pieces, list(zip(setting.reels_m, prices, strict=True)))
                # The packer counts whole decimetres: back to the length that is sold.
                sold = {
                    math.floor(r * 10 + 1e-6): (r, p)
                    for p, r in sorted(zip(prices, setting.reels_m, strict=True), reverse=True)
                }
                for packed in packing.reels:
                    reel, price = sold[round(packed.reel_m * 10)]
                    spare = round(reel - packed.reel_m + packed.left_m, 3)
                    ids = [c.id for key in packed.pieces for c in runs[key]]
                    cuts.append(m.CutPlan(cable=name, reel_m=reel, pieces=ids, left_m=spare))
                    packed_reels.append((reel, price))
                proven = packing.proven
            for reel_m, price in sorted(set(packed_reels), reverse=True):
                count = packed_reels.count((reel_m, price))
                reels.append(
                    m.Reels(cable=name, reel_m=reel_m, count=count, price=round(count * price, 2), proven_least=proven)
                )
        return cuts, reels

    def _extension_kit(self) -> str:
        return min((kit.price + kit.labour, name) for name, kit in self.job.joints.kits.items())[1]

    def _kits_used(self, joints: Sequence[m.JointPlan], lamps: Sequence[m.LampPlan]) -> dict[str, m.KitUsed]:
        used = {joint.kit for joint in joints} | {lamp.extension_kit for lamp in lamps}
        return {
            name: m.KitUsed(max_ways=kit.max_ways, price=kit.price, labour=kit.labour, pack=kit.pack)
            for name, kit in self.job.joints.kits.items()
            if name in used
        }

    def _cables_used(self, cables: Sequence[m.CablePlan]) -> dict[str, m.CableUsed]:
        used = {cable.cable for cable in cables}
        return {
            name: m.CableUsed(
                size=setting.size,
                mm2=round(setting.area_mm2, 4),
                ohm_per_m=round(setting.loop_ohm_per_m(self.job.voltage.hot_c), 7),
                rating_a=setting.rating,
                price_m=setting.price_per_m,
            )
            for name, setting in self.job.cables.items()
            if name in used
        }

    def _site(self) -> m.Site:
        survey, job = self.survey, self.job

        def ring(coords: object) -> list[tuple[float, float]]:
            return [(round(float(x), 3), round(float(y), 3)) for x, y, *_ in coords]  # type: ignore[attr-defined]

        return m.Site(
            base_ground=job.base_ground,
            zones=[
                m.SiteZone(
                    name=zone.name,
                    ground=zone.ground,
                    no_dig=job.grounds[zone.ground].no_dig,
                    water=job.grounds[zone.ground].is_water,
                    of=zone.of,
                    keep_off_m=zone.keep_off_m,
                    rings=[ring(zone.polygon.exterior.coords), *(ring(hole.coords) for hole in zone.polygon.interiors)],
                )
                for zone in survey.zones
            ],
            sleeves=[
                m.SiteSleeve(name=s.name, route=[self._xy(p) for p in s.route], capacity=s.capacity)
                for s in survey.sleeves
            ],
            trees=[m.SiteTree(name=t.name, x=t.place[0], y=t.place[1], stem_mm=t.stem_mm) for t in survey.trees],
            supplies=[
                m.SitePoint(
                    name=s.name,
                    x=s.place[0],
                    y=s.place[1],
                    z=self._z(s.place),
                    price=round(job.supply(s.name).price, 2),
                )
                for s in survey.supplies
            ],
            pegs=[m.SitePoint(name=p.name, x=p.place[0], y=p.place[1], z=self._z(p.place)) for p in survey.pegs],
            mains=[m.SiteLine(name=line.name, route=[self._xy(p) for p in line.route]) for line in survey.mains],
            fixed=[
                m.SiteCorner(name=p.name, of=p.of, x=p.place[0], y=p.place[1], z=self._z(p.place)) for p in survey.fixed
            ],
            position=_position(survey),
        )

    def _rules(self) -> list[m.Rule]:
        voltage, slack, job = self.job.voltage, self.job.slack, self.job
        from_what = (
            "the driver's terminals at this load" if voltage.drop_from == "driver" else "the lamp's nominal volts"
        )
        drop = (
            "off; the lamps' windows decide" if voltage.max_drop is None else f"{voltage.max_drop:g} % from {from_what}"
        )
        return [
            m.Rule(name="greatest drop", value=drop),
            m.Rule(
                name="copper",
                value=f"{voltage.hot_c:g} °C buried, {voltage.sun_c:g} °C on the surface for low volts; "
                f"{voltage.cold_c:g} °C for high volts; {voltage.fault_c:g} °C for faults",
            ),
            m.Rule(
                name="slack",
                value=f"{slack.per_cent:g} % of the route, {slack.joint_end_m:g} m at each end in a joint",
            ),
            m.Rule(name="gauges", value=f"at most {job.rules.max_gauges} sizes of cable"),
            m.Rule(name="circuit", value=f"at most {job.rules.max_circuit_a:g} A"),
            *_new_rules(job),
            *schedule_rules(job),
        ]


def _position(survey: Survey) -> m.SitePosition | None:
    at = survey.position
    if at is None:
        return None
    return m.SitePosition(latitude=at.latitude, longitude=at.longitude, x=at.x_m, y=at.y_m, y_bearing=at.y_bearing)


def _new_rules(job: Job) -> list[m.Rule]:
    """Rules that hold only where the job asks for them."""
    rules = job.rules
    found = []
    if rules.growth:
        found.append(
            m.Rule(
                name="spare load",
                value=f"{rules.growth:g} % on every circuit: the limits hold with all lamps drawing so much more",
            )
        )
    hot = [f"{c:g} °C {where}" for c, where in ((rules.ground_c, "ground"), (rules.air_c, "air")) if c is not None]
    if hot:
        found.append(m.Rule(name="ratings of cables", value=f"for {' and '.join(hot)} at the hottest"))
    given = job.tolerance
    if given.plan != "off":
        spans = (
            ("cable", given.cable_pct),
            ("lengths", given.length_pct),
            ("ends", given.contact_pct),
            ("loads", given.load_pct),
        )
        strays = ", ".join(f"{name} {low:+g} to {high:+g} %" for name, (low, high) in spans)
        held = "windows and drop hold" if given.plan == "hold" else "volts are given, not held,"
        found.append(m.Rule(name="tolerances", value=f"{held} wherever data stray: {strays}"))
    if rules.aim_anywhere:
        found.append(m.Rule(name="aiming", value="each lead reaches its lamp anywhere within its aim reserve"))
    return found


def _ids(letter: str, count: int) -> list[str]:
    width = max(2, len(str(count)))
    return [f"{letter}{i + 1:0{width}d}" for i in range(count)]


def _thousandths(band: tuple[float, float]) -> tuple[float, float]:
    """Rounded outwards to millivolts or milliamperes."""
    return math.floor(band[0] * 1000 + 1e-6) / 1000, math.ceil(band[1] * 1000 - 1e-6) / 1000


def _cents(prices: object) -> float:
    return round(math.fsum(prices), 2)  # type: ignore[arg-type]
