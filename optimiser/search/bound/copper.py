"""What drop forces beyond the thinnest cable: copper for every lamp's way. In: Facts, Loads. Out: Copper.

Proof, for circuits of any number, sharing trenches as they like. Let a cable of G metres per ohm (both cores) carry I
amps, and write a = G / I for the metres it goes for each volt it loses. I is the sum over the lamps below it, so

* over all cables, sum of G x metres = sum over lamps of I_lamp x sum over the cables of its way of a x metres;
* what a lamp's way loses is the sum of metres / a, and may be at most V_lamp: the source's own volts less the least the
  lamp may have, less what its own current loses in its lead.

Let every edge e have a line under the prices of all cables: price a metre >= thin_e + b_e G, b_e >= 0. Then cable
costs at least thin_e x metres for each edge in use and, since I a + (q^2 / I) / a >= 2 q for any q,

    sum over lamps of [ sum over the edges of its way of 2 q_lamp root(b_e) x metres ] - q_lamp^2 V_lamp / I_lamp.

So trench and cable cost at least what a flow from the supply points to the lamps costs, with q_lamp units asked for by
each lamp, in which an edge in use pays trench and thin_e once and 2 root(b_e) x metres for each unit. (A lamp's way
may use an edge to and fro: of its walk the part without such loops is taken. Its edges are used in the same direction,
and it loses no more.) The price of an edge is a concave function of what flows in it, and so is the whole: it is least
at a corner of the flows, which is a forest: every edge is used in one direction only, every lamp is reached by one way.
So what dual ascent proves of arborescences with ways (``ascent.py``) holds for all layouts. Lamps that ask for nothing
are reached by the same argument with as little as one likes. With one b for all edges and q chosen best for each way,
the second sum is b I way^2 / V for each lamp, which over its shortest way is a bound at once (``over_shortest``).

Metres are as cut: with slack, without ends, which are priced apart. Currents and volts are those of one state of the
source, stated or lowest, the same for all lamps of a feed: whichever asks for more. Of several feeds that may serve a
lamp the kindest is taken, and of resistances the thinnest copper's when it lies where it is coolest.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from ..facts import KEEP_V, LOAD_CURRENT, LOAD_POWER, Facts
from .loads import ROUND, Loads, least_amps, shortest_m

STRETCHES = (1.3, 1.1, 1.6)
"""Lamps are asked for what ways so many times the shortest need: the first guess, and others on small jobs."""
PROMISING = (0.97, 0.94)
"""The full ascent is tried where copper over shortest ways comes to this part of the plain bound at least: on large
jobs, on small ones."""
WORTHWHILE = 0.98
"""Other guesses are tried where the first comes to this part of it."""


@dataclass(frozen=True)
class Copper:
    """A choice of one line and of what lamps ask for. ``cable_m``: price of a metre in each trench; ``way_m``: (N,)
    price of a metre of each lamp's way; ``less``: what is taken off the sum of both."""

    cable_m: float
    way_m: np.ndarray
    less: float


def line_prices(loads: Loads) -> list[tuple[float, float]]:
    """Lines (price a metre, price of a metre for each metre per ohm) under all cables' prices that touch two of them,
    flattest first."""
    points = [(1 / min(cable.hot_ohm, cable.sun_ohm), cable.price_m) for cable in loads.cables]
    least = min(price / conducts for conducts, price in points)
    slopes = {least}
    thin = min(points, key=lambda point: (point[1], -point[0]))
    slopes |= {(p - thin[1]) / (g - thin[0]) for g, p in points if g > thin[0] and p > thin[1]}
    flattest = min(slopes)
    lines = [(min(p - b * g for g, p in points), b) for b in sorted({flattest, least})]
    return [(max(0.0, thin_m), b * (1 - ROUND)) for thin_m, b in lines]


def amps_per_volt(facts: Facts) -> np.ndarray:
    """(N,) least of each lamp's current over the most that its way may lose, in A / V; 0 where nothing limits it."""
    lead_ohm = np.full(facts.num_lamps, math.inf)
    for arc, (hot, _) in zip(facts.graph.leads, facts.lead_ohm, strict=True):
        lead_ohm[arc.lamp] = min(lead_ohm[arc.lamp], hot)
    least = np.full(facts.num_lamps, math.inf)
    for f, feed in enumerate(facts.feeds):
        lamps = [lamp for lamp in range(facts.num_lamps) if f in facts.lamp_feeds[lamp]]
        states = []
        for lowest in (False, True):
            amps = np.array([_least_amps(facts, lamp, f, lowest) for lamp in lamps])
            budget = np.array([(feed.low_budget_v if lowest else feed.budget_v)[facts.lamp_type[i]] for i in lamps])
            if lowest:
                budget = budget + feed.source_low_v - feed.low_v
            elif not facts.drop_from_driver:
                budget = budget + feed.emf_v - feed.out_v
            volts = budget + KEEP_V - amps * lead_ohm[lamps]
            states.append(np.where(volts > 0, amps / np.maximum(volts, 1e-9), 0.0))
        best = max(states, key=lambda asked: float(asked.sum()))
        least[lamps] = np.minimum(least[lamps], best)
    return np.where(np.isfinite(least), least, 0.0) * (1 - ROUND)


def _least_amps(facts: Facts, lamp: int, f: int, lowest: bool) -> float:
    """Least amps that a lamp draws on a feed at its stated or at its lowest source, in A."""
    feed, t = facts.feeds[f], facts.lamp_type[lamp]
    if not lowest:
        return least_amps(facts, lamp, f)
    if facts.type_load[t] in (LOAD_POWER, LOAD_CURRENT):
        return facts.lamp_amps(lamp, feed.source_low_v, facts.feed_ac[f])
    return facts.lamp_amps(lamp, max(0.0, feed.low_v - feed.low_budget_v[t] - KEEP_V), facts.feed_ac[f])


def ask(pull: np.ndarray, way_m: np.ndarray, line: tuple[float, float]) -> Copper:
    """What lamps ask for on ways of this length as cut, in m, at this line: the best for just these ways."""
    thin_m, slope = line
    asked = math.sqrt(slope) * pull * way_m
    less = float((asked**2 / np.maximum(pull, 1e-300)).sum())
    return Copper(thin_m, 2 * math.sqrt(slope) * asked * (1 - ROUND), less * (1 + ROUND))


def over_shortest(pull: np.ndarray, way_m: np.ndarray, line: tuple[float, float]) -> float:
    """Price of the copper where every lamp's way is its shortest: what ``ask`` comes to without trench."""
    return float(line[1] * (pull * way_m**2).sum()) * (1 - 1e-6)


def nearest_m(facts: Facts, supplies: list[int]) -> np.ndarray:
    """(N,) shortest way as cut from the nearest of these supply points, in m."""
    near: np.ndarray = shortest_m(facts)[supplies].min(axis=0) * facts.slack
    return near
