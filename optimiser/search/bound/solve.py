"""Cut and price one program until nothing is gained or the work is spent. In: Program, Separator. Out: a proven bound.

Work is counted in simplex iterations, never in seconds. When it is spent no more cuts are added, but columns are
priced until the bound is that of the last program. ``part_of``: what the best bound's solution costs by part.
"""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np

from .cuts import Separator
from .program import Program
from .relaxation import PARTS


class CutAndPrice:
    """Called for a node of the branching: returns a bound of the program as it stands."""

    def __init__(
        self,
        program: Program,
        separator: Separator | None,
        budget: float,
        stop: Callable[[], bool] | None = None,
        *,
        most: float | None = None,
        columns_first: bool = False,
    ) -> None:
        self.separator, self.budget, self.stop = separator, budget, stop
        self.most = 2 * budget if most is None else most
        """Work after which nothing more is solved."""
        self.columns_first = columns_first
        """Price all columns before the next cuts: fewer, larger steps, for programs that begin near their end."""
        self.spent_at = program.iterations
        self.parts: dict[float, np.ndarray] = {}

    def __call__(self, program: Program, known: float) -> float:
        best = -math.inf
        lamps = list(range(program.relaxation.num_lamps))
        for _ in range(10_000):
            status = program.solve()
            if status == "infeasible" and program.is_proven_infeasible():
                return math.inf
            if status != "optimal":
                break
            bound, wanted = program.prove(len(program.value) if self.columns_first else 400)
            if bound > best:
                best = bound
                self.parts[bound] = program.parts()
            if self.stop is not None and self.stop():
                break
            spent = program.iterations - self.spent_at
            cuts = []
            may_cut = not (self.columns_first and len(wanted))
            if self.separator is not None and spent < self.budget and may_cut:
                cuts = self.separator.trench(lamps) + self.separator.cable(lamps) + self.separator.circuits()
            added = program.activate(wanted)
            added += sum(program.add_cut(cut) for cut in cuts)
            if not added or spent > self.most:
                break
        return best

    def part_of(self, bound: float) -> dict[str, float]:
        """Parts of the solution whose bound is nearest to this one."""
        if not self.parts:
            return {}
        nearest = min(self.parts, key=lambda b: (abs(b - bound), b))
        return dict(zip(PARTS, (float(p) for p in self.parts[nearest]), strict=True))
