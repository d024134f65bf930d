"""The bound by parts, for each set of supply points that a layout may use. In: Facts, Loads. Out: Parts.

Trench with cable, leads and supply points are bounded by dual ascent, once with the thinnest cable and once with the
copper that drop forces (``copper.py``), the greater holding, or by the cheapest trees themselves where lamps are few
(``cheapest_tree.py``, ``copper_trees.py``); joints, ends of cables, drivers and fuses by a linear program without
ground (``counting.py``). No price is in both, so the sums may be added.

What the two have in common is which supply points are used: each used one is paid, and has a driver. A layout uses
some set of them, so the bound is the least over all sets. They are opened like nodes of a branching: of the open ones,
each of which says of some supply points that they are used or not, the one with the least bound is split, until that
one says it of all, or enough have been looked at.
"""

from __future__ import annotations

import heapq
import math
from collections.abc import Callable
from dataclasses import dataclass
from functools import partial

import numpy as np

from ..facts import Facts
from .branch import branch
from .cheapest_tree import CheapestTree, tree_work
from .copper import PROMISING, STRETCHES, WORTHWHILE, amps_per_volt, ask, line_prices, nearest_m, over_shortest
from .copper_trees import TURNS, copper_of_trees
from .counting import relax_counts
from .loads import Loads
from .program import Program
from .solve import CutAndPrice
from .start import dual_ascent

SETS_SIZE = 1_000
"""Lamps x ways to feed them x supply points up to which sets of supply points are told apart at effort 1."""
MOST_SETS, EASY_SIZE = 24, 300
"""Sets looked at at effort 1, for so many lamps x ways x supply points; fewer where each takes longer."""
WAYS_SIZE = 600_000
"""Lamps x edges of the graph up to which lamps pay for their ways in dual ascent, at effort 1."""
GUESSES_SIZE = 60_000
"""The same, up to which more than one guess of what they pay is tried."""

TREE_WORK, HOPEFUL = 7e7, 0.88
"""Steps of tables of cheapest trees at effort 1; from which part of the plain bound that of copper is sought by them:
dual ascent proves a few per cent less than there is, and lines by edge as much more (measured once, no command)."""


@dataclass(frozen=True)
class Parts:
    """``total``: what is proven; ``trench``: with cable, leads and supply points; ``counts``: the rest, by part."""

    total: float
    trench: float
    counts: dict[str, float]


@dataclass(frozen=True)
class _Set:
    """Supply points that are used and that are not; of the others nothing is said. ``counted``: what the program
    proves."""

    used: frozenset[int]
    unused: frozenset[int]
    parts: Parts
    counted: float
    has_copper: bool


