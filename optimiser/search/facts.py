"""Everything the search looks up, once, as plain lists and arrays. In: Job, Survey, GroundGraph. Out: Facts.

A *feed* is one way to supply a circuit: a driver model at one of its taps, loaded to a share of what it may carry. A
*palette* is the set of cables a layout may use (at most ``rules.max_gauges``). Voltages here keep ``KEEP_V`` inside
every limit, so that rounding cannot break one.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass, field, fields
from functools import cached_property
from typing import Any

import numpy as np

from ..electrics.sources import source_of
from ..ground.graph import Floats, GroundGraph
from ..job import Driver, Job
from ..matching import fits
from ..survey.model import Survey
from .arcs import Arcs
from .steiner import neighbours
from .worst import worst_of

KEEP_V = 0.004
"""Distance kept from every voltage limit, in V: more than what rounding to millivolts and millimetres can take."""
KEEP_A, KEEP_W = 0.002, 0.01
"""Likewise from the amps that outlets, circuits and fuses take, and from a driver's load, in W or VA."""

LEAST_HUB_M, MOST_HUB_M = 0.35, 1.0
"""How far from its supply point a hub beside the driver stands."""

MAX_PALETTES = 40
"""Palettes considered; of more, so many are taken, evenly spaced in the list."""

LOAD_SHARES = (1.0, 0.4, 0.1)
MUCH_MORE = 1.7
"""A wound driver loaded to a smaller share is a feed of its own where that leaves a lamp this times the drop."""

LOAD_POWER, LOAD_CURRENT, LOAD_RESISTANCE = 1, 2, 3
_LOADS = {"power": LOAD_POWER, "current": LOAD_CURRENT, "resistance": LOAD_RESISTANCE}


@dataclass(frozen=True)
class Feed:
    """A driver model at one tap. ``budget_v[t]``, ``low_budget_v[t]``: drop that lamp type t may see in the two
    cases."""

    model: int
    tap_v: float
    load_share: float
    """Share of what it may carry that the driver is loaded with at most: 1 but for wound ones, which sag with it."""
    out_v: float
    """Terminal voltage assumed at the stated source, in V."""
    low_v: float
    """Least terminal voltage: lowest source, driver loaded to its limit, in V."""
    budget_v: tuple[float, ...]
    low_budget_v: tuple[float, ...]
    serves: tuple[bool, ...]
    """Whether lamp type t may hang on it at all: voltage, kind, and the window's high end."""
    max_a: float
    """Most amps of one circuit."""
    max_w: float
    """Most load of one driver, before a supply point's derating, in W or VA."""
    max_total_a: float
    """Most amps of one driver (a multi-tap unit: rated output over highest tap)."""
    max_start: tuple[float, float]
    """Most inrush in A and input capacitance in µF of one driver's lamps; infinite where not stated."""
    source_low_v: float
    emf_v: float
    internal_ohm: float
    limit_a: float
    limit_mode: str
    short_rms_a: float
    breaker_a: float | None
    price: float
    outlets: int
    terminal_cables: int
    terminal_mm2: float
    mixes_groups: bool
    mixes_taps: bool
    hub: int = 0
    """Most cables from a hub beside the driver, each a circuit of its own here; 0: there is none (``driver_hubs``)."""
    hub_a: float = math.inf
    """Most amps through that hub."""
    hub_ohm: float = 0.0
    """Loop resistance of the cable from the outlet to the hub, at a fault's temperature."""


@dataclass(frozen=True)
class CableFacts:
    """One cable: prices per metre cut, loop resistances per metre cut."""

    price_m: float
    hot_ohm: float
    sun_ohm: float
    fault_ohm: float
    rating_a: float
    """In ground at its hottest; on the surface see ``Facts.sun_factor``."""
    area_mm2: float
    reel_m: float


