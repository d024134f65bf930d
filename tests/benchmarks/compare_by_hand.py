"""What the search saves against a layout by hand. In: names of cases. Out: a table on the terminal.

    python -m tests.benchmarks.compare_by_hand              # all four cases
    python -m tests.benchmarks.compare_by_hand courtyard --effort 2

Every layout in the table, by hand or found, is built into a plan and judged by the independent check; one that the
check finds fault with counts as "does not pass". The saving is against the better of chain and tree, once with the
shortest ways by hand, once with the cheapest to dig. Seconds of every stage and the peak memory are printed too.
"""

from __future__ import annotations

import argparse
import resource
import time
from pathlib import Path

from optimiser.check import check_plan
from optimiser.ground import Ground, build_ground
from optimiser.job_folder import JobFolder, open_job
from optimiser.make_plan import Options, make_plan
from optimiser.plan.build import build_plan
from optimiser.plan.laying import CannotLay
from optimiser.plan.model import Plan
from tests.benchmarks.by_hand import Method, lay_by_hand
from tests.benchmarks.hand_circuit import DoesNotPass, Weight
from tests.benchmarks.results import Table

METHODS: tuple[tuple[str, Method], ...] = (("(a) chain", "chain"), ("(b) tree", "tree"))
WEIGHTS: tuple[Weight, ...] = ("shortest", "cheapest")
CASES = Path(__file__).resolve().parents[2] / "cases"
ALL = ("terrace", "courtyard", "orchard", "riverside")


def best_by_hand(folder: JobFolder, ground: Ground, method: Method, weight: Weight) -> tuple[Plan | None, str]:
    """Cheapest plan of one method that passes the check; or None and why there is none."""
    plans, why = judged(folder, ground, method, weight)
    if not plans:
        return None, why
    return min(plans, key=lambda plan: plan.cost.total), ""


def judged(folder: JobFolder, ground: Ground, method: Method, weight: Weight) -> tuple[list[Plan], str]:
    """Plans that the check passes, one for each set of gauges tried, and the first reason for those that are none."""
    plans: list[Plan] = []
    why = ""
    for layout in lay_by_hand(folder.job, folder.survey, ground.graph, method, weight):
        if isinstance(layout, DoesNotPass):
            why = why or str(layout)
            continue
        try:
            plan = build_plan(folder, ground, layout, draft=True)
        except CannotLay as failure:
            why = why or str(failure)
            continue
        report = check_plan(plan, folder.job, folder.survey, folder.digest)
        if report.holds:
            plans.append(plan)
        else:
            why = why or f"check: {report.violations[0].sentence}"
    return plans, why


def describe(name: str, plan: Plan | None, note: str) -> str:
    if plan is None:
        return f"  {name:<27} does not pass ({note})"
    cost = plan.cost
    rest = cost.supplies + cost.fuses
    sizes = ", ".join(used.size for used in plan.cables_used.values())
    note = f"; {note}" if note else ""
    return (
        f"  {name:<27}{cost.total:10.2f} = trench {cost.trench:.2f} + cable {cost.cable:.2f} + joints {cost.joints:.2f}"
        f" + drivers {cost.drivers:.2f} + supplies and fuses {rest:.2f}\n"
        f"{'':31}{len(plan.circuits)} circuits in {sizes}{note}"
    )


def compare(case: str, options: argparse.Namespace, table: Table) -> None:
    folder = open_job(CASES / case)
    ground = build_ground(folder.job, folder.survey)
    table.line(f"{case}: {len(folder.survey.lamps)} lamps; prices in {folder.job.currency}, invented")
    least: dict[Weight, float] = {}
    for weight in WEIGHTS:
        for name, method in METHODS:
            plan, why = best_by_hand(folder, ground, method, weight)
            table.line(describe(f"{name}, {weight} ways", plan, why))
            if plan is not None:
                least[weight] = min(least.get(weight, plan.cost.total), plan.cost.total)
    if options.only_by_hand:
        return
    plan, times = find(folder, options)
    report = check_plan(plan, folder.job, folder.survey, folder.digest)
    bound = "no bound" if plan.bound is None else f"bound {plan.bound:.2f}"
    table.line(describe("lampspur", plan, f"{bound}; check {'holds' if report.holds else 'FAILS'}"))
    table.line(f"  {times}")
    for weight, cost in least.items():
        saved = cost - plan.cost.total
        table.line(f"  saving against the better by hand, {weight} ways: {saved:.2f} ({100 * saved / cost:.1f} %)")
    own, helper = (resource.getrusage(who).ru_maxrss / 1024 for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN))
    table.line(f"  peak memory so far {own:.0f} MB, of the largest worker process {helper:.0f} MB\n")


class Watch:
    """Observer that keeps the seconds each stage of the search took, in order."""

    def __init__(self) -> None:
        self.started: list[tuple[str, float]] = [("ground", time.perf_counter())]

    def stage(self, name: str) -> None:
        self.started.append((name, time.perf_counter()))

    def best(self, cost: float) -> None: ...

    def bound(self, bound: float) -> None: ...

    def report(self) -> str:
        """Stages with their seconds; a stage that came several times is added up."""
        ends = [start for _, start in self.started[1:]] + [time.perf_counter()]
        spent: dict[str, float] = {}
        for (name, start), end in zip(self.started, ends, strict=True):
            spent[name] = spent.get(name, 0.0) + end - start
        return ", ".join(f"{name} {seconds:.1f} s" for name, seconds in spent.items())


def find(folder: JobFolder, options: argparse.Namespace) -> tuple[Plan, str]:
    """The tool's own plan, and how long it took."""
    watch, start = Watch(), time.perf_counter()
    plan = make_plan(folder, Options(options.seed, options.effort, processes=options.processes), observer=watch)
    return plan, f"{time.perf_counter() - start:.1f} s ({watch.report()})"


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("cases", nargs="*", default=list(ALL), help="names of folders in cases/")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--effort", type=float, default=1.0)
    parser.add_argument("--processes", type=int, default=2)
    parser.add_argument("--only-by-hand", action="store_true", help="leave the search out")
    options = parser.parse_args()
    table = Table("by_hand")
    for case in options.cases:
        compare(case, options, table)
    if set(options.cases) == set(ALL):  # the README's table is made of it
        table.keep()


if __name__ == "__main__":
    main()
