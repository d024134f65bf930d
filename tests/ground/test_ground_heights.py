"""The surface between measured heights: lengths along it, by hand, by scipy, and in fine steps."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from scipy.interpolate import LinearNDInterpolator

from optimiser.ground.heights import FAR, Heights, with_far_points
from optimiser.ground.zones import Land
from optimiser.survey.model import Survey
from tests.ground.sites import box, make_job, make_survey

Place = tuple[float, float, float]
HOLLOW: list[Place] = [(0, 0, 0), (10, 0, 0), (5, 8, 0), (5, -8, 0), (5, 0, -2)]
"""2 m deep at (5, 0), within a rim at level 0."""


def surveyed(points: list[Place]) -> Survey:
    return Survey((), (), heights=tuple(points))


def test_a_line_through_a_hollow_by_hand() -> None:
    """Down and up again: 2 x hypot(5, 2); on bed, the far half of the way, costs 14 a metre, on lawn 10."""
    land = Land(make_job(), make_survey([], [], [box("bed", "bed", 5, -9, 20, 9)], heights=tuple(HOLLOW)))
    half = np.hypot(5, 2)
    priced = land.price_lines(np.array([[0.0, 0.0]]), np.array([[10.0, 0.0]]))
    assert priced.length_m == pytest.approx([2 * half])
    assert priced.trench_price == pytest.approx([half * 10 + half * 14])
    lawn, bed = land.split_lines(np.zeros((1, 3)), np.array([[10.0, 0.0, 0.0]]))[0]
    assert np.array([*lawn.route, *bed.route]) == pytest.approx(
        np.array([(0, 0, 0), (5, 0, -2), (5, 0, -2), (10, 0, 0)]), abs=1e-9
    )


def test_a_plane_has_no_creases_within() -> None:
    plane = [(x, y, 0.3 * x - 0.1 * y) for x, y in [(0.0, 0.0), (9.0, 1.0), (8.0, 7.0), (1.0, 6.0), (4.0, 3.0)]]
    p, q = Heights(surveyed(plane)).creases
    at_middle = [(end == (4.0, 3.0)).all(axis=1).any() for end in (p, q)]
    assert len(p) and not any(at_middle)


@pytest.mark.parametrize("points", [[(3.0, 4.0, 2.0)], [(0.0, 0.0, 1.0), (4.0, 0.0, 1.0), (9.0, 0.0, 1.0)]])
def test_few_points_or_a_row_of_them_make_a_surface(points: list[Place]) -> None:
    heights = Heights(surveyed(points))
    assert heights.at(np.array([[-7.0, 50.0], [3.0, 4.0]])) == pytest.approx([points[0][2]] * 2)


coordinate = st.integers(0, 80).map(lambda steps: steps / 2)


@settings(max_examples=60, deadline=None)
@given(
    points=st.lists(st.tuples(coordinate, coordinate, st.integers(-30, 30).map(lambda dm: dm / 10)), min_size=1,
                    max_size=14, unique_by=lambda p: p[:2]),
    ends=st.tuples(coordinate, coordinate, coordinate, coordinate),
)  # fmt: skip
@example(points=[(0.0, 9.5, 0.0), (20.0, 14.0, 0.0), (8.5, 12.5, 0.0), (19.5, 14.0, 0.4)], ends=(14.5, 0.0, 6.5, 17.0))
def test_lines_follow_the_surface(points: list[Place], ends: tuple[float, float, float, float]) -> None:
    """
    Heights are scipy's linear interpolation; lengths are those of ten thousand small steps over it.

    Parts below a millimetre are not told apart (``borders.py``), however steep: points half a metre apart at least, and
    more millimetres where a narrow triangle between them is steeper than 1 in 1.
    """
    heights = Heights(surveyed(points))
    a, b = np.array([ends[:2]]), np.array([ends[2:]])
    steps = a + (b - a) * np.linspace(0, 1, 10_001)[:, None]
    every = with_far_points(np.array(points))
    assert len(every) == len(points) + FAR
    # Where four points lie on a circle the triangles are a matter of taste: both take Qhull's of the same places.
    middle = every[:, :2].mean(axis=0)
    z = LinearNDInterpolator(every[:, :2] - middle, every[:, 2])(steps - middle)
    assert heights.at(steps) == pytest.approx(z, abs=1e-6)
    small_m = float(np.sqrt((np.diff(np.column_stack([steps, z]), axis=0) ** 2).sum(axis=1)).sum())
    land = Land(make_job(), make_survey([], [], heights=tuple(points)))
    steepest = float(np.abs(np.diff(z)).max()) / max(float(np.hypot(*(b - a)[0])) / 10_000, 1e-9)
    assert land.price_lines(a, b).length_m == pytest.approx([small_m], abs=2e-3 * max(1.0, steepest), rel=1e-4)
