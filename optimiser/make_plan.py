"""The whole method on one page. In: a job folder, how to search. Out: Plan, checked."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from .check import check_plan
from .ground import Ground, build_ground
from .job_folder import JobFolder
from .plan.build import Proof, build_plan
from .plan.laying import CannotLay
from .plan.model import Plan
from .problems import LampspurError, NoFeasibleLayout, StoppedBeforeLayout
from .search.find import Found, Observer, Options, find_layout
from .search.layout import Layout
from .search.obstacles import find_obstacles
from .search.stopping import StopSignal
from .search.warm import Warm, with_places


class Silent:
    """An observer that says nothing."""

    def stage(self, name: str) -> None: ...

    def best(self, cost: float) -> None: ...

    def bound(self, bound: float) -> None: ...


class PlanDoesNotHold(LampspurError):
    """The finished plan fails its own check: a fault of this program, never of the job."""


@dataclass(frozen=True, eq=False)
class Made:
    """A plan, and what it was drawn from: for whoever wants to search on from there, or to prove more of it."""

    plan: Plan
    ground: Ground
    layout: Layout


def make_plan(
    folder: JobFolder,
    options: Options | None = None,
    *,
    observer: Observer | None = None,
    stop: StopSignal | None = None,
) -> Plan:
    """
    Plan a job: survey → ground → search → electrics → plan, and the check on top.

    Raises
    ------
    BadInput
        The ground cannot be used as surveyed (a lamp out of reach, walled off, …).
    NoFeasibleLayout
        No layout holds, proven or after full effort; carries what stands in the way.
    StoppedBeforeLayout
        Stopped before any layout was found.
    PlanDoesNotHold
        Never, if this program is right.
    """
    return make_whole(folder, options, observer=observer, stop=stop).plan


def make_whole(
    folder: JobFolder,
    options: Options | None = None,
    *,
    observer: Observer | None = None,
    stop: StopSignal | None = None,
    warm: Sequence[Warm] = (),
) -> Made:
    """``make_plan`` with ground and layout beside the plan; ``warm`` are layouts of like jobs to begin from."""
    stop, options, observer = stop or StopSignal(), options or Options(), observer or Silent()
    job, survey = folder.job, folder.survey
    observer.stage("reading the ground")
    ground = with_places(build_ground(job, survey, file=str(folder.path / job.survey)), warm)

    def confirm(layout: Layout, on: Ground) -> bool:
        return plan_of(folder, on, layout) is not None

    found = find_layout(job, survey, ground, options, confirm, observer, stop, warm)
    if isinstance(found, frozenset):
        if stop.by_user or stop.by_time:
            raise StoppedBeforeLayout("the search was stopped before any layout was found")
        obstacles, proven = find_obstacles(job, survey, ground, options.num_drivers, found)
        raise NoFeasibleLayout(obstacles, proven=proven)

    observer.stage("packing reels and checking")
    plan = build_plan(folder, found.ground, found.layout, _proof(found, options, stop))
    violations = check_plan(plan, job, survey, folder.digest).violations
    if violations:
        raise PlanDoesNotHold("; ".join(finding.sentence for finding in violations[:5]))
    return Made(plan, found.ground, found.layout)


def plan_of(folder: JobFolder, ground: Ground, layout: Layout) -> Plan | None:
    """The draft of a layout's plan, reels apart, where it passes the check; None where it does not."""
    try:
        draft = build_plan(folder, ground, layout, draft=True)
    except CannotLay:
        return None
    return None if check_plan(draft, folder.job, folder.survey, folder.digest).violations else draft


def _proof(found: Found, options: Options, stop: StopSignal) -> Proof:
    outcome = "stopped_by_user" if stop.by_user else "stopped_by_time" if stop.by_time else "effort_spent"
    return Proof(
        seed=options.seed,
        effort=options.effort,
        work=found.work,
        outcome=outcome,  # type: ignore[arg-type]
        bound=found.bound.total,
        bound_says=found.bound.says,
        bound_parts=found.bound.parts,
        refinements=found.refinements,
        last_gain_pct=found.last_gain_pct,
        drivers_asked=options.num_drivers,
    )


__all__ = ["Made", "Options", "PlanDoesNotHold", "Silent", "make_plan", "make_whole", "plan_of"]
