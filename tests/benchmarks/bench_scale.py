"""Time and memory against lamps, on made grounds, stage by stage, with the growth from one size to the next.

``python -m tests.benchmarks.bench_scale [lamps ...] [--kind park] [--effort E] [--time-limit S] [--profile N]`` plans
a site of each size in a process of its own. ``--profile N`` prints the N functions that take longest instead (one
process, the last size). Growth is the power p in "time grows as lamps to the power p" between one size and the one
before. "CPU s" is what all processes computed, imports included: beside other work on the same computer it says more
than the seconds of the clock.
"""

from __future__ import annotations

import argparse
import contextlib
import math
import multiprocessing
import resource
import sys
import tempfile
import threading
import time
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path
from typing import Any

from .make_site import KINDS, make_site
from .results import Table

STAGES = ("site", "ground", "first layout", "search", "bound", "plan", "check", "papers")


class _Clock:
    """An observer that notes and prints when each stage began, and when the first layout was confirmed."""

    def __init__(self) -> None:
        self.begun: list[tuple[str, float]] = []
        self.first_s = math.nan
        self.start = time.perf_counter()

    def stage(self, name: str) -> None:
        self.begun.append((name, time.perf_counter()))
        peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
        print(f"  {self.begun[-1][1] - self.start:8.1f} s {peak:6.0f} MB  {name}", file=sys.stderr, flush=True)

    def best(self, cost: float) -> None:
        if math.isnan(self.first_s):
            self.first_s = time.perf_counter() - self.start
        print(f"  {time.perf_counter() - self.start:8.1f} s  {cost:12.2f}", file=sys.stderr, flush=True)

    def bound(self, bound: float) -> None: ...


class _Watch(threading.Thread):
    """
    Greatest memory of this process and its workers together, looked at every quarter of a second (on Linux).

    A worker's own greatest, as the system keeps it, counts what its parent held when it was started.
    """

    def __init__(self) -> None:
        super().__init__(daemon=True)
        self.over, self.peak_mb = threading.Event(), 0.0

    def run(self) -> None:
        page_mb = resource.getpagesize() / 2**20
        while not self.over.wait(0.25):
            with contextlib.suppress(OSError):  # a worker that has just ended; no such files on other systems
                tasks = Path("/proc/self/task").iterdir()
                held = ["self", *(pid for task in tasks for pid in (task / "children").read_text().split())]
                pages = sum(int(Path(f"/proc/{pid}/statm").read_text().split()[1]) for pid in held)
                self.peak_mb = max(self.peak_mb, pages * page_mb)


