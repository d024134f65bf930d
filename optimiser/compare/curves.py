"""Cost against one limit. In: a plan to begin from, how to search. Out: Curve, each point the start for the next.

The chain runs from the loosest limit to the tightest. A layout that keeps a tighter limit keeps every looser one, so
at the end each point takes over the layout of a tighter one where that is cheaper: cost never rises as a limit is
loosened. The knee is the point farthest below the chord of the curve, both axes scaled to the same length
(V. Satopaa et al., "Finding a Kneedle in a Haystack", 2011, doi:10.1109/ICDCSW.2011.20).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

from ..job import Driver, Job, LampType
from ..job_folder import JobFolder, with_overrides
from ..make_plan import Made, Options, make_whole, plan_of
from ..plan.model import Plan
from ..problems import BadInput, NoFeasibleLayout, StoppedBeforeLayout
from ..search.stopping import StopSignal
from ..search.warm import Warm, carry
from ..toml_lines import join_key
from .alternatives import Variant
from .model import Curve, CurvePoint

EFFORT_SHARE = 0.08
"""Of the effort of a plan, for each point: it begins from a layout that is nearly right."""
DROPS_PCT = (15.0, 12.0, 10.0, 9.0, 8.0, 7.0, 6.0, 5.0, 4.0, 3.0)
LEAST_BEND = 0.08
"""How far below the chord a knee must lie, as a share of the curve's height and width."""
LEAST_RISE = 0.005
"""How much a curve must rise in all to have a knee, as a share of the cost."""


@dataclass(frozen=True, eq=False)
class CurveTask:
    variant: Variant
    of: Literal["max_drop", "lowest_volts"]
    limits: tuple[float, ...]
    """From the loosest to the tightest."""
    cost: float
    """Of the plan that the first point begins from."""
    warm: Warm
    options: Options


def curve_tasks(variant: Variant, plan: Plan, warm: Warm, options: Options) -> list[CurveTask]:
    """Both curves of one plan."""
    options = replace(
        options, effort=options.effort * EFFORT_SHARE, num_drivers=variant.num_drivers, prove=False, processes=1
    )
    job = variant.folder.job
    drops = {*DROPS_PCT} if job.voltage.max_drop is None else {*DROPS_PCT, job.voltage.max_drop}
    return [
        CurveTask(variant, "max_drop", tuple(sorted(drops, reverse=True)), plan.cost.total, warm, options),
        CurveTask(variant, "lowest_volts", _volt_steps(job, plan), plan.cost.total, warm, options),
    ]


def _volt_steps(job: Job, plan: Plan) -> tuple[float, ...]:
    """Lowest volts to ask for, in V for one nominal voltage, else in per cent of it."""
    kinds = [job.lamps[lamp.type] for lamp in plan.lamps]
    nominal = kinds[0].volts if len({kind.volts for kind in kinds}) == 1 else 100.0
    low = nominal * min(kind.window[0] / kind.volts for kind in kinds)
    top = nominal * max(
        max(driver.taps_v)
        / driver.nominal_v
        * (1 + (-driver.tol_pct if _holds(driver) else driver.mains_low_pct) / 100)
        for driver in job.drivers.values()
    )
    step = next(step for step in (0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1.0, 2.0, 5.0, 10.0, 1e9) if step * 12 >= top - low)
    steps = [low, *(step * k for k in range(math.floor(low / step) + 1, math.ceil(top / step)))]
    return tuple(dict.fromkeys(round(volts, 3) for volts in steps))


def _holds(driver: Driver) -> bool:
    return driver.kind == "electronic"


def _limited(folder: JobFolder, of: str, limit: float) -> JobFolder:
    """The job with this limit instead of its own."""
    if of == "max_drop":
        return with_overrides(folder, {"voltage.max_drop": limit})
    used = {lamp.type for lamp in folder.survey.lamps}
    kinds = {name: kind for name, kind in folder.job.lamps.items() if name in used}
    alone = len({kind.volts for kind in kinds.values()}) == 1
    windows: dict[str, object] = {}
    for name, kind in kinds.items():
        low, high = kind.window
        windows[join_key(("lamps", name, "window_v"))] = [
            max(low, limit if alone else round(limit * kind.volts / 100, 3)), high
        ]  # fmt: skip
    return with_overrides(folder, windows)


