"""Short forests, against every tree of tiny graphs: plain enumeration over sets of edges, no code of the search."""

from __future__ import annotations

import itertools
import math
import random

import networkx as nx
import numpy as np
import pytest

from optimiser.search.effort import Effort
from optimiser.search.facts import gather_facts
from optimiser.search.short_forest import short_forest, ways_worth
from optimiser.search.state import Bench
from optimiser.search.tree import Tree
from tests.benchmarks.graph_ground import GraphProblem, as_garden
from tests.search.test_driver_hubs import HEAVY, bench_of

SEEDS = range(40)


def tiny_problem(seed: int, nodes: int = 8) -> GraphProblem:
    """A connected graph of at most 14 edges with trenches dear and cheap beside their lengths; three or four lamps."""
    rng = random.Random(seed)
    pairs = {(rng.randrange(i), i) for i in range(1, nodes)}
    others = [pair for pair in itertools.combinations(range(nodes), 2) if pair not in pairs]
    pairs |= set(rng.sample(others, 14 - len(pairs)))
    root, *lamps = rng.sample(range(nodes), rng.randint(4, 5))
    return GraphProblem(
        num_nodes=nodes,
        ends=np.array(sorted(pairs)),
        trench=np.array([rng.uniform(0, 20) for _ in pairs]),
        length=np.array([rng.uniform(1, 10) for _ in pairs]),
        root=root,
        demand=dict.fromkeys(lamps, 1),
    )


def price_of(problem: GraphProblem, edges: list[int], worth: dict[int, float]) -> float:
    """Trench and one cable in each edge, and what the ways are worth; infinite where a lamp is not reached."""
    graph = nx.Graph()
    graph.add_node(problem.root)
    for e in edges:
        u, v = problem.ends[e].tolist()
        graph.add_edge(u, v, length=problem.length[e])
    if not all(lamp in graph for lamp in worth):
        return math.inf
    away = nx.single_source_dijkstra_path_length(graph, problem.root, weight="length")
    if any(lamp not in away for lamp in worth):
        return math.inf
    ways = sum(each * away[lamp] for lamp, each in worth.items())
    return float(sum(problem.trench[e] + problem.length[e] for e in edges) + ways)


def cheapest(problem: GraphProblem, worth: dict[int, float]) -> float:
    """The least over all sets of edges that could be a tree."""
    best, most = math.inf, problem.num_nodes - 1
    for size in range(1, most + 1):
        for edges in itertools.combinations(range(len(problem.ends)), size):
            if sum(problem.trench[e] + problem.length[e] for e in edges) < best:
                best = min(best, price_of(problem, list(edges), worth))
    return best


def edges_of(problem: GraphProblem, tree: Tree) -> list[int]:
    position = {frozenset(pair): e for e, pair in enumerate(problem.ends.tolist())}
    return [position[frozenset(pair)] for pair in tree.items()]


def found(problem: GraphProblem, worth: dict[int, float], *, wrong: float = 0.0) -> tuple[float, Tree]:
    job, survey, ground = as_garden(problem)
    bench = Bench(gather_facts(job, survey, ground.graph), Effort(math.inf))
    each = np.array([worth[lamp] for lamp in sorted(worth)])
    tree, leads = short_forest(bench, random.Random(1), [problem.root], each, wrong=wrong)
    assert sorted(leads) == list(range(len(worth)))
    return price_of(problem, edges_of(problem, tree), worth), tree


@pytest.mark.slow
def test_short_forests_are_near_the_cheapest_of_all_trees() -> None:
    excess = []
    for seed in SEEDS:
        problem = tiny_problem(seed)
        rng = random.Random(seed)
        worth = {lamp: rng.choice((0.0, 0.5, 1.0, 3.0)) for lamp in problem.demand}
        price, least = found(problem, worth)[0], cheapest(problem, worth)
        assert price >= least - 1e-6
        excess.append(price / least - 1)
    assert sum(each < 1e-6 for each in excess) >= 0.7 * len(excess), excess
    assert max(excess) < 0.25, excess


def test_ways_worth_nothing_leave_the_lightest_tree_and_ways_worth_much_the_shortest() -> None:
    # Root 0, lamps at 1 and 2: by way of 1 less is dug, straight to 2 is shorter.
    problem = GraphProblem(
        num_nodes=3,
        ends=np.array([[0, 1], [0, 2], [1, 2]]),
        trench=np.array([10.0, 18.0, 6.0]),
        length=np.array([5.0, 8.0, 5.0]),
        root=0,
        demand={1: 1, 2: 1},
    )
    price, tree = found(problem, {1: 0.0, 2: 0.0})
    assert tree == {1: 0, 2: 1} and price == pytest.approx(10 + 6 + 5 + 5)
    price, tree = found(problem, {1: 1.0, 2: 9.0})
    assert tree == {1: 0, 2: 0} and price == pytest.approx(10 + 18 + 5 + 8 + 1 * 5 + 9 * 8)


def test_a_fork_is_put_where_two_trenches_are_cheaper_as_one() -> None:
    # Straight edges cost 12 each; by way of node 3 two lamps share 6 of them.
    problem = GraphProblem(
        num_nodes=4,
        ends=np.array([[0, 1], [0, 2], [0, 3], [1, 3], [2, 3], [1, 2]]),
        trench=np.array([10.0, 10.0, 4.0, 5.0, 5.0, 30.0]),
        length=np.array([2.0, 2.0, 1.0, 1.1, 1.1, 9.0]),
        root=0,
        demand={1: 1, 2: 1},
    )
    price, tree = found(problem, {1: 0.1, 2: 0.1})
    assert tree == {3: 0, 1: 3, 2: 3}
    assert price == pytest.approx(4 + 5 + 5 + 1 + 1.1 + 1.1 + 0.1 * 2 * 2.1)


@pytest.mark.parametrize("seed", range(10))
def test_wrong_prices_still_reach_every_lamp_by_a_tree(seed: int) -> None:
    problem = tiny_problem(seed)
    worth = dict.fromkeys(problem.demand, 0.5)
    price, tree = found(problem, worth, wrong=0.4)
    assert math.isfinite(price)
    graph = nx.Graph(list(tree.items()))
    assert nx.is_tree(graph)
    assert problem.root not in tree


def test_a_metre_is_worth_twice_the_copper_that_its_drop_asks_for() -> None:
    bench = bench_of(HEAVY, hubs=False)
    way_m = np.array([20.0, 40.0])
    worth = ways_worth(bench, way_m)
    # One cable only: 1.5 per metre buys 1 / 0.0242 ohm per metre at 20 C (IEC 60228, 2 x 12.1 ohm/km), less when hot.
    # Copper for a lamp alone on its way costs slope x (A / V) x way^2: a metre more, twice slope x (A / V) x way.
    slope = 1.5 * bench.facts.cables[0].hot_ohm
    lead_v = 0.05  # a metre of 2 x 0.75 mm2 (26.0 ohm/km each way, IEC 60228 class 5) at an ampere
    amps_per_volt = 1.0 / (1.2 - lead_v)  # 12 W at 12 V, a tenth of 12 V allowed
    assert worth[1] == pytest.approx(2 * worth[0])
    assert worth[0] == pytest.approx(2 * slope * amps_per_volt * 20, rel=0.02)
