"""The small graph of some layouts' edges, ways without a fork drawn as one arc. In: edges, ends. Out: Ways.

Nodes that matter are supply points, places where a lead may end, and forks; a chain of graph edges between two of
them is one arc, with its price, length and limits added up.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from .facts import Facts


@dataclass(frozen=True)
class Way:
    """A chain of edges from ``nodes[0]`` to ``nodes[-1]``, in one or the other direction."""

    nodes: tuple[int, ...]
    edges: tuple[int, ...]
    trench: float
    """Price of opening what is not open yet."""
    pull: float
    length_m: float
    hot_ohm: tuple[float, ...]
    """Loop resistance of each cable of the job, slack included, without ends."""
    factor: float
    """Derating of a cable in it by its sleeves, and by hot air where it lies on the surface."""
    room: int
    """How many more cables it takes."""


def union_graph(facts: Facts, edges: Iterable[int], ends: set[int], use: list[int]) -> list[Way]:
    """
    Contract a set of edges.

    Parameters
    ----------
    edges
        Edges of the ground graph; those that lead nowhere are left out.
    ends
        Nodes that must stay.
    use
        Cables already in each edge, of circuits that stay as they are.
    """
    graph_ends = facts.graph.ends
    near: dict[int, dict[int, int]] = {}
    for e in sorted(set(edges)):
        u, v = int(graph_ends[e, 0]), int(graph_ends[e, 1])
        near.setdefault(u, {})[v] = e
        near.setdefault(v, {})[u] = e
    loose = [v for v in near if len(near[v]) == 1 and v not in ends]
    while loose:
        v = loose.pop()
        for u in near.pop(v):
            del near[u][v]
            if len(near[u]) == 1 and u not in ends:
                loose.append(u)
    kept = {v for v in near if v in ends or len(near[v]) != 2}
    ways: list[Way] = []
    done: set[int] = set()
    for start in sorted(kept):
        for first in sorted(near[start]):
            if near[start][first] in done:
                continue
            nodes, line = [start], []
            at = first
            while True:
                line.append(near[nodes[-1]][at])
                nodes.append(at)
                if at in kept:
                    break
                at = next(v for v in near[at] if v != nodes[-2])
            done.update(line)
            if nodes[0] != nodes[-1]:
                ways.append(_way(facts, nodes, line, use))
    return ways


def _way(facts: Facts, nodes: list[int], edges: list[int], use: list[int]) -> Way:
    length = sum(facts.length_m[e] for e in edges)
    sun = sum(facts.sun_m[e] for e in edges)
    factor = 1.0
    for e in edges:
        if facts.sleeve[e] >= 0:
            factor = min(factor, facts.bunched[min(facts.capacity[e], len(facts.bunched)) - 1])
    return Way(
        nodes=tuple(nodes),
        edges=tuple(edges),
        trench=sum(facts.trench[e] for e in edges if use[e] == 0),
        pull=sum(facts.pull[e] for e in edges),
        length_m=length,
        hot_ohm=tuple(facts.slack * ((length - sun) * c.hot_ohm + sun * c.sun_ohm) for c in facts.cables),
        factor=factor * facts.trench_bunched[-1] * (facts.sun_factor if sun > 0 else 1.0),
        room=min(facts.capacity[e] - use[e] for e in edges),
    )
