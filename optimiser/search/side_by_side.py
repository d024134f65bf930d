"""Cables of one circuit laid side by side in a trench, where that is cheaper than a joint. In, out: State.

The moves of the search keep each circuit a tree on the ground, with a joint wherever it forks. But a cable may also
start at the joint before the fork and run beside the first one: it saves a way of a joint, or the whole joint, for some
metres of cable in a trench that is open anyway. Likewise a cable may run to a lamp's joint and the next one back the
same way. So, when the search has ended, each cable in turn is hung on the joint before the one it starts at, or on a
joint beside it; the cheapest change that holds is made, until none saves anything.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from .circuit import Fed
from .pieces import feed_pieces
from .state import Bench, State
from .tree import children_of

LEAST_GAIN = 0.005


@dataclass(frozen=True)
class _Wiring:
    """Pieces as ``feed_pieces`` takes them."""

    walks: tuple[tuple[int, ...], ...]
    above: tuple[int, ...]
    at_piece: dict[int, int]


def lay_side_by_side(bench: Bench, state: State) -> State:
    """The state with circuits whose cables share trenches where that is cheaper; the effort ends it."""
    for index in range(len(state.circuits)):
        while not bench.effort.is_over:
            new = _best_change(bench, state, index)
            if new is None:
                break
            state = new
    return state


def _best_change(bench: Bench, state: State, index: int) -> State | None:
    """The state after the change of one circuit that saves most; None where none saves anything."""
    fed = state.circuits[index]
    best: State | None = None
    for changed in _changes(_wiring(bench, fed)):
        new = feed_pieces(
            bench, fed.supply, fed.feed, fed.palette, changed.walks, changed.above, fed.leads, changed.at_piece
        )
        if new is None:
            continue
        circuits = list(state.circuits)
        circuits[index] = new
        composed = bench.compose(circuits, state.missing)
        if composed is not None and composed.cost < (best or state).cost - LEAST_GAIN:
            best = composed
    return best


def _wiring(bench: Bench, fed: Fed) -> _Wiring:
    walks = tuple(walk for _, walk in fed.pieces)
    far = {walk[-1]: i for i, walk in enumerate(walks)}
    leads = bench.facts.graph.leads
    return _Wiring(
        walks,
        tuple(far.get(walk[0], -1) for walk in walks),
        {lamp: far[leads[arc].node] for lamp, arc in fed.leads.items()},
    )


def _changes(wiring: _Wiring) -> Iterator[_Wiring]:
    """Each cable hung one joint up, or on a cable beside it; forks that no lead ends in left out."""
    walks, above = wiring.walks, wiring.above
    with_lead = set(wiring.at_piece.values())
    for i, up in enumerate(above):
        if up >= 0:
            yield _hung(wiring, i, above[up], walks[up] + walks[i][1:])
        beside = [k for k, parent in enumerate(above) if parent == up and k != i]
        for k in beside:
            yield _hung(wiring, i, k, walks[k][::-1] + walks[i][1:])
        kids = [k for k, parent in enumerate(above) if parent == i]
        if len(kids) > 1 and i not in with_lead:
            yield _without(wiring, i, kids)


def _hung(wiring: _Wiring, piece: int, on: int, walk: tuple[int, ...]) -> _Wiring:
    """One piece hung on another's far joint (-1: the driver) along this walk; a joint left with one cable is undone."""
    walks, above = list(wiring.walks), list(wiring.above)
    left = above[piece]
    walks[piece], above[piece] = _direct(walk), on
    if left >= 0 and left not in wiring.at_piece.values() and above.count(left) == 1:
        last = above.index(left)
        walks[last], above[last] = _direct(walks[left] + walks[last][1:]), above[left]
        return _in_order(wiring, walks, above, gone=left)
    return _in_order(wiring, walks, above)


def _without(wiring: _Wiring, fork: int, kids: list[int]) -> _Wiring:
    """Without a fork that no lead ends in: its cables start at the joint before it."""
    walks, above = list(wiring.walks), list(wiring.above)
    for kid in kids:
        walks[kid], above[kid] = _direct(walks[fork] + walks[kid][1:]), above[fork]
    return _in_order(wiring, walks, above, gone=fork)


def _in_order(wiring: _Wiring, walks: list[tuple[int, ...]], above: list[int], gone: int | None = None) -> _Wiring:
    """Pieces numbered anew, parents first."""
    kids = children_of({i: up for i, up in enumerate(above) if i != gone})
    order, stack = [], kids.get(-1, [])[::-1]
    while stack:
        i = stack.pop()
        order.append(i)
        stack.extend(kids.get(i, [])[::-1])
    number = {-1: -1} | {old: new for new, old in enumerate(order)}
    return _Wiring(
        tuple(walks[i] for i in order),
        tuple(number[above[i]] for i in order),
        {lamp: number[piece] for lamp, piece in wiring.at_piece.items()},
    )


def _direct(walk: tuple[int, ...]) -> tuple[int, ...]:
    """The walk without loops: nothing between two visits of a node."""
    kept: list[int] = []
    at: dict[int, int] = {}
    for node in walk:
        if node in at:
            for dropped in kept[at[node] + 1 :]:
                del at[dropped]
            del kept[at[node] + 1 :]
        else:
            at[node] = len(kept)
            kept.append(node)
    return tuple(kept)
