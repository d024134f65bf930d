"""Who does the work of a comparison: this process, processes beside it, or a cluster. In: tasks. Out: results in order.

Tasks know nothing of each other and carry all they need, so results do not depend on who does them, nor how many do.
What is done stays done: a task that was stopped, or whose workers were lost, has an ``Undone`` for its result.
"""

from __future__ import annotations

import contextlib
import importlib
import logging
import multiprocessing
import platform
import time
import warnings
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Future, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from dataclasses import dataclass
from importlib.metadata import PackageNotFoundError, version
from typing import Any, Literal, Protocol, TypeVar

from ..problems import BadInput, Problem
from ..search.crew import asked_to_stop, interrupts_held, start_worker
from ..search.stopping import StopSignal

T = TypeVar("T")
R = TypeVar("R")
WAIT_S = 0.2


@dataclass(frozen=True)
class Undone:
    """Stands for the result of a task that was stopped before it was begun, or whose workers were lost."""

    why: Literal["stopped", "lost"]
    says: str
    """A sentence."""


STOPPED = Undone("stopped", "Stopped before its turn came.")
KILLED = Undone("lost", "Its worker process was ended from outside, also when it ran alone (out of memory?).")
KILLED_AFAR = Undone("lost", "Every worker that began it was lost (out of memory?).")


class Workers(Protocol):
    def do(
        self, work: Callable[[T, StopSignal], R], tasks: Sequence[T], on_done: Callable[[int, R], None]
    ) -> list[R | Undone]:
        """Results in the order of the tasks; ``on_done`` is told each as it comes, with the task's number."""


class Here:
    """In this process, one after another."""

    def __init__(self, stop: StopSignal) -> None:
        self._stop = stop

    def do(
        self, work: Callable[[T, StopSignal], R], tasks: Sequence[T], on_done: Callable[[int, R], None]
    ) -> list[R | Undone]:
        results: list[R | Undone] = []
        for i, task in enumerate(tasks):
            if self._stop():
                results.append(STOPPED)
                continue
            result = work(task, self._stop)
            results.append(result)
            on_done(i, result)
        return results


class _ParentsStop(StopSignal):
    """In a worker process: what the parent heard."""

    def __call__(self) -> bool:
        if asked_to_stop():
            self.by_user = True
        return super().__call__()


def _do(work: Callable[[T, StopSignal], R], task: T) -> R | Undone:
    return STOPPED if asked_to_stop() else work(task, _ParentsStop())


class Processes:
    """
    On processes of this machine.

    Where one is ended from outside, as the system does when memory is short, the pool is lost with all that was in
    hand. What was not done is then done one task at a time; a task whose process ends once more is given up.
    """

    def __init__(self, count: int, stop: StopSignal) -> None:
        self._user_stop = stop
        self._context = multiprocessing.get_context("spawn")
        self._flag = self._context.Event()
        self._pool = self._start(count)
        self._alone = count == 1

    def _start(self, count: int) -> ProcessPoolExecutor:
        return ProcessPoolExecutor(
            count, mp_context=self._context, initializer=start_worker, initargs=(self._flag, None)
        )

    def do(
        self, work: Callable[[T, StopSignal], R], tasks: Sequence[T], on_done: Callable[[int, R], None]
    ) -> list[R | Undone]:
        results: dict[int, R | Undone] = {}
        while len(results) < len(tasks):
            left = [i for i in range(len(tasks)) if i not in results]
            if self._user_stop():  # nothing new is begun
                results.update(dict.fromkeys(left, STOPPED))
                break
            if self._run(work, tasks, left, results, on_done):
                continue
            if self._alone:  # then they run in this order: the first one not done was in hand
                results[next(i for i in left if i not in results)] = KILLED
            self._pool.shutdown(wait=True, cancel_futures=True)
            self._pool, self._alone = self._start(1), True
        return [results[i] for i in range(len(tasks))]

    def _run(
        self,
        work: Callable[[T, StopSignal], R],
        tasks: Sequence[T],
        left: Sequence[int],
        results: dict[int, R | Undone],
        on_done: Callable[[int, R], None],
    ) -> bool:
        """Do what is left; False where a worker was lost meanwhile."""
        number: dict[Future[R | Undone], int] = {}
        broken = False
        with interrupts_held():  # a worker inherits that while it starts, until it ignores them itself
            try:
                for i in left:
                    number[self._pool.submit(_do, work, tasks[i])] = i
            except BrokenProcessPool:
                broken = True
        running = set(number)
        while running:
            done, running = wait(running, timeout=WAIT_S)
            for future in sorted(done, key=number.__getitem__):
                try:
                    result = future.result()
                except BrokenProcessPool:
                    broken = True
                    continue
                results[number[future]] = result
                if not isinstance(result, Undone):
                    on_done(number[future], result)
            if self._user_stop() and not self._flag.is_set():
                self._flag.set()
        return not broken

    def close(self) -> None:
        self._flag.set()
        self._pool.shutdown(wait=True, cancel_futures=True)


