"""Runs of cable from joint to joint that are worth keeping. In: Part, Relaxed, a limit. Out: Runs, flat arrays.

A run is a way through the ground graph from the lower joint of a piece to its upper one. One is worse than another
between the same joints if it costs more to open, is longer, lies more in the sun and derates more, none less. Runs
that no part cheaper than the limit can hold (by the relaxed tables) are left out. Prices and resistances of a piece are
those of ``circuit`` to the last rounding: cut lengths in whole 0.1 m, joints where a reel ends.
"""

from __future__ import annotations

import heapq
import itertools
import math
import sys
from dataclasses import dataclass

import numpy as np

from .effort import Allowance
from .oracle_part import Part
from .oracle_priced import Priced
from .oracle_relaxed import Relaxed

RUN_WORK = 0.02
"""Work of one step of a run."""
PAID_AT_ONCE = 500


@dataclass(frozen=True)
class Runs:
    """
    Pieces of cable that may be laid, sorted by (lower joint, gauge): ``first[lower * gauges + gauge]`` is the first.

    All arrays have one entry a piece: a run in one gauge. Prices hold trench, pulls and the cable with its ends.
    """

    first: np.ndarray
    upper: np.ndarray
    """Own node of the upper end."""
    gauge: np.ndarray
    """Position in ``part.cables``."""
    price: np.ndarray
    ohm: np.ndarray
    fault_ohm: np.ndarray
    rating_a: np.ndarray
    walk: np.ndarray
    """Index into ``walks``."""
    walks: list[tuple[int, ...]]
    """Own nodes from the upper end to the lower one."""


def find_runs(part: Part, relaxed: Relaxed, limit: float, allowance: Allowance, priced: Priced | None = None) -> Runs:
    """
    All runs a part within the limit may hold; fewer where drop is ``priced``.

    Raises
    ------
    OutOfWork
        The allowance ended first.
    """
    slackened = min(limit + 1e-6, sys.float_info.max)  # what is infinite here cannot be done at any price
    passable = relaxed.through() <= slackened
    jointed = relaxed.jointed() <= slackened
    along = relaxed.along() <= slackened
    if priced is not None:
        passable &= priced.through() <= slackened
        jointed &= priced.jointed() <= slackened
        along &= priced.along() <= slackened
    root = part.root
    joints = np.flatnonzero(jointed)
    # least price of all but the run itself, for a run from joint a up to joint b
    rest = np.full((len(joints), len(joints)), math.inf)
    to_root = np.full(len(joints), math.inf)
    for x in range(1, relaxed.root_bit):
        below = relaxed.joint[x][joints]
        if below.min(initial=math.inf) > slackened:
            continue
        above = relaxed.joint[relaxed.full ^ x][joints]
        np.minimum(rest, below[:, None] + above[None, :], out=rest)
        np.minimum(to_root, below + relaxed.root_joint[relaxed.full ^ x], out=to_root)
    if priced is not None:
        with_drop, with_drop_to_root = priced.beside_runs(joints, slackened)
        np.maximum(rest, with_drop, out=rest)
        np.maximum(to_root, with_drop_to_root, out=to_root)
    np.fill_diagonal(rest, math.inf)
    usable = passable.tolist()
    edge_ok = along.tolist()
    weight, opening = relaxed.weight.tolist(), part.opening.tolist()
    length, sun, factor = part.length_m.tolist(), part.sun_m.tolist(), part.factor.tolist()
    near = [
        [(w, weight[e], opening[e], length[e], sun[e], factor[e]) for w, e in part.near[v] if usable[w] and edge_ok[e]]
        if usable[v]
        else []
        for v in range(len(usable))
    ]
    targets = joints.tolist()
    found: list[tuple[int, int, float, float, float, float, tuple[int, ...]]] = []
    for i, a in enumerate(targets):
        # what is left at least once the run has come to a node
        ahead = np.minimum(
            (relaxed.dist[:, joints] + rest[i][None, :]).min(axis=1, initial=math.inf),
            relaxed.dist[:, root] + to_root[i],
        ).tolist()
        upper_ok = dict(zip(targets, rest[i].tolist(), strict=True))
        upper_ok[root] = float(to_root[i])
        labels: list[list[tuple[float, float, float, float]]] = [[] for _ in usable]
        counter = itertools.count()
        heap: list[tuple[float, int, float, float, float, float, tuple[int, ...]]] = [
            (0.0, next(counter), 0.0, 0.0, 0.0, 1.0, (a,))
        ]
        done = 0
        while heap:
            w, _, opened, len_m, sun_m, share, walk = heapq.heappop(heap)
            v = walk[0]
            if _is_beaten(labels[v], opened, len_m, sun_m, share):
                continue
            labels[v].append((opened, len_m, sun_m, share))
            done += 1
            if done == PAID_AT_ONCE:
                allowance.spend(RUN_WORK * done)
                done = 0
            if v != a and w + upper_ok.get(v, math.inf) <= slackened:
                found.append((a, v, opened, len_m, sun_m, share, walk))
            for u, edge_w, edge_opens, edge_m, edge_sun_m, edge_share in near[v]:
                new_w = w + edge_w
                if new_w + ahead[u] <= slackened and u not in walk:
                    less = edge_share if edge_share < share else share
                    heapq.heappush(
                        heap,
                        (
                            new_w,
                            next(counter),
                            opened + edge_opens,
                            len_m + edge_m,
                            sun_m + edge_sun_m,
                            less,
                            (u, *walk),
                        ),
                    )
        allowance.spend(RUN_WORK * done)
    return _price(part, found)


