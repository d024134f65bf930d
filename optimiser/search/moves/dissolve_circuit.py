"""Dissolve one circuit, sometimes with a neighbour, and hang its lamps anew. In: State. Out: State."""

from __future__ import annotations

import random

import numpy as np

from ..graft import Draft, draft_of, recreate
from ..state import Bench, State


class DissolveCircuit:
    def supports(self, bench: Bench) -> bool:
        return bench.facts.num_lamps > 2

    def __call__(self, bench: Bench, state: State, rng: random.Random) -> State | None:
        draft = draft_of(state)
        if rng.random() < 0.5:  # hang the lamps anew along the trenches that are there
            draft.ghost = state.use > 0
        if not draft.circuits:
            return None
        for _ in range(2 if rng.random() < 0.5 else 1):
            if draft.circuits:
                index = self._near(bench, draft, rng)
                draft.missing.update(draft.circuits[index].leads)
                draft.without(index)
        return recreate(bench, draft, rng, noise=rng.choice((0.0, 0.15, 0.4)))

    @staticmethod
    def _near(bench: Bench, draft: Draft, rng: random.Random) -> int:
        """A circuit at random, or the one nearest to the lamps already taken off."""
        if not draft.missing:
            return rng.randrange(len(draft.circuits))
        places = bench.facts.lamp_places
        middle = places[sorted(draft.missing)].mean(axis=0)
        away = [
            float(np.min(np.hypot(*(places[sorted(fed.leads)] - middle).T))) * (1 + rng.random())
            for fed in draft.circuits
        ]
        return int(np.argmin(away))
