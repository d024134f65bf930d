"""What keeps one lamp from any layout: taps, distance, load, protection. In: Facts, shortest ways. Out: obstacles."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from ...conductors import ohm_per_m
from ...electrics.protection import protect
from ...electrics.sources import keeps_window, source_of
from ...job import Driver, Job, LampType
from ...matching import misfit
from ...problems import Obstacle
from ...survey.model import Survey
from ..bound import feed_watts
from ..facts import Facts
from .alone import (
    Alone,
    best_alone,
    cut_alone,
    lead_ohm,
    load_alone,
    looser_rules,
    nearest_first,
    spare_words,
    thickest_cable,
    volts_alone,
    warmer,
)

NEXT_SIZES = (2.5, 4.0, 6.0, 10.0, 16.0)
"""Conductors in mm² that a mend may ask for."""


@dataclass(frozen=True)
class _Loaded:
    """One lamp alone on the driver that it loads least, for what that may be loaded with."""

    load_w: float
    most_w: float
    route_m: float
    supply: int
    feed: int


def without_tap(job: Job, survey: Survey, facts: Facts) -> tuple[list[Obstacle], bool]:
    """Lamp types whose window no tap of a fitting driver meets, and whether a long cable might yet make one fit."""
    obstacles, may_be_one = [], False
    for name, lamp_type in job.lamps.items():
        lamps = [i for i, lamp in enumerate(survey.lamps) if lamp.type == name]
        if not lamps or facts.lamp_feeds[lamps[0]]:
            continue
        offers = [
            f"{model} at {tap:g} V gives {_span(driver, tap)}"
            for model, driver in job.drivers.items()
            if not misfit(lamp_type, driver)
            for tap in driver.taps_v
        ]
        low, high = lamp_type.window
        may_be_one |= any(
            _may_hold(job, lamp_type, driver, tap)
            for driver in job.drivers.values()
            if not misfit(lamp_type, driver)
            for tap in driver.taps_v
        )
        obstacles.append(
            Obstacle(
                f"lamp type {name} ({len(lamps)} lamps, the first {survey.lamps[lamps[0]].name}) may run from "
                f"{low:g} V to {high:g} V, and no tap keeps it inside",
                "; ".join(offers),
                [
                    f"a driver for {lamp_type.volts:g} V whose highest volts stay below {high:g} V and lowest above "
                    f"{low:g} V",
                    "the maker's real window for the lamp (window_v), if it is wider",
                ],
            )
        )
    return obstacles, may_be_one


def _may_hold(job: Job, lamp_type: LampType, driver: Driver, tap_v: float) -> bool:
    """Whether a cable could keep a lamp inside its window, and within a drop that counts from its nominal volts."""
    from_nominal = job.voltage.max_drop is not None and job.voltage.drop_from == "nominal"
    if from_nominal and source_of(driver, tap_v).emf_v < lamp_type.volts - job.drop_limit_v(lamp_type):
        return False
    return keeps_window(lamp_type, driver, tap_v)


def unprotected(job: Job, survey: Survey, facts: Facts, way: np.ndarray) -> list[Obstacle]:
    """Lamps whose circuit nothing would protect, even were it theirs alone, over the shortest way, on any cable."""
    reasons: dict[str, list[int]] = {}
    for lamp, surveyed in enumerate(survey.lamps):
        if not facts.lamp_feeds[lamp]:
            continue
        lamp_type = job.lamps[surveyed.type]
        leads = [] if lamp_type.terminals else [(lamp_type.lead_mm2, lamp_type.lead_rating)]
        lead = 0.0 if lamp_type.terminals else lamp_type.lead_ohm(job.voltage.fault_c)
        why: dict[str, str] = {}
        for feed_idx in facts.lamp_feeds[lamp]:
            feed = facts.feeds[feed_idx]
            name = list(job.drivers)[feed.model]
            driver = job.drivers[name]
            source = source_of(driver, feed.tap_v)
            # The least it can draw: constant power at the most volts, resistance at the least.
            volts = lamp_type.window[0] if lamp_type.load == "resistance" else source.emf_v
            amps = facts.lamp_amps(lamp, volts, facts.feed_ac[feed_idx])
            for cable in sorted(job.cables.values(), key=lambda c: -c.area_mm2):
                ohm = cable.loop_ohm_per_m(job.voltage.fault_c) * min(
                    cut_alone(facts, supply, float(way[supply, lamp])) for supply in range(len(way))
                )
                with np.errstate(divide="ignore"):
                    short = float(np.float64(source.low_emf_v) / (source.internal_ohm + ohm + lead))
                if driver.mode == "hold":
                    short = min(short, driver.current_limit_a)
                carried_a = cable.rating * cable.derating(job.rules.ground_c)
                guard = protect(driver, amps, [carried_a], [short], leads, job.fuses)
                if guard.ok:
                    break
                why.setdefault(name, f"{name}: {guard.why_not}")
            else:
                continue
            break
        else:
            reasons.setdefault("; ".join(why.values()), []).append(lamp)
    obstacles = []
    for reason, lamps in reasons.items():
        names = ", ".join(survey.lamps[lamp].name for lamp in lamps[:8])
        more = f" and {len(lamps) - 8} more" if len(lamps) > 8 else ""
        obstacles.append(
            Obstacle(
                f"nothing in the job protects a circuit of lamp{'s' if len(lamps) > 1 else ''} {names}{more}",
                f"Even alone, over the shortest way: {reason}.",
                [
                    "a driver whose limit_a is no more than what its cables and leads carry",
                    "a driver that gives up into a short (limit_mode hiccup, foldback or latch, with short_rms_a)",
                    "a smaller fuse (fuses.ratings_a), or a thicker cable",
                ],
            )
        )
    return obstacles


def _span(driver: Driver, tap_v: float) -> str:
    source = source_of(driver, tap_v)
    return f"{source.low_emf_v:.2f} V to {source.high_emf_v:.2f} V"


def too_far(job: Job, survey: Survey, facts: Facts, way: np.ndarray) -> list[Obstacle]:
    """Lamps outside their limits even alone."""
    obstacles = []
    for lamp, surveyed in enumerate(survey.lamps):
        if not facts.lamp_feeds[lamp]:
            continue
        alone = best_alone(job, survey, facts, lamp, way[:, lamp])
        if alone is None or alone.short_by <= 0:
            continue
        lamp_type = job.lamps[surveyed.type]
        cable = list(job.cables.values())[alone.cable]
        need = alone.volts + alone.short_by
        model = list(job.drivers)[facts.feeds[alone.feed].model]
        volts = (
            f"would get {alone.volts:.2f} V and needs {need:.2f} V"
            if alone.volts > 0
            else "would get no stable voltage at all"
        )
        obstacles.append(
            Obstacle(
                f"lamp {surveyed.name} {volts}",
                f"Even alone on {model} at {facts.feeds[alone.feed].tap_v:g} V, on the thickest cable the job lists "
                f"({cable.size}), over the shortest way ({alone.route_m:.1f} m from "
                f"{survey.supplies[alone.supply].name}){spare_words(job)}.",
                _mends_far(job, facts, lamp_type, alone),
            )
        )
    obstacles.sort(key=lambda o: o.what)
    return obstacles


def _mends_far(job: Job, facts: Facts, lamp_type: LampType, alone: Alone) -> list[str]:
    """What removes the obstacle of one lamp, each computed by the same closed form."""
    feed = facts.feeds[alone.feed]
    lead = lead_ohm(job, facts, lamp_type)
    mends = []
    lo, hi = 0.0, alone.route_m
    ohm_m = facts.cables[alone.cable].hot_ohm

    def holds(route_m: float, per_m: float) -> tuple[bool, float]:
        ohm = per_m * cut_alone(facts, alone.supply, route_m) + lead
        volts, floor = volts_alone(job, facts, lamp_type, feed, alone.feed, ohm)
        return volts >= floor, volts

    if holds(0.0, ohm_m)[0]:
        for _ in range(40):
            middle = (lo + hi) / 2
            lo, hi = (middle, hi) if holds(middle, ohm_m)[0] else (lo, middle)
        mends.append(f"a supply point within {math.floor(lo * 10) / 10:.1f} m of digging")
    area = max(cable.area_mm2 for cable in facts.cables)
    for size in NEXT_SIZES:
        if size > area:
            good, volts = holds(alone.route_m, 2 * ohm_per_m(size) * warmer(job, facts))
            if good:
                mends.append(f"a {size:g} mm² cable in the job's list ({volts:.2f} V at the lamp)")
                break
    mends.append("a driver with a higher tap, if the lamp's window allows it")
    if job.voltage.max_drop is not None and alone.volts >= lamp_type.window[0]:
        mends.append("a greater voltage.max_drop")
    return mends + looser_rules(job)


def too_heavy(job: Job, survey: Survey, facts: Facts, way: np.ndarray) -> list[Obstacle]:
    """Lamps that with their least loss in cable and lead load every driver that leaves them their volts too much."""
    obstacles = []
    for lamp, surveyed in enumerate(survey.lamps):
        loaded = _least_loaded(job, survey, facts, lamp, way[:, lamp])
        if loaded is None:
            continue
        feed = facts.feeds[loaded.feed]
        model, driver = list(job.drivers.items())[feed.model]
        supply = survey.supplies[loaded.supply].name
        unit = "VA" if driver.ac else "W"
        cable = list(job.cables.values())[thickest_cable(facts)]
        own_w = feed_watts(facts, lamp, loaded.feed)
        derated = facts.supply_loading[loaded.supply]
        here = f", {100 * derated:g} % of that at {supply}" if derated < 1 else ""
        obstacles.append(
            Obstacle(
                f"lamp {surveyed.name} would load the {model} at {supply} with {loaded.load_w:.2f} {unit}, "
                f"{loaded.load_w - loaded.most_w:.2f} {unit} more than its loading limit of {loaded.most_w:g} {unit}",
                f"Even alone on it at {feed.tap_v:g} V, on the thickest cable the job lists ({cable.size}), over the "
                f"shortest way ({loaded.route_m:.1f} m): {own_w:.2f} {unit} for the lamp and "
                f"{loaded.load_w - own_w:.2f} {unit} lost in cable and lead{spare_words(job)}. The limit is "
                f"{100 * driver.max_load_w / driver.rated_w:g} % of {driver.rated_w:g} {unit}{here}. No other driver, "
                "tap or supply point that leaves the lamp its volts comes nearer.",
                _mends_heavy(job, survey, facts, lamp, loaded),
            )
        )
    return obstacles


def _least_loaded(job: Job, survey: Survey, facts: Facts, lamp: int, way_m: np.ndarray) -> _Loaded | None:
    """
    The driver and supply point at which a lamp alone, with its volts, is nearest to the loading limit that it breaks.

    None where it breaks none somewhere, or has its volts nowhere.
    """
    lamp_type = job.lamps[survey.lamps[lamp].type]
    ohm_m, lead = facts.cables[thickest_cable(facts)].hot_ohm, lead_ohm(job, facts, lamp_type)
    ways = nearest_first(facts, way_m)
    best: _Loaded | None = None
    for feed_idx in facts.lamp_feeds[lamp]:
        feed = facts.feeds[feed_idx]
        max_w = list(job.drivers.values())[feed.model].max_load_w
        for supply, route_m in ways:
            ohm = ohm_m * cut_alone(facts, supply, route_m) + lead
            volts, floor = volts_alone(job, facts, lamp_type, feed, feed_idx, ohm)
            load_w = load_alone(facts, lamp, feed_idx, ohm)
            if volts < floor or load_w is None:
                continue
            one = _Loaded(load_w, max_w * facts.supply_loading[supply], route_m, supply, feed_idx)
            if one.load_w <= one.most_w * (1 + 1e-9):
                return None
            if best is None or one.load_w / one.most_w < best.load_w / best.most_w:
                best = one
    return best


def _mends_heavy(job: Job, survey: Survey, facts: Facts, lamp: int, loaded: _Loaded) -> list[str]:
    """What removes the obstacle of one lamp too heavy for its driver, each computed by the same closed form."""
    lamp_type = job.lamps[survey.lamps[lamp].type]
    model, driver = list(job.drivers.items())[facts.feeds[loaded.feed].model]
    supply, derated = survey.supplies[loaded.supply].name, facts.supply_loading[loaded.supply]
    ohm_m, lead = facts.cables[thickest_cable(facts)].hot_ohm, lead_ohm(job, facts, lamp_type)
    unit = "VA" if driver.ac else "W"

    def load_w(route_m: float, per_m: float) -> float:
        """As laid: the cut rounded up to 0.1 m, and the 0.01 W that the search keeps inside the limit."""
        ohm = per_m * (cut_alone(facts, loaded.supply, route_m) + 0.1) + lead
        return (load_alone(facts, lamp, loaded.feed, ohm) or math.inf) + 0.02

    need_w = load_w(loaded.route_m, ohm_m)
    pct = 100 * driver.max_load_w / driver.rated_w
    mends = [
        f"a larger driver: at a loading limit of {pct:g} %, of {math.ceil(100 * need_w / (pct * derated))} {unit} or "
        "more (drivers.NAME.rated_w)"
    ]
    higher_pct = math.ceil(100 * need_w / (driver.rated_w * derated))
    if higher_pct <= 100:
        mends.append(
            f"a loading limit of {higher_pct} % or more for the {model} (drivers.NAME.loading_pct), if its "
            "maker allows it"
        )
    at_supply_pct = math.ceil(100 * need_w / driver.max_load_w)
    if derated < 1 and at_supply_pct <= 100:
        mends.append(f"less derating at {supply}: {at_supply_pct} % or more (supplies.NAME.loading_pct)")
    most_mm2 = min(driver.terminal_mm2, lamp_type.terminal_mm2 if lamp_type.terminals else math.inf)
    for size in NEXT_SIZES:
        if max(cable.area_mm2 for cable in facts.cables) < size <= most_mm2:
            with_it_w = load_w(loaded.route_m, 2 * ohm_per_m(size) * warmer(job, facts))
            if with_it_w <= loaded.most_w:
                mends.append(f"a {size:g} mm² cable in the job's list ({with_it_w:.2f} {unit} with it)")
                break
    if load_w(0.0, ohm_m) <= loaded.most_w:
        low, high = 0.0, loaded.route_m
        for _ in range(40):
            middle = (low + high) / 2
            low, high = (middle, high) if load_w(middle, ohm_m) <= loaded.most_w else (low, middle)
        mends.append(f"a supply point within {math.floor(low * 10) / 10:.1f} m of digging")
    if job.rules.growth:
        mends.append("less spare load (rules.growth)")
    return mends
