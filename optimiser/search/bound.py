"""A proven lower bound on the price of any layout on the ground graph. In: Facts. Out: Bound, by part.

The parts are bounded apart, and each price of a layout is counted in one part only:

* *trench and cable* (leads, sleeves' pulls, supply points with it): in any layout every lamp is joined, by its lead
  and by trenches, to a supply point that is used. Each edge on those ways is paid at least once as trench, holds at
  least one cable, and that cable is cut at least (1 + slack) times the edge's length at no less than the cheapest
  price a metre. So the layout pays at least the price of a Steiner arborescence from an artificial root, over arcs to
  the supply points priced at what using them costs, to all lamps, with these edge prices. Wong's dual ascent gives
  dual-feasible prices of directed cuts, whose sum no arborescence undercuts (R. T. Wong, Math. Programming 28, 1984,
  271-287).
* *drivers*: for each dim group and each set of driver models that can serve the same lamps, the least price of
  drivers whose allowed loads add up to the least power the lamps can draw.
* *joints*: a joint has at least one cable, so at most ``max_ways`` - 1 leads; every lamp with a lead needs a share of
  one. Besides, where cables are cut at joints, each is the far end of one and takes ``joint_end_m`` of it, which the
  first part did not count.

Currents are taken at their least: P / highest volts for constant power, rated current, lowest volts for constant
resistance.
"""

from __future__ import annotations

import heapq
import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from .facts import KEEP_V, LOAD_CURRENT, LOAD_POWER, Facts

SAYS = (
    "the cheapest trenches with one thinnest cable in each, fewest drivers and joints; "
    "what voltage and the number of circuits force beyond that is not in it"
)


@dataclass(frozen=True)
class Bound:
    """``total`` is the sum of ``parts``; no layout on this ground graph costs less."""

    total: float
    parts: dict[str, float]
    says: str = SAYS


def lower_bound(facts: Facts, *, num_drivers: int | None = None, stop: Callable[[], bool] | None = None) -> Bound:
    """Bound every part of the price and add them up."""
    drivers = drivers_bound(facts, num_drivers)
    joints = joints_bound(facts)
    trench = dual_ascent(facts, stop)
    parts = {"trench, leads, cheapest cable, supply points": trench, "drivers": drivers, "joints": joints}
    return Bound(math.fsum(parts.values()), parts)


def dual_ascent(facts: Facts, stop: Callable[[], bool] | None = None) -> float:
    """
    Wong's dual ascent on trench, leads and the cheapest cable.

    Any prefix of the ascent is dual feasible, so stopping early only weakens the bound.
    """
    graph = facts.graph
    n, lamps = graph.num_nodes, facts.num_lamps
    cable_m = facts.slack * min(cable.price_m for cable in facts.cables)
    price = graph.trench_price + graph.pull_price + graph.length_m * cable_m
    supplies = graph.supply_node
    lead_from = np.array([arc.node for arc in graph.leads], dtype=np.int64)
    lead_to = np.array([n + arc.lamp for arc in graph.leads], dtype=np.int64)
    lead_price = np.array([arc.price for arc in graph.leads])
    root = n + lamps
    tail = np.concatenate([graph.ends[:, 0], graph.ends[:, 1], lead_from, np.full(len(supplies), root)])
    head = np.concatenate([graph.ends[:, 1], graph.ends[:, 0], lead_to, supplies])
    rest = np.concatenate([price, price, lead_price, np.asarray(facts.supply_price, dtype=float)])
    size = root + 1
    order = np.argsort(head, kind="stable")
    tail, head, rest = tail[order], head[order], rest[order]
    first = np.searchsorted(head, np.arange(size + 1))

    total = 0.0
    queue = [(0, lamp) for lamp in range(lamps)]  # (size of the cut seen last, lamp)
    heapq.heapify(queue)
    grown: dict[int, tuple[np.ndarray, list[int]]] = {}
    while queue and not (stop is not None and stop()):
        seen, lamp = heapq.heappop(queue)
        if lamp not in grown:
            mask = np.zeros(size, dtype=bool)
            mask[n + lamp] = True
            grown[lamp] = (mask, [n + lamp])
        mask, members = grown[lamp]
        _grow(mask, members, tail, rest, first)
        if mask[root]:
            del grown[lamp]
            continue
        into = np.concatenate([np.arange(first[v], first[v + 1]) for v in members])
        into = into[~mask[tail[into]]]
        if len(into) > seen and queue and len(into) > queue[0][0] and seen < len(into):
            heapq.heappush(queue, (len(into), lamp))
            if queue[0][1] != lamp:
                continue
            heapq.heappop(queue)
        if len(into) == 0:
            raise ValueError(f"lamp {lamp} is joined to no supply point")
        step = float(rest[into].min())
        rest[into] -= step
        total += step
        heapq.heappush(queue, (len(into), lamp))
    return total


