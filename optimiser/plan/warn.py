"""What the reader must be warned of. In: Job, Survey, layout's facts. Out: sentences."""

from __future__ import annotations

import math
from collections.abc import Sequence

from shapely import LineString

from ..ground.standing import Standing, deep_in_no_dig
from ..job import Job
from ..running import count_nights
from ..search.layout import Layout
from ..survey.model import Lamp, Survey
from .digging import Dug
from .starting import mains_inrush_a, start_of
from .wiring import WiredDriver

COVER_MM = 150
"""Shallowest trench that needs no word (common practice, no source)."""
NAMED = 8
"""Most lamps named in one sentence."""
HEAVY_PCT = 70
"""Load above which an unstated start current is worth a word."""


def warnings(job: Job, survey: Survey, layout: Layout, dug: Sequence[Dug], wired: Sequence[WiredDriver]) -> list[str]:
    """Sentences, the gravest first."""
    found = _lamps_where_nothing_is_dug(job, survey)
    models = list(job.drivers)
    for use, driver in zip(layout.drivers, wired, strict=True):
        name = models[use.model]
        model = job.drivers[name]
        load_pct = 100 * driver.load_va / model.rated_w
        place = survey.supplies[use.supply].name
        if load_pct > HEAVY_PCT and not start_of(model, driver).is_stated:
            found.append(
                f"The {name} at {place} runs at {load_pct:.0f} % of its rating and the start current of its lamps is "
                "not stated: make sure that it starts them."
            )
        if said := model.limit_assumed(name):
            found.append(said)
    found += _starts(job, survey, layout, wired)
    root_m = sum(t.length_m for t in dug if job.grounds.get(t.ground) and job.grounds[t.ground].kind == "root")
    if root_m > 0:
        found.append(
            f"{root_m:.1f} m of trench lie in root ground: dig by hand or lay under mulch, and cut no root over 25 mm."
        )
    shallow = sum(
        t.length_m
        for t in dug
        if t.sleeve < 0 and t.depth_mm < COVER_MM and job.grounds[t.ground].kind not in ("root", "mulch")
    )
    if shallow > 0:
        found.append(f"{shallow:.1f} m of trench are shallower than {COVER_MM} mm: protect the cable there.")
    for line in survey.mains:
        mains = LineString([place[:2] for place in line.route])
        crossings = sum(1 for t in dug if LineString([p[:2] for p in t.route]).intersects(mains))
        if crossings:
            found.append(
                f"Trenches cross the mains line {line.name} {_times(crossings)}: expose it by hand, keep "
                f"{1000 * job.rules.mains_clear_m:.0f} mm between the cables or a barrier."
            )
    if job.schedule is not None and count_nights(job.schedule, job.place).count == 0:
        found.append(
            f"The schedule ({job.schedule.on} to {job.schedule.off}) lights no night of {job.schedule.year}: "
            "the lamps would go off before they come on."
        )
    of_limits = {driver.limit_assumed(name) for name, driver in job.drivers.items()}
    found += [note for note in survey.notes if note not in of_limits]  # of drivers that the plan uses it stands above
    return list(dict.fromkeys(found))


def _lamps_where_nothing_is_dug(job: Job, survey: Survey) -> list[str]:
    """Lamps in trunks, or deep in no-dig zones but water: let in, or measured wrongly."""
    inside: dict[str, list[tuple[Lamp, Standing]]] = {}
    for lamp in survey.lamps:
        standing = deep_in_no_dig(job, survey, lamp)
        if standing is not None:
            inside.setdefault(standing.says, []).append((lamp, standing))
    return [_inside(zone, lamps) for zone, lamps in inside.items()]


def _inside(zone: str, lamps: Sequence[tuple[Lamp, Standing]]) -> str:
    deepest_m = max(standing.depth_m for _, standing in lamps)
    if len(lamps) == 1:
        return (
            f"Lamp {lamps[0][0].name} stands {deepest_m:.2f} m inside {zone}: make sure that it belongs there and that "
            "its lead can pass."
        )
    names = ", ".join(lamp.name for lamp, _ in lamps[:NAMED])
    more = f" and {len(lamps) - NAMED} more" if len(lamps) > NAMED else ""
    return (
        f"Lamps {names}{more} stand up to {deepest_m:.2f} m inside {zone}: make sure that they belong there and that "
        "their leads can pass."
    )


def _starts(job: Job, survey: Survey, layout: Layout, wired: Sequence[WiredDriver]) -> list[str]:
    """Supply points whose timer or dimmer is well loaded and whose inrush nobody states."""
    models = list(job.drivers.values())
    found = []
    for s, supply in enumerate(survey.supplies):
        here = [i for i, use in enumerate(layout.drivers) if use.supply == s]
        most_va = job.mains_limit_va(supply.name)
        if not here or most_va == math.inf:
            continue
        inrush_a = mains_inrush_a([models[layout.drivers[i].model] for i in here])
        if inrush_a is not None and job.supply(supply.name).inrush_a is not None:
            continue
        load_pct = 100 / most_va * sum(wired[i].load_va * models[layout.drivers[i].model].mains_va_per_va for i in here)
        if load_pct > HEAVY_PCT:
            found.append(
                f"The timer or dimmer at {supply.name} carries {load_pct:.0f} % of its rating and the inrush of its "
                "drivers, or what it switches on, is not stated: make sure that it takes their start."
            )
    return found


def _times(count: int) -> str:
    return "once" if count == 1 else "twice" if count == 2 else f"{count} times"
