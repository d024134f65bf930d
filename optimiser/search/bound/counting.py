"""Joints, leads, cable ends and drivers without the ground between them. In: Facts, Loads. Out: Relaxation.

Of the columns that ``relaxation.py`` proves a layout to have, these need no ground: joints and leads (each lead ends
in a joint that is there, so lead <= joint), cables that start at joints (``on``) and at drivers, circuits, drivers,
supply points. Each joint is the far end of exactly one cable and each cable starts at a joint or a driver, so joints
= ``on`` + cables that start at drivers. What is priced here: joints, ends of cables, drivers and fuses; trench, cable
by length, leads and supply points are priced by dual ascent, so that the two sums may be added. Where a joint stands
matters here only for what leads reach it, so a node stands for every other that only lamps reach which reach it too:
the other's joints could be there, with the same leads, at the same price.
"""

from __future__ import annotations

import numpy as np

from ..facts import Facts
from .loads import Loads
from .relaxation import (
    CABLE,
    DRIVERS,
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


def relax_counts(
    facts: Facts,
    loads: Loads,
    *,
    num_drivers: int | None,
    least_drivers_price: float,
) -> Relaxation:
    """The relaxation without ground."""
    b = Builder()
    supplies = len(facts.supply_price)
    starts = b.add("starts", supplies, CABLE)
    _add_joints(facts, loads, b, starts)
    u = b.add("u", supplies, SUPPLIES, high=1.0)
    none = np.zeros(0, dtype=np.int64)
    at = np.full(supplies, -1)
    add_drivers(facts, loads, b, u, none, none, starts, -1, at, num_drivers, least_drivers_price)
    return finish(b, facts.graph.num_nodes, facts.num_lamps, 0, np.zeros(0, dtype=np.int64))


def relax_joints(facts: Facts, loads: Loads, least_drivers_price: float) -> Relaxation:
    """
    The same for very many lamps, without which lamp hangs on what: drivers are one sum of money.

    A driver takes as many cables as its outlets have terminals for, so that cables which start at drivers number no
    more than that sum divided by the least price of such a place.
    """
    b = Builder()
    starts = b.add("starts", 1, CABLE)
    _add_joints(facts, loads, b, starts)
    place = min(model.price / (model.outlets * model.terminal_cables) for model in loads.models.values())
    # Columns are at most two for each lamp, money is not; more than this would only pay for cables nobody needs.
    unit = max(1.0, place, least_drivers_price / facts.num_lamps)
    drivers = b.add("drivers", 1, DRIVERS, cost=unit)
    rows = b.new_rows(1, least_drivers_price / unit, INF)
    b.put(rows, drivers, 1.0)
    rows = b.new_rows(1, 0.0, INF)
    b.put(rows, drivers, unit)
    b.put(rows, starts, -place)
    return finish(b, facts.graph.num_nodes, facts.num_lamps, 0, np.zeros(0, dtype=np.int64))


def _add_joints(facts: Facts, loads: Loads, b: Builder, starts: np.ndarray) -> None:
    """Joints, leads and cables that start at joints, and their rows with those that start at drivers."""
    graph, lamps = facts.graph, facts.num_lamps
    nodes, prices, most, post, on_at, on_classes = joint_places(facts, loads)
    counted = _nodes_to_count(facts)
    bare = np.flatnonzero(~counted[nodes] & on_at & ~post)
    keep = np.sort(np.concatenate([np.flatnonzero(counted[nodes]), bare[:1]]))
    nodes, prices, most, post, on_at = nodes[keep], prices[keep], most[keep], post[keep], on_at[keep]
    near_end = facts.joint_end_m * loads.cable_m if facts.cuts_at_joints else 0.0

    z = b.add("z", len(nodes), JOINTS, cost=prices)
    going = np.flatnonzero(on_at)
    on = b.add("on", len(going), CABLE, cost=near_end)
    joints_of: dict[int, list[int]] = {}
    for j, v in enumerate(nodes.tolist()):
        joints_of.setdefault(v, []).append(j)
    pairs = [
        (i, j)
        for i, arc in enumerate(graph.leads)
        if counted[arc.node]
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


def _nodes_to_count(facts: Facts) -> np.ndarray:
    """(n,) posts, and of the other nodes that leads reach those that no other one stands for: it is reached by all the
    lamps that reach them."""
    graph = facts.graph
    reaching: dict[int, set[int]] = {}
    for arc in graph.leads:
        reaching.setdefault(arc.node, set()).add(arc.lamp)
    counted = np.zeros(graph.num_nodes, dtype=bool)
    standing: dict[int, list[set[int]]] = {}  # by lamp
    for node in sorted(reaching, key=lambda v: (-len(reaching[v]), v)):
        lamps = reaching[node]
        if graph.post_lamp[node] >= 0:
            counted[node] = True
        elif graph.may_joint[node] and not any(lamps <= others for others in standing.get(min(lamps), ())):
            counted[node] = True
            for lamp in lamps:
                standing.setdefault(lamp, []).append(lamps)
    return counted
