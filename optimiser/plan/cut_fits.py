"""Whether the pieces of a task fit into a purchase of reels. In: Task, counts of reels. Out: kinds of lengths per reel.

Cheap fits settle most garden jobs; CP-SAT decides over patterns (all of them, where they are few) or piece by piece.
"""

from __future__ import annotations

import time
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from .cut_patterns import Ints, Task, all_patterns, knapsack

if TYPE_CHECKING:
    from ortools.sat.python import cp_model

Fit = list[list[int]]
"""For each reel of a purchase, longest reels first, the kinds of lengths cut from it."""

_MAX_PATTERNS = 4_000
DETERMINISTIC_S = 2.5
"""CP-SAT's own measure of work, for effort 1."""


class Work:
    """Deterministic seconds of CP-SAT that may still be spent."""

    def __init__(self, seconds: float) -> None:
        self.left_s = seconds

    def solve(self, model: cp_model.CpModel, share_s: float) -> tuple[bool | None, cp_model.CpSolver | None]:
        """Whether the model has a solution (None: undecided), and the solver that holds it."""
        limit_s = min(share_s, self.left_s)
        if limit_s <= 0:
            return None, None
        from ortools.sat.python import cp_model as cp

        solver = cp.CpSolver()
        solver.parameters.max_deterministic_time = limit_s
        status = run(solver, model)
        self.left_s -= solver.response_proto.deterministic_time
        if status in (cp.OPTIMAL, cp.FEASIBLE):
            return True, solver
        return (False if status == cp.INFEASIBLE else None), None


def run(solver: cp_model.CpSolver, model: cp_model.CpModel) -> Any:
    """
    Solve with one worker and a fixed seed, leaving Ctrl-C to Python.

    CP-SAT's own handler would swallow the signal and leave SIGINT at the system's default afterwards; without it the
    signal waits until C++ returns. So the solve runs in a thread, and an interrupt of the waiting thread stops it.
    """
    from concurrent.futures import ThreadPoolExecutor

    solver.parameters.num_workers = 1
    solver.parameters.random_seed = 1
    solver.parameters.catch_sigint_signal = False
    with ThreadPoolExecutor(1) as pool:
        answer = pool.submit(solver.solve, model)
        try:
            while True:
                try:
                    return answer.result(timeout=0.1)
                except TimeoutError:
                    continue
        except BaseException:
            while not answer.done():  # a stop that comes before the search has begun is lost: repeat it
                solver.stop_search()
                time.sleep(0.02)
            raise


def first_fit_decreasing(task: Task) -> tuple[tuple[int, ...], Fit]:
    """Best of first-fit-decreasing on each reel length alone, then each reel the cheapest that holds its pieces."""
    best: tuple[tuple[int, int, int], tuple[int, ...], Fit] | None = None
    kinds = [kind for kind, count in enumerate(task.demand) for _ in range(count)]
    for start in task.reel_lengths:
        if start < task.lengths[0]:
            continue
        room: list[int] = []
        content: Fit = []
        for kind in kinds:
            length = int(task.lengths[kind])
            place = next((i for i, left in enumerate(room) if left >= length), len(room))
            if place == len(room):
                room.append(int(start))
                content.append([])
            room[place] -= length
            content[place].append(kind)
        counts = [0] * len(task.reel_lengths)
        chosen = []
        for left, cut in zip(room, content, strict=True):
            holding = [r for r, reel in enumerate(task.reel_lengths) if reel >= start - left]
            r = min(holding, key=lambda r: (int(task.reel_prices[r]), int(task.reel_lengths[r])))
            counts[r] += 1
            chosen.append((r, cut))
        chosen.sort(key=lambda item: item[0])
        found = (task.key(counts), tuple(counts), [cut for _, cut in chosen])
        if best is None or found[0] < best[0]:
            best = found
    assert best is not None  # the longest reel holds every piece
    return best[1], best[2]


def _bins(task: Task, purchase: Sequence[int]) -> list[int]:
    return [int(task.reel_lengths[r]) for r, count in enumerate(purchase) for _ in range(count)]


def quick_fit(task: Task, purchase: Sequence[int]) -> Fit | None:
    """Best fit decreasing, then filling reels exactly (shortest or longest first); None where none of them succeeds."""
    bins = _bins(task, purchase)
    if int(task.lengths @ task.demand) > sum(bins):
        return None
    room = list(bins)
    content: Fit = [[] for _ in bins]
    for kind in (kind for kind, count in enumerate(task.demand) for _ in range(count)):
        length = int(task.lengths[kind])
        fitting = [i for i, left in enumerate(room) if left >= length]
        if not fitting:
            break
        place = min(fitting, key=lambda i: (room[i], i))
        room[place] -= length
        content[place].append(kind)
    else:
        return content
    for order in (range(len(bins) - 1, -1, -1), range(len(bins))):
        if fit := _fill_exactly(task, bins, order):
            return fit
    return None


def _fill_exactly(task: Task, bins: Sequence[int], order: Sequence[int]) -> Fit | None:
    """Fill reel by reel: the longest piece left, and with it the fullest set of others, long pieces preferred."""
    demand = task.demand.copy()
    content: Fit = [[] for _ in bins]
    for place in order:
        open_kinds = [kind for kind in range(len(demand)) if demand[kind] and task.lengths[kind] <= bins[place]]
        if not open_kinds:
            continue
        first = open_kinds[0]
        demand[first] -= 1
        room = bins[place] - int(task.lengths[first])
        rest = Task(task.lengths, demand, np.array([max(room, 1)], dtype=np.int64), np.zeros(1, dtype=np.int64))
        _, pattern_of = knapsack(rest, task.lengths)
        pattern = pattern_of(room)
        demand -= pattern
        content[place] = [first, *(kind for kind, count in enumerate(pattern) for _ in range(count))]
    return None if demand.any() else content


