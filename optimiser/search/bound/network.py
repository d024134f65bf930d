"""A smaller relaxation for more lamps: cables are counted at nodes, not at joints. In: Facts, Loads. Out: Relaxation.

It follows from ``relaxation.py`` by adding columns up, so every layout gives a solution here that costs no more:

* ``y`` of an arc: the arc belongs to the chosen arborescence of opened trench. A cable lies along each such arc in its
  direction, so the column pays for trench and one cable at once; ``x``: all further cables along an arc.
* ``on``: cables that start at a joint, ``starts``: at the drivers of a supply point. A cable that comes to a node goes
  on or ends in a joint: cables in + ``on`` + ``starts`` = cables out + joints. Which way a cable goes on that starts
  at a joint is not asked, nor from which joint a cable came: that is what is lost.
* ``lead`` <= ``z``: a lead's joint is there. With joints at their places, their price is weighed against trench,
  which a count without ground cannot do.

Cuts are those of ``relaxation.py``: both cut graphs have the ground's nodes, lamps and the root only. A drivers' place
is its supply point's node, since its cables pass there.
"""

from __future__ import annotations

import numpy as np

from ..facts import Facts
from .loads import Loads
from .relaxation import (
    CABLE,
    INF,
    JOINTS,
    LEADS,
    SUPPLIES,
    TRENCH,
    Builder,
    Relaxation,
    add_drivers,
    finish,
    joint_places,
    larger_joints,
)


def relax_network(facts: Facts, loads: Loads, *, num_drivers: int | None, least_drivers_price: float) -> Relaxation:
    """Build the smaller relaxation of one job."""
    graph, b = facts.graph, Builder()
    n, lamps, supplies = graph.num_nodes, facts.num_lamps, len(facts.supply_price)
    root = n + lamps
    tail = np.concatenate([graph.ends[:, 0], graph.ends[:, 1]])
    head = np.concatenate([graph.ends[:, 1], graph.ends[:, 0]])
    laid = np.tile(graph.length_m * facts.slack * loads.cable_m + graph.pull_price, 2)
    j_node, j_price, j_most, j_post, j_on, on_classes = joint_places(facts, loads)
    joints_of: dict[int, list[int]] = {}
    for j, v in enumerate(j_node.tolist()):
        joints_of.setdefault(v, []).append(j)
    on_joint = np.flatnonzero(j_on)

    y = b.add(
        "y", len(tail), TRENCH, cost=np.tile(graph.trench_price, 2) + laid, high=1.0,
        y_tail=tail, y_head=head, x_tail=tail, x_head=head,
    )  # fmt: skip
    x = b.add("x", len(tail), CABLE, cost=laid, x_tail=tail, x_head=head)
    z = b.add("z", len(j_node), JOINTS, cost=j_price)
    near_end = facts.joint_end_m * loads.cable_m if facts.cuts_at_joints else 0.0
    on = b.add("on", len(on_joint), CABLE, cost=near_end)
    starts = b.add("starts", supplies, CABLE)
    pairs = [
        (i, j)
        for i, arc in enumerate(graph.leads)
        for j in joints_of.get(arc.node, ())
        if not j_post[j] or graph.post_lamp[arc.node] == arc.lamp
    ]
    la, lj = (np.array(pairs, dtype=np.int64).reshape(-1, 2)).T
    lead_price = np.array(facts.lead_price)
    lead_lamp = np.array([arc.lamp for arc in graph.leads], dtype=np.int64)
    ends = {"tail": j_node[lj], "head": n + lead_lamp[la]}
    lead = b.add(
        "lead", len(la), LEADS, cost=lead_price[la], high=1.0,
        y_tail=ends["tail"], y_head=ends["head"], x_tail=ends["tail"], x_head=ends["head"],
    )  # fmt: skip

    rows = b.new_rows(n, 0.0, 0.0)  # cables end in joints or go on
    for family in (y, x):
        b.put(rows[head], family, 1.0)
        b.put(rows[tail], family, -1.0)
    b.put(rows[j_node], z, -1.0)
    b.put(rows[j_node[on_joint]], on, 1.0)
    b.put(rows[graph.supply_node], starts, 1.0)
    rows = b.new_rows(len(j_node), 0.0, INF)  # items at most
    b.put(rows, z, j_most)
    b.put(rows[on_joint], on, -1.0)
    b.put(rows[lj], lead, -1.0)
    grows = np.flatnonzero(j_on & ~j_post)
    larger_joints(b, z, rows, grows, on_classes)
    rows = b.new_rows(len(la), 0.0, INF)  # a lead's joint is there
    b.put(rows, z[lj], 1.0)
    b.put(rows, lead, -1.0)
    posts = np.flatnonzero(j_post[on_joint])
    if len(posts):
        rows = b.new_rows(len(posts), 0.0, INF)  # a post passes one cable on
        b.put(rows, z[on_joint[posts]], 1.0)
        b.put(rows, on[posts], -1.0)
    rows = b.new_rows(lamps, 1.0, 1.0)
    b.put(rows[lead_lamp[la]], lead, 1.0)

    u = b.add(
        "u", supplies, SUPPLIES, cost=np.asarray(facts.supply_price, dtype=float), high=1.0,
        y_tail=root, y_head=graph.supply_node,
    )  # fmt: skip
    rows = b.new_rows(n, 0.0, INF)  # trench that enters leaves
    b.put(rows[tail], y, 1.0)
    b.put(rows[head], y, -1.0)
    b.put(rows[ends["tail"]], lead, 1.0)
    none = np.zeros(0, dtype=np.int64)
    add_drivers(facts, loads, b, u, none, none, starts, root, graph.supply_node, num_drivers, least_drivers_price)
    return finish(b, n, lamps, root + 1, none)
