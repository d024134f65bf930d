"""Exact completion prices of the relaxed part: no drop, one thinnest cable. In: Part. Out: Relaxed.

Dreyfus and Wagner's dynamic programme (Networks 1, 1971, 195-207) over (node, set of ends), with the root as one more
end, leads as ways to reach an end, and a price for every joint by its ways. Every cable of the part, of any gauge,
costs at least what it costs here, and nothing here is forbidden there, so each table entry is a lower bound for
what the part can do, and two entries that meet at a node bound every circuit that passes it:

* ``cable[X][v]``: a cable that arrives at v, still unended there, and serves the ends of X (with the root in X: is fed
  from it);
* ``joint[X][v]``: the same for a cable that ends in a joint at v in which all of X meets, its own end counted;
* ``meet[X][v]``: all of X gathered at v, the joint itself not yet paid.

Sets are bit masks; bit ``num_ends`` is the root.
"""

from __future__ import annotations

import math
from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np

from .oracle_part import Part

if TYPE_CHECKING:
    from scipy.sparse import csr_matrix


class Relaxed:
    """The tables; ``bound`` is the least price of the whole part."""

    def __init__(self, part: Part) -> None:
        from scipy.sparse.csgraph import dijkstra

        self.part = part
        n = part.num_ends
        count = len(part.nodes)
        self.root_bit = 1 << n
        self.full = 2 * self.root_bit - 1
        self.weight = part.opening + part.length_m * part.thin_m
        u, v = part.ends_of[:, 0], part.ends_of[:, 1]
        tiny = 1e-9  # keeps free edges apart from absent ones; taken off again below
        self.dist = np.maximum(dijkstra(lightest_arcs(u, v, self.weight + tiny, count)) - tiny * count, 0.0)
        length = dijkstra(lightest_arcs(u, v, part.length_m + tiny, count), indices=[part.root])[0]
        self.to_root_m = np.maximum(length - tiny * count, 0.0)
        self._fill(count)

    @property
    def work(self) -> float:
        """What making the tables counts for, in the units of ``Effort``."""
        return work_of(self.part)

    def _fill(self, count: int) -> None:
        part = self.part
        root, inf = part.root, math.inf
        thin_end = part.thin_m / part.facts.slack
        end = thin_end * part.facts.joint_end_m
        root_end = thin_end * part.root_end_m
        most = part.facts.max_ways
        classes = min(3, most - 1)  # one way, two, three or more
        if classes == 3 and part.kit_of_ways[3] == part.kit_of_ways[4] and not (part.post_of >= 0).any():
            classes = 2  # two or more: they cost the same
        kit = np.full((classes + 1, count), inf)
        for c in range(1, classes + 1):
            kit[c] = np.where(part.may_joint, part.kit_of_ways[c + 1], np.where((part.post_of >= 0) & (c < 3), 0, inf))
        kit += end
        own_bit = np.where(part.post_of >= 0, 1 << np.maximum(part.post_of, 0), 0)
        size = self.full + 1
        self.cable = np.full((size, count), inf)
        self.joint = np.full((size, count), inf)
        meet = np.full((classes + 1, size, count), inf)
        self.unit = np.full((size, count), inf)  # one way: a cable's end or a lead
        last_two = np.full((size, count), inf)  # the last class and the one before
        more = np.full((classes + 1, size, count), inf) if any(p.ways > 1 for ps in part.places for p in ps) else None
        for i, places in enumerate(part.places):
            for p in places:
                if p.ways == 1:
                    self.unit[1 << i, p.node] = min(self.unit[1 << i, p.node], p.price)
                elif p.ways < most and more is not None:
                    c = min(p.ways, classes)
                    more[c, 1 << i, p.node] = min(more[c, 1 << i, p.node], p.price)
        most_root = len(part.root_price) - 1
        root_meet = np.full((most_root + 1, self.root_bit), inf)
        root_meet[0, 0] = 0.0
        self.cable_at_root = np.full(self.root_bit, inf)
        self.root_joint = np.full(size, inf)
        """What the rest costs when a cable that serves X ends at the root: index is the rest, with the root's bit."""
        self.root_joint[self.root_bit] = part.root_price[1] + root_end
        room = np.empty((count, count))
        for x in range(1, size):
            low = x & -x
            fed = bool(x & self.root_bit)
            rest = x ^ low
            # gather: the unit that holds the lowest bit, and the rest
            if rest:
                subs = subsets_of(rest)[:-1]  # all but the whole rest
                first, others = subs | low, rest ^ subs
                one = self.unit[first]
                for c in range(2, classes + 1):
                    open_ended = c == classes < most - 1
                    of_others = (last_two if open_ended else meet[c - 1])[others]
                    of_others += one
                    of_others.min(axis=0, out=meet[c, x])
                if more is not None and low < self.root_bit:
                    for a in range(2, classes + 1):
                        for b in range(1, classes + 1):
                            c = min(a + b, classes)
                            meet[c, x] = np.minimum(meet[c, x], more[a, low] + meet[b, rest])
            elif more is not None:
                meet[2:, x] = np.minimum(meet[2:, x], more[2:, x])
            meet[1, x] = self.unit[x]
            allowed = (own_bit == 0) | ((own_bit & x) != 0)
            self.joint[x] = np.where(allowed, (meet[1:, x] + kit[1:]).min(axis=0), inf)
            if fed:
                others_x = x ^ self.root_bit
                if others_x:
                    c_best = inf
                    for c in range(1, most_root):
                        c_best = min(c_best, root_meet[c, others_x] + part.root_price[c + 1])
                    self.root_joint[x] = c_best + root_end
            at = np.flatnonzero(self.joint[x] < inf)
            from_joints = room[: len(at)]
            if len(at) == count:
                np.add(self.joint[x][:, None], self.dist, out=from_joints)
            else:
                np.add(self.joint[x][at][:, None], self.dist[at], out=from_joints)
            cable = from_joints.min(axis=0, initial=inf)
            if fed and self.root_joint[x] < inf:
                cable = np.minimum(cable, self.root_joint[x] + self.dist[root])
            self.cable[x] = cable
            ended = np.where(allowed, cable + end, inf)
            ended[root] = inf
            # A joint of one cable only: never cheaper here, but a change of gauge may want it.
            self.joint[x] = np.minimum(self.joint[x], ended + kit[1])
            self.unit[x] = np.minimum(self.unit[x], ended)
            meet[1, x] = self.unit[x]
            last_two[x] = meet[max(classes - 1, 1) :, x].min(axis=0)
            if not fed:
                at_root = cable[root] + root_end
                if part.root_is_joint and self.unit[x, root] < inf:
                    at_root = min(at_root, self.unit[x, root])  # a lead straight into the joint above
                self.cable_at_root[x] = at_root
                subs = subsets_of(rest)
                for c in range(1, most_root + 1):
                    root_meet[c, x] = (self.cable_at_root[subs | low] + root_meet[c - 1][rest ^ subs]).min()
        self.meet = meet[1:].min(axis=0)
        everything = self.root_bit - 1
        self.bound = min((root_meet[c, everything] + part.root_price[c] for c in range(1, most_root + 1)), default=inf)

    def through(self) -> np.ndarray:
        """(n,) least price of a whole part in which a cable passes or ends at each node."""
        best = np.full(self.cable.shape[1], math.inf)
        for x in range(1, self.root_bit):
            np.minimum(best, self.cable[x] + self.cable[self.full ^ x], out=best)
        best[self.part.root] = self.bound
        return best

    def jointed(self) -> np.ndarray:
        """(n,) least price of a whole part with a joint at each node (not the root)."""
        best = np.full(self.cable.shape[1], math.inf)
        for x in range(1, self.root_bit):
            np.minimum(best, self.joint[x] + self.cable[self.full ^ x], out=best)
        return best

    def along(self) -> np.ndarray:
        """(m,) least price of a whole part with a cable along each edge."""
        u, v = self.part.ends_of[:, 0], self.part.ends_of[:, 1]
        best = np.full(len(u), math.inf)
        for x in range(1, self.root_bit):
            a, b = self.cable[x], self.cable[self.full ^ x]
            np.minimum(best, np.minimum(a[u] + b[v], a[v] + b[u]), out=best)
        return best + self.weight


