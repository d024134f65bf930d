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
from dataclasses import replace

import numpy as np

from ...ground import Ground
from ...job import Job
from ...problems import Obstacle
from ...survey.model import Survey
from ..bound import gather_loads, shortest_m
from ..facts import Facts, gather_facts
from .alone import looser_rules
from .each_lamp import too_far, too_heavy, unprotected, without_tap
from .sums import too_much


def obstacles_before(
    job: Job, survey: Survey, ground: Ground, num_drivers: int | None
) -> tuple[list[Obstacle], bool] | None:
    """
    What stands in the way of every layout, found without a search, and whether it is proven; None where nothing does.

    Holds however the ground is refined; the obstacles are then told with the figures of the ground as it is.
    """
    facts = _stated_facts(job, survey, ground)
    no_tap, _ = without_tap(job, survey, facts)
    if not no_tap and not _proofs(job, survey, _kindest(facts), _straight_m(job, survey), num_drivers):
        return None
    return _standing(job, survey, facts, shortest_m(facts), num_drivers)


def proven_obstacles(job: Job, survey: Survey, ground: Ground, num_drivers: int | None) -> list[Obstacle]:
    """What proves on this ground that no layout exists; empty where nothing does."""
    facts = _stated_facts(job, survey, ground)
    obstacles, proven = _standing(job, survey, facts, shortest_m(facts), num_drivers) or ([], False)
    return obstacles if proven else []


def _stated_facts(job: Job, survey: Survey, ground: Ground) -> Facts:
    return gather_facts(job.with_tolerance("off"), survey, ground.graph)  # what is proven is proven of stated data


def _standing(
    job: Job, survey: Survey, facts: Facts, way: np.ndarray, num_drivers: int | None
) -> tuple[list[Obstacle], bool] | None:
    """All that a search need not be asked about, and whether it is proven; None where nothing is in the way."""
    no_tap, may_be_one = without_tap(job, survey, facts)
    proofs = _proofs(job, survey, facts, way, num_drivers, sums=not no_tap)
    return ([*no_tap, *proofs], bool(proofs) or not may_be_one) if no_tap or proofs else None


def _proofs(
    job: Job, survey: Survey, facts: Facts, way: np.ndarray, num_drivers: int | None, *, sums: bool = True
) -> list[Obstacle]:
    """What no layout can pass whose ways are no shorter than these (S, N) metres; sums only where each lamp passes."""
    alone = [
        *too_far(job, survey, facts, way),
        *too_heavy(job, survey, facts, way),
        *unprotected(job, survey, facts, way),
    ]
    return alone if alone or not sums else too_much(job, survey, facts, gather_loads(facts, way), num_drivers)


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
    way = shortest_m(facts)
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
    if job.voltage.max_drop is not None:
        mends.append(f"a greater voltage.max_drop, which is {job.voltage.max_drop:g} %")
    mends.append("a thicker cable in the job's list, or a greater rules.max_gauges")
    mends.append("a supply point nearer to these lamps, or more drivers at the ones there are (max_drivers)")
    if min(facts.supply_mains_va) < math.inf:
        mends.append("a larger timer or dimmer (supplies.NAME.timer_a, supplies.NAME.dimmer_va)")
    if min(facts.supply_inrush_a) < math.inf:
        mends.append("a timer, relay or dimmer that switches a greater inrush (supplies.NAME.inrush_a)")
    return mends + looser_rules(job)


__all__ = ["find_obstacles", "obstacles_before", "proven_obstacles"]
