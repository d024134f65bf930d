"""Ruin and recreate one branch of a circuit, lamp by lamp. In: State. Out: State."""

from __future__ import annotations

import random

from ..graft import draft_of, draw_noise, recreate, take_branch
from ..state import Bench, State

MOST_LAMPS = 9


class RuinBranch:
    def supports(self, bench: Bench) -> bool:
        return bench.facts.num_lamps > 1

    def __call__(self, bench: Bench, state: State, rng: random.Random) -> State | None:
        if not state.circuits:
            return None
        index = rng.randrange(len(state.circuits))
        pieces = state.circuits[index].pieces
        for _ in range(4):
            node = pieces[rng.randrange(len(pieces))][1][-1]
            trial = draft_of(state)
            part = take_branch(bench, trial, index, node)
            if part is not None and len(part.lamps) <= MOST_LAMPS:
                return recreate(bench, trial, rng, noise=draw_noise(bench, rng))
        return None
