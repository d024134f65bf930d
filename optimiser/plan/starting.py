"""What happens when the lamps are switched on, as printed. In: driver models, drivers wired up. Out: sums, or None."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from typing import NamedTuple

from ..job import Driver
from .wiring import WiredDriver


class Start(NamedTuple):
    """Sums over a driver's lamps; None where a lamp or the driver does not state it."""

    inrush_a: float | None
    input_uf: float | None

    @property
    def is_stated(self) -> bool:
        return self.inrush_a is not None or self.input_uf is not None


def _sum(values: Iterable[float | None]) -> float | None:
    stated = list(values)
    known = [value for value in stated if value is not None]
    return math.fsum(known) if len(known) == len(stated) else None


def start_of(model: Driver, wired: WiredDriver) -> Start:
    """Inrush and input capacitance of a driver's lamps, without spare load, as printed."""
    types = [lamp_type for one in wired.circuits for lamp_type in one.tree.lamp_types]
    inrush_a = None if model.start_a is None else _sum(t.inrush_a for t in types)
    input_uf = None if model.start_uf is None else _sum(t.input_uf for t in types)
    return Start(
        None if inrush_a is None else round(inrush_a, 3),
        None if input_uf is None else round(input_uf, 3),
    )


def mains_inrush_a(models: Sequence[Driver]) -> float | None:
    """Sum of the inrush of drivers that are switched on at once; None where one does not state it."""
    total = _sum(model.inrush_a for model in models)
    return None if total is None else round(total, 3)
