"""Cost against one limit. In: a plan to begin from, how to search. Out: Curve, each point the start for the next.

The chain runs from the loosest limit to the tightest. A layout that keeps a tighter limit keeps every looser one, and
so does the plan itself: at the end each point takes the cheapest layout known that holds at it (``exchange.py``), so
that cost never rises as a limit is loosened, and at the job's own limit is that of its plan. The knee is the point
farthest below the chord of the curve, both axes scaled to the same length (V. Satopaa et al., "Finding a Kneedle in a
Haystack", 2011, doi:10.1109/ICDCSW.2011.20).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

from ..job import Driver, Job, LampType
from ..job_folder import JobFolder, with_overrides
from ..make_plan import Made, Options, make_whole
from ..plan.model import Plan
from ..problems import BadInput, NoFeasibleLayout, StoppedBeforeLayout
from ..search.stopping import StopSignal
from ..search.warm import Warm, carry
from ..toml_lines import join_key
from .alternatives import Variant
from .exchange import Exchange, Known
from .model import Curve, CurvePoint, Searched
from .workers import Undone

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


@dataclass(frozen=True, eq=False)
class Point:
    """The job at one limit, and what was found for it; ``folder`` is None where the limit cannot be asked for."""

    limit: float
    folder: JobFolder | None
    made: Made | None
    searched: Searched


def trace_curve(task: CurveTask, stop: StopSignal) -> list[Point]:
    """Search at each limit, from the loosest to the tightest, until there is no layout or somebody stops it."""
    points: list[Point] = []
    warm: tuple[Warm, ...] = (task.warm,)
    ended: Searched | None = None
    for limit in task.limits:
        folder, made = _limited_or_none(task, limit), None
        if ended is None and stop():
            ended = "stopped"
        searched: Searched = "whole" if ended is None else ended
        if ended is None and folder is None:
            searched = ended = "no_layout"
        elif ended is None and folder is not None:
            try:
                made = make_whole(folder, task.options, stop=stop, warm=warm)
            except NoFeasibleLayout as error:
                searched, ended = "no_layout", "no_layout" if error.proven else "not_tried"
            except BadInput:  # limits that contradict one another: proven too
                searched = ended = "no_layout"
            except StoppedBeforeLayout:
                searched = ended = "stopped"
            else:
                if made.plan.outcome in ("stopped_by_user", "stopped_by_time"):
                    searched = ended = "stopped"
                warm = (carry(folder.job, folder.survey, made.ground.graph, made.layout),)
        points.append(Point(limit, folder, made, searched))
    return points


def points_of(task: CurveTask, result: list[Point] | Undone) -> list[Point]:
    """What a crew gave for it; where it was not done, points that nothing was found for."""
    if not isinstance(result, Undone):
        return result
    return [Point(limit, _limited_or_none(task, limit), None, result.why) for limit in task.limits]


def known_of(points: Sequence[Point]) -> list[Known]:
    """The layouts of a curve, to be offered to others."""
    return [
        Known(point.folder, point.made, of_all=False)
        for point in points
        if point.folder is not None and point.made is not None
    ]


def with_offers(task: CurveTask, points: Sequence[Point], pool: Sequence[Known], exchange: Exchange) -> list[Point]:
    """Each point with the cheapest layout that holds at it, of its own and of all these."""
    best = []
    for point in points:
        cost = None if point.made is None else point.made.plan.cost.total
        made = None
        if point.folder is not None:
            made = exchange.cheaper(point.folder, task.variant.num_drivers, cost, pool)
        if made is not None:
            cut = point.searched in ("stopped", "lost")
            point = replace(point, made=made, searched=point.searched if cut else "whole")
        best.append(point)
    return best


def _limited_or_none(task: CurveTask, limit: float) -> JobFolder | None:
    try:
        return _limited(task.variant.folder, task.of, limit)
    except BadInput:
        return None


def curve_of(task: CurveTask, found: Sequence[Point]) -> Curve:
    """The curve as published."""
    points = [_point(task, one) for one in found]
    alone = task.of == "lowest_volts" and len({k.volts for k in _kinds(task.variant.folder)}) == 1
    unit = "V" if alone else "%"
    whole = all(point.searched not in ("stopped", "lost") for point in points)
    got = [(point.limit, point.cost) for point in points if point.cost is not None]
    knee = find_knee(got) if whole else None  # a point that was not searched for stands too high, and makes a knee
    return Curve(
        of=task.of, alternative=task.variant.name, unit=unit, points=points, knee=knee,
        says=_says(task, points, knee, unit),
    )  # fmt: skip


def _kinds(folder: JobFolder) -> list[LampType]:
    return [folder.job.lamps[name] for name in sorted({lamp.type for lamp in folder.survey.lamps})]


def _point(task: CurveTask, found: Point) -> CurvePoint:
    limit, searched = found.limit, found.searched
    if found.made is None:
        return CurvePoint(limit=limit, cost=None, searched=searched, reached=None, drivers=None, cable_m=None)
    plan = found.made.plan
    if task.of == "max_drop":
        reached = max(lamp.drop_pct for lamp in plan.lamps)
    else:
        lamps = task.variant.folder.job.lamps
        alone = len({lamps[lamp.type].volts for lamp in plan.lamps}) == 1
        reached = min(lamp.low_v if alone else 100 * lamp.low_v / lamps[lamp.type].volts for lamp in plan.lamps)
    return CurvePoint(
        limit=limit, cost=plan.cost.total, searched=searched, reached=round(reached, 3), drivers=len(plan.drivers),
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
    ends = _ends(points, unit)
    if not got:
        return f"No point of the curve has a layout.{ends}"
    first, last = got[0], got[-1]
    assert first.cost is not None and last.cost is not None
    currency = f" {task.variant.folder.job.currency}".rstrip()
    name = "the largest drop allowed" if task.of == "max_drop" else "the lowest lamp voltage asked for"
    span = f"from {first.limit:g} {unit} to {last.limit:g} {unit}"
    if first is last:
        says = f"Only {first.limit:g} {unit} has a layout."
    elif any(point.searched in ("stopped", "lost") for point in points):
        says = (
            f"As far as it was searched, tightening {name} {span} adds {last.cost - first.cost:,.2f}{currency} in all."
        )
    elif knee is None:
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
    return says + ends


def _ends(points: Sequence[CurvePoint], unit: str) -> str:
    """Where the curve ends before its last limit, and why; empty where it does not."""
    says = ""
    for searched, what in (
        ("no_layout", "no layout was found"),
        ("lost", "nothing was found: its worker was lost"),
    ):
        first = next((p for p in points if p.searched == searched and p.cost is None), None)
        if first is not None:
            says += f" At {first.limit:g} {unit} {what}."
    if any(point.searched == "not_tried" and point.cost is None for point in points):
        says += " Tighter limits were not tried."
    cut = next((point for point in points if point.searched == "stopped"), None)
    if cut is not None:
        says += f" Stopped early: from {cut.limit:g} {unit} on it was not searched to the end."
    return says
