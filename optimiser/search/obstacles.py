"""Why no layout is feasible. In: Job, Survey, Ground. Out: obstacles, and whether they prove that there is none.

Each lamp is tried alone: the shortest way from each supply point, the thickest cable of the job, every tap. A lamp
that is outside its limits even so can be fed by no layout, since other lamps on the same cable only lower its
voltage, and any way is at least as long. What the lamp and its least loss load a driver with is held against the
driver's loading limit. Sums are tried likewise: the power all lamps need against what the supply points' drivers give,
the fewest drivers that can be, and whether anything in the job would protect the lamp's circuit. What these cannot
explain is reported as not found, not as impossible.

None of this needs a search. ``obstacles_before`` asks it first, with straight lines for ways: the ground may yet be
refined, and no way on any ground is shorter. What holds even so is told at once; the rest is asked again, with the
ways of the ground, only where a search found nothing.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from ..conductors import ohm_per_m
from ..electrics.protection import protect
from ..electrics.sources import keeps_window, source_of
from ..ground import Ground
from ..job import Driver, Job, LampType
from ..matching import misfit
from ..problems import Obstacle
from ..survey.model import Survey
from .bound import Cluster, Loads, driver_clusters, feed_watts, gather_loads
from .facts import LOAD_POWER, Facts, Feed, gather_facts

NEXT_SIZES = (2.5, 4.0, 6.0, 10.0, 16.0)


@dataclass(frozen=True)
class _Alone:
    """One lamp alone on its best feed."""

    volts: float
    short_by: float
    """How far below the lowest volts that window and drop allow; negative when it holds."""
    route_m: float
    supply: int
    feed: int
    cable: int


@dataclass(frozen=True)
class _Loaded:
    """One lamp alone on the driver that it loads least, for what that may be loaded with."""

    load_w: float
    most_w: float
    route_m: float
    supply: int
    feed: int


def obstacles_before(
    job: Job, survey: Survey, ground: Ground, num_drivers: int | None
) -> tuple[list[Obstacle], bool] | None:
    """
    What stands in the way of every layout, found without a search, and whether it is proven; None where nothing does.

    Holds however the ground is refined; the obstacles are then told with the figures of the ground as it is.
    """
    facts = _stated_facts(job, survey, ground)
    no_tap, _ = _no_tap(job, survey, facts)
    if not no_tap and not _proofs(job, survey, _kindest(facts), _straight_m(job, survey), num_drivers):
        return None
    return _standing(job, survey, facts, _shortest_m(ground), num_drivers)


def proven_obstacles(job: Job, survey: Survey, ground: Ground, num_drivers: int | None) -> list[Obstacle]:
    """What proves on this ground that no layout exists; empty where nothing does."""
    facts = _stated_facts(job, survey, ground)
    obstacles, proven = _standing(job, survey, facts, _shortest_m(ground), num_drivers) or ([], False)
    return obstacles if proven else []


def _stated_facts(job: Job, survey: Survey, ground: Ground) -> Facts:
    return gather_facts(job.with_tolerance("off"), survey, ground.graph)  # what is proven is proven of stated data


def _standing(
    job: Job, survey: Survey, facts: Facts, way: np.ndarray, num_drivers: int | None
) -> tuple[list[Obstacle], bool] | None:
    """All that a search need not be asked about, and whether it is proven; None where nothing is in the way."""
    no_tap, may_be_one = _no_tap(job, survey, facts)
    proofs = _proofs(job, survey, facts, way, num_drivers, sums=not no_tap)
    return ([*no_tap, *proofs], bool(proofs) or not may_be_one) if no_tap or proofs else None


def _proofs(
    job: Job, survey: Survey, facts: Facts, way: np.ndarray, num_drivers: int | None, *, sums: bool = True
) -> list[Obstacle]:
    """What no layout can pass whose ways are no shorter than these (S, N) metres; sums only where each lamp passes."""
    alone = [
        *_too_far(job, survey, facts, way),
        *_too_heavy(job, survey, facts, way),
        *_unprotected(job, survey, facts, way),
    ]
    return alone if alone or not sums else _too_much(job, survey, facts, gather_loads(facts, way), num_drivers)


def _kindest(facts: Facts) -> Facts:
    """The facts with no more resistance than any layout has: a lamp on an uncut run is without cable end and kit."""
    cables = [replace(cable, hot_ohm=min(cable.hot_ohm, cable.sun_ohm)) for cable in facts.cables]
    return replace(facts, cables=cables, joint_end_m=0.0, end_ohm=facts.end_ohm / 2)


def _straight_m(job: Job, survey: Survey) -> np.ndarray:
    """(supplies, lamps) distance in a straight line from each supply point to where each lamp's lead ends, in m."""
    from scipy.spatial.distance import cdist

    types = [job.lamps[lamp.type] for lamp in survey.lamps]
    leads_m = np.array([0.0 if t.terminals else t.lead_m + job.joints.extension_m for t in types])
    supplies, lamps = ([point.place[:2] for point in points] for points in (survey.supplies, survey.lamps))
    straight: np.ndarray = np.maximum(cdist(supplies, lamps) - leads_m, 0.0)
    return straight


