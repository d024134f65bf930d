"""Dissolve all circuits of one driver and hang their lamps anew. In: State. Out: State."""

from __future__ import annotations

import random

from ..graft import draft_of, recreate
from ..state import Bench, State

MOST_LAMPS = 45


class RuinDriver:
    def supports(self, bench: Bench) -> bool:
        return bench.facts.num_lamps > 2

    def __call__(self, bench: Bench, state: State, rng: random.Random) -> State | None:
        if len(state.drivers) < 2:
            return None
        _, _, members = state.drivers[rng.randrange(len(state.drivers))]
        lamps = [lamp for i in members for lamp in state.circuits[i].leads]
        if len(lamps) > MOST_LAMPS:
            return None
        draft = draft_of(state)
        if rng.random() < 0.5:  # hang the lamps anew along the trenches that are there
            draft.ghost = state.use > 0
        for i in sorted(members, reverse=True):
            draft.without(i)
        draft.missing.update(lamps)
        return recreate(bench, draft, rng, noise=rng.choice((0.0, 0.1)))
