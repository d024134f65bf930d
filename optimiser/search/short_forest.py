"""Trenches to all lamps with short ways in them, whatever circuits will follow. In: Bench, roots, prices. Out: a tree.

Where drop binds, the lightest trenches (``light_forest``) lead lamps on ways so long that the copper for them costs
more than the trench that was saved. Here each lamp pays for every metre of its way besides: a forest is sought that
costs least in

    sum over its edges of (trench + thinnest cable) + sum over lamps of (price of a metre of way) x (metres of its way).

Lamp after lamp is joined where it adds least; then branches are laid elsewhere, forks put between neighbours and bends
cut off until none of it saves anything. ``ways_worth`` says what a metre is worth: as much as the copper that the
lamp's current and its drop ask for on a way of its length (``bound/copper.py`` proves it as a least price; real cables
come in few sizes, so that it takes more).
"""

from __future__ import annotations

import math
import random
from collections.abc import Sequence
from itertools import pairwise

import numpy as np

from .bound.copper import amps_per_volt, line_prices
from .bound.loads import gather_loads
from .key_vertices import key_path_above
from .state import Bench
from .tree import Tree, branch_below, children_of, way_back

MOST_PASSES = 8
JITTER = 0.3
"""Ways seem up to so much dearer, as a share, where lamps are put in order."""
LEAST = 1e-6
"""What a forest must cost less by."""


def ways_worth(bench: Bench, way_m: np.ndarray) -> np.ndarray:
    """(N,) price of a metre of each lamp's way, where ways are (N,) so many metres long as cut."""
    facts = bench.facts.plain or bench.facts
    _, slope = line_prices(gather_loads(facts))[0]
    worth: np.ndarray = 2 * slope * amps_per_volt(facts) * way_m
    return worth


def short_forest(
    bench: Bench, rng: random.Random, roots: Sequence[int], worth: np.ndarray, *, wrong: float = 0.0
) -> tuple[Tree, dict[int, int]]:
    """
    A tree from each root, together reaching every lamp that can be reached.

    Parameters
    ----------
    roots
        Nodes of supply points.
    worth
        (N,) price of a metre of each lamp's way, as cut.
    wrong
        Trenches seem up to so much too dear, as a share, so that repeated tries differ.

    Returns
    -------
    tuple
        Node upstream of each node, and each lamp's lead.
    """
    forest = _Forest(bench, rng, roots, worth, wrong)
    forest.join_all()
    forest.improve()
    n = forest.n
    leads = {v - n: bench.ways.lead_between(v - n, up) for v, up in forest.up.items() if v >= n}
    return {v: up for v, up in forest.up.items() if v < n}, leads


