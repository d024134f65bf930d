"""The adjustment against handbook and hand-worked numbers, and against scipy's own least squares."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import least_squares

from optimiser.survey.adjust import adjust
from optimiser.survey.network import Adjustment, Observation, Sort


def ties(pegs: list[tuple[float, float]], metres: list[float], start: tuple[float, float], sigma: float = 1.0):
    """Adjustment of one point, the last, taped from pegs with one standard error."""
    places = np.array([*pegs, start])
    free = np.arange(len(places)) == len(pegs)
    tapes = [Observation(Sort.DISTANCE, len(pegs), d, sigma, a) for a, d in enumerate(metres)]
    return adjust(places, free, tapes)


def place(result: Adjustment) -> tuple[float, float]:
    return tuple(result.places[-1])


def test_square_of_pegs_by_hand() -> None:
    """
    Four pegs of a 10 m square, all tapes 7.10 m. Worked by hand: by symmetry the point is (5, 5).

    Each v = sqrt(50) - 7.10 = -0.028932; s0² = 4 v² / (4 - 2), s0 = 0.040916. Each tape leaves at 45°, so the normal
    matrix is 4 x 1/2 on its diagonal, 0 off it: sx = sy = s0 / sqrt(2) = 0.028932.
    """
    result = ties([(0, 0), (10, 0), (10, 10), (0, 10)], [7.10] * 4, (4, 6))
    assert place(result) == pytest.approx((5, 5), abs=1e-6)
    assert result.residuals == pytest.approx([math.sqrt(50) - 7.10] * 4, abs=1e-6)
    assert result.s0 == pytest.approx(0.040916, abs=1e-6)
    assert result.cofactors[-1] == pytest.approx(np.array([[0.5, 0], [0, 0.5]]), abs=1e-6)
    assert result.s0 * math.sqrt(result.cofactors[-1][0, 0]) == pytest.approx(0.028932, abs=1e-6)


def test_three_pegs() -> None:
    """Computed once with scipy.optimize.least_squares: x, y to 1e-6 and s0."""
    result = ties([(0, 0), (10, 0), (0, 8)], [5.02, 8.05, 4.98], (3, 4))
    assert place(result) == pytest.approx((3.013230, 4.020692), abs=1e-6)
    assert result.s0 == pytest.approx(0.016542, abs=1e-6)


def test_trilateration_of_a_textbook() -> None:
    """Ghilani, Adjustment Computations, trilateration example: inputs from memory, result computed with scipy."""
    pegs = [(865.40, 4527.15), (2432.55, 2047.25), (2865.22, 27.15)]
    result = ties(pegs, [6049.00, 4736.83, 5446.49], (6800.0, 3700.0))
    assert place(result) == pytest.approx((6861.317, 3727.819), abs=5e-4)
    assert result.residuals == pytest.approx([-0.0374, 0.0768, -0.0474], abs=5e-5)
    assert result.s0 == pytest.approx(0.0977, abs=5e-5)


def test_six_anchors_measured_in_a_room() -> None:
    """
    Norrdine, IPIN 2012, example B: six anchors, distances as measured, truth (26.759, -1.342, 1.13).

    Data from the author's script IPINTrilaterationExampleB.m; distances are brought to the level by the heights.
    """
    anchors = [
        (27.297, -4.953, 1.47), (20.693, -4.849, 1.93), (22.590, 0.524, 1.2),
        (17.113, -3.003, 2.17), (22.554, 4.727, 1.77), (22.447, -7.880, 1.6),
    ]  # fmt: skip
    measured = [3.652, 7.036, 4.586, 9.840, 7.402, 7.883]
    level = [math.sqrt(d**2 - (z - 1.13) ** 2) for d, (_, _, z) in zip(measured, anchors, strict=True)]
    result = ties([(x, y) for x, y, _ in anchors], level, (25.0, 0.0), sigma=0.03)
    assert math.dist(place(result), (26.759, -1.342)) < 0.006
    assert place(result) == pytest.approx((26.76407, -1.33934), abs=1e-4)
    assert result.s0 * 0.03 == pytest.approx(0.0233, abs=1e-4)


def test_chainage_and_offset_by_pythagoras() -> None:
    """A 3-4-5 line from (1, 1) to (7, 9): 5 along is (4, 5), 10 to the left of it is (-4, 11)."""
    tapes = [Observation(Sort.CHAINAGE, 2, 5.0, 0.05, 0, 1), Observation(Sort.OFFSET, 2, 10.0, 0.05, 0, 1)]
    result = adjust(np.array([(1.0, 1), (7, 9), (0, 0)]), np.array([False, False, True]), tapes)
    assert place(result) == pytest.approx((-4, 11), abs=1e-6)
    assert result.cofactors[-1] == pytest.approx(np.diag([0.05**2] * 2), abs=1e-9)
    assert math.isnan(result.s0) and result.num_redundant == 0


@settings(max_examples=60, deadline=None, derandomize=True)
@given(st.integers(0, 10**6))
def test_networks_agree_with_scipy(seed: int) -> None:
    """Random networks of every sort of measurement: places and covariances as scipy's least_squares finds them."""
    rng = np.random.default_rng(seed)
    num_free = int(rng.integers(1, 6))
    truth = rng.uniform(0, 30, (3 + num_free, 2))
    truth[:3] = [(0, 0), (30, 0), (5, 28)]
    free = np.arange(len(truth)) >= 3
    made: list[tuple[Sort, int, int, int]] = []
    for i in np.flatnonzero(free):
        made += [(Sort.DISTANCE, int(i), int(a), -1) for a in range(i) if a < 3 or rng.random() < 0.6]
        made += [(Sort.CHAINAGE, int(i), 0, int(i) - 1), (Sort.OFFSET, int(i), 0, int(i) - 1)] * (rng.random() < 0.5)
        made += [(Sort.X, int(i), -1, -1)] * (rng.random() < 0.3) + [(Sort.Y, int(i), -1, -1)] * (rng.random() < 0.3)

    def value(sort: Sort, i: int, a: int, b: int, places: np.ndarray) -> float:
        if sort is Sort.DISTANCE:
            return math.dist(places[i], places[a])
        if sort in (Sort.X, Sort.Y):
            return float(places[i][0 if sort is Sort.X else 1])
        line, away = places[b] - places[a], places[i] - places[a]
        turned = away @ line if sort is Sort.CHAINAGE else line[0] * away[1] - line[1] * away[0]
        return float(turned / np.linalg.norm(line))

    sigmas = rng.uniform(0.01, 0.05, len(made))
    measured = [value(*m, truth) + rng.normal(0, s) for m, s in zip(made, sigmas, strict=True)]
    tapes = [
        Observation(m[0], m[1], v, s, m[2], m[3]) for m, v, s in zip(made, measured, sigmas, strict=True)
    ]  # fmt: skip
    result = adjust(truth + np.where(free[:, None], 0.2, 0.0), free, tapes)
    if result.left_out or result.unresolved:
        return  # an unlucky draw; then the two do not use the same measurements

    def misfits(flat: np.ndarray) -> np.ndarray:
        places = truth.copy()
        places[free] = flat.reshape(-1, 2)
        return np.array([(value(*m, places) - v) / s for m, v, s in zip(made, measured, sigmas, strict=True)])

    other = least_squares(misfits, truth[free].ravel(), xtol=1e-12, ftol=1e-12, gtol=1e-12)
    assert result.places[free].ravel() == pytest.approx(other.x, abs=1e-5)
    covariance = np.linalg.inv(other.jac.T @ other.jac)
    for k, point in enumerate(np.flatnonzero(free)):
        block = covariance[2 * k : 2 * k + 2, 2 * k : 2 * k + 2]
        assert result.cofactors[point] == pytest.approx(block, rel=1e-3, abs=1e-9)
    assert result.redundancy.sum() == pytest.approx(len(made) - 2 * num_free, abs=1e-6)


