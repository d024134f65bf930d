"""Cost and proven bound by part, with trench at its price, a third and a sixth of it.

``python -m tests.benchmarks.bench_bound [case ...] [--effort E] [--search-effort E] [--processes N]`` plans each case,
bounds it on the plan's own ground graph, and prints the gap beside what dual ascent on trench, leads and cheapest
cable, fewest drivers and joints by their shares (the plainest bound) would leave. Prices of the grounds are multiplied;
nothing else of the job is changed.
"""

from __future__ import annotations

import argparse
import math
import time
import tomllib
from pathlib import Path
from typing import Any

from optimiser.check import check_plan
from optimiser.ground import Ground
from optimiser.job_folder import JobFolder, open_job
from optimiser.plan.build import build_plan
from optimiser.plan.laying import CannotLay
from optimiser.search.bound import dual_ascent, lower_bound
from optimiser.search.bound.drivers import drivers_bound
from optimiser.search.bound.loads import gather_loads
from optimiser.search.facts import Facts, gather_facts
from optimiser.search.find import Options, find_layout
from optimiser.search.layout import Layout
from optimiser.search.stopping import StopSignal

from .results import Table

CASES = Path(__file__).resolve().parents[2] / "cases"
SCALES = ((1, 1), (1, 3), (1, 6))


class _Silent:
    def stage(self, name: str) -> None: ...

    def best(self, cost: float) -> None: ...

    def bound(self, bound: float) -> None: ...


def scaled(path: Path, scale: float) -> JobFolder:
    """The case with every price of its grounds multiplied."""
    plain = open_job(path)
    written = tomllib.loads((path / "job.toml").read_text(encoding="utf-8"))["grounds"]
    overrides: dict[str, object] = {}
    for name, ground in plain.job.grounds.items():
        if name in written and ground.per_m is not None:
            overrides[f"grounds.{name}.per_m"] = round(ground.per_m * scale, 4)
            if ground.crossing:
                overrides[f"grounds.{name}.crossing"] = round(ground.crossing * scale, 4)
    return open_job(path, overrides) if scale != 1 else plain


def plainest(facts: Facts) -> float:
    """Dual ascent with the cheapest cable, fewest drivers, each lead's share of the cheapest joint."""
    shares = [price / (ways - 1) for price, ways, _, _ in facts.kits]
    leads = sum(1 for t in facts.lamp_type if facts.type_lead[t][0] < math.inf)
    return dual_ascent(facts) + drivers_bound(facts, gather_loads(facts)) + leads * min(shares)


def run(path: Path, scale: float, effort: float, search_effort: float, processes: int) -> dict[str, Any]:
    from optimiser.ground import build_ground

    folder = scaled(path, scale)
    ground = build_ground(folder.job, folder.survey)

    def confirm(layout: Layout, on: Ground) -> bool:
        try:
            draft = build_plan(folder, on, layout, draft=True)
        except CannotLay:
            return False
        return not check_plan(draft, folder.job, folder.survey, folder.digest).violations

    found = find_layout(
        folder.job,
        folder.survey,
        ground,
        Options(effort=search_effort, processes=processes),
        confirm,
        _Silent(),
        StopSignal(),
    )
    if isinstance(found, frozenset):
        raise SystemExit(f"{path.name}: no layout found")
    plan = build_plan(folder, found.ground, found.layout)
    facts = gather_facts(folder.job, folder.survey, found.ground.graph)
    begin = time.perf_counter()
    bound = lower_bound(facts, effort=effort)
    took_s = time.perf_counter() - begin
    return {"plan": plan, "bound": bound, "plainest": plainest(facts), "bound_s": took_s}


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("cases", nargs="*", default=["terrace", "courtyard", "orchard", "riverside"])
    parser.add_argument("--effort", type=float, default=1.0)
    parser.add_argument("--search-effort", type=float, default=1.0)
    parser.add_argument("--processes", type=int, default=1)
    args = parser.parse_args()
    table = Table("bound")
    for case in args.cases:
        for over, under in SCALES:
            out = run(CASES / case, over / under, args.effort, args.search_effort, args.processes)
            cost, bound = out["plan"].cost, out["bound"]
            gap, plain = (100 * (1 - b / cost.total) for b in (bound.total, out["plainest"]))
            at = "trench x 1" if under == 1 else f"trench x 1/{under}"
            table.line(
                f"{case}, {at}: cost {cost.total:.2f}, bound {bound.total:.2f}, gap {gap:.2f} %"
                f" (plainest bound: {plain:.2f} %), bound in {out['bound_s']:.1f} s"
            )
            parts = {k: v for k, v in cost.model_dump().items() if k != "total"}
            table.line("    cost:  " + ", ".join(f"{k} {v:.1f}" for k, v in parts.items()))
            table.line("    bound: " + ", ".join(f"{k} {v:.1f}" for k, v in bound.parts.items()))
    table.keep()


if __name__ == "__main__":
    main()
