"""Subset prices and the parting of lamps, against the oracle asked one by one and against every parting tried."""

from __future__ import annotations

import math
from collections.abc import Iterator

import pytest

from optimiser.search.columns import MOST_LAMPS, part_lamps, price_subsets
from optimiser.search.oracle import cheapest_circuit
from tests.search.tiny_circuits import bench_of, tiny_circuit


def partings(lamps: list[int]) -> Iterator[list[list[int]]]:
    """All ways to part a list into groups."""
    if not lamps:
        yield []
        return
    first, rest = lamps[0], lamps[1:]
    for others in partings(rest):
        yield [[first], *others]
        for i in range(len(others)):
            yield [*others[:i], [first, *others[i]], *others[i + 1 :]]


@pytest.mark.parametrize("seed", range(12))
def test_no_subset_costs_less_than_its_bound(seed: int) -> None:
    tiny = tiny_circuit(seed, lamps=4)
    facts, bench = bench_of(tiny)
    if not facts.feeds:
        pytest.skip("no lamp has any drop left")
    columns = price_subsets(bench, 0, 0, range(4), palette=(0, 1))
    assert math.isinf(columns.bound[0])
    for mask in range(1, 16):
        found = cheapest_circuit(bench, 0, 0, columns.members(mask), palette=(0, 1))
        shares = found.fed is not None and len(set(found.fed.edges)) < len(found.fed.edges)
        if not shares:  # what shares trench within itself is outside the tables' space
            assert columns.bound[mask] <= found.price + 1e-6


@pytest.mark.parametrize("seed", range(16))
def test_parting_is_the_cheapest_of_all(seed: int) -> None:
    tiny = tiny_circuit(seed, lamps=4)
    facts, bench = bench_of(tiny)
    if not facts.feeds:
        pytest.skip("no lamp has any drop left")
    price = {}
    for mask in range(1, 16):
        lamps = tuple(i for i in range(4) if mask >> i & 1)
        price[lamps] = cheapest_circuit(bench, 0, 0, lamps, palette=(0, 1))
    if any(found.fed is not None and len(set(found.fed.edges)) < len(found.fed.edges) for found in price.values()):
        pytest.skip("a circuit shares trench within itself, which is outside the tables' space")
    most = facts.supply_max_drivers[0]  # the tiny driver has one outlet and costs nothing
    least = min(
        (
            sum(price[tuple(sorted(group))].price_bound for group in parting)
            for parting in partings(list(range(4)))
            if len(parting) <= most
        ),
        default=math.inf,
    )
    found = part_lamps([price_subsets(bench, 0, 0, range(4), palette=(0, 1))])
    if math.isinf(least):
        assert found.state is None
        return
    assert found.bound == pytest.approx(least, abs=0.005)  # thousandths rounded down, at most four of them
    if all(one.proven for one in price.values()):
        assert found.state is not None
        assert found.state.price <= least + 0.01  # trench that circuits share makes it cheaper still


def test_too_many_lamps_are_refused() -> None:
    _, bench = bench_of(tiny_circuit(1))
    with pytest.raises(ValueError, match=str(MOST_LAMPS)):
        price_subsets(bench, 0, 0, range(MOST_LAMPS + 1))
