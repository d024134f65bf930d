"""Put a driver's circuits on another model or tap, where they stand. In: State. Out: State."""

from __future__ import annotations

import random

from ..state import Bench, State


class SwapFeed:
    def supports(self, bench: Bench) -> bool:
        return len(bench.feeds) > 1

    def __call__(self, bench: Bench, state: State, rng: random.Random) -> State | None:
        if not state.drivers:
            return None
        supply, _, members = state.drivers[rng.randrange(len(state.drivers))]
        if rng.random() < 0.4:  # all drivers of the supply point together
            members = tuple(i for s, _, m in state.drivers if s == supply for i in m)
        feed = rng.choice(bench.feeds)
        circuits = list(state.circuits)
        changed = False
        for i in members:
            fed = circuits[i]
            if fed.feed == feed:
                continue
            new = bench.feed(supply, feed, fed.tree, fed.leads)
            if new is None:
                return None
            circuits[i] = new
            changed = True
        return bench.compose(circuits, state.missing) if changed else None