def exact_fit(
    task: Task, purchase: Sequence[int], columns: Sequence[tuple[int, Ints]], work: Work
) -> tuple[bool | None, Fit]:
    """Whether the pieces fit into the purchase: True with the fit, False proven, None undecided."""
    every: list[tuple[int, Ints]] | None = []
    for r, count in enumerate(purchase):
        if count and every is not None:
            patterns = all_patterns(task, r, _MAX_PATTERNS) if len(task.lengths) <= 300 else None
            every = None if patterns is None else every + [(r, pattern) for pattern in patterns]
    fits, fit = _fit_by_patterns(task, purchase, columns if every is None else every, work)
    if fits or (fits is False and every is not None):
        return fits, fit
    return _fit_by_pieces(task, purchase, work)


def _fit_by_patterns(
    task: Task, purchase: Sequence[int], columns: Sequence[tuple[int, Ints]], work: Work
) -> tuple[bool | None, Fit]:
    from ortools.sat.python import cp_model as cp

    model = cp.CpModel()
    columns = [(r, pattern) for r, pattern in columns if purchase[r]]
    used = [model.new_int_var(0, purchase[r], "") for r, _ in columns]
    for r, count in enumerate(purchase):
        model.add(sum(x for x, (s, _) in zip(used, columns, strict=True) if s == r) <= count)
    for kind, count in enumerate(task.demand):
        makes = [int(pattern[kind]) * x for x, (_, pattern) in zip(used, columns, strict=True) if pattern[kind]]
        model.add(sum(makes) >= int(count))
    fits, solver = work.solve(model, DETERMINISTIC_S / 3)
    if not fits or solver is None:
        return fits, []
    return True, _hand_out(task, purchase, columns, [solver.value(x) for x in used])


def cheapest_by_patterns(
    task: Task, columns: Sequence[tuple[int, Ints]], start: Sequence[int], start_fit: Fit, work: Work
) -> tuple[tuple[int, ...], Fit] | None:
    """A cheap purchase out of the patterns met so far, hinted with one already found; no proof of anything."""
    from ortools.sat.python import cp_model as cp

    columns = list(columns)
    position = {(r, pattern.tobytes()): i for i, (r, pattern) in enumerate(columns)}
    hint: dict[int, int] = {}
    for r, kinds in zip((r for r, count in enumerate(start) for _ in range(count)), start_fit, strict=True):
        pattern = np.bincount(np.array(kinds, dtype=np.int64), minlength=len(task.lengths)).astype(np.int64)
        place = position.setdefault((r, pattern.tobytes()), len(columns))
        if place == len(columns):
            columns.append((r, pattern))
        hint[place] = hint.get(place, 0) + 1
    model = cp.CpModel()
    used = [model.new_int_var(0, task.num_pieces, "") for _ in columns]
    for i, x in enumerate(used):
        model.add_hint(x, hint.get(i, 0))
    for kind, count in enumerate(task.demand):
        makes = [int(pattern[kind]) * x for x, (_, pattern) in zip(used, columns, strict=True) if pattern[kind]]
        model.add(sum(makes) >= int(count))
    model.minimize(sum(int(task.reel_prices[r]) * x for x, (r, _) in zip(used, columns, strict=True)))
    fits, solver = work.solve(model, DETERMINISTIC_S / 2)
    if not fits or solver is None:
        return None
    times = [solver.value(x) for x in used]
    counts = [sum(n for n, (s, _) in zip(times, columns, strict=True) if s == r) for r in range(len(start))]
    return tuple(counts), _hand_out(task, counts, columns, times)


def _hand_out(task: Task, purchase: Sequence[int], columns: Sequence[tuple[int, Ints]], times: Sequence[int]) -> Fit:
    """Patterns that make at least what is asked, cut down to exactly that; reels in the order of ``_bins``."""
    left = task.demand.copy()
    by_reel: list[Fit] = [[] for _ in purchase]
    for count, (r, pattern) in zip(times, columns, strict=True):
        for _ in range(count):
            taken = np.minimum(pattern, left)
            left -= taken
            by_reel[r].append([kind for kind, copies in enumerate(taken) for _ in range(copies)])
    for r, count in enumerate(purchase):
        by_reel[r] += [[] for _ in range(count - len(by_reel[r]))]
    return [content for contents in by_reel for content in contents]


def _fit_by_pieces(task: Task, purchase: Sequence[int], work: Work) -> tuple[bool | None, Fit]:
    """Assignment of lengths to reels; equal reels are ordered by what is cut from them."""
    from ortools.sat.python import cp_model as cp

    model = cp.CpModel()
    bins = _bins(task, purchase)
    cut = [
        [model.new_int_var(0, min(int(d), size // int(n)), "") for n, d in zip(task.lengths, task.demand, strict=True)]
        for size in bins
    ]
    loads = []
    for size, row in zip(bins, cut, strict=True):
        load = model.new_int_var(0, size, "")
        model.add(sum(int(length) * x for length, x in zip(task.lengths, row, strict=True)) == load)
        loads.append(load)
    for kind, count in enumerate(task.demand):
        model.add(sum(row[kind] for row in cut) == int(count))
    for i in range(1, len(bins)):
        if bins[i] == bins[i - 1]:
            model.add(loads[i] <= loads[i - 1])
    fits, solver = work.solve(model, DETERMINISTIC_S / 3)
    if not fits or solver is None:
        return fits, []
    return True, [[kind for kind, x in enumerate(row) for _ in range(solver.value(x))] for row in cut]
