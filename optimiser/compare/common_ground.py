"""One ground graph that holds the layouts of all alternatives. In: their grounds. Out: their union, bounds on it.

Each search refines its ground graph round its own layouts, so a bound proven on one graph says nothing of layouts on
another. The union of the refined graphs contains every plan; what is proven on it holds for all of them alike. It can
be had only where the alternatives start from the same base graph at the same prices.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from ..ground import Ground
from ..ground.graph import Floats, GroundGraph, LeadArc
from ..job_folder import JobFolder
from ..search.bound import lower_bound
from ..search.facts import gather_facts
from ..search.stopping import StopSignal
from .alternatives import Variant


def same_ground(folder: JobFolder, ground: Ground, other: JobFolder, its_ground: Ground) -> bool:
    """Whether both start from the same places, lines, leads and prices of opening the ground."""
    return surface_of(folder) == surface_of(other) and _same_base(ground, its_ground)


def surface_of(folder: JobFolder) -> object:
    """All that sets the price of a line or of a lead laid later, when a graph is refined, and the supply points."""
    job, survey = folder.job, folder.survey
    leads = {
        name: (kind.lead_m, kind.aim_reserve_m, kind.exit_height_m, kind.terminals, kind.submersible)
        for name, kind in job.lamps.items()
    }
    kits = (job.joints.tail_m, job.joints.extension_m, job.joints.extension_per_m, job.joints.kits)
    zones = [(zone.name, zone.ground, zone.keep_off_m, zone.polygon.wkb) for zone in survey.zones]
    sleeves = [(sleeve.name, sleeve.route, sleeve.capacity, sleeve.pull_price) for sleeve in survey.sleeves]
    rules = (job.rules.border_tolerance_m, job.rules.mains_clear_m, job.rules.mains_joint_clear_m)
    points = (survey.lamps, survey.mains, survey.supplies)
    return job.base_ground, job.grounds, zones, sleeves, points, leads, kits, rules


def _same_base(a: Ground, b: Ground) -> bool:
    n, m = a.base_nodes, a.base_edges
    if (n, m) != (b.base_nodes, b.base_edges):
        return False
    of_nodes = ("xyz", "kind", "may_joint", "post_lamp")
    of_edges = ("ends", "length_m", "sun_m", "trench_price", "pull_price", "capacity", "sleeve", "stub")
    return (
        all(np.array_equal(getattr(a.graph, name)[:n], getattr(b.graph, name)[:n]) for name in of_nodes)
        and all(np.array_equal(getattr(a.graph, name)[:m], getattr(b.graph, name)[:m]) for name in of_edges)
        and np.array_equal(a.graph.supply_node, b.graph.supply_node)
    )


def union_of(grounds: Sequence[Ground]) -> Ground:
    """
    The union of refined graphs of one base: every node, edge and lead arc of each, once.

    Nodes are the same where their places are, to the millimetre; the first graph's keep their numbers.
    """
    first = grounds[0]
    xyz, kind, may, post = (list(getattr(first.graph, name)) for name in ("xyz", "kind", "may_joint", "post_lamp"))
    at = {_key(place): i for i, place in reversed(list(enumerate(xyz)))}
    ends = [tuple(pair) for pair in first.graph.ends.tolist()]
    known = set(ends)
    columns = ("length_m", "sun_m", "trench_price", "pull_price", "capacity", "sleeve", "stub")
    edges = {name: [getattr(first.graph, name)] for name in columns}
    leads = list(first.graph.leads)
    hung = {(arc.lamp, arc.node) for arc in leads}
    for ground in grounds[1:]:
        graph, base = ground.graph, ground.base_nodes
        number = np.arange(graph.num_nodes)
        for v in range(base, graph.num_nodes):
            place = _key(graph.xyz[v])
            if place not in at:
                at[place] = len(xyz)
                xyz.append(graph.xyz[v])
                kind.append(graph.kind[v])
                may.append(graph.may_joint[v])
                post.append(graph.post_lamp[v])
            number[v] = at[place]
        new = []
        for e in range(ground.base_edges, graph.num_edges):
            u, v = sorted(number[graph.ends[e]].tolist())
            if (u, v) not in known:
                known.add((u, v))
                ends.append((u, v))
                new.append(e)
        for name in columns:
            edges[name].append(getattr(graph, name)[new])
        for arc in graph.leads:
            moved = LeadArc(arc.lamp, int(number[arc.node]), *arc[2:])
            if (moved.lamp, moved.node) not in hung:
                hung.add((moved.lamp, moved.node))
                leads.append(moved)
    of_edges = {name: np.concatenate(parts) for name, parts in edges.items()}
    graph = GroundGraph(
        xyz=np.array(xyz),
        kind=np.array(kind),
        may_joint=np.array(may),
        post_lamp=np.array(post),
        ends=np.array(ends, dtype=np.int64).reshape(-1, 2),
        **of_edges,
        supply_node=first.graph.supply_node,
        leads=tuple(leads),
        num_lamps=first.graph.num_lamps,
    )
    return Ground(graph, first.land, first.base_nodes, first.base_edges)


def _key(place: Floats) -> tuple[int, int]:
    return round(float(place[0]) * 1000), round(float(place[1]) * 1000)


@dataclass(frozen=True, eq=False)
class BoundTask:
    """Bound one alternative on a graph that is not its own."""

    variant: Variant
    graph: GroundGraph
    effort: float


def bound_on(task: BoundTask, stop: StopSignal) -> float:
    """What no layout of the alternative on this graph can undercut; whole cents, rounded down."""
    folder = task.variant.folder
    facts = gather_facts(folder.job.with_tolerance("off"), folder.survey, task.graph)  # proven of stated data
    total = lower_bound(facts, num_drivers=task.variant.num_drivers, stop=stop, effort=task.effort).total
    return float(np.floor(total * 100) / 100)
