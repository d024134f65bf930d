"""How much shorter ways on the ground could be than on its graph. Run: ``python -m tests.benchmarks.bench_ways``.

On ground of a few kinds a cheapest way is straight but where it crosses a border or rounds a corner of what is no-dig
(J. S. B. Mitchell and C. H. Papadimitriou, "The weighted region problem", J. ACM 38, 1991, 18-73). So a fine reference
has, besides all nodes and edges of the ground graph, a place every ``--step`` metres on every border, and every lawful
straight line between any two of all these places. Ways between the joint places nearest to lamps and supply points,
priced for trench alone, are compared; the reference is never dearer. Lines are priced by the tool itself in both.
"""

from __future__ import annotations

import argparse
from pathlib import Path

import numpy as np
import shapely
from scipy.sparse.csgraph import dijkstra

from optimiser.ground import Ground, build_ground
from optimiser.job_folder import open_job
from optimiser.search.oracle_relaxed import lightest_arcs
from tests.ground.sites import random_site

from .results import Table

CASES = Path(__file__).parents[2] / "cases"
AT_ONCE = 50_000
GOAL = 0.3
"""Per cent."""


def ends_of(ground: Ground) -> list[int]:
    """Nodes between which ways are sought: each supply point, and the cheapest joint place of each lamp."""
    graph = ground.graph
    first: dict[int, int] = {}
    for arc in sorted(graph.leads, key=lambda arc: (arc.price, arc.node)):
        first.setdefault(arc.lamp, arc.node)
    return sorted({*graph.supply_node.tolist(), *first.values()})


def reference(ground: Ground, step_m: float) -> tuple[np.ndarray, np.ndarray, int]:
    """(k, 2) pairs and (k,) prices of the fine reference, and its number of nodes; the graph's own nodes come first."""
    graph, land = ground.graph, ground.land
    rings = [ring for _, area in land.levels for part in shapely.get_parts(area) for ring in shapely.get_rings(part)]
    rings += [ring for part in shapely.get_parts(land.forbidden) for ring in shapely.get_rings(part)]
    places = [graph.xyz[:, :2]]
    for ring in rings:
        count = max(3, int(ring.length / step_m))
        places.append(
            shapely.get_coordinates(shapely.line_interpolate_point(ring, np.arange(count) * ring.length / count))
        )
    xy = np.vstack(places)
    keep = np.concatenate([np.ones(graph.num_nodes, bool), land.free(xy[graph.num_nodes :])])
    xy = xy[keep]
    first, second = np.triu_indices(len(xy), 1)
    pairs, prices = [graph.ends], [graph.trench_price]
    for start in range(0, len(first), AT_ONCE):
        u, v = first[start : start + AT_ONCE], second[start : start + AT_ONCE]
        lines = land.price_lines(xy[u], xy[v])
        pairs.append(np.column_stack([u, v])[lines.allowed])
        prices.append(lines.trench_price[lines.allowed])
    return np.vstack(pairs), np.concatenate(prices), len(xy)


def dearness(pairs: np.ndarray, price: np.ndarray, size: int, ends: list[int]) -> np.ndarray:
    """Price of the cheapest way from each end to each other."""
    tiny = 1e-9  # free edges are edges too
    arcs = lightest_arcs(pairs[:, 0], pairs[:, 1], price + tiny, size)
    found: np.ndarray = dijkstra(arcs, indices=ends)[:, ends]
    return found


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--step", type=float, default=0.25, help="metres between places on borders")
    parser.add_argument("--sites", type=int, default=4, help="random sites of 14 lamps")
    args = parser.parse_args()
    table = Table("ways")
    table.line("                ways  nodes  of reference  excess % (mean, worst)")
    sites = {name: open_job(CASES / name) for name in ("terrace", "courtyard")}
    grounds = {name: build_ground(folder.job, folder.survey) for name, folder in sites.items()}
    for seed in range(args.sites):
        grounds[f"site {seed}"] = build_ground(*random_site(14, seed))
    every = []
    for name, ground in grounds.items():
        ends = ends_of(ground)
        graph = ground.graph
        mine = dearness(graph.ends, graph.trench_price, graph.num_nodes, ends)
        pairs, price, size = reference(ground, args.step)
        best = dearness(pairs, price, size, ends)
        at = np.triu_indices(len(ends), 1)
        ways = np.isfinite(mine[at]) & (best[at] > 0.01)
        excess = 100 * (mine[at][ways] / best[at][ways] - 1)
        every.append(excess)
        table.line(
            f"{name:15s} {ways.sum():5d} {graph.num_nodes:6d} {size:13d}  {excess.mean():10.3f} {excess.max():7.3f}"
        )
    total = np.concatenate(every)
    over = 100 * (total > GOAL).mean()
    table.line(f"all: mean {total.mean():.3f} %, worst {total.max():.3f} %; above the goal of {GOAL} %: {over:.1f} %")
    table.keep()


if __name__ == "__main__":
    main()
