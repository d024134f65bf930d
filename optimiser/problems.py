"""What can be wrong, as records that say place, finding and mend. In: facts. Out: Problem, and the errors below.

::

    LampspurError
    ├── BadInput            the job or the survey cannot be used: a list of Problem   (exit code 2)
    ├── NoFeasibleLayout    an answer, not a fault: which lamp or limit, what mends it (exit code 3)
    ├── StoppedBeforeLayout Ctrl-C or the time limit came before any layout was found  (exit code 130)
    ├── WorkersLost         worker processes ended, by no doing of ours                (exit code 2)
    └── CircuitCollapses    a load flow past its collapse point: never a number
"""

from __future__ import annotations

import difflib
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field


@dataclass(frozen=True, order=True)
class Problem:
    """One fault of the input. ``line`` counts from 1 as an editor does; 0 means the file as a whole."""

    file: str
    line: int
    field: str
    """Column or dotted key, such as ``x`` or ``lamps.spike.watts``; may be empty."""
    found: str
    """A clause that states the value found and what is wrong with it, e.g. ``found '12,4', which is not a number``."""
    mend: str
    """An imperative clause, e.g. ``write 12.4``."""

    def __str__(self) -> str:
        place = ":".join([self.file, *([str(self.line)] if self.line else []), *([self.field] if self.field else [])])
        return f"{place}: {self.found}\n    mend: {self.mend}"


def nearest(name: str, known: Iterable[str]) -> str | None:
    """The known name most like this one, letters' case aside; None where none is like it."""
    folded = {other.casefold(): other for other in reversed(list(known))}
    found = difflib.get_close_matches(name.casefold(), folded, n=1, cutoff=0.6)
    return folded[found[0]] if found else None


class LampspurError(Exception):
    """Base of every error this package raises on purpose."""


class BadInput(LampspurError):
    """The job or the survey cannot be used; ``problems`` holds every fault found, sorted by place."""

    def __init__(self, problems: Sequence[Problem]) -> None:
        self.problems = sorted(problems)
        super().__init__("\n".join(map(str, self.problems)))

    def __reduce__(self) -> tuple[type[BadInput], tuple[list[Problem]]]:
        """Keep the problems apart when sent from one process to another."""
        return type(self), (self.problems,)


@dataclass
class Obstacle:
    """Why no layout is feasible: one lamp or one limit, by how much, and what would mend it."""

    what: str
    detail: str = ""
    mends: list[str] = field(default_factory=list)


class NoFeasibleLayout(LampspurError):
    """
    ``proven`` tells whether the obstacles prove that there is none, or the search just found none.

    ``notes`` are the survey's: what looks wrong there may be the reason, and no plan is there to say it.
    """

    def __init__(self, obstacles: Sequence[Obstacle], *, proven: bool, notes: Sequence[str] = ()) -> None:
        self.obstacles = list(obstacles)
        self.proven = proven
        self.notes = list(notes)
        super().__init__("; ".join(obstacle.what for obstacle in obstacles))


class StoppedBeforeLayout(LampspurError):
    """The search was stopped before any feasible layout was found."""


class WorkersLost(LampspurError):
    """Worker processes ended before anything was planned, by no doing of ours."""


class CircuitCollapses(LampspurError):
    """
    No operating point exists: the loads ask for more than the cables can carry at any voltage.

    ``margin`` is the largest factor by which all loads could be multiplied and still be carried; below 1.
    """

    def __init__(self, message: str, margin: float) -> None:
        self.margin = margin
        super().__init__(message)

    def __reduce__(self) -> tuple[type[CircuitCollapses], tuple[str, float]]:
        """Keep the margin when sent from one process to another."""
        return type(self), (str(self), self.margin)