def _do_afar(work: Callable[[T, StopSignal], R], task: T) -> tuple[R | None, Exception | None]:
    """Result, or what our own code raised: whatever else a future raises is the cluster's."""
    try:
        return work(task, StopSignal()), None
    except Exception as error:
        return None, error


COMPUTES = ("numpy", "scipy", "shapely", "ortools", "highspy")


def about_me() -> dict[str, str]:
    """Versions of all that results depend on; asked of each worker of a cluster."""
    found = {"python": ".".join(platform.python_version_tuple()[:2])}
    for name in ("lampspur", "distributed", *COMPUTES):
        with contextlib.suppress(PackageNotFoundError):
            found[name] = version(name)
    return found


class _OfTheTask(Exception):
    """What the work itself raised."""

    def __init__(self, error: Exception) -> None:
        self.error = error
        super().__init__()


def _untyped(thing: Any) -> Any:
    """distributed has no types."""
    return thing


def _first_line(error: BaseException) -> str:
    return next((line.strip().rstrip(".") for line in str(error).splitlines() if line.strip()), type(error).__name__)


def _cannot_use(address: str, found: str, mend: str) -> BadInput:
    return BadInput([Problem("command line", 0, "cluster", f"found '{address}', {found}", mend)])


class Cluster:
    """
    On the workers of a Dask scheduler that runs already; they need this package installed, in this version.

    A task whose worker is lost is given to another one by the scheduler; tasks leave nothing behind, so doing one
    twice changes nothing. A scheduler that has lost several workers with a task gives it up, and with it whatever
    waited on the same workers: such tasks are done once more at the end, each alone, before they count as lost.
    """

    CONNECT_S = 10.0
    NO_WORKER_S = 30.0
    """How long to wait for a worker where there is none, or for the scheduler where it does not answer any more."""

    def __init__(self, address: str, stop: StopSignal) -> None:
        try:
            distributed = _untyped(importlib.import_module("distributed"))
        except ImportError:
            mend = "install the extra: pip install 'lampspur[cluster]'"
            raise BadInput(
                [Problem("command line", 0, "cluster", "needs dask.distributed, not installed", mend)]
            ) from None
        logging.getLogger("distributed").setLevel(logging.CRITICAL)  # what matters of it is said in our words
        self._address, self._user_stop = address, stop
        try:
            with warnings.catch_warnings():
                warnings.simplefilter("ignore")
                self._client: Any = distributed.Client(address, timeout=self.CONNECT_S, set_as_default=False)
        except Exception as error:
            mend = "write the address that the scheduler prints, such as tcp://127.0.0.1:8786"
            raise _cannot_use(address, f"where no scheduler answers ({_first_line(error)})", mend) from None
        try:
            self._look_at_workers()
        except BaseException:
            self.close()
            raise

    def _look_at_workers(self) -> None:
        """Refuse a cluster that has no worker, or one whose results might be others."""
        until = time.monotonic() + self.NO_WORKER_S
        while not self._num_workers():
            if self._user_stop():
                return
            if time.monotonic() > until:
                mend = f"start workers: dask worker {self._address}"
                raise _cannot_use(self._address, "a scheduler without any worker", mend)
            time.sleep(WAIT_S)
        mine = about_me()
        install = "install the same version of lampspur and of its packages on every worker"
        try:
            found: dict[str, dict[str, str]] = self._client.run(about_me)
        except Exception as error:
            what = f"whose workers cannot run lampspur ({type(error).__name__}: {_first_line(error)})"
            raise _cannot_use(self._address, what, install) from None
        for worker, theirs in sorted(found.items()):
            other = [f"{name} {theirs.get(name, 'missing')} instead of {mine[name]}" for name in mine
                     if theirs.get(name) != mine[name]]  # fmt: skip
            if other:
                raise _cannot_use(self._address, f"whose worker {worker} has {', '.join(other)}", install)

    def _num_workers(self) -> int:
        """As the scheduler told last; 0 where it cannot be asked."""
        try:
            return len(self._client.scheduler_info(n_workers=-1)["workers"])
        except TypeError:  # before 2025.3
            return len(self._client.scheduler_info()["workers"])

    def do(
        self, work: Callable[[T, StopSignal], R], tasks: Sequence[T], on_done: Callable[[int, R], None]
    ) -> list[R | Undone]:
        results: dict[int, R | Undone] = {}
        left: dict[Any, int] = {}
        doubtful: list[int] = []
        alone = len(tasks) == 1
        if self._user_stop():
            return [STOPPED for _ in tasks]
        try:
            for i, task in enumerate(tasks):
                left[self._begin(work, task)] = i
            quiet_since = time.monotonic()
            while left or doubtful:
                if not left:
                    alone, i = True, doubtful.pop(0)
                    left[self._begin(work, tasks[i])] = i
                for future in [future for future in left if future.done()]:
                    result = self._result(future)
                    if result is None:
                        continue  # its worker was lost with it: the scheduler has it done anew
                    i = left.pop(future)
                    if result is KILLED_AFAR and not alone:
                        doubtful.append(i)
                        continue
                    results[i] = result
                    if not isinstance(result, Undone):
                        on_done(i, result)
                if self._user_stop():
                    break
                trouble = self._trouble()
                if not trouble:
                    quiet_since = time.monotonic()
                elif time.monotonic() - quiet_since > self.NO_WORKER_S:
                    return self._given_up(results, left, len(tasks), Undone("lost", trouble))
                if left:
                    time.sleep(WAIT_S)
        except _OfTheTask as error:
            raise error.error from None
        except Exception as error:  # of a client that has lost its scheduler: of many types, by its version
            says = f"The cluster failed ({_first_line(error)})."
            return self._given_up(results, left, len(tasks), Undone("lost", says))
        return self._given_up(results, left, len(tasks), STOPPED)

    def _begin(self, work: Callable[[T, StopSignal], R], task: T) -> Any:
        """The future of a task."""
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # of large tasks: a site is as large as it is
            return self._client.submit(_do_afar, work, task, pure=False)

    def _trouble(self) -> str:
        """What keeps the cluster from going on, as a sentence; empty where it can."""
        if self._client.status != "running":
            return f"The scheduler at {self._address} does not answer any more."
        return "" if self._num_workers() else "All workers of the cluster are gone."

    def _result(self, future: Any) -> Any:
        """What a task gave, an Undone where the cluster lost it, or None where it is to be done anew."""
        if future.status == "finished":
            try:
                result, error = future.result(timeout=self.CONNECT_S)
            except Exception:
                return None
            if error is not None:
                raise _OfTheTask(error)
            return result
        if future.status == "error":
            error = future.exception(timeout=self.CONNECT_S)
            if type(error).__name__ == "KilledWorker":
                return KILLED_AFAR
            return Undone("lost", f"The cluster could not do it ({type(error).__name__}: {_first_line(error)}).")
        return Undone("lost", f"The scheduler at {self._address} lost it.")

    def _given_up(
        self, results: dict[int, R | Undone], left: dict[Any, int], count: int, undone: Undone
    ) -> list[R | Undone]:
        """The results, with ``undone`` for what is left of them."""
        if left:
            with contextlib.suppress(Exception):
                self._client.cancel(list(left), force=True)
        return [results.get(i, undone) for i in range(count)]

    def close(self) -> None:
        with contextlib.suppress(Exception):
            self._client.close(timeout=self.CONNECT_S)


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
