"""What a design is asked and what it begins from. In: outlets, drivers, ways, a circuit. Out: Problem, Start."""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass, field

from .circuit import Fed
from .facts import Facts
from .tree import Tree
from .union_graph import Way


@dataclass(frozen=True)
class Slot:
    """An outlet that a circuit may use; ``driver`` indexes the drivers of the problem."""

    supply: int
    feed: int
    group: str
    fuse_a: float | None
    driver: int


@dataclass
class DriverRoom:
    """A driver the slots may share: what is left of it, and what it costs if nothing else pays for it."""

    supply: int
    price: float
    max_w: float
    max_a: float
    max_start: tuple[float, float] = (math.inf, math.inf)
    """Inrush in A and input capacitance in µF."""


@dataclass
class Problem:
    """What is to be designed."""

    lamps: list[int]
    leads: dict[int, list[int]]
    """Lead arcs each lamp may hang by."""
    ways: list[Way]
    slots: list[Slot]
    drivers: list[DriverRoom]
    supply_price: dict[int, float]
    """Price of using each supply point that is not used by circuits that stay."""
    drivers_left: dict[int, int]
    """How many of ``drivers`` with a price each supply point still takes."""
    palette: tuple[int, ...]
    start: dict[int, Fed] = field(default_factory=dict)
    """Slot -> circuit of the incumbent, to begin from."""
    tight: dict[int, float] = field(default_factory=dict)
    """Slot -> part of the drop budget allowed, below 1 after a proposal did not hold."""


@dataclass(frozen=True)
class Proposed:
    slot: int
    tree: Tree
    leads: dict[int, int]


class Start:
    """What the incumbent's circuit says about the model's variables."""

    def __init__(self, facts: Facts, problem: Problem, arcs: Sequence[tuple[int, int, int]], fed: Fed | None) -> None:
        self.fed, self.facts = fed, facts
        self.cable: dict[int, int] = {}
        self.ways: dict[int, int] = {}
        self.ends: dict[tuple[int, int], int] = {}
        if fed is None:
            return
        gauge = {(u, v): k for k, nodes in fed.pieces for u, v in itertools.pairwise(nodes)}
        for a, (w, u, _) in enumerate(arcs):
            nodes = problem.ways[w].nodes
            first = (nodes[0], nodes[1]) if nodes[0] == u else (nodes[-1], nodes[-2])
            if first in gauge:
                self.cable[a] = gauge[first]
        for k, nodes in fed.pieces:
            for v in (nodes[0], nodes[-1]):
                self.ways[v] = self.ways.get(v, 0) + 1
                self.ends[v, k] = self.ends.get((v, k), 0) + 1
        for arc in fed.leads.values():
            node = facts.graph.leads[arc].node
            self.ways[node] = self.ways.get(node, 0) + 1

    def carried(self, amps: dict[int, int]) -> dict[int, int]:
        """Current that flows into each node of the tree."""
        carried: dict[int, int] = {}
        if self.fed is None:
            return carried
        for lamp, arc in self.fed.leads.items():
            v = self.facts.graph.leads[arc].node
            while v in self.fed.tree:
                carried[v] = carried.get(v, 0) + amps.get(lamp, 0)
                v = self.fed.tree[v]
        return carried
