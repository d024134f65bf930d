"""Pieces on reels: which whole reels to buy and what to cut from each. In: lengths and reels. Out: Packing.

One-dimensional cutting stock with several stock lengths, in whole decimetres. The answer is the *purchase* (how many
reels of each length) that is least in price, then in number of reels, then in metres. Purchases are taken in that
order, and for each the question is only whether the pieces fit:

* cheap fits first (best fit, then filling each reel exactly by subset sums): they settle most garden jobs;
* a linear program over patterns (Gilmore and Gomory 1961, doi:10.1287/opre.9.6.849) shows that a purchase is too small.
  Its prices of pieces, rounded to integers, make an inequality that every sufficient purchase fulfils (exact, since
  the knapsack behind it is solved in integers), so whole families of purchases fall at once;
* CP-SAT decides what is left: over all patterns where they are few, else piece by piece.

A purchase that nothing decides within the effort is passed over, and the result says that it is not proven.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from .cut_fits import DETERMINISTIC_S, Fit, Work, cheapest_by_patterns, exact_fit, first_fit_decreasing, quick_fit, run
from .cut_patterns import PRICE_STEPS, Ints, Task, cut_of, fulfils, knapsack, piece_prices, starting_patterns

_MAX_PURCHASES = 400
_MAX_AFTER_UNDECIDED = 60


@dataclass(frozen=True)
class PackedReel:
    """One reel; ``pieces`` in cutting order (longest first), ``left_m`` remains on it."""

    reel_m: float
    price: float
    pieces: tuple[str, ...]
    left_m: float


@dataclass(frozen=True)
class Packing:
    """
    What to buy and how to cut it.

    Attributes
    ----------
    reels
        The reels, longest first, then fullest first.
    price
        Price of all of them.
    bound
        Proven: no purchase that all pieces can be cut from costs less.
    proven
        Whether ``price`` equals ``bound``.
    """

    reels: tuple[PackedReel, ...]
    price: float
    bound: float
    proven: bool


def pack_cuts(
    pieces: Sequence[tuple[str, float]], reels: Sequence[tuple[float, float]], *, effort: float = 1.0
) -> Packing:
    """
    Find the cheapest whole reels that all pieces can be cut from.

    Parameters
    ----------
    pieces
        Name and length in m of each piece; an uncut run is one piece. Lengths are rounded up to 0.1 m.
    reels
        Length in m (rounded down to 0.1 m) and price of each stock length; any number of each may be bought.
    effort
        Scales the deterministic work of CP-SAT; 0 leaves cheap fits and the linear program.

    Returns
    -------
    Packing
        Least price; among equals fewest reels, then fewest metres (both as far as the effort decides).

    Raises
    ------
    ValueError
        No reels, a length that is not positive and finite, a price below 0, or a piece longer than the longest reel.
    KeyboardInterrupt
        Passed on when Ctrl-C comes during a solve; ask again with ``effort=0`` for an answer at once.

    Examples
    --------
    >>> packing = pack_cuts([("a", 30.0), ("b", 30.0), ("c", 15.0)], [(50.0, 40.0), (100.0, 70.0)])
    >>> [(reel.reel_m, reel.pieces, reel.left_m) for reel in packing.reels], packing.price, packing.proven
    ([(100.0, ('a', 'b', 'c'), 25.0)], 70.0, True)
    """
    sizes, stock = _in_decimetres(pieces, reels)
    if not pieces:
        return Packing((), 0.0, 0.0, True)
    unit = math.gcd(*sizes, *(length for length, _ in stock))
    lengths, demand = np.unique(np.array(sizes, dtype=np.int64) // unit, return_counts=True)
    task = Task(
        lengths[::-1].copy(),
        demand[::-1].astype(np.int64),
        np.array([length // unit for length, _ in stock], dtype=np.int64),
        np.array([price for _, price in stock], dtype=np.int64),
    )
    purchase, fit, bound = _least_purchase(task, Work(DETERMINISTIC_S * max(effort, 0.0)))
    return _packing(pieces, sizes, unit, task, purchase, fit, bound)


def _in_decimetres(
    pieces: Sequence[tuple[str, float]], reels: Sequence[tuple[float, float]]
) -> tuple[list[int], list[tuple[int, int]]]:
    """Lengths in whole decimetres; reels (length, price) longest first, the cheapest of each length."""
    if not reels:
        raise ValueError("no reels are given")
    cheapest: dict[int, int] = {}
    for length_m, price in reels:
        if not (math.isfinite(length_m) and length_m >= 0.1) or not (math.isfinite(price) and price >= 0):
            raise ValueError(f"a reel of {length_m!r} m at {price!r} cannot be used")
        length = math.floor(length_m * 10 + 1e-6)
        cheapest[length] = min(round(price * PRICE_STEPS), cheapest.get(length, 2**62))
    longest = max(cheapest)
    sizes = []
    for name, length_m in pieces:
        if not math.isfinite(length_m) or length_m <= 0:
            raise ValueError(f"piece {name} has a length of {length_m!r} m")
        size = math.ceil(length_m * 10 - 1e-6)
        if size > longest:
            raise ValueError(f"piece {name} of {length_m:.1f} m is longer than the longest reel, {longest / 10:.1f} m")
        sizes.append(size)
    return sizes, sorted(cheapest.items(), reverse=True)


def _least_purchase(task: Task, work: Work) -> tuple[tuple[int, ...], Fit, int]:
    """The least purchase found, its fit (kinds of lengths per reel), and the proven bound on its price."""
    best, best_fit = first_fit_decreasing(task)
    fill, _ = knapsack(task, task.lengths)  # the cut "as long as all pieces", each reel filled as far as can be
    cuts = [(fill[task.reel_lengths], int(task.demand @ task.lengths))]
    too_small: list[tuple[int, ...]] = []
    bound: int | None = None
    columns: list[tuple[int, Ints]] = []
    passed = 0
    while len(cuts) + len(too_small) < _MAX_PURCHASES and passed < _MAX_AFTER_UNDECIDED:
        passed += bound is not None
        purchase = _next_purchase(task, cuts, too_small, best)
        if purchase is None:  # nothing is left below the best
            return best, best_fit, task.key(best)[0] if bound is None else bound
        if fit := quick_fit(task, purchase):
            return purchase, fit, task.key(purchase)[0] if bound is None else bound
        if not columns:
            columns = [(r, pattern) for r in range(len(task.reel_lengths)) for pattern in starting_patterns(task, r)]
            price_of_piece = piece_prices(task, columns, None)
            if price_of_piece is not None:
                cut = cut_of(task, price_of_piece)
                if not fulfils(cut, purchase):
                    cuts.append(cut)
                    continue
        price_of_piece = piece_prices(task, columns, purchase)
        if price_of_piece is not None and not fulfils(cut := cut_of(task, price_of_piece), purchase):
            cuts.append(cut)
            continue
        fits, fit = exact_fit(task, purchase, columns, work)
        if fits:
            return purchase, fit, task.key(purchase)[0] if bound is None else bound
        if fits is None and bound is None:
            bound = task.key(purchase)[0]
            found = cheapest_by_patterns(task, columns, best, best_fit, work)
            if found is not None and task.key(found[0]) < task.key(best):
                best, best_fit = found
        too_small.append(purchase)
    last = _next_purchase(task, cuts, too_small, best)
    reached = task.key(best if last is None else last)[0]
    return best, best_fit, reached if bound is None else bound


def _next_purchase(
    task: Task, cuts: Sequence[tuple[Ints, int]], too_small: Sequence[tuple[int, ...]], best: Sequence[int]
) -> tuple[int, ...] | None:
    """Least purchase (price, number, metres) that fulfils all cuts, is none known too small, and beats ``best``."""
    from ortools.sat.python import cp_model as cp

    model = cp.CpModel()
    counts = [model.new_int_var(0, task.num_pieces, f"n{r}") for r in range(len(task.reel_lengths))]
    for worth, least in cuts:
        model.add(sum(int(w) * n for w, n in zip(worth, counts, strict=True)) >= least)
    for taken in too_small:  # what fits into a part of a purchase fits into the whole: none of its parts either
        more = []
        for count, n in zip(taken, counts, strict=True):
            if count < task.num_pieces:
                flag = model.new_bool_var("")
                model.add(n >= count + 1).only_enforce_if(flag)
                more.append(flag)
        model.add_bool_or(more)
    goals = [
        sum(int(price) * n for price, n in zip(task.reel_prices, counts, strict=True)),
        sum(counts),
        sum(int(length) * n for length, n in zip(task.reel_lengths, counts, strict=True)),
    ]
    model.add(goals[0] <= task.key(best)[0])
    values = tuple(best)
    for goal in goals:
        solver = cp.CpSolver()
        model.minimize(goal)
        if run(solver, model) != cp.OPTIMAL:
            return None
        values = tuple(solver.value(n) for n in counts)
        model.add(goal == round(solver.objective_value))
    return values if task.key(values) < task.key(best) else None


def _packing(
    pieces: Sequence[tuple[str, float]],
    sizes: Sequence[int],
    unit: int,
    task: Task,
    purchase: Sequence[int],
    fit: Fit,
    bound: int,
) -> Packing:
    """Put names back: pieces of one length are handed out in the order given."""
    waiting: dict[int, list[int]] = {}
    for i, size in enumerate(sizes):
        waiting.setdefault(size // unit, []).append(i)
    reel_of = [r for r, count in enumerate(purchase) for _ in range(count)]
    filled = []
    contents = zip(reel_of, fit, strict=True)
    for r, kinds in sorted(contents, key=lambda item: (item[0], -_cut_from(task, item[1]), item[1])):
        chosen = [waiting[int(task.lengths[kind])].pop(0) for kind in sorted(kinds)]
        length = int(task.reel_lengths[r]) * unit
        left = length - sum(sizes[i] for i in chosen)
        price = int(task.reel_prices[r]) / PRICE_STEPS
        filled.append(PackedReel(length / 10, price, tuple(pieces[i][0] for i in chosen), left / 10))
    total = task.key(purchase)[0]
    return Packing(tuple(filled), total / PRICE_STEPS, bound / PRICE_STEPS, total == bound)


def _cut_from(task: Task, kinds: Sequence[int]) -> int:
    return int(sum(task.lengths[kind] for kind in kinds))