class _Forest:
    """The forest while it is made; lamps are leaves of it, numbered on from the last node of the ground."""

    def __init__(self, bench: Bench, rng: random.Random, roots: Sequence[int], worth: np.ndarray, wrong: float) -> None:
        facts = bench.facts
        self.bench, self.rng, self.roots, self.worth = bench, rng, list(dict.fromkeys(roots)), worth.tolist()
        self.n = facts.graph.num_nodes
        self.once = bench.prices_before()
        if wrong > 0:
            self.once *= 1 + wrong * np.random.default_rng(rng.randrange(2**32)).random(len(self.once))
        self.metres = facts.graph.length_m * facts.slack
        self.once_list, self.metres_list = self.once.tolist(), self.metres.tolist()
        self.up: Tree = {}

    def _price(self, child: int, up: int, worth: float) -> float:
        """What an edge costs that ways of this worth lead through; a lead at its own price."""
        if child >= self.n:
            return self.bench.facts.lead_price[self.bench.ways.lead_between(child - self.n, up)]
        edge = self.bench.ways.edge_of[child, up]
        price: float = self.once_list[edge] + worth * self.metres_list[edge]
        return price

    def _once_between(self, child: int, up: int) -> float:
        return self._price(child, up, 0.0)

    def _reach(self, source: int, worth: float) -> tuple[np.ndarray, np.ndarray]:
        bench = self.bench
        bench.effort.spend(0.5 + self.n / 1200)
        bench.ways.set_prices(self.once + worth * self.metres)
        return bench.ways.from_sources([source])

    def _depths(self) -> dict[int, float]:
        """Metres as cut from the root to each node of the ground in the forest."""
        depth = dict.fromkeys(self.roots, 0.0)
        edge_of, metres = self.bench.ways.edge_of, self.metres_list
        for v in self.up:
            chain = []
            while v not in depth:
                chain.append(v)
                v = self.up[v]
            d = depth[v]
            for v in reversed(chain):
                if v < self.n:
                    d += metres[edge_of[v, self.up[v]]]
                depth[v] = d
        return depth

    def _worths(self) -> dict[int, float]:
        """What a metre of all ways through each node is worth."""
        below = dict.fromkeys(self.up, 0.0)
        for lamp, worth in enumerate(self.worth):
            v = self.n + lamp
            while v in self.up:
                below[v] += worth
                v = self.up[v]
        return below

    def _may_fork(self, children: dict[int, list[int]]) -> list[int]:
        """Nodes that another branch may start at."""
        barred, n = self.bench.barred, self.n
        inside = [*self.roots, *(v for v in self.up if v < n)]
        return [v for v in inside if v not in barred or all(k >= n for k in children.get(v, ()))]

    def _hang(self, top: int, worth: float, most: float = math.inf, loose: Tree | None = None) -> bool:
        """Hang a branch by its top where that costs less than ``most``; ``loose``: the rest of it, to be left alone."""
        dist, before = self._reach(top, worth)
        depth = self._depths()
        places = [v for v in self._may_fork(children_of(self.up)) if v in depth]
        at = np.array(places)
        score = dist[at] + worth * np.array([depth[v] for v in places])
        best = int(score.argmin())
        if not score.item(best) < most - LEAST:
            return False
        way = way_back(before, places[best])
        last = max(i for i, v in enumerate(way) if v in depth)
        if (last and way[last] not in set(places)) or (loose and not loose.keys().isdisjoint(way)):
            return False
        for up, child in pairwise(way[last:]):
            self.up[child] = up
        return True

    def join_all(self) -> None:
        """Lamp after lamp, the nearest first, more or less."""
        self.bench.effort.spend(0.5 + self.n / 1200)
        self.bench.ways.set_prices(self.once)
        for lamp in self.bench.nearest_first(self.rng, self.roots, JITTER):
            self._hang(self.n + lamp, self.worth[lamp])

    def improve(self) -> None:
        """Lay branches elsewhere, put forks in and cut bends off until nothing saves any more."""
        for _ in range(MOST_PASSES):
            if self.bench.effort.stopped or not (self._lay_elsewhere() | self._fork() | self._cut_bends()):
                break

    def _lay_elsewhere(self) -> bool:
        """Each branch, with the key path above it, hung where it and its ways cost less."""
        changed = False
        for top in sorted(self.up):
            children = children_of(self.up)
            if top not in self.up or (top < self.n and len(children.get(top, ())) < 2):
                continue
            worth = self._worths()[top]
            depth = self._depths()
            path, price = key_path_above(self.up, children, -1, set(self.roots), top, self._once_between)
            price += worth * depth[top]
            below = branch_below(children, top)
            old = {v: self.up.pop(v) for v in path}
            branch = {v: self.up.pop(v) for v in below if v in self.up}
            moved = self._hang(top, worth, price, branch)
            self.up.update(branch)
            if not moved:
                self.up.update(old)
            changed |= moved
        return changed

    def _fork(self) -> bool:
        """Two edges that meet, or follow each other, replaced by three that meet at a node beside them."""
        changed = False
        near, barred, edge_of, n = self.bench.near, self.bench.barred, self.bench.ways.edge_of, self.n
        once, metres = self.once_list, self.metres_list
        for p in sorted({*self.up.values(), *self.roots}):
            children = children_of(self.up)
            kids = [k for k in children.get(p, ()) if k < n]
            pairs = [(x, y) for i, x in enumerate(kids) for y in kids[i + 1 :]]
            pairs += [(x, y) for x in kids for y in children.get(x, ()) if y < n]
            worth = self._worths()
            for x, y in pairs:
                if self.up.get(x) != p or self.up.get(y) not in (p, x):
                    continue
                chain = self.up[y] == x
                beside = {v for v, _ in near[p]} & {v for v, _ in near[x]} & {v for v, _ in near[y]}
                self.bench.effort.spend(0.01 + 0.002 * len(beside))
                wx, wy = worth[x], worth[y]
                wx = wx - wy if chain else wx
                e_x, e_y = edge_of[x, p], edge_of[y, x if chain else p]
                before = once[e_x] + once[e_y] + (wx + wy if chain else wx) * metres[e_x] + wy * metres[e_y]
                best, least = -1, before - LEAST
                for s in beside:
                    if s in self.up or s in barred or s in self.roots:
                        continue
                    a, b, c = edge_of[p, s], edge_of[s, x], edge_of[s, y]
                    after = once[a] + once[b] + once[c] + (wx + wy) * metres[a] + wx * metres[b] + wy * metres[c]
                    if after < least or (after == least and s < best):
                        best, least = s, after
                if best >= 0:
                    self.up[best], self.up[x], self.up[y] = p, best, best
                    worth[best] = wx + wy
                    worth[x] = wx
                    changed = True
        return changed

    def _cut_bends(self) -> bool:
        """Straight edges instead of two that meet where nothing else does."""
        changed = False
        has_edge = self.bench.ways.has_edge
        for v in sorted(self.up):
            children = children_of(self.up)
            if v >= self.n or v not in self.up or len(children.get(v, ())) != 1:
                continue
            (child,), up = children[v], self.up[v]
            if child >= self.n or not has_edge(child, up):
                continue
            worth = self._worths()[child]
            if self._price(child, up, worth) < self._price(child, v, worth) + self._price(v, up, worth) - LEAST:
                self.up[child] = up
                del self.up[v]
                changed = True
        return changed


__all__ = ["short_forest", "ways_worth"]
