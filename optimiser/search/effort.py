"""Counted work, and the reasons to stop. In: a budget. Out: Effort, which the search asks whether to go on; Allowance.

Work is counted in units of roughly a millisecond on a plain computer of 2026, but it is counted, not timed: the same
job, seed and effort do the same work on any machine. Only a time limit or an interrupt depends on the clock.
"""

from __future__ import annotations

from collections.abc import Callable


class OutOfWork(Exception):
    """An allowance of work ended first, or somebody wants the search to end."""


class Effort:
    """A budget of work; ``stop`` is asked now and then whether somebody wants the search to end early."""

    ASK_EVERY = 25.0

    def __init__(self, budget: float, stop: Callable[[], bool] | None = None) -> None:
        self.budget = budget
        self.spent = 0.0
        self.stopped = False
        self._stop = stop
        self._ask_at = self.ASK_EVERY

    def spend(self, work: float) -> None:
        self.spent += work
        if self._stop is not None and self.spent >= self._ask_at:
            self._ask_at = self.spent + self.ASK_EVERY
            self.stopped = self.stopped or self._stop()

    @property
    def is_over(self) -> bool:
        return self.stopped or self.spent >= self.budget

    @property
    def share(self) -> float:
        """Part of the budget spent, 0 to 1."""
        return min(1.0, self.spent / self.budget) if self.budget > 0 else 1.0


class Allowance:
    """
    The part of an effort that one question may cost.

    ``spend`` raises ``OutOfWork`` once ``most`` is exceeded, or when the search is to end early.
    """

    def __init__(self, effort: Effort, most: float) -> None:
        self._effort = effort
        self.left = most

    def spend(self, work: float) -> None:
        self._effort.spend(work)
        self.left -= work
        if self.left < 0 or self._effort.stopped:
            raise OutOfWork