def run(
    lamps: int, kind: str, seed: int, effort: float, processes: int, limit_s: float | None = None
) -> dict[str, Any]:
    """Plan one site; seconds of each stage, sizes, cost, gap, peak memory of this process and its children."""
    from optimiser.check import check_plan
    from optimiser.documents.folder import write_plan_folder
    from optimiser.ground import Ground, build_ground
    from optimiser.plan.build import Proof, build_plan
    from optimiser.plan.laying import CannotLay
    from optimiser.search.find import Options, find_layout
    from optimiser.search.layout import Layout
    from optimiser.search.stopping import StopSignal

    out: dict[str, Any] = {"lamps": lamps}
    watch = _Watch()
    watch.start()
    now = time.perf_counter
    begin = now()
    folder = make_site(lamps, seed, kind)
    out["site"] = now() - begin
    begin = now()
    ground = build_ground(folder.job, folder.survey)
    out["ground"] = now() - begin
    out["nodes"], out["edges"], out["supplies"] = (
        ground.graph.num_nodes,
        ground.graph.num_edges,
        len(folder.survey.supplies),
    )
    refused: list[str] = []

    def confirm(layout: Layout, on: Ground) -> bool:
        try:
            draft = build_plan(folder, on, layout, draft=True)
        except CannotLay as error:
            refused.append(str(error))
            return False
        found = check_plan(draft, folder.job, folder.survey, folder.digest).violations
        refused.extend(finding.sentence for finding in found)
        return not found

    clock = _Clock()
    stop = StopSignal(limit_s)
    options = Options(seed=seed, effort=effort, processes=processes)
    found = find_layout(folder.job, folder.survey, ground, options, confirm, clock, stop)
    ended = now()
    begun = dict(reversed(clock.begun))
    search_at = clock.begun[1][1] if len(clock.begun) > 1 else ended
    bound_at = begun.get("bound", ended)
    out["first layout"], out["search"], out["bound"] = (
        search_at - clock.begun[0][1],
        bound_at - search_at,
        ended - bound_at,
    )
    out["first_s"], out["refused"] = clock.first_s, refused
    if isinstance(found, frozenset):
        out["left_out"] = len(found)
    else:
        begin = now()
        proof = Proof(
            seed=seed,
            effort=effort,
            work=found.work,
            outcome="stopped_by_time" if stop.by_time else "effort_spent",
            bound=found.bound.total,
            bound_says=found.bound.says,
            bound_parts=found.bound.parts,
            refinements=found.refinements,
            last_gain_pct=found.last_gain_pct,
        )
        plan = build_plan(folder, found.ground, found.layout, proof)
        out["plan"] = now() - begin
        begin = now()
        out["violations"] = len(check_plan(plan, folder.job, folder.survey, folder.digest).violations)
        out["check"] = now() - begin
        begin = now()
        with tempfile.TemporaryDirectory() as place:
            write_plan_folder(plan, folder.files, Path(place) / "plan", replace=False)
        out["papers"] = now() - begin
        out["cost"], out["gap"] = plan.cost.total, plan.gap
        out["end_nodes"] = found.ground.graph.num_nodes
    watch.over.set()
    watch.join()
    mine, workers = (resource.getrusage(who) for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN))
    out["peak_mb"] = max(watch.peak_mb, mine.ru_maxrss / 1024)
    out["cpu_s"] = sum(usage.ru_utime + usage.ru_stime for usage in (mine, workers))
    return out


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("lamps", nargs="*", type=int, default=[50, 120, 250])
    parser.add_argument("--kind", choices=sorted(KINDS), default="park")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--effort", type=float, default=0.05)
    parser.add_argument("--processes", type=int, default=1)
    parser.add_argument("--time-limit", type=float, default=None, help="seconds of the search, for the largest sites")
    parser.add_argument("--profile", type=int, default=0)
    args = parser.parse_args()
    if args.profile:
        profile(args.lamps[-1], args)
        return
    table = Table("scale")
    table.line(f"{args.kind}, seed {args.seed}, effort {args.effort:g}, {args.processes} processes; seconds by stage")
    heads = "".join(f"{name:>13}" for name in (*STAGES, "together"))
    heads += f"{'CPU s':>9}{'peak MB':>9}{'first s':>9}"
    table.line(f"{'lamps':>6}{'nodes':>7}{'edges':>8}{heads}{'cost':>11}{'gap %':>7}  check")
    before: dict[str, Any] | None = None
    context = multiprocessing.get_context("spawn")
    for lamps in args.lamps:
        with ProcessPoolExecutor(1, mp_context=context) as pool:  # its process may have workers of its own
            got = pool.submit(run, lamps, args.kind, args.seed, args.effort, args.processes, args.time_limit).result()
        got["together"] = sum(got.get(name, 0.0) for name in STAGES)
        columns = "".join(f"{got.get(name, math.nan):>13.2f}" for name in (*STAGES, "together"))
        if "left_out" in got:
            end = f"{'none found':>18}  {got['left_out']} lamps left out"
        else:
            end = f"{got['cost']:>11.2f}{100 * (got['gap'] or 0):>7.1f}  "
            end += "passes" if not got["violations"] else f"{got['violations']} violations"
        table.line(
            f"{lamps:>6}{got['nodes']:>7}{got['edges']:>8}{columns}{got['cpu_s']:>9.0f}{got['peak_mb']:>9.0f}{got['first_s']:>9.1f}{end}"
        )
        if got["refused"]:
            table.line(f"{'':>6} {len(got['refused'])} findings against drafts, such as: {got['refused'][0]}")
        if before is not None:
            times = math.log(lamps / before["lamps"])
            powers = "".join(
                f"{math.log(max(got.get(name, math.nan), 0.01) / max(before.get(name, math.nan), 0.01)) / times:>13.2f}"
                for name in (*STAGES, "together")
            )
            table.line(
                f"{'growth':>6}{'':>15}{powers}{'':>9}{math.log(got['peak_mb'] / before['peak_mb']) / times:>9.2f}"
            )
        before = got
    table.keep()


def profile(lamps: int, args: argparse.Namespace) -> None:
    """The functions in which time is spent, by their own time."""
    import cProfile
    import pstats

    profiler = cProfile.Profile()
    profiler.enable()
    run(lamps, args.kind, args.seed, args.effort, 1, args.time_limit)
    profiler.disable()
    pstats.Stats(profiler).strip_dirs().sort_stats("tottime").print_stats(args.profile)


if __name__ == "__main__":
    main()
