"""One grid for what was measured on two. In: points known in degrees and in x and y. Out: the turn and shift between.

The grid of degrees is that of ``earth_grid``.
"""

from __future__ import annotations

import numpy as np

from ..earth_grid import Floats

RADIUS_OVER_SIGMA = 1.5096
"""A circle of sqrt(-2 ln(1 - 0.68)) standard errors of x (and of y) holds 68 % of all fixes, a phone's accuracy."""


def fit_to_grid(places: Floats, targets: Floats) -> tuple[Floats, Floats]:
    """
    Turn and shift of one grid onto another, at the same scale, by least squares over points known in both.

    Parameters
    ----------
    places, targets
        (n, 2) with n of at least 2.

    Returns
    -------
    turn, shift
        (2, 2) and (2,): ``places @ turn.T + shift`` are the targets as nearly as can be.

    References
    ----------
    .. [1] W. Kabsch, A solution for the best rotation to relate two sets of vectors, Acta Cryst. A32 (1976) 922;
       doi:10.1107/S0567739476001873.
    """
    middle, aim = places.mean(axis=0), targets.mean(axis=0)
    left, _, right = np.linalg.svd((places - middle).T @ (targets - aim))
    mirrored = np.sign(np.linalg.det(right.T @ left.T))
    turn = right.T @ np.diag([1.0, mirrored]) @ left.T
    return turn, aim - turn @ middle
