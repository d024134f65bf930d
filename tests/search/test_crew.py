"""Lists of tasks on one and two processes: order, shares, what happens when a process is lost, fails or is to stop."""

from __future__ import annotations

import multiprocessing
import os
import time
from collections.abc import Callable
from typing import Any, cast

import pytest

from optimiser.search.crew import Crew
from optimiser.search.facts import Facts
from optimiser.search.state import State
from optimiser.search.tasks import Done, Task

NOWHERE = cast(Facts, None)
"""The methods of these tests look at no ground."""


def done_with(number: float) -> Done:
    return Done(cast(State, None), 0.0, number, False)


def tells_its_seed(facts: Facts, task: Task, stop: Any) -> Done:
    return done_with(task.seed)


def tells_its_process(facts: Facts, task: Task, stop: Any) -> Done:
    time.sleep(0.1)
    return done_with(os.getpid())


def dies_in_a_helper(facts: Facts, task: Task, stop: Any) -> Done:
    if multiprocessing.parent_process() is not None:
        os._exit(1)
    time.sleep(0.3)
    return done_with(task.seed)


def fails_with_seed_3(facts: Facts, task: Task, stop: Any) -> Done:
    if task.seed == 3:
        raise ValueError("seed 3")
    return done_with(task.seed)


def fails_in_a_helper(facts: Facts, task: Task, stop: Any) -> Done:
    if multiprocessing.parent_process() is not None:
        raise ValueError("in a helper")
    time.sleep(0.3)
    return done_with(task.seed)


def works_until_stopped(facts: Facts, task: Task, stop: Callable[[], bool]) -> Done:
    while not stop():
        time.sleep(0.01)
    return done_with(task.seed)


def never() -> bool:
    return False


def silent(cost: float) -> None:
    pass


def tasks(count: int) -> list[tuple[Facts, Task]]:
    return [(NOWHERE, Task(seed=seed)) for seed in range(count)]


@pytest.mark.parametrize("processes", [1, 2])
def test_results_come_in_list_order(processes: int) -> None:
    with Crew(processes, never, silent) as crew:
        for count in (0, 1, 9):
            assert [done.work for done in crew.do_areas(tells_its_seed, tasks(count))] == list(range(count))


def test_this_process_and_another_share_a_list() -> None:
    with Crew(2, never, silent) as crew:
        by = {done.work for done in crew.do_areas(tells_its_process, tasks(30))}
    assert os.getpid() in by
    assert len(by) == 2


def test_what_a_lost_process_had_in_hand_is_done_here() -> None:
    with Crew(2, never, silent) as crew:
        for count in (10, 2):  # and so are later lists
            assert [done.work for done in crew.do_areas(dies_in_a_helper, tasks(count))] == list(range(count))


def test_an_error_in_a_task_comes_out_wherever_it_was_done() -> None:
    for processes in (1, 2):
        with Crew(processes, never, silent) as crew, pytest.raises(ValueError, match="seed 3"):
            crew.do_areas(fails_with_seed_3, tasks(5))
    with Crew(2, never, silent) as crew, pytest.raises(ValueError, match="in a helper"):
        crew.do_areas(fails_in_a_helper, tasks(40))


def test_being_told_to_stop_reaches_both() -> None:
    asked = 0

    def stop() -> bool:
        nonlocal asked
        asked += 1
        return asked > 200  # about two seconds: the helper has begun by then

    with Crew(2, stop, silent) as crew:
        assert [done.work for done in crew.do_areas(works_until_stopped, tasks(2))] == [0, 1]
