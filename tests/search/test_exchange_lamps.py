"""Rings of lamps between full circuits, against networkx and plain enumeration; whole searches where nothing is dug."""

from __future__ import annotations

import itertools
import random
from collections.abc import Iterator, Sequence
from pathlib import Path

import networkx as nx
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from optimiser.ground import build_ground
from optimiser.job_folder import open_job
from optimiser.search.effort import Effort
from optimiser.search.facts import gather_facts
from optimiser.search.graft import close_draft, draft_of
from optimiser.search.moves import MOVES
from optimiser.search.moves.exchange_lamps import ExchangeLamps, cheapest_ring, hand_round, ring_prices
from optimiser.search.respan import lightest_tree
from optimiser.search.span_prices import SpanPrices, spanning_prices
from optimiser.search.state import Bench, State
from tests.benchmarks.graph_ground import AMPS, GraphProblem, arcs_of, as_garden, find


def problem_of(places: np.ndarray, demand: Sequence[int], outlet: float) -> GraphProblem:
    """Lamps and, last, the supply point at places in the plane, every two of them joined; nothing is dug."""
    n = len(places)
    ends = np.array(list(itertools.combinations(range(n), 2)))
    length = np.hypot(*(places[ends[:, 0]] - places[ends[:, 1]]).T).round(1)
    return GraphProblem(
        num_nodes=n,
        ends=ends,
        trench=np.zeros(len(ends)),
        length=length,
        root=n - 1,
        demand=dict(enumerate(demand)),
        outlet=outlet,
        toll=0.01,  # a cable that passes a lamp unjoined gains nothing
    )


def some_problem(seed: int, lamps: int, outlet: float) -> GraphProblem:
    rng = np.random.default_rng(seed)
    return problem_of(rng.uniform(0, 100, (lamps + 1, 2)), rng.integers(1, 4, lamps).tolist(), outlet)


def bench_of(problem: GraphProblem) -> Bench:
    job, survey, ground = as_garden(problem)
    return Bench(gather_facts(job, survey, ground.graph), Effort(1e9))


def prices_of(bench: Bench) -> SpanPrices:
    return SpanPrices(bench.facts, bench.ways, bench.effort.spend)


def star_of(bench: Bench, root: int, groups: Sequence[Sequence[int]]) -> State:
    """One circuit for each group, the lamps one behind the other."""
    circuits = []
    for group in groups:
        tree = {lamp: up for up, lamp in itertools.pairwise([root, *group])}
        fed = bench.feed(0, bench.feeds[0], tree, {lamp: bench.facts.leads_of[lamp][0] for lamp in group})
        assert fed is not None
        circuits.append(fed)
    state = bench.compose(circuits)
    assert state is not None
    return state


def span(problem: GraphProblem, nodes: Sequence[int]) -> float:
    graph = nx.Graph()
    graph.add_weighted_edges_from((*pair, w) for pair, w in zip(problem.ends.tolist(), problem.length, strict=True))
    return float(nx.minimum_spanning_tree(graph.subgraph(nodes)).size("weight"))


def partitions(lamps: list[int]) -> Iterator[list[list[int]]]:
    if not lamps:
        yield []
        return
    first, *rest = lamps
    for others in partitions(rest):
        yield [[first], *others]
        for i, group in enumerate(others):
            yield [*others[:i], [first, *group], *others[i + 1 :]]


@settings(max_examples=60, deadline=None)
@given(st.integers(0, 10**6), st.integers(2, 9), st.integers(1, 5))
def test_spanning_prices_are_those_of_networkx(seed: int, nodes: int, sets: int) -> None:
    rng = np.random.default_rng(seed)
    way = rng.uniform(1, 9, (12, 12))
    way = np.minimum(way, way.T)
    np.fill_diagonal(way, 0)
    drawn = rng.integers(0, 12, (sets, nodes))  # one may be named twice
    graph = nx.Graph()
    graph.add_weighted_edges_from((i, j, way[i, j]) for i, j in itertools.combinations(range(12), 2))
    want = [nx.minimum_spanning_tree(graph.subgraph(row)).size("weight") for row in drawn.tolist()]
    assert spanning_prices(way, drawn) == pytest.approx(want)


@pytest.mark.parametrize("seed", range(5))
def test_changes_are_differences_of_spanning_trees(seed: int) -> None:
    problem = some_problem(seed, 8, 99)
    prices = prices_of(bench_of(problem))
    swap, take, give = prices.changes(0, (1, 4, 6))
    own = [8, 1, 4, 6]
    now = span(problem, own)
    near = {"abs": 0.05}  # tolls of 0.01 for each cable
    for i in (0, 2, 3, 5, 7):
        assert take[i] == pytest.approx(span(problem, [*own, i]) - now, **near)
        for k, out in enumerate((1, 4, 6)):
            assert swap[i, k] == pytest.approx(span(problem, [v for v in own if v != out] + [i]) - now, **near)
    assert give == pytest.approx([span(problem, [v for v in own if v != out]) - now for out in (1, 4, 6)], **near)


@pytest.mark.parametrize("seed", range(30))
def test_the_cheapest_ring_is_that_of_trying_all(seed: int) -> None:
    rng = np.random.default_rng(seed)
    size = 9
    circuit = rng.integers(0, 4, size)
    cost = rng.uniform(-5, 8, (size, size))
    cost[circuit[:, None] == circuit[None]] = np.inf
    cost[rng.random(cost.shape) < 0.2] = np.inf

    def adds(ring: tuple[int, ...]) -> float:
        return float(sum(cost[i, j] for i, j in zip(ring, (*ring[1:], ring[0]), strict=True)))

    rings = [*itertools.permutations(range(size), 2), *itertools.permutations(range(size), 3)]
    want = min(adds(ring) for ring in rings if len({int(circuit[i]) for i in ring}) == len(ring))
    found = cheapest_ring(cost, circuit, None, random.Random(1))
    if want >= 0:
        assert found is None
    else:
        assert found is not None
        assert adds(found) == pytest.approx(want)


