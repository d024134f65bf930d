"""Which nodes are joined by straight trench lines. In: nodes, Land. Out: pairs of nodes.

The rule for a node: the nearest visible node in each of ten directions, its nearest visible nodes whatever the
direction, its Delaunay neighbours, and lines along tangents of no-dig corners, so that shortest ways round them are
exact. A line that passes another node within ``BESIDE_M`` is left out where the two lines by way of that node cost
the same: two trenches a spade's width apart are one.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import shapely

from .border_places import Corners
from .graph import Bools, Floats, Ints
from .zones import Land

BESIDE_M = 0.1
_SAME = 1.003
_DETOUR = 1.003
_ROUNDS = 4
_SOURCES = 64
"""Nodes from which ways are sought at once: that many rows as long as there are nodes are in memory together."""
NEAREST_ASKED = 48
SECTORS = 10


def unique_pairs(pairs: Ints) -> Ints:
    """(m, 2) pairs, lower first, sorted, each once, none of a node with itself."""
    pairs = np.sort(np.asarray(pairs, dtype=np.int64).reshape(-1, 2), axis=1)
    pairs = pairs[pairs[:, 0] != pairs[:, 1]]
    if not len(pairs):
        return pairs
    key = np.unique(key_of(pairs))
    return np.column_stack([key >> 32, key & 0xFFFFFFFF])


def key_of(pairs: Ints) -> Ints:
    """(m,) one number for each pair, whichever comes first."""
    return np.minimum(pairs[:, 0], pairs[:, 1]) << 32 | np.maximum(pairs[:, 0], pairs[:, 1])


def visible_pairs(land: Land, xy: Floats, pairs: Ints) -> Ints:
    """Those pairs between which a trench may run straight."""
    if not len(pairs):
        return pairs
    return pairs[land.visible(xy[pairs[:, 0]], xy[pairs[:, 1]])]


def near_pairs(land: Land, xy: Floats, asking: Ints, pool: Ints, per_sector: int, nearest: int) -> Ints:
    """
    Pairs of the nodes ``asking`` with visible nodes of ``pool``: ``per_sector`` nearest in each direction and
    ``nearest`` of all.
    """
    from scipy.spatial import cKDTree

    if len(pool) < 2 or not len(asking):
        return np.empty((0, 2), dtype=np.int64)
    k = min(NEAREST_ASKED + 1, len(pool))
    found = cKDTree(xy[pool]).query(xy[asking], k=k)[1]
    frm, to = np.repeat(asking, k), pool[np.ravel(found)]
    far = np.hypot(*(xy[frm] - xy[to]).T)
    other = frm != to
    frm, to, far = frm[other], to[other], far[other]
    every = unique_pairs(np.column_stack([frm, to]))
    seen = visible_pairs(land, xy, every)
    keep = np.isin(key_of(np.column_stack([frm, to])), key_of(seen))
    frm, to, far = frm[keep], to[keep], far[keep]
    angle = np.arctan2(xy[to, 1] - xy[frm, 1], xy[to, 0] - xy[frm, 0])
    sector = np.minimum(((angle + np.pi) / (2 * np.pi) * SECTORS).astype(np.int64), SECTORS - 1)
    group = frm * SECTORS + sector
    chosen = _rank(group, far, to) < per_sector
    chosen |= _rank(frm, far, to) < nearest
    return unique_pairs(np.column_stack([frm[chosen], to[chosen]]))


def _rank(group: Ints, far: Floats, to: Ints) -> Ints:
    """Place of each entry within its group, nearest first."""
    order = np.lexsort((to, np.round(far, 6), group))
    sorted_group = group[order]
    first = np.concatenate([[True], sorted_group[1:] != sorted_group[:-1]])
    start = np.maximum.accumulate(np.where(first, np.arange(len(group)), 0))
    rank = np.empty(len(group), dtype=np.int64)
    rank[order] = np.arange(len(group)) - start
    return rank


def tangent_pairs(land: Land, xy: Floats, corners: Corners, corner_node: Ints, others: Ints, most: int) -> Ints:
    """
    Visible pairs corner-corner that touch both their zones, and corner-other that touch the corner's.

    At each node at most ``most`` of them, the nearest, so that large sites stay sparse.
    """
    from scipy.spatial import cKDTree

    have = np.flatnonzero(corner_node >= 0)
    kept = np.empty((0, 2), dtype=np.int64)
    if not len(have):
        return kept
    spread = xy[np.concatenate([corner_node[have], others])]
    widest = float(np.hypot(*np.ptp(spread, axis=0)))
    low, high = -1.0, round(2 * widest / len(spread) ** 0.5, 2)
    # Ring after ring outwards: where both nodes have their number of pairs, the one as first of each and the other as
    # second, no farther pair can stay, nor take another's place.
    full = np.zeros((2, len(xy)), dtype=bool)
    at = xy[corner_node[have]]
    corner_tree, other_tree = cKDTree(at), cKDTree(xy[others]) if len(others) else None

    def matter(u: Ints, v: Ints) -> Bools:
        return np.asarray(~full[0, np.minimum(u, v)] | ~full[1, np.maximum(u, v)], dtype=bool)

    while low <= widest:
        ring = [kept[:0]]
        for start in range(0, len(have), _SOURCES):
            some = cKDTree(at[start : start + _SOURCES])
            i, j = _within(some, corner_tree, low, high)
            one, two = have[start + i], have[j]
            wanted = (one < two) & matter(corner_node[one], corner_node[two])
            one, two = one[wanted], two[wanted]
            both = corners.is_tangent(one, corners.xy[two]) & corners.is_tangent(two, corners.xy[one])
            ring.append(np.column_stack([corner_node[one[both]], corner_node[two[both]]]))
            if other_tree is not None:
                i, j = _within(some, other_tree, low, high)
                one, to = have[start + i], others[j]
                wanted = matter(corner_node[one], to)
                one, to = one[wanted], to[wanted]
                touch = corners.is_tangent(one, xy[to])
                ring.append(np.column_stack([corner_node[one[touch]], to[touch]]))
        kept = unique_pairs(np.vstack([kept, visible_pairs(land, xy, unique_pairs(np.vstack(ring)))]))
        for side in (0, 1):
            full[side] = np.bincount(kept[:, side], minlength=len(xy)) >= most
        low, high = high, high * 2
    far = np.hypot(*(xy[kept[:, 0]] - xy[kept[:, 1]]).T)
    # A pair stays if it is among the nearest of both its nodes.
    keep = np.ones(len(kept), dtype=bool)
    for side in (0, 1):
        keep &= _rank(kept[:, side], far, kept[:, 1 - side]) < most
    return kept[keep]


def _within(one: Any, two: Any, low: float, high: float) -> tuple[Ints, Ints]:
    """Indices of pairs of points of two trees that lie farther apart than ``low`` and no farther than ``high``."""
    near = one.sparse_distance_matrix(two, high + 1e-5, output_type="ndarray")
    far = np.round(near["v"], 6)  # as near as makes no difference to their rank
    ring = (far > low) & (far <= high)
    return near["i"][ring].astype(np.int64), near["j"][ring].astype(np.int64)


def joining_pairs(land: Land, xy: Floats, nodes: Ints, pairs: Ints) -> Ints:
    """Shortest visible pairs that join parts of the graph wherever parts can see each other."""
    from scipy.sparse import coo_matrix
    from scipy.sparse.csgraph import connected_components

    added = np.empty((0, 2), dtype=np.int64)
    n = len(xy)
    for _ in range(20):
        every = np.vstack([pairs, added])
        graph = coo_matrix((np.ones(len(every)), (every[:, 0], every[:, 1])), shape=(n, n))
        _, label = connected_components(graph, directed=False)
        used, count = np.unique(label[nodes], return_counts=True)
        if len(used) < 2:
            break
        new = []
        for part in used[np.argsort(count, kind="stable")][:-1]:
            mine, rest = nodes[label[nodes] == part], nodes[label[nodes] != part]
            pair = _nearest_visible(land, xy, mine, rest)
            if pair is not None:
                new.append(pair)
        if not new:
            break
        added = unique_pairs(np.vstack([added, *new]))
    return added


def _nearest_visible(land: Land, xy: Floats, mine: Ints, rest: Ints) -> Ints | None:
    """The shortest visible pair between two sets of nodes, sought in growing batches."""
    i, j = np.repeat(mine, len(rest)), np.tile(rest, len(mine))
    far = np.hypot(*(xy[i] - xy[j]).T)
    order = np.argsort(np.round(far, 6), kind="stable")
    start, size = 0, 256
    while start < len(order):
        batch = order[start : start + size]
        seen = np.flatnonzero(land.visible(xy[i[batch]], xy[j[batch]]))
        if len(seen):
            best = batch[seen[0]]
            return np.array([[i[best], j[best]]], dtype=np.int64)
        start, size = start + size, size * 4
    return None


def longest_join(points: Floats) -> float:
    """Longest line of the minimum spanning tree of (n, 2) points, in m: hardly a trench is longer."""
    from scipy.sparse.csgraph import minimum_spanning_tree

    apart = np.hypot(points[:, None, 0] - points[None, :, 0], points[:, None, 1] - points[None, :, 1])
    return float(minimum_spanning_tree(apart + 1e-9).data.max(initial=0.0))


def dear_detours(land: Land, xy: Floats, pairs: Ints, price: Floats, frm: Ints, to: Ints) -> Ints:
    """
    Straight lines that the ways through the graph cost too much more than.

    Crossing sums make far places matter: the best way may go once, far off, over a path. Rounds: where the cheapest way
    between two nodes costs more than ``_DETOUR`` times their straight line, the line comes in, the cheapest one in
    each direction of a node at a time.

    Parameters
    ----------
    pairs, price
        (m, 2) lines there are, and what they cost.
    frm, to
        Nodes whose ways matter, and nodes they may lead to.
    """
    from scipy.spatial import cKDTree

    added = np.empty((0, 2), dtype=np.int64)
    if len(frm) < 2:
        return added
    reach = 2 * longest_join(xy[frm])
    near = cKDTree(xy[frm]).sparse_distance_matrix(cKDTree(xy[to]), reach * 1.001, output_type="ndarray")
    row, j = near["i"].astype(np.int64), to[near["j"]]
    i = frm[row]
    plan = np.hypot(*(xy[i] - xy[j]).T)
    wanted = (i != j) & ~(np.isin(j, frm) & (j < i)) & (plan <= reach)
    row, i, j, plan = row[wanted], i[wanted], j[wanted], plan[wanted]
    # No line is cheaper than its length in the cheapest ground: where the way is near that, there is nothing to ask.
    asked = _dearer(xy, pairs, price, frm, row, j, plan * land.per_m[~land.no_dig].min() * _DETOUR + 1e-6)
    row, i, j = row[asked], i[asked], j[asked]
    if not len(i):
        return added
    priced = land.price_lines(xy[i], xy[j])
    line_price = priced.trench_price[priced.allowed]
    row, i, j = row[priced.allowed], i[priced.allowed], j[priced.allowed]
    angle = np.arctan2(xy[j, 1] - xy[i, 1], xy[j, 0] - xy[i, 0])
    sector = np.minimum(((angle + np.pi) / (2 * np.pi) * SECTORS).astype(np.int64), SECTORS - 1)
    for _ in range(_ROUNDS):
        ends, cost = np.vstack([pairs, added]), price
        if len(added):
            cost = np.concatenate([price, land.price_lines(xy[added[:, 0]], xy[added[:, 1]]).trench_price])
        # Lines that are not dear now never will be: ways only get cheaper.
        dear = np.flatnonzero(_dearer(xy, ends, cost, frm, row, j, line_price * _DETOUR + 1e-6))
        if not len(dear):
            break
        row, i, j, line_price, sector = row[dear], i[dear], j[dear], line_price[dear], sector[dear]
        first = _rank(i * SECTORS + sector, line_price, j) < 1
        added = unique_pairs(np.vstack([added, np.column_stack([i[first], j[first]])]))
    return added


def _dearer(xy: Floats, pairs: Ints, price: Floats, frm: Ints, row: Ints, to: Ints, than: Floats) -> Bools:
    """
    Whether the cheapest way from each node ``frm[row]`` to each node ``to`` costs more than ``than``, (q,) each.

    Some sources at a time, and first only as far as most limits go: where the way is found there, it is no matter how
    high the limit is. So time and memory grow with the lamps, not with their square.
    """
    from scipy.sparse import coo_matrix
    from scipy.sparse.csgraph import dijkstra

    dearer = np.zeros(len(to), dtype=bool)
    if not len(to):
        return dearer
    graph = coo_matrix((price + 1e-9, (pairs[:, 0], pairs[:, 1])), shape=(len(xy), len(xy))).tocsr()
    graph = graph.maximum(graph.T).tocsr()  # made both ways once, not once for each block
    open_ = np.argsort(row, kind="stable")
    limit = float(np.median(than))
    while len(open_):
        rows = np.unique(row[open_])
        left = []
        for start in range(0, len(rows), _SOURCES):
            block = rows[start : start + _SOURCES]
            mine = open_[slice(*np.searchsorted(row[open_], [block[0], block[-1] + 1]))]
            way = dijkstra(graph, directed=True, indices=frm[block], limit=limit)
            cost = way[np.searchsorted(block, row[mine]), to[mine]]
            dearer[mine] = cost > than[mine]
            left.append(mine[np.isinf(cost) & (than[mine] > limit)])
        open_ = np.concatenate(left)
        limit *= 2
    return dearer


def beside_others(xy: Floats, pairs: Ints, price: Floats, among: Ints | None = None) -> Bools:
    """
    Whether each line passes another node within BESIDE_M though the two lines by way of it are there at the same price.

    ``among``: only these lines (indices) may be told so; default all.
    """
    drop = np.zeros(len(pairs), dtype=bool)
    asked = np.arange(len(pairs)) if among is None else among
    if not len(asked):
        return drop
    nodes: Any = shapely.points(xy)
    tree = shapely.STRtree(nodes)
    lines = shapely.linestrings(np.stack([xy[pairs[asked, 0]], xy[pairs[asked, 1]]], axis=1))
    line, node = tree.query(lines, predicate="dwithin", distance=BESIDE_M)
    line = asked[line]
    u, v = pairs[line, 0], pairs[line, 1]
    other = (node != u) & (node != v)
    line, node, u, v = line[other], node[other], u[other], v[other]
    key = key_of(pairs)
    order = np.argsort(key)
    sorted_key = key[order]

    def find(i: Ints, j: Ints) -> Ints:
        wanted = key_of(np.column_stack([i, j]))
        at = np.minimum(np.searchsorted(sorted_key, wanted), len(key) - 1)
        return np.where(sorted_key[at] == wanted, order[at], -1)

    one, two = find(u, node), find(node, v)
    there = (one >= 0) & (two >= 0)
    line, node, u, v, one, two = line[there], node[there], u[there], v[there], one[there], two[there]
    way = xy[v] - xy[u]
    share = ((xy[node] - xy[u]) * way).sum(axis=1) / np.maximum((way * way).sum(axis=1), 1e-12)
    length = np.hypot(*(xy[pairs[:, 0]] - xy[pairs[:, 1]]).T)
    same = (share > 0) & (share < 1) & (np.maximum(length[one], length[two]) < length[line])
    same &= price[one] + price[two] <= price[line] * _SAME
    drop[line[same]] = True
    return drop
