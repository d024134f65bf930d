"""What each limit costs. In: a plan to begin from. Out: Limits: the same job planned again without each in turn.

All begin from the same layout with the same effort, and so does one in which nothing is relaxed: a saving counts
against that, so that what mere further search finds is not put down to a limit.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from shapely import Point

from ..ground.graph import NodeKind
from ..job_folder import JobFolder, with_overrides
from ..make_plan import Made, Options, plan_of
from ..plan.model import Plan
from ..problems import BadInput
from ..search.warm import Warm
from ..survey.model import SupplyPoint, Survey
from ..toml_lines import join_key
from .alternatives import Variant
from .model import Limits, Relaxed
from .planning import Outcome, PlanTask

EFFORT_SHARE = 0.1
"""Of the effort of a plan, for each."""
MOST_ZONES = 6
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
    taps = {
        join_key(("drivers", name, "taps_v")): [*model.taps_v, max(model.taps_v) + 1]
        for name, model in job.drivers.items()
    }
    found.append(("one tap more on every driver, a volt above its highest", dict(taps)))
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
        setting = {"ground": job.base_ground}
        found.append(
            (f"'{name}' dug like {job.base_ground} instead of kept clear", {join_key(("zones", name)): setting})
        )
    return found


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


def needs_nothing(variant: Variant, tasks: Sequence[LimitTask], outcomes: Sequence[Outcome]) -> Made | None:
    """
    The cheapest layout of these that holds for the job as it is; None where there is none.

    What is found with a limit relaxed may keep it all the same. Such a layout is no saving of that limit, but a better
    plan for the job.
    """
    folder = variant.folder
    best: Made | None = None
    for outcome in outcomes:
        if outcome.ground is None or outcome.layout is None:
            continue
        if any(circuit.supply >= len(folder.survey.supplies) for circuit in outcome.layout.circuits):
            continue  # from a supply point that the job does not have
        plan = plan_of(folder, outcome.ground, outcome.layout)
        if plan is not None and (best is None or plan.cost.total < best.plan.cost.total):
            best = Made(plan, outcome.ground, outcome.layout)
    return best


def limits_of(
    variant: Variant, plan: Plan, base: float, tasks: Sequence[LimitTask], outcomes: Sequence[Outcome]
) -> Limits:
    """
    Savings, greatest first.

    Parameters
    ----------
    base
        The least that the job as it is was found to cost; a saving counts from there.
    """
    rows = []
    for task, outcome in zip(tasks[1:], outcomes[1:], strict=True):
        cost = outcome.plan.cost.total if outcome.plan is not None else None
        # the plan holds without the limit too, so the least of both is had
        saving = None if cost is None else round(max(0.0, base - cost), 2)
        rows.append(Relaxed(what=task.what, cost=cost, saving=saving))
    rows.sort(key=lambda row: -(row.saving if row.saving is not None else -1.0))
    currency = f" {variant.folder.job.currency}".rstrip()
    best = rows[0] if rows else None
    if best is None or not best.saving:
        says = "No limit that was relaxed saved anything."
    else:
        says = f"Most would be saved by {best.what}: {best.saving:,.2f}{currency}."
    if base < plan.cost.total - 0.005:
        says += (
            f" Savings count from {base:,.2f}{currency}: further search alone comes to that without relaxing anything, "
            f"and a greater effort than the plan's {plan.effort:g} would have found it."
        )
    return Limits(alternative=variant.name, searched_on=base, rows=rows, says=says)
