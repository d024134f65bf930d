"""Use another set of gauges throughout. In: State. Out: State.

The bench holds the palette in force, since every circuit must share it; the caller sets it back when the state is
refused.
"""

from __future__ import annotations

import random

from ..state import Bench, State


class ChangePalette:
    def supports(self, bench: Bench) -> bool:
        return len(bench.facts.palettes) > 1

    def __call__(self, bench: Bench, state: State, rng: random.Random) -> State | None:
        return with_palette(bench, state, rng.choice(bench.facts.palettes))


def with_palette(bench: Bench, state: State, palette: tuple[int, ...]) -> State | None:
    """The same trees with gauges of another palette."""
    circuits = []
    for fed in state.circuits:
        new = bench.feed(fed.supply, fed.feed, fed.tree, fed.leads, palette)
        if new is None:
            return None
        circuits.append(new)
    return bench.compose(circuits, state.missing)
