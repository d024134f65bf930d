"""Lead arcs: every node where each lamp's joint may stand. In: Land, nodes. Out: LeadArc tuples."""

from __future__ import annotations

import numpy as np

from ..job import Job
from .graph import Bools, Floats, Ints, LeadArc
from .zones import Land


def cheapest_extension_kit(job: Job) -> float:
    """Price with labour of the cheapest kit for the joint of a lead and its extension."""
    return min((kit.price + kit.labour for kit in job.joints.kits.values()), default=0.0)


def lead_arcs(
    land: Land, xyz: Floats, may_joint: Bools, post_lamp: Ints, nodes: Ints, extension_m: Floats, kit_price: float
) -> list[LeadArc]:
    """
    Lead arcs of all lamps to the given nodes.

    Parameters
    ----------
    xyz, may_joint, post_lamp
        Of all nodes of the graph.
    nodes
        The nodes asked for.
    extension_m
        (L,) flex that may extend each lamp's lead; 0 for those whose made lead reaches.
    kit_price
        Price of the joint between lead and flex.
    """
    from scipy.spatial import cKDTree

    survey = land.survey
    arcs = [LeadArc(int(post_lamp[node]), int(node), 0.0, 0.0) for node in nodes if post_lamp[node] >= 0]
    places = nodes[may_joint[nodes] & (post_lamp[nodes] < 0)]
    lamps = [idx for idx, lamp in enumerate(survey.lamps) if not land.job.lamps[lamp.type].terminals]
    if not len(places) or not lamps:
        return arcs
    tree = cKDTree(xyz[places, :2])
    found = [
        tree.query_ball_point(survey.lamps[idx].place[:2], max(land.made_reach_m[idx] + extension_m[idx], 0) + 1e-6)
        for idx in lamps
    ]
    lamp_idx = np.repeat(lamps, [len(row) for row in found]).astype(np.int64)
    node = places[np.array([place for row in found for place in sorted(row)], dtype=np.int64)]
    lead = land.lead_lines(lamp_idx, xyz[node, :2])
    job = land.job.joints
    for idx in np.flatnonzero(lead.lawful):
        lamp, short = int(lamp_idx[idx]), float(lead.length_m[idx] - lead.reach_m[idx])
        price, length = float(lead.price[idx]), float(lead.length_m[idx])
        if short <= 1e-9:
            arcs.append(LeadArc(lamp, int(node[idx]), length, price))
        elif short <= extension_m[lamp] + 1e-9:
            flex = np.ceil(short * 100) / 100  # whole centimetres
            if flex <= extension_m[lamp] + 1e-9:
                arcs.append(
                    LeadArc(
                        lamp, int(node[idx]), length, price, float(flex), float(flex) * job.extension_per_m + kit_price
                    )
                )
    return arcs
