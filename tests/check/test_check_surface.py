"""The check's own surface: against scipy's linear interpolation (Qhull's triangles), and how much it may take."""

from __future__ import annotations

import tracemalloc

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.interpolate import LinearNDInterpolator

from optimiser.check.surface import Points, Surface
from optimiser.ground.heights import with_far_points

GRID = [(float(x), float(y)) for x in range(0, 12, 2) for y in range(0, 12, 2)]
"""Four on a circle everywhere: each square may be split along either of its diagonals."""


def by_scipy(points: Points, places: Points) -> Points:
    every = with_far_points(points)
    middle = every[:, :2].mean(axis=0)
    return np.asarray(LinearNDInterpolator(every[:, :2] - middle, every[:, 2])(places - middle))


@settings(max_examples=30, deadline=None)
@given(
    levels=st.lists(st.integers(-40, 40).map(lambda cm: cm / 100), min_size=len(GRID), max_size=len(GRID)),
    origin=st.sampled_from([(0.0, 0.0, 0.0), (2_600_000.0, 1_200_000.0, 1000.0), (-50.0, 7.0, -30.0)]),
)
def test_a_grid_of_levels_is_split_either_way(levels: list[float], origin: tuple[float, float, float]) -> None:
    points = np.column_stack([GRID, levels]) + origin
    places = np.random.default_rng(1).uniform(-15, 25, (200, 2)) + origin[:2]
    low, high, tol_m = Surface(points.tolist()).at(places)
    z = by_scipy(points, places)
    assert (low - tol_m <= z).all()
    assert (z <= high + tol_m).all()
    # In a square no more is open than which diagonal: the mean of two corners against that of the others.
    inside = (np.abs(places - origin[:2] - 5) < 4.99).all(axis=1)
    x, y = ((places[inside] - origin[:2]) // 2).astype(int).T
    corners = np.array(levels).reshape(6, 6)
    twist = corners[x, y] + corners[x + 1, y + 1] - corners[x + 1, y] - corners[x, y + 1]
    assert (high[inside] - low[inside] <= np.abs(twist) / 2 + 1e-6).all()


def test_a_plane_is_a_plane_however_it_is_split() -> None:
    points = [(x, y, 0.4 * x - 0.1 * y) for x, y in GRID]
    places = np.random.default_rng(2).uniform(0.1, 9.9, (300, 2))
    low, high, _ = Surface(points).at(places)
    assert low == pytest.approx(places @ [0.4, -0.1], abs=1e-6)
    assert high == pytest.approx(low, abs=1e-6)


def test_thousands_of_levels_take_little_memory() -> None:
    """5,000 pegs and 4,000 places: a table of triangles by pegs alone would take 400 MB."""
    rng = np.random.default_rng(3)
    points = np.column_stack([rng.uniform(0, 90, (5000, 2)).round(3), rng.uniform(0, 2, 5000).round(3)])
    places = rng.uniform(5, 85, (4000, 2))
    tracemalloc.start()
    low, high, _ = Surface(points.tolist()).at(places)
    peak_mb = tracemalloc.get_traced_memory()[1] / 1e6
    tracemalloc.stop()
    assert peak_mb < 100
    z = by_scipy(points, places)
    sure = high - low < 1e-9
    assert sure.mean() > 0.9
    assert low[sure] == pytest.approx(z[sure], abs=1e-6)
    assert ((low - 1e-6 <= z) & (z <= high + 1e-6)).all()