@dataclass
class Facts:
    """Look-ups of one job on one ground graph. Treat as frozen."""

    graph: GroundGraph
    feeds: list[Feed]
    cables: list[CableFacts]
    palettes: list[tuple[int, ...]]
    lamp_type: list[int]
    lamp_watts: list[float]
    """What each lamp draws, spare load included."""
    lamp_start: list[tuple[float, float]]
    """Inrush in A and input capacitance in µF of each lamp, spare load included; 0 where not stated."""
    lamp_group: list[str]
    lamp_feeds: list[tuple[int, ...]]
    """Feeds that may serve each lamp."""
    type_load: list[int]
    type_nominal_v: list[float]
    type_factor_ac: list[float]
    type_lead_hot_ohm: list[float]
    type_lead_fault_ohm: list[float]
    type_lead: list[tuple[float, float]]
    """Size in mm² and rating in A of the type's lead; (inf, inf) for posts."""
    type_lead_m: list[float]
    type_terminal_mm2: list[float]
    feed_ac: list[bool]
    supply_price: list[float]
    supply_max_drivers: list[int]
    supply_loading: list[float]
    supply_mains_va: list[float]
    """Most apparent power from the mains; infinite where nothing limits it."""
    feed_mains: list[float]
    """Apparent power from the mains for each VA at a feed's terminals."""
    supply_inrush_a: list[float]
    """Most inrush from the mains; infinite where nothing limits it."""
    model_inrush_a: dict[int, float]
    """Inrush of each driver model that has a feed; 0 where not stated."""
    supply_end_m: list[float]
    joint_end_m: float
    slack: float
    """Factor on routes, e.g. 1.03."""
    cuts_at_joints: bool
    """Whether every cable is cut at every joint (method "cut")."""
    end_ohm: float
    kits: list[tuple[float, int, float, float]]
    """Price with labour, ways, thinnest and thickest conductor; cheapest first."""
    fuse_ratings: list[float]
    fuse_price: float
    fuse_load: float
    open_factor: float
    open_s: float
    bunched: tuple[float, ...]
    trench_bunched: tuple[float, ...]
    sun_factor: float
    """Further factor on the rating of a cable of which some lies on the surface."""
    max_ways: int
    drop_from_driver: bool
    # the graph as lists, and as arcs for shortest paths (lamps are nodes num_nodes + i)
    length_m: list[float] = field(default_factory=list)
    sun_m: list[float] = field(default_factory=list)
    trench: list[float] = field(default_factory=list)
    pull: list[float] = field(default_factory=list)
    capacity: list[int] = field(default_factory=list)
    sleeve: list[int] = field(default_factory=list)
    may_joint: list[bool] = field(default_factory=list)
    post: list[int] = field(default_factory=list)
    leads_of: list[list[int]] = field(default_factory=list)
    """Lead arc indices of each lamp, cheapest first."""
    kit_of_ways: list[float] = field(default_factory=list)
    """Least price of a joint by its ways, whatever sizes meet."""
    laid: np.ndarray | None = None
    """(m,) cables in each edge of circuits that stay as they are: other areas' of a large job; None for none."""
    joint_price_cache: dict[tuple[int, float, float], float] = field(default_factory=dict)
    plain: Facts | None = None
    """The same without hub feeds, where there are any: what bounds are proven of."""

    def __getstate__(self) -> dict[str, Any]:
        """Without what is worked out when first asked for: another process does that for itself."""
        return {f.name: self.__dict__[f.name] for f in fields(self)}

    def start_end_m(self, supply: int, feed: Feed) -> float:
        """Slack at the upper end of a circuit's first cable, in m: at the driver, or at the hub beside it."""
        return self.joint_end_m if feed.hub else self.supply_end_m[supply]

    @property
    def num_lamps(self) -> int:
        return len(self.lamp_type)

    @cached_property
    def roots(self) -> list[int]:
        """Node of each supply point."""
        return [int(node) for node in self.graph.supply_node]

    @cached_property
    def near(self) -> list[list[tuple[int, int]]]:
        """(neighbour, edge) of every node."""
        return neighbours(self.graph.ends.tolist(), self.graph.num_nodes)

    @cached_property
    def arcs(self) -> Arcs:
        """The graph as arcs for shortest ways."""
        return Arcs(self.graph, self.num_lamps)

    @cached_property
    def lead_node(self) -> list[int]:
        """Node that each lead arc ends at."""
        return [arc.node for arc in self.graph.leads]

    @cached_property
    def lamp_places(self) -> Floats:
        """(N, 2) where each lamp's cheapest joint would stand."""
        nodes = [self.lead_node[arcs[0]] for arcs in self.leads_of]
        return self.graph.xyz[nodes, :2]

    @cached_property
    def lead_price(self) -> list[float]:
        """What each lead arc costs, its extension included."""
        return [arc.price + arc.extension_price for arc in self.graph.leads]

    @cached_property
    def lead_ohm(self) -> list[tuple[float, float]]:
        """Loop resistance of each lead arc with its ends, in ohm: hot, and at a fault's temperature."""
        found = []
        for arc in self.graph.leads:
            t = self.lamp_type[arc.lamp]
            ends = 0.0 if self.post[arc.node] >= 0 else self.end_ohm
            hot, fault = self.type_lead_hot_ohm[t], self.type_lead_fault_ohm[t]
            if arc.extension_m:
                grown = 1 + arc.extension_m / self.type_lead_m[t]
                hot, fault, ends = hot * grown, fault * grown, ends + 2 * self.end_ohm
            found.append((hot + ends, fault + ends))
        return found

    @cached_property
    def states_start(self) -> bool:
        """Whether any lamp states what it draws when switched on."""
        return any(any(stated) for stated in self.lamp_start)

    @cached_property
    def has_pulls(self) -> bool:
        """Whether any edge costs something for each cable laid in it."""
        return any(self.pull)

    @cached_property
    def gauge_options(self) -> dict[tuple[object, ...], tuple[list[tuple[int, float, float]], list[float]]]:
        """What pieces of cable already asked for cost in each gauge: see ``circuit``."""
        return {}

    def joint_price(self, ways: int, thinnest_mm2: float, thickest_mm2: float) -> float:
        """Price of the cheapest kit that takes these ways and sizes; infinite when none does."""
        key = (ways, thinnest_mm2, thickest_mm2)
        price = self.joint_price_cache.get(key)
        if price is None:
            price = math.inf
            for kit_price, kit_ways, low, high in self.kits:
                if kit_ways >= ways and low <= thinnest_mm2 and thickest_mm2 <= high:
                    price = kit_price
                    break
            self.joint_price_cache[key] = price
        return price

    def lamp_amps(self, lamp: int, volts: float, ac: bool) -> float:
        """Current that a lamp draws at this voltage, in A."""
        t = self.lamp_type[lamp]
        load, watts = self.type_load[t], self.lamp_watts[lamp]
        if load == LOAD_POWER:
            return watts / (volts * (self.type_factor_ac[t] if ac else 1.0))
        if load == LOAD_CURRENT:
            return watts / (self.type_nominal_v[t] * (self.type_factor_ac[t] if ac else 1.0))
        return volts * watts / self.type_nominal_v[t] ** 2


