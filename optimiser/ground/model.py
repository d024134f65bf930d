"""The ground stage's result. In: a graph, the land it lies on. Out: Ground."""

from __future__ import annotations

from dataclasses import dataclass

from .graph import GroundGraph
from .zones import Land

NO_LIMIT = 1_000_000
"""Capacity of trenches in which cables are not counted."""


@dataclass(frozen=True, eq=False)
class Ground:
    """
    The ground graph of a job, and what it was made from.

    Attributes
    ----------
    base_nodes, base_edges
        How many of the graph's nodes and edges are the base graph's; those behind them came by ``refine``.
    """

    graph: GroundGraph
    land: Land
    base_nodes: int
    base_edges: int
