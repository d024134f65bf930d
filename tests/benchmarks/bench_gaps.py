"""Seconds and proven gap of small gardens at default effort, beside the goals set for them.

``python -m tests.benchmarks.bench_gaps [--seeds N] [--effort E] [--processes P]`` plans the random gardens of
``bench_oracle`` (house, bed, lawn, invented prices): 6 to 12 lamps on one circuit, with loads at which thin cable
nearly does and at which voltage binds hard, and 12 lamps that need two or three circuits. Goals that are missed are
printed as missed. The gaps of the cases are ``bench_bound``'s.
"""

from __future__ import annotations

import argparse
import statistics
import time

from optimiser.make_plan import Options, make_plan

from .bench_oracle import garden
from .results import Table

KINDS = (
    # lamps, watts of all, what, most seconds, most gap in per cent, share of gardens that should have none
    (6, 24.0, "one circuit, thin cable nearly does", 2, 0.0, 1.0),
    (8, 24.0, "one circuit, thin cable nearly does", 2, 0.0, 1.0),
    (8, 60.0, "one circuit, voltage binds hard", 2, 0.0, 1.0),
    (12, 24.0, "one circuit, thin cable nearly does", 10, 1.0, 0.9),
    (12, 60.0, "one circuit, voltage binds hard", 10, 1.0, 0.9),
    (12, 180.0, "two or three circuits", 30, 2.0, 0.0),
)
ZERO = 0.005
"""Gaps below this many per cent are none: half a cent of a hundred."""


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", type=int, default=10)
    parser.add_argument("--effort", type=float, default=1.0)
    parser.add_argument("--processes", type=int, default=2)
    args = parser.parse_args()
    table = Table("gaps")
    table.line(f"{args.seeds} gardens of each kind, effort {args.effort:g}, {args.processes} processes")
    table.line("lamps  circuits  seconds (most)  gap % (mean, most)  none  goal")
    for lamps, watts, what, most_s, most_gap, share in KINDS:
        seconds, gaps, circuits = [], [], []
        for seed in range(args.seeds):
            folder = garden(lamps, watts / lamps, seed)
            begin = time.perf_counter()
            plan = make_plan(folder, Options(effort=args.effort, processes=args.processes))
            seconds.append(time.perf_counter() - begin)
            assert plan.gap is not None
            gaps.append(100 * plan.gap)
            circuits.append(len(plan.circuits))
        none = sum(gap < ZERO for gap in gaps)
        met = max(seconds) <= most_s and max(gaps) <= most_gap + ZERO and none >= share * args.seeds
        goal = f"{most_s} s, gap at most {most_gap:g} %" + (f", none in {100 * share:.0f} %" if share else "")
        table.line(
            f"{lamps:5d}  {min(circuits)} to {max(circuits)}    {max(seconds):8.1f}       "
            f"{statistics.mean(gaps):6.2f} {max(gaps):7.2f}     {none:2d}/{args.seeds}   {goal}: "
            f"{'met' if met else 'MISSED'}   ({what})"
        )
    table.keep()


if __name__ == "__main__":
    main()
