"""Least squares over all measurements of a survey at once. In: places to start from, Observations. Out: Adjustment.

Gross errors are sought by Baarda's data snooping: a measurement whose residual is more than ``BLUNDER`` of its own
standard errors is suspected, the worst of each group first. It is left out where the rest of the group says that it is
this one; where several explain the misfit equally well, as with three tapes to one point, all of them are named and
none is left out; what the others place without any of them, each left out in turn, is put there and not called
uncertain. What is shown of such a group is how it fits without the wrong one, and how far that one is from the rest.
Knows no file, no names.

References
----------
.. [1] W. Baarda, A testing procedure for use in geodetic networks, Netherlands Geodetic Commission, 1968: data snooping
   and its critical value 3.29 (from memory).
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from .network import Adjustment, Bools, Floats, Ints, Network, Observation

BLUNDER = 3.29
_ALIKE = 0.95  # suspects within this share of the worst cannot be told apart
_MOST_SUSPECTS = 12  # of one set: more are not left out one by one
_CHANCE = 0.001  # a sum of squares that good measurements pass once in a thousand groups
_ROUNDS = 12


def adjust(start: Floats, free: Bools, observations: Sequence[Observation]) -> Adjustment:
    """
    Adjust the free points to the observations.

    Parameters
    ----------
    start
        (n, 2) places, near enough for the mirror solution that is meant.
    free
        (n,) which points move.
    """
    net = Network(start, free, observations)
    used = np.ones(len(observations), dtype=bool)
    left_out: list[int] = []
    unresolved: list[list[int]] = []
    closed: set[int] = set()  # groups with an error that cannot be pinned down
    for _ in range(_ROUNDS):
        net.solve(used)
        result = net.judge(used)
        again = False
        for group, worst in _worst_by_group(result, used).items():
            if group in closed:
                continue
            members = np.flatnonzero((result.group_of == group) & used & (result.redundancy > 0.001))
            alike = [int(m) for m in members if abs(result.ratios[m]) > _ALIKE * abs(result.ratios[worst])]
            if len(alike) == 1 or group == -1:
                if group == -1:  # between fixed points: each measurement stands alone
                    continue
                left_out.append(worst)
                used[worst] = False
                again = True
            else:
                closed.add(group)
                unresolved.append(alike)
        if not again:
            break
    else:  # what was left out last has a part in the places still
        net.solve(used)
        result = net.judge(used)
    result.left_out, result.unresolved = left_out, unresolved
    _settle(net, result, used)
    return result


def _worst_by_group(result: Adjustment, used: Bools) -> dict[int, int]:
    ratios = np.where(used & ~np.isnan(result.ratios), np.abs(result.ratios), 0.0)
    worst: dict[int, int] = {}
    for m in np.flatnonzero(ratios > BLUNDER):
        group = int(result.group_of[m])
        if group not in worst or ratios[m] > ratios[worst[group]]:
            worst[group] = int(m)
    return worst


def _settle(net: Network, result: Adjustment, used: Bools) -> None:
    """
    Say of a result which points its suspects leave in doubt, put the others in place, and tell how all fits without.

    Where one of the suspects explains the misfit of its group, the misclosures of the group's others are those without
    the likeliest of them, at the places that are published wherever these do not hang on it.
    """
    without, explained = used.copy(), np.zeros(len(used), dtype=bool)
    doubted: set[int] = set()
    for suspects in result.unresolved:
        trials = _leave_out_each(net, result, used, suspects)
        if trials is None:
            doubted.update(np.flatnonzero(result.groups == result.group_of[suspects[0]]).tolist())
            off = {m: result.residuals / result.redundancy[m] for m in suspects}  # where circles were straight lines
        else:
            doubted.update(_put_where_all_agree(result, suspects, trials))
            off = dict(zip(suspects, trials.off, strict=True))
        result.misclosures[suspects] = [off[m][m] for m in suspects]
        suspects.sort(key=lambda m: (round(abs(result.error_of(m)), 6), m))
        if trials is not None and trials.explain:
            others = np.setdiff1d(trials.members, suspects)
            result.misclosures[others] = off[suspects[0]][others]
            explained[others], without[suspects[0]] = True, False
    result.doubted = frozenset(doubted)
    if result.unresolved or result.left_out:
        net.places = result.places.copy()
        hangs = np.isin(np.stack([net.i, net.a, net.b]), list(doubted)).any(axis=0)
        result.misclosures[explained & ~hangs] = net.off()[explained & ~hangs]
        _rate(net, result, used, without, explained)


@dataclass(frozen=True)
class _Trials:
    """A group without each of its suspects in turn."""

    members: Ints
    """Measurements of the group."""
    places: Floats
    """(suspects, points, 2) where its points come to."""
    off: Floats
    """(suspects, m) computed less measured, of all measurements."""
    explain: bool
    """Whether without one of them the misfit is no more than chance."""


def _leave_out_each(net: Network, result: Adjustment, used: Bools, suspects: Sequence[int]) -> _Trials | None:
    """Without each suspect in turn the rest places the group anew; None where that is too much or cannot be judged."""
    group = result.group_of[suspects[0]]
    points = np.flatnonzero(result.groups == group)
    if len(suspects) > _MOST_SUSPECTS or np.isnan(result.cofactors[points]).any():
        return None
    from scipy.special import chdtrc

    members = np.flatnonzero((result.group_of == group) & used)
    spare = round(float(np.nansum(result.redundancy[members]))) - 1
    places, offs, explain = [], [], spare < 1
    for suspect in suspects:
        without = used.copy()
        without[suspect] = False
        net.places = result.places.copy()
        net.solve(without)
        places.append(net.places[points])
        offs.append(net.off())
        misfit = (offs[-1] / net.sigma)[members[members != suspect]]
        explain = explain or float(chdtrc(spare, float(misfit @ misfit))) > _CHANCE
    return _Trials(members, np.array(places), np.array(offs), explain)


def _put_where_all_agree(result: Adjustment, suspects: Sequence[int], trials: _Trials) -> list[int]:
    """
    The points of a group that hang on which of its suspects is wrong; the others are put where all agree.

    A point that comes to the same place each time, within half of its own standard error, is known without any of
    them, and better than with all. Where the misfit stays whoever is left out, more is wrong than one, and the whole
    group hangs on it.
    """
    points = np.flatnonzero(result.groups == result.group_of[suspects[0]])
    own = np.sqrt((result.cofactors[points, 0, 0] + result.cofactors[points, 1, 1]) / 2)
    middle = trials.places.mean(axis=0)
    agreed = np.hypot(*(trials.places - middle).transpose(2, 0, 1)).max(axis=0) <= own / 2
    if not trials.explain:
        agreed[:] = False
    result.places[points[agreed]] = middle[agreed]
    return [int(point) for point in points[~agreed]]


def _rate(net: Network, result: Adjustment, used: Bools, without: Bools, explained: Bools) -> None:
    """
    Hold each misclosure against its own standard error; a suspected one keeps the ratio by which it was suspected.

    For a measurement in use the error is sigma x sqrt(r), r its share of redundancy among those in use; for one left
    out, held against the rest, it is sigma / sqrt(r), r what its share would be.
    """
    with np.errstate(invalid="ignore", divide="ignore"):
        share = net.judge(without).redundancy
        ratios = np.where(share > 0.001, result.misclosures / (net.sigma * np.sqrt(share)), np.nan)
        result.misclosure_ratios[explained] = ratios[explained]
        for one_each in _one_of_each_group(result):
            with_them = used.copy()
            with_them[one_each] = True
            share = net.judge(with_them).redundancy[one_each]
            result.misclosure_ratios[one_each] = result.misclosures[one_each] * np.sqrt(share) / net.sigma[one_each]


def _one_of_each_group(result: Adjustment) -> list[list[int]]:
    """Those left out, in lists of which none holds two of one group: groups do not know of one another."""
    lists: list[list[int]] = []
    count: Counter[int] = Counter()
    for m in result.left_out:
        group = int(result.group_of[m])
        if count[group] == len(lists):
            lists.append([])
        lists[count[group]].append(m)
        count[group] += 1
    return lists
