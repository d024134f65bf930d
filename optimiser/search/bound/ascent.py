"""Wong's dual ascent: prices of directed cuts that no arc's price undercuts. In: arcs. Out: Ascent.

Each terminal's set holds all nodes from which it is reached at reduced price 0. Raising the price of that cut by the
least reduced price that enters it keeps every reduced price >= 0, so at any time the sum of cut prices is at most the
price of any arborescence that joins the root to all terminals (R. T. Wong, Math. Programming 28, 1984, 271-287). Cuts
entered by few arcs are raised first.
"""

from __future__ import annotations

import heapq
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np


@dataclass
class Ascent:
    """``total``: sum of cut prices; ``rest``: reduced prices; ``cuts``: (nodes inside, terminal) of each cut raised."""

    total: float
    rest: np.ndarray
    cuts: list[tuple[np.ndarray, int]]


def ascend(
    size: int,
    root: int,
    terminals: list[int],
    tail: np.ndarray,
    head: np.ndarray,
    price: np.ndarray,
    stop: Callable[[], bool] | None = None,
    *,
    keep_cuts: bool = True,
) -> Ascent:
    """
    Raise cuts until every terminal is reached from the root at reduced price 0.

    Parameters
    ----------
    size, root, terminals
        Number of nodes; where arborescences start; what they must reach.
    tail, head, price
        (k,) the arcs, prices >= 0.
    stop
        Asked now and then; stopping early only weakens what is proven.
    keep_cuts
        Whether the cuts are wanted: a byte for each node and cut, gigabytes for thousands of lamps.

    Raises
    ------
    ValueError
        A terminal is joined to the root by no arcs.
    """
    order = np.argsort(head, kind="stable")
    tails = tail[order]
    rest = price[order].astype(float)
    first = np.searchsorted(head[order], np.arange(size + 1)).tolist()
    total, rounds = 0.0, 0
    cuts: list[tuple[np.ndarray, int]] = []
    state: dict[int, tuple[np.ndarray, np.ndarray]] = {}  # terminal -> nodes inside, arcs that enter
    queue = [(0, t) for t in terminals]
    heapq.heapify(queue)
    while queue:
        rounds += 1
        if stop is not None and rounds % 64 == 0 and stop():
            break
        seen, terminal = heapq.heappop(queue)
        if terminal not in state:
            inside = np.zeros(size, dtype=bool)
            inside[terminal] = True
            state[terminal] = inside, np.arange(first[terminal], first[terminal + 1])
        inside, into = state[terminal]
        into = _grown(first, tails, rest, inside, into)
        if inside[root]:
            del state[terminal]
            continue
        state[terminal] = inside, into
        if not len(into):
            raise ValueError(f"node {terminal} is joined to the root by no arcs")
        if len(into) > seen and queue and len(into) > queue[0][0]:
            heapq.heappush(queue, (len(into), terminal))  # others are smaller now
            continue
        left = rest[into]
        step = float(left.min())
        rest[into] = left - step
        total += step
        if keep_cuts:
            cuts.append((inside.copy(), terminal))
        heapq.heappush(queue, (len(into), terminal))
    back = np.empty(len(order))
    back[order] = rest
    return Ascent(total, back, cuts)


def _grown(first: list[int], tails: np.ndarray, rest: np.ndarray, inside: np.ndarray, into: np.ndarray) -> np.ndarray:
    """Take into the set (``inside`` is changed) all nodes that reach it at reduced price 0; the arcs that enter it."""
    fresh = into
    grew = False
    while True:
        free = tails[fresh[rest[fresh] <= 1e-12]]
        free = free[~inside[free]]
        if not len(free):
            break
        nodes = list(dict.fromkeys(free.tolist()))
        inside[nodes] = True
        fresh = np.concatenate([np.arange(first[v], first[v + 1]) for v in nodes])
        into = np.concatenate([into, fresh])
        grew = True
    return into[~inside[tails[into]]] if grew else into
