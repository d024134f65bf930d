"""What more current at a node of a circuit costs in cables further up, as estimated. In: Fed, more amps. Out: prices.

A lamp or branch hung on a circuit loads every cable between its place and the driver, and where a rating is used up,
a thicker one is needed there. Places are chosen by estimates before a few are priced in full: without this part of the
price the estimates name the wrong ones wherever the cables are chosen by their ratings. (Estimates of what the drop
costs further up were tried too and gained nothing.)
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import numpy as np

from .circuit import Fed
from .facts import Facts

TOO_MUCH = 1e6
"""Price of what no conductor takes, as far as can be told here: such places come last."""


@dataclass(frozen=True)
class Upstream:
    """One circuit's cables, each behind the one above it."""

    above: list[int]
    """Cable upstream, -1 at the driver."""
    amps: list[float]
    rating_a: list[float]
    others: list[list[tuple[float, float]]]
    """For each cable what else it might be: (rating in A, dearer by)."""
    place: dict[int, tuple[int, float]]
    """Node -> cable it lies on, and how far along."""
    least_room_a: float

    def price(self, nodes: np.ndarray, more_a: float) -> np.ndarray:
        """What ``more_a`` at each of ``nodes`` adds to the cables above it."""
        prices = np.zeros(len(nodes))
        if more_a <= self.least_room_a:
            return prices
        own = [0.0] * len(self.above)
        summed = [0.0] * (len(self.above) + 1)  # the last one is the driver's
        for i, up in enumerate(self.above):
            amps = self.amps[i] + more_a
            if amps > self.rating_a[i]:
                own[i] = min((dearer for rating, dearer in self.others[i] if rating >= amps), default=TOO_MUCH)
            summed[i] = summed[up] + own[i]
        for k, node in enumerate(nodes.tolist()):
            i, part = self.place.get(node, (-1, 0.0))
            if i >= 0:
                prices[k] = summed[self.above[i]] + part * own[i]
        return prices


def upstream_of(facts: Facts, fed: Fed) -> Upstream:
    """The circuit's cables as estimates need them; worked out once."""
    known = fed.__dict__.get("_upstream")
    if known is None:
        known = fed.__dict__["_upstream"] = _upstream(facts, fed)
    return known


def _upstream(facts: Facts, fed: Fed) -> Upstream:
    out_v = facts.feeds[fed.feed].out_v
    far = {nodes[-1]: i for i, (_, nodes) in enumerate(fed.pieces)}
    order = _downwards([far.get(nodes[0], -1) for _, nodes in fed.pieces])
    pieces = [fed.pieces[i] for i in order]
    far = {nodes[-1]: i for i, (_, nodes) in enumerate(pieces)}
    above = [far.get(nodes[0], -1) for _, nodes in pieces]
    amps = [0.0] * len(pieces)
    for lamp, arc in fed.leads.items():
        amps[far[facts.lead_node[arc]]] += facts.lamp_watts[lamp] / out_v
    for i in range(len(pieces) - 1, -1, -1):
        if above[i] >= 0:
            amps[above[i]] += amps[i]
    rating, others = [], []
    place: dict[int, tuple[int, float]] = {}
    edge_of, length_m = facts.arcs.edge_of, facts.length_m
    for i, (cable, nodes) in enumerate(pieces):
        runs = list(itertools.accumulate(length_m[edge_of[u, v]] for u, v in itertools.pairwise(nodes)))
        cut = facts.slack * runs[-1] + 2 * facts.joint_end_m
        mine = facts.cables[cable]
        rating.append(mine.rating_a)
        others.append(
            [
                (other.rating_a, max(0.0, cut * (other.price_m - mine.price_m)))
                for other in (facts.cables[k] for k in fed.palette if k != cable)
            ]
        )
        for node, run in zip(nodes[1:-1], runs, strict=False):
            place[node] = i, run / runs[-1]
    place.update({node: (i, 1.0) for node, i in far.items()})
    return Upstream(above, amps, rating, others, place, min(r - a for r, a in zip(rating, amps, strict=True)))


def _downwards(above: list[int]) -> list[int]:
    """Indices with each cable behind the one above it."""
    if all(up < i for i, up in enumerate(above)):
        return list(range(len(above)))
    order: list[int] = []
    done = [False] * len(above)
    for i in range(len(above)):
        chain = []
        while i >= 0 and not done[i]:
            done[i] = True
            chain.append(i)
            i = above[i]
        order.extend(reversed(chain))
    return order
