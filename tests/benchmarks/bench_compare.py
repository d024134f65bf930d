"""Two alternatives side by side against the slower one alone, and a curve of ten points.

``python -m tests.benchmarks.bench_compare [--effort E]`` compares two and three drivers of orchard on two processes,
after planning each alone on one; then traces cost against drop for courtyard from its plan. Seconds by the clock hang
on what else the computer does; seconds of processor time, beside them, hardly do.
"""

from __future__ import annotations

import argparse
import os
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import TypeVar

from .results import Table

CASES = Path(__file__).resolve().parents[2] / "cases"
R = TypeVar("R")


def timed(work: Callable[[], R]) -> tuple[R, float, float]:
    """Result, seconds by the clock, seconds of processor time with that of processes that have ended."""
    begin, used = time.perf_counter(), os.times()
    result = work()
    now = os.times()
    spent = sum(now[:4]) - sum(used[:4])
    return result, time.perf_counter() - begin, spent


def main() -> None:
    from optimiser.compare.alternatives import list_variants
    from optimiser.compare.compare import compare
    from optimiser.compare.curves import Point, curve_of, curve_tasks, known_of, trace_curve, with_offers
    from optimiser.compare.exchange import Exchange, Known
    from optimiser.compare.workers import workers
    from optimiser.make_plan import Options, make_plan, make_whole
    from optimiser.search.stopping import StopSignal
    from optimiser.search.warm import carry

    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--effort", type=float, default=1.0)
    args = parser.parse_args()
    options = Options(effort=args.effort)
    table = Table("compare")
    table.line(f"effort {args.effort:g}                        cost   seconds  of processor")
    variants = list_variants(CASES / "orchard", [2, 3])
    alone = []
    for variant in variants:
        plan, wall, spent = timed(lambda v=variant: make_plan(v.folder, replace(options, num_drivers=v.num_drivers)))  # type: ignore[misc]
        alone.append((wall, spent))
        table.line(f"orchard, {variant.name}, alone       {plan.cost.total:10.2f}  {wall:8.1f}  {spent:8.1f}")

    def both() -> None:
        with workers(2, None, StopSignal()) as crew:
            compare([variants], options, crew, lambda text: None)

    _, wall, spent = timed(both)
    table.line(f"orchard, both, two processes                {wall:8.1f}  {spent:8.1f}")
    slower, every = max(one for one, _ in alone), sum(used for _, used in alone)
    table.line(f"  {wall / slower:.2f} x the slower alone by the clock; {spent / every:.2f} x both alone of processor")
    variant = list_variants(CASES / "courtyard", [1, 2])[1]
    made = make_whole(variant.folder, replace(options, num_drivers=variant.num_drivers, prove=False))
    warm = carry(variant.folder.job, variant.folder.survey, made.ground.graph, made.layout)
    task = curve_tasks(variant, made.plan, warm, options)[0]

    def traced() -> list[Point]:
        points = trace_curve(task, StopSignal())
        return with_offers(task, points, [Known(variant.folder, made), *known_of(points)], Exchange())

    points, wall, spent = timed(traced)
    curve = curve_of(task, points)
    table.line(f"courtyard, {len(curve.points)} points of cost against drop     {wall:8.1f}  {spent:8.1f}")
    for point in curve.points:
        table.line(f"  {point.limit:4g} %  {'-' if point.cost is None else f'{point.cost:.2f}':>9}")
    table.line(f"  {curve.says}")
    table.keep()


if __name__ == "__main__":
    main()