def gather_facts(job: Job, survey: Survey, graph: GroundGraph) -> Facts:
    """Look everything up once."""
    type_names = list(job.lamps)
    types = list(job.lamps.values())
    voltage, grown = job.voltage, job.rules.grown
    lamp_type = [type_names.index(lamp.type) for lamp in survey.lamps]
    used_types = set(lamp_type)

    feeds: list[Feed] = []
    feed_ac: list[bool] = []
    for model_idx, driver in enumerate(job.drivers.values()):
        for tap_v in driver.taps_v:
            whole = _feed(job, model_idx, driver, tap_v, 1.0)
            for load_share in LOAD_SHARES:
                feed = whole if load_share == 1 else _feed(job, model_idx, driver, tap_v, load_share)
                if any(feed.serves[t] and (feed is whole or _leaves_more(feed, whole, t)) for t in used_types):
                    feeds.append(feed)
                    feed_ac.append(driver.ac)

    cables = [
        CableFacts(
            price_m=c.price_per_m,
            hot_ohm=c.loop_ohm_per_m(voltage.hot_c),
            sun_ohm=c.loop_ohm_per_m(voltage.sun_c),
            fault_ohm=c.loop_ohm_per_m(voltage.fault_c),
            rating_a=c.rating * c.derating(job.rules.ground_c),
            area_mm2=c.area_mm2,
            reel_m=c.longest_reel_m,
        )
        for c in job.cables.values()
    ]
    kits = sorted((k.price + k.labour, k.max_ways, k.min_mm2, k.max_mm2) for k in job.joints.kits.values())
    leads_of: list[list[int]] = [[] for _ in survey.lamps]
    for i, arc in enumerate(graph.leads):
        leads_of[arc.lamp].append(i)
    for arcs in leads_of:
        arcs.sort(key=lambda i: (graph.leads[i].price, i))
    return Facts(
        graph=graph,
        feeds=feeds,
        cables=cables,
        palettes=_palettes(cables, job.rules.max_gauges),
        lamp_type=lamp_type,
        lamp_watts=[types[t].watts * grown for t in lamp_type],
        lamp_start=[((types[t].inrush_a or 0.0) * grown, (types[t].input_uf or 0.0) * grown) for t in lamp_type],
        lamp_group=[lamp.group for lamp in survey.lamps],
        lamp_feeds=[tuple(f for f, feed in enumerate(feeds) if feed.serves[t]) for t in lamp_type],
        type_load=[_LOADS[t.load] for t in types],
        type_nominal_v=[t.volts for t in types],
        type_factor_ac=[t.factor for t in types],
        type_lead_hot_ohm=[0.0 if t.terminals else t.lead_ohm(voltage.hot_c) for t in types],
        type_lead_fault_ohm=[0.0 if t.terminals else t.lead_ohm(voltage.fault_c) for t in types],
        type_lead=[(math.inf, math.inf) if t.terminals else (t.lead_mm2, t.lead_rating) for t in types],
        type_lead_m=[t.lead_m for t in types],
        type_terminal_mm2=[t.terminal_mm2 for t in types],
        feed_ac=feed_ac,
        supply_price=[job.supply(s.name).price for s in survey.supplies],
        supply_max_drivers=[job.supply(s.name).max_drivers for s in survey.supplies],
        supply_loading=[job.supply(s.name).loading_pct / 100 for s in survey.supplies],
        supply_mains_va=[job.mains_limit_va(s.name) for s in survey.supplies],
        feed_mains=[list(job.drivers.values())[feed.model].mains_va_per_va for feed in feeds],
        supply_inrush_a=[job.supply(s.name).inrush_a or math.inf for s in survey.supplies],
        model_inrush_a={feed.model: list(job.drivers.values())[feed.model].inrush_a or 0.0 for feed in feeds},
        supply_end_m=[job.driver_end_m(s.name) for s in survey.supplies],
        joint_end_m=job.slack.joint_end_m,
        slack=1 + job.slack.per_cent / 100,
        cuts_at_joints=job.joints.method == "cut",
        end_ohm=job.joints.end_ohm * worst_of(job).end,
        kits=kits,
        fuse_ratings=sorted(job.fuses.ratings_a),
        fuse_price=job.fuses.price,
        fuse_load=job.fuses.load_factor,
        open_factor=job.fuses.open_factor,
        open_s=job.fuses.open_s,
        bunched=job.rules.bunched,
        trench_bunched=job.rules.trench_bunched,
        sun_factor=_sun_factor(job),
        max_ways=max(k[1] for k in kits),
        drop_from_driver=voltage.drop_from == "driver",
        length_m=graph.length_m.tolist(),
        sun_m=graph.sun_m.tolist(),
        trench=graph.trench_price.tolist(),
        pull=graph.pull_price.tolist(),
        capacity=graph.capacity.tolist(),
        sleeve=graph.sleeve.tolist(),
        may_joint=graph.may_joint.tolist(),
        post=graph.post_lamp.tolist(),
        leads_of=leads_of,
        kit_of_ways=_least_kits(kits),
    )