def find_obstacles(
    job: Job, survey: Survey, ground: Ground, num_drivers: int | None, missing: frozenset[int]
) -> tuple[list[Obstacle], bool]:
    """
    What stands in the way after a search that found nothing, and whether it is proven that no layout exists.

    Parameters
    ----------
    num_drivers
        How many drivers were asked for, if any number was.
    missing
        Lamps that the best layout found left out.
    """
    facts = _stated_facts(job, survey, ground)
    way = _shortest_m(ground)
    standing = _standing(job, survey, facts, way, num_drivers)
    if standing is not None:
        return standing
    names = ", ".join(survey.lamps[lamp].name for lamp in sorted(missing)[:8])
    more = f" and {len(missing) - 8} more" if len(missing) > 8 else ""
    out = f"; left out at the end: {names}{more}" if names else "; with all of them fed, some limit broke each time"
    nearest_m = way.min(axis=0)
    far = int(np.argmax(nearest_m))
    asked = "" if num_drivers is None else f" with exactly {num_drivers} {'driver' if num_drivers == 1 else 'drivers'}"
    return [
        Obstacle(
            f"no layout was found{asked} that feeds everything{out}",
            "Each lamp alone gets its volts and can be protected, so this is not proven impossible. Farthest from its "
            f"nearest supply point is {survey.lamps[far].name}: {nearest_m[far]:.0f} m of cable along the ground.",
            _loosen(job, facts, num_drivers),
        )
    ], False


def _loosen(job: Job, facts: Facts, num_drivers: int | None) -> list[str]:
    mends = ["more effort (--effort 4)"]
    if num_drivers is not None:
        mends.append("another number of drivers, or none stated")
    mends.append("a thicker cable in the job's list, or a greater rules.max_gauges")
    mends.append("a supply point nearer to these lamps, or more drivers at the ones there are (max_drivers)")
    if min(facts.supply_mains_va) < math.inf:
        mends.append("a larger timer or dimmer (supplies.NAME.timer_a, supplies.NAME.dimmer_va)")
    if min(facts.supply_inrush_a) < math.inf:
        mends.append("a timer, relay or dimmer that switches a greater inrush (supplies.NAME.inrush_a)")
    if job.rules.growth:
        mends.append("less spare load (rules.growth)")
    if job.tolerance.plan == "hold":
        mends.append('narrower tolerances ([tolerance]), or none held (tolerance.plan = "show")')
    return mends


def _no_tap(job: Job, survey: Survey, facts: Facts) -> tuple[list[Obstacle], bool]:
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


def _unprotected(job: Job, survey: Survey, facts: Facts, way: np.ndarray) -> list[Obstacle]:
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
                    _cut(facts, supply, float(way[supply, lamp])) for supply in range(len(way))
                )
                with np.errstate(divide="ignore"):
                    short = float(np.float64(source.low_emf_v) / (source.internal_ohm + ohm + lead))
                if driver.mode == "hold":
                    short = min(short, driver.current_limit_a)
                carried_a = cable.rating * cable.derating(job.rules.ground_c)
                guard = protect(driver, feed.tap_v, amps, [carried_a], [short], leads, job.fuses)
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


