"""Where forks would save trench in a network found. In: its places and lines. Out: full Steiner trees of a few places.

A full Steiner tree joins its places by forks alone, three lines at 120 degrees at each. Added to a tree it lets as many
lines less one go, those that are dearest on the ways between its places (the bottlenecks; P. Winter and M. Zachariasen,
"Euclidean Steiner minimum trees: an improved exact algorithm", Networks 30, 1997, 149-166). Where a fork of the tree
loses a line so, what is left of it goes too: one line, or the bend in two. Unlike the Fermat point of two lines that
meet, this finds forks between branches that do not meet yet, and two forks neither of which gains alone. Only a source
of good nodes: what becomes of them is the search's to say.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from ..ground.graph import Bools, Floats, Ints
from ..ground.hub_places import delaunay_triangles, fermat_points

WORTH_A_LOOK = 0.2
"""Part of what a full tree costs that the lines it frees may fall short by, forks left over being counted apart."""
_TURN_60 = np.array([[0.5, -np.sqrt(0.75)], [np.sqrt(0.75), 0.5]])
_TINY = 1e-9

LinePrice = Callable[[Floats, Floats], Floats]
"""Prices of straight lines from (n, 2) to (n, 2); infinite where no trench may run."""


@dataclass(frozen=True, eq=False)
class FullTrees:
    """
    Full Steiner trees that gain, most first.

    ``forks`` (k, 2) are places; ``links`` pairs (fork, i): i >= 0 one of the places given, -1 - j the j-th fork;
    ``groups`` forks of one tree; ``straight`` pairs of the places given, lines that replace two with a bend.
    """

    forks: Floats
    links: list[tuple[int, int]]
    groups: list[tuple[int, ...]]
    straight: list[tuple[int, int]]


@dataclass(frozen=True)
class _Tree:
    gain: float
    ends: tuple[int, ...]
    forks: Floats
    straight: list[tuple[int, int]]


def full_trees(
    places: Floats,
    lines: Sequence[tuple[int, int, float]],
    bare: Sequence[bool],
    price: LinePrice,
    least_per_m: float,
    fork_price: float,
    most: int,
    least_gain: float = 1e-6,
    is_known: Callable[[Floats], Bools] | None = None,
) -> FullTrees:
    """
    Forks worth a node.

    Parameters
    ----------
    places
        (n, 2) joints and forks of a network.
    lines
        Its lines: two places and a price, cycles allowed.
    bare
        Whether each place is a fork and nothing else, and may go.
    price, least_per_m, fork_price
        What straight lines cost, the least that a metre costs anywhere, and what a joint at a fork costs.
    most, least_gain
        Most trees to return, and the least that each must gain.
    is_known
        Whether each of (k, 2) places has a node nearby already: trees are wanted with forks that have none.
    """
    found: list[_Tree] = []
    if lines:
        merged = _Merged(len(places), lines)
        threes, fours = _neighbours(places, bare)
        points, inner = fermat_points(*(places[threes[:, k]] for k in range(3)))
        three = np.flatnonzero(inner)
        found += _gaining(places, threes[three], points[three, None], merged, bare, price, least_per_m, fork_price)
        forked, fits = two_forks(*(places[fours[:, k]] for k in range(4)))
        found += _gaining(places, fours[fits], forked[fits], merged, bare, price, least_per_m, fork_price)
    found = [tree for tree in found if tree.gain >= least_gain]
    if is_known is not None:
        found = [tree for tree in found if not is_known(tree.forks).all()]
    found.sort(key=lambda tree: (-round(tree.gain, 6), tree.ends))
    forks: list[Floats] = []
    links: list[tuple[int, int]] = []
    groups: list[tuple[int, ...]] = []
    straight: list[tuple[int, int]] = []
    for tree in found[:most]:
        first = len(forks)
        forks += list(tree.forks)
        straight += tree.straight
        if len(tree.forks) == 1:
            links += [(first, end) for end in tree.ends]
        else:
            links += [(first, tree.ends[0]), (first, tree.ends[1]), (first, -2 - first)]
            links += [(first + 1, tree.ends[2]), (first + 1, tree.ends[3])]
        groups.append(tuple(range(first, len(forks))))
    return FullTrees(np.array(forks).reshape(-1, 2), links, groups, straight)


class _Merged:
    """The lightest tree of a network, and how its places grow together, line by line."""

    def __init__(self, n: int, lines: Sequence[tuple[int, int, float]]) -> None:
        from scipy.cluster.hierarchy import DisjointSet

        self.lines: list[tuple[int, int, float]] = []
        self.at: list[dict[int, int]] = [{} for _ in range(n)]
        """Of each place, neighbour -> line of the tree."""
        up = np.arange(2 * n, dtype=np.int64)
        top = list(range(n))
        joined = DisjointSet(range(n))
        for price, u, v in sorted((price, u, v) for u, v, price in lines):
            one, two = joined[u], joined[v]
            if not joined.merge(u, v):
                continue
            line = len(self.lines)
            up[top[one]] = up[top[two]] = n + line
            top[joined[u]] = n + line
            self.at[u][v] = self.at[v][u] = line
            self.lines.append((u, v, price))
        self._up, self._n = up, n
        self._price = np.array([line[2] for line in self.lines])

    def bottlenecks(self, a: Ints, b: Ints) -> tuple[Ints, Floats]:
        """(q,) line that is dearest on the way between places, and its price; -1 and infinite where there is no way."""
        a, b = a.copy(), b.copy()
        left = np.flatnonzero(a != b)
        while len(left):
            # Of two, the one that grew together earlier climbs: a merger's number is above those of its parts.
            low = a[left] < b[left]
            behind = np.where(low, a[left], b[left])
            above = self._up[behind]
            stuck = above == behind
            a[left[low]], b[left[~low]] = above[low], above[~low]
            a[left[stuck]] = b[left[stuck]] = -1
            left = left[(a[left] != b[left]) & ~stuck]
        line = np.where(a >= self._n, a - self._n, -1)
        return line, np.where(line >= 0, self._price[line], np.inf)


def _neighbours(places: Floats, bare: Sequence[bool]) -> tuple[Ints, Ints]:
    """
    (t, 3) and (q, 4) places that are neighbours among all, or among those that are no bare forks.

    The forks that are there stand between places which a better tree would join without them.
    """
    threes, fours = [np.empty((0, 3), dtype=np.int64)], [np.empty((0, 4), dtype=np.int64)]
    firm = np.flatnonzero(~np.asarray(bare, dtype=bool))
    for among in (np.arange(len(places)), firm) if len(firm) < len(places) else (firm,):
        triangles = delaunay_triangles(places[among])
        threes.append(among[triangles])
        fours.append(among[_quads(triangles)])
    return _each_once(np.vstack(threes)), _each_once(np.vstack(fours))


def _each_once(rows: Ints) -> Ints:
    """Rows as they first come."""
    _, first = np.unique(rows, axis=0, return_index=True)
    return rows[np.sort(first)]


def _quads(triangles: Ints) -> Ints:
    """(q, 4) of neighbouring triangles, in both topologies: the first two of each join at one fork."""
    sides: dict[tuple[int, int], list[int]] = {}
    for a, b, c in triangles.tolist():
        for u, v, far in ((a, b, c), (b, c, a), (c, a, b)):
            sides.setdefault((min(u, v), max(u, v)), []).append(far)
    quads = []
    for (u, v), far in sorted(sides.items()):
        if len(far) == 2:
            one, two = sorted(far)
            quads += [(u, one, v, two), (u, two, v, one)]
    return np.array(quads, dtype=np.int64).reshape(-1, 4)


def two_forks(a: Floats, b: Floats, c: Floats, d: Floats) -> tuple[Floats, Bools]:
    """
    Both forks of the full trees that join a with b and c with d, (n, 2) each, by Melzak's construction.

    Returns
    -------
    (n, 2, 2) forks, the first between a and b; (n,) whether there is such a tree.
    """
    one, two = _apex(a, b, (c + d) / 2), _apex(c, d, (a + b) / 2)
    way = two - one
    way = way / np.maximum(np.hypot(*way.T), _TINY)[:, None]
    first = one + way * (2 * (way * ((a + b + one) / 3 - one)).sum(axis=1))[:, None]
    second = two + way * (2 * (way * ((c + d + two) / 3 - two)).sum(axis=1))[:, None]
    fits = ((second - first) * way).sum(axis=1) > 1e-6
    for fork, ends in ((first, (a, b, second)), (second, (c, d, first))):
        out = [end - fork for end in ends]
        out = [v / np.maximum(np.hypot(*v.T), _TINY)[:, None] for v in out]
        for i in range(3):
            fits &= np.abs((out[i] * out[(i + 1) % 3]).sum(axis=1) + 0.5) < 1e-6
    return np.stack([first, second], axis=1), fits


def _apex(a: Floats, b: Floats, away: Floats) -> Floats:
    """Third corner of the equilateral triangle on a-b, on the other side than ``away``."""
    side = b - a
    left = a + side @ _TURN_60.T
    right = a + side @ _TURN_60
    cross = side[:, 0] * (away - a)[:, 1] - side[:, 1] * (away - a)[:, 0]
    return np.asarray(np.where((cross > 0)[:, None], right, left), dtype=float)


def _gaining(
    places: Floats,
    ends: Ints,
    forks: Floats,
    merged: _Merged,
    bare: Sequence[bool],
    price: LinePrice,
    least_per_m: float,
    fork_price: float,
) -> list[_Tree]:
    """Those of the full trees (t, k ends) with (t, k - 2, 2) forks that gain."""
    if not len(ends):
        return []
    forks = np.round(forks, 3)
    freed, saves = _freed(ends, merged)
    starts = [forks[:, 0], forks[:, 0], *[forks[:, -1]] * (ends.shape[1] - 2)]
    stops = [places[ends[:, k]] for k in range(ends.shape[1])]
    if forks.shape[1] == 2:
        starts, stops = [*starts, forks[:, 0]], [*stops, forks[:, 1]]
    length = sum(np.hypot(*(s - e).T) for s, e in zip(starts, stops, strict=True))
    worth = np.isfinite(saves) & (length * least_per_m * (1 - WORTH_A_LOOK) < saves)
    asked = np.flatnonzero(worth)
    if not len(asked):
        return []
    cost = price(np.concatenate([s[asked] for s in starts]), np.concatenate([e[asked] for e in stops]))
    cost = cost.reshape(len(starts), -1).sum(axis=0)
    trees = []
    for i in np.flatnonzero(cost * (1 - WORTH_A_LOOK) < saves[asked]).tolist():
        row = asked[i]
        mine = tuple(ends[row].tolist())
        more, fewer, straight = _left_over(places, merged, bare, mine, set(freed[row].tolist()))
        gain = float(saves[row] - cost[i]) + more - fork_price * (forks.shape[1] - fewer)
        trees.append(_Tree(gain, mine, forks[row], straight))
    return trees


def _freed(ends: Ints, merged: _Merged) -> tuple[Ints, Floats]:
    """(t, k - 1) lines that go when each row's places are joined, and (t,) their prices together."""
    t, k = ends.shape
    line = np.full((t, k, k), -1, dtype=np.int64)
    near = np.full((t, k, k), np.inf)
    for i in range(k):
        for j in range(i):
            line[:, i, j], near[:, i, j] = merged.bottlenecks(ends[:, i], ends[:, j])
            line[:, j, i], near[:, j, i] = line[:, i, j], near[:, i, j]
    # The lightest tree of the bottlenecks, grown from the first place.
    row = np.arange(t)
    reach, by = near[:, 0].copy(), line[:, 0].copy()
    inside = np.zeros((t, k), dtype=bool)
    inside[:, 0] = True
    freed, total = [], np.zeros(t)
    for _ in range(k - 1):
        reach[inside] = np.inf
        pick = np.where(inside, 2.0, np.isinf(reach)).argmin(axis=1)
        pick = np.where(np.isfinite(reach.min(axis=1)), reach.argmin(axis=1), pick)
        total += reach[row, pick]
        freed.append(by[row, pick])
        inside[row, pick] = True
        nearer = near[row, pick] < reach
        reach, by = np.where(nearer, near[row, pick], reach), np.where(nearer, line[row, pick], by)
    return np.stack(freed, axis=1), total


