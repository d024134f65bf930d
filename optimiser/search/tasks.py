"""One independent piece of search work. In: a task. Out: the state it came to.

Each task has its own seed and budget and knows nothing of the others, so results do not depend on how many processes
share a list of them (``crew.py``), nor on which finishes first.
"""

from __future__ import annotations

import contextlib
import gc
import random
from collections.abc import Callable, Iterator
from dataclasses import dataclass

import numpy as np

from ..ground import Land
from .construct import construct, straighten_all
from .effort import Effort
from .facts import Facts
from .graft import draft_of, recreate
from .improve import START_TEMPERATURE, improve
from .rebuild import rebuild_all
from .refine import Slid, slide
from .short_starts import start_on_short_forest
from .split_forest import split_forest
from .state import Bench, State

REBUILD_SHARE, SLIDE_SHARE = 0.15, 0.1
"""Of a task's budget, kept for the exact rebuilding of circuits and for sliding; the search before has the rest."""
SHORT_SHARE = 0.6
"""Of the budget of a task that starts along a short forest, for finding one."""
LEAST_SLIDE = 10.0
"""Work for each lamp that sliding has however small the budget: it gains most for its work."""


@dataclass(frozen=True)
class Task:
    """Search from ``start`` (or from nothing) with this seed and budget."""

    seed: int = 1
    budget: float = 0.0
    num_drivers: int | None = None
    start: State | None = None
    temperature: float = START_TEMPERATURE
    noise: float = 0.0
    others: tuple[np.ndarray, ...] = ()
    """(m,) where other good layouts dig, for each."""
    supplies: tuple[int, ...] | None = None
    """Supply points that may be used; None for all."""
    model: int | None = None
    """Driver model that must be used for all; None for any."""
    along: int | None = None
    """Supply point whose light tree to all lamps the first layout follows."""
    split: bool = False
    """Start from circuits split off one light forest from all supply points."""
    ascents: bool = True
    """And off a second one, along the edges that dual ascent leaves, where that comes cheaper."""
    short: bool = False
    """Start along the best of many short forests (``short_starts.py``)."""
    parts: float = 1.0
    """How much of a round's budget it has, beside the others."""
    keeps_max_drivers: bool = False
    hubs: bool = False
    """See ``Bench``; a start has its own answer to the second."""


@dataclass(frozen=True, eq=False)
class Done:
    state: State
    left: float
    """Work that may be spent on sliding the state's hubs and forks (``do_slide``), where the search goes on from it."""
    work: float
    stopped: bool


@dataclass(frozen=True, eq=False)
class DoneSliding:
    slid: Slid
    """Where a state's hubs and forks would better stand on the open ground."""
    work: float


def do_task(
    facts: Facts,
    task: Task,
    stop: Callable[[], bool] | None = None,
    on_best: Callable[[State], None] | None = None,
) -> Done:
    """Run one task: search, rebuild circuits exactly. What is left of its budget is for sliding what was found."""
    rebuilds = REBUILD_SHARE if task.start is not None else 0.0
    effort = Effort(task.budget * (1 - rebuilds - SLIDE_SHARE), stop)
    hubs = task.hubs if task.start is None else task.start.has_hubs(facts)
    keeps = task.keeps_max_drivers
    bench = Bench(facts, effort, task.num_drivers, task.supplies, task.model, keeps_max_drivers=keeps, hubs=hubs)
    bench.others = task.others
    rng = random.Random(task.seed)
    if task.start is None:
        first = None
        if task.split:
            first = split_forest(bench, rng, ascents=task.ascents)
        elif task.short:
            first = start_on_short_forest(bench, rng, SHORT_SHARE * task.budget)
        state = construct(bench, rng, noise=task.noise, along=task.along) if first is None else first
        if on_best is not None:
            on_best(state)
        state = straighten_all(bench, state)
    else:
        state = task.start
        if state.circuits:
            bench.palette = state.circuits[0].palette
    state = improve(bench, state, rng, on_best, temperature=task.temperature)
    effort.budget += task.budget * rebuilds
    state = straighten_all(bench, state, elsewhere=True)
    if rebuilds:
        state = rebuild_all(bench, state)
    left = max(task.budget - effort.spent, task.budget * SLIDE_SHARE, LEAST_SLIDE * facts.num_lamps)
    return Done(state, left, bench.effort.spent, bench.effort.stopped)


def do_slide(facts: Facts, land: Land, done: Done, stop: Callable[[], bool] | None = None) -> DoneSliding:
    """Slide what a task came to, on the graph it was found on."""
    bench = Bench(facts, Effort(done.left, stop))
    slid = slide(bench, done.state, land)
    return DoneSliding(slid, bench.effort.spent)


COLLECT_EVERY = 50_000
"""Objects made between two looks for garbage in cycles: the search makes next to none, and looking costs time."""


@contextlib.contextmanager
def collecting_seldom() -> Iterator[None]:
    """Leave nearly all memory to the counting of references."""
    before = gc.get_threshold()
    gc.set_threshold(max(before[0], COLLECT_EVERY), *before[1:])
    try:
        yield
    finally:
        gc.set_threshold(*before)


AREA_STARTS = 2
"""Light forests tried for an area's first layout."""


def start_area(facts: Facts, task: Task, stop: Callable[[], bool] | None = None) -> Done:
    """A first layout of one area: the cheaper of two constructions, in any gauges, even where the search is stopped."""
    effort = Effort(float("inf"), stop)
    bench = Bench(facts, effort, task.num_drivers)
    state = construct(bench, random.Random(task.seed))
    split = split_forest(bench, random.Random(task.seed), starts=AREA_STARTS, ascents=False)
    if split is not None and split.cost < state.cost:
        state = split
    state = straighten_all(bench, state)
    return Done(state, 0.0, effort.spent, effort.stopped)


def search_area(facts: Facts, task: Task, stop: Callable[[], bool] | None = None) -> Done:
    """Search one area on from its start, in the gauges of the whole, and rebuild its circuits exactly."""
    assert task.start is not None
    effort = Effort(task.budget * (1 - REBUILD_SHARE), stop)
    bench = Bench(facts, effort, task.num_drivers)
    bench.palette = facts.palettes[0]
    rng = random.Random(task.seed)
    state = task.start
    if state.missing:
        state = recreate(bench, draft_of(state), rng) or state
    state = improve(bench, state, rng, temperature=task.temperature)
    effort.budget = max(task.budget, effort.spent + task.budget * REBUILD_SHARE)
    state = rebuild_all(bench, straighten_all(bench, state))
    return Done(state, 0.0, effort.spent, effort.stopped)
