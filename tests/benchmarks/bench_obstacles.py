"""Steiner trees among solid and soft polygons, through the whole tool: no-dig zones and dearer ground.

``python -m tests.benchmarks.bench_obstacles [--most TERMINALS] [--effort E] [--only solid|soft]`` prints each tree's
weighted length beside the published average of ten runs. Goal: at or below it on every instance up to 200 terminals.
M. Rosenberg et al., GECCO 2021, doi 10.1145/3449639.3459397. For three solid problems a value is known besides:
5.4451 (a shortest path) and 1 + sqrt(3) are optima; 5.6662 can be reached where 5.7151 was published.
"""

from __future__ import annotations

import argparse
import csv
import math
import time
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

import numpy as np

from optimiser.make_plan import Options, make_plan
from optimiser.problems import LampspurError

from . import instances
from .plain_ground import plain_ground
from .results import Table

EXTENT_M = 1000.0
"""The longer side of each instance becomes so many metres, so that millimetres do not matter."""
KNOWN = {("Solid", 5): 5.4451, ("Solid", 11): 1 + math.sqrt(3), ("Solid", 3): 5.6662}


def read(folder: Path, kind: str, number: int) -> tuple[np.ndarray, list[tuple[float | None, np.ndarray]]]:
    """Terminals, and (weight or None for solid, corners) of each polygon."""
    lines = (folder / f"terminals{number}.csv").read_text(encoding="utf-8-sig").splitlines()[1:]
    points = np.array([[float(v) for v in line.split(",")[:2]] for line in lines if line.strip(", ")])
    zones: list[tuple[float | None, np.ndarray]] = []
    weight: float | None = None
    ring: list[list[float]] = []
    for line in [*(folder / f"obstacles{number}.csv").read_text(encoding="utf-8-sig").splitlines(), ""]:
        words = [word.strip() for word in line.split(",") if word.strip()]
        if len(words) >= 2:
            ring.append([float(words[0]), float(words[1])])
            continue
        if ring:
            zones.append((weight, np.array(ring)))
            ring = []
        if words:
            weight = None if words[0] == "max" else float(words[0])
    return np.array(list(dict.fromkeys(map(tuple, points.tolist())))), zones


def solve(task: tuple[str, str, int], effort: float) -> tuple[int, int, float, float, str]:
    """Terminals, corners, weighted length, seconds, and why not where there is no plan."""
    folder, kind, number = task
    points, zones = read(Path(folder), kind, number)
    every = np.vstack([points, *[ring for _, ring in zones]])
    low = every.min(axis=0) - 0.02
    scale = EXTENT_M / float((every.max(axis=0) - low).max())
    moved = [(weight, (ring - low) * scale) for weight, ring in zones]
    begin = time.perf_counter()
    corners = sum(len(ring) for _, ring in zones)
    try:
        plan = make_plan(plain_ground((points - low) * scale, moved, title=f"{kind} {number}"), Options(effort=effort))
    except LampspurError as error:
        return len(points), corners, math.nan, time.perf_counter() - begin, str(error).splitlines()[0][:90]
    return len(points), corners, plan.cost.trench / scale, time.perf_counter() - begin, ""


def published(path: Path) -> dict[tuple[str, int], float]:
    """Average of ten runs by kind and number."""
    found: dict[tuple[str, int], float] = {}
    with (path / "Results.csv").open(encoding="utf-8-sig") as lines:
        for row in csv.reader(lines):
            for kind, at in (("Solid", 0), ("Soft", 5)):
                if len(row) > at + 3 and row[at].isdigit() and row[at + 3]:
                    found[kind, int(row[at])] = float(row[at + 3])
    return found


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--most", type=int, default=200)
    parser.add_argument("--effort", type=float, default=0.3)
    parser.add_argument("--only", choices=["solid", "soft"], default=None)
    parser.add_argument("--processes", type=int, default=1)
    args = parser.parse_args()
    root = instances.folder()
    if root is None:
        print(instances.WHY_NOT)
        return
    path = root / "euclid_obstacles"
    table = Table("obstacles" + (f"_{args.only}" if args.only else ""))
    values = published(path)
    tasks = []
    for kind in ("Solid", "Soft"):
        if args.only in (None, kind.lower()):
            folder = path / f"{kind}Obstacles"
            numbers = sorted(int(file.stem[9:]) for file in folder.glob("terminals*.csv"))
            sizes = {n: len((folder / f"terminals{n}.csv").read_text().splitlines()) - 1 for n in numbers}
            tasks += [(str(folder), kind, n) for n in numbers if sizes[n] <= args.most and (kind, n) in values]
    table.line(
        f"{'problem':>10} {'terminals':>9} {'corners':>7} {'published':>10} {'found':>10} {'over %':>8} {'seconds':>8}"
    )
    over: dict[str, list[float]] = {}
    missed: dict[str, int] = {}
    with ProcessPoolExecutor(args.processes) as pool:
        for task, row in zip(tasks, pool.map(solve, tasks, [args.effort] * len(tasks)), strict=True):
            kind, number = task[1], task[2]
            terminals, corners, length, seconds, why = row
            value = values[kind, number]
            known = KNOWN.get((kind, number))
            excess = 100 * (length / value - 1)
            if why:
                missed[kind] = missed.get(kind, 0) + 1
            else:
                over.setdefault(kind, []).append(excess)
            note = why or (f"known besides: {known:.4f}" if known else "")
            table.line(
                f"{kind + ' ' + str(number):>10} {terminals:>9} {corners:>7} {value:>10.4f} {length:>10.4f} "
                f"{excess:>8.2f} {seconds:>8.1f}  {note}"
            )
    for kind, rows in over.items():
        good = sum(v <= 0.005 for v in rows)
        table.line(
            f"{kind}: at or below the published average on {good} of {len(rows) + missed.get(kind, 0)} (goal: all), "
            f"mean {np.mean(rows):+.2f} %, worst {max(rows):+.2f} %"
        )
    table.keep()


if __name__ == "__main__":
    main()
