"""Shorten a tree of trench by doing without one of its forks. In: a tree, its terminals, ways. Out: a lighter tree.

Key-vertex elimination: a fork goes with all key paths that meet at it, which leaves as many parts of the tree; these
are joined anew by the cheapest ways between them, as in a spanning tree (E. Uchoa and R. F. Werneck, see
``key_paths.py``, whose exchange moves one path at a time and cannot leave a fork that each of its paths holds).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Collection
from itertools import combinations

import numpy as np

from .tree import Tree, branch_below, hung_from, prune, way_back

Reach = Callable[[list[int], float], tuple[np.ndarray, np.ndarray]]
"""From several nodes up to a price: price of the way to each node, and the node before it (negative at a source)."""


def key_path_above(
    tree: Tree,
    children: dict[int, list[int]],
    root: int,
    ends: set[int],
    node: int,
    weight_between: Callable[[int, int], float],
) -> tuple[list[int], float]:
    """Nodes of the key path from ``node`` up, without the one it ends at, and its price."""
    path, up = [node], tree[node]
    price = weight_between(node, up)
    while up != root and up not in ends and len(children[up]) == 1:
        path.append(up)
        price += weight_between(up, tree[up])
        up = tree[up]
    return path, price


def without_fork(
    tree: Tree,
    children: dict[int, list[int]],
    root: int,
    ends: set[int],
    fork: int,
    weight_between: Callable[[int, int], float],
    reach: Reach,
    barred: Collection[int],
    leaves: Collection[int],
) -> Tree | None:
    """
    The tree without ``fork`` and the key paths that meet at it, where that is lighter; else None.

    Parameters
    ----------
    fork
        A node of the tree that is none of its ``ends``, with branches.
    tree, children, root, ends, weight_between, reach, barred, leaves
        As for ``exchange_key_paths``.
    """
    tops, gone, price = [], {fork}, 0.0
    for below in children[fork]:
        node = below
        price += weight_between(node, fork)
        while node not in ends and len(children.get(node, ())) == 1:
            gone.add(node)
            (on,) = children[node]
            price += weight_between(on, node)
            node = on
        tops.append(node)
    above, more = key_path_above(tree, children, root, ends, fork, weight_between)
    gone.update(above)
    price += more
    if price <= 1e-7:
        return None
    parts = [branch_below(children, top) for top in tops]
    rest = {root, *tree}.difference(gone, *parts)
    parts.append(rest)
    open_to = [
        sorted(v for v in part if v not in barred and (v not in leaves or v == top))
        for part, top in zip(parts, [*tops, -1], strict=True)
    ]
    found = _nearest(open_to, [[v for v in part if v not in leaves] for part in open_to], reach, price)
    ways = _spanning(found, len(parts), price)
    if ways is None:
        return None
    if any(top in leaves and sum(number in pair for pair in ways) > 1 for number, top in enumerate(tops)):
        return None
    kept = {root, *tree} - gone
    inner = [v for pair in ways for v in found[pair][1][1:-1]]
    if not kept.isdisjoint(inner) or any(v in barred and inner.count(v) > 1 for v in inner):
        return None  # past a barred node of the tree, or with a branch at one
    lines = [(child, up) for child, up in tree.items() if child not in gone and up not in gone]
    # Ways that share a stretch make it lighter still.
    return prune(hung_from(root, [*lines, *(found[pair][1] for pair in ways)]), sorted(ends - {root}))


def _nearest(
    starts: list[list[int]], targets: list[list[int]], reach: Reach, limit: float
) -> dict[tuple[int, int], tuple[float, list[int]]]:
    """Price and nodes of the cheapest way between every two parts, from all but the last, below a price."""
    found: dict[tuple[int, int], tuple[float, list[int]]] = {}
    for number, mine in enumerate(starts[:-1]):
        if not mine:
            continue
        dist, before = reach(mine, limit)
        for other, theirs in enumerate(targets):
            pair = min(number, other), max(number, other)
            if other == number or not theirs:
                continue
            at = np.array(theirs)
            target = int(at[dist[at].argmin()])
            if dist.item(target) < min(limit, found.get(pair, (math.inf,))[0]):
                found[pair] = dist.item(target), way_back(before, target)
    return found


def _spanning(
    found: dict[tuple[int, int], tuple[float, list[int]]], count: int, price: float
) -> list[tuple[int, int]] | None:
    """The lightest ways that join all parts, where they are cheaper than ``price``."""
    of = list(range(count))
    total, chosen = 0.0, []
    for pair in sorted(
        (pair for pair in combinations(range(count), 2) if pair in found), key=lambda p: (found[p][0], p)
    ):
        one, two = of[pair[0]], of[pair[1]]
        if one != two:
            of = [one if part == two else part for part in of]
            total += found[pair][0]
            chosen.append(pair)
    return chosen if len(chosen) == count - 1 and total < price - 1e-7 else None
