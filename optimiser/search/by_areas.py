"""Very large jobs, area by area. In: Bench of the whole, a crew. Out: States of the whole.

1. Lamps are given to supply points, those to areas, and each area gets a first layout of its own (``supply_areas.py``,
   ``area.py``).
2. Rounds: the layout is cut into areas at another angle each time, so that the seams of one round lie inside the
   areas of the next. Each area is searched on as a task of its own, with circuits outside it as they are and their
   trenches open; then the areas are stitched together in list order.

An area's moves look at its own ground and circuits only, so that work and memory grow with the lamps, not with their
square. The list of tasks, their seeds and budgets depend on the layout alone: it is the same on one process or two.
"""

from __future__ import annotations

import math
import random
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from .area import Area, Cutter, stitch
from .circuit import Fed
from .crew import Crew
from .effort import Effort
from .facts import Facts
from .graft import draft_of, recreate
from .state import Bench, State, lay
from .supply_areas import Unit, areas_of, give_to_supplies, units_given, units_of
from .tasks import Task, search_area, start_area

AREA_LAMPS = 90


@dataclass(frozen=True)
class AreaRound:
    """Cut at this angle, in parts of a right angle; search with a share of the effort, at this first temperature."""

    angle: float
    share: float
    heat: float
    refines: bool


AREA_ROUNDS = (
    AreaRound(1 / 2, 0.30, 0.5, refines=False),
    AreaRound(0, 0.25, 0.3, refines=False),
    AreaRound(1 / 4, 0.20, 0.15, refines=True),
    AreaRound(3 / 4, 0.15, 0.05, refines=True),
)


class ByAreas:
    """
    Makes and searches the areas of one job.

    ``most``: most lamps of an area, where its units let it; ``work``: what all tasks have spent.
    """

    def __init__(self, seed: int, num_drivers: int | None, crew: Crew, most: int) -> None:
        self.seed, self.num_drivers, self.crew, self.most = seed, num_drivers, crew, most
        self.work = 0.0

    def _seed(self, number: int, area: int) -> int:
        return self.seed * 1_000_000 + number * 10_000 + area

    def first(self, bench: Bench) -> State:
        """A layout of each area by itself, all in the gauges that suit the whole best; lamps left out are hung last."""
        facts = bench.facts
        given = give_to_supplies(facts)
        cutter = Cutter(facts)
        areas: list[Area] = []
        for units in areas_of(facts, units_given(facts, given.supply, self.most), self.most, 0.0):
            lamps = [lamp for unit in units for lamp in unit.lamps]
            supplies = {unit.supply for unit in units}
            ways = {node for lamp in lamps for node in given.ways[lamp]}
            areas.append(cutter.area(lamps, supplies, more_nodes=ways))
        done = self.crew.do_areas(
            start_area, [(area.facts, Task(seed=self._seed(0, i))) for i, area in enumerate(areas)]
        )
        self.work += sum(d.work for d in done)
        circuits = [area.outward(fed) for area, d in zip(areas, done, strict=True) for fed in d.state.circuits]
        state = _in_one_palette(bench, circuits)
        if state.missing or state.penalty:
            state = _rehung(bench, state, random.Random(self.seed))
        return state

    def search_on(self, bench: Bench, state: State, number: int, planned: AreaRound, budget: float) -> State:
        """One round: every area searched on with its part of the budget, and stitched."""
        facts = bench.facts
        if state.circuits:
            bench.palette = state.circuits[0].palette
        areas = cut_into_areas(facts, state, planned.angle * math.pi / 2, bench.palette, self.most)
        tasks = []
        for i, (area, count) in enumerate(zip(areas, self._drivers(state, areas), strict=True)):
            start = area_start(area, state, count)
            each = budget * len(area.lamps) / facts.num_lamps
            tasks.append((area.facts, Task(self._seed(number, i), each, count, start, planned.heat)))
        done = self.crew.do_areas(search_area, tasks)
        self.work += sum(d.work for d in done)
        return stitch(bench, state, areas, [d.state for d in done])

    def _drivers(self, state: State, areas: Sequence[Area]) -> list[int | None]:
        """
        Drivers that each area must have, where a number is asked for: as many as it has.

        Those that the layout is short of go one each to the areas with the most lamps for a driver.
        """
        if self.num_drivers is None:
            return [None] * len(areas)
        counts = []
        for area in areas:
            mine = set(area.circuits)
            counts.append(sum(1 for _, _, members in state.drivers if mine.issuperset(members)))
        for _ in range(self.num_drivers - len(state.drivers)):
            counts[max(range(len(areas)), key=lambda i: (len(areas[i].lamps) / max(counts[i], 1), -i))] += 1
        return list(counts)


