"""Wong's dual ascent: prices of directed cuts that no arc's price undercuts. In: arcs. Out: Ascent.

Each terminal's set holds all nodes from which it is reached at reduced price 0. Raising the price of that cut by the
least reduced price that enters it keeps every reduced price >= 0, so at any time the sum of cut prices is at most the
price of any arborescence that joins the root to all terminals (R. T. Wong, Math. Programming 28, 1984, 271-287). Cuts
entered by few arcs are raised first.

Terminals may have prices of their own (``own``): what each pays for an arc on its way, beside the arc's price, which is
paid once. Then a cut is paid from the terminal's own reduced price of each arc that enters it, and from the arc's where
its own is spent. The way to a terminal enters each of its sets, and pays there what was taken: from its own price, of
which no more is taken than there is, or from the price of an arc of the arborescence, of which all terminals together
take no more than there is. So the sum of cut prices is at most what arborescence and ways cost together (so for general
network design: A. Balakrishnan, T. L. Magnanti, R. T. Wong, Operations Research 37, 1989, 716-740; cited
from memory).
"""

from __future__ import annotations

import heapq
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

SPENT = 1e-12
"""Reduced prices up to this are none."""


@dataclass
class Ascent:
    """``total``: sum of cut prices; ``rest``: reduced prices; ``cuts``: (nodes inside, terminal) of each cut raised;
    ``rounds``: how often a set was looked at, which is what the work goes by."""

    total: float
    rest: np.ndarray
    cuts: list[tuple[np.ndarray, int]]
    rounds: int


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
    own: Sequence[np.ndarray] | None = None,
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
    own
        (k,) for each terminal: what it pays for each arc on its way, >= 0.

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
    mine = {} if own is None else {t: o[order].astype(float) for t, o in zip(terminals, own, strict=True)}
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
        paid = mine.get(terminal)
        into = _grown(first, tails, rest, inside, into, paid)
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
        if paid is None:
            step = float(left.min())
            rest[into] = left - step
        else:
            left_own = paid[into]
            pays = left_own > SPENT
            step = float(np.where(pays, left_own, left).min())
            paid[into] = np.where(pays, left_own - step, left_own)
            rest[into] = np.where(pays, left, left - step)
        total += step
        if keep_cuts:
            cuts.append((inside.copy(), terminal))
        heapq.heappush(queue, (len(into), terminal))
    back = np.empty(len(order))
    back[order] = rest
    return Ascent(total, back, cuts, rounds)


def _grown(
    first: list[int],
    tails: np.ndarray,
    rest: np.ndarray,
    inside: np.ndarray,
    into: np.ndarray,
    paid: np.ndarray | None,
) -> np.ndarray:
    """Take into the set (``inside`` is changed) all nodes that reach it at reduced price 0; the arcs that enter it."""
    fresh = into
    grew = False
    while True:
        free = rest[fresh] <= SPENT
        if paid is not None:
            free &= paid[fresh] <= SPENT
        free = tails[fresh[free]]
        free = free[~inside[free]]
        if not len(free):
            break
        nodes = list(dict.fromkeys(free.tolist()))
        inside[nodes] = True
        fresh = np.concatenate([np.arange(first[v], first[v + 1]) for v in nodes])
        into = np.concatenate([into, fresh])
        grew = True
    return into[~inside[tails[into]]] if grew else into
