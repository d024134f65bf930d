"""A comparison on one page. In: variants of one job, how to search, workers. Out: Compared: Comparison and plans.

1. plan every alternative, side by side; 2. where they share their ground, bound those on the common graph whose own
bound leaves anything to decide; 3. recommend; 4. on request, search on from the recommended plan: curves, limits.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

from ..job_folder import digest_of
from ..make_plan import Options
from ..plan.model import Plan, Tool
from ..problems import StoppedBeforeLayout
from ..search.warm import carry
from .alternatives import Variant
from .common_ground import BoundTask, bound_on, same_ground, union_of
from .curves import curve_tasks, trace_curve
from .figures import figures_of
from .limits import limit_tasks, limits_of, needs_nothing
from .model import AlternativeResult, CommonGround, Comparison, Curve, Limits
from .planning import Outcome, PlanTask, plan_folder_name, plan_variant
from .verdict import CENT, cheapest, differences, recommendation
from .workers import Workers

LIMIT_ROUNDS = 2
"""How often limits are relaxed anew from a better plan for the job as it is."""
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
    """
    options = replace(options, processes=1)  # the alternatives are what runs side by side
    flat = [(s, variant) for s, variants in enumerate(sites) for variant in variants]

    def planned(i: int, outcome: Outcome) -> None:
        site, variant = flat[i]
        where = f"{variant.folder.job.title}, " if len(sites) > 1 else ""
        tell(f"{where}{variant.name}: {_says(outcome, variant)}")
        del site

    tasks = [PlanTask(variant, replace(options, num_drivers=variant.num_drivers)) for _, variant in flat]
    outcomes = crew.do(plan_variant, tasks, planned)
    if all(outcome.status == "stopped" for outcome in outcomes):
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


def _site(
    variants: Sequence[Variant],
    outcomes: Sequence[Outcome],
    options: Options,
    crew: Workers,
    tell: Tell,
    wanted: Wanted,
) -> Compared:
    job = variants[0].folder.job
    folders = plan_folder_name([variant.name for variant in variants])
    results = [
        AlternativeResult(
            name=variant.name,
            folder=folder if outcome.plan is not None else None,
            overrides=dict(variant.folder.overrides),
            drivers_asked=variant.num_drivers,
            status=outcome.status,
            why=list(outcome.why),
            figures=figures_of(outcome.plan, variant.folder.job) if outcome.plan is not None else None,
        )
        for variant, outcome, folder in zip(variants, outcomes, folders, strict=True)
    ]
    best = cheapest(results)
    results, common = _on_common_ground(variants, outcomes, results, best, options, crew)
    best = cheapest(results)
    against = []
    if best is not None:
        sharing = common.alternatives if common is not None else []
        against = differences(best, results, sharing, job.currency)
    curves: list[Curve] = []
    limits: Limits | None = None
    if best is not None and (wanted.curves or wanted.limits):
        curves, limits = _search_on(variants, outcomes, results.index(best), options, crew, tell, wanted)
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
        recommended=best.name if best is not None else None,
        says=recommendation(best, results, against, job.currency),
        differences=against,
        common_ground=common,
        curves=curves,
        limits=limits,
    )
    kept = [
        None if plan is None else (plan, dict(variant.folder.files))
        for plan, variant in zip(plans, variants, strict=True)
    ]
    return Compared(comparison, tuple(kept))


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
        says = "zones, ground prices, leads or supply points differ: each bound holds on its own graph"
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
        new[i] = results[i].model_copy(update={"figures": figures.model_copy(update={"bound_on_common": bound})})
    says = "the union of the alternatives' refined graphs"
    if apart:
        says += f"; {listed(apart)} with other zones, ground prices, leads or supply points on graphs of their own"
    return new, CommonGround(alternatives=names, nodes=union.graph.num_nodes, edges=union.graph.num_edges, says=says)


def _search_on(
    variants: Sequence[Variant],
    outcomes: Sequence[Outcome],
    index: int,
    options: Options,
    crew: Workers,
    tell: Tell,
    wanted: Wanted,
) -> tuple[list[Curve], Limits | None]:
    """Curves and limits of the recommended plan."""
    variant, made = variants[index], outcomes[index].made
    assert made is not None
    warm = carry(variant.folder.job, variant.folder.survey, made.ground.graph, made.layout)
    curves: list[Curve] = []
    if wanted.curves:
        tell(f"curves of cost against drop and volts, from '{variant.name}'")
        curves = crew.do(trace_curve, curve_tasks(variant, made.plan, warm, options), lambda i, curve: None)
    limits = None
    if wanted.limits:
        tell(f"what each limit costs, from '{variant.name}'")
        chosen = made.plan
        for _ in range(LIMIT_ROUNDS):
            tasks = limit_tasks(variant, made, warm, options)
            found = crew.do(plan_variant, [task.plan for task in tasks], lambda i, outcome: None)
            better = needs_nothing(variant, tasks, found)
            least = chosen.cost.total if better is None else min(chosen.cost.total, better.plan.cost.total)
            limits = limits_of(variant, chosen, least, tasks, found)
            if better is None or better.plan.cost.total > made.plan.cost.total - CENT:
                break
            made = better  # begin all of them from there, so that each has the same chance
            warm = carry(variant.folder.job, variant.folder.survey, made.ground.graph, made.layout)
    return [curve for curve in curves if curve.points], limits