def test_two_full_circuits_hand_each_other_a_lamp() -> None:
    """Two far pairs, each on an outlet for two: crossed, nothing but an exchange sets that right."""
    places = np.array([[0.0, 50], [5, 50], [95, 50], [100, 50], [50, 0]])
    problem = problem_of(places, [1, 1, 1, 1], 2)
    bench = bench_of(problem)
    crossed = star_of(bench, 4, [[0, 2], [1, 3]])
    kept = [(dict(fed.tree), dict(fed.leads)) for fed in crossed.circuits]
    prices = prices_of(bench)
    cost, circuit = ring_prices(bench, prices, crossed)
    ring = cheapest_ring(cost, circuit, None, random.Random(1))
    assert ring is not None
    new = hand_round(bench, crossed, random.Random(1), ring, circuit)
    assert new is not None
    assert sorted(sorted(fed.leads) for fed in new.circuits) == [[0, 1], [2, 3]]
    assert new.price == pytest.approx(2 * (5 + np.hypot(45, 50).round(1)), abs=0.05)
    assert [(fed.tree, fed.leads) for fed in crossed.circuits] == kept


@pytest.mark.parametrize("seed", range(6))
def test_nodes_are_joined_by_their_lightest_edges(seed: int) -> None:
    far = np.array([[300.0, 300.0]])  # so that one cable leaves the outlet: it has one terminal
    places = np.vstack([np.random.default_rng(seed).uniform(0, 100, (7, 2)), far])
    problem = problem_of(places, [1] * 7, 99)
    bench = bench_of(problem)
    state = star_of(bench, 7, [list(range(7))])
    tree = lightest_tree(bench, state.circuits[0], state.use)
    assert tree is not None
    length = {
        pair: w for (u, v), w in zip(problem.ends.tolist(), problem.length, strict=True) for pair in ((u, v), (v, u))
    }
    assert sum(length[pair] for pair in tree.items()) == pytest.approx(span(problem, range(8)))
    fed = bench.feed(0, bench.feeds[0], tree, state.circuits[0].leads)
    assert fed is not None
    again = bench.compose([fed])
    assert again is not None
    assert lightest_tree(bench, fed, again.use) is None


@pytest.mark.parametrize("seed", range(4))
def test_after_any_exchange_every_lamp_hangs_once_within_the_outlets(seed: int) -> None:
    problem = some_problem(seed, 9, 5)
    bench = bench_of(problem)
    state = star_of(bench, 9, [[lamp] for lamp in range(9)])
    rng, move, changed = random.Random(seed), ExchangeLamps(), 0
    assert move.supports(bench)
    for _ in range(40):
        new = move(bench, state, rng)
        if new is None:
            continue
        changed += 1
        assert sorted(lamp for fed in new.circuits for lamp in fed.leads) == list(range(9))
        assert all(sum(problem.demand[lamp] for lamp in fed.leads) <= 5 for fed in new.circuits)
        assert all(fed.amps <= 5 * AMPS + 0.005 for fed in new.circuits)
        state = new
    assert changed > 10


def test_where_trenches_are_dug_lamps_are_not_exchanged(cases: Path) -> None:
    folder = open_job(cases / "courtyard")
    ground = build_ground(folder.job, folder.survey)
    bench = Bench(gather_facts(folder.job, folder.survey, ground.graph), Effort(1e9))
    assert not bench.is_undug
    assert not any(isinstance(move, ExchangeLamps) and move.supports(bench) for move, _ in MOVES)


@pytest.mark.parametrize("seed", range(4))
def test_small_capacitated_trees_are_solved_to_the_optimum(seed: int) -> None:
    """Against every split of the lamps into circuits, each joined by networkx's minimum spanning tree."""
    problem = some_problem(100 + seed, 7, 5)
    spans: dict[tuple[int, ...], float] = {}
    best = np.inf
    for split in partitions(list(range(7))):
        if max(sum(problem.demand[lamp] for lamp in group) for group in split) > 5:
            continue
        groups = [tuple(sorted(group)) for group in split]
        for group in groups:
            if group not in spans:
                spans[group] = span(problem, [*group, 7])
        best = min(best, sum(spans[group] for group in groups))
    layout, _ = find(problem, 0.1)
    cost = sum(problem.length[edge] for edge, *_ in arcs_of(layout))
    assert cost == pytest.approx(best, abs=0.2)


def test_a_tree_with_two_branches_at_the_driver_becomes_two_circuits() -> None:
    """An outlet has one terminal: a lamp hung the long way round is better off on an outlet of its own."""
    places = np.array([[0.0, 0], [10, 0], [90, 0], [100, 0], [50, 0]])
    bench = bench_of(problem_of(places, [1, 1, 1, 1], 4))
    state = star_of(bench, 4, [[1, 0, 2, 3]])
    draft = draft_of(state)
    draft.before = ()  # as if it had just been changed
    new = close_draft(bench, draft)
    assert new is not None
    assert sorted(sorted(fed.leads) for fed in new.circuits) == [[0, 1], [2, 3]]
    assert new.price == pytest.approx(100, abs=0.1)
    assert len(state.circuits) == 1