def test_a_wrong_tape_among_five_is_found_and_left_out() -> None:
    """Exact distances to (6, 8) from five pegs, one of them read 0.50 m too long."""
    pegs = [(0.0, 0.0), (12, 0), (0, 16), (12, 16), (6, -2)]
    metres = [math.dist(peg, (6, 8)) for peg in pegs]
    metres[1] += 0.5
    result = ties(pegs, metres, (6, 8), sigma=0.02)
    assert result.left_out == [1] and not result.unresolved
    assert place(result) == pytest.approx((6, 8), abs=1e-5)
    assert result.error_of(1) == pytest.approx(0.5, abs=1e-5)


def test_a_wrong_tape_among_three_cannot_be_told() -> None:
    """With one tape too many any of the three explains the misfit: all are named, none is left out."""
    pegs = [(0.0, 0.0), (12, 0), (0, 16)]
    metres = [math.dist(peg, (5, 6)) for peg in pegs]
    metres[1] += 0.5
    result = ties(pegs, metres, (5, 6), sigma=0.02)
    assert result.left_out == [] and [sorted(group) for group in result.unresolved] == [[0, 1, 2]]


def test_good_tapes_raise_no_suspicion() -> None:
    """Baarda's 3.29 is passed by 1 good measurement in 1000: of 2,000 points by four tapes, few are suspected."""
    rng = np.random.default_rng(7)
    pegs = np.array([(0.0, 0.0), (20, 0), (0, 20), (20, 20)])
    truth = rng.uniform(2, 18, (2000, 2))
    places = np.vstack([pegs, truth])
    tapes = [
        Observation(Sort.DISTANCE, 4 + k, math.dist(pegs[a], p) + rng.normal(0, 0.02), 0.02, a)
        for k, p in enumerate(truth)
        for a in range(4)
    ]
    result = adjust(places, np.arange(len(places)) >= 4, tapes)
    assert 0.9 < result.s0 < 1.1
    assert len(result.left_out) + len(result.unresolved) < 0.005 * len(tapes)
    off = np.hypot(*(result.places[4:] - truth).T)
    stated = np.sqrt(result.cofactors[4:, 0, 0] + result.cofactors[4:, 1, 1])
    assert np.sqrt((off**2).mean()) == pytest.approx(np.sqrt((stated**2).mean()), rel=0.06)


