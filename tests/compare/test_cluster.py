"""A comparison on a cluster on this machine's loopback: a scheduler, two workers, and one of them killed."""

from __future__ import annotations

import os
import subprocess
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from optimiser.compare.alternatives import list_variants
from optimiser.compare.compare import compare
from optimiser.compare.workers import workers
from optimiser.documents.compare_folder import comparison_contents
from optimiser.make_plan import Options
from optimiser.search.stopping import StopSignal
from tests.compare.loopback import process, scheduler, worker

distributed = pytest.importorskip("distributed")

pytestmark = [
    pytest.mark.slow,
    pytest.mark.filterwarnings("ignore::DeprecationWarning"),
    pytest.mark.filterwarnings("ignore::ResourceWarning"),
]


@pytest.fixture
def address(tmp_path: Path) -> Iterator[str]:
    """Return the address of a scheduler on loopback."""
    with scheduler(tmp_path) as (found, _):
        yield found


def kill_when_busy(client: Any, name: str, running: subprocess.Popen[bytes], seen: list[bool]) -> None:
    """Kill a worker half a second into its first task; ``seen`` gets whether it had a task in hand."""
    for _ in range(1200):
        if client.processing().get(name):
            time.sleep(0.5)
            seen.append(bool(client.processing().get(name)))
            running.kill()
            return
        time.sleep(0.05)


def test_a_worker_killed_in_the_middle_loses_nothing(cases: Path, tmp_path: Path, address: str) -> None:
    variants = list_variants(cases / "terrace", [1, 2])
    options = Options(effort=0.1)
    one = worker(address, tmp_path)
    told: list[str] = []
    seen: list[bool] = []
    with (
        process(*one),
        process(*one) as second,
        distributed.Client(address, timeout=30, set_as_default=False) as client,
    ):
        client.wait_for_workers(2, timeout=60)
        mine = next(name for name, pid in client.run(os.getpid).items() if pid == second.pid)
        watcher = threading.Thread(target=kill_when_busy, args=(client, mine, second, seen))
        watcher.start()
        with workers(2, address, StopSignal()) as crew:
            found = compare([variants], options, crew, told.append)[0]
        watcher.join()
        assert seen == [True], "the worker had a task in hand when it was killed"
        assert len(client.scheduler_info()["workers"]) == 1
    assert len(told) == 2
    with workers(1, None, StopSignal()) as crew:
        here = compare([variants], options, crew, lambda text: None)[0]
    papers = [comparison_contents(one.comparison, one.plans, Path("x")) for one in (found, here)]
    assert papers[0] == papers[1]