def _grow(mask: np.ndarray, members: list[int], tail: np.ndarray, rest: np.ndarray, first: np.ndarray) -> None:
    """Add to a lamp's set all nodes from which it can be reached at reduced price 0."""
    at = 0
    stack = list(members)
    while at < len(stack):
        v = stack[at]
        at += 1
        arcs = slice(first[v], first[v + 1])
        for u in tail[arcs][rest[arcs] <= 1e-12].tolist():
            if not mask[u]:
                mask[u] = True
                members.append(u)
                stack.append(u)


def least_watts(facts: Facts, lamp: int) -> float:
    """The least power any feed that serves this lamp delivers at its terminals for it, in W or VA."""
    t = facts.lamp_type[lamp]
    least = math.inf
    for f in facts.lamp_feeds[lamp]:
        feed = facts.feeds[f]
        factor = facts.type_factor_ac[t] if facts.feed_ac[f] else 1.0
        watts = facts.lamp_watts[lamp]
        if facts.type_load[t] == LOAD_POWER:
            drawn = watts / factor  # out_v x P / (V factor) with V <= out_v
        elif facts.type_load[t] == LOAD_CURRENT:
            drawn = feed.out_v * watts / facts.type_nominal_v[t]
        else:
            # No lower at the stated source than at the lowest; what the search keeps of a limit is given back.
            low_v = feed.low_v - feed.low_budget_v[t] - KEEP_V
            if feed.budget_v[t] < math.inf:
                low_v = max(low_v, feed.out_v - feed.budget_v[t] - KEEP_V)
            drawn = feed.out_v * min(max(low_v, 0.0), feed.out_v) * watts / facts.type_nominal_v[t] ** 2
        least = min(least, drawn)
    return least


def driver_clusters(facts: Facts) -> list[tuple[set[int], float]]:
    """
    Clusters of lamps that share no driver with one another: models that may feed each, its least load in W or VA.

    Lamps are grouped by what may feed them and, where no model mixes dim groups, by dim group; groups that share a
    model are taken together.
    """
    mixes = any(feed.mixes_groups for feed in facts.feeds)
    clusters: list[tuple[set[int], float]] = []
    by_need: dict[tuple[tuple[int, ...], str], float] = {}
    for lamp in range(facts.num_lamps):
        key = (facts.lamp_feeds[lamp], "" if mixes else facts.lamp_group[lamp])
        by_need[key] = by_need.get(key, 0.0) + least_watts(facts, lamp)
    for group in sorted({group for _, group in by_need}):
        mine: list[tuple[set[int], float]] = []
        for (feeds, g), watts in sorted(by_need.items()):
            if g != group:
                continue
            joined, load = {facts.feeds[f].model for f in feeds}, watts
            for other in [c for c in mine if c[0] & joined]:
                mine.remove(other)
                joined |= other[0]
                load += other[1]
            mine.append((joined, load))
        clusters.extend(mine)
    return clusters


def fewest_drivers(facts: Facts) -> int:
    """No layout has fewer drivers: each cluster's least load over what its largest driver may carry, rounded up."""
    best_loading = max(facts.supply_loading)
    count = 0
    for models, watts in driver_clusters(facts):
        most = max((feed.max_w + 0.011) * best_loading for feed in facts.feeds if feed.model in models)
        count += max(1, math.ceil(watts / most - 1e-9))
    return count


def drivers_bound(facts: Facts, num_drivers: int | None = None) -> float:
    """
    Least price of drivers.

    For each cluster of lamps the drivers' allowed loads must add up to the least load: an unbounded knapsack cover,
    solved over whole watts with loads rounded down and allowances rounded up.
    """
    best_loading = max(facts.supply_loading)
    total = 0.0
    for models, watts in driver_clusters(facts):
        offers = sorted(
            {
                (feed.price, math.ceil((feed.max_w + 0.011) * best_loading))
                for feed in facts.feeds
                if feed.model in models
            }
        )
        need = math.floor(watts)
        best = [0.0] + [math.inf] * need
        for w in range(1, need + 1):
            best[w] = min(price + best[max(0, w - allowed)] for price, allowed in offers)
        total += best[need] if need else min(price for price, _ in offers)
    if num_drivers is not None:
        total = max(total, num_drivers * min(feed.price for feed in facts.feeds))
    return total


def joints_bound(facts: Facts) -> float:
    """Each lead's share of the cheapest joint that could hold it, with the cable end in that joint."""
    cheapest_m = min(cable.price_m for cable in facts.cables) if facts.cuts_at_joints else 0.0
    share = min((price + facts.joint_end_m * cheapest_m) / (ways - 1) for price, ways, _, _ in facts.kits)
    leads = sum(1 for t in facts.lamp_type if facts.type_lead[t][0] < math.inf)
    return leads * share
