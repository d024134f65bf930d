"""What each limit costs. In: a plan to begin from. Out: Limits: the same job planned again without each in turn.

All begin from the same layout with the same effort, and so does one in which nothing is relaxed. What that finds, and
any layout found with a limit relaxed that keeps it all the same, is no saving of a limit but a better plan for the job:
it becomes the plan before anything is told (``compare.py``), and savings count from there.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from shapely import Point

from ..ground.graph import NodeKind
from ..job import Driver
from ..job_folder import JobFolder, with_overrides
from ..make_plan import Made, Options
from ..plan.model import Plan
from ..problems import BadInput
from ..search.warm import Warm
from ..survey.model import SupplyPoint, Survey
from ..toml_lines import join_key
from .alternatives import Variant
from .model import Limits, Relaxed, Searched
from .planning import Outcome, PlanTask
from .verdict import CENT

EFFORT_SHARE = 0.1
"""Of the effort of a plan, for each."""
MOST_ZONES = 6
MOST_NAMED = 4
CHEAPER = 0.9
NEW_SUPPLY = "new supply point"


@dataclass(frozen=True, eq=False)
class LimitTask:
    what: str
    """Empty for the one in which nothing is relaxed."""
    plan: PlanTask


def limit_tasks(variant: Variant, made: Made, warm: Warm, options: Options) -> list[LimitTask]:
    """The plan searched on as it is, then each limit relaxed."""
    options = replace(
        options, effort=options.effort * EFFORT_SHARE, num_drivers=variant.num_drivers, prove=False, processes=1
    )
    tasks = [LimitTask("", PlanTask(variant, options, (warm,)))]
    folder = variant.folder
    for what, overrides in _relaxed_values(folder, made.plan):
        try:
            relaxed = with_overrides(folder, overrides)
        except BadInput:
            continue  # a job that cannot be relaxed in this way, such as for a survey that needs the zone
        tasks.append(LimitTask(what, PlanTask(replace(variant, folder=relaxed), options, (warm,))))
    for what, survey in _more_supplies(folder, made):
        more = replace(folder, survey=survey)
        tasks.append(LimitTask(what, PlanTask(replace(variant, folder=more), options, (warm,))))
    return tasks


def _relaxed_values(folder: JobFolder, plan: Plan) -> list[tuple[str, dict[str, object]]]:
    job, survey = folder.job, folder.survey
    found: list[tuple[str, dict[str, object]]] = []
    drop = job.voltage.max_drop
    if drop is not None and drop + 1 < 100:
        found.append((f"a largest drop of {drop + 1:g} % instead of {drop:g} %", {"voltage.max_drop": drop + 1}))
    found += one_tap_more(job.drivers)
    if job.rules.max_gauges < len(job.cables):
        count = job.rules.max_gauges + 1
        found.append((f"{count} sizes of cable instead of {count - 1}", {"rules.max_gauges": count}))
    for name in sorted({t.ground for t in plan.trenches if t.sleeve is None and t.price > 0}):
        per_m = job.grounds[name].per_m
        if per_m:
            cheaper = round(per_m * CHEAPER, 2)
            what = f"trench in {name} at {cheaper:,.2f} a metre instead of {per_m:,.2f}"
            found.append((what, {join_key(("grounds", name, "per_m")): cheaper}))
    dug = [place for trench in plan.trenches for place in trench.route]
    near = sorted(
        (min(float(zone.polygon.distance(Point(place[0], place[1]))) for place in dug), zone.name)
        for zone in survey.zones
        if dug and zone.of == "survey" and job.grounds[zone.ground].no_dig
    )
    for _, name in near[:MOST_ZONES]:
        what = f"a way through '{name}', dug like {job.base_ground}, instead of round it"
        found.append((what, {join_key(("zones", name)): {"ground": job.base_ground}}))
    return found


def one_tap_more(drivers: Mapping[str, Driver]) -> list[tuple[str, dict[str, object]]]:
    """
    Beside each model the same one on a tap one volt above its highest.

    A tap put into the model's own list would change the model: its rated amps are those at its highest tap. So the
    higher tap is a unit of its own, with the model's watts, outlet amps, current limit and price.
    """
    overrides: dict[str, object] = {}
    told = []
    for name, model in drivers.items():
        tap_v = max(model.taps_v) + 1
        limit_a = model.current_limit_a
        like = model.model_copy(
            update={
                "taps_v": (tap_v,),
                "volts": model.nominal_v,
                "outlet_a": model.max_outlet_a,
                "limit_a": limit_a if limit_a < math.inf else None,
            }
        )
        new = f"{name} with a {tap_v:g} V tap"
        if new in drivers:
            continue
        overrides[join_key(("drivers", new))] = like.model_dump(mode="json", exclude_none=True, exclude_defaults=True)
        told.append(f"{tap_v:g} V on '{name}'")
    if not told:
        return []
    named = ", ".join(told[:MOST_NAMED]) + (f" and {len(told) - MOST_NAMED} more" if len(told) > MOST_NAMED else "")
    return [(f"drivers with one tap more ({named}), of the same watts, outlet amps and price", overrides)]


def _more_supplies(folder: JobFolder, made: Made) -> list[tuple[str, Survey]]:
    """A supply point where the watts have their middle, and one by the lamp farthest from every supply point."""
    survey, graph = folder.survey, made.ground.graph
    watts = np.array([folder.job.lamps[lamp.type].watts for lamp in survey.lamps])
    xy = np.array([lamp.place[:2] for lamp in survey.lamps])
    supplies = np.array([point.place[:2] for point in survey.supplies])
    away = np.min(np.hypot(*(xy[:, None, :] - supplies[None]).transpose(2, 0, 1)), axis=1)
    far = int(away.argmax())
    free = np.flatnonzero(graph.may_joint & (graph.kind != NodeKind.POST))
    if not len(free):
        return []
    found: list[tuple[str, Survey]] = []
    for where, place in (
        ("in the middle of the lamps", (xy * watts[:, None]).sum(axis=0) / watts.sum()),
        (f"by lamp {survey.lamps[far].name}", xy[far]),
    ):
        node = free[np.hypot(*(graph.xyz[free, :2] - place).T).argmin()]
        x, y, z = (round(float(value), 3) for value in graph.xyz[node])
        point = SupplyPoint(NEW_SUPPLY, (x, y, z))
        what = f"a supply point {where} ({x:.1f}, {y:.1f}), before its own price"
        found.append((what, replace(survey, supplies=(*survey.supplies, point))))
    return found


def relaxed_rows(
    tasks: Sequence[LimitTask], outcomes: Sequence[Outcome], offered: Sequence[float | None], cost: float
) -> list[Relaxed]:
    """
    A row for each limit relaxed, greatest saving first.

    Parameters
    ----------
    offered
        For each task, what the cheapest layout known from elsewhere costs there; None where none is cheaper.
    cost
        Of the plan with nothing relaxed: it holds with any limit relaxed too, so a saving is never below 0.
    """
    rows = []
    for task, outcome, other in zip(tasks, outcomes, offered, strict=True):
        if not task.what:
            continue
        own = outcome.plan.cost.total if outcome.plan is not None else None
        searched = _searched(outcome)
        known = [one for one in (own, other) if one is not None]
        least = min(known, default=None)
        saving = None if least is None else round(max(0.0, cost - least), 2)
        if searched in ("stopped", "lost") and (saving or 0.0) <= CENT:
            saving = None  # that nothing was found in no time is no finding
        rows.append(Relaxed(what=task.what, cost=least, saving=saving, searched=searched))
    return sorted(rows, key=lambda row: -(row.saving if row.saving is not None else -1.0))


def _searched(outcome: Outcome) -> Searched:
    if outcome.status == "lost":
        return "lost"
    if outcome.status == "stopped" or (
        outcome.plan is not None and outcome.plan.outcome in ("stopped_by_user", "stopped_by_time")
    ):
        return "stopped"
    return "whole" if outcome.plan is not None else "no_layout"


def limits_of(variant: Variant, cost: float, rows: Sequence[Relaxed]) -> Limits:
    """What relaxing each limit saves, in words too."""
    currency = f" {variant.folder.job.currency}".rstrip()
    cut = [row for row in rows if row.searched in ("stopped", "lost")]
    best = rows[0] if rows else None
    if best is not None and best.saving:
        says = f"Most would be saved by {best.what}: {best.saving:,.2f}{currency}."
    elif len(cut) == len(rows):
        says = "What each limit costs was not found."
    else:
        says = "No limit that was relaxed saved anything."
        if cut:
            says = "None of the limits that were searched to the end saved anything."
    if cut:
        stopped, lost = (sum(row.searched == how for row in cut) for how in ("stopped", "lost"))
        why = [f"{stopped} stopped early" if stopped else "", f"{lost} lost with a worker" if lost else ""]
        says += f" Not searched to the end: {len(cut)} of {len(rows)} ({', '.join(filter(None, why))})."
    return Limits(alternative=variant.name, cost=cost, rows=list(rows), says=says)
