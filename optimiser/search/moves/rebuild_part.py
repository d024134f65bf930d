"""Rebuild a part of one circuit exactly: the large neighbourhood. In: State. Out: State."""

from __future__ import annotations

import random

from ..state import Bench, State


class RebuildPart:
    """Draws a piece of a circuit, grows a part of at most ``most_ends`` ends round it, and rebuilds that."""

    def __init__(self, least_ends: int = 4, most_ends: int = 8, spend: float = 150.0) -> None:
        self.least_ends, self.most_ends, self.spend = least_ends, most_ends, spend

    def supports(self, bench: Bench) -> bool:
        return bench.facts.num_lamps > 1

    def __call__(self, bench: Bench, state: State, rng: random.Random) -> State | None:
        from ..rebuild_part import grow_cut, rebuild_part

        if not state.circuits:
            return None
        index = rng.randrange(len(state.circuits))
        fed = state.circuits[index]
        start = rng.choice(fed.pieces)[1][-1]
        cut = grow_cut(bench, fed, start, rng.randint(self.least_ends, self.most_ends))
        return None if cut is None else rebuild_part(bench, state, index, cut, spend=self.spend)
