"""Trench alone on open ground against published Euclidean Steiner optima (OR-Library, Beasley 1992; optima
Zachariasen).

``python -m tests.benchmarks.bench_euclidean [sizes ...] [--most N] [--effort E]`` plans each problem through the
tool's own search and prints the excess of the trench over the optimum, beside the plain spanning tree's. "estimated":
no optima of single problems are published for this size; each is taken as a published heuristic's length less that
heuristic's mean excess over the 15 problems, so the mean means more than the worst.
"""

from __future__ import annotations

import argparse
import time
from concurrent.futures import ProcessPoolExecutor

import numpy as np

from optimiser.make_plan import Options, make_plan

from . import instances
from .plain_ground import plain_ground
from .results import Table

SCALE_M = 100.0
"""The unit square becomes so many metres, so that the plan's millimetres do not matter."""


def excess(
    problem: tuple[str, np.ndarray, float | None, float], effort: float
) -> tuple[str, float, float, float, float]:
    """Name, trench over optimum - 1, spanning tree over optimum - 1, seconds, gap to the proven bound."""
    name, points, optimum, spanning = problem
    folder = plain_ground(points * SCALE_M, title=name)
    begin = time.perf_counter()
    plan = make_plan(folder, Options(effort=effort))
    seconds = time.perf_counter() - begin
    length = sum(trench.length_m for trench in plan.trenches) / SCALE_M
    best = optimum if optimum is not None else float("nan")
    return name, length / best - 1, spanning / best - 1, seconds, plan.gap or 0.0


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("sizes", nargs="*", type=int, default=[10, 20, 50, 100])
    parser.add_argument("--most", type=int, default=15)
    parser.add_argument("--effort", type=float, default=0.3)
    args = parser.parse_args()
    if instances.folder() is None:
        print(instances.WHY_NOT)
        return
    table = Table("euclidean")
    table.line(
        f"{'points':>6} {'problems':>8} {'mean excess %':>14} {'worst %':>8} {'spanning tree %':>16} "
        f"{'gap %':>7} {'s each':>7}"
    )
    every: list[float] = []
    for size in args.sizes or [10, 20, 50, 100]:
        problems = instances.euclidean(size)[: args.most]
        with ProcessPoolExecutor(2) as pool:
            rows = list(pool.map(excess, problems, [args.effort] * len(problems)))
        over = np.array([row[1] for row in rows])
        every.extend(over)
        table.line(
            f"{size:>6} {len(rows):>8} {100 * over.mean():>14.3f} {100 * over.max():>8.3f} "
            f"{100 * np.mean([r[2] for r in rows]):>16.3f} {100 * np.mean([r[4] for r in rows]):>7.3f} "
            f"{np.mean([r[3] for r in rows]):>7.1f}{'  estimated' * instances.is_estimated(size)}",
        )
    table.line(f"mean excess over all: {100 * np.mean(every):.3f} %")
    table.keep()


if __name__ == "__main__":
    main()