def _shortest_m(ground: Ground) -> np.ndarray:
    """(supplies, lamps) length of the shortest way from each supply point to any joint place of each lamp, in m."""
    from scipy.sparse import coo_matrix
    from scipy.sparse.csgraph import dijkstra

    graph = ground.graph
    u, v = graph.ends.T
    matrix = coo_matrix((np.maximum(graph.length_m, 1e-9), (u, v)), shape=(graph.num_nodes,) * 2).tocsr()
    dist = dijkstra(matrix, directed=False, indices=graph.supply_node)
    best = np.full((len(graph.supply_node), graph.num_lamps), np.inf)
    for arc in graph.leads:
        best[:, arc.lamp] = np.minimum(best[:, arc.lamp], dist[:, arc.node])
    return best


def _alone(job: Job, survey: Survey, facts: Facts, lamp: int, way_m: np.ndarray) -> _Alone | None:
    lamp_type = job.lamps[survey.lamps[lamp].type]
    thickest = _thickest(facts)
    ways = _nearest_first(facts, way_m)
    if not ways:
        return None
    supply, route = ways[0]  # the least resistance, whatever feeds it
    ohm = facts.cables[thickest].hot_ohm * _cut(facts, supply, route) + _lead_ohm(job, facts, lamp_type)
    best: _Alone | None = None
    for feed_idx in facts.lamp_feeds[lamp]:
        volts, floor = _volts_alone(job, facts, lamp_type, facts.feeds[feed_idx], feed_idx, ohm)
        alone = _Alone(volts, floor - volts, route, supply, feed_idx, thickest)
        if best is None or alone.short_by < best.short_by:
            best = alone
    return best


def _nearest_first(facts: Facts, way_m: np.ndarray) -> list[tuple[int, float]]:
    """Supply points with their way to a lamp, the shortest cable first; those with no way left out."""
    ways = [(supply, route_m) for supply, route_m in enumerate(way_m.tolist()) if math.isfinite(route_m)]
    return sorted(ways, key=lambda way: _cut(facts, *way))


def _cut(facts: Facts, supply: int, route_m: float) -> float:
    return facts.slack * route_m + facts.supply_end_m[supply] + facts.joint_end_m


def _lead_ohm(job: Job, facts: Facts, lamp_type: LampType) -> float:
    return 0.0 if lamp_type.terminals else lamp_type.lead_ohm(job.voltage.hot_c) + 2 * facts.end_ohm


def _volts_alone(
    job: Job, facts: Facts, lamp_type: LampType, feed: Feed, feed_idx: int, ohm: float
) -> tuple[float, float]:
    """Volts of a lamp alone behind ``ohm`` at the case that binds it most, and the least volts allowed there."""
    low, _ = lamp_type.window
    cases = [(_source_alone(job, feed, lowest=True), low)]
    if job.voltage.max_drop is not None:
        out_v = _source_alone(job, feed, lowest=False)
        top = out_v if job.voltage.drop_from == "driver" else lamp_type.volts
        cases.append((out_v, top - job.drop_limit_v(lamp_type)))
    factor = lamp_type.factor if facts.feed_ac[feed_idx] and lamp_type.load == "power" else 1.0
    found = []
    for source_v, floor in cases:
        watts = lamp_type.watts * job.rules.grown / factor
        if lamp_type.load == "power":
            inside = source_v**2 - 4 * ohm * watts
            volts = (source_v + math.sqrt(inside)) / 2 if inside >= 0 else 0.0
        elif lamp_type.load == "current":
            volts = source_v - ohm * watts / lamp_type.volts
        else:
            volts = source_v / (1 + ohm * watts / lamp_type.volts**2)
        found.append((volts, floor))
    return max(found, key=lambda f: f[1] - f[0])


def _source_alone(job: Job, feed: Feed, *, lowest: bool) -> float:
    """Most volts this feed can hold at its terminals with next to no load, at its lowest or as stated."""
    source = source_of(list(job.drivers.values())[feed.model], feed.tap_v)
    return source.low_emf_v if lowest else source.emf_v


def _too_far(job: Job, survey: Survey, facts: Facts, way: np.ndarray) -> list[Obstacle]:
    """Lamps outside their limits even alone."""
    obstacles = []
    for lamp, surveyed in enumerate(survey.lamps):
        if not facts.lamp_feeds[lamp]:
            continue
        alone = _alone(job, survey, facts, lamp, way[:, lamp])
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
                f"{survey.supplies[alone.supply].name}){_spare(job)}.",
                _mends_far(job, facts, lamp_type, alone),
            )
        )
    obstacles.sort(key=lambda o: o.what)
    return obstacles


