"""Bounds with drop paid for against plain enumeration (``tiny_circuits``), which shares no code with the search."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from optimiser.search import oracle as oracle_module
from optimiser.search.circuit import protections
from optimiser.search.effort import Allowance, Effort
from optimiser.search.oracle_part import Part, circuit_part, least_draw, region_of
from optimiser.search.oracle_priced import Priced, price_drop
from optimiser.search.oracle_relaxed import Relaxed
from tests.search.known_optima import circuit_optima
from tests.search.test_oracle import against_enumeration
from tests.search.tiny_circuits import TinyCircuit, bench_of, tiny_circuit

FREE = 1e-6
SEEDS = {*range(120), 1009, 1067, 1352}
"""Those whose enumeration the tests here ask for."""


def parts_of(tiny: TinyCircuit) -> list[Part]:
    """The circuit's parts, one for each way to protect it; none where no lamp can be fed."""
    facts, bench = bench_of(tiny)
    if not facts.feeds:
        return []
    lamps = tuple(range(tiny.num_lamps))
    draw = least_draw(facts, 0, lamps)
    region = region_of(bench, None, np.zeros(facts.graph.num_edges, dtype=np.int16))
    found = []
    for rating, _, fuse_price, fault in protections(facts, facts.feeds[0], sum(draw.amps), dict.fromkeys(lamps, 0)):
        part = circuit_part(
            bench,
            region,
            0,
            0,
            lamps,
            draw,
            bench.all_cables,
            min_rating_a=rating,
            fuse_price=fuse_price,
            max_fault_ohm=fault,
        )
        found += [] if part is None else [part]
    return found


@settings(max_examples=150, deadline=None)
@given(st.integers(0, 119), st.lists(st.floats(0, 200), min_size=4, max_size=4))
def test_no_circuit_costs_less_whatever_drop_costs(seed: int, lam: list[float]) -> None:
    parts = parts_of(tiny_circuit(seed))
    bound = min((Priced(part, np.array(lam[: part.num_ends])).bound for part in parts), default=math.inf)
    assert bound <= circuit_optima(seed)[0] + FREE


@settings(max_examples=60, deadline=None)
@given(st.integers(0, 10_000), st.lists(st.floats(0, 80), min_size=4, max_size=4))
def test_whatever_a_whole_part_passes_costs_what_the_whole_does(seed: int, lam: list[float]) -> None:
    """The cheapest part passes some node, some edge and some joint: up from the ends and down from the root agree."""
    for part in parts_of(tiny_circuit(seed)):
        tables = Priced(part, np.array(lam[: part.num_ends]))
        if not math.isfinite(tables.bound):
            continue
        tables.complete()
        for least in (tables.through()[np.arange(len(part.nodes)) != part.root].min(), tables.jointed().min()):
            assert least == pytest.approx(tables.bound, abs=1e-5)
        if len(part.edge):
            assert tables.along().min() >= tables.bound - 1e-5
        # joints of three and of more items cost the same seen from below, not seen from one of them
        assert (tables.unit + tables.left_unit)[1:].min() >= tables.bound - 1e-5


@pytest.mark.parametrize("seed", range(40))
def test_prices_that_are_sought_prove_no_less_than_none(seed: int) -> None:
    for part in parts_of(tiny_circuit(seed)):
        found = price_drop(part, math.inf, Allowance(Effort(math.inf), math.inf))
        assert found.bound >= Relaxed(part).bound - FREE or not math.isfinite(Relaxed(part).bound)


def test_drops_are_those_of_the_cheapest_part() -> None:
    """The bound is concave in each price of drop: that end's drop less the headroom lies between its two slopes."""
    step, tried = 1e-4, 0
    for seed in range(60):
        for part in parts_of(tiny_circuit(seed)):
            lam = np.linspace(3.0, 5.0, part.num_ends)
            tables = Priced(part, lam)
            if not math.isfinite(tables.bound):
                continue
            over = tables.drops() - part.headroom_v
            for i, one in enumerate(np.eye(part.num_ends)):
                down, up = (Priced(part, lam + sign * step * one).bound for sign in (-1, 1))
                tried += 1
                assert (up - tables.bound) / step - 1e-3 <= over[i], f"seed {seed}, end {i}"
                assert over[i] <= (tables.bound - down) / step + 1e-3, f"seed {seed}, end {i}"
    assert tried > 100


@pytest.mark.parametrize("start", range(0, 60, 20))
def test_oracle_with_drop_priced_is_the_optimum_of_enumerated_circuits(
    start: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(oracle_module, "PRICED_ENDS", 1)
    solved, proven = against_enumeration(range(start, start + 20))
    assert proven >= 0.7 * solved


@pytest.mark.parametrize("seed", [1009, 1067, 1352])
def test_gauges_change_where_no_lamp_hangs_with_drop_priced_too(seed: int, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(oracle_module, "PRICED_ENDS", 1)
    _, proven = against_enumeration([seed])
    assert proven == 1
