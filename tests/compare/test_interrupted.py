"""Ctrl-C, lost workers and lost schedulers: what is done stays done, and what is not is told as that."""

from __future__ import annotations

import contextlib
import json
import os
import shutil
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import psutil
import pytest

from optimiser.compare import workers as crews
from optimiser.compare.workers import Cluster, Undone, workers
from optimiser.problems import BadInput
from optimiser.search.stopping import StopSignal
from tests.compare.loopback import (
    ROOT,
    double,
    double_or_die,
    double_or_fail,
    double_or_wait,
    process,
    scheduler,
    worker,
)

pty = pytest.importorskip("pty", reason="needs a terminal as POSIX has it")
pytest.importorskip("distributed")
pytestmark = [
    pytest.mark.slow,
    pytest.mark.filterwarnings("ignore::DeprecationWarning"),
    pytest.mark.filterwarnings("ignore::ResourceWarning"),
]

FEW_S = 3.0
"""How long a cluster may be silent in these tests."""


def undone(results: list[Any]) -> list[tuple[int, str]]:
    return [(i, one.why) for i, one in enumerate(results) if isinstance(one, Undone)]


# --- processes of this machine


@pytest.mark.parametrize("count", [1, 2])
def test_a_worker_that_dies_again_takes_only_its_own_task_with_it(count: int) -> None:
    crew = crews.Processes(count, StopSignal())
    told: dict[int, int] = {}
    try:
        results = crew.do(double_or_die, [1, 2, 3, 4, 5], told.__setitem__)
        assert undone(results) == [(2, "lost")] and [one for one in results if one not in (results[2],)] == [
            2,
            4,
            8,
            10,
        ]
        assert told == {0: 2, 1: 4, 3: 8, 4: 10}, "each is told once"
        assert crew.do(double, [6, 7], lambda i, one: None) == [12, 14], "and the crew goes on"
    finally:
        crew.close()


def test_what_has_not_begun_when_ctrl_c_comes_is_stopped() -> None:
    stop = StopSignal()
    with workers(2, None, stop) as crew:
        results = crew.do(double_or_wait, [1, 3, 3, 3, 3, 3, 3], lambda i, one: stop.ask())
    assert results[:2] == [2, 6], "what is in hand is ended with the best so far"
    assert undone(results)[-1] == (6, "stopped") and {why for _, why in undone(results)} == {"stopped"}


# --- the command itself


class Command:
    """A command in a process of its own, with a terminal for its progress."""

    def __init__(self, *args: str | Path, what: str = "compare") -> None:
        self._screen, theirs = pty.openpty()
        self.running = subprocess.Popen(
            [sys.executable, str(ROOT / "cli.py"), what, *map(str, args)],
            stdout=subprocess.PIPE, stderr=theirs, cwd=ROOT, env={**os.environ, "PYTHONPATH": str(ROOT)},
            start_new_session=True,
        )  # fmt: skip
        os.close(theirs)
        self.shown = ""
        self._reader = threading.Thread(target=self._read, daemon=True)
        self._reader.start()

    def _read(self) -> None:
        with contextlib.suppress(OSError):
            while data := os.read(self._screen, 4096):
                self.shown += data.decode(errors="replace")

    def when(self, seen: Callable[[], object], what: str) -> None:
        until = time.monotonic() + 240
        while not seen():
            assert self.running.poll() is None and time.monotonic() < until, f"{what}: {self.shown}"
            time.sleep(0.02)

    def end(self) -> tuple[int, str]:
        """Exit code and all that was printed."""
        out, _ = self.running.communicate(timeout=300)
        self._reader.join(10)
        with contextlib.suppress(OSError):
            os.close(self._screen)
        return self.running.returncode, out.decode()

    def crew(self) -> list[psutil.Process]:
        """Its worker processes."""
        with contextlib.suppress(psutil.NoSuchProcess):
            return [
                child
                for child in psutil.Process(self.running.pid).children(recursive=True)
                if "spawn_main" in " ".join(child.cmdline())
            ]
        return []


@pytest.fixture
def out(tmp_path: Path) -> Path:
    return tmp_path / "out"


def statuses(out: Path) -> dict[str, tuple[str, str | None]]:
    """Status and outcome of each alternative."""
    data = json.loads((out / "comparison.json").read_text(encoding="utf-8"))
    return {
        row["name"]: (row["status"], row["figures"]["outcome"] if row["figures"] else None)
        for row in data["alternatives"]
    }


WHOLE = [("planned", "effort_spent"), ("planned", "proved_best")]


