"""A tree on the ground graph cut into pieces of cable at its joints. In: tree, leads. Out: Traced, or None."""

from __future__ import annotations

from dataclasses import dataclass, field

from .facts import Facts
from .tree import Tree, children_of
from .ways import Ways


@dataclass
class Traced:
    """A tree cut into pieces at its joints."""

    above: list[int]
    start: list[int]
    far: list[int]
    length: list[float]
    sun: list[float]
    factor: list[float]
    kids: list[int]
    lamps: list[list[int]]
    edges: list[int]
    root_kids: int
    walks: list[tuple[int, ...]] = field(default_factory=list)
    """Nodes of each piece from the driver's side, where it was cut from a tree."""


def trace(facts: Facts, ways: Ways, root: int, tree: Tree, leads: dict[int, int]) -> Traced | None:
    """Cut a tree into pieces; None where a joint would stand where none may, or have too many ways."""
    children = children_of(tree)
    lamps_at: dict[int, list[int]] = {}
    lead_node = facts.lead_node
    for lamp, arc in leads.items():
        node = lead_node[arc]
        if node in lamps_at:
            lamps_at[node].append(lamp)
        else:
            lamps_at[node] = [lamp]
    if root in lamps_at:
        return None
    t = Traced([], [], [], [], [], [], [], [], [], len(children.get(root, ())))
    worst_bunch = facts.trench_bunched[-1]
    edge_of = ways.edge_of
    length_m, sun_m, sleeve, may_joint, posts = facts.length_m, facts.sun_m, facts.sleeve, facts.may_joint, facts.post
    edges, fed, no_kids = t.edges, 0, ()
    # (first node, piece above, where the piece starts)
    stack = [(child, -1, root) for child in sorted(children.get(root, ()), reverse=True)]
    while stack:
        node, above, start = stack.pop()
        up, length, sun, factor = start, 0.0, 0.0, worst_bunch
        walk = [start]
        while True:
            edge = edge_of[up, node]
            edges.append(edge)
            walk.append(node)
            length += length_m[edge]
            sun += sun_m[edge]
            if sleeve[edge] >= 0:
                bunch = facts.bunched[min(facts.capacity[edge], len(facts.bunched)) - 1]
                factor = min(factor, worst_bunch * bunch)
            below = children.get(node, no_kids)
            here = lamps_at.get(node)
            if here is not None or len(below) != 1:
                break
            up, node = node, below[0]
        if here is None:
            if not below:
                return None
            here = []
        post = posts[node]
        if post >= 0:
            if here != [post] or len(below) > 1:
                return None
        elif not may_joint[node] or 1 + len(below) + len(here) > facts.max_ways:
            return None
        piece = len(t.above)
        t.above.append(above)
        t.start.append(start)
        t.far.append(node)
        t.length.append(length)
        t.sun.append(sun)
        t.factor.append(factor)
        t.kids.append(len(below))
        here.sort()
        t.lamps.append(here)
        t.walks.append(tuple(walk))
        fed += len(here)
        for child in sorted(below, reverse=True) if len(below) > 1 else below:
            stack.append((child, piece, node))
    if fed != len(leads):
        return None
    return t
