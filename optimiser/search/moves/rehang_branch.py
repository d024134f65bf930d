"""Take a branch off whole and hang it elsewhere: its own circuit, another, a fresh outlet. In: State. Out: State.

Covers re-routing (the way to the branch is found anew at marginal prices), merging circuits (the branch is a whole
one), splitting them (it lands on a fresh outlet), and moving to another supply point.
"""

from __future__ import annotations

import math
import random

from ..graft import close_draft, draft_of, drivers_cost, graft, take_branch
from ..state import Bench, State


class RehangBranch:
    def supports(self, bench: Bench) -> bool:
        return True

    def __call__(self, bench: Bench, state: State, rng: random.Random) -> State | None:
        if not state.circuits:
            return None
        draft = draft_of(state)
        index = rng.randrange(len(draft.circuits))
        pieces = draft.circuits[index].pieces
        node = pieces[0 if rng.random() < 0.1 else rng.randrange(len(pieces))][1][-1]
        part = take_branch(bench, draft, index, node)
        if part is None:
            return None
        draft.drivers_cost = drivers_cost(bench, draft.circuits)
        noise = 0.3 if rng.random() < 0.3 else 0.0
        if graft(bench, draft, part, rng, noise=noise) == math.inf:
            return None
        return close_draft(bench, draft)
