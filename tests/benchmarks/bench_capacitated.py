"""Capacitated spanning trees, with one cable size and with a choice of them, through the tool's own search.

``python -m tests.benchmarks.bench_capacitated [--only cmst|mlcmst] [--every K] [--effort E]``

- cmst (OR-Library capmst): outlet amps are the capacity, cable is paid by length, nothing is dug. Goal: mean excess
  over the best known values at most 1 %. L. Gouveia, Telecommunication Systems 1 (1993) 51-76.
- mlcmst: a rating is the capacity of each cable size, chosen for every link. Goal: at most 1.5 % over the optimum,
  over at least 60 problems. I. Gamvros, B. Golden, S. Raghavan, INFORMS J. Computing 18 (2006) 348-365; instances F.
  Bartodziej.

Both models join every node that a link reaches, so passing one unjoined is made not to pay:
``graph_ground.tolls_needed``. Each result is judged by the published model's own rules, with the published costs.
"""

from __future__ import annotations

import argparse
import csv
import time
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass

import numpy as np

from optimiser.search.layout import Layout

from . import instances
from .graph_ground import GraphProblem, find, pairs_worth, tolls_needed
from .results import Table


@dataclass(frozen=True)
class Instance:
    """One published problem: symmetric cost of a link for each level, capacity of each level."""

    name: str
    published: float
    source: str
    root: int
    demand: dict[int, int]
    capacity: tuple[int, ...]
    cost: np.ndarray
    """(levels, n, n)."""
    outlet: float


def cmst() -> Iterator[Instance]:
    """Gouveia's tc and Gavish's cm problems that lie there, at each capacity listed."""
    path = instances.folder()
    assert path is not None
    for row in csv.DictReader((path / "cmst" / "optima.csv").open(encoding="utf-8")):
        name = row["instance"]
        file = path / "cmst" / (f"{name}.txt" if name[0] == "t" else f"{name}.dat")
        if not file.exists():
            continue
        numbers = [float(word) for word in file.read_text().split()]
        if name[0] == "t":
            nodes = int(numbers[0]) + 1
        else:
            nodes = int(numbers[0])
        numbers = numbers[1:]
        cost = np.array(numbers[: nodes * nodes]).reshape(nodes, nodes)
        root = nodes - 1
        if row["demands"] == "unit":
            demand = dict.fromkeys(range(root), 1)
        else:
            words = (path / "cmst" / row["demands"]).read_text().split()
            demand = {v: int(float(words[v])) for v in range(root)}
        cost = np.minimum(cost, cost.T)
        yield Instance(
            f"{name} Q={row['Q']}",
            float(row["optimum"]),
            row["source"],
            root,
            demand,
            (10**9,),
            cost[None],
            float(row["Q"]),
        )


def mlcmst(every: int = 1) -> Iterator[Instance]:
    """Bartodziej's problems with proven optima, each ``every``-th."""
    path = instances.folder()
    assert path is not None
    for file in sorted((path / "mlcmst").glob("opt_*.in")):
        words = iter(file.read_text().split())
        for number in range(int(next(words))):
            published = float(next(words))
            nodes, root, levels = (int(next(words)) for _ in range(3))
            demand = [int(next(words)) for _ in range(nodes)]
            capacity, cost = [], []
            for _ in range(levels):
                capacity.append(int(next(words)))
                cost.append(np.array([float(next(words)) for _ in range(nodes * nodes)]).reshape(nodes, nodes))
            if number % every == 0:
                yield Instance(
                    f"{file.stem[4:]}-{number:02d}",
                    published,
                    "published optimum",
                    root,
                    {v: d for v, d in enumerate(demand) if v != root},
                    tuple(capacity),
                    np.array(cost),
                    float(max(capacity)),
                )