def trace_curve(task: CurveTask, stop: StopSignal) -> Curve:
    """All points of one curve; those tighter than the first that no layout was found for have none either."""
    folders: list[JobFolder] = []
    found: list[Made | None] = []
    warm: tuple[Warm, ...] = (task.warm,)
    for limit in task.limits:
        made: Made | None = None
        try:
            folder = _limited(task.variant.folder, task.of, limit)
            if warm and not stop():
                made = make_whole(folder, task.options, stop=stop, warm=warm)
        except (BadInput, NoFeasibleLayout, StoppedBeforeLayout):
            pass
        else:
            folders.append(folder)
        if made is None:
            break
        found.append(made)
        warm = (carry(folder.job, folder.survey, made.ground.graph, made.layout),)
    for i in range(len(found) - 2, -1, -1):  # from the tightest to the loosest
        looser, tighter = found[i], found[i + 1]
        if looser is not None and tighter is not None and tighter.plan.cost.total < looser.plan.cost.total - 0.005:
            plan = plan_of(folders[i], tighter.ground, tighter.layout)
            if plan is not None:
                found[i] = replace(tighter, plan=plan)
    found += [None] * (len(task.limits) - len(found))
    points = [_point(task, limit, made) for limit, made in zip(task.limits, found, strict=True)]
    alone = task.of == "lowest_volts" and len({k.volts for k in _kinds(task.variant.folder)}) == 1
    unit = "V" if alone else "%"
    knee = find_knee([(point.limit, point.cost) for point in points if point.cost is not None])
    return Curve(
        of=task.of, alternative=task.variant.name, unit=unit, points=points, knee=knee,
        says=_says(task, points, knee, unit),
    )  # fmt: skip


def _kinds(folder: JobFolder) -> list[LampType]:
    return [folder.job.lamps[name] for name in sorted({lamp.type for lamp in folder.survey.lamps})]


def _point(task: CurveTask, limit: float, made: Made | None) -> CurvePoint:
    if made is None:
        return CurvePoint(limit=limit, cost=None, reached=None, drivers=None, cable_m=None)
    plan = made.plan
    if task.of == "max_drop":
        reached = max(lamp.drop_pct for lamp in plan.lamps)
    else:
        lamps = task.variant.folder.job.lamps
        alone = len({lamps[lamp.type].volts for lamp in plan.lamps}) == 1
        reached = min(lamp.low_v if alone else 100 * lamp.low_v / lamps[lamp.type].volts for lamp in plan.lamps)
    return CurvePoint(
        limit=limit, cost=plan.cost.total, reached=round(reached, 3), drivers=len(plan.drivers),
        cable_m=round(sum(cable.cut_m for cable in plan.cables), 1),
    )  # fmt: skip


def find_knee(points: Sequence[tuple[float, float]]) -> float | None:
    """
    The limit at the knee of a curve, from the loosest to the tightest; None where it is flat or straight.

    Parameters
    ----------
    points
        Limit and cost; cost never falls along the list.
    """
    if len(points) < 3:
        return None
    (x0, y0), (x1, y1) = points[0], points[-1]
    if x0 == x1 or y1 - y0 < LEAST_RISE * y1:
        return None
    below = [((x - x0) / (x1 - x0) - (y - y0) / (y1 - y0), x) for x, y in points]
    bend, at = max(below, key=lambda pair: pair[0])
    return at if bend >= LEAST_BEND else None


def _says(task: CurveTask, points: Sequence[CurvePoint], knee: float | None, unit: str) -> str:
    got = [point for point in points if point.cost is not None]
    if not got:
        return "No point of the curve has a layout."
    first, last = got[0], got[-1]
    assert first.cost is not None and last.cost is not None
    currency = f" {task.variant.folder.job.currency}".rstrip()
    name = "a largest drop" if task.of == "max_drop" else "a lowest lamp voltage"
    span = f"from {first.limit:g} {unit} to {last.limit:g} {unit}"
    if knee is None:
        says = f"No knee: tightening {name} {span} adds {last.cost - first.cost:,.2f}{currency} in all"
        says += ", about evenly." if last.cost - first.cost >= LEAST_RISE * last.cost else "."
    else:
        middle = next(point for point in got if point.limit == knee)
        assert middle.cost is not None
        says = (
            f"The knee is at {knee:g} {unit}: tightening {name} from {first.limit:g} {unit} to there adds "
            f"{middle.cost - first.cost:,.2f}{currency}, on to {last.limit:g} {unit} "
            f"{last.cost - middle.cost:,.2f} more."
        )
    if len(got) < len(points):
        says += f" At {points[len(got)].limit:g} {unit} no layout was found."
    return says