def test_one_wrong_tape_makes_uncertain_what_hangs_on_it_and_no_more() -> None:
    """
    Peg C free, taped from four fixed ones; lamps by three tapes each, C the third; one tape of one lamp 0.40 m long.

    By hand: a lamp has one tape more than it needs, so that any of its three may be the wrong one, and without any one
    of them the other two fit whatever they are: then C is where its own exact tapes have it, and so is the other lamp.
    """
    fixed = [(0.0, 0.0), (20, 0), (20, 20), (0, 20)]
    c, lamps = (10.0, 10.0), [(5.0, 4.0), (14.0, 3.0)]
    tapes = [Observation(Sort.DISTANCE, 4, math.dist(peg, c), 0.02, k) for k, peg in enumerate(fixed)]
    for point, lamp in enumerate(lamps, 5):
        tapes += [
            Observation(Sort.DISTANCE, point, math.dist(peg, lamp), 0.02, k)
            for k, peg in ((0, fixed[0]), (1, fixed[1]))
        ]
        tapes.append(Observation(Sort.DISTANCE, point, math.dist(c, lamp), 0.02, 4))
    assert not adjust_all(fixed, c, lamps, tapes).doubted
    wrong = [*tapes[:4], dataclasses.replace(tapes[4], value=tapes[4].value + 0.4), *tapes[5:]]
    result = adjust_all(fixed, c, lamps, wrong)
    (suspects,) = result.unresolved
    assert 4 in suspects and set(suspects) <= {4, 5, 6}, "the tapes of that lamp, and no other"
    assert result.doubted == {5}
    assert result.places[[4, 6]] == pytest.approx(np.array([c, lamps[1]]), abs=1e-5)
    # All else is exact, and is shown to fit, though with all tapes C is drawn off its place.
    others = [m for m in range(len(tapes)) if m not in suspects]
    assert np.abs(result.residuals[:4]).max() > 0.05
    assert result.misclosures[others] == pytest.approx(np.zeros(len(others)), abs=1e-5)
    assert np.nanmax(np.abs(result.misclosure_ratios[others])) < 1e-3
    assert result.error_of(4) == pytest.approx(0.4, abs=1e-5), "and the wrong one is off by what it is off"
    # Two wrong tapes at two lamps: whichever one is left out, the other's misfit is there still.
    twice = [*wrong[:7], dataclasses.replace(wrong[7], value=wrong[7].value + 0.4), *wrong[8:]]
    result = adjust_all(fixed, c, lamps, twice)
    assert {5, 6} <= result.doubted
    others = [m for m in range(len(tapes)) if all(m not in group for group in result.unresolved)]
    assert result.misclosures[others] == pytest.approx(result.residuals[others]), "no single one explains it"


