"""What a plan says of its proof: bounds in whole cents, never above the cost, and when the cost is proven least."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from optimiser.plan.build import NOTHING_PROVEN, _parts, _proven


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


def test_parts_add_up_where_the_bound_is_held_to_a_cost_rounded_item_by_item() -> None:
    """Many cables of less than half a cent each cost nothing in the plan, but something in the search."""
    proof = replace(NOTHING_PROVEN, bound=547.24, bound_parts={"trench": 540.0, "cable": 7.24})
    bound, outcome = _proven(proof, 547.14)
    parts = _parts(proof, bound)
    assert bound == 547.14 and outcome == "proved_best"
    assert parts is not None and math.fsum(parts.values()) == pytest.approx(547.14)
    assert _parts(proof, _proven(proof, 560.0)[0]) == {"trench": 540.0, "cable": 7.24}


@given(st.lists(st.floats(-500, 5000), min_size=1, max_size=8), st.floats(0, 3))
def test_parts_in_cents_add_up_to_the_bound_and_none_is_a_cent_off(values: list[float], gap: float) -> None:
    proof = replace(NOTHING_PROVEN, bound=sum(values), bound_parts={f"part {i}": v for i, v in enumerate(values)})
    bound, _ = _proven(proof, sum(values) + 0.006 + gap)
    parts = _parts(proof, bound)
    assert bound is not None and parts is not None
    assert math.fsum(parts.values()) == pytest.approx(bound, abs=1e-7)
    assert all(abs(parts[f"part {i}"] - v) <= 0.01 + 1e-9 for i, v in enumerate(values))