def _mends_far(job: Job, facts: Facts, lamp_type: LampType, alone: _Alone) -> list[str]:
    """What removes the obstacle of one lamp, each computed by the same closed form."""
    feed = facts.feeds[alone.feed]
    lead = _lead_ohm(job, facts, lamp_type)
    mends = []
    lo, hi = 0.0, alone.route_m
    ohm_m = facts.cables[alone.cable].hot_ohm

    def holds(route_m: float, per_m: float) -> tuple[bool, float]:
        ohm = per_m * _cut(facts, alone.supply, route_m) + lead
        volts, floor = _volts_alone(job, facts, lamp_type, feed, alone.feed, ohm)
        return volts >= floor, volts

    if holds(0.0, ohm_m)[0]:
        for _ in range(40):
            middle = (lo + hi) / 2
            lo, hi = (middle, hi) if holds(middle, ohm_m)[0] else (lo, middle)
        mends.append(f"a supply point within {math.floor(lo * 10) / 10:.1f} m of digging")
    area = max(cable.area_mm2 for cable in facts.cables)
    for size in NEXT_SIZES:
        if size > area:
            good, volts = holds(alone.route_m, 2 * ohm_per_m(size) * _warmer(job, facts))
            if good:
                mends.append(f"a {size:g} mm² cable in the job's list ({volts:.2f} V at the lamp)")
                break
    mends.append("a driver with a higher tap, if the lamp's window allows it")
    if job.voltage.max_drop is not None and alone.volts >= lamp_type.window[0]:
        mends.append("a greater voltage.max_drop")
    if job.rules.growth:
        mends.append("less spare load (rules.growth)")
    if job.tolerance.plan == "hold":
        mends.append('narrower tolerances ([tolerance]), or none held (tolerance.plan = "show")')
    return mends


def _spare(job: Job) -> str:
    return f", with the {job.rules.growth:g} % of spare load that rules.growth asks for" if job.rules.growth else ""