def problem_of(instance: Instance) -> GraphProblem:
    """The instance on a graph in which passing a node unjoined does not pay."""
    base = instance.cost[0]
    off = ~np.eye(len(base), dtype=bool) & (base > 0)
    factors = [float(np.median(level[off] / base[off])) for level in instance.cost]
    for level, factor in zip(instance.cost, factors, strict=True):
        assert np.allclose(level[off], factor * base[off], rtol=1e-4), "cable is priced by length"
    pairs = pairs_worth(base, instance.root)
    # Passing costs at least the thinnest cable's detour, and saves at most the thickest's.
    toll = max(tolls_needed(factor * base, instance.root) for factor in factors)
    return GraphProblem(
        num_nodes=len(base),
        ends=pairs,
        trench=np.zeros(len(pairs)),
        length=base[pairs[:, 0], pairs[:, 1]],
        root=instance.root,
        demand=instance.demand,
        levels=tuple(zip([float(c) for c in instance.capacity], factors, strict=True)),
        outlet=instance.outlet,
        toll=toll,
        scale_m=30.0 if len(factors) > 1 else 0.1,  # whole costs are cut without rounding
    )


def tree_of(instance: Instance, layout: Layout) -> dict[int, int]:
    """
    Parent of each node: cables from joint to joint as links.

    What passing the search left in, since it found nothing better, is set straight here: a cable that passes a node
    becomes the link between its ends; where the joint it comes from holds none of the circuit's lamps, a link from
    the root.
    """
    nodes = sorted(instance.demand)
    parent: dict[int, int] = {}
    for circuit in layout.circuits:
        own = {nodes[lamp] for lamp in circuit.lamps}
        for piece in circuit.pieces:
            start, end = piece.nodes[0], piece.nodes[-1]
            if end in own:
                parent[end] = start if start in own else instance.root
    return parent


def judged(instance: Instance, parent: dict[int, int]) -> float:
    """Cost by the published model: a tree that joins all, flows within capacities, the cheapest level for each."""
    assert parent.keys() == instance.demand.keys(), "every node is reached"
    flow = dict.fromkeys(parent, 0)
    for v, demand in instance.demand.items():
        steps = 0
        while v != instance.root:
            flow[v] += demand
            v, steps = parent[v], steps + 1
            assert steps <= len(parent), "no ring"
    assert all(amount <= instance.outlet for amount in flow.values())
    total = 0.0
    for v, up in parent.items():
        total += min(instance.cost[k, up, v] for k, c in enumerate(instance.capacity) if c >= flow[v])
    return total


def solve(instance: Instance, effort: float) -> tuple[float, float]:
    """Cost found and seconds."""
    begin = time.perf_counter()
    layout, _ = find(problem_of(instance), effort)
    seconds = time.perf_counter() - begin
    return judged(instance, tree_of(instance, layout)), seconds


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--only", choices=["cmst", "mlcmst"], default=None)
    parser.add_argument("--every", type=int, default=1)
    parser.add_argument("--effort", type=float, default=0.2)
    parser.add_argument("--processes", type=int, default=1)
    args = parser.parse_args()
    if instances.folder() is None:
        print(instances.WHY_NOT)
        return
    table = Table("capacitated" + (f"_{args.only}" if args.only else ""))
    for kind, goal in (("cmst", 1.0), ("mlcmst", 1.5)):
        if args.only not in (None, kind):
            continue
        problems = list(cmst() if kind == "cmst" else mlcmst(args.every))
        table.line(
            f"{'problem':>16} {'published':>10} {'found':>10} {'excess %':>9} {'seconds':>8}  "
            "source of the published value"
        )
        classes: dict[str, list[float]] = {}
        with ProcessPoolExecutor(args.processes) as pool:
            for p, (cost, seconds) in zip(
                problems, pool.map(solve, problems, [args.effort] * len(problems)), strict=True
            ):
                excess = 100 * (cost / p.published - 1)
                if "MEMORY" not in p.source:
                    classes.setdefault(p.name.split("-")[0] if kind == "mlcmst" else p.name[:2], []).append(excess)
                table.line(
                    f"{p.name:>16} {p.published:>10.2f} {cost:>10.2f} {excess:>9.2f} {seconds:>8.1f}  {p.source}"
                )
        for name, values in classes.items():
            table.line(
                f"class {name}: {len(values)} problems, mean excess {np.mean(values):.2f} %, worst {max(values):.2f} %"
            )
        every = [v for values in classes.values() for v in values]
        table.line(
            f"{kind}: {len(every)} problems, mean excess {np.mean(every):.2f} % (goal {goal} %), "
            f"worst {max(every):.2f} %, "
            f"optimum on {sum(v < 0.01 for v in every)}"
        )
        table.line()
    table.keep()


if __name__ == "__main__":
    main()
