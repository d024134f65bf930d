"""Trench alone on open ground against published Euclidean Steiner optima.

Points: OR-Library, J. E. Beasley, EJOR 58 (1992) 284-292; optimal lengths by M. Zachariasen, method of Winter and
Zachariasen. The files are read from the folder that LAMPSPUR_INSTANCES names.
"""

from __future__ import annotations

import numpy as np
import pytest

from tests.benchmarks import instances
from tests.benchmarks.bench_euclidean import excess

pytestmark = [
    pytest.mark.slow,
    pytest.mark.skipif(instances.folder() is None, reason=instances.WHY_NOT),
]


@pytest.mark.parametrize(("size", "problems", "effort"), [(10, 8, 0.1), (20, 3, 0.1), (50, 1, 0.1)])
def test_mean_excess_over_the_published_optimum_is_below_one_per_cent(size: int, problems: int, effort: float) -> None:
    over = [excess(problem, effort)[1] for problem in instances.euclidean(size)[:problems]]
    assert min(over) > -1e-4  # nothing is shorter than the optimum, but for millimetres
    assert np.mean(over) <= 0.01
