"""A layout as a value: drivers, circuits, pieces of cable along the ground graph. In: the search. Out: Layout, frozen.

All indices: lamps, supplies as in the Survey; models, cables as positions in ``list(job.drivers)`` and
``list(job.cables)``; nodes and edges of the GroundGraph. Never changed in place.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Piece:
    """One cable between two joints (or the driver and a joint), cut as one.

    ``nodes`` runs from the driver's side to the far joint; ``edges[i]`` joins ``nodes[i]`` and ``nodes[i + 1]``. Two
    pieces of one circuit meet in a joint where the last node of the one is the first of the other; a piece whose
    first node is the supply's node starts at the driver. A piece may pass the node of another joint unjoined.
    """

    cable: int
    nodes: tuple[int, ...]
    edges: tuple[int, ...]
    run: int = -1
    """Pieces with the same number (not -1) are one uncut length tapped at the joints between them."""


@dataclass(frozen=True)
class Circuit:
    """All that one outlet feeds. ``pieces`` come in an order in which each starts where an earlier one ended."""

    supply: int
    model: int
    tap_v: float
    lamps: tuple[int, ...]
    leads: tuple[int, ...]
    """For each lamp, the index of its lead arc in ``GroundGraph.leads``; its joint stands at that arc's node."""
    pieces: tuple[Piece, ...]
    fuse_a: float | None
    """Rating of the fuse that protects it; None where the driver's own limit or built-in breaker does."""


@dataclass(frozen=True)
class DriverUse:
    """One driver at a supply point; ``circuits`` index ``Layout.circuits``, one outlet each, in outlet order."""

    supply: int
    model: int
    circuits: tuple[int, ...]


@dataclass(frozen=True)
class Layout:
    drivers: tuple[DriverUse, ...]
    circuits: tuple[Circuit, ...]
