"""Budgets at the worst corner of the job's tolerances. In: Job. Out: Worst: what of a limit the search may spend.

The search reckons with stated data. So that a circuit holds with everything at its heaviest, its drops as stated may
only be a part of what the limit leaves. For lamps of one circuit that may each drop B at the worst corner, behind E
volts there, let all drops as stated be at most d, where

    k d (E - d) = B (E - B),    k the factor on resistance times that on load.

Proof for constant powers, K the resistances as stated: call c = B / d, and x = E - c (E - V) for the stated volts V.
At the worst corner F(x) = E - k K P / x, and F(x) >= x follows where
k (E - y) <= c (E - c y) for every stated drop y in [0, d]. Both sides are linear in y; at y = d they are equal by
choice of d, and at y = 0 c >= k since E - d >= E - B. So x is a point from below of a monotone map whose greatest fixed
point is the worst operating point (Tarski), which is therefore >= x >= E - B. Constant currents grow by k only, which
is less. A resistance draws no more than E / (E - d) times its stated current whatever strays elsewhere, so that
d = B E / (k E + B) serves there.

Where lamps with different budgets share a circuit this is an estimate; the check judges every layout that is kept.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from ..conductors import temperature_factor
from ..job import Job


@dataclass(frozen=True)
class Worst:
    """
    Factors of a job's worst corner on what is stated; all 1 where the plan need not hold there.

    Attributes
    ----------
    copper, load, contact
        Highest resistance of copper (length and temperature included), highest watts, highest resistance of an end.
    least_alone
        Lowest product of load and cold copper, for what a lamp alone is sure to lose on its lead.
    """

    copper: float = 1.0
    load: float = 1.0
    contact: float = 1.0
    least_alone: float = 1.0

    @property
    def end(self) -> float:
        """Factor on the ends' resistance beyond that of copper, which ``part`` covers."""
        return max(1.0, self.contact / self.copper)

    def part(self, budget_v: float, source_v: float, load: str) -> float:
        """What may be dropped as stated, so that ``budget_v`` is not passed at the worst corner, in V."""
        k = self.copper * self.load
        if k <= 1 or budget_v <= 0 or math.isinf(budget_v):
            return budget_v
        if load == "resistance":
            return budget_v * source_v / (k * source_v + budget_v)
        budget_v = min(budget_v, source_v / 2)  # beyond is no stable operating point of a constant power
        return (source_v - math.sqrt(source_v**2 - 4 * budget_v * (source_v - budget_v) / k)) / 2


def worst_of(job: Job) -> Worst:
    """The corner that the job's plan must hold at."""
    given = job.tolerance
    if given.plan != "hold":
        return Worst()
    stated, strayed = job.voltage, job.strayed_voltage()
    warmer = max(
        temperature_factor(strayed.hot_c) / temperature_factor(stated.hot_c),
        temperature_factor(strayed.sun_c) / temperature_factor(stated.sun_c),
    )
    colder = temperature_factor(strayed.cold_c) / temperature_factor(stated.cold_c)
    (low, high), (short, long), (light, heavy) = given.cable_pct, given.length_pct, given.load_pct
    return Worst(
        copper=(1 + high / 100) * (1 + long / 100) * warmer,
        load=1 + heavy / 100,
        contact=1 + given.contact_pct[1] / 100,
        least_alone=(1 + low / 100) * (1 + short / 100) * (1 + light / 100) * colder,
    )
