"""Joints, leads, cable ends and drivers without the ground between them. In: Facts, Loads. Out: Relaxation.

Of the columns that ``relaxation.py`` proves a layout to have, these need no ground: joints and leads (each lead ends
in a joint that is there, so lead <= joint), cables that start at joints (``on``) and at drivers, circuits, drivers,
supply points. Each joint is the far end of exactly one cable and each cable starts at a joint or a driver, so joints
= ``on`` + cables that start at drivers. What is priced here: joints, ends of cables, drivers and fuses; trench, cable
by length, leads and supply points are priced by dual ascent, so that the two sums may be added. Joints at nodes that
no lead reaches are alike here: one column stands for all of them.
"""

from __future__ import annotations

import itertools

import numpy as np

from ..facts import Facts
from .loads import Loads
from .relaxation import (
    CABLE,
    INF,
    JOINTS,
    LEADS,
    SUPPLIES,
    Builder,
    Relaxation,
    add_drivers,
    finish,
    joint_places,
    larger_joints,
)


def joint_shares(facts: Facts, loads: Loads) -> float:
    """
    Least price of the joints of any layout, by shares.

    In a joint of w ways end one cable from above and w - 1 leads or cables below. A layout has as many cables as joints
    (each cable ends below in one), so its J joints hold at least as many leads and cables below as the L lamps have
    leads. And J >= sum over lamps of 1 / k, k the most lamps whose leads reach one node that this lamp's lead reaches:
    the lamps of one joint add up to at most 1. So for any a, b >= 0 with a + b (w - 1) <= price of w ways, for all w,
    the joints cost at least a J + b L. Lamps on posts may be joined in the post for nothing and do not count.
    """
    _, prices, most, post, _, on_classes = joint_places(facts, loads)
    on_posts = {int(lamp) for lamp in facts.graph.post_lamp if lamp >= 0}
    end = facts.joint_end_m * loads.cable_m if facts.cuts_at_joints else 0.0
    kinds = {
        (float(items), float(price)) for price, items, at_post in zip(prices, most, post, strict=True) if not at_post
    }
    kinds |= {(float(ways - 1), price + end) for price, _, ways in on_classes}
    if not kinds:
        return 0.0
    reaching: dict[int, set[int]] = {}
    for arc in facts.graph.leads:
        reaching.setdefault(arc.node, set()).add(arc.lamp)
    most_at = [0] * facts.num_lamps
    for lamps in reaching.values():
        for lamp in lamps:
            most_at[lamp] = max(most_at[lamp], len(lamps))
    counted = [lamp for lamp in range(facts.num_lamps) if lamp not in on_posts]
    joints = sum(1 / most_at[lamp] for lamp in counted)
    slopes = {0.0, min(price / items for items, price in kinds)}
    slopes |= {(p - q) / (m - n) for (m, p), (n, q) in itertools.permutations(sorted(kinds), 2) if m > n}
    best = 0.0
    for each in slopes:
        fixed = min(price - each * items for items, price in kinds)
        if each >= 0 and fixed >= -1e-9:
            best = max(best, max(fixed, 0.0) * joints + each * len(counted))
    return best * (1 - 1e-9)


def relax_counts(
    facts: Facts,
    loads: Loads,
    *,
    num_drivers: int | None,
    least_drivers_price: float,
) -> Relaxation:
    """The relaxation without ground."""
    graph, b = facts.graph, Builder()
    supplies, lamps = len(facts.supply_price), facts.num_lamps
    nodes, prices, most, post, on_at, on_classes = joint_places(facts, loads)
    reached = np.zeros(graph.num_nodes, dtype=bool)
    reached[[arc.node for arc in graph.leads]] = True
    bare = np.flatnonzero(~reached[nodes] & on_at & ~post)
    keep = np.sort(np.concatenate([np.flatnonzero(reached[nodes]), bare[:1]]))
    nodes, prices, most, post, on_at = nodes[keep], prices[keep], most[keep], post[keep], on_at[keep]
    near_end = facts.joint_end_m * loads.cable_m if facts.cuts_at_joints else 0.0

    z = b.add("z", len(nodes), JOINTS, cost=prices)
    going = np.flatnonzero(on_at)
    on = b.add("on", len(going), CABLE, cost=near_end)
    starts = b.add("starts", supplies, CABLE)
    joints_of: dict[int, list[int]] = {}
    for j, v in enumerate(nodes.tolist()):
        joints_of.setdefault(v, []).append(j)
    pairs = [
        (i, j)
        for i, arc in enumerate(graph.leads)
        for j in joints_of.get(arc.node, ())
        if not post[j] or graph.post_lamp[arc.node] == arc.lamp
    ]
    la, lj = (np.array(pairs, dtype=np.int64).reshape(-1, 2)).T
    lead_lamp = np.array([arc.lamp for arc in graph.leads], dtype=np.int64)
    lead = b.add("lead", len(la), LEADS, high=1.0)

    rows = b.new_rows(lamps, 1.0, 1.0)
    b.put(rows[lead_lamp[la]], lead, 1.0)
    rows = b.new_rows(len(la), 0.0, INF)  # a lead's joint is there
    b.put(rows, z[lj], 1.0)
    b.put(rows, lead, -1.0)
    rows = b.new_rows(len(nodes), 0.0, INF)  # items at most
    b.put(rows, z, most)
    b.put(rows[going], on, -1.0)
    b.put(rows[lj], lead, -1.0)
    grows = np.flatnonzero(on_at & ~post)
    larger_joints(b, z, rows, grows, on_classes)
    posts = np.flatnonzero(post[going])
    if len(posts):
        rows = b.new_rows(len(posts), 0.0, INF)  # a post passes one cable on
        b.put(rows, z[going[posts]], 1.0)
        b.put(rows, on[posts], -1.0)
    row = b.new_rows(1, 0.0, 0.0)[0]
    b.put(row, z, 1.0)
    b.put(row, on, -1.0)
    b.put(row, starts, -1.0)
    u = b.add("u", supplies, SUPPLIES, high=1.0)
    none = np.zeros(0, dtype=np.int64)
    at = np.full(supplies, -1)
    add_drivers(facts, loads, b, u, none, none, starts, -1, at, num_drivers, least_drivers_price)
    return finish(b, graph.num_nodes, lamps, 0, np.zeros(0, dtype=np.int64))