def work_of(part: Part) -> float:
    """What making a part's tables counts for, in the units of ``Effort``."""
    nodes = len(part.nodes)
    return 4 + nodes * nodes / 4000 + 2.0**part.num_ends * (0.3 + nodes / 1500) + 3.0**part.num_ends * nodes / 1.5e6


@lru_cache(maxsize=4096)
def subsets_of(mask: int) -> np.ndarray:
    """All subsets of a mask, the empty one first, the mask itself last."""
    found = np.zeros(1, dtype=np.int64)
    bit = 1
    while bit <= mask:
        if mask & bit:
            found = np.concatenate([found, found | bit])
        bit <<= 1
    found.flags.writeable = False
    return found


def lightest_arcs(u: np.ndarray, v: np.ndarray, weight: np.ndarray, count: int) -> csr_matrix:
    """(count, count) arcs both ways; the lightest of edges side by side. A weight of 0 would be no arc."""
    from scipy.sparse import csr_matrix

    key = np.minimum(u, v) * count + np.maximum(u, v)
    order = np.lexsort((weight, key))
    order = order[np.r_[True, key[order][1:] != key[order][:-1]]] if len(order) else order
    u, v, weight = u[order], v[order], weight[order]
    return csr_matrix((np.r_[weight, weight], (np.r_[u, v], np.r_[v, u])), shape=(count, count))
