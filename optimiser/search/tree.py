"""What every tree of the search is: node -> node above. In: a tree. Out: parts of it, and the way down."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

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
