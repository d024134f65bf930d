"""A proven lower bound on the price of any layout on the open ground. In: Facts, Land. Out: Bound.

``bound/`` proves what no layout *on the ground graph* undercuts. Here trenches may run, fork and bend anywhere on the
ground that may be dug, and joints stand anywhere in reach of a lead; all else is as there. The rules of the ground are
those of DEVELOPERS.md, and where one is left out, that only makes layouts cheaper (``prove.py`` says which are). Which
leads may be extended, and the length of a sleeve, are taken from the ground graph, which has them by rule.

Two sums that have no price in common, as in ``bound/parts.py``:

* *Trench, leads, cable, supply points*: for each lamp a potential on triangles over the ground (``mesh.py``,
  ``flow.py``), which its way must climb (proof: ``prove.py``). The potentials are sought by ``potentials.py``, with
  the thinnest cable and, where it may prove more, with the copper that drop forces (``copper.py``).
* *Joints, cable ends, drivers, fuses*: counted without ground (``bound/counting.py``), for lamps that share a joint
  wherever their leads' reaches meet, with distances of straight lines (``places.py``).

What the two have in common is which supply points are used: with few of them the least over all sets holds, else prices
of supply points are shared out like those of trench.

The work is a number of rounds, no clock: the same job gives the same bound.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from itertools import combinations

import numpy as np

from ...ground.zones import Land
from ..bound import Bound, dual_ascent, gather_loads, named_parts
from ..bound.copper import amps_per_volt, line_prices, nearest_m, over_shortest
from ..bound.drivers import drivers_bound
from ..bound.loads import Loads
from ..bound.parts import ByParts
from ..facts import Facts
from .copper import CopperPrices, thinnest
from .flow import OpenGround, is_post, lay_open, supply_prices
from .places import least_m, without_ground
from .potentials import Splitting

MOST_LAMPS = 40
"""Lamps up to which it is tried: rounds take longer with lamps x triangles, and more of them are needed."""
MOST_SIZE = 100_000
"""Lamps x triangles up to which it is tried at effort 1: the orchard, 150,000, came to 94 % of the graph's in 150 s."""
APART = 3
"""Supply points up to which sets of them are told apart."""
NODES = 100
"""Nodes of branching of the program without ground."""
ROUNDS, LEAST_ROUNDS = 400, 200
"""Rounds at effort 1, and at the least: with fewer, what is proven says little."""
WARM, TURNS, TURN = 75, 6, 50
"""Rounds with the thinnest cable before copper; how often its prices follow what flows, and rounds between."""
HOPELESS = 0.93
"""Copper is not sought where over shortest ways on the graph it comes to less than this part of the plain bound."""
STRETCH = 1.2
"""Ways are first taken for so many times the shortest."""
SAYS = (
    "trenches anywhere on the ground that may be dug, with the thinnest cable or as much copper as drop forces, joints "
    "and cable ends, drivers and circuits that the loads need"
)


def open_bound(
    facts: Facts,
    land: Land,
    *,
    num_drivers: int | None = None,
    stop: Callable[[], bool] | None = None,
    effort: float = 1.0,
) -> Bound | None:
    """
    Bound the price of every layout on the ground from below, wherever its trenches run.

    Parameters
    ----------
    facts
        Look-ups of the job on its ground graph, which tells how prices are best chosen; no proof depends on it.
    land
        The ground.
    num_drivers
        So many drivers exactly, where asked for.
    stop
        Asked now and then; stopping early only weakens the bound.
    effort
        Work; 1 is the default.

    Returns
    -------
    Bound
        None where the job is too large, or no potentials were found.
    """
    if facts.num_lamps > MOST_LAMPS * max(1.0, effort):
        return None
    ground = lay_open(facts, land)
    if facts.num_lamps * len(ground.mesh.corners) > MOST_SIZE * max(1.0, effort):
        return None
    bounds = _Bounds(facts, land, ground, num_drivers, effort, stop)
    found = bounds.least()
    return found if math.isfinite(found.total) else None


@dataclass(frozen=True)
class _Set:
    """Supply points of which it is told whether they are used, what is counted without ground, and what to expect."""

    used: frozenset[int]
    unused: frozenset[int]
    counted: float
    counts: dict[str, float]
    expected: float