def _in_one_palette(bench: Bench, circuits: Sequence[Fed]) -> State:
    """These circuits in the palette in which they are cheapest; lamps of those that it does not hold are left out."""
    every = set(range(bench.facts.num_lamps))
    best: State | None = None
    for palette in bench.facts.palettes:
        held = [bench.feed(fed.supply, fed.feed, fed.tree, fed.leads, palette) for fed in circuits]
        state = _compose(bench, [fed for fed in held if fed is not None], every)
        if best is None or state.cost < best.cost - 1e-9:
            best, bench.palette = state, palette
    assert best is not None
    bench.palette = best.circuits[0].palette if best.circuits else bench.facts.palettes[0]
    return best


def _rehung(bench: Bench, state: State, rng: random.Random) -> State:
    """Lamps left out, and those of drivers that a supply point has too many of, hung anew on the whole."""
    draft = draft_of(state)
    gone: set[int] = set()
    for s, most in enumerate(bench.facts.supply_max_drivers):
        drivers = [members for supply, _, members in state.drivers if supply == s]
        drivers.sort(key=lambda members: (sum(state.circuits[i].load_w for i in members), members))
        gone.update(i for members in drivers[: max(0, len(drivers) - most)] for i in members)
    for i in sorted(gone, reverse=True):
        draft.missing.update(state.circuits[i].leads)
        draft.without(i)
    new = recreate(bench, draft, rng, bulk=False)
    return new if new is not None and new.cost < state.cost else state


def _compose(bench: Bench, circuits: Sequence[Fed], every: set[int]) -> State:
    """A state of as many of these circuits as drivers and sleeves take."""
    whole = bench.compose(circuits, frozenset(every.difference(*(fed.leads for fed in circuits))))
    if whole is not None:
        return whole
    kept: list[Fed] = []
    state = bench.compose((), frozenset(every))
    assert state is not None
    for fed in circuits:
        more = bench.compose([*kept, fed], state.missing.difference(fed.leads))
        if more is not None:
            kept.append(fed)
            state = more
    return state


def cut_into_areas(facts: Facts, state: State, angle: float, palette: tuple[int, ...], most: int) -> list[Area]:
    """The areas of a layout; every circuit and every lamp is in just one."""
    cutter = Cutter(facts)
    found: list[Area] = []
    for units in areas_of(facts, units_of(facts, state, most), most, angle):
        area = _area(cutter, state, units)
        found.append(replace(area, facts=replace(area.facts, palettes=[palette])))
    return found


def _area(cutter: Cutter, state: State, units: Sequence[Unit]) -> Area:
    facts = cutter.facts
    circuits = sorted(i for unit in units for i in unit.circuits)
    mine = set(circuits)
    laid = state.use.copy() if facts.laid is None else state.use - facts.laid
    nodes: set[int] = set()
    for i in circuits:
        fed = state.circuits[i]
        lay(laid, fed, -1)
        nodes.update(fed.tree)
        nodes.update(fed.tree.values())
    outside: dict[int, int] = {}
    for supply, _, members in state.drivers:
        if mine.isdisjoint(members):
            outside[supply] = outside.get(supply, 0) + 1
    lamps = [lamp for unit in units for lamp in unit.lamps]
    supplies = {unit.supply for unit in units if unit.supply >= 0} or {_nearest_supply(facts, lamps)}
    return cutter.area(lamps, supplies, more_nodes=nodes, laid=laid, circuits=circuits, drivers_outside=outside)


def _nearest_supply(facts: Facts, lamps: Sequence[int]) -> int:
    """The supply point nearest to these lamps' middle, for an area of lamps that no circuit feeds yet."""
    middle = facts.lamp_places[list(lamps)].mean(axis=0)
    roots = facts.graph.xyz[facts.graph.supply_node, :2]
    return int(np.argmin(((roots - middle) ** 2).sum(axis=1)))


def area_start(area: Area, state: State, num_drivers: int | None) -> State:
    """The area's part of a layout, in its own numbers."""
    circuits = [area.inward(state.circuits[i]) for i in area.circuits]
    lamps = {lamp: i for i, lamp in enumerate(area.lamps.tolist())}
    missing = frozenset(lamps[lamp] for lamp in state.missing if lamp in lamps)
    start = Bench(area.facts, Effort(0.0), num_drivers).compose(circuits, missing)
    assert start is not None  # as it stands in the whole
    return start