def _left_over(
    places: Floats, merged: _Merged, bare: Sequence[bool], ends: tuple[int, ...], freed: set[int]
) -> tuple[float, int, list[tuple[int, int]]]:
    """What is saved besides where bare forks lose lines, how many go, and the straight lines that replace bends."""
    saved, fewer = 0.0, 0
    straight: list[tuple[int, int]] = []
    ask = [v for line in sorted(freed) for v in merged.lines[line][:2]]
    gone = set(freed)
    while ask:
        v = ask.pop()
        if not bare[v] or v in ends:
            continue
        left = [(u, line) for u, line in merged.at[v].items() if line not in gone]
        if len(left) == 1:
            gone.add(left[0][1])
            fewer += 1
            saved += merged.lines[left[0][1]][2]
            ask.append(left[0][0])
    for v in sorted({v for line in gone for v in merged.lines[line][:2]}):
        left = [(u, line) for u, line in merged.at[v].items() if line not in gone]
        if bare[v] and v not in ends and len(left) == 2:
            (u, one), (w, two) = left
            price = merged.lines[one][2] + merged.lines[two][2]
            length = float(np.hypot(*(places[u] - places[v])) + np.hypot(*(places[w] - places[v])))
            saved += price * (1 - float(np.hypot(*(places[u] - places[w]))) / max(length, _TINY))
            fewer += 1
            straight.append((u, w))
    return saved, fewer, straight
