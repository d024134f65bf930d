"""The measured ground as values. In: what a reader parsed. Out: Survey, frozen; coordinates in metres, x before y.

Names are the surveyor's own. Zones carry their resolved ground *name* (a key of ``Job.grounds``), their polygon and
their keep-off; trees have already been turned into two zones each (trunk strip and root ground) and stay listed.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from shapely import Polygon

from ..earth_grid import Position

Place = tuple[float, float, float]
"""x, y, z in metres; z is 0 where no heights were measured."""


@dataclass(frozen=True)
class Lamp:
    name: str
    type: str
    place: Place
    group: str = ""
    row: int = 0


@dataclass(frozen=True)
class SupplyPoint:
    name: str
    place: Place
    row: int = 0


@dataclass(frozen=True)
class Zone:
    """A polygon (holes allowed) of one ground. ``of`` tells what made it."""

    name: str
    ground: str
    polygon: Polygon
    keep_off_m: float
    of: Literal["survey", "trunk", "root"] = "survey"
    row: int = 0


@dataclass(frozen=True)
class Sleeve:
    """A duct entered and left at its two ends only; ``route`` holds its points in order."""

    name: str
    route: tuple[Place, ...]
    capacity: int
    pull_price: float
    row: int = 0


@dataclass(frozen=True)
class Tree:
    name: str
    place: Place
    stem_mm: float
    row: int = 0


@dataclass(frozen=True)
class MainsLine:
    """A buried mains cable: kept 50 mm away from, crossed only with a warning."""

    name: str
    route: tuple[Place, ...]
    row: int = 0


@dataclass(frozen=True)
class Peg:
    name: str
    place: Place
    row: int = 0


@dataclass(frozen=True)
class FixedPoint:
    """A corner of something that stands fast (no-dig, not water), fit to measure from; ``of`` is its zone."""

    name: str
    of: str
    place: Place


@dataclass(frozen=True)
class Survey:
    lamps: tuple[Lamp, ...]
    supplies: tuple[SupplyPoint, ...]
    zones: tuple[Zone, ...] = ()
    sleeves: tuple[Sleeve, ...] = ()
    trees: tuple[Tree, ...] = ()
    mains: tuple[MainsLine, ...] = ()
    pegs: tuple[Peg, ...] = ()
    fixed: tuple[FixedPoint, ...] = ()
    heights: tuple[Place, ...] = ()
    """Every measured height, one for each place, in the order of the file: the surface is drawn over these."""
    position: Position | None = None
    """Where the grid of x and y lies on Earth, where that is known."""
    notes: tuple[str, ...] = ()
    """Things the reader wants said: columns it left out, defaults it took."""

    @property
    def has_heights(self) -> bool:
        return bool(self.heights)
