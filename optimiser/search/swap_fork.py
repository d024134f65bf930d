"""Lighten a tree by forks that take the place of another. In: a tree, edge weights, nodes. Out: a lighter tree.

Vertex insertion (``steiner.py``) takes the dearest edge out of each ring that a node closes. Where a fork that is there
loses a line so, it becomes a bend, which is dearer than the straight way past it, and bends cut a line into edges of
which none is dear: the exchange is not seen. Here that fork is gone first, with its lines whole, and what is left is
joined anew, by the new forks and by the edges between the ends of its lines (J. B. Kruskal, Proc. AMS 7, 1956, 48-50;
cited from memory).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise

from .tree import Tree, children_of, prune

_Near = list[list[tuple[int, int]]]


@dataclass(frozen=True)
class _Line:
    """From one end or fork of a tree to the next: the nodes it goes by, both ends among them."""

    price: float
    way: tuple[int, ...]


def swap_fork(
    near: _Near,
    weight: Callable[[int], float],
    root: int,
    tree: Tree,
    cost: Mapping[int, float],
    keep: set[int],
    group: Sequence[int],
) -> tuple[Tree, float] | None:
    """
    The lightest tree with the nodes of ``group`` in the place of one fork beside them, and its weight; None without.

    Parameters
    ----------
    near, weight
        (neighbour, edge) of every node; price of an edge.
    root, tree, cost, keep
        Arborescence as node -> parent; price of the edge above each node; nodes that it must reach.
    group
        Nodes outside the tree.
    """
    lines = _lines(root, tree, cost, keep)
    ends = {v for line in lines for v in (line.way[0], line.way[-1])}
    linked = {u for v in group for u, _ in near[v]} & ends
    of_fork: dict[int, list[_Line]] = {}
    for line in lines:
        for v in (line.way[0], line.way[-1]):
            if v not in keep and v != root:
                of_fork.setdefault(v, []).append(line)
    new = [_Line(weight(e), (v, u)) for v in group for u, e in near[v] if u in linked or (u in group and v < u)]
    best: tuple[Tree, float] | None = None
    for fork, mine in sorted(of_fork.items()):
        around = {v for line in mine for v in (line.way[0], line.way[-1]) if v != fork}
        if len(around & linked) < 2:
            continue
        past = [_Line(weight(e), (v, u)) for v in sorted(around) for u, e in near[v] if u in around and v < u]
        left = [line for line in lines if fork not in (line.way[0], line.way[-1])]
        found = _joined(left + [line for line in new if fork not in line.way] + past, root, keep)
        if found is not None and (best is None or found[1] < best[1]):
            best = found
    return best


def _lines(root: int, tree: Tree, cost: Mapping[int, float], keep: set[int]) -> list[_Line]:
    """All lines of a tree."""
    children = children_of(tree)
    lines = []
    for v in tree:
        if v not in keep and len(children.get(v, ())) < 2:
            continue
        way, price = [v], 0.0
        while len(way) == 1 or (way[-1] not in keep and way[-1] != root and len(children[way[-1]]) < 2):
            price += cost[way[-1]]
            way.append(tree[way[-1]])
        lines.append(_Line(price, tuple(way)))
    return lines


def _joined(lines: list[_Line], root: int, keep: set[int]) -> tuple[Tree, float] | None:
    """The lightest tree of some lines, cut back to what it must reach; None where they do not reach it."""
    from scipy.cluster.hierarchy import DisjointSet

    joined = DisjointSet(v for line in lines for v in (line.way[0], line.way[-1]))
    at: dict[int, list[tuple[int, _Line]]] = {}
    for line in sorted(lines, key=lambda line: (line.price, line.way)):
        a, b = line.way[0], line.way[-1]
        if joined.merge(a, b):
            at.setdefault(a, []).append((b, line))
            at.setdefault(b, []).append((a, line))
    up: Tree = {}
    by: dict[int, _Line] = {}
    stack = [root]
    while stack:
        v = stack.pop()
        for u, line in at.get(v, ()):
            if u != root and u not in up:
                up[u], by[u] = v, line
                stack.append(u)
    if not keep.difference([root]) <= up.keys():
        return None
    kept = prune(up, sorted(keep))
    tree: Tree = {}
    for v in kept:
        way = by[v].way if by[v].way[0] == v else by[v].way[::-1]
        for one, other in pairwise(way):
            tree[one] = other
    return tree, sum(by[v].price for v in kept)
