"""Shorten a tree of trench by laying its branches elsewhere. In: a tree, its terminals, ways. Out: a lighter tree.

Key-path exchange: a key path runs from a terminal or fork up to the next one, and carries nothing besides. Without it
the tree falls in two; if a cheaper way joins the two, it takes the path's place. A fork none of whose paths is moved so
may go with all of them (``key_vertices.py``). Together with the adding of forks (``steiner``) a local optimum of these
moves is mostly within a few tenths of a per cent of the lightest tree (E. Uchoa, R. F. Werneck, "Fast local search for
the Steiner problem in graphs", ACM J. Experimental Algorithmics 17, 2012, describe them with faster data structures;
cited from memory).
"""

from __future__ import annotations

from collections.abc import Callable, Collection

import numpy as np

from .key_vertices import Reach, key_path_above, without_fork
from .tree import Tree, branch_below, children_of, prune, way_back

MOST_PASSES = 20
"""Times that all key paths are gone over at most."""


def exchange_key_paths(
    tree: Tree,
    root: int,
    terminals: Collection[int],
    weight_between: Callable[[int, int], float],
    reach: Reach,
    *,
    barred: Collection[int] = (),
    leaves: Collection[int] = (),
) -> Tree:
    """
    A tree over the same root and terminals, no heavier than the given one.

    Parameters
    ----------
    tree, root, terminals
        Arborescence as node -> parent, in which all terminals are.
    weight_between
        Price of the edge between two adjacent nodes.
    reach
        Cheapest ways from several nodes.
    barred
        Nodes at which no branch may start.
    leaves
        Nodes that nothing may hang on: lamps.
    """
    tree, ends = dict(tree), set(terminals)
    for _ in range(MOST_PASSES):
        changed = False
        children = children_of(tree)
        for node in sorted(tree):
            if node not in tree or not (node in ends or len(children.get(node, ())) > 1):
                continue
            if _exchange(tree, children, root, ends, node, weight_between, reach, barred, leaves):
                tree = prune(tree, sorted(ends))
            elif node in ends:
                continue
            else:
                new = without_fork(tree, children, root, ends, node, weight_between, reach, barred, leaves)
                if new is None:
                    continue
                tree = new
            children = children_of(tree)
            changed = True
        if not changed:
            break
    return tree


def _exchange(
    tree: Tree,
    children: dict[int, list[int]],
    root: int,
    ends: set[int],
    node: int,
    weight_between: Callable[[int, int], float],
    reach: Reach,
    barred: Collection[int],
    leaves: Collection[int],
) -> bool:
    """Replace the key path above ``node`` where a cheaper way is; the tree is changed then."""
    path, price = key_path_above(tree, children, root, ends, node, weight_between)
    if price <= 1e-7:
        return False
    below = branch_below(children, node)
    starts = sorted(v for v in below if v not in barred and (v == node or v not in leaves))
    if not starts:
        return False
    dist, before = reach(starts, price)
    loose = below.union(path)
    others = np.array(sorted(v for v in (root, *tree) if v not in loose and v not in barred and v not in leaves), int)
    if not len(others):
        return False
    target = int(others[dist[others].argmin()])
    if dist.item(target) >= price - 1e-7:
        return False
    way = way_back(before, target)
    kept = tree.keys() - set(path[1:])
    if not kept.isdisjoint(way[1:-1]):  # past a barred node of the tree
        return False
    for v in path[1:]:
        del tree[v]
    _turn(tree, node, way[-1], way[-2])
    for v, feeder in zip(way[1:-1], way, strict=False):
        tree[v] = feeder
    return True


def _turn(tree: Tree, top: int, new_top: int, feeder: int) -> None:
    """Hang the branch whose top was ``top`` on ``feeder`` by its node ``new_top``."""
    node, up = new_top, feeder
    while True:
        above = tree[node]
        tree[node] = up
        if node == top:
            return
        node, up = above, node
