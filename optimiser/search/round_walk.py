"""Lamps of a tree of trenches in an order in which neighbours follow each other. In: a tree, leads. Out: lamps."""

from __future__ import annotations

from .state import Bench
from .tree import Tree, children_of


def round_walk(bench: Bench, parent: Tree, leads: dict[int, int], root: int) -> list[int]:
    """Lamps of the root's tree in the order of a walk round it."""
    kids = children_of(parent)
    hung: dict[int, list[int]] = {}
    for lamp, arc in leads.items():
        hung.setdefault(bench.facts.graph.leads[arc].node, []).append(lamp)
    order: list[int] = []
    stack = [root]
    while stack:
        node = stack.pop()
        order += sorted(hung.get(node, ()))
        stack += sorted(kids.get(node, ()))
    return order


__all__ = ["round_walk"]
