"""Cables of one circuit laid side by side in a trench, where that is cheaper than a joint. In, out: State, Ground.

The moves of the search keep each circuit a tree on the ground, with a joint wherever it forks. But a cable may also
start at the joint before the fork and run beside the first one: it saves a way of a joint, or the whole joint, for some
metres of cable in a trench that is open anyway. Likewise a cable may run to a lamp's joint and the next one back the
same way. So, when the search has ended, each cable in turn is hung on the joint before the one it starts at, or on a
joint beside it; the cheapest change that holds is made, until none saves anything.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from ..ground import Ground, refine
from .circuit import Fed
from .pieces import feed_pieces
from .state import Bench, State
from .tree import children_of

LEAST_GAIN = 0.005
PARTS, LEAST_PART_M = 4, 0.4
"""Into how many parts a line is split on which cables of a circuit lie side by side, and how short they may get."""


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
    facts = bench.facts
    best: State | None = None
    for changed in _changes(
        _wiring(bench, fed), [may and post < 0 for may, post in zip(facts.may_joint, facts.post, strict=True)]
    ):
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


def _changes(wiring: _Wiring, may_fork: Sequence[bool]) -> Iterator[_Wiring]:
    """
    Each cable hung one joint up, or on a cable beside it, or one with that as far as a fork; forks that no lead ends
    in left out.
    """
    walks, above = wiring.walks, wiring.above
    with_lead = set(wiring.at_piece.values())
    for i, up in enumerate(above):
        if up >= 0:
            yield _hung(wiring, i, above[up], walks[up] + walks[i][1:])
        beside = [k for k, parent in enumerate(above) if parent == up and k != i]
        for k in beside:
            yield _hung(wiring, i, k, walks[k][::-1] + walks[i][1:])
        for k in beside:
            if k < i:
                for node in _shared(walks[i], walks[k]):
                    if may_fork[node]:
                        yield _joined(wiring, i, k, node)
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


def _shared(one: tuple[int, ...], other: tuple[int, ...]) -> tuple[int, ...]:
    """Nodes that two cables pass side by side from their common start, neither of them ending there."""
    length = next((j for j, (u, v) in enumerate(zip(one, other, strict=False)) if u != v), min(len(one), len(other)))
    return tuple(v for v in one[1:length] if v not in (one[-1], other[-1]))


def _joined(wiring: _Wiring, one: int, other: int, node: int) -> _Wiring:
    """Two cables that lie side by side as one as far as a fork at this node."""
    walks, above = list(wiring.walks), list(wiring.above)
    fork = len(walks)
    walks.append(walks[one][: walks[one].index(node) + 1])
    above.append(above[one])
    for piece in (one, other):
        walks[piece], above[piece] = walks[piece][walks[piece].index(node) :], fork
    return _in_order(wiring, walks, above)


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


def split_lines(bench: Bench, state: State, ground: Ground) -> Ground:
    """The ground with nodes in those lines along which cables of one circuit lie side by side from a common start."""
    xy = ground.graph.xyz[:, :2]
    lines: set[tuple[int, int]] = set()
    for fed in state.circuits:
        wiring = _wiring(bench, fed)
        for (i, one), (k, other) in itertools.combinations(enumerate(wiring.walks), 2):
            if wiring.above[i] == wiring.above[k]:
                both = itertools.takewhile(lambda pair: pair[0] == pair[1], zip(one, other, strict=False))
                lines.update(itertools.pairwise(u for u, _ in both))
    points: list[np.ndarray] = []
    links: list[tuple[int, int]] = []
    for u, v in sorted({(min(line), max(line)) for line in lines}):
        edge = bench.ways.edge_between(u, v)
        parts = min(PARTS, int(float(np.hypot(*(xy[v] - xy[u]))) / LEAST_PART_M))
        if parts < 2 or bench.facts.sleeve[edge] >= 0:
            continue
        first = len(points)
        points += [xy[u] + (xy[v] - xy[u]) * (part / parts) for part in range(1, parts)]
        links += [(first, u), *((j, -j) for j in range(first + 1, len(points))), (len(points) - 1, v)]
    return refine(ground, np.array(points).reshape(-1, 2), links) if points else ground


def over_new_places(bench: Bench, state: State, old_nodes: int) -> State | None:
    """The state with its cables over the nodes that ``split_lines`` put in their lines: those from this number on."""
    xy = bench.facts.graph.xyz[:, :2]
    new = np.arange(old_nodes, len(xy))
    circuits = []
    for fed in state.circuits:
        wiring = _wiring(bench, fed)
        walks = [tuple(_over(bench, xy, new, walk)) for walk in wiring.walks]
        same = feed_pieces(bench, fed.supply, fed.feed, fed.palette, walks, wiring.above, fed.leads, wiring.at_piece)
        circuits.append(same or fed)
    return bench.compose(circuits, state.missing)


def _over(bench: Bench, xy: np.ndarray, new: np.ndarray, walk: Sequence[int]) -> Iterator[int]:
    yield walk[0]
    for u, v in itertools.pairwise(walk):
        to_u, to_v = np.hypot(*(xy[new] - xy[u]).T), np.hypot(*(xy[new] - xy[v]).T)
        far = float(np.hypot(*(xy[v] - xy[u])))
        between = [int(new[i]) for i in np.argsort(to_u, kind="stable") if to_u[i] + to_v[i] < far + 0.002]
        stops = [u, *(w for w in between if w not in walk), v]
        yield from stops[1:] if all(bench.ways.has_edge(a, b) for a, b in itertools.pairwise(stops)) else (v,)
