"""A comparison on one page. In: variants of one job, how to search, workers. Out: Compared: Comparison and plans.

1. plan every alternative, side by side; 2. offer each one's layout to the others: where it holds and is cheaper, plan
again from it; 3. on request, search on from the cheapest: curves, limits; what they find is offered to all in the same
way, and all plans to every point and limit, so that nothing told contradicts anything else; 4. where alternatives share
their ground, bound those on the common graph whose own bound leaves anything to decide; 5. recommend.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace

from ..job_folder import digest_of
from ..make_plan import Options
from ..plan.model import Plan, Tool
from ..problems import StoppedBeforeLayout, WorkersLost
from ..search.stopping import StopSignal
from .alike import same_layout
from .alternatives import Variant
from .common_ground import BoundTask, bound_on, same_ground, union_of
from .curves import CurveTask, Point, curve_of, curve_tasks, known_of, points_of, trace_curve, with_offers
from .exchange import Exchange, Known
from .figures import figures_of
from .limits import LimitTask, limit_tasks, limits_of, relaxed_rows
from .model import AlternativeResult, CommonGround, Comparison, Curve, Limits
from .planning import Outcome, PlanTask, outcome_of, plan_folder_name, plan_variant
from .verdict import CENT, cheapest, differences, recommendation
from .workers import Undone, Workers

LIMIT_ROUNDS = 2
"""How often limits are relaxed anew from a better plan for the job as it is."""
MOST_BESTS = 2
"""How often curves and limits are searched anew because another alternative turned out the cheapest."""
Tell = Callable[[str], None]
"""Told, in words, what has been done."""


@dataclass(frozen=True)
class Wanted:
    """What is asked for beyond the table."""

    curves: bool = False
    limits: bool = False


@dataclass(frozen=True, eq=False)
class Compared:
    """The comparison, and of each alternative its plan and the copies that go with it; None where there is none."""

    comparison: Comparison
    plans: tuple[tuple[Plan, dict[str, bytes]] | None, ...]


def compare(
    sites: Sequence[Sequence[Variant]], options: Options, crew: Workers, tell: Tell, wanted: Wanted = Wanted()
) -> list[Compared]:
    """
    Compare the alternatives of each site.

    All plans of all sites are one list of tasks for the crew. Results do not depend on who does them.

    Raises
    ------
    StoppedBeforeLayout
        Stopped before any alternative of any site was planned.
    WorkersLost
        No alternative of any site was planned, as workers were lost.
    """
    options = replace(options, processes=1)  # the alternatives are what runs side by side
    flat = [variant for variants in sites for variant in variants]

    def planned(i: int, outcome: Outcome) -> None:
        where = f"{flat[i].folder.job.title}, " if len(sites) > 1 else ""
        tell(f"{where}{flat[i].name}: {_says(outcome, flat[i])}")

    outcomes = [
        outcome_of(one) for one in crew.do(plan_variant, [_plan_task(variant, options) for variant in flat], planned)
    ]
    if all(outcome.status in ("stopped", "lost") for outcome in outcomes):
        lost = [outcome for outcome in outcomes if outcome.status == "lost"]
        if lost:
            raise WorkersLost(f"Nothing was planned. {lost[0].why[0]}")
        raise StoppedBeforeLayout("stopped before any layout was found")
    compared = []
    first = 0
    for variants in sites:
        compared.append(_site(variants, outcomes[first : first + len(variants)], options, crew, tell, wanted))
        first += len(variants)
    return compared


def _says(outcome: Outcome, variant: Variant) -> str:
    if outcome.plan is None:
        return "no layout"
    return f"{outcome.plan.cost.total:,.2f} {variant.folder.job.currency}".rstrip()


def _plan_task(variant: Variant, options: Options, begin: Known | None = None) -> PlanTask:
    options = replace(options, num_drivers=variant.num_drivers)
    return PlanTask(variant, options, () if begin is None else (begin.warm,))


@dataclass
class _Extras:
    """What was found beyond the plans, searching on from one of them."""

    index: int
    curves: list[tuple[CurveTask, list[Point]]] = field(default_factory=list)
    limits: list[tuple[LimitTask, Outcome]] = field(default_factory=list)

    def known(self) -> list[Known]:
        """All layouts found, each with the job for which it holds."""
        jobs = [(task.plan.variant.folder, outcome.made) for task, outcome in self.limits]
        known = [Known(folder, made, of_all=False) for folder, made in jobs if made is not None]
        return [one for _, points in self.curves for one in known_of(points)] + known


def _site(
    variants: Sequence[Variant],
    outcomes: Sequence[Outcome],
    options: Options,
    crew: Workers,
    tell: Tell,
    wanted: Wanted,
) -> Compared:
    job = variants[0].folder.job
    site = _Site(variants, list(outcomes), options, crew, tell)
    site.share()
    extras: _Extras | None = None
    for _ in range(MOST_BESTS):
        best = site.best()
        if best is None or not (wanted.curves or wanted.limits) or (extras is not None and extras.index == best):
            break
        extras = site.search_on(best, wanted)
    curves, limits = site.told(extras) if extras is not None else ([], None)
    outcomes = site.outcomes
    folders = plan_folder_name([variant.name for variant in variants])
    results = [
        AlternativeResult(
            name=variant.name,
            folder=folder if outcome.plan is not None else None,
            overrides=dict(variant.folder.overrides),
            changes=list(variant.changes),
            drivers_asked=variant.num_drivers,
            status=outcome.status,
            why=list(outcome.why),
            figures=figures_of(outcome.plan, variant.folder.job) if outcome.plan is not None else None,
        )
        for variant, outcome, folder in zip(variants, outcomes, folders, strict=True)
    ]
    best_result = cheapest(results)
    results, common = _on_common_ground(variants, outcomes, results, best_result, options, crew)
    best_result = cheapest(results)
    against = []
    if best_result is not None:
        sharing = common.alternatives if common is not None else []
        against = differences(best_result, results, sharing, job.currency, _alike(outcomes, results, best_result))
    plans = [outcome.plan for outcome in outcomes]
    some = next((plan for plan in plans if plan is not None), None)
    job_data, survey_data = variants[0].folder.files.values()
    comparison = Comparison(
        tool=some.tool if some is not None else Tool(name="lampspur", version="0"),
        title=job.title,
        digest=digest_of(job_data, survey_data, {}),
        currency=job.currency,
        prices_are_invented=job.prices_are_invented,
        seed=options.seed,
        effort=options.effort,
        alternatives=results,
        recommended=best_result.name if best_result is not None else None,
        says=recommendation(best_result, results, against, job.currency),
        differences=against,
        common_ground=common,
        doubts=_doubts(variants, outcomes),
        curves=curves,
        limits=limits,
    )
    kept = [
        None if plan is None else (plan, dict(variant.folder.files))
        for plan, variant in zip(plans, variants, strict=True)
    ]
    return Compared(comparison, tuple(kept))


def _doubts(variants: Sequence[Variant], outcomes: Sequence[Outcome]) -> list[str]:
    """What the surveys of those without a layout give to look at, each thing once: their plans would warn of it."""
    bare = ("no_feasible_layout", "no_layout_found")
    pairs = zip(variants, outcomes, strict=True)
    notes = [note for one, outcome in pairs if outcome.status in bare for note in one.folder.survey.notes]
    return list(dict.fromkeys(notes))


def _alike(outcomes: Sequence[Outcome], results: Sequence[AlternativeResult], best: AlternativeResult) -> set[str]:
    """Names of the alternatives that are planned just as the best one is."""
    own = outcomes[results.index(best)].plan
    assert own is not None
    pairs = zip(outcomes, results, strict=True)
    return {result.name for one, result in pairs if one.plan is not None and same_layout(own, one.plan)}


def listed(names: Sequence[str]) -> str:
    quoted = [f"'{name}'" for name in names]
    return " and ".join([", ".join(quoted[:-1]), quoted[-1]] if len(quoted) > 1 else quoted)


def _on_common_ground(
    variants: Sequence[Variant],
    outcomes: Sequence[Outcome],
    results: list[AlternativeResult],
    best: AlternativeResult | None,
    options: Options,
    crew: Workers,
) -> tuple[list[AlternativeResult], CommonGround | None]:
    """Bounds on the common graph of those that could be told from the best for certain; None with fewer than two."""
    made = [(i, outcome.made) for i, outcome in enumerate(outcomes) if outcome.made is not None]
    if best is None or best.figures is None or len(made) < 2:
        return results, None
    first = results.index(best)
    ground_of = {i: one.ground for i, one in made if one is not None}
    sharing = [
        i
        for i, ground in ground_of.items()
        if same_ground(variants[first].folder, ground_of[first], variants[i].folder, ground)
    ]
    apart = [results[i].name for i, _ in made if i not in sharing]
    names = [results[i].name for i in sharing]
    if len(sharing) < 2:
        says = "zones, ground prices, leads or supply points differ: each bound holds on its own ground"
        return results, CommonGround(alternatives=names, nodes=None, edges=None, says=says)
    union = union_of([ground_of[i] for i in sharing])
    # A bound on the union cannot exceed what one of the plan's own graph could prove by much: where that does not
    # reach the cheapest plan's cost, there is nothing to decide, and the work is saved.
    asked = []
    for i in sharing:
        figures = results[i].figures
        if figures is not None and figures.bound is not None and figures.bound > best.figures.cost.total + CENT:
            asked.append(i)
    tasks = [BoundTask(variants[i], union.graph, options.effort) for i in asked]
    bounds = crew.do(bound_on, tasks, lambda i, bound: None)
    new = list(results)
    for i, bound in zip(asked, bounds, strict=True):
        figures = results[i].figures
        assert figures is not None
        if isinstance(bound, Undone):
            continue
        new[i] = results[i].model_copy(update={"figures": figures.model_copy(update={"bound_on_common": bound})})
    says = "all places and lines that any of the alternatives was searched on"
    if apart:
        says += f"; {listed(apart)} with other zones, ground prices, leads or supply points on grounds of their own"
    return new, CommonGround(alternatives=names, nodes=union.graph.num_nodes, edges=union.graph.num_edges, says=says)


class _Site:
    """The alternatives of one site while they are planned; ``outcomes`` only ever get cheaper."""

    def __init__(
        self, variants: Sequence[Variant], outcomes: list[Outcome], options: Options, crew: Workers, tell: Tell
    ) -> None:
        self.variants, self.outcomes = variants, outcomes
        self._options, self._crew, self._tell = options, crew, tell
        self._exchange = Exchange()

    def best(self) -> int | None:
        """The cheapest, as ``cheapest`` has it."""
        costs = [
            (outcome.plan.cost.total, len(outcome.plan.drivers), i)
            for i, outcome in enumerate(self.outcomes)
            if outcome.plan is not None
        ]
        return min(costs)[2] if costs else None

    def known(self) -> list[Known]:
        """The layouts of all plans."""
        made = [(variant, outcome.made) for variant, outcome in zip(self.variants, self.outcomes, strict=True)]
        return [Known(variant.folder, one) for variant, one in made if one is not None]

    def share(self, more: Sequence[Known] = ()) -> None:
        """Offer all layouts to all alternatives; one that is better off with another's is planned again from it."""
        for _ in range(len(self.variants) + 1):
            pool = [*more, *self.known()]
            begin: dict[int, Known] = {}
            for i, (variant, outcome) in enumerate(zip(self.variants, self.outcomes, strict=True)):
                if outcome.status not in ("planned", "no_layout_found"):
                    continue  # what is proven, and what was never searched for, stays as it is
                cost = None if outcome.plan is None else outcome.plan.cost.total
                made = self._exchange.cheaper(variant.folder, variant.num_drivers, cost, pool)
                if made is not None:
                    begin[i] = Known(variant.folder, made)
            if not begin:
                return
            self._plan_again(begin)

    def _plan_again(self, begin: dict[int, Known]) -> None:
        """Plan these alternatives again, each from a layout that holds for it."""
        for i in begin:
            self._tell(f"{self.variants[i].name}: planned again from a cheaper layout found on the way")
        tasks = [_plan_task(self.variants[i], self._options, known) for i, known in begin.items()]
        results = self._crew.do(plan_variant, tasks, lambda i, outcome: None)
        for i, task, result in zip(begin, tasks, results, strict=True):
            if isinstance(result, Undone):  # take the layout as it is: that takes no search
                stop = StopSignal()
                stop.ask()
                result = plan_variant(task, stop)
            self.outcomes[i] = result

    def search_on(self, index: int, wanted: Wanted) -> _Extras:
        """Curves and limits of one alternative; what they find for it, and for others, is planned again from there."""
        variant, extras = self.variants[index], _Extras(index)
        if wanted.curves:
            self._tell(f"curves of cost against drop and volts, from '{variant.name}'")
            known = self._of(index)
            tasks = curve_tasks(variant, known.made.plan, known.warm, self._options)
            done = self._crew.do(trace_curve, tasks, lambda i, points: None)
            extras.curves = [(task, points_of(task, points)) for task, points in zip(tasks, done, strict=True)]
            self.share(extras.known())
        for _ in range(LIMIT_ROUNDS if wanted.limits else 0):
            self._tell(f"what each limit costs, from '{variant.name}'")
            known = self._of(index)
            limits = limit_tasks(variant, known.made, known.warm, self._options)
            found = self._crew.do(plan_variant, [task.plan for task in limits], lambda i, outcome: None)
            extras.limits = [(task, outcome_of(one)) for task, one in zip(limits, found, strict=True)]
            self.share(extras.known())
            if self._of(index).cost > known.cost - CENT:
                break  # else begin all of them from the better plan, so that each has the same chance
        return extras

    def _of(self, index: int) -> Known:
        made = self.outcomes[index].made
        assert made is not None
        return Known(self.variants[index].folder, made)

    def told(self, extras: _Extras) -> tuple[list[Curve], Limits | None]:
        """Curves and limits with every layout known offered to each of their points and rows."""
        variant, pool = self.variants[extras.index], [*self.known(), *extras.known()]
        curves = [curve_of(task, with_offers(task, points, pool, self._exchange)) for task, points in extras.curves]
        if not extras.limits:
            return curves, None
        offered = []
        for limit, outcome in extras.limits:
            cost = None if outcome.plan is None else outcome.plan.cost.total
            made = self._exchange.cheaper(limit.plan.variant.folder, variant.num_drivers, cost, pool)
            offered.append(None if made is None else made.plan.cost.total)
        own = self._of(extras.index).cost
        rows = relaxed_rows([task for task, _ in extras.limits], [one for _, one in extras.limits], offered, own)
        return curves, limits_of(variant, own, rows)
