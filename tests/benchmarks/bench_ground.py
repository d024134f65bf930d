"""Sizes and times of the ground stage on random sites. Run: ``python -m tests.benchmarks.bench_ground [lamps ...]``.

Sites are made up from a seed: a house, ponds, paving, beds, trees, a sleeve; they stand for no real place and their
prices for no real price.
"""

from __future__ import annotations

import sys
import time

import numpy as np

from optimiser.ground import build_ground, refine
from tests.ground.sites import random_site


def main(sizes: list[int]) -> None:
    print(" lamps  zones  nodes  edges  leads  build s refine s 32 lines ms 50k lines s")
    for lamps in sizes:
        job, survey = random_site(lamps, seed=lamps)
        start = time.perf_counter()
        ground = build_ground(job, survey)
        build_s = time.perf_counter() - start
        graph, land = ground.graph, ground.land
        rng = np.random.default_rng(1)
        span = graph.xyz[:, :2].max(axis=0)
        start = time.perf_counter()
        refine(ground, rng.random((40, 2)) * span)
        refine_s = time.perf_counter() - start
        a = rng.random((50_000, 2)) * span
        b = a + rng.normal(0, 2.5, a.shape)
        start = time.perf_counter()
        land.price_lines(a, b)
        many_s = time.perf_counter() - start
        start = time.perf_counter()
        for idx in range(200):
            land.price_lines(a[idx * 32 : idx * 32 + 32], b[idx * 32 : idx * 32 + 32])
        few_ms = (time.perf_counter() - start) / 200 * 1000
        print(
            f"{lamps:6d}{len(survey.zones):7d}{graph.num_nodes:7d}{graph.num_edges:7d}{len(graph.leads):7d}{build_s:9.2f}"
            f"{refine_s:9.2f}{few_ms:12.2f}{many_s:12.2f}"
        )


if __name__ == "__main__":
    main([int(arg) for arg in sys.argv[1:]] or [14, 30, 120])
