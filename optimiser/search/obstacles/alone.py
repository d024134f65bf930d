"""One lamp alone on a driver, in closed forms. In: Facts, a way in metres. Out: its volts, its load, its cable."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from ...electrics.sources import source_of
from ...job import Job, LampType
from ...survey.model import Survey
from ..bound import feed_watts
from ..facts import LOAD_POWER, Facts, Feed


@dataclass(frozen=True)
class Alone:
    """One lamp alone on its best feed."""

    volts: float
    short_by: float
    """How far below the lowest volts that window and drop allow; negative when it holds."""
    route_m: float
    supply: int
    feed: int
    cable: int


def best_alone(job: Job, survey: Survey, facts: Facts, lamp: int, way_m: np.ndarray) -> Alone | None:
    """A lamp alone on the feed that serves it best, by ways of (supplies,) metres; None where none leads to it."""
    lamp_type = job.lamps[survey.lamps[lamp].type]
    thickest = thickest_cable(facts)
    ways = nearest_first(facts, way_m)
    if not ways:
        return None
    supply, route = ways[0]  # the least resistance, whatever feeds it
    ohm = facts.cables[thickest].hot_ohm * cut_alone(facts, supply, route) + lead_ohm(job, facts, lamp_type)
    best: Alone | None = None
    for feed_idx in facts.lamp_feeds[lamp]:
        volts, floor = volts_alone(job, facts, lamp_type, facts.feeds[feed_idx], feed_idx, ohm)
        alone = Alone(volts, floor - volts, route, supply, feed_idx, thickest)
        if best is None or alone.short_by < best.short_by:
            best = alone
    return best


def nearest_first(facts: Facts, way_m: np.ndarray) -> list[tuple[int, float]]:
    """Supply points with their way to a lamp, the shortest cable first; those with no way left out."""
    ways = [(supply, route_m) for supply, route_m in enumerate(way_m.tolist()) if math.isfinite(route_m)]
    return sorted(ways, key=lambda way: cut_alone(facts, *way))


def cut_alone(facts: Facts, supply: int, route_m: float) -> float:
    """Metres of cable that a way takes at the least: slack and both ends, not rounded up."""
    return facts.slack * route_m + facts.supply_end_m[supply] + facts.joint_end_m


def lead_ohm(job: Job, facts: Facts, lamp_type: LampType) -> float:
    """Loop resistance of the made lead, hot, with an end of it and one of the cable in the joint, in ohm."""
    return 0.0 if lamp_type.terminals else lamp_type.lead_ohm(job.voltage.hot_c) + 2 * facts.end_ohm


def volts_alone(
    job: Job, facts: Facts, lamp_type: LampType, feed: Feed, feed_idx: int, ohm: float
) -> tuple[float, float]:
    """Volts of a lamp alone behind ``ohm`` at the case that binds it most, and the least volts allowed there."""
    low, _ = lamp_type.window
    cases = [(_source_alone(job, feed, lowest=True), low)]
    if job.voltage.max_drop is not None:
        out_v = _source_alone(job, feed, lowest=False)
        top = out_v if job.voltage.drop_from == "driver" else lamp_type.volts
        cases.append((out_v, top - job.drop_limit_v(lamp_type)))
    factor = lamp_type.factor if facts.feed_ac[feed_idx] and lamp_type.load != "resistance" else 1.0
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


def spare_words(job: Job) -> str:
    """What is said of spare load where the job asks for it."""
    return f", with the {job.rules.growth:g} % of spare load that rules.growth asks for" if job.rules.growth else ""


def looser_rules(job: Job) -> list[str]:
    """What the job asks for beyond the lamps' own need, as mends."""
    mends = ["less spare load (rules.growth)"] if job.rules.growth else []
    if job.tolerance.plan == "hold":
        mends.append('narrower tolerances ([tolerance]), or none held (tolerance.plan = "show")')
    return mends


def load_alone(facts: Facts, lamp: int, feed_idx: int, ohm: float) -> float | None:
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


def thickest_cable(facts: Facts) -> int:
    """The job's cable of least resistance."""
    return min(range(len(facts.cables)), key=lambda k: facts.cables[k].hot_ohm)


def warmer(job: Job, facts: Facts) -> float:
    """How many times its resistance at 20 °C the thickest cable has when hot."""
    thickest = thickest_cable(facts)
    return facts.cables[thickest].hot_ohm / list(job.cables.values())[thickest].loop_ohm_per_m(20.0)