class ByParts:
    """Bounds of one job, by the supply points used."""

    def __init__(
        self,
        facts: Facts,
        loads: Loads,
        drivers: float,
        num_drivers: int | None,
        most_nodes: int,
        effort: float,
        stop: Callable[[], bool] | None,
    ) -> None:
        self.facts, self.loads, self.stop, self.effort, self.most_nodes = facts, loads, stop, effort, most_nodes
        self.drivers = drivers
        counts = relax_counts(facts, loads, num_drivers=num_drivers, least_drivers_price=drivers)
        self.program = Program(counts)
        self.program.activate(np.arange(len(counts.cost)))
        self.pull = amps_per_volt(facts)
        self.lines = line_prices(loads)
        self.supplies = range(len(facts.supply_price))
        self.tree_work = TREE_WORK * effort

    def prove(self) -> Parts:
        """The least bound of all sets."""
        size = self.facts.num_lamps * len(self.loads.ways) * len(self.supplies)
        apart = size <= SETS_SIZE * self.effort
        most = MOST_SETS * self.effort * min(1.0, EASY_SIZE / max(1, size))
        first = self._look(frozenset(), frozenset(), None)
        queue = [(first.parts.total, 0, first)]
        looked = 1
        while True:
            _, _, least = queue[0]
            undecided = [s for s in self.supplies if s not in least.used and s not in least.unused]
            if not math.isfinite(least.parts.total) or (self.stop is not None and self.stop()):
                return least.parts
            decided = not apart or len(undecided) <= (0 if least.used else 1)
            if decided and least.has_copper:
                return least.parts
            if decided:
                new = [self._with_copper(least)]
            elif looked >= most:
                return least.parts
            else:
                s = undecided[0]
                new = [
                    self._look(least.used | {s}, least.unused, least),
                    self._look(least.used, least.unused | {s}, least),
                ]
            heapq.heappop(queue)
            for one in new:
                looked += 1
                heapq.heappush(queue, (one.parts.total, looked, one))

    def _look(self, used: frozenset[int], unused: frozenset[int], parent: _Set | None) -> _Set:
        """The plain bound of a set; never below that of the set it is part of."""
        trench = dual_ascent(self.facts, self.stop, cable_m=self.loads.cable_m, used=used, unused=unused)
        counted, counts = self.count(used, unused)
        if counted == -math.inf:  # the solver failed: the drivers alone are a bound
            counted, counts = (self.drivers, {"drivers": self.drivers}) if parent is None else (
                parent.counted, parent.parts.counts
            )  # fmt: skip
        total = trench + counted
        if parent is not None:
            total = max(total, parent.parts.total)
        return _Set(used, unused, Parts(total, trench, counts), counted, False)

    def count(self, used: frozenset[int], unused: frozenset[int]) -> tuple[float, dict[str, float]]:
        """Joints, ends of cables, drivers and fuses: what the program proves, and how its solution divides it."""
        names = self.program.relaxation.names
        low, high = np.zeros(len(self.supplies)), np.ones(len(self.supplies))
        low[sorted(used)], high[sorted(unused)] = 1.0, 0.0
        self.program.set_bounds(names["u"], low, high)
        tighten = CutAndPrice(self.program, None, math.inf, self.stop)
        whole = [names[name] for name in ("u", "d", "q")]
        total = branch(self.program, whole, tighten, self.most_nodes, stop=self.stop)
        return total, tighten.part_of(total) if math.isfinite(total) else {}

    def _with_copper(self, known: _Set) -> _Set:
        """The same set with the copper that its lamps' ways need, where that is more; exactly, for few lamps."""
        near_m = nearest_m(self.facts, [s for s in self.supplies if s not in known.unused])
        copper, (stretch, number) = self._copper(known, near_m)
        trench = max(known.parts.trench, copper)
        if copper < WORTHWHILE * trench:
            tree = self._tree(known, self.loads.cable_m, np.zeros(self.facts.num_lamps))
            trench = trench if tree is None else max(trench, tree.price * (1 - 1e-9))
        if copper > HOPEFUL * trench:
            turns = min(TURNS, int(self.tree_work / tree_work(self.facts)))
            trees = partial(self._tree, known)
            trench = max(
                trench, copper_of_trees(self.facts, self.pull, self.lines[number], stretch * near_m, trees, turns)
            )
        total = max(known.parts.total, trench + known.counted)
        return _Set(known.used, known.unused, Parts(total, trench, known.parts.counts), known.counted, True)

    def _copper(self, known: _Set, near_m: np.ndarray) -> tuple[float, tuple[float, int]]:
        """
        What dual ascent proves of trench and copper together, tried at some prices; the greatest holds.

        Also how long ways are, as times the shortest, and which line was tried where most was proven.
        """
        facts, pull = self.facts, self.pull
        if not pull.any() or self.effort <= 0:
            return 0.0, (STRETCHES[0], 0)
        best = 0.0
        for line in self.lines:
            plain = dual_ascent(facts, self.stop, cable_m=line[0], used=known.used, unused=known.unused)
            best = max(best, plain + over_shortest(pull, near_m, line))
        size = facts.num_lamps * facts.graph.num_edges
        easy = size <= GUESSES_SIZE * self.effort
        if best < PROMISING[easy] * known.parts.trench or size > WAYS_SIZE * self.effort:
            return best, (STRETCHES[0], 0)
        found: dict[tuple[float, int], float] = {}

        def guess(stretch: float, number: int) -> None:
            copper = ask(pull, near_m * stretch, self.lines[number])
            whole = dual_ascent(
                facts,
                self.stop,
                cable_m=copper.cable_m,
                way_m=copper.way_m,
                used=known.used,
                unused=known.unused,
            )
            found[stretch, number] = whole - copper.less

        middle, *others = STRETCHES
        guess(middle, 0)
        if easy and found[middle, 0] > WORTHWHILE * known.parts.trench:
            for number in range(1, len(self.lines)):
                guess(middle, number)
            number = max(found, key=lambda tried: found[tried])[1]
            for stretch in others:
                guess(stretch, number)
        return max(best, *found.values()), max(found, key=lambda tried: found[tried])

    def _tree(
        self, known: _Set, cable_m: float | np.ndarray, way_m: np.ndarray, weight: float | np.ndarray = 1.0
    ) -> CheapestTree | None:
        """The cheapest tree at these prices, for few lamps; None where the work does not suffice."""
        work = tree_work(self.facts)
        if work > self.tree_work:
            return None
        self.tree_work -= work
        return CheapestTree(self.facts, cable_m, way_m, weight, used=known.used, unused=known.unused, stop=self.stop)
