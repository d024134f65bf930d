"""What the search saves against a layout by hand. In: names of cases. Out: a table on the terminal.

    python -m tests.benchmarks.compare_by_hand              # all four cases
    python -m tests.benchmarks.compare_by_hand courtyard --effort 2

Every layout in the table, by hand or found, is built into a plan and judged by the independent check; one that the
check finds fault with counts as "does not pass". The saving is against the better of the two layouts by hand.
"""

from __future__ import annotations

import argparse
import time
from pathlib import Path

from optimiser.check import check_plan
from optimiser.ground import Ground, build_ground
from optimiser.job_folder import JobFolder, open_job
from optimiser.plan.build import build_plan
from optimiser.plan.laying import CannotLay
from optimiser.plan.model import Plan
from tests.benchmarks.by_hand import Method, lay_by_hand
from tests.benchmarks.hand_circuit import DoesNotPass, Weight

CASES = Path(__file__).resolve().parents[2] / "cases"
ALL = ("terrace", "courtyard", "orchard", "riverside")


def best_by_hand(folder: JobFolder, ground: Ground, method: Method) -> tuple[Plan | None, str]:
    """Cheapest plan of one method that passes the check, and what each sort of way came to; or None and why not."""
    best: Plan | None = None
    notes: list[str] = []
    for weight in ("shortest", "cheapest"):
        plans, why = judged(folder, ground, method, weight)
        least = min(plans, key=lambda plan: plan.cost.total, default=None)
        notes.append(f"{weight} ways {f'{least.cost.total:.2f}' if least else f'do not pass: {why}'}")
        if least is not None and (best is None or least.cost.total < best.cost.total):
            best = least
    return best, "; ".join(notes)


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
        return f"  {name:<18} does not pass ({note})"
    cost = plan.cost
    rest = cost.supplies + cost.fuses
    sizes = ", ".join(used.size for used in plan.cables_used.values())
    return (
        f"  {name:<18}{cost.total:10.2f} = trench {cost.trench:.2f} + cable {cost.cable:.2f} + joints {cost.joints:.2f}"
        f" + drivers {cost.drivers:.2f} + supplies and fuses {rest:.2f}\n"
        f"{'':30} {len(plan.circuits)} circuits in {sizes}; {note}"
    )


METHODS: tuple[tuple[str, Method], ...] = (("(a) chain by hand", "chain"), ("(b) tree by hand", "tree"))


def compare(case: str, options: argparse.Namespace) -> None:
    folder = open_job(CASES / case)
    ground = build_ground(folder.job, folder.survey)
    print(f"{case}: {len(folder.survey.lamps)} lamps; prices in {folder.job.currency}, invented")
    by_hand: list[float] = []
    for name, method in METHODS:
        plan, note = best_by_hand(folder, ground, method)
        print(describe(name, plan, note), flush=True)
        by_hand += [plan.cost.total] if plan is not None else []
    if options.only_by_hand:
        return
    plan, seconds = found(folder, options)
    report = check_plan(plan, folder.job, folder.survey, folder.digest)
    print(describe("lampspur", plan, f"{seconds:.1f} s, check {'holds' if report.holds else 'FAILS'}"))
    if by_hand and report.holds:
        least = min(by_hand)
        saved = least - plan.cost.total
        print(f"  saving against the better by hand: {saved:.2f} ({100 * saved / least:.1f} %)")
    print()


def found(folder: JobFolder, options: argparse.Namespace) -> tuple[Plan, float]:
    """Plan and seconds of the tool itself."""
    from optimiser.make_plan import make_plan

    start = time.perf_counter()
    plan = make_plan(folder, seed=options.seed, effort=options.effort)
    return plan, time.perf_counter() - start


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("cases", nargs="*", default=list(ALL), help="names of folders in cases/")
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--effort", type=float, default=1.0)
    parser.add_argument("--only-by-hand", action="store_true", help="leave the search out")
    options = parser.parse_args()
    for case in options.cases:
        compare(case, options)


if __name__ == "__main__":
    main()