@pytest.mark.parametrize("processes", [1, 2])
def test_ctrl_c_keeps_what_is_done(cases: Path, out: Path, processes: int) -> None:
    asked = [part for count in (1, 2, 3, 4) for part in ("--drivers", str(count))]
    command = Command(cases / "terrace", *asked, "--effort", "1", "--processes", str(processes), "--out", out)
    command.when(lambda: "1 driver: " in command.shown, "the first one planned")
    command.running.send_signal(signal.SIGINT)
    code, printed = command.end()
    assert code == 0 and "Stopped on request" in command.shown and "Traceback" not in command.shown
    found = statuses(out)
    assert found["1 driver"] in WHOLE
    rest = [found[f"{count} drivers"] for count in (2, 3, 4)]
    assert all(one in [*WHOLE, ("planned", "stopped_by_user"), ("stopped", None)] for one in rest)
    assert ("stopped", None) in rest, "the last one had not begun"
    assert "not planned" in printed or "stopped" in printed


def test_ctrl_c_in_curves_and_limits_is_no_finding(cases: Path, out: Path) -> None:
    command = Command(
        cases / "terrace", "--drivers", "1", "--effort", "0.3", "--processes", "1", "--curves", "--limits", "--out", out
    )
    command.when(lambda: "curves of cost" in command.shown, "curves begun")
    command.running.send_signal(signal.SIGINT)
    code, printed = command.end()
    assert code == 0 and "Traceback" not in command.shown
    data = json.loads((out / "comparison.json").read_text(encoding="utf-8"))
    searched = {point["searched"] for curve in data["curves"] for point in curve["points"]}
    assert "stopped" in searched and "no_layout" not in searched
    assert {row["searched"] for row in data["limits"]["rows"]} == {"stopped"}
    assert all(row["saving"] != 0 for row in data["limits"]["rows"]), "what was found elsewhere may save, or nothing"
    assert "not searched to the end" in printed and "saved anything" not in printed


def test_ctrl_c_among_many_sites_keeps_the_finished_ones(cases: Path, out: Path, tmp_path: Path) -> None:
    for name in ("a", "b", "c"):
        shutil.copytree(cases / "terrace", tmp_path / "sites" / name)
    command = Command(tmp_path / "sites", "--effort", "0.5", "--processes", "1", "--out", out)
    command.when(lambda: "as it stands: " in command.shown, "the first site")
    command.running.send_signal(signal.SIGINT)
    code, printed = command.end()
    assert code == 0 and "Traceback" not in command.shown
    assert statuses(out / "a")["as it stands"] in WHOLE
    assert statuses(out / "c")["as it stands"] == ("stopped", None)
    assert (out / "summary.csv").exists() and "stopped" in printed


def test_a_worker_killed_by_the_system_changes_nothing(cases: Path, out: Path, tmp_path: Path) -> None:
    asked = ("--drivers", "1", "--drivers", "2", "--effort", "0.3")
    command = Command(cases / "terrace", *asked, "--processes", "2", "--out", out)
    command.when(command.crew, "workers started")
    time.sleep(1.5)
    command.crew()[0].kill()
    code, printed = command.end()
    assert code == 0 and "Traceback" not in command.shown + printed
    calm = Command(cases / "terrace", *asked, "--processes", "1", "--out", tmp_path / "calm")
    assert calm.end()[0] == 0
    assert (out / "table.csv").read_bytes() == (tmp_path / "calm/table.csv").read_bytes()


def test_workers_that_are_always_killed_are_one_sentence(cases: Path, out: Path) -> None:
    command = Command(cases / "terrace", "--drivers", "1", "--drivers", "2", "--processes", "2", "--out", out)
    while command.running.poll() is None:
        for child in command.crew():
            with contextlib.suppress(psutil.NoSuchProcess):
                if time.time() - child.create_time() > 1.0:
                    child.kill()
        time.sleep(0.1)
    code, printed = command.end()
    assert code == 2 and not printed and not out.exists()
    assert "Traceback" not in command.shown and "out of memory?" in command.shown


def test_a_killed_worker_of_a_single_plan_changes_nothing(cases: Path, out: Path, tmp_path: Path) -> None:
    command = Command(cases / "courtyard", "--effort", "0.05", "--processes", "2", "--out", out, what="plan")
    command.when(command.crew, "workers started")
    time.sleep(1.5)
    command.crew()[0].kill()
    code, printed = command.end()
    assert code == 0 and "Traceback" not in command.shown + printed
    calm = Command(cases / "courtyard", "--effort", "0.05", "--processes", "1", "--out", tmp_path / "calm", what="plan")
    assert calm.end()[0] == 0
    assert (out / "plan.json").read_bytes() == (tmp_path / "calm/plan.json").read_bytes()


# --- a cluster


