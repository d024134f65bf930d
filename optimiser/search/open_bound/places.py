"""Which lamps may share a joint wherever it stands; how far they are from supply points. In: Facts, Land. Out: Facts.

They are those of a graph without edges, for what is counted without ground (``bound/counting.py``). The reaches of
leads are discs. Where some of them have a place in common, they have one that is the middle of one or in which the rims
of two meet: so the sets of lamps found at these places hold every set that may share a joint.
"""

from __future__ import annotations

import numpy as np

from ...ground.graph import Floats, GroundGraph, LeadArc, NodeKind
from ...ground.model import NO_LIMIT
from ...ground.zones import Land
from ..facts import Facts, gather_facts

TOUCH_M = 1e-6


def without_ground(facts: Facts, land: Land, reach_m: Floats, post: list[bool]) -> Facts:
    """The same job with one node for each set of lamps that may share a joint; prices of leads are left out."""
    survey = land.survey
    lamps = np.array([lamp.place[:2] for lamp in survey.lamps], dtype=float).reshape(-1, 2)
    places: list[tuple[float, float]] = [supply.place[:2] for supply in survey.supplies]
    kinds = [NodeKind.SUPPLY] * len(places)
    post_lamp = [-1] * len(places)
    leads: list[LeadArc] = []
    for lamp in np.flatnonzero(post).tolist():
        leads.append(LeadArc(lamp, len(places), 0.0, 0.0))
        places.append((float(lamps[lamp, 0]), float(lamps[lamp, 1])))
        kinds.append(NodeKind.POST)
        post_lamp.append(lamp)
    hung = np.flatnonzero(~np.array(post, dtype=bool))
    for place, sharing in shared_places(lamps[hung], reach_m[hung]):
        leads += [LeadArc(int(hung[lamp]), len(places), 0.0, 0.0) for lamp in sharing]
        places.append(place)
        kinds.append(NodeKind.JOINT_PLACE)
        post_lamp.append(-1)
    places.append(places[0])  # a joint that no lead ends in
    kinds.append(NodeKind.HUB_PLACE)
    post_lamp.append(-1)
    none = np.zeros(0)
    graph = GroundGraph(
        xyz=np.column_stack([np.array(places), np.zeros(len(places))]),
        kind=np.array(kinds, dtype=np.int64),
        may_joint=np.array([kind != NodeKind.SUPPLY for kind in kinds]),
        post_lamp=np.array(post_lamp, dtype=np.int64),
        ends=np.zeros((0, 2), dtype=np.int64),
        length_m=none,
        sun_m=none,
        trench_price=none,
        pull_price=none,
        capacity=np.full(0, NO_LIMIT, dtype=np.int64),
        sleeve=np.zeros(0, dtype=np.int64),
        stub=np.zeros(0, dtype=bool),
        supply_node=facts.graph.supply_node * 0 + np.arange(len(survey.supplies)),
        leads=tuple(sorted(leads, key=lambda arc: (arc.lamp, arc.node))),
        num_lamps=len(lamps),
    )
    plain = gather_facts(land.job.with_tolerance("off"), survey, graph)  # what holds of stated data is proven
    return plain.plain or plain


def shared_places(lamps: Floats, reach_m: Floats) -> list[tuple[tuple[float, float], tuple[int, ...]]]:
    """Places in reach of some lamps, (n, 2) and (n,), with all lamps that reach there; no set within another's."""
    found: dict[tuple[int, ...], tuple[float, float]] = {}
    tried = [lamps]
    for one in range(len(lamps)):
        way = lamps[one + 1 :] - lamps[one]
        far = np.hypot(way[:, 0], way[:, 1])
        r, s = reach_m[one], reach_m[one + 1 :]
        meet = (far <= r + s) & (far >= np.abs(r - s)) & (far > 0)
        way, far, s = way[meet], far[meet], s[meet]
        along = (far**2 + r**2 - s**2) / (2 * far)
        across = np.sqrt(np.maximum(r**2 - along**2, 0.0))
        unit = way / far[:, None]
        side = np.column_stack([-unit[:, 1], unit[:, 0]])
        tried += [lamps[one] + along[:, None] * unit + sign * across[:, None] * side for sign in (1, -1)]
    for place in np.vstack(tried):
        sharing = tuple(np.flatnonzero(np.hypot(*(lamps - place).T) <= reach_m + TOUCH_M).tolist())
        found.setdefault(sharing, (float(place[0]), float(place[1])))
    sets = sorted(found, key=lambda sharing: (-len(sharing), sharing))
    kept: list[tuple[int, ...]] = []
    for sharing in sets:
        if not any(set(sharing) <= set(other) for other in kept):
            kept.append(sharing)
    return [(found[sharing], sharing) for sharing in kept]


def least_m(land: Land, reach_m: Floats) -> Floats:
    """(S, N) metres that no way from a supply point to a lamp's joint is below: straight lines less the lead."""
    lamps = np.array([lamp.place[:2] for lamp in land.survey.lamps], dtype=float).reshape(-1, 2)
    supplies = np.array([supply.place[:2] for supply in land.survey.supplies], dtype=float).reshape(-1, 2)
    apart = np.hypot(*(supplies[:, None] - lamps[None]).transpose(2, 0, 1))
    return np.asarray(np.maximum(apart - reach_m, 0.0) * (1 - 1e-6), dtype=float)