def _least_kits(kits: Sequence[tuple[float, int, float, float]]) -> list[float]:
    most = max(kit[1] for kit in kits)
    return [0.0, 0.0] + [min(kit[0] for kit in kits if kit[1] >= ways) for ways in range(2, most + 1)]


def _sun_factor(job: Job) -> float:
    """What hot air takes off the rating of the cable it takes most from, beyond what the ground takes."""
    ground_c, air_c = job.rules.ground_c, job.rules.air_c
    factors = [
        min(1.0, cable.derating(air_c) / cable.derating(ground_c))
        for cable in job.cables.values()
        if cable.derating(ground_c) > 0
    ]
    return min(factors, default=1.0)


def _feed(job: Job, model_idx: int, driver: Driver, tap_v: float, load_share: float) -> Feed:
    """One way to supply a circuit: a model at a tap, loaded to no more than ``load_share`` of what it may carry."""
    voltage, worst = job.voltage, worst_of(job)
    source = source_of(driver, tap_v)
    strayed = source_of(job.strayed_driver(driver), tap_v) if job.tolerance.plan == "hold" else source
    heavier = worst.copper * worst.load
    # Its load is at least tap x amps, so that no more amps than these are drawn within the loading limit.
    full_a = load_share * min(driver.max_load_w / tap_v, driver.rated_a if driver.kind == "wound" else math.inf)
    out_v = source.emf_v - source.internal_ohm * full_a
    # At the lowest source constant-power lamps draw more: by more than the source is lower, as drops grow with it.
    worst_out_v = source.emf_v - source.internal_ohm * full_a * heavier
    low_v = strayed.low_emf_v - source.internal_ohm * full_a * heavier * (source.emf_v / strayed.low_emf_v) ** 1.5
    budget, low_budget, serves = [], [], []
    for t in job.lamps.values():
        low_limit, high_limit = t.window
        if voltage.max_drop is None:
            drop_budget = math.inf
        elif voltage.drop_from == "driver":
            drop_budget = job.drop_limit_v(t)
        else:
            drop_budget = worst_out_v - (t.volts - job.drop_limit_v(t))
        budget.append(worst.part(drop_budget - KEEP_V, worst_out_v, t.load))
        low_budget.append(worst.part(low_v - low_limit - KEEP_V, low_v, t.load))
        # Alone on the driver, cold: only the lead's own drop is certain to lower the source's highest volts.
        # On ac only the active current is sure to: watts over volts, whatever the power factor.
        lead_ohm = t.lead_ohm(voltage.cold_c) if not t.terminals else 0.0
        high_v = strayed.high_emf_v
        alone_a = t.watts / high_v if t.load == "power" else t.watts / t.volts
        high_v -= alone_a * (lead_ohm + source.internal_ohm) * worst.least_alone
        starts = all(
            (stated or 0.0) * job.rules.grown <= (allowed or math.inf)
            for stated, allowed in ((t.inrush_a, driver.start_a), (t.input_uf, driver.start_uf))
        )
        keeps = high_v <= high_limit - KEEP_V and min(budget[-1], low_budget[-1]) > 0
        serves.append(fits(t, driver) and starts and keeps)
    return Feed(
        model=model_idx,
        tap_v=tap_v,
        load_share=load_share,
        out_v=out_v,
        low_v=low_v,
        budget_v=tuple(budget),
        low_budget_v=tuple(low_budget),
        serves=tuple(serves),
        max_a=min(driver.max_outlet_a, job.rules.max_circuit_a, job.fuses.load_factor * (driver.breaker_a or math.inf))
        - KEEP_A,
        max_w=load_share * driver.max_load_w - KEEP_W,
        max_total_a=(load_share * driver.rated_a if len(driver.taps_v) > 1 or driver.kind == "wound" else math.inf),
        max_start=(driver.start_a or math.inf, driver.start_uf or math.inf),
        source_low_v=source.low_emf_v,
        emf_v=source.emf_v,
        internal_ohm=source.internal_ohm,
        limit_a=driver.current_limit_a,
        limit_mode=driver.mode,
        short_rms_a=driver.short_rms_a or math.inf,
        breaker_a=driver.breaker_a,
        price=driver.price,
        outlets=driver.outlets,
        terminal_cables=driver.terminal_cables,
        terminal_mm2=driver.terminal_mm2,
        mixes_groups=driver.independent_outlets,
        mixes_taps=driver.tap_per_outlet,
    )


def _leaves_more(feed: Feed, whole: Feed, t: int) -> bool:
    """Whether lamps of type t gain much by loading the driver less: where its sag eats what the window leaves."""
    mine, others = (min(f.budget_v[t], f.low_budget_v[t]) for f in (feed, whole))
    return mine > MUCH_MORE * max(others, 0.0)


def _palettes(cables: Sequence[CableFacts], max_gauges: int) -> list[tuple[int, ...]]:
    """Sets of just ``max_gauges`` cables (or all there are); of too many such sets ``MAX_PALETTES``, evenly spaced."""
    size = min(max_gauges, len(cables))
    order = sorted(range(len(cables)), key=lambda k: (cables[k].hot_ohm, cables[k].price_m))
    palettes = [tuple(sorted(combo)) for combo in itertools.combinations(order, size)]
    if len(palettes) > MAX_PALETTES:
        step = len(palettes) / MAX_PALETTES
        palettes = [palettes[int(i * step)] for i in range(MAX_PALETTES)]
    return palettes