@pytest.fixture
def cluster(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[tuple[str, subprocess.Popen[bytes]]]:
    monkeypatch.setattr(Cluster, "NO_WORKER_S", FEW_S)
    with scheduler(tmp_path) as (address, running):
        yield address, running


def test_ctrl_c_with_a_cluster_keeps_what_is_done(
    cases: Path, out: Path, tmp_path: Path, cluster: tuple[str, subprocess.Popen[bytes]]
) -> None:
    address, _ = cluster
    asked = [part for count in (1, 2, 3) for part in ("--drivers", str(count))]
    with process(*worker(address, tmp_path)):
        command = Command(cases / "terrace", *asked, "--effort", "1", "--cluster", address, "--out", out)
        command.when(lambda: "driver: " in command.shown or "drivers: " in command.shown, "one planned")
        command.running.send_signal(signal.SIGINT)
        code, _ = command.end()
    assert code == 0 and "Stopped on request" in command.shown and "Traceback" not in command.shown
    found = list(statuses(out).values())
    assert any(one in WHOLE for one in found) and ("stopped", None) in found


def test_a_cluster_whose_workers_all_die_keeps_what_is_done(
    cases: Path, tmp_path: Path, cluster: tuple[str, subprocess.Popen[bytes]]
) -> None:
    address, _ = cluster
    with process(*worker(address, tmp_path)) as only, workers(1, address, StopSignal()) as crew:
        results = crew.do(double_or_wait, [1, 2, 3], lambda i, one: only.kill() if i == 1 else None)
    assert results[:2] == [2, 4] and isinstance(results[2], Undone)
    assert results[2].says == "All workers of the cluster are gone."


def test_a_scheduler_that_dies_keeps_what_is_done(tmp_path: Path, cluster: tuple[str, subprocess.Popen[bytes]]) -> None:
    address, running = cluster
    with process(*worker(address, tmp_path)), workers(1, address, StopSignal()) as crew:
        results = crew.do(double_or_wait, [1, 2, 3], lambda i, one: running.kill() if i == 1 else None)
    assert results[:2] == [2, 4] and undone(results) == [(2, "lost")]


def test_a_task_that_kills_every_worker_is_given_up(
    tmp_path: Path, cluster: tuple[str, subprocess.Popen[bytes]], monkeypatch: pytest.MonkeyPatch
) -> None:
    address, _ = cluster
    monkeypatch.setattr(Cluster, "NO_WORKER_S", 60.0)  # a nanny takes a while to start its worker anew
    with process(*worker(address, tmp_path, nanny=True)), workers(1, address, StopSignal()) as crew:
        results = crew.do(double_or_die, [1, 3, 2], lambda i, one: None)
    assert (results[0], results[2]) == (2, 4) and isinstance(results[1], Undone)
    assert results[1].says == "Every worker that began it was lost (out of memory?)."


def test_what_the_work_itself_raises_is_raised(tmp_path: Path, cluster: tuple[str, subprocess.Popen[bytes]]) -> None:
    address, _ = cluster
    with (
        process(*worker(address, tmp_path)),
        workers(1, address, StopSignal()) as crew,
        pytest.raises(ZeroDivisionError),
    ):
        crew.do(double_or_fail, [1, 3], lambda i, one: None)


def refused(address: str) -> str:
    with pytest.raises(BadInput) as caught, workers(1, address, StopSignal()):
        pass
    [problem] = caught.value.problems
    return str(problem)


def test_a_scheduler_without_workers_is_refused(cluster: tuple[str, subprocess.Popen[bytes]]) -> None:
    assert refused(cluster[0]) == (
        f"command line:cluster: found '{cluster[0]}', a scheduler without any worker\n"
        f"    mend: start workers: dask worker {cluster[0]}"
    )


def test_workers_of_another_version_are_refused(
    tmp_path: Path, cluster: tuple[str, subprocess.Popen[bytes]], monkeypatch: pytest.MonkeyPatch
) -> None:
    mine = crews.about_me()
    monkeypatch.setattr(crews, "about_me", crews.about_me)
    monkeypatch.setattr(crews, "version", lambda name: "99" if name == "numpy" else mine[name])
    with process(*worker(cluster[0], tmp_path)):
        assert f"has numpy {mine['numpy']} instead of 99\n    mend: install the same version" in refused(cluster[0])


def test_workers_without_this_package_are_refused(tmp_path: Path, cluster: tuple[str, subprocess.Popen[bytes]]) -> None:
    (tmp_path / "other").mkdir()
    (tmp_path / "other/optimiser.py").write_text("")  # no package: an editable installation would add to one
    with process(*worker(cluster[0], tmp_path), path=tmp_path / "other"):
        said = refused(cluster[0])
    assert "whose workers cannot run lampspur (" in said and "No module named" in said and "on every worker" in said


def test_no_scheduler_at_the_address_is_one_sentence(cases: Path, out: Path) -> None:
    command = Command(cases / "terrace", "--cluster", "tcp://127.0.0.1:1", "--out", out)
    code, printed = command.end()
    assert (code, printed) == (2, "") and not out.exists()
    assert "where no scheduler answers" in command.shown and "Traceback" not in command.shown