def _is_beaten(
    labels: list[tuple[float, float, float, float]], opened: float, len_m: float, sun_m: float, share: float
) -> bool:
    """Whether one of the labels is no worse in anything."""
    opened, len_m, sun_m, share = opened + 1e-12, len_m + 1e-12, sun_m + 1e-12, share - 1e-12
    for o, m, s, f in labels:  # noqa: SIM110 (a generator is slower)
        if o <= opened and m <= len_m and s <= sun_m and f >= share:
            return True
    return False


def _price(part: Part, found: list[tuple[int, int, float, float, float, float, tuple[int, ...]]]) -> Runs:
    facts = part.facts
    num = len(found)
    lower = np.array([f[0] for f in found], dtype=np.int64)
    upper = np.array([f[1] for f in found], dtype=np.int64)
    opened, len_m, sun_m, share = (np.array([f[k] for f in found], dtype=float) for k in (2, 3, 4, 5))
    at_root = upper == part.root
    lower_post = part.post_of[lower] >= 0
    upper_post = part.post_of[upper] >= 0
    ends = (~lower_post).astype(float) + np.where(at_root, float(part.root_is_joint), (~upper_post).astype(float))
    raw = facts.slack * len_m + facts.joint_end_m + np.where(at_root, part.root_end_m, facts.joint_end_m)
    most_mm2 = np.minimum(part.post_mm2[lower], np.where(at_root, part.root_mm2, part.post_mm2[upper]))
    in_sun = np.divide(sun_m, len_m, out=np.zeros(num), where=len_m > 0)
    columns: list[tuple[np.ndarray, ...]] = []
    for g, k in enumerate(part.cables):
        cable = facts.cables[k]
        cut = np.ceil(raw * 10 - 1e-6) / 10
        price = cut * cable.price_m
        more_ends = np.zeros(num)
        long = cut > cable.reel_m
        if long.any():
            joints = np.ceil((cut - 2 * facts.joint_end_m) / (cable.reel_m - 2 * facts.joint_end_m) - 1e-9) - 1
            joints = np.where(long, np.maximum(joints, 1), 0)
            cut = cut + joints * (2 * facts.joint_end_m + 0.1)
            more_ends = 2 * joints
            kit = facts.joint_price(2, cable.area_mm2, cable.area_mm2)
            # No kit may take this gauge: infinite, but only where one is needed.
            price = cut * cable.price_m + np.multiply(joints, kit, out=np.zeros(num), where=joints > 0)
        ohm = cut * ((1 - in_sun) * cable.hot_ohm + in_sun * cable.sun_ohm) + (ends + more_ends) * facts.end_ohm
        fault = ohm * cable.fault_ohm / min(cable.hot_ohm, cable.fault_ohm)
        fits = (cable.area_mm2 <= most_mm2 + 1e-9) & (cable.rating_a * share >= part.min_rating_a - 1e-9)
        at = np.flatnonzero(fits)
        columns.append(
            (
                lower[at],
                upper[at],
                np.full(len(at), g),
                opened[at] + price[at],
                ohm[at],
                fault[at],
                cable.rating_a * share[at],
                at,
            )
        )
    lower_all, upper_all, gauge, price_all, ohm_all, fault_all, rating, walk = (
        np.concatenate([c[k] for c in columns]) for k in range(8)
    )
    gauges = len(part.cables)
    order = np.lexsort((price_all, gauge, lower_all))
    key = (lower_all * gauges + gauge)[order]
    first = np.searchsorted(key, np.arange(len(part.nodes) * gauges + 1))
    return Runs(
        first=first,
        upper=upper_all[order],
        gauge=gauge[order],
        price=price_all[order],
        ohm=ohm_all[order],
        fault_ohm=fault_all[order],
        rating_a=rating[order],
        walk=walk[order],
        walks=[f[6] for f in found],
    )