def _too_heavy(job: Job, survey: Survey, facts: Facts, way: np.ndarray) -> list[Obstacle]:
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
        cable = list(job.cables.values())[_thickest(facts)]
        own_w = feed_watts(facts, lamp, loaded.feed)
        derated = facts.supply_loading[loaded.supply]
        here = f", {100 * derated:g} % of that at {supply}" if derated < 1 else ""
        obstacles.append(
            Obstacle(
                f"lamp {surveyed.name} would load the {model} at {supply} with {loaded.load_w:.2f} {unit}, "
                f"{loaded.load_w - loaded.most_w:.2f} {unit} more than its loading limit of {loaded.most_w:g} {unit}",
                f"Even alone on it at {feed.tap_v:g} V, on the thickest cable the job lists ({cable.size}), over the "
                f"shortest way ({loaded.route_m:.1f} m): {own_w:.2f} {unit} for the lamp and "
                f"{loaded.load_w - own_w:.2f} {unit} lost in cable and lead{_spare(job)}. The limit is "
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
    ohm_m, lead = facts.cables[_thickest(facts)].hot_ohm, _lead_ohm(job, facts, lamp_type)
    ways = _nearest_first(facts, way_m)
    best: _Loaded | None = None
    for feed_idx in facts.lamp_feeds[lamp]:
        feed = facts.feeds[feed_idx]
        max_w = list(job.drivers.values())[feed.model].max_load_w
        for supply, route_m in ways:
            ohm = ohm_m * _cut(facts, supply, route_m) + lead
            volts, floor = _volts_alone(job, facts, lamp_type, feed, feed_idx, ohm)
            load_w = _load_alone(facts, lamp, feed_idx, ohm)
            if volts < floor or load_w is None:
                continue
            one = _Loaded(load_w, max_w * facts.supply_loading[supply], route_m, supply, feed_idx)
            if one.load_w <= one.most_w * (1 + 1e-9):
                return None
            if best is None or one.load_w / one.most_w < best.load_w / best.most_w:
                best = one
    return best


def _load_alone(facts: Facts, lamp: int, feed_idx: int, ohm: float) -> float | None:
    """
    What a lamp alone behind so many ohm loads its driver with, in W or VA; None where it has no stable voltage.

    With a constant power, what others on the driver draw only lowers its volts, so that it draws and loses more. Of
    other loads the least that they draw is taken, whatever the cable.
    """
    watts, feed = feed_watts(facts, lamp, feed_idx), facts.feeds[feed_idx]
    if facts.type_load[facts.lamp_type[lamp]] != LOAD_POWER:
        return watts
    all_ohm = ohm + feed.internal_ohm
    inside = feed.emf_v**2 - 4 * all_ohm * watts
    if inside < 0:
        return None
    amps = 2 * watts / (feed.emf_v + math.sqrt(inside))
    return watts + ohm * amps**2


def _thickest(facts: Facts) -> int:
    return min(range(len(facts.cables)), key=lambda k: facts.cables[k].hot_ohm)


def _warmer(job: Job, facts: Facts) -> float:
    """How many times its resistance at 20 °C the thickest cable has when hot."""
    thickest = _thickest(facts)
    return facts.cables[thickest].hot_ohm / list(job.cables.values())[thickest].loop_ohm_per_m(20.0)


def _mends_heavy(job: Job, survey: Survey, facts: Facts, lamp: int, loaded: _Loaded) -> list[str]:
    """What removes the obstacle of one lamp too heavy for its driver, each computed by the same closed form."""
    lamp_type = job.lamps[survey.lamps[lamp].type]
    model, driver = list(job.drivers.items())[facts.feeds[loaded.feed].model]
    supply, derated = survey.supplies[loaded.supply].name, facts.supply_loading[loaded.supply]
    ohm_m, lead = facts.cables[_thickest(facts)].hot_ohm, _lead_ohm(job, facts, lamp_type)
    unit = "VA" if driver.ac else "W"

    def load_w(route_m: float, per_m: float) -> float:
        """As laid: the cut rounded up to 0.1 m, and the 0.01 W that the search keeps inside the limit."""
        ohm = per_m * (_cut(facts, loaded.supply, route_m) + 0.1) + lead
        return (_load_alone(facts, lamp, loaded.feed, ohm) or math.inf) + 0.02

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
            with_it_w = load_w(loaded.route_m, 2 * ohm_per_m(size) * _warmer(job, facts))
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


def _too_much(job: Job, survey: Survey, facts: Facts, loads: Loads, num_drivers: int | None) -> list[Obstacle]:
    """More power than all drivers together may give, or a number of drivers that cannot be."""
    need = float(loads.watts[np.isfinite(loads.watts)].sum())
    best = max((model.max_w for model in loads.models.values()), default=0.0)
    places = [
        best * facts.supply_loading[s] for s in range(len(survey.supplies)) for _ in range(_most_drivers(facts, s))
    ]
    places.sort(reverse=True)
    give = sum(places if num_drivers is None else places[:num_drivers])
    obstacles = []
    if num_drivers is not None and num_drivers > len(places):
        obstacles.append(
            Obstacle(
                f"{num_drivers} drivers were asked for and the supply points take {len(places)}",
                "",
                ["fewer drivers", "more drivers at a supply point (supplies.NAME.max_drivers)"],
            )
        )
    if num_drivers is not None and num_drivers > facts.num_lamps:
        obstacles.append(
            Obstacle(
                f"{num_drivers} drivers were asked for and there are {facts.num_lamps} lamps", "", ["fewer drivers"]
            )
        )
    obstacles += _too_few_drivers(job, survey, facts, loads, len(places), num_drivers)
    if need > give and not obstacles:
        how_many = (
            f"{num_drivers} drivers" if num_drivers is not None else f"{len(places)} drivers the supply points take"
        )
        how_many = "one driver" if num_drivers == 1 else how_many
        spare = f" with {job.rules.growth:g} % spare load" if job.rules.growth else ""
        obstacles.append(
            Obstacle(
                f"the lamps need {need:.0f} W{spare} and {how_many} may be loaded with {give:.0f} W at most",
                f"The largest fitting driver may carry {best:.0f} W.",
                [
                    "more drivers"
                    if num_drivers is not None
                    else "more drivers at a supply point (supplies.NAME.max_drivers)",
                    "a larger driver in the job's list",
                    "another supply point",
                ],
            )
        )
    return obstacles + _too_much_mains(facts)


def _too_few_drivers(
    job: Job, survey: Survey, facts: Facts, loads: Loads, places: int, num_drivers: int | None
) -> list[Obstacle]:
    """More drivers needed than asked for, or than the supply points take: which lamps want them, and why."""
    clusters = driver_clusters(facts, loads)
    fewest = sum(cluster.fewest(facts, loads) for cluster in clusters)
    allowed = places if num_drivers is None else min(num_drivers, places)
    if fewest <= allowed:
        return []
    if num_drivers is not None and fewest > num_drivers:
        asked = f"{num_drivers} driver{'s were' if num_drivers > 1 else ' was'} asked for"
        room = "" if fewest <= places else ", and room for them (supplies.NAME.max_drivers, or another supply point)"
        mends = [f"at least {fewest} drivers{room}"]
    else:
        asked = f"the supply points take {places}"
        mends = [*_mends_places(job, survey, facts), "another supply point"]
    mends += _mends_clusters(job, facts, loads, clusters, allowed)
    return [
        Obstacle(
            f"the lamps need at least {fewest} drivers and {asked}",
            _why_so_many(job, survey, facts, loads, clusters),
            mends,
        )
    ]


def _mends_places(job: Job, survey: Survey, facts: Facts) -> list[str]:
    """What lets a supply point take more drivers: whichever limit binds there."""
    by_inrush = [_most_drivers(facts, s) < facts.supply_max_drivers[s] for s in range(len(survey.supplies))]
    mends = [] if all(by_inrush) else ["more drivers at a supply point (supplies.NAME.max_drivers)"]
    if any(by_inrush):
        mends.append("a timer, relay or dimmer that switches a greater inrush (supplies.NAME.inrush_a)")
    return mends


def _why_so_many(job: Job, survey: Survey, facts: Facts, loads: Loads, clusters: list[Cluster]) -> str:
    """Dim groups, volts or load: sentences about whichever makes the drivers more than one."""
    groups = sorted({cluster.group for cluster in clusters})
    kinds = list(dict.fromkeys(_kind(job, cluster, clusters) for cluster in clusters))
    says = []
    if len(groups) > 1:
        says.append(
            f"No driver of the job serves several dim groups at once (independent_outlets), so each of "
            f"{_listed([_group(group) for group in groups])} wants a driver of its own"
        )
    if len(kinds) > 1:
        says.append(f"Lamps on {_listed(kinds)} share no driver")
    heavy = [cluster for cluster in clusters if cluster.fewest(facts, loads) > 1]
    says += [
        f"{_who(job, survey, cluster, clusters)} load drivers with {_watts(cluster.watts)} at least{_spare(job)}, and "
        f"none that fits may be loaded with more than {_watts(cluster.most_w(facts, loads))}: "
        f"{cluster.fewest(facts, loads)} drivers"
        for cluster in heavy
    ]
    if not heavy and len(kinds) == 1:
        total_w, most_w = sum(c.watts for c in clusters), max(c.most_w(facts, loads) for c in clusters)
        if total_w <= most_w:
            says.append(
                f"The load is not the reason: all lamps together need {_watts(total_w)}, and one driver may be loaded "
                f"with {_watts(most_w)}"
            )
    return ". ".join(says) + "."


def _mends_clusters(job: Job, facts: Facts, loads: Loads, clusters: list[Cluster], allowed: int) -> list[str]:
    """Changes of groups, drivers and lamps after which so many drivers could do, each counted anew."""
    groups = sorted({cluster.group for cluster in clusters})
    merged = driver_clusters(facts, loads, mixed=True)
    fewer = f"one dim group instead of {len(groups)}" if allowed == 1 else "fewer dim groups"
    mixing = "a driver whose outlets are independent (drivers.NAME.independent_outlets), with one for each dim group"
    mends = []
    if len(groups) > 1 and sum(cluster.fewest(facts, loads) for cluster in merged) <= allowed:
        mends += [fewer, mixing]
    larger_w = _larger_driver_w(facts, loads, clusters, allowed)
    if larger_w is not None:
        heavy = {_kind(job, cluster, clusters) for cluster in clusters if cluster.fewest(facts, loads) > 1}
        larger = "a larger driver: one" if len(heavy) == 1 else f"a larger driver each on {_listed(sorted(heavy))}: one"
        mends.append(f"{larger} that may be loaded with {_watts(larger_w)} or more (rated_w, loading_pct)")
    if not mends and len(groups) > 1:
        larger_w = _larger_driver_w(facts, loads, merged, allowed)
        if larger_w is not None:
            mends.append(
                f"{fewer}, or independent outlets, and with them a driver that may be loaded with {_watts(larger_w)} "
                "or more"
            )
    kinds = list(dict.fromkeys(_kind(job, cluster, clusters) for cluster in clusters))
    if len(kinds) > 1 and len(groups) <= allowed < len(clusters):
        mends.append("lamps of one voltage, all dc or all ac, and a driver that carries them")
    return mends


def _larger_driver_w(facts: Facts, loads: Loads, clusters: list[Cluster], allowed: int) -> float | None:
    """The least that the job's largest driver must be good for, that so many do; None where none is large enough."""
    for least_w in sorted({c.watts / n for c in clusters for n in range(1, c.fewest(facts, loads) + 1)}):
        up_w = math.ceil(least_w * 10) / 10
        if sum(cluster.fewest(facts, loads, up_w) for cluster in clusters) <= allowed:
            return up_w
    return None


def _kind(job: Job, cluster: Cluster, clusters: list[Cluster]) -> str:
    """Volts and current of a cluster's drivers, or their names where another's lamps have the same."""

    def volts(one: Cluster) -> str:
        drivers = [list(job.drivers.values())[model] for model in sorted(one.models)]
        return " and ".join(dict.fromkeys(f"{d.nominal_v:g} V {'ac' if d.ac else 'dc'}" for d in drivers))

    said = volts(cluster)
    if any(volts(other) == said and other.models != cluster.models for other in clusters):
        return "driver " + " or ".join(list(job.drivers)[model] for model in sorted(cluster.models))
    return said


def _who(job: Job, survey: Survey, cluster: Cluster, clusters: list[Cluster]) -> str:
    """The lamps of one cluster, as far as need be to tell them from others'."""
    if len(clusters) == 1:
        return "The lamps"
    names = ", ".join(survey.lamps[lamp].name for lamp in cluster.lamps[:8])
    more = f" and {len(cluster.lamps) - 8} more" if len(cluster.lamps) > 8 else ""
    apart = [_group(cluster.group)] if len({c.group for c in clusters}) > 1 else []
    if len({_kind(job, c, clusters) for c in clusters}) > 1:
        apart.append(_kind(job, cluster, clusters))
    return f"Lamps {names}{more} ({', '.join(apart)})"


def _group(name: str) -> str:
    return f"'{name}'" if name else "the lamps without a group"


def _listed(words: list[str]) -> str:
    return " and ".join([", ".join(words[:-1]), words[-1]]) if len(words) > 1 else words[0]


def _watts(watts: float) -> str:
    return f"{round(watts, 1):g} W"


def _most_drivers(facts: Facts, supply: int) -> int:
    """Drivers that a supply point takes, and that its timer, relay or dimmer switches on at once."""
    least_a = min(facts.model_inrush_a.values(), default=0.0)
    most = facts.supply_max_drivers[supply]
    if least_a > 0 and facts.supply_inrush_a[supply] < math.inf:
        most = min(most, math.floor(facts.supply_inrush_a[supply] / least_a + 1e-9))
    return most


def _too_much_mains(facts: Facts) -> list[Obstacle]:
    """More apparent power than the timers and dimmers of all supply points take."""
    need_va = sum(
        min(feed_watts(facts, lamp, f) * facts.feed_mains[f] for f in facts.lamp_feeds[lamp])
        for lamp in range(facts.num_lamps)
        if facts.lamp_feeds[lamp]
    )
    give_va = sum(facts.supply_mains_va)
    if need_va <= give_va:
        return []
    return [
        Obstacle(
            f"the lamps need {need_va:.0f} VA of the mains and the timers and dimmers of all supply points take "
            f"{give_va:.0f} VA",
            "Efficiency and power factor of the drivers' inputs are counted.",
            [
                "a larger timer or dimmer (supplies.NAME.timer_a, supplies.NAME.dimmer_va)",
                "drivers with a better efficiency_pct or input_power_factor",
                "another supply point",
            ],
        )
    ]
