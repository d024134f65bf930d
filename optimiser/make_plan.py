"""The whole method on one page. In: a job folder, how to search. Out: Plan, checked."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from .check import check_plan
from .contradictions import contradictions
from .ground import Ground, build_ground
from .job_folder import JobFolder
from .plan.build import Proof, build_plan
from .plan.laying import CannotLay
from .plan.model import Plan, Without
from .problems import BadInput, CircuitCollapses, LampspurError, NoFeasibleLayout, StoppedBeforeLayout
from .search.find import Found, Observer, Options, find_layout
from .search.layout import Layout
from .search.obstacles import find_obstacles, obstacles_before, proven_obstacles
from .search.stopping import StopSignal
from .search.warm import Warm, layout_on, with_places


class Silent:
    """An observer that says nothing."""

    def stage(self, name: str) -> None: ...

    def best(self, cost: float) -> None: ...

    def bound(self, bound: float) -> None: ...


class PlanDoesNotHold(LampspurError):
    """The finished plan fails its own check: a fault of this program, never of the job."""


EARLY_LAMPS = 40
"""Lamps up to which what no layout can pass is looked for before the search, where no number of drivers is asked for.
It takes longer with each, and a first layout is wanted soon; beyond, it is looked for when none was found."""


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
        Limits of the job contradict one another, or the ground cannot be used as surveyed (a lamp out of reach,
        walled off, …).
    NoFeasibleLayout
        No layout holds, proven (where that needs no search, before it and whatever stops it) or after full effort;
        carries what stands in the way.
    StoppedBeforeLayout
        Stopped before any layout was found, and nothing proves that there is none.
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
    """
    ``make_plan`` with ground and layout beside the plan; ``warm`` are layouts of like jobs to begin from.

    The plan never costs more than one of those that holds for this job as it is.
    """
    stop, options, observer = stop or StopSignal(), options or Options(), observer or Silent()
    job, survey = folder.job, folder.survey
    problems = contradictions(folder)
    if problems:
        raise BadInput(problems)
    observer.stage("reading the ground")
    ground = with_places(build_ground(job, survey, file=str(folder.path / job.survey)), warm)

    def confirm(layout: Layout, on: Ground) -> bool:
        return plan_of(folder, on, layout) is not None

    known = []
    for one in warm:
        layout = layout_on(job, survey, ground.graph, one)
        plan = None if layout is None else plan_of(folder, ground, layout, options.num_drivers)
        if layout is not None and plan is not None:
            known.append((plan.cost.total, layout))
    standing = None
    if not known and (options.num_drivers is not None or len(survey.lamps) <= EARLY_LAMPS):
        standing = obstacles_before(job, survey, ground, options.num_drivers)
    if standing is not None:
        raise NoFeasibleLayout(standing[0], proven=standing[1], notes=survey.notes)
    found = find_layout(job, survey, ground, options, confirm, observer, stop, warm, known)
    if isinstance(found, frozenset):
        if stop.by_user or stop.by_time:  # what needs no search is known however short it was
            obstacles = proven_obstacles(job, survey, ground, options.num_drivers)
            if obstacles:
                raise NoFeasibleLayout(obstacles, proven=True, notes=survey.notes)
            raise StoppedBeforeLayout("the search was stopped before any layout was found")
        obstacles, proven = find_obstacles(job, survey, ground, options.num_drivers, found)
        raise NoFeasibleLayout(obstacles, proven=proven, notes=survey.notes)

    observer.stage("packing reels and checking")
    proof = _proof(found, options, stop)
    made = Made(build_plan(folder, found.ground, found.layout, proof), found.ground, found.layout)
    if known:  # the search reckons in fractions of a cent
        cost, layout = min(known, key=lambda pair: pair[0])
        if cost < made.plan.cost.total:
            made = Made(build_plan(folder, found.ground, layout, proof), found.ground, layout)
    if job.tolerance.plan == "hold" and options.prove:  # a search that proves nothing is one of many, for its cost
        observer.stage("the same without tolerances")
        made = _compared(made, folder, options, stop)
    violations = check_plan(made.plan, job, survey, folder.digest).violations
    if violations:
        raise PlanDoesNotHold("; ".join(finding.sentence for finding in violations[:5]))
    return made


def plan_of(folder: JobFolder, ground: Ground, layout: Layout, num_drivers: int | None = None) -> Plan | None:
    """The draft of a layout's plan, reels apart, where it passes the check; None where it does not."""
    if num_drivers is not None and len(layout.drivers) != num_drivers:
        return None
    try:
        draft = build_plan(folder, ground, layout, draft=True)
    except (CannotLay, CircuitCollapses):
        return None
    return None if check_plan(draft, folder.job, folder.survey, folder.digest).violations else draft


