"""The ground as a graph of places a cable may turn, fork or be joined. In: arrays. Out: GroundGraph.

Nodes are integers; coordinates are rounded to the millimetre when the graph is made, so that what the search prices is
what the plan prints. Every edge is a straight line (or a sleeve's own line), may be walked both ways, and carries what
it costs to open. Lamps are no nodes: each has *lead arcs* to the nodes where its joint may stand.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]


class NodeKind(IntEnum):
    """Why a node is there."""

    SUPPLY = 0  # a supply point itself
    FOOT = 1  # where a stub from a supply point, post or sleeve end meets ground that may be dug
    JOINT_PLACE = 2  # in a lamp's reach
    CORNER = 3  # corner of a no-dig zone, pushed out; corner of dearer ground
    BORDER = 4  # crossing place on the border of dearer ground
    SLEEVE_END = 5
    HUB_PLACE = 6  # candidate hub or fork
    REFINED = 7  # added round the hubs and forks of a layout already found
    POST = 8  # a lamp with terminals: the joint is in the post


class LeadArc(NamedTuple):
    """One way to hang a lamp: its lead, straight from the lamp to a node."""

    lamp: int
    node: int
    length_m: float
    """Length along the ground from lamp to joint, in m (0 for posts)."""
    price: float
    extension_m: float = 0.0
    """Flex added because the made lead is too short, in m (0 in all but rare cases); its price is apart."""
    extension_price: float = 0.0


@dataclass(frozen=True, eq=False)
class GroundGraph:
    """
    Ground graph of one job.

    Attributes
    ----------
    xyz
        (n, 3) coordinates of the nodes, in m, whole millimetres.
    kind
        (n,) values of ``NodeKind``.
    may_joint
        (n,) whether a joint of cables may stand at the node (True for POST nodes, but only their lamp's terminals).
    post_lamp
        (n,) index of the lamp whose terminals a POST node is, else -1.
    ends
        (m, 2) the two nodes of each edge, lower first.
    length_m
        (m,) length along the slope, in m.
    sun_m
        (m,) part of it lying on the surface (depth 0), in m.
    trench_price
        (m,) price of opening it once, crossings included; 0 for sleeves.
    pull_price
        (m,) price for each cable laid in it (sleeves only, else 0).
    capacity
        (m,) how many cables it takes (large where nothing limits).
    sleeve
        (m,) index of the survey's sleeve, else -1.
    stub
        (m,) whether the edge is a stub through keep-off or a border's tolerance.
    supply_node
        (S,) node of each supply point of the survey, in order.
    leads
        lead arcs of all lamps: the base graph's, sorted by lamp, then price; behind them those of each refinement,
        sorted likewise, so that an index once given stays good.
    """

    xyz: Floats
    kind: Ints
    may_joint: Bools
    post_lamp: Ints
    ends: Ints
    length_m: Floats
    sun_m: Floats
    trench_price: Floats
    pull_price: Floats
    capacity: Ints
    sleeve: Ints
    stub: Bools
    supply_node: Ints
    leads: tuple[LeadArc, ...]
    num_lamps: int

    @property
    def num_nodes(self) -> int:
        return len(self.xyz)

    @property
    def num_edges(self) -> int:
        return len(self.ends)
