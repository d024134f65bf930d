"""Forks that cables pass side by side, unjoined, where that is cheaper than a joint. In: Traced. Out: Traced, or None.

Where a circuit forks without a lamp, a joint is not the only way: each cable may start at the joint before and lie
beside the others up to the fork. That saves the kit and two cable ends, and costs a second cable for that length and a
way more of the joint before. Decided here by prices of the thinnest cable, before gauges are chosen.
"""

from __future__ import annotations

import itertools

from .facts import Facts
from .trace import Traced
from .ways import Ways


def pass_forks(facts: Facts, ways: Ways, traced: Traced, cable_m: float) -> Traced | None:
    """
    The pieces without the forks that are better passed unjoined; None where every fork is better joined.

    Parameters
    ----------
    facts, ways
        Look-ups of the job.
    traced
        Pieces of a tree, parents first.
    cable_m
        Price of a metre of the thinnest cable.
    """
    above, kids, walks, start = traced.above, traced.kids, traced.walks, traced.start
    length, sun, factor = traced.length, traced.sun, traced.factor
    kit_of_ways, ends = facts.kit_of_ways, 2 * facts.joint_end_m * cable_m if facts.cuts_at_joints else 0.0
    passed: set[int] = set()
    for i, lamps in enumerate(traced.lamps):
        up, more = above[i], kids[i] - 1
        if lamps or more < 1 or up < 0 or facts.post[traced.far[up]] >= 0:
            continue
        before = 1 + kids[up] + len(traced.lamps[up])
        if before + more > facts.max_ways:
            continue
        saved = kit_of_ways[2 + more] + ends + kit_of_ways[before] - kit_of_ways[before + more]
        if saved <= more * length[i] * facts.slack * cable_m:
            continue
        if any(facts.sleeve[ways.edge_of[pair]] >= 0 for pair in itertools.pairwise(walks[i])):
            continue  # a sleeve takes so many cables and no more
        if not passed:
            above, kids, walks, start = above[:], kids[:], walks[:], start[:]
            length, sun, factor = length[:], sun[:], factor[:]
        for k in range(i + 1, len(above)):
            if above[k] == i:
                above[k], start[k], walks[k] = up, start[i], walks[i] + walks[k][1:]
                length[k] += length[i]
                sun[k] += sun[i]
                factor[k] = min(factor[k], factor[i])
        kids[up] += more
        passed.add(i)
    if not passed:
        return None
    kept = [i for i in range(len(above)) if i not in passed]
    number = {-1: -1} | {i: n for n, i in enumerate(kept)}
    return Traced(
        above=[number[above[i]] for i in kept],
        start=[start[i] for i in kept],
        far=[traced.far[i] for i in kept],
        length=[length[i] for i in kept],
        sun=[sun[i] for i in kept],
        factor=[factor[i] for i in kept],
        kids=[kids[i] for i in kept],
        lamps=[traced.lamps[i] for i in kept],
        edges=[ways.edge_of[pair] for i in kept for pair in itertools.pairwise(walks[i])],
        root_kids=traced.root_kids,
        walks=[walks[i] for i in kept],
    )
