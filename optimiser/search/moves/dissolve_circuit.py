"""Dissolve one circuit, sometimes with a neighbour, and hang its lamps anew. In: State. Out: State."""

from __future__ import annotations

import random

from ..graft import draft_of, recreate
from ..state import Bench, State


class DissolveCircuit:
    def supports(self, bench: Bench) -> bool:
        return bench.facts.num_lamps > 2

    def __call__(self, bench: Bench, state: State, rng: random.Random) -> State | None:
        draft = draft_of(bench, state)
        if not draft.circuits:
            return None
        index = rng.randrange(len(draft.circuits))
        lamps = set(draft.circuits[index].leads)
        draft.without(index)
        draft.missing.update(lamps)
        return recreate(bench, draft, rng, noise=rng.choice((0.0, 0.15, 0.4)))
