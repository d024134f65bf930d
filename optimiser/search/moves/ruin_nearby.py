"""Ruin and recreate: take a cluster of lamps off, hang them back one by one. In: State. Out: State."""

from __future__ import annotations

import random

import numpy as np

from ..graft import draft_of, recreate, take_lamps
from ..state import Bench, State


def lamp_places(bench: Bench) -> np.ndarray:
    """(lamps, 2) where each lamp's cheapest joint would stand."""
    facts = bench.facts
    nodes = [facts.graph.leads[arcs[0]].node for arcs in facts.leads_of]
    return facts.graph.xyz[nodes, :2]


class RuinNearby:
    def supports(self, bench: Bench) -> bool:
        return True

    def __call__(self, bench: Bench, state: State, rng: random.Random) -> State | None:
        places = lamp_places(bench)
        count = len(places)
        size = min(count, 1 + int(rng.expovariate(1 / 3.0)))
        centre = places[rng.randrange(count)]
        away = np.hypot(*(places - centre).T) * np.array([1 + 0.3 * rng.random() for _ in range(count)])
        draft = draft_of(bench, state)
        if rng.random() < 0.2:  # along the trenches that are there
            draft.ghost = state.use > 0
        take_lamps(bench, draft, np.argsort(away, kind="stable")[:size].tolist())
        return recreate(bench, draft, rng, noise=0.1 if rng.random() < 0.5 else 0.0)
