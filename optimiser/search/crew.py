"""A crew that does lists of tasks, on one or several processes. In: tasks. Out: what they came to, in list order.

This process does tasks too: while another starts and reads its libraries it has begun, and of a list of few it does
its share. Each hand takes the next task when it is free. Who does which decides nothing, for tasks are independent.
"""

from __future__ import annotations

import contextlib
import gc
import multiprocessing
import os
import queue
import signal
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from typing import Any, Generic, TypeVar

from ..ground import Land
from .facts import Facts
from .state import State
from .tasks import COLLECT_EVERY, Done, DoneSliding, Task, do_slide, do_task

Result = TypeVar("Result")
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


def _work(facts: Facts, task: Task) -> Done:
    last = 0.0

    def tell(state: State) -> None:
        nonlocal last
        now = time.monotonic()
        if now - last > 0.2:  # news only: what is printed, never what is found
            last = now
            with contextlib.suppress(Exception):
                _news.put_nowait((state.cost, state.is_whole))

    return do_task(facts, task, _stop.is_set, tell)


def _slide(facts: Facts, land: Land, done: Done) -> DoneSliding:
    return do_slide(facts, land, done, _stop.is_set)


def _work_on_area(method: AreaMethod, facts: Facts, task: Task) -> Done:
    return method(facts, task, _stop.is_set)


AreaMethod = Callable[[Facts, Task, Callable[[], bool] | None], Done]


class Crew:
    """Does lists of tasks on this process and, where there are to be several, on others beside it."""

    def __init__(self, processes: int, stop: Callable[[], bool], on_news: Callable[[float], None]) -> None:
        self._user_stop = stop
        self._on_news = on_news
        self._pool: ProcessPoolExecutor | None = None
        self._broken = False
        """Whether a process was ended from outside: then the pool is of no more use."""
        self._helpers = processes - 1
        if self._helpers > 0:
            context = multiprocessing.get_context("spawn")
            self._stop_flag = context.Event()
            self._news: Any = context.Queue()
            self._pool = ProcessPoolExecutor(
                self._helpers, mp_context=context, initializer=start_worker, initargs=(self._stop_flag, self._news)
            )

    def __enter__(self) -> Crew:
        return self

    def __exit__(self, *_: object) -> None:
        if self._pool is not None:
            self._stop_flag.set()
            self._pool.shutdown(wait=True, cancel_futures=True)
            self._news.close()
            self._news.cancel_join_thread()

    def do(self, facts: Facts, tasks: Sequence[Task]) -> list[Done]:
        """All tasks' results in list order."""
        return self._all(
            [(_work, facts, task) for task in tasks],
            lambda i: do_task(facts, tasks[i], self._asked_to_stop, self._tell),
        )

    def slide(self, facts: Facts, land: Land, done: Sequence[Done]) -> list[DoneSliding]:
        """What these came to, slid; in list order."""
        return self._all(
            [(_slide, facts, land, one) for one in done],
            lambda i: do_slide(facts, land, done[i], self._asked_to_stop),
        )

    def do_areas(self, method: AreaMethod, areas: Sequence[tuple[Facts, Task]]) -> list[Done]:
        """One task for each area, on facts of its own; results in list order."""
        return self._all(
            [(_work_on_area, method, facts, task) for facts, task in areas],
            lambda i: method(*areas[i], self._asked_to_stop),
        )

    def _all(self, calls: Sequence[tuple[Any, ...]], here: Callable[[int], Result]) -> list[Result]:
        """Each call's result; what processes lose (ended from outside, as for want of memory) is done ``here``."""
        round_: _Round[Result] = _Round(calls)
        threads: list[threading.Thread] = []
        if self._pool is not None and not self._broken and len(calls) > 1:
            threads = [threading.Thread(target=round_.hand_out, args=(self._pool,)) for _ in range(self._helpers)]
            with interrupts_held():  # a worker inherits that of the thread that starts it, until it ignores them itself
                for thread in threads:
                    thread.start()
        try:
            while (i := round_.next()) is not None:
                round_.done[i] = here(i)
        except BaseException:  # nobody waits for what the others have in hand
            round_.close()
            if self._pool is not None:
                self._stop_flag.set()
            raise
        finally:
            for thread in threads:
                while thread.is_alive():
                    thread.join(timeout=0.05)
                    self._asked_to_stop()
        if round_.failure is not None:
            raise round_.failure
        self._broken = self._broken or round_.broken
        return [here(i) if one is None else one for i, one in enumerate(round_.done)]

    def _asked_to_stop(self) -> bool:
        """Whether this process is to stop; passes that on to the others, and their news to who waits for it."""
        stop = self._user_stop()
        if self._pool is not None:
            with contextlib.suppress(queue.Empty):
                while True:
                    cost, whole = self._news.get_nowait()
                    if whole:
                        self._on_news(cost)
            if stop and not self._stop_flag.is_set():
                self._stop_flag.set()
        return stop

    def _tell(self, state: State) -> None:
        if state.is_whole:
            self._on_news(state.cost)


class _Round(Generic[Result]):
    """A list of calls, handed out one at a time to whoever is free."""

    def __init__(self, calls: Sequence[tuple[Any, ...]]) -> None:
        self.calls = calls
        self.done: list[Result | None] = [None] * len(calls)
        self.broken = False
        self.failure: BaseException | None = None
        self._left = iter(range(len(calls)))
        self._lock = threading.Lock()

    def next(self) -> int | None:
        """The next call's number; None where all are taken."""
        with self._lock:
            return next(self._left, None)

    def close(self) -> None:
        """Hand out no more."""
        with self._lock:
            self._left = iter(range(0))

    def hand_out(self, pool: ProcessPoolExecutor) -> None:
        """Give one process of the pool a call whenever it has done the one before."""
        while (i := self.next()) is not None:
            try:
                self.done[i] = pool.submit(*self.calls[i]).result()
            except BrokenProcessPool:
                self.broken = True
                return
            except BaseException as failure:
                self.failure = failure
                self.close()
                return


__all__ = ["AreaMethod", "Crew", "asked_to_stop", "interrupts_held", "start_worker"]
