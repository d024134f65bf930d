"""Steiner trees in graphs (SteinLib sets B and C) through the tool's own search: trench alone, cable free.

``python -m tests.benchmarks.bench_graphs [--set B] [--most N] [--effort E]`` prints what each tree costs beside the
published optimum. Goal: the optimum on at least 90 %.
T. Koch, A. Martin, S. Voss, SteinLib, ZIB-Report 00-37 (2000).
"""

from __future__ import annotations

import argparse
import csv
import time
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

import numpy as np

from . import instances
from .graph_ground import GraphProblem, arcs_of, find
from .results import Table


def problem_of(path: str) -> GraphProblem:
    """Read an STP file: the first terminal becomes the supply point, the others lamps."""
    ends: list[tuple[int, int]] = []
    price: list[float] = []
    terminals: list[int] = []
    nodes = 0
    with Path(path).open(encoding="utf-8") as lines:
        for line in lines:
            words = line.split()
            if not words:
                continue
            if words[0] == "E" and len(words) == 4:
                ends.append((int(words[1]) - 1, int(words[2]) - 1))
                price.append(float(words[3]))
            elif words[0] == "T" and len(words) == 2:
                terminals.append(int(words[1]) - 1)
            elif words[0] == "Nodes":
                nodes = int(words[1])
    return GraphProblem(
        num_nodes=nodes,
        ends=np.array(ends),
        trench=np.array(price),
        length=np.full(len(price), 1e-4),
        root=terminals[0],
        demand=dict.fromkeys(terminals[1:], 1),
        scale_m=1000.0,
    )


def solve(row: dict[str, str], effort: float) -> tuple[str, float, float, float, float]:
    """Name, published optimum, price found, bound proven, seconds."""
    path = instances.folder()
    assert path is not None
    problem = problem_of(str(path / "steinlib" / row["group"] / row["filename"]))
    begin = time.perf_counter()
    layout, found = find(problem, effort)
    seconds = time.perf_counter() - begin
    return (
        row["filename"][:-4],
        float(row["opt"]),
        judged(problem, {e for e, *_ in arcs_of(layout)}),
        found.bound.total,
        seconds,
    )


def judged(problem: GraphProblem, edges: set[int]) -> float:
    """Price of these edges by the published rules; an error where they do not join all terminals (networkx)."""
    import networkx as nx

    net = nx.Graph()
    net.add_edges_from(problem.ends[sorted(edges)].tolist())
    assert set(problem.demand) <= nx.node_connected_component(net, problem.root)
    return float(problem.trench[sorted(edges)].sum())


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--set", choices=["B", "C"], default=None)
    parser.add_argument("--most", type=int, default=99)
    parser.add_argument("--effort", type=float, default=0.2)
    parser.add_argument("--processes", type=int, default=1)
    args = parser.parse_args()
    path = instances.folder()
    if path is None:
        print(instances.WHY_NOT)
        return
    table = Table("graphs" + (f"_{args.set}" if args.set else ""))
    rows = [
        row
        for row in csv.DictReader((path / "steinlib" / "optima.csv").open(encoding="utf-8"))
        if (args.set is None or row["group"] == args.set)
        and (path / "steinlib" / row["group"] / row["filename"]).exists()
    ]
    table.line(f"{'problem':>8} {'optimum':>8} {'found':>8} {'excess %':>9} {'bound':>9} {'seconds':>8}")
    over: dict[str, list[float]] = {}
    with ProcessPoolExecutor(args.processes) as pool:
        for row, (name, optimum, price, bound, seconds) in zip(
            rows[: args.most], pool.map(solve, rows[: args.most], [args.effort] * len(rows[: args.most])), strict=True
        ):
            excess = 100 * (price / optimum - 1)
            over.setdefault(row["group"], []).append(excess)
            table.line(f"{name:>8} {optimum:>8.0f} {price:>8.0f} {excess:>9.2f} {bound:>9.1f} {seconds:>8.1f}")
    for group, values in over.items():
        hits = sum(v < 1e-6 for v in values)
        table.line(
            f"set {group}: optimum on {hits} of {len(values)} ({100 * hits / len(values):.0f} %; goal 90 %), "
            f"mean excess {np.mean(values):.3f} %, worst {max(values):.2f} %"
        )
    table.keep()


if __name__ == "__main__":
    main()
