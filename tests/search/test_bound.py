"""The whole bound and the search against plain enumeration of the layouts of tiny jobs (``tiny_graphs.py``)."""

from __future__ import annotations

import math
import random

import pytest

from optimiser.search.bound import lower_bound
from optimiser.search.construct import construct, straighten_all
from optimiser.search.effort import Effort
from optimiser.search.facts import Facts, gather_facts
from optimiser.search.find import supply_sets
from optimiser.search.improve import improve
from optimiser.search.rebuild import rebuild_all
from optimiser.search.state import Bench
from tests.search.known_optima import graph_optima
from tests.search.tiny_graphs import tiny


def search(facts: Facts, seed: int, work: float) -> float:
    """Price of what the search finds from its several starts with so much work each (inf: nothing)."""
    best = math.inf
    for i, supplies in enumerate([None, *supply_sets(len(facts.supply_price), seed)]):
        bench = Bench(facts, Effort(work), None, supplies)
        rng = random.Random(1000 * seed + i)
        state = construct(bench, rng, along=supplies[0] if supplies is not None and len(supplies) == 1 else None)
        state = rebuild_all(bench, straighten_all(bench, improve(bench, state, rng)))
        best = min(best, state.price if state.is_whole else math.inf)
    return best


SEEDS = {*range(12), *range(100, 320)}
"""Those whose enumeration the tests here ask for."""
MISSED = {152}
"""Where the search is known to stay more than 2 % above the optimum (5.9 %), with any seed tried: one of 220."""


def compare(seed: int) -> tuple[float, float, float, float]:
    """Bound, enumerated optimum, the same with volts to spare, and what the search finds (inf: nothing)."""
    folder, graph = tiny(seed)
    facts = gather_facts(folder.job, folder.survey, graph)
    best, spare = graph_optima(seed)
    found = search(facts, seed, 300.0)
    if found > spare + 1e-6:  # default effort has 1,300 for each lamp; the short search saves the test's time
        found = min(found, search(facts, seed, 1300.0))
    return lower_bound(facts).total, best, spare, found


@pytest.mark.parametrize("seed", range(12))
def test_bound_is_never_above_the_enumerated_optimum(seed: int) -> None:
    bound, best, spare, found = compare(seed)
    assert bound <= best + 1e-6
    assert bound <= found + 1e-6
    assert (spare == math.inf) >= (found == math.inf)
    if spare < math.inf:
        assert found <= 1.02 * spare


@pytest.mark.slow
@pytest.mark.parametrize("start", range(100, 320, 55))
def test_search_finds_the_optimum_of_nearly_all_tiny_jobs(start: int) -> None:
    """Four times over 50 jobs, each time all but one at the optimum at least."""
    equal = possible = 0
    for seed in range(start, start + 55):
        bound, best, spare, found = compare(seed)
        assert bound <= min(best, found) + 1e-6, seed
        if spare == math.inf:
            continue
        possible += 1
        equal += found <= spare + 1e-6
        assert found <= 1.02 * spare or seed in MISSED, seed
    assert possible >= 50
    assert equal >= 0.98 * possible