class _Bounds:
    def __init__(
        self,
        facts: Facts,
        land: Land,
        ground: OpenGround,
        num_drivers: int | None,
        effort: float,
        stop: Callable[[], bool] | None,
    ) -> None:
        self.facts, self.ground, self.stop = facts, ground, stop
        post = [is_post(land, lamp) for lamp in range(facts.num_lamps)]
        plain = without_ground(facts, land, ground.reach_m, post)
        self.loads: Loads = gather_loads(plain, least_m(land, ground.reach_m))
        drivers = drivers_bound(plain, self.loads, num_drivers)
        self.parts = ByParts(plain, self.loads, drivers, num_drivers, NODES, effort, stop)
        self.drivers = drivers
        self.pull = amps_per_volt(plain)
        self.rounds = max(LEAST_ROUNDS, round(ROUNDS * effort))

    def least(self) -> Bound:
        """The least over all sets of supply points."""
        sets = sorted(self._sets(), key=lambda one: one.expected)
        least = Bound(math.inf, {}, SAYS)
        for one in sets:
            if one.counted == math.inf:
                continue  # these supply points cannot feed the lamps
            paid = math.fsum(self.facts.supply_price[s] for s in one.used)
            best = -math.inf
            for trench in self._trench(one):
                best = max(best, trench)
                if best + paid + one.counted >= least.total or (self.stop is not None and self.stop()):
                    break
            total = best + paid + one.counted
            if total < least.total:
                least = Bound(total, named_parts(best + paid, one.counts), SAYS)
        return least

    def _sets(self) -> Iterator[_Set]:
        every = range(len(self.facts.supply_price))
        if 1 < len(every) <= APART:
            choices = [set(used) for count in every for used in combinations(every, count + 1)]
            chosen = [(frozenset(used), frozenset(set(every) - used)) for used in choices]
        else:
            chosen = [(frozenset(every) if len(every) == 1 else frozenset(), frozenset())]
        for used, unused in chosen:
            counted, counts = self.parts.count(used, unused)
            if counted == -math.inf:  # the solver failed: the drivers alone are a bound
                counted, counts = self.drivers, {"drivers": self.drivers}
            on_graph = dual_ascent(self.facts, self.stop, cable_m=self.loads.cable_m, used=used, unused=unused)
            yield _Set(used, unused, counted, counts, counted + on_graph)

    def _trench(self, one: _Set) -> Iterator[float]:
        """What is proven of trench, leads and cable, and of supply points not paid in any case, look after look."""
        facts, ground = self.facts, self.ground
        thin = thinnest(ground, self.loads.cable_m, supply_prices(facts, one.used, one.unused))
        line, promise = self._best_line(one)
        splitting = Splitting(ground, facts.slack, thin)
        if splitting.cut_off:
            yield math.inf  # no layout uses these supply points only
            return
        if promise < 1:
            yield from splitting.steps(self.rounds)
        if promise < HOPELESS:
            return
        if promise >= 1:
            yield from splitting.steps(WARM)
        near_m = nearest_m(facts, [s for s in range(len(facts.supply_price)) if s not in one.unused])
        copper = CopperPrices(ground, thin, self.pull, line, self.loads.cable_m, STRETCH * near_m)
        for turn in range(TURNS):
            splitting.set_prices(copper.prices())
            yield from splitting.steps(TURN)
            copper.follow(splitting, facts.slack, 0.7 / (1 + 0.3 * turn))
        splitting.set_prices(copper.prices())
        yield from splitting.steps(self.rounds // 2)

    def _best_line(self, one: _Set) -> tuple[tuple[float, float], float]:
        """The line under the prices of cables that proves most on the graph, and how much beside the thinnest cable."""
        facts = self.facts
        lines = line_prices(self.loads)
        near_m = nearest_m(facts, [s for s in range(len(facts.supply_price)) if s not in one.unused])
        if not self.pull.any() or not np.isfinite(near_m).all():
            return lines[0], 0.0
        found = []
        for number, line in enumerate(lines):
            base = dual_ascent(facts, self.stop, cable_m=line[0], used=one.used, unused=one.unused)
            found.append((base + over_shortest(self.pull, near_m, line), -number))
        plain = one.expected - one.counted
        best, number = max(found)
        return lines[-number], best / plain if plain > 0 else 0.0


__all__ = ["SAYS", "open_bound"]
