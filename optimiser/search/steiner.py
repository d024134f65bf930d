"""Shorten a circuit's tree by adding and dropping forks. In: a tree, edge weights, terminals. Out: a lighter tree.

Vertex insertion: for a node outside the tree, add it with all its edges to the tree and keep the minimum spanning
tree of the result, cut back to the terminals; keep it if lighter. A local optimum of this move is, on plain Steiner
instances, mostly within a few tenths of a per cent of the optimum; there is no guarantee below the factor 2 of the
spanning tree.
"""

from __future__ import annotations

from collections.abc import Callable, Collection

Tree = dict[int, int]


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
    max_passes: int = 4,
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
    """
    keep = set(terminals)
    tree = dict(tree)
    cost = {child: weight(edge_between(child, up)) for child, up in tree.items()}
    total = sum(cost.values())
    for _ in range(max_passes):
        inside = set(tree)
        inside.add(root)
        candidates: dict[int, int] = {}
        for u in sorted(inside):
            for v, _ in near[u]:
                if v not in inside and v not in barred:
                    candidates[v] = candidates.get(v, 0) + 1
        improved = False
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


def _insert(
    near: list[list[tuple[int, int]]],
    weight: Callable[[int], float],
    root: int,
    tree: Tree,
    cost: dict[int, float],
    keep: set[int],
    v: int,
) -> tuple[Tree, dict[int, float], float] | None:
    links = [(weight(e), u) for u, e in near[v] if u in tree or u == root]
    if len(links) < 2:
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
        return None
    kept: Tree = {}
    for node in keep:
        while node != root and node not in kept:
            kept[node] = parent[node]
            node = parent[node]
    kept_price = {node: price[node] for node in kept}
    return kept, kept_price, sum(kept_price.values())
