"""Shorten a circuit's tree by adding and dropping forks. In: a tree, edge weights, terminals. Out: a lighter tree.

Vertex insertion: for a node outside the tree, add it with all its edges to the tree and keep the minimum spanning
tree of the result, cut back to the terminals; keep it if lighter. A local optimum of this move is, on plain Steiner
instances, mostly near the optimum (from memory; ``python -m tests.benchmarks.bench_graphs`` prints what whole searches
come to); there is no guarantee below the factor 2 of the spanning tree.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Collection, Sequence

from .swap_fork import swap_fork
from .tree import Tree, children_of

MOST_PASSES = 4
"""Times all candidates are gone through, at most."""


def neighbours(ends: list[list[int]], num_nodes: int) -> list[list[tuple[int, int]]]:
    """(neighbour, edge) of every node."""
    near: list[list[tuple[int, int]]] = [[] for _ in range(num_nodes)]
    for e, (u, v) in enumerate(ends):
        near[u].append((v, e))
        near[v].append((u, e))
    return near


def lighten(
    near: list[list[tuple[int, int]]],
    weight: Callable[[int], float],
    edge_between: Callable[[int, int], int],
    root: int,
    tree: Tree,
    terminals: Collection[int],
    spend: Callable[[float], None],
    *,
    barred: Collection[int] = (),
    groups: Sequence[Sequence[int]] = (),
) -> Tree:
    """
    A tree over the same root and terminals, no heavier than the given one.

    Parameters
    ----------
    near
        (neighbour, edge) of every node.
    weight, edge_between
        Price of an edge; edge joining two adjacent nodes.
    root, tree, terminals
        Arborescence as node -> parent; terminals must be its nodes.
    spend
        Told the work done.
    barred
        Nodes that may not be added.
    groups
        Nodes to try together besides: forks of which none need gain alone.
    """
    keep = set(terminals)
    tree = dict(tree)
    cost = {child: weight(edge_between(child, up)) for child, up in tree.items()}
    total = sum(cost.values())
    for _ in range(MOST_PASSES):
        improved = False
        for group in groups:
            spend(0.05 * len(group))
            fresh = [v for v in dict.fromkeys(group) if v not in tree and v != root and v not in barred]
            together = _insert_all(near, weight, root, tree, cost, keep, fresh)
            if together is not None and together[2] < total - 1e-7:
                tree, cost, total = together
                improved = True
                continue
            swapped = swap_fork(near, weight, root, tree, cost, keep, fresh) if fresh else None
            if swapped is not None and swapped[1] < total - 1e-7:
                cost = {child: weight(edge_between(child, up)) for child, up in swapped[0].items()}
                tree, cost, total = _without_bends(near, weight, swapped[0], cost, keep)
                improved = True
        inside = set(tree)
        inside.add(root)
        candidates: dict[int, int] = {}
        for u in sorted(inside):
            for v, _ in near[u]:
                if v not in inside and v not in barred:
                    candidates[v] = candidates.get(v, 0) + 1
        spend(0.05 * len(candidates))
        for v, links in sorted(candidates.items()):
            if links < 2:
                continue
            new = _insert(near, weight, root, tree, cost, keep, v)
            if new is not None and new[2] < total - 1e-7:
                tree, cost, total = new
                improved = True
        if not improved:
            break
    return tree


def _insert_all(
    near: list[list[tuple[int, int]]],
    weight: Callable[[int], float],
    root: int,
    tree: Tree,
    cost: dict[int, float],
    keep: set[int],
    fresh: Sequence[int],
) -> tuple[Tree, dict[int, float], float] | None:
    """
    The tree with several nodes added one after the other; what then hangs on nothing is cut back at the end, and a
    fork that is left with two edges gives way to the straight one where that is there.
    """
    new = None
    for k, v in enumerate(fresh):
        last = k == len(fresh) - 1
        new = _insert(near, weight, root, tree, cost, keep if last else keep.union(fresh[: k + 1]), v, anyhow=not last)
        if new is None:
            return None
        tree, cost, _ = new
    return None if new is None else _without_bends(near, weight, new[0], new[1], keep)


def _without_bends(
    near: list[list[tuple[int, int]]],
    weight: Callable[[int], float],
    tree: Tree,
    cost: dict[int, float],
    keep: set[int],
) -> tuple[Tree, dict[int, float], float]:
    """The tree with edges instead of two that meet where nothing else does; both are changed."""
    children = children_of(tree)
    for v in [v for v in tree if v not in keep]:
        if len(children.get(v, ())) != 1:
            continue
        (child,), up = children[v], tree[v]
        straight = min((weight(e) for u, e in near[child] if u == up), default=math.inf)
        if straight < cost[v] + cost[child]:
            tree[child], cost[child] = up, straight
            del tree[v], cost[v]
            children[up] = [child if u == v else u for u in children[up]]
    return tree, cost, sum(cost.values())


def _insert(
    near: list[list[tuple[int, int]]],
    weight: Callable[[int], float],
    root: int,
    tree: Tree,
    cost: dict[int, float],
    keep: set[int],
    v: int,
    *,
    anyhow: bool = False,
) -> tuple[Tree, dict[int, float], float] | None:
    """The tree with one node added; None where it would be a leaf, unless wanted ``anyhow``."""
    links = [(weight(e), u) for u, e in near[v] if u in tree or u == root]
    if len(links) < (1 if anyhow else 2):
        return None
    links.sort()
    parent, price = tree, cost  # as they are until there is something to change
    first_w, first_u = links[0]
    above_v = {v, first_u}
    node = first_u
    while node != root:
        node = tree[node]
        above_v.add(node)
    for w, u in links[1:]:
        # Heaviest edge on the way between v and u.
        ancestors = above_v
        if parent is not tree:
            ancestors = {v}
            node = v
            while node != root:
                node = parent[node]
                ancestors.add(node)
        worst_w, worst = w, -1
        on_v_side = False
        node = u
        while node not in ancestors:
            if price[node] > worst_w:
                worst_w, worst = price[node], node
            node = parent[node]
        meet = node
        if parent is not tree:
            node = v
        elif v == meet:
            node = meet
        else:
            if first_w > worst_w:
                worst_w, worst, on_v_side = first_w, v, True
            node = first_u
        while node != meet:
            if price[node] > worst_w:
                worst_w, worst, on_v_side = price[node], node, True
            node = parent[node]
        if worst < 0:
            continue
        if parent is tree:
            parent, price = dict(tree), dict(cost)
            parent[v], price[v] = first_u, first_w
        # Cut above ``worst`` and turn the side that lost its parent, so that the new edge v-u feeds it.
        start, feeder = (v, u) if on_v_side else (u, v)
        node, up, up_w = start, feeder, w
        while True:
            next_node, next_w = parent.get(node, -1), price.get(node, 0.0)
            parent[node], price[node] = up, up_w
            if node == worst:
                break
            node, up, up_w = next_node, node, next_w
    if parent is tree:
        if not anyhow:
            return None
        parent, price = {**tree, v: first_u}, {**cost, v: first_w}
    kept: Tree = {}
    for node in keep:
        while node != root and node not in kept:
            kept[node] = parent[node]
            node = parent[node]
    kept_price = {node: price[node] for node in kept}
    return kept, kept_price, sum(kept_price.values())
