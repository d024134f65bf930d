"""One independent piece of search work, and a crew that does a list of them. In: tasks. Out: their states, in list
order.

Each task has its own seed and budget and knows nothing of the others, so results do not depend on how many processes
share the list, nor on which finishes first. With one process the same tasks run one after another in this one.
"""

from __future__ import annotations

import contextlib
import gc
import multiprocessing
import os
import queue
import random
import signal
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Future, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from dataclasses import dataclass
from typing import Any

import numpy as np

from ..ground import Land
from .construct import construct, straighten_all
from .effort import Effort
from .facts import Facts
from .graft import draft_of, recreate
from .improve import START_TEMPERATURE, improve
from .rebuild import rebuild_all
from .refine import Slid, slide
from .split_forest import split_forest
from .state import Bench, State

REBUILD_SHARE, SLIDE_SHARE = 0.15, 0.1
"""Of a task's budget, kept for the exact rebuilding of circuits and for sliding; the search before has the rest."""
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
    keeps_max_drivers: bool = False
    """See ``Bench``."""


@dataclass(frozen=True, eq=False)
class Done:
    state: State
    slid: Slid
    """Where the state's hubs and forks would better stand on the open ground."""
    work: float
    stopped: bool


NOT_SLID = Slid([], np.zeros((0, 2)), [], 0.0, np.zeros((0, 2)), [])


def do_task(
    facts: Facts,
    land: Land,
    task: Task,
    stop: Callable[[], bool] | None = None,
    on_best: Callable[[State], None] | None = None,
) -> Done:
    """Run one task to the end of its budget: search, rebuild circuits exactly, slide what was found."""
    rebuilds = REBUILD_SHARE if task.start is not None else 0.0
    effort = Effort(task.budget * (1 - rebuilds - SLIDE_SHARE), stop)
    keeps = task.keeps_max_drivers
    bench = Bench(facts, effort, task.num_drivers, task.supplies, task.model, keeps_max_drivers=keeps)
    bench.others = task.others
    rng = random.Random(task.seed)
    if task.start is None:
        split = split_forest(bench, rng, ascents=task.ascents) if task.split else None
        state = construct(bench, rng, noise=task.noise, along=task.along) if split is None else split
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
    effort.budget = max(task.budget, effort.spent + max(task.budget * SLIDE_SHARE, LEAST_SLIDE * facts.num_lamps))
    slid = slide(bench, state, land)
    return Done(state, slid, bench.effort.spent, bench.effort.stopped)


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
    return Done(state, NOT_SLID, effort.spent, effort.stopped)


def search_area(facts: Facts, task: Task, stop: Callable[[], bool] | None = None) -> Done:
    """Search one area on from its start, in the gauges of the whole, and rebuild its circuits exactly."""
    assert task.start is not None
    effort = Effort(task.budget * (1 - REBUILD_SHARE), stop)
    bench = Bench(facts, effort, task.num_drivers)
    bench.palette = facts.palettes[0]
    rng = random.Random(task.seed)
    state = task.start
    if state.missing:
        state = recreate(bench, draft_of(bench, state), rng) or state
    state = improve(bench, state, rng, temperature=task.temperature)
    effort.budget = max(task.budget, effort.spent + task.budget * REBUILD_SHARE)
    state = rebuild_all(bench, straighten_all(bench, state))
    return Done(state, NOT_SLID, effort.spent, effort.stopped)


_stop: Any = None
_news: Any = None


def start_worker(stop: Any, news: Any) -> None:
    """What every worker process does first: leave Ctrl-C to its parent, and end when that ends."""
    global _stop, _news
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # the parent hears Ctrl-C and tells the workers to finish
    if hasattr(os, "setpgid"):  # nor does what is sent to the whole group end them before the parent has their results
        os.setpgid(0, 0)
    parent = multiprocessing.parent_process()
    if parent is not None:
        threading.Thread(target=_end_after, args=(parent,), daemon=True).start()
    _stop, _news = stop, news
    gc.set_threshold(COLLECT_EVERY, *gc.get_threshold()[1:])


