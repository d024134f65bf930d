"""What a plan says of its proof: bounds in whole cents, never above the cost, and when the cost is proven least."""

from __future__ import annotations

from dataclasses import replace

import pytest

from optimiser.plan.build import NOTHING_PROVEN, _proven


@pytest.mark.parametrize(
    ("bound", "says"),
    [
        (None, (None, "effort_spent")),
        (90.129, (90.12, "effort_spent")),
        (99.994, (99.99, "effort_spent")),
        (99.9951, (100.0, "proved_best")),
        (100.3, (100.0, "proved_best")),  # rounding of items to cents, never a plan below its bound
    ],
)
def test_bounds_are_cents_rounded_down(bound: float | None, says: tuple[float | None, str]) -> None:
    assert _proven(replace(NOTHING_PROVEN, bound=bound), 100.0) == says


def test_a_stopped_search_stays_stopped() -> None:
    assert _proven(replace(NOTHING_PROVEN, bound=100.0, outcome="stopped_by_time"), 100.0) == (100.0, "stopped_by_time")
