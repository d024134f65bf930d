"""Ruin and recreate: take a cluster of lamps off, hang them back one by one. In: State. Out: State."""

from __future__ import annotations

import random

import numpy as np

from ..graft import draft_of, draw_noise, recreate, take_lamps
from ..state import Bench, State

MORE_LAMPS = 3.0
"""Lamps taken off beside the first, in the mean."""


def ways_to_lamps(bench: Bench, lamp: int) -> np.ndarray:
    """(lamps,) price of the cheapest way from a lamp to each other, nothing dug yet; worked out once for each lamp."""
    known = bench.lamp_ways.get(lamp)
    if known is None:
        facts, ways = bench.facts, bench.ways
        n = facts.graph.num_nodes
        ways.set_open(np.zeros(facts.graph.num_edges, dtype=np.int16))
        bench.effort.spend(0.5 + n / 1200)
        dist, _ = ways.from_sources([n + lamp])
        known = np.array([min(dist.item(facts.lead_node[arc]) for arc in arcs) for arcs in facts.leads_of])
        known[lamp] = 0.0
        bench.lamp_ways[lamp] = known
    return known


def some_way(bench: Bench, state: State, lamp: int, rng: random.Random) -> list[int]:
    """Edges of a cheap way from a lamp to another one or to a supply point."""
    facts, ways = bench.facts, bench.ways
    n = facts.graph.num_nodes
    # Priced as if nothing were dug; or as if all were, for the shortest: that is what holds where drop binds.
    ways.set_open(np.full_like(state.use, rng.random() < 0.4))
    bench.effort.spend(0.5 + n / 1200)
    _, pred = ways.from_sources([n + lamp])
    if rng.random() < 0.5:
        node = int(facts.graph.supply_node[rng.choice(bench.supplies)])
    else:
        other = rng.randrange(facts.num_lamps)
        node = facts.graph.leads[facts.leads_of[other][0]].node
    edges: list[int] = []
    while 0 <= pred[node] < n:
        edges.append(ways.edge_between(node, int(pred[node])))
        node = int(pred[node])
    return edges


def some_cluster(bench: Bench, rng: random.Random, more: float) -> list[int]:
    """A lamp and some that are near it by way, nearest first: ``more`` beside it in the mean."""
    count = bench.facts.num_lamps
    size = min(count, 1 + int(rng.expovariate(1 / more)))
    away = ways_to_lamps(bench, rng.randrange(count)) * np.array([1 + 0.3 * rng.random() for _ in range(count)])
    nearest: list[int] = np.argsort(away, kind="stable")[:size].tolist()
    return nearest


class RuinNearby:
    def supports(self, bench: Bench) -> bool:
        return True

    def __call__(self, bench: Bench, state: State, rng: random.Random) -> State | None:
        taken = some_cluster(bench, rng, MORE_LAMPS)
        draft = draft_of(state)
        kind = rng.random()
        if kind < 0.3:  # along the trenches that are there
            draft.ghost = state.use > 0
            if kind < 0.15:  # and along one that none of the circuits would dig alone
                draft.ghost[some_way(bench, state, taken[0], rng)] = True
        take_lamps(bench, draft, taken)
        return recreate(bench, draft, rng, noise=draw_noise(bench, rng))