def asked_to_stop() -> bool:
    """Whether the parent wants this worker to come to an end; asked in workers only."""
    return _stop is not None and bool(_stop.is_set())


def _end_after(parent: Any) -> None:
    """End this process when its parent has, however that ended."""
    parent.join()
    os._exit(1)


@contextlib.contextmanager
def interrupts_held() -> Iterator[None]:
    """Ctrl-C waits until this is over; processes started meanwhile never hear it."""
    if not hasattr(signal, "pthread_sigmask"):  # Windows
        yield
        return
    before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)


def _work(facts: Facts, land: Land, task: Task) -> Done:
    last = 0.0

    def tell(state: State) -> None:
        nonlocal last
        now = time.monotonic()
        if now - last > 0.2:  # news only: what is printed, never what is found
            last = now
            with contextlib.suppress(Exception):
                _news.put_nowait((state.cost, state.is_whole))

    return do_task(facts, land, task, _stop.is_set, tell)


def _work_on_area(method: AreaMethod, facts: Facts, task: Task) -> Done:
    return method(facts, task, _stop.is_set)


AreaMethod = Callable[[Facts, Task, Callable[[], bool] | None], Done]


class Crew:
    """Does lists of tasks on one or several processes."""

    def __init__(self, processes: int, stop: Callable[[], bool], on_news: Callable[[float], None]) -> None:
        self._user_stop = stop
        self._on_news = on_news
        self._pool: ProcessPoolExecutor | None = None
        self._broken = False
        """Whether a process was ended from outside: then the pool is of no more use."""
        if processes > 1:
            context = multiprocessing.get_context("spawn")
            self._stop_flag = context.Event()
            self._news: Any = context.Queue()
            self._pool = ProcessPoolExecutor(
                processes, mp_context=context, initializer=start_worker, initargs=(self._stop_flag, self._news)
            )

    def __enter__(self) -> Crew:
        return self

    def __exit__(self, *_: object) -> None:
        if self._pool is not None:
            self._stop_flag.set()
            self._pool.shutdown(wait=True, cancel_futures=True)
            self._news.close()
            self._news.cancel_join_thread()

    def do(self, facts: Facts, land: Land, tasks: Sequence[Task]) -> list[Done]:
        """All tasks' results in list order."""
        return self._all(
            [(_work, facts, land, task) for task in tasks],
            lambda i: do_task(facts, land, tasks[i], self._user_stop, self._tell),
        )

    def do_areas(self, method: AreaMethod, areas: Sequence[tuple[Facts, Task]]) -> list[Done]:
        """One task for each area, on facts of its own; results in list order."""
        return self._all(
            [(_work_on_area, method, facts, task) for facts, task in areas],
            lambda i: method(*areas[i], self._user_stop),
        )

    def _all(self, calls: Sequence[tuple[Any, ...]], here: Callable[[int], Done]) -> list[Done]:
        """Each call's result; what processes lose (ended from outside, as for want of memory) is done ``here``."""
        futures: list[Future[Done]] = []
        if self._pool is not None and not self._broken:
            with interrupts_held(), contextlib.suppress(BrokenProcessPool):
                # a worker inherits that while it starts, until it ignores them itself
                for call in calls:
                    futures.append(self._pool.submit(*call))
            self._wait(futures)
        done: list[Done | None] = [None] * len(calls)
        for i, future in enumerate(futures):
            with contextlib.suppress(BrokenProcessPool):
                done[i] = future.result()
        self._broken = self._broken or None in done
        return [here(i) if one is None else one for i, one in enumerate(done)]

    def _wait(self, futures: Sequence[Future[Done]]) -> None:
        open_futures = set(futures)
        while open_futures:
            _, open_futures = wait(open_futures, timeout=0.1)
            with contextlib.suppress(queue.Empty):
                while True:
                    cost, whole = self._news.get_nowait()
                    if whole:
                        self._on_news(cost)
            if self._user_stop() and not self._stop_flag.is_set():
                self._stop_flag.set()

    def _tell(self, state: State) -> None:
        if state.is_whole:
            self._on_news(state.cost)
