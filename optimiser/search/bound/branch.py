"""Branch on whole numbers of supply points, drivers and circuits. In: Program. Out: the bound proven.

The best-proven node is split first, on its most fractional column; a node's bound is never below its parent's, and
the bound of all is the least of the open nodes'. Cuts and columns found at one node serve all, for cuts hold for any
layout.
"""

from __future__ import annotations

import heapq
import math
from collections.abc import Callable

import numpy as np

from .program import Program

WHOLE = 1e-5


def branch(
    program: Program,
    whole: list[np.ndarray],
    tighten: Callable[[Program, float], float],
    most_nodes: int,
    stop: Callable[[], bool] | None = None,
) -> float:
    """
    The bound proven; infinite where no layout is possible.

    Parameters
    ----------
    program
        With its bounds as at the root.
    whole
        Columns that are whole numbers in any layout, most important family first.
    tighten
        Solves the program as it stands (given what is proven of it) and returns a bound.
    most_nodes, stop
        When to end: nodes looked at, somebody's wish.
    """
    low0, high0 = program.low.copy(), program.high.copy()
    every = np.concatenate(whole)
    counter = 0
    open_nodes: list[tuple[float, int, tuple[tuple[int, float, float], ...], tuple[int, float] | None]] = []

    def look(parent: float, changes: tuple[tuple[int, float, float], ...]) -> None:
        nonlocal counter
        low, high = low0.copy(), high0.copy()
        for c, lo, hi in changes:
            low[c], high[c] = max(low[c], lo), min(high[c], hi)
        if (low[every] > high[every]).any():
            return
        program.set_bounds(every, low[every], high[every])
        bound = max(parent, tighten(program, parent))
        split = None
        value = program.value
        for family in whole:
            off = np.abs(value[family] - np.round(value[family]))
            k = int(np.argmax(off)) if len(off) else 0
            if len(off) and off[k] > WHOLE:
                split = (int(family[k]), float(value[family[k]]))
                break
        counter += 1
        heapq.heappush(open_nodes, (bound, counter, changes, split))

    look(-math.inf, ())
    best = open_nodes[0][0]
    while open_nodes:
        bound, _, changes, split = open_nodes[0]
        best = bound
        if bound == math.inf or split is None or counter >= most_nodes or (stop is not None and stop()):
            break
        heapq.heappop(open_nodes)
        column, value = split
        look(bound, (*changes, (column, -math.inf, math.floor(value))))
        look(bound, (*changes, (column, math.ceil(value), math.inf)))
        if not open_nodes:
            best = math.inf
    program.set_bounds(every, low0[every], high0[every])
    return best
