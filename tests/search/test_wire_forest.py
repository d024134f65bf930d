"""Circuits along given trenches, against all ways to part the lamps among circuits: plain enumeration."""

from __future__ import annotations

import itertools
import math
import random
from collections.abc import Iterator

import pytest

from optimiser.search.driver_hubs import with_driver_hubs
from optimiser.search.effort import Effort
from optimiser.search.facts import gather_facts
from optimiser.search.state import Bench
from optimiser.search.tree import Tree, prune
from optimiser.search.wire_forest import feeds_for, wire_forest
from tests.search.test_side_by_side import JOB, folder_of_lines

GAUGES = """"2 x 1.5" = { mm2 = 1.5, price_per_m = 1.5, rating_a = 12, reels_m = [500] }
"2 x 4" = { mm2 = 4, price_per_m = 3.5, rating_a = 26, reels_m = [500] }"""


def drawn(seed: int, *, hubs: bool) -> tuple[Bench, Tree]:
    """Four or five lamps along a tree drawn at random."""
    rng = random.Random(seed)
    lamps = rng.randint(4, 5)
    lengths: dict[tuple[int, int], float] = {(0, 1): 0.5}
    for node in range(2, lamps + 3):
        lengths[rng.randrange(1, node), node] = rng.uniform(2, 16)
    joints = rng.sample(range(2, lamps + 3), lamps)
    job = JOB.replace("watts = 3", f"watts = {rng.choice((6, 9, 12))}")
    job = job.replace('"2 x 1.5" = { mm2 = 1.5, price_per_m = 1.5, rating_a = 12, reels_m = [500] }', GAUGES)
    job = job.replace("price = 80", f"price = {rng.choice((15, 80))}, outlets = {rng.choice((1, 2))}")
    job += "\n[supplies.S]\nmax_drivers = 9\n"
    folder, graph = folder_of_lines(job, lengths, joints)
    facts = gather_facts(folder.job, folder.survey, graph)
    bench = Bench(with_driver_hubs(facts) if hubs else facts, Effort(math.inf), hubs=hubs)
    tree = prune({v: u for u, v in lengths}, sorted(joints))
    return bench, tree


def partitions(lamps: list[int]) -> Iterator[list[list[int]]]:
    if not lamps:
        yield []
        return
    first, rest = lamps[0], lamps[1:]
    for size in range(len(rest) + 1):
        for beside in itertools.combinations(rest, size):
            for others in partitions([lamp for lamp in rest if lamp not in beside]):
                yield [[first, *beside], *others]


def cheapest(bench: Bench, tree: Tree, feeds: list[int]) -> float:
    """The least cost of all partitions, every circuit on one and the same of these feeds."""
    facts, best = bench.facts, math.inf
    leads = {lamp: facts.leads_of[lamp][0] for lamp in range(facts.num_lamps)}
    for f in feeds:
        for parts in partitions(list(leads)):
            circuits = []
            for part in parts:
                nodes = [facts.lead_node[leads[lamp]] for lamp in part]
                fed = bench.feed(0, f, prune(tree, nodes), {lamp: leads[lamp] for lamp in part})
                if fed is None:
                    break
                circuits.append(fed)
            state = bench.compose(circuits) if len(circuits) == len(parts) else None
            if state is not None:
                best = min(best, state.cost)
    return best


@pytest.mark.parametrize("hubs", [False, True])
@pytest.mark.parametrize("seed", range(12))
def test_circuits_are_the_cheapest_of_all_partitions(seed: int, hubs: bool) -> None:
    bench, tree = drawn(seed, hubs=hubs)
    bench.palette = bench.all_cables
    leads = {lamp: bench.facts.leads_of[lamp][0] for lamp in range(bench.facts.num_lamps)}
    circuits, every = wire_forest(bench, tree, leads)
    least = cheapest(bench, tree, feeds_for(bench, 0, list(leads)))
    assert every
    if circuits is None:
        assert least == math.inf
        return
    assert sorted(lamp for fed in circuits for lamp in fed.leads) == sorted(leads)
    state = bench.compose(circuits)
    if state is None:  # two cables of one hub would have joints at the same node: only then
        assert hubs
        return
    if hubs:  # hubs for more and for less current may go together, which the enumeration leaves out
        assert state.cost <= least + 0.02
    else:
        assert state.cost == pytest.approx(least, abs=0.02)


def test_too_many_lamps_are_left_to_others(monkeypatch: pytest.MonkeyPatch) -> None:
    bench, tree = drawn(1, hubs=False)
    leads = {lamp: bench.facts.leads_of[lamp][0] for lamp in range(bench.facts.num_lamps)}
    monkeypatch.setattr("optimiser.search.wire_forest.MOST_LAMPS", 3)
    assert wire_forest(bench, tree, leads) == (None, False)


def test_too_many_sets_are_told(monkeypatch: pytest.MonkeyPatch) -> None:
    bench, tree = drawn(2, hubs=False)
    leads = {lamp: bench.facts.leads_of[lamp][0] for lamp in range(bench.facts.num_lamps)}
    monkeypatch.setattr("optimiser.search.wire_forest.MOST_SETS", 5)
    circuits, every = wire_forest(bench, tree, leads)
    assert not every
    assert circuits is None or sorted(lamp for fed in circuits for lamp in fed.leads) == sorted(leads)
