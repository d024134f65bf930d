"""Tape ties: which two fixed points a place is best measured from. In: places, fixed points, what stands between.

Two tapes held at two fixed points meet at the place (and at its mirror image on the other side of their line). How well
they fix it depends on the angle at which they cut: between 30 and 150 degrees is good (common practice, no source), and
on their lengths. An error e of each tape puts the place off by at most about e x sqrt(2) / sin(cut).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

LEAST_CUT_DEG, MOST_CUT_DEG = 30.0, 150.0
"""A good angle of cut (common practice, no source)."""
SHORT_TAPE_M, LONG_TAPE_M = 30.0, 50.0
"""Lengths of tapes to be had (common practice, no source): the short one is used where it reaches."""
_AT_M = 0.0005
_TOUCH_M = 0.05
"""A tape that runs along a wall, or ends at its corner, is not stopped by it."""


@dataclass(frozen=True)
class FixedPoint:
    """``peg``: driven to measure from, and therefore preferred."""

    name: str
    x: float
    y: float
    peg: bool


@dataclass(frozen=True)
class Tie:
    """
    How one place is measured in.

    Attributes
    ----------
    first, second
        Positions in the fixed points; None where the place is a fixed point itself (``second``), or there are not two.
    first_m, second_m
        Tape lengths, level.
    cut_deg
        Angle at which the tapes meet.
    side
        Of the line from first to second, looking from first: ``left`` or ``right``.
    check, check_m
        A third fixed point in sight, to check with.
    poor
        Why no pair is good; empty where this one is.
    """

    first: int | None
    first_m: float | None
    second: int | None
    second_m: float | None
    cut_deg: float | None
    side: str
    check: int | None
    check_m: float | None
    poor: str


def choose_ties(
    places: Sequence[tuple[float, float]], fixed: Sequence[FixedPoint], walls: Sequence[Sequence[tuple[float, float]]]
) -> list[Tie]:
    """
    The best pair for each place.

    In this order, the first that has a good pair decides: pegs within a short tape; any fixed points within a short
    tape; any within a long one. Among good pairs the one that errs least is taken. Where no pair is good, the one
    that errs least of all is given, with the reason.

    Parameters
    ----------
    places
        x, y in m.
    fixed
        Points to measure from; of two at one place the first counts.
    walls
        Outer rings of what a tape cannot pass.
    """
    if not places:
        return []
    at = np.array(places, float).reshape(-1, 2)
    points = np.array([(point.x, point.y) for point in fixed], float).reshape(-1, 2)
    tapes = np.hypot(*(at[:, None, :] - points[None, :, :]).transpose(2, 0, 1))
    seen = _in_sight(at, points, walls)
    return [_tie(at[i], points, tapes[i], seen[i], fixed) for i in range(len(at))]


def _in_sight(at: np.ndarray, points: np.ndarray, walls: Sequence[Sequence[tuple[float, float]]]) -> np.ndarray:
    """(places, points): whether a straight tape passes."""
    import shapely

    shape = (len(at), len(points))
    if not walls or not len(points):
        return np.ones(shape, bool)
    solid = shapely.union_all([shapely.make_valid(shapely.Polygon(ring)) for ring in walls]).buffer(-_TOUCH_M)
    shapely.prepare(solid)
    ends = np.empty((*shape, 2, 2))
    ends[:, :, 0], ends[:, :, 1] = at[:, None, :], points[None, :, :]
    stopped = np.asarray(shapely.intersects(solid, shapely.linestrings(ends.reshape(-1, 2, 2))))
    return np.logical_not(stopped).reshape(shape)


def _tie(at: np.ndarray, points: np.ndarray, tape: np.ndarray, seen: np.ndarray, fixed: Sequence[FixedPoint]) -> Tie:
    here = np.flatnonzero(tape < _AT_M)
    if len(here):
        return Tie(int(here[0]), 0.0, None, None, None, "", None, None, "")
    if len(points) < 2:
        return Tie(None, None, None, None, None, "", None, None, "fewer than two fixed points")
    way = (points - at) / tape[:, None]
    first, second = np.triu_indices(len(points), 1)
    apart = np.hypot(*(points[first] - points[second]).T) > _AT_M  # two names for one place are no pair
    first, second = first[apart], second[apart]
    if not len(first):
        return Tie(None, None, None, None, None, "", None, None, "fewer than two fixed points")
    cosine = np.clip((way[first] * way[second]).sum(axis=1), -1, 1)
    cut = np.degrees(np.arccos(cosine))
    # a tape errs more the longer it is: 1 at hand, twice that at 30 m (common practice, no source)
    error = 1 + tape / SHORT_TAPE_M
    off = np.hypot(error[first], error[second]) / np.maximum(np.sin(np.radians(cut)), 1e-6)
    longest = np.maximum(tape[first], tape[second])
    sight = seen[first] & seen[second]
    sharp = (cut >= LEAST_CUT_DEG) & (cut <= MOST_CUT_DEG)
    peg = np.array([point.peg for point in fixed])
    pegs = peg[first] & peg[second]
    for allowed in (pegs & (longest <= SHORT_TAPE_M), longest <= SHORT_TAPE_M, longest <= LONG_TAPE_M):
        good = np.flatnonzero(allowed & sight & sharp)
        if len(good):
            best = int(good[np.argmin(off[good])])
            return _made(at, points, tape, seen, int(first[best]), int(second[best]), float(cut[best]), "")
    # the least poor: in sight if there is such a pair, then the one that errs least
    best = int(np.lexsort((off, ~sight))[0])
    reasons = []
    if not sight[best]:
        reasons.append("no two in sight")
    if not sharp[best]:
        reasons.append(f"cut under {LEAST_CUT_DEG:g}°" if cut[best] < 90 else f"cut over {MOST_CUT_DEG:g}°")
    if longest[best] > LONG_TAPE_M:
        reasons.append(f"tape over {LONG_TAPE_M:g} m")
    return _made(at, points, tape, seen, int(first[best]), int(second[best]), float(cut[best]), ", ".join(reasons))


def _made(
    at: np.ndarray, points: np.ndarray, tape: np.ndarray, seen: np.ndarray, i: int, j: int, cut: float, poor: str
) -> Tie:
    along, to = points[j] - points[i], at - points[i]
    turn = along[0] * to[1] - along[1] * to[0]
    side = "" if abs(turn) < 1e-9 else "left" if turn > 0 else "right"
    other = np.hypot(*(points - points[i]).T) > _AT_M
    other &= (np.hypot(*(points - points[j]).T) > _AT_M) & seen & (tape <= LONG_TAPE_M)
    check = int(np.flatnonzero(other)[np.argmin(tape[other])]) if other.any() else None
    check_m = None if check is None else float(tape[check])
    return Tie(i, float(tape[i]), j, float(tape[j]), cut, side, check, check_m, poor)
