"""Nodes added round the hubs and forks of layouts found. In: Ground, places. Out: a new Ground, the old one its prefix.

The rules are those of the base graph, a little denser: more neighbours, and whatever lines the caller wants besides.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from . import edges
from .graph import Floats, GroundGraph, Ints, NodeKind
from .leads import cheapest_extension_kit, lead_arcs
from .model import NO_LIMIT, Ground
from .zones import Land

SAME_M = 0.001 + 1e-9
"""Places so near one another are one."""


def refine(
    ground: Ground,
    points: Floats,
    links: Sequence[tuple[int, int]] = (),
    between: Sequence[tuple[int, int]] = (),
    *,
    kind: NodeKind = NodeKind.REFINED,
) -> Ground:
    """
    Add nodes at points, and their edges and lead arcs by the same rules, behind all that is there.

    Parameters
    ----------
    points
        (k, 2) places; rounded to the millimetre. Those on no free ground, or within a millimetre of a node, are left
        out.
    links
        Lines wanted besides (where they are allowed): pairs (index into points, node of the old graph); a negative
        second number -1 - j stands for point j.
    between
        Lines wanted besides between nodes of the old graph that have none yet.
    kind
        Why the new nodes are there.

    Returns
    -------
    A new Ground; indices of old nodes, edges and lead arcs stay as they are.
    """
    land, old = ground.land, ground.graph
    points = np.round(np.asarray(points, dtype=float).reshape(-1, 2), 3) + 0.0
    old_xy = old.xyz[:, :2]
    node_of = _new_nodes(land, old_xy, points)
    fresh = np.array(sorted(set(node_of[node_of >= len(old_xy)])), dtype=np.int64)
    if not len(fresh):
        return ground
    first_of = {int(node): int(idx) for idx, node in reversed(list(enumerate(node_of))) if node >= len(old_xy)}
    new_xy = points[[first_of[int(node)] for node in fresh]]
    xy = np.vstack([old_xy, new_xy])
    z = np.concatenate([old.xyz[:, 2], np.round(land.height(new_xy), 3)])
    kinds = np.concatenate([old.kind, np.full(len(new_xy), kind, dtype=np.int64)])
    pool = np.flatnonzero(land.passable(xy, kinds))
    wanted = [
        (int(node_of[point]), int(node if node >= 0 else node_of[-1 - node]))
        for point, node in links
        if node_of[point] >= len(old_xy)
    ]
    wanted = [(u, v) for u, v in wanted if v >= 0]
    missing = np.array(between, dtype=np.int64).reshape(-1, 2)
    missing = missing[~np.isin(edges.key_of(missing), edges.key_of(old.ends))]
    more = np.vstack([np.array(wanted, dtype=np.int64).reshape(-1, 2), missing])
    more = more[np.isin(more, pool).all(axis=1)]
    pairs = edges.unique_pairs(
        np.vstack(
            [
                edges.near_pairs(land, xy, fresh, pool, 2, 10),
                edges.visible_pairs(land, xy, edges.unique_pairs(more)),
            ]
        )
    )
    pairs = edges.unique_pairs(np.vstack([pairs, _joining(land, xy, pool, old, pairs)]))
    rightwards = _rightwards(xy, pairs)
    priced = land.price_lines(xy[rightwards[:, 0]], xy[rightwards[:, 1]], *land.ends_z(z, rightwards))
    every, price = np.vstack([old.ends, pairs]), np.concatenate([old.trench_price, priced.trench_price])
    mine = np.arange(len(old.ends), len(every))
    wanted_too = np.isin(edges.key_of(pairs), edges.key_of(edges.unique_pairs(more)))
    beside = edges.beside_others(xy, every, price, mine[~wanted_too])[mine]
    keep = priced.allowed & ~beside
    num = int(keep.sum())
    xyz = np.column_stack([xy, z])
    may_joint = np.concatenate([old.may_joint, land.may_joint(new_xy)])
    post_lamp = np.concatenate([old.post_lamp, np.full(len(fresh), -1)])
    extension = np.zeros(old.num_lamps)
    for arc in old.leads:
        if arc.extension_m > 0:
            extension[arc.lamp] = land.job.joints.extension_m
    arcs = lead_arcs(land, xyz, may_joint, post_lamp, fresh, extension, cheapest_extension_kit(land.job))
    graph = GroundGraph(
        xyz=xyz,
        kind=kinds,
        may_joint=may_joint,
        post_lamp=post_lamp,
        ends=np.vstack([old.ends, pairs[keep]]),
        length_m=np.concatenate([old.length_m, priced.length_m[keep]]),
        sun_m=np.concatenate([old.sun_m, priced.sun_m[keep]]),
        trench_price=np.concatenate([old.trench_price, priced.trench_price[keep]]),
        pull_price=np.concatenate([old.pull_price, np.zeros(num)]),
        capacity=np.concatenate([old.capacity, np.full(num, NO_LIMIT)]),
        sleeve=np.concatenate([old.sleeve, np.full(num, -1)]),
        stub=np.concatenate([old.stub, np.zeros(num, dtype=bool)]),
        supply_node=old.supply_node,
        leads=old.leads + tuple(sorted(arcs, key=lambda arc: (arc.lamp, arc.price, arc.node))),
        num_lamps=old.num_lamps,
    )
    return Ground(graph, land, ground.base_nodes, ground.base_edges)


def _new_nodes(land: Land, old_xy: Floats, points: Floats) -> Ints:
    """Node number of each point: an old one within a millimetre, a new one, or -1 on ground that is not free."""
    from scipy.spatial import cKDTree

    node_of = np.full(len(points), -1, dtype=np.int64)
    if not len(points):
        return node_of
    free = land.free(points)
    own = np.zeros(len(points), dtype=bool)
    near = np.asarray(cKDTree(old_xy).query(points)[1], dtype=np.int64)
    far = np.hypot(*(points - old_xy[near]).T)
    count = len(old_xy)
    mates: list[list[int]] = [[] for _ in points]
    for i, k in sorted(cKDTree(points).query_pairs(SAME_M)):
        mates[k].append(i)
    for idx in range(len(points)):
        if far[idx] <= SAME_M:
            node_of[idx] = near[idx]
        elif free[idx]:
            first = next((i for i in mates[idx] if own[i]), -1)  # of points before it that became nodes of their own
            own[idx] = first < 0
            node_of[idx] = node_of[first] if first >= 0 else count
            count += own.item(idx)
    return node_of


def _rightwards(xy: Floats, pairs: Ints) -> Ints:
    """The pairs from left to right, so that a line's price is the same to the last bit however nodes are numbered."""
    (ax, ay), (bx, by) = xy[pairs[:, 0]].T, xy[pairs[:, 1]].T
    backwards = (ax > bx) | ((ax == bx) & (ay > by))
    return np.where(backwards[:, None], pairs[:, ::-1], pairs)


def _joining(land: Land, xy: Floats, pool: Ints, old: GroundGraph, pairs: Ints) -> Ints:
    """Lines that join new nodes no rule joined yet (points in a pocket that no node sees stay alone)."""
    fresh = np.arange(len(old.xyz), len(xy))
    alone = np.setdiff1d(fresh, pairs)
    if not len(alone):
        return np.empty((0, 2), dtype=np.int64)
    return edges.joining_pairs(land, xy, pool, np.vstack([old.ends, pairs]))