SAME_EFFORT_LAMPS = 40
"""Up to so many lamps the comparison without tolerances gets the plan's own effort, which doubles the time."""
LESS_EFFORT = 0.25
"""Part of the plan's effort that it gets beyond: too little to find small differences, and the plan says which."""
LEAST_EFFORT = 0.01


def _compared(made: Made, folder: JobFolder, options: Options, stop: StopSignal) -> Made:
    """
    The plan with what tolerances cost: against the best plan found without, by a search of its own.

    A plan that holds at the worst corner holds as stated, so that it stands itself where nothing cheaper is found. And
    where what is found without holds at the worst corner after all, it is the plan.
    """
    plan = made.plan
    if stop():
        return made
    few = len(folder.survey.lamps) <= SAME_EFFORT_LAMPS
    effort = options.effort if few else min(options.effort, max(LEAST_EFFORT, LESS_EFFORT * options.effort))
    looser = replace(folder, job=folder.job.with_tolerance("show"))
    try:
        loose = make_whole(looser, replace(options, effort=effort), stop=stop)
    except (NoFeasibleLayout, StoppedBeforeLayout):  # too little effort to find any layout
        loose = made
    if stop():
        return made
    if loose.plan.cost.total >= plan.cost.total:
        loose = made
    elif plan_of(folder, loose.ground, loose.layout) is not None:
        held = build_plan(folder, loose.ground, loose.layout, _proof_of(loose.plan, options))
        loose = made = Made(held, loose.ground, loose.layout)
    plan, other = made.plan, loose.plan
    without = Without(
        cost=other.cost.total,
        effort=effort,
        outside=sum(lamp.sure_margin_v is None or lamp.sure_margin_v < 0 for lamp in other.lamps),
        outside_pct=max(lamp.outside_pct or 0.0 for lamp in other.lamps),
    )
    assert plan.certainty is not None
    certainty = plan.certainty.model_copy(update={"without": without})
    return replace(made, plan=plan.model_copy(update={"certainty": certainty}))


def _proof_of(plan: Plan, options: Options) -> Proof:
    """What was said of a plan, for the same layout held to more: its bound is of stated data, and is true of both."""
    return Proof(
        seed=options.seed,
        effort=options.effort,
        work=plan.work,
        outcome="effort_spent",
        bound=plan.bound,
        bound_says=plan.bound_says,
        bound_parts=plan.bound_parts,
        refinements=plan.graph.refinements,
        last_gain_pct=plan.graph.last_gain_pct,
        drivers_asked=options.num_drivers,
        open_bound=plan.open_bound,
    )


def _proof(found: Found, options: Options, stop: StopSignal) -> Proof:
    outcome = "effort_spent"
    if found.stopped:
        outcome = "stopped_by_user" if stop.by_user else "stopped_by_time"
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
        open_bound=None if found.open_bound is None else found.open_bound.total,
    )


__all__ = ["Made", "Options", "PlanDoesNotHold", "Silent", "make_plan", "make_whole", "plan_of"]
