"""Moves of the whole layout, one idea a file. In: a State. Out: another State, or None.

``MOVES`` lists every move with its weight in the draw. Each says itself whether it applies to a job.
"""

from __future__ import annotations

import random
from typing import Protocol

from ..state import Bench, State
from .change_palette import ChangePalette
from .dissolve_circuit import DissolveCircuit
from .exchange_lamps import ExchangeLamps
from .rehang_branch import RehangBranch
from .ruin_along import RuinAlong
from .ruin_branch import RuinBranch
from .ruin_driver import RuinDriver
from .ruin_nearby import RuinNearby
from .straighten import Straighten
from .swap_feed import SwapFeed


class Move(Protocol):
    """One way to change a layout."""

    def supports(self, bench: Bench) -> bool:
        """Whether the move can change anything in this job."""
        ...

    def __call__(self, bench: Bench, state: State, rng: random.Random) -> State | None:
        """A changed state, or None where nothing came of it."""
        ...


MOVES: tuple[tuple[Move, float], ...] = (
    (RuinNearby(), 4.0),
    (RuinAlong(), 1.2),
    (RuinBranch(), 2.0),
    (RehangBranch(), 4.0),
    (DissolveCircuit(), 0.7),
    (RuinDriver(), 0.25),
    (SwapFeed(), 0.6),
    (Straighten(), 1.0),
    (ChangePalette(), 0.15),
    (ExchangeLamps(), 4.0),
)

__all__ = ["MOVES", "Move"]
