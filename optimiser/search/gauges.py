"""The cheapest gauge for every piece of a given tree. In: pieces with lengths, currents, budgets. Out: a cable each.

Two exact choices for fixed currents. ``choose_gauges`` runs a dynamic programme over drop in ``LEVELS`` steps,
rounded to the nearest: fast, verified afterwards by the load flow of whoever calls it. ``choose_gauges_exactly``
keeps every undominated pair (drop, price) of each subtree, with no rounding at all: used to finish a layout.

Both minimise the sum of piece prices subject to: along the way to each lamp, drops add up to no more than its budget. A
subtree is described by f(d), the least price at which every lamp below is served when drop d may still be spent
above it; children add, and a piece shifts f by its own drop: f is a step function that falls as d grows.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

LEVELS = 480
MOST_LABELS = 20_000
"""Labels of one subtree beyond which the choice without rounding is thinned."""


@dataclass
class PieceTree:
    """
    Pieces of one circuit in an order in which parents come first.

    Attributes
    ----------
    above
        Index of the piece upstream, -1 at the driver.
    options
        For each piece the cables it may be: (cable, price, loop ohm at hot copper with its ends).
    amps
        Current in each piece, in A.
    need_v
        Drop that must still be left at the piece's far end for the lamps that hang there (-inf if none), in V: the
        greatest budget of the circuit less the lamp's own, plus its lead's drop.
    budget_v
        The greatest budget of the circuit, in V.
    """

    above: list[int]
    options: list[list[tuple[int, float, float]]]
    amps: list[float]
    need_v: list[float]
    budget_v: float


def choose_gauges(tree: PieceTree) -> list[int] | None:
    """Option index for each piece, or None where no choice holds the budget (to within the rounding)."""
    above, options = tree.above, tree.options
    count = len(above)
    scale = LEVELS / tree.budget_v
    need = [0] * count
    steps: list[list[int]] = []
    for i, (need_v, amps, mine) in enumerate(zip(tree.need_v, tree.amps, options, strict=True)):
        if need_v > 0:
            need[i] = math.ceil(need_v * scale)
            if need[i] > LEVELS:
                return None
        amps *= scale
        steps.append([int(amps * ohm + 0.5) for _, _, ohm in mine])
    cheapest = _cheapest_that_holds(above, options, steps, need)
    if cheapest is not None:
        return cheapest
    below: list[np.ndarray | None] = [None] * (count + 1)  # sum of children's f; the last one is the driver's
    for i in range(count - 1, -1, -1):
        g = below[i]
        f = np.empty(LEVELS + 1)
        if g is None:
            _fill_leaf(f, options[i], steps[i], need[i])
        else:
            g[: need[i]] = math.inf
            f[: min(steps[i][0], LEVELS + 1)] = math.inf
            for option, ((_, price, _), step) in enumerate(zip(options[i], steps[i], strict=True)):
                if step <= LEVELS:
                    if option == 0:
                        np.add(g[: LEVELS + 1 - step], price, out=f[step:])
                    else:
                        part = f[step:]
                        np.minimum(part, g[: LEVELS + 1 - step] + price, out=part)
        if f[LEVELS] == math.inf:
            return None
        total = below[above[i]]
        if total is None:
            below[above[i]] = f
        else:
            total += f
    chosen = [0] * count
    left = [0] * (count + 1)
    left[count] = LEVELS
    for i in range(count):
        have = left[above[i]]
        best, best_price = -1, math.inf
        g = below[i]
        for option, ((_, price, _), step) in enumerate(zip(options[i], steps[i], strict=True)):
            rest = have - step
            if rest < need[i]:
                continue
            if g is not None:
                price += g.item(rest)
            if price < best_price:
                best, best_price = option, price
        if best < 0:
            return None
        chosen[i] = best
        left[i] = have - steps[i][best]
    return chosen


def _cheapest_that_holds(
    above: list[int], options: list[list[tuple[int, float, float]]], steps: list[list[int]], need: list[int]
) -> list[int] | None:
    """The cheapest option of every piece, if the budget holds with them: then there is nothing to choose."""
    left = [0] * (len(above) + 1)
    left[-1] = LEVELS
    chosen = []
    for i, up in enumerate(above):
        mine = options[i]
        best, best_price = 0, mine[0][1]
        for option in range(1, len(mine)):
            if mine[option][1] < best_price:
                best, best_price = option, mine[option][1]
        left[i] = left[up] - steps[i][best]
        if left[i] < need[i]:
            return None
        chosen.append(best)
    return chosen


def _fill_leaf(f: np.ndarray, mine: list[tuple[int, float, float]], steps: list[int], need: int) -> None:
    """f of a piece with nothing below: the cheapest of the options whose drop leaves what its lamps need."""
    least = math.inf
    f[:] = math.inf
    for step, price in sorted((step, price) for (_, price, _), step in zip(mine, steps, strict=True)):
        if price < least and step + need <= LEVELS:
            f[step + need :] = least = price


def choose_gauges_exactly(tree: PieceTree) -> list[int] | None:
    """
    Option index for each piece at the least price, or None where no choice holds the budget.

    Works with undominated labels (drop spent below, price). Should there be more than ``MOST_LABELS`` (there are not on
    circuits of garden size), they are thinned by rounding drops up: feasible still, but no longer proven least.
    """
    count = len(tree.above)
    drops: list[np.ndarray] = [np.zeros(0)] * count
    prices: list[np.ndarray] = [np.zeros(0)] * count
    kids: list[list[int]] = [[] for _ in range(count)]
    for i, up in enumerate(tree.above):
        if up >= 0:
            kids[up].append(i)
    for i in range(count - 1, -1, -1):
        below_drop, below_price = _merge([(drops[k], prices[k]) for k in kids[i]], max(tree.need_v[i], 0.0))
        all_drop = np.concatenate([below_drop + tree.amps[i] * ohm for _, _, ohm in tree.options[i]])
        all_price = np.concatenate([below_price + p for _, p, _ in tree.options[i]])
        inside = all_drop <= tree.budget_v
        drops[i], prices[i] = _undominated(all_drop[inside], all_price[inside])
        if len(drops[i]) == 0:
            return None
        if len(drops[i]) > MOST_LABELS:
            keep = np.linspace(0, len(drops[i]) - 1, MOST_LABELS).astype(int)
            drops[i], prices[i] = drops[i][keep], prices[i][keep]
    chosen = [0] * count
    left = [0.0] * count
    for i in range(count):
        up = tree.above[i]
        have = tree.budget_v if up < 0 else left[up]
        best, best_price = -1, math.inf
        for option, (_, price, ohm) in enumerate(tree.options[i]):
            rest = have - tree.amps[i] * ohm
            if rest < max(tree.need_v[i], 0.0) - 1e-12:
                continue
            for k in kids[i]:
                at = int(np.searchsorted(drops[k], rest + 1e-12, side="right")) - 1
                if at < 0:
                    price = math.inf
                    break
                price += float(prices[k][at])
            if price < best_price:
                best, best_price = option, price
        if best < 0:
            return None
        chosen[i] = best
        left[i] = have - tree.amps[i] * tree.options[i][best][2]
    return chosen


def _undominated(drop: np.ndarray, price: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Labels sorted by drop, each cheaper than all with less drop."""
    order = np.lexsort((price, drop))
    drop, price = drop[order], price[order]
    if len(price) == 0:
        return drop, price
    least = np.minimum.accumulate(price)
    keep = np.ones(len(price), dtype=bool)
    keep[1:] = price[1:] < least[:-1] - 1e-12
    return drop[keep], price[keep]


def _merge(fronts: Sequence[tuple[np.ndarray, np.ndarray]], least_drop: float) -> tuple[np.ndarray, np.ndarray]:
    """Front of several subtrees that hang at one joint: drops take the greatest, prices add."""
    if not fronts:
        return np.array([least_drop]), np.zeros(1)
    levels = np.unique(np.concatenate([drop for drop, _ in fronts]))
    floor = max(least_drop, max(float(drop[0]) for drop, _ in fronts))
    levels = np.maximum(levels[levels >= floor] if levels[-1] >= floor else np.array([floor]), floor)
    if levels[0] > floor:
        levels = np.concatenate([[floor], levels])
    total = np.zeros(len(levels))
    for drop, price in fronts:
        total += price[np.searchsorted(drop, levels, side="right") - 1]
    return _undominated(levels, total)
