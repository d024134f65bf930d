"""Gauges of a tree and drivers for circuits against plain enumeration of all choices."""

from __future__ import annotations

import itertools
import math
import random

import pytest

from optimiser.search.drivers import pack
from optimiser.search.gauges import LEVELS, PieceTree, choose_gauges, choose_gauges_exactly

CABLES = ((1.2, 0.029), (1.9, 0.017), (3.0, 0.011))
"""Price and loop ohm of a metre, invented."""


def random_tree(rng: random.Random) -> PieceTree:
    count = rng.randint(1, 6)
    above = [-1] + [rng.randrange(-1, i) for i in range(1, count)]
    options = []
    for _ in range(count):
        length = rng.uniform(2, 20)
        options.append(
            [
                (k, length * price, length * ohm)
                for k, (price, ohm) in enumerate([(1.2, 0.029), (1.9, 0.017), (3, 0.011)])
            ]
        )
    ends = [rng.random() < 0.6 or i not in above for i in range(count)]
    amps = [0.0] * count
    for i in range(count - 1, -1, -1):
        amps[i] += rng.uniform(0.2, 1.0) if ends[i] else 0.0
        if above[i] >= 0:
            amps[above[i]] += amps[i]
    need = [rng.uniform(0, 0.3) if end else -math.inf for end in ends]
    return PieceTree(above, options, amps, need, rng.uniform(0.6, 3.0))


def price_and_spent(tree: PieceTree, chosen: tuple[int, ...]) -> tuple[float, float]:
    """Price of a choice, and the most drop that any lamp's way would need, in V."""
    drop, price, worst = [0.0] * len(chosen), 0.0, 0.0
    for i, option in enumerate(chosen):
        _, cost, ohm = tree.options[i][option]
        price += cost
        drop[i] = ohm * tree.amps[i] + (drop[tree.above[i]] if tree.above[i] >= 0 else 0.0)
        worst = max(worst, drop[i] + max(tree.need_v[i], 0.0))
    return price, worst


@pytest.mark.parametrize("seed", range(120))
def test_exact_gauges_are_the_cheapest_of_all_choices(seed: int) -> None:
    tree = random_tree(random.Random(seed))
    every = [price_and_spent(tree, c) for c in itertools.product(range(3), repeat=len(tree.above))]
    best = min((price for price, spent in every if spent <= tree.budget_v + 1e-9), default=math.inf)
    found = choose_gauges_exactly(tree)
    if best == math.inf:
        assert found is None
        return
    assert found is not None
    price, spent = price_and_spent(tree, tuple(found))
    assert price == pytest.approx(best)
    assert spent <= tree.budget_v + 1e-9
    # The quick choice rounds each piece's drop to the nearest of LEVELS steps: it may stray by half a step a piece.
    quick = choose_gauges(tree)
    stray = (len(found) + 1) * tree.budget_v / LEVELS
    if quick is not None:
        assert price_and_spent(tree, tuple(quick))[1] <= tree.budget_v + stray
    looser = [price for price, spent in every if spent <= tree.budget_v - stray]
    if looser:
        assert quick is not None
        assert price_and_spent(tree, tuple(quick))[0] <= min(looser) + 1e-9


def fewest(loads: list[tuple[float, float]], max_w: float, max_a: float, outlets: int) -> int:
    """Fewest bins by trying every assignment."""
    for count in range(1, len(loads) + 1):
        for where in itertools.product(range(count), repeat=len(loads)):
            bins = [[load for load, b in zip(loads, where, strict=True) if b == k] for k in range(count)]
            if all(sum(w for w, _ in b) <= max_w and sum(a for _, a in b) <= max_a and len(b) <= outlets for b in bins):
                return count
    raise AssertionError


@pytest.mark.parametrize("seed", range(60))
def test_circuits_share_the_fewest_drivers(seed: int) -> None:
    rng = random.Random(seed)
    loads = [(rng.uniform(5, 60), rng.uniform(0.5, 5)) for _ in range(rng.randint(1, 5))]
    outlets = rng.randint(1, 3)
    packed = pack(loads, (80, 8), outlets)
    assert packed is not None
    assert sorted(i for group in packed for i in group) == list(range(len(loads)))
    assert len(packed) == fewest(loads, 80, 8, outlets)


def test_a_circuit_larger_than_any_driver_has_none() -> None:
    assert pack([(90.0, 3.0)], (80, 8), 2) is None
