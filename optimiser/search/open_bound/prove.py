"""What potentials on the open ground prove. In: OpenGround, Prices, potentials. Out: a bound.

*Proof.* In a layout every lamp is joined to a supply point by its lead and by trenches with cable in them: a graph of
straight lines, each paid once. On this graph ``bound/copper.py`` proves: trench, cable and copper cost at least what a
forest of these lines costs, by one way from a supply point to each lamp, every metre of it used in one direction u by a
set I of lamps, at the price p of a metre of trench and cable and w_k for each lamp k in I, less what was taken off
beforehand (with w = 0: the thinnest cable alone). Let every lamp k have a potential f_k, continuous on the
ground, with a slope q_k in each triangle, and in each triangle

    sum over k in I of (q_k . u - w_k)  <=  p    for every direction u and every set I,                          (1)

p being the least price of a metre of trench and of its cable there. Then along each metre of the forest the potentials
of the lamps in I rise together by no more than p + the sum of w_k over I, which is what that metre costs. Added up:
the forest costs at least the sum over all lamps of f_k where the lamp's joint stands less f_k where its way begins.
Through a sleeve, either way, the potentials of any lamps together rise no more than a cable through it costs. At supply
points that cost nothing or are paid in any case f_k is 0; where using one costs c, the positive f_k there add up to no
more than c, so that what starts above 0 is paid by that. With the lead, f_k + the lead's price is taken where it is
least within the lamp's reach.

What is left out only makes layouts dearer: heights, crossings between grounds, mains lines, where leads may not run,
bars on joints beside water, capacity of sleeves, rounding up of cuts.

*(1) exactly.* For a set I the greatest left side over all directions is |sum of q_k| - sum of w_k. As u turns once
round, the set of lamps with q_k . u > w_k changes at 2 N directions at most, and no set has a greater left side in a
direction than that one: so the sets between those directions hold the greatest of all. Multiplied by s <= 1, potentials
that break (1) by no more than the factor 1 / s obey it, since s q - w <= s (q - w) for w >= 0. So any potentials prove
something, however they were found.

*Lead.* In a triangle f_k is linear, and c |x - lamp| >= c t . (x - lamp) for any t no longer than 1, which is linear
too: their sum is least at a corner. The best of some t is taken for each triangle that a joint may stand in.
"""

from __future__ import annotations

import math

import numpy as np

from ...ground.graph import Bools, Floats
from .flow import OpenGround, Prices

ROUND = 1e-4
"""Taken off what is proven: for borders that lie a few microns beside the triangles' sides, and for rounding."""
TANGENTS = 16
BLOCK = 200_000
"""Triangles x lamps looked at together."""


def overshoot(slope: Floats, way_m: Floats, price: Floats) -> tuple[Floats, Floats]:
    """
    By how much (1) is broken.

    Parameters
    ----------
    slope
        (n, N, 2) slopes of potentials.
    way_m
        (n, N) what lamps pay for a metre, >= 0.
    price
        (n,) > 0.

    Returns
    -------
    (n,) the greatest left side of (1) as part of the price; (n,) the angle of its direction.
    """
    found, angle = np.zeros(len(slope)), np.zeros(len(slope))
    step = max(1, BLOCK // max(1, slope.shape[1]))
    for begin in range(0, len(slope), step):
        some = slice(begin, begin + step)
        found[some], angle[some] = _greatest(slope[some], way_m[some])
    return found / np.maximum(price, 1e-9), angle


def _greatest(slope: Floats, way_m: Floats) -> tuple[Floats, Floats]:
    x, y = slope[..., 0], slope[..., 1]
    length = np.hypot(x, y)
    turn = np.arctan2(y, x)
    some = length > way_m
    half = np.arccos(np.clip(way_m / np.maximum(length, 1e-300), -1.0, 1.0)) * some
    at = np.sort(np.mod(np.concatenate([turn - half, turn + half], axis=1), 2 * np.pi), axis=1)
    between = (at + np.concatenate([at[:, 1:], at[:, :1] + 2 * np.pi], axis=1)) / 2
    best, angle = np.zeros(len(slope)), np.zeros(len(slope))
    for column in between.T:
        uses: Bools = x * np.cos(column)[:, None] + y * np.sin(column)[:, None] > way_m
        sum_x, sum_y = (x * uses).sum(axis=1), (y * uses).sum(axis=1)
        value = np.hypot(sum_x, sum_y) - (way_m * uses).sum(axis=1)
        better = value > best
        best[better] = value[better]
        angle[better] = np.arctan2(sum_y, sum_x)[better]
    return best, angle


def proven(ground: OpenGround, slack: float, prices: Prices, potential: Floats) -> float:
    """
    The bound that potentials prove on trench, leads, cable and supply points that are not paid in any case.

    Parameters
    ----------
    slack
        Metres of cable as cut for each metre of route.
    potential
        (V, N) at the places of the mesh; 0 at supply points that cost nothing. Places that no supply point reaches
        count as if they were not there where they are NaN.
    """
    mesh = ground.mesh
    corner = potential[mesh.corners]
    whole: Bools = np.asarray(np.isfinite(corner).all(axis=(1, 2)), dtype=bool)
    slope = np.einsum("tjc,tjk->tkc", ground.slopes[whole], corner[whole])
    price = mesh.per_m[whole] + slack * prices.cable_m[whole]
    way = slack * prices.weight[whole][:, None] * prices.way_m
    worst = float(overshoot(slope, way, price)[0].max(initial=0.0))
    for (a, b), metres, pull in zip(
        ground.sleeves.tolist(), ground.sleeve_m.tolist(), ground.sleeve_price.tolist(), strict=True
    ):
        rise = potential[b] - potential[a]
        if np.isfinite(rise).all():
            paid = pull + slack * metres * prices.duct_m
            for sign in (1, -1):
                up = float(np.maximum(sign * rise, 0.0).sum())
                worst = max(worst, up / max(paid, 1e-12))
    for node, cost in zip(ground.supply.tolist(), prices.supply.tolist(), strict=True):
        if math.isfinite(cost) and np.isfinite(potential[node]).all():
            up = float(np.maximum(potential[node], 0.0).sum())
            worst = max(worst, up / cost if cost > 0 else (math.inf if up > 1e-9 else 0.0))
    scale = 1.0 / max(worst, 1.0)
    least = [_least_at(ground, lamp, scale * potential[:, lamp], whole) for lamp in range(len(ground.landings))]
    total = math.fsum(least)
    # Where no potential is had at any landing nothing is proven; what is paid is never below nothing.
    return (1 - ROUND) * max(total, 0.0) - prices.less if total < math.inf else -math.inf


def _least_at(ground: OpenGround, lamp: int, potential: Floats, whole: Bools) -> float:
    """The least of potential and lead within a lamp's reach."""
    landing = ground.landings[lamp]
    if landing.post >= 0:
        return float(potential[landing.post])
    mine = landing.triangles[whole[landing.triangles]]
    if not len(mine):
        return math.inf
    corners = ground.mesh.corners[mine]
    off = ground.mesh.places[corners] - landing.place
    angle = 2 * np.pi * np.arange(TANGENTS) / TANGENTS
    tangents = np.column_stack([np.cos(angle), np.sin(angle)])
    middle = off.mean(axis=1)
    toward = middle / np.maximum(np.hypot(*middle.T), 1e-12)[:, None]
    lead = np.concatenate([off @ tangents.T, np.einsum("tjc,tc->tj", off, toward)[..., None], 0 * off[..., :1]], axis=2)
    least = (potential[corners][..., None] + landing.lead_per_m * lead).min(axis=1).max(axis=1)
    return float(least.min())
