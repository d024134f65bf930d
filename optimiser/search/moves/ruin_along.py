"""Take a cluster of lamps off, hang them back along the trenches of another good layout. In: State. Out: State.

Layouts that were searched apart differ in whole stretches of trench. A stretch pays for the lamps along it together,
never for one alone, so no step of one lamp finds it; what another layout digs is a stretch that is known to pay.
"""

from __future__ import annotations

import random

from ..graft import draft_of, draw_noise, recreate, take_lamps
from ..state import Bench, State
from .ruin_nearby import some_cluster

MORE_LAMPS = 5.0
"""Lamps taken off beside the first, in the mean."""


class RuinAlong:
    def supports(self, bench: Bench) -> bool:
        return bool(bench.others) and not bench.is_undug  # else there are no trenches to follow

    def __call__(self, bench: Bench, state: State, rng: random.Random) -> State | None:
        taken = some_cluster(bench, rng, MORE_LAMPS)
        draft = draft_of(state)
        theirs = rng.choice(bench.others)
        draft.ghost = theirs if rng.random() < 0.5 else theirs | (state.use > 0)
        take_lamps(bench, draft, taken)
        return recreate(bench, draft, rng, noise=draw_noise(bench, rng))
