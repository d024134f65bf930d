"""Why a search ends early: somebody asked, or the time is up. In: a time limit. Out: StopSignal."""

from __future__ import annotations

import time


class StopSignal:
    """Asked by the search now and then; True from the first reason on. The only clock that ends a search."""

    def __init__(self, time_limit_s: float | None = None) -> None:
        self._deadline = None if time_limit_s is None else time.monotonic() + time_limit_s
        self.by_user = False
        self.by_time = False

    def ask(self) -> None:
        """End the search at the next opportunity, keeping the best layout."""
        self.by_user = True

    def __call__(self) -> bool:
        if self._deadline is not None and time.monotonic() >= self._deadline:
            self.by_time = True
        return self.by_user or self.by_time
