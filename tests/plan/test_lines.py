"""Which places of a line are bends: no outside source, only what is promised of those left out."""

from __future__ import annotations

import numpy as np
import pytest

from optimiser.plan.lines import kept_bends


@pytest.mark.parametrize("rise", [5e-5, 1e-3, 0.05])
def test_a_gentle_curve_keeps_its_bends(rise: float) -> None:
    """Each place is hardly off the straight between its neighbours, and all together they are millimetres off."""
    x = np.linspace(0, 30, 301)
    z = rise * x**2
    kept = kept_bends(x, z)
    assert np.abs(np.interp(x, x[kept], z[kept]) - z).max() <= 1e-4 + 1e-12
    assert len(kept) < len(x) or rise == 0.05


def test_straight_up_and_down_needs_one_bend() -> None:
    assert kept_bends(np.array([0, 0.2, 0.5, 0.7, 1.0]), np.array([0, 2, 5, 3, 0.0])) == [0, 2, 4]
    assert kept_bends(np.array([0.0, 1.0]), np.array([3.0, 4.0])) == [0, 1]
