"""How much the layout search depends on its seed: cost over several seeds, and seconds, on fixed gardens and cases.

``python -m tests.benchmarks.bench_seeds [--seeds N] [--effort E] [--only NAME ...] [--processes P]`` searches layouts
of random gardens of ``bench_oracle`` and of two cases with the seeds 1 to N. A change to the search is judged by means
over seeds and sites: one seed alone says little where the scatter is larger than what the change brings.

Cost is that of the layout found, on the ground as refined. Scatter is the sample standard deviation over the mean.
Seconds are those of one search in the mean; the ground is built before, and no more is proven than is had at once.
"""

from __future__ import annotations

import argparse
import statistics
import time

from optimiser.ground import Ground, build_ground
from optimiser.job_folder import JobFolder, open_job
from optimiser.make_plan import Silent, plan_of
from optimiser.search.find import Options, find_layout
from optimiser.search.layout import Layout
from optimiser.search.stopping import StopSignal

from .bench_oracle import garden
from .compare_by_hand import CASES
from .results import Table

KINDS = ((8, 24), (8, 60), (12, 24), (12, 60), (12, 180))
"""Lamps of a garden, and watts of all together."""
GARDENS = range(2)
GARDEN_SITES = {f"{lamps}x{watts}W-{number}": (lamps, watts, number) for lamps, watts in KINDS for number in GARDENS}
"""By name; the last figure is the number that the garden is drawn with."""
CASE_SITES = ("courtyard", "orchard")
SITES = (*GARDEN_SITES, *CASE_SITES)


def site(name: str) -> JobFolder:
    if name in GARDEN_SITES:
        lamps, watts, number = GARDEN_SITES[name]
        return garden(lamps, watts / lamps, number)
    return open_job(CASES / name)


def search(folder: JobFolder, options: Options) -> tuple[float | None, float]:
    """Cost of the layout found, reels apart, None where none was found; and seconds of the search."""
    ground = build_ground(folder.job, folder.survey)

    def confirm(layout: Layout, on: Ground) -> bool:
        return plan_of(folder, on, layout) is not None

    begin = time.perf_counter()
    found = find_layout(folder.job, folder.survey, ground, options, confirm, Silent(), StopSignal())
    seconds = time.perf_counter() - begin
    if isinstance(found, frozenset):
        return None, seconds
    plan = plan_of(folder, found.ground, found.layout)
    assert plan is not None  # it was confirmed
    return plan.cost.total, seconds


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", type=int, default=5, help="at least 2")
    parser.add_argument("--effort", type=float, default=1.0)
    parser.add_argument("--only", nargs="+", choices=SITES, default=SITES, metavar="NAME", help=", ".join(SITES))
    parser.add_argument("--processes", type=int, default=2)
    args = parser.parse_args()
    if args.seeds < 2:
        parser.error("a scatter needs two seeds at least")
    table = Table("seeds")
    table.line(f"seeds 1 to {args.seeds}, effort {args.effort:g}, {args.processes} processes")
    table.line("site          lowest      mean   highest  scatter %  seconds")
    means, scatters, spent_s = [], [], []
    for name in args.only:
        folder = site(name)
        found = [
            search(folder, Options(seed=seed, effort=args.effort, processes=args.processes, prove=False))
            for seed in range(1, args.seeds + 1)
        ]
        seconds = statistics.mean(spent for _, spent in found)
        costs = [cost for cost, _ in found if cost is not None]
        if len(costs) < args.seeds:  # a mean over those that found one would flatter
            table.line(f"{name:<10}  no layout with {args.seeds - len(costs)} of {args.seeds} seeds {seconds:20.1f}")
            continue
        mean = statistics.mean(costs)
        scatter = 100 * statistics.stdev(costs) / mean
        table.line(f"{name:<10}  {min(costs):8.2f}  {mean:8.2f}  {max(costs):8.2f}  {scatter:9.2f}  {seconds:7.1f}")
        means.append(mean)
        scatters.append(scatter)
        spent_s.append(seconds)
    if len(means) > 1:
        whole, scatter, seconds = statistics.geometric_mean(means), statistics.mean(scatters), statistics.mean(spent_s)
        table.line(f"{'mean':<20}  {whole:8.2f}  {scatter:19.2f}  {seconds:7.1f}   (of costs: geometric)")
    table.keep()


if __name__ == "__main__":
    main()
