"""For the tests of crews: dask.distributed on this machine's loopback, and work that other processes can import."""

from __future__ import annotations

import contextlib
import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

from optimiser.search.stopping import StopSignal

ROOT = Path(__file__).resolve().parents[2]


@contextlib.contextmanager
def process(*args: str, path: Path = ROOT) -> Iterator[subprocess.Popen[bytes]]:
    """One program of dask.distributed, with its modules from ``path``; ended at the end whatever happened."""
    environment = {**os.environ, "PYTHONPATH": str(path)}
    running = subprocess.Popen(
        [sys.executable, "-m", "distributed.cli.dask_" + args[0], *args[1:]],
        env=environment, cwd=path, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
    )  # fmt: skip
    try:
        yield running
    finally:
        running.kill()
        running.wait()


@contextlib.contextmanager
def scheduler(folder: Path) -> Iterator[tuple[str, subprocess.Popen[bytes]]]:
    """A scheduler: its address and its process."""
    file = folder / "at"
    with process(
        "scheduler", "--host", "127.0.0.1", "--port", "0", "--no-dashboard", "--scheduler-file", str(file)
    ) as running:
        for _ in range(600):
            with contextlib.suppress(OSError, ValueError, KeyError):
                yield str(json.loads(file.read_text(encoding="utf-8"))["address"]), running
                return
            time.sleep(0.1)
        raise TimeoutError("no scheduler")


def worker(address: str, folder: Path, *, nanny: bool = False) -> tuple[str, ...]:
    """Arguments for ``process``: a worker that does one task at a time."""
    kind = "--nanny" if nanny else "--no-nanny"
    return ("worker", address, kind, "--nthreads", "1", "--no-dashboard", "--local-directory", str(folder))


def double(number: int, stop: StopSignal) -> int:
    del stop
    return 2 * number


def double_or_die(number: int, stop: StopSignal) -> int:
    """Three ends its process, as the system does when memory is short."""
    if number == 3:
        os.kill(os.getpid(), signal.SIGKILL)
    return double(number, stop)


def double_or_wait(number: int, stop: StopSignal) -> int:
    """Three waits until it is stopped."""
    until = time.monotonic() + 60
    while number == 3 and not stop() and time.monotonic() < until:
        time.sleep(0.05)
    return double(number, stop)


def double_or_fail(number: int, stop: StopSignal) -> int:
    if number == 3:
        raise ZeroDivisionError("of the work itself")
    return double(number, stop)
