"""Who does the work of a comparison: this process, processes beside it, or a cluster. In: tasks. Out: results in order.

Tasks know nothing of each other and carry all they need, so results do not depend on who does them, nor how many do.
"""

from __future__ import annotations

import contextlib
import multiprocessing
import time
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor, as_completed
from concurrent.futures.process import BrokenProcessPool
from typing import Any, Protocol, TypeVar

from ..problems import BadInput, LampspurError, Problem
from ..search.stopping import StopSignal
from ..search.tasks import asked_to_stop, interrupts_held, start_worker

T = TypeVar("T")
R = TypeVar("R")
WAIT_S = 0.2


class WorkerLost(LampspurError):
    """A worker process ended before its work was done, by no doing of ours."""


class Workers(Protocol):
    def do(self, work: Callable[[T, StopSignal], R], tasks: Sequence[T], on_done: Callable[[int, R], None]) -> list[R]:
        """Results in the order of the tasks; ``on_done`` is told each as it comes, with the task's number."""


class Here:
    """In this process, one after another."""

    def __init__(self, stop: StopSignal) -> None:
        self._stop = stop

    def do(self, work: Callable[[T, StopSignal], R], tasks: Sequence[T], on_done: Callable[[int, R], None]) -> list[R]:
        results = []
        for i, task in enumerate(tasks):
            results.append(work(task, self._stop))
            on_done(i, results[-1])
        return results


class _ParentsStop(StopSignal):
    """In a worker process: what the parent heard."""

    def __call__(self) -> bool:
        if asked_to_stop():
            self.by_user = True
        return super().__call__()


def _do(work: Callable[[T, StopSignal], R], task: T) -> R:
    return work(task, _ParentsStop())


class Processes:
    """On processes of this machine."""

    def __init__(self, count: int, stop: StopSignal) -> None:
        self._user_stop = stop
        context = multiprocessing.get_context("spawn")
        self._flag = context.Event()
        self._pool = ProcessPoolExecutor(
            count, mp_context=context, initializer=start_worker, initargs=(self._flag, None)
        )

    def do(self, work: Callable[[T, StopSignal], R], tasks: Sequence[T], on_done: Callable[[int, R], None]) -> list[R]:
        with interrupts_held():  # a worker inherits that while it starts, until it ignores them itself
            number = {self._pool.submit(_do, work, task): i for i, task in enumerate(tasks)}
        results: dict[int, R] = {}
        left = set(number)
        while left:
            try:
                for future in as_completed(left, timeout=WAIT_S):
                    left.discard(future)
                    results[number[future]] = future.result()
                    on_done(number[future], results[number[future]])
            except TimeoutError:
                pass
            except BrokenProcessPool as error:
                raise WorkerLost("a worker process ended before its work was done (out of memory?)") from error
            if self._user_stop() and not self._flag.is_set():
                self._flag.set()
        return [results[i] for i in range(len(tasks))]

    def close(self) -> None:
        self._flag.set()
        self._pool.shutdown(wait=True, cancel_futures=True)


def _do_afar(work: Callable[[T, StopSignal], R], task: T) -> R:
    return work(task, StopSignal())


def _untyped(thing: Any) -> Any:
    """distributed has no types."""
    return thing


class Cluster:
    """
    On the workers of a Dask scheduler that runs already; they need this package installed.

    A task whose worker is lost is given to another one by the scheduler; tasks leave nothing behind, so doing one
    twice changes nothing.
    """

    CONNECT_S = 10

    def __init__(self, address: str, stop: StopSignal) -> None:
        try:
            from distributed import Client
        except ImportError:
            mend = "install the extra: pip install 'lampspur[cluster]'"
            raise BadInput(
                [Problem("command line", 0, "cluster", "needs dask.distributed, not installed", mend)]
            ) from None
        try:
            self._client: Any = _untyped(Client)(address, timeout=self.CONNECT_S, set_as_default=False)
        except (OSError, ValueError, TypeError) as error:
            reason = str(error).strip().split("\n")[0] or type(error).__name__
            mend = "write the address that the scheduler prints, such as tcp://127.0.0.1:8786"
            raise BadInput(
                [
                    Problem(
                        "command line", 0, "cluster", f"found '{address}', where no scheduler answers ({reason})", mend
                    )
                ]
            ) from None
        self._user_stop = stop

    def do(self, work: Callable[[T, StopSignal], R], tasks: Sequence[T], on_done: Callable[[int, R], None]) -> list[R]:
        futures = [self._client.submit(_do_afar, work, task, pure=False) for task in tasks]
        left = {future: i for i, future in enumerate(futures)}
        results: dict[int, R] = {}
        while left:
            for future in [future for future in left if future.done()]:
                i = left.pop(future)
                results[i] = future.result()
                on_done(i, results[i])
            if left:
                if self._user_stop():
                    self._client.cancel(list(left))
                    raise KeyboardInterrupt
                time.sleep(WAIT_S)
        return [results[i] for i in range(len(tasks))]

    def close(self) -> None:
        self._client.close()


@contextlib.contextmanager
def workers(processes: int, cluster: str | None, stop: StopSignal) -> Iterator[Workers]:
    """The workers asked for; closed at the end, however that comes."""
    if cluster is None and processes == 1:
        yield Here(stop)
        return
    crew = Processes(processes, stop) if cluster is None else Cluster(cluster, stop)
    try:
        yield crew
    finally:
        crew.close()
