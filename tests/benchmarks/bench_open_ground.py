"""The bound on the open ground beside the bound on the ground graph, and processor seconds of both.

``python -m tests.benchmarks.bench_open_ground [case ...] [--seeds N] [--search-effort E] [--effort E]`` plans each case
(default terrace and courtyard) and the random gardens of ``bench_gaps``, N of each kind, and bounds each on its plan's
ground graph and on the open ground. Last come Euclidean Steiner trees with published optima (trench alone, 1 a metre),
where the instances are there. Prices are invented.
"""

from __future__ import annotations

import argparse
import time
from pathlib import Path

import numpy as np

from optimiser.ground import build_ground
from optimiser.job_folder import JobFolder, open_job
from optimiser.make_plan import Options, make_whole
from optimiser.search.bound import lower_bound
from optimiser.search.facts import gather_facts
from optimiser.search.open_bound import open_bound

from . import instances
from .bench_gaps import KINDS
from .bench_oracle import garden
from .plain_ground import plain_ground
from .results import Table

CASES = Path(__file__).resolve().parents[2] / "cases"
SIZES = (10,)


def row(name: str, folder: JobFolder, search_effort: float, effort: float) -> tuple[str, float | None]:
    """A line of the table, and the bound on the open ground as part of the one on the graph."""
    made = make_whole(folder, Options(effort=search_effort, prove=False))
    facts = gather_facts(folder.job, folder.survey, made.ground.graph)
    facts = facts.plain or facts
    begin = time.process_time()
    on_graph = lower_bound(facts, effort=effort).total
    middle = time.process_time()
    on_open = open_bound(facts, made.ground.land, effort=effort)
    end = time.process_time()
    text = f"{name:<22} {made.plan.cost.total:10.2f} {on_graph:10.2f} {middle - begin:8.2f}"
    if on_open is None:
        return f"{text}       none", None
    part = on_open.total / on_graph
    return f"{text} {on_open.total:10.2f} {end - middle:8.2f} {100 * part:8.2f}", part


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("cases", nargs="*", default=["terrace", "courtyard"])
    parser.add_argument("--seeds", type=int, default=3)
    parser.add_argument("--search-effort", type=float, default=0.2)
    parser.add_argument("--effort", type=float, default=1.0)
    args = parser.parse_args()
    table = Table("open_ground")
    table.line(f"plans at effort {args.search_effort:g}, bounds at effort {args.effort:g}; s: processor seconds")
    table.line(f"{'job':<22} {'cost':>10} {'graph':>10} {'s':>8} {'open':>10} {'s':>8} {'% of it':>8}")
    jobs = [(name, open_job(CASES / name)) for name in args.cases]
    for lamps, watts, *_ in KINDS:
        jobs += [(f"{lamps} lamps {watts:.0f} W no. {n}", garden(lamps, watts / lamps, n)) for n in range(args.seeds)]
    parts = []
    for name, folder in jobs:
        text, part = row(name, folder, args.search_effort, args.effort)
        table.line(text)
        parts += [] if part is None else [part]
    table.line(f"lowest {100 * min(parts):.2f} %, mean {100 * np.mean(parts):.2f} %")
    if instances.folder() is not None:
        table.line()
        table.line("Euclidean Steiner trees, bound as part of the published optimum")
        for size in SIZES:
            shares, seconds = [], []
            for _, points, optimum, _ in instances.euclidean(size)[:15]:
                folder = plain_ground(100 * points)
                ground = build_ground(folder.job, folder.survey)
                facts = gather_facts(folder.job, folder.survey, ground.graph)
                begin = time.process_time()
                found = open_bound(facts, ground.land, effort=args.effort)
                seconds.append(time.process_time() - begin)
                assert found is not None and optimum is not None
                shares.append(found.total / (100 * optimum))
            table.line(
                f"{size} points: lowest {100 * min(shares):.2f} %, mean {100 * np.mean(shares):.2f} %, "
                f"highest {100 * max(shares):.2f} %, {np.mean(seconds):.1f} s each"
            )
    table.keep()


if __name__ == "__main__":
    main()
