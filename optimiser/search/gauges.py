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
    count = len(tree.above)
    scale = LEVELS / tree.budget_v
    below: list[np.ndarray | None] = [None] * (count + 1)  # sum of children's f; the last one is the driver's
    shifts: list[list[int]] = [[]] * count
    for i in range(count - 1, -1, -1):
        g = below[i]
        if g is None:
            g = np.zeros(LEVELS + 1)
            below[i] = g
        if tree.need_v[i] > 0:
            need = math.ceil(tree.need_v[i] * scale)
            if need > LEVELS:
                return None
            g[:need] = math.inf
        f = np.full(LEVELS + 1, math.inf)
        amps = tree.amps[i] * scale
        steps = []
        for _, price, ohm in tree.options[i]:
            step = int(amps * ohm + 0.5)
            steps.append(step)
            if step <= LEVELS:
                part = f[step:]
                np.minimum(part, g[: LEVELS + 1 - step] + price, out=part)
        shifts[i] = steps
        if f[LEVELS] == math.inf:
            return None
        up = tree.above[i]
        total = below[up]
        if total is None:
            below[up] = f
        else:
            total += f
    chosen = [0] * count
    left = [0] * count
    for i in range(count):
        up = tree.above[i]
        have = LEVELS if up < 0 else left[up]
        best, best_price = -1, math.inf
        g = below[i]
        assert g is not None
        for option, (_, price, _) in enumerate(tree.options[i]):
            step = shifts[i][option]
            if step <= have and g[have - step] + price < best_price:
                best, best_price = option, g[have - step] + price
        if best < 0:
            return None
        chosen[i] = best
        left[i] = have - shifts[i][best]
    return chosen


def choose_gauges_exactly(tree: PieceTree, *, max_front: int = 20_000) -> list[int] | None:
    """
    Option index for each piece at the least price, or None where no choice holds the budget.

    Works with undominated labels (drop spent below, price). Should a front outgrow ``max_front`` labels (it does not on
    circuits of garden size), it is thinned by rounding drops up, which stays feasible but is no longer proven least.
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
        if len(drops[i]) > max_front:
            keep = np.linspace(0, len(drops[i]) - 1, max_front).astype(int)
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
