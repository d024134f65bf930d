"""What every tree of the search is: node -> node above. In: a tree. Out: parts of it, and the way down."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from itertools import pairwise

import numpy as np

Tree = dict[int, int]
"""node -> parent node; the root's node is no key."""


def children_of(tree: Tree) -> dict[int, list[int]]:
    """
    Nodes right below each node, in the tree's order; those without any are no keys.

    Examples
    --------
    >>> children_of({1: 0, 3: 2, 2: 0})
    {0: [1, 2], 2: [3]}
    """
    children: dict[int, list[int]] = {}
    for node, up in tree.items():
        if up in children:  # a little faster than setdefault, for trees of any size
            children[up].append(node)
        else:
            children[up] = [node]
    return children


def branch_below(children: Mapping[int, list[int]], top: int) -> set[int]:
    """``top`` and all nodes that hang on it, from ``children_of``."""
    below, stack = {top}, [top]
    while stack:
        for node in children.get(stack.pop(), ()):
            below.add(node)
            stack.append(node)
    return below


def prune(tree: Tree, keep: Iterable[int]) -> Tree:
    """The tree without branches that lead to none of ``keep``."""
    kept: Tree = {}
    for node in keep:
        while node in tree and node not in kept:
            kept[node] = tree[node]
            node = tree[node]
    return kept


def hung_from(root: int, walks: Iterable[Sequence[int]]) -> Tree:
    """
    A tree over all steps of some walks, from ``root`` on, nearest nodes first; where walks meet again, one way is kept.

    Examples
    --------
    >>> hung_from(0, [(2, 1, 0), (2, 3), (3, 0)])
    {1: 0, 3: 0, 2: 1}
    """
    near: dict[int, list[int]] = {}
    for walk in walks:
        for u, v in pairwise(walk):
            near.setdefault(u, []).append(v)
            near.setdefault(v, []).append(u)
    tree: Tree = {}
    queue = [root]
    for u in queue:
        for v in near.get(u, ()):
            if v != root and v not in tree:
                tree[v] = u
                queue.append(v)
    return tree


def way_back(before: np.ndarray, node: int) -> list[int]:
    """Nodes from ``node`` back to the start of the way to it; ``before`` of each is negative at a start."""
    way = [node]
    while (previous := before.item(way[-1])) >= 0:
        way.append(previous)
    return way
