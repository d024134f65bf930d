"""CP-SAT run so that it repeats and can be stopped. In: a model, deterministic work. Out: its values, or nothing.

One worker, a fixed seed and a limit of deterministic time: the same model gives the same answer on any machine of the
same kind and version. The solve runs in a thread of its own, so that this one hears signals, and leaves the process's
handlers alone; a request to stop is repeated until the solver has returned, since one that comes too early is lost.
"""

from __future__ import annotations

import threading
from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from ortools.sat.python import cp_model

SEED = 1
WORK_PER_UNIT = 4000.0
"""Counted work (see effort.py) of one unit of CP-SAT's deterministic time."""


@dataclass(frozen=True)
class Solved:
    """``value`` reads a variable of the best solution found."""

    value: Callable[[cp_model.IntVar], int]
    bound: float
    work: float


def solve(model: cp_model.CpModel, work: float, stop: Callable[[], bool] | None = None) -> tuple[Solved | None, float]:
    """
    The best solution within this much work (None where none was found), and the work that was spent.

    Parameters
    ----------
    work
        In the units of ``Effort``.
    stop
        Asked twenty times a second; the solve ends soon after it says True, with what it has.
    """
    from ortools.sat.python import cp_model

    solver = cp_model.CpSolver()
    solver.parameters.num_workers = 1
    solver.parameters.random_seed = SEED
    solver.parameters.max_deterministic_time = work / WORK_PER_UNIT
    solver.parameters.linearization_level = 2
    solver.parameters.catch_sigint_signal = False
    status: list[int] = []
    failed: list[BaseException] = []

    def run() -> None:
        try:
            status.append(int(solver.solve(model)))
        except BaseException as error:  # handed to the caller's thread
            failed.append(error)

    thread = threading.Thread(target=run, daemon=True)
    thread.start()
    try:
        while thread.is_alive():
            thread.join(0.05)
            if stop is not None and stop():
                solver.stop_search()
    except BaseException:
        while thread.is_alive():
            solver.stop_search()
            thread.join(0.05)
        raise
    if failed:
        raise failed[0]
    spent = solver.response_proto.deterministic_time * WORK_PER_UNIT
    if not status or status[0] not in (int(cp_model.OPTIMAL), int(cp_model.FEASIBLE)):
        return None, spent
    return Solved(solver.value, solver.best_objective_bound, spent), spent
