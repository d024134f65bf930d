"""Patterns of a cutting-stock task: what may be cut from one reel. In: Task, prices. Out: patterns, cuts, dual prices.

Everything that enters a proof is in integers; the linear program (Gilmore and Gomory 1961, doi:10.1287/opre.9.6.849)
only suggests prices of pieces, and any prices make a true inequality.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Ints = NDArray[np.int64]
PRICE_STEPS = 10_000
"""Prices are counted in ten-thousandths of the currency: finer than any price list."""
_DUAL_STEPS = 1_000_000


@dataclass(frozen=True)
class Task:
    """The job in integers: distinct lengths falling with their counts, distinct reels."""

    lengths: Ints
    demand: Ints
    reel_lengths: Ints
    reel_prices: Ints

    @property
    def num_pieces(self) -> int:
        return int(self.demand.sum())

    def key(self, purchase: Sequence[int]) -> tuple[int, int, int]:
        counts = np.array(purchase, dtype=np.int64)
        return int(counts @ self.reel_prices), int(counts.sum()), int(counts @ self.reel_lengths)


def knapsack(task: Task, worth: Ints) -> tuple[Ints, Callable[[int], Ints]]:
    """Best worth of a pattern for every reel length 0 … longest, and a function that returns one length's pattern."""
    size = int(task.reel_lengths.max()) + 1
    value = np.zeros(size, dtype=np.int64)
    steps: list[tuple[int, int, NDArray[np.bool_]]] = []
    for kind in range(len(task.lengths)):
        if worth[kind] <= 0:
            continue
        left = min(int(task.demand[kind]), (size - 1) // int(task.lengths[kind]))
        bundle = 1
        while left > 0:
            copies = min(bundle, left)
            left -= copies
            bundle *= 2
            length = copies * int(task.lengths[kind])
            if length >= size:
                break
            taken = np.zeros(size, dtype=np.bool_)
            with_it = value[: size - length] + copies * int(worth[kind])
            taken[length:] = with_it > value[length:]
            value[length:] = np.maximum(value[length:], with_it)
            steps.append((kind, copies, taken))

    def pattern(length: int) -> Ints:
        counts = np.zeros(len(task.lengths), dtype=np.int64)
        for kind, copies, taken in reversed(steps):
            if taken[length]:
                counts[kind] += copies
                length -= copies * int(task.lengths[kind])
        return counts

    return value, pattern


def cut_of(task: Task, price_of_piece: NDArray[np.float64]) -> tuple[Ints, int]:
    """Inequality Σ worth[r] × count[r] ≥ least that every sufficient purchase fulfils, in exact integers."""
    prices = np.floor(np.maximum(price_of_piece, 0.0) / max(float(price_of_piece.max()), 1e-12) * _DUAL_STEPS)
    whole = prices.astype(np.int64)
    value, _ = knapsack(task, whole)
    return value[task.reel_lengths], int(task.demand @ whole)


def fulfils(cut: tuple[Ints, int], purchase: Sequence[int]) -> bool:
    return int(cut[0] @ np.array(purchase, dtype=np.int64)) >= cut[1]


def starting_patterns(task: Task, reel: int) -> list[Ints]:
    """One pattern for each length: as many of it as fit."""
    patterns = []
    for kind, length in enumerate(task.lengths):
        copies = min(int(task.demand[kind]), int(task.reel_lengths[reel] // length))
        if copies:
            pattern = np.zeros(len(task.lengths), dtype=np.int64)
            pattern[kind] = copies
            patterns.append(pattern)
    return patterns


def piece_prices(
    task: Task, columns: list[tuple[int, Ints]], purchase: Sequence[int] | None
) -> NDArray[np.float64] | None:
    """
    Dual prices of the lengths in the linear program over patterns, by column generation; ``columns`` grows.

    Without a purchase: reels at their prices. With one: reels are those of the purchase, and what stays uncut is the
    goal, so positive prices show that it is too small. None where all can be cut.
    """
    from scipy.optimize import linprog

    num_kinds, num_reels = len(task.lengths), len(task.reel_lengths)
    known = {(r, pattern.tobytes()) for r, pattern in columns}
    for _ in range(600):
        reel_of = np.array([r for r, _ in columns])
        made = np.array([pattern for _, pattern in columns], dtype=np.float64).T
        if purchase is None:
            cost = task.reel_prices[reel_of] / PRICE_STEPS
            answer = linprog(cost, A_ub=-made, b_ub=-task.demand.astype(np.float64), method="highs-ds")
            if answer.status != 0:
                return None
            price = -answer.ineqlin.marginals
            room = task.reel_prices / PRICE_STEPS
        else:
            used = (reel_of[None, :] == np.arange(num_reels)[:, None]).astype(np.float64)
            matrix = np.block([[-made, -np.eye(num_kinds)], [used, np.zeros((num_reels, num_kinds))]])
            goal = np.concatenate([np.zeros(len(columns)), task.lengths / task.lengths.max()])
            limits = np.concatenate([-task.demand, np.array(purchase)]).astype(np.float64)
            answer = linprog(goal, A_ub=matrix, b_ub=limits, method="highs-ds")
            if answer.status != 0 or (answer.fun or 0.0) < 1e-7:
                return None
            price = -answer.ineqlin.marginals[:num_kinds]
            room = -answer.ineqlin.marginals[num_kinds:]
        scaled = np.floor(np.maximum(price, 0.0) * _DUAL_STEPS).astype(np.int64)
        value, pattern_of = knapsack(task, scaled)
        new = False
        for r, length in enumerate(task.reel_lengths):
            if value[length] / _DUAL_STEPS > room[r] + 1e-7:
                pattern = pattern_of(int(length))
                if (mark := (r, pattern.tobytes())) not in known:
                    known.add(mark)
                    columns.append((r, pattern))
                    new = True
        if not new:
            return np.asarray(price, dtype=np.float64)
    return np.asarray(price, dtype=np.float64)  # any prices make a true cut, only a weaker one


def all_patterns(task: Task, reel: int, most: int) -> list[Ints] | None:
    """Every pattern of a reel that nothing more fits into; None where there are more than ``most``."""
    found: list[Ints] = []
    counts = np.zeros(len(task.lengths), dtype=np.int64)
    shortest = int(task.lengths[-1])
    steps = 0

    def extend(kind: int, room: int) -> bool:
        nonlocal steps
        steps += 1
        if len(found) > most or steps > 40 * most:
            return False
        if kind == len(task.lengths) or room < shortest:
            spare = task.demand - counts
            if not ((spare > 0) & (task.lengths <= room)).any():
                found.append(counts.copy())
            return True
        length = int(task.lengths[kind])
        for copies in range(min(int(task.demand[kind]), room // length), -1, -1):
            counts[kind] = copies
            if not extend(kind + 1, room - copies * length):
                return False
        counts[kind] = 0
        return True

    return found if extend(0, int(task.reel_lengths[reel])) else None