def test_more_wrong_tapes_than_are_sought_leave_no_trace_of_those_left_out() -> None:
    """Of 40 tapes to one point 14 are wrong: twelve are sought and left out, and the place is that without these."""
    pegs = [(20 * math.cos(k), 20 * math.sin(k)) for k in range(40)]
    metres = [math.dist(peg, (3, 4)) + (0.5 + 0.1 * k if k < 14 else 0) for k, peg in enumerate(pegs)]
    result = ties(pegs, metres, (3, 4), sigma=0.02)
    assert len(result.left_out) == 12
    kept = [m for m in range(40) if m not in result.left_out]
    again = least_squares(lambda p: [math.dist(p, pegs[m]) - metres[m] for m in kept], (3, 4), xtol=1e-14)
    assert place(result) == pytest.approx(tuple(again.x), abs=1e-5)


def adjust_all(
    fixed: list[tuple[float, float]],
    c: tuple[float, float],
    lamps: list[tuple[float, float]],
    tapes: list[Observation],
) -> Adjustment:
    places = np.array([*fixed, c, *lamps])
    return adjust(places, np.arange(len(places)) >= len(fixed), tapes)


def test_errors_stated_beside_a_wrong_tape_are_those_that_are_made() -> None:
    """
    Eight lamps by three tapes from pegs, the third peg taped itself, one tape wrong by 0.3 to 1 m, true places known.

    Points that are said not to hang on the wrong tape miss their true places by what their standard errors say: 1 on
    the mean of squares. All nine were called uncertain once.
    """
    rng = np.random.default_rng(3)
    ratios, doubted, cases = [], 0, 0
    for _ in range(60):
        truth = np.vstack([[(0, 0), (18, 0), (9, 14)], rng.uniform((1, 1), (17, 12), (8, 2))])
        pairs = [(2, 0), (2, 1), *((lamp, peg) for lamp in range(3, 11) for peg in range(3))]
        tapes = [
            Observation(Sort.DISTANCE, i, math.dist(truth[i], truth[a]) + rng.normal(0, 0.02), 0.02, a)
            for i, a in pairs
        ]
        wrong = 2 + int(rng.integers(24))
        error = float(rng.choice([-1, 1]) * rng.uniform(0.3, 1))
        tapes[wrong] = dataclasses.replace(tapes[wrong], value=tapes[wrong].value + error)
        result = adjust(truth.copy(), np.arange(11) >= 2, tapes)
        if not result.unresolved:
            continue
        cases, doubted = cases + 1, doubted + len(result.doubted)
        assert tapes[wrong].i in result.doubted
        off = np.hypot(*(result.places - truth).T)
        stated = np.sqrt(result.cofactors[:, 0, 0] + result.cofactors[:, 1, 1])
        ratios += [off[k] / stated[k] for k in range(2, 11) if k not in result.doubted]
    assert cases > 50 and doubted < 2.5 * cases
    assert np.sqrt(np.mean(np.square(ratios))) == pytest.approx(1, abs=0.15)
