"""Light forests and the edges they begin along, against enumerated Steiner trees, found forests and public optima.

A Steiner tree is a minimum spanning tree of the sub-graph on its own nodes: the least of those over all sets that hold
the terminals is the optimum (networkx does the spanning trees). Published optima: T. Koch, A. Martin, S. Voss,
SteinLib, ZIB-Report 00-37 (2000).
"""

from __future__ import annotations

import itertools
import math
import random
from pathlib import Path

import networkx as nx
import numpy as np
import pytest

from optimiser.ground import build_ground
from optimiser.job_folder import open_job
from optimiser.search import light_forest as module
from optimiser.search.effort import Effort
from optimiser.search.facts import Facts, gather_facts
from optimiser.search.light_forest import light_forest
from optimiser.search.state import Bench
from optimiser.search.tight_edges import Proven, narrowed, prove_edges
from optimiser.search.tree import Tree
from tests.benchmarks import instances
from tests.benchmarks.bench_graphs import problem_of
from tests.benchmarks.graph_ground import GraphProblem, as_garden

CASES = Path(__file__).resolve().parents[2] / "cases"


def tiny_problem(seed: int, nodes: int = 8) -> GraphProblem:
    """A connected graph with prices from 0 to 9, so that many ways cost the same; three to five terminals."""
    rng = random.Random(seed)
    pairs = {(rng.randrange(i), i) for i in range(1, nodes)}
    pairs |= {pair for pair in itertools.combinations(range(nodes), 2) if rng.random() < 0.3}
    root, *lamps = rng.sample(range(nodes), rng.randint(3, 5))
    return GraphProblem(
        num_nodes=nodes,
        ends=np.array(sorted(pairs)),
        trench=np.array([float(rng.randint(0, 9)) for _ in pairs]),
        length=np.full(len(pairs), 1e-4),
        root=root,
        demand=dict.fromkeys(lamps, 1),
        scale_m=1000.0,
    )


def facts_of(problem: GraphProblem) -> Facts:
    job, survey, ground = as_garden(problem)
    return gather_facts(job, survey, ground.graph)


def roots_of(facts: Facts) -> list[int]:
    return [int(node) for node in facts.graph.supply_node]


@pytest.mark.parametrize("seed", range(10))
def test_lamps_are_joined_nearest_first_by_what_their_ways_cost(seed: int) -> None:
    """Ways by networkx's Dijkstra on the graph itself; what a metre costs in cable is too little to tell here."""
    problem = tiny_problem(seed)
    facts = facts_of(problem)
    bench = Bench(facts, Effort(math.inf))
    bench.ways.set_prices(bench.prices_before())
    order = bench.nearest_first(random.Random(seed), roots_of(facts), 0.0)
    graph = nx.Graph()
    for (u, v), price in zip(problem.ends.tolist(), problem.trench.tolist(), strict=True):
        graph.add_edge(u, v, price=price)
    cost = nx.single_source_dijkstra_path_length(graph, problem.root, weight="price")
    away = [min(cost[facts.lead_node[arc]] for arc in facts.leads_of[lamp]) for lamp in order]
    assert sorted(order) == list(range(facts.num_lamps))
    assert away == sorted(away)


def price_of(bench: Bench) -> np.ndarray:
    return np.asarray(bench.facts.graph.trench_price + bench.ways.laid_price)


def weight_of(bench: Bench, parent: Tree, leads: dict[int, int]) -> float:
    price = price_of(bench)
    trench = math.fsum(price[bench.ways.edge_between(child, up)] for child, up in parent.items())
    return trench + math.fsum(bench.facts.lead_price[arc] for arc in leads.values())


def least_through(problem: GraphProblem, price: np.ndarray) -> list[float]:
    """For each edge, the least price of a tree over all terminals in which it is, by trying every set of nodes."""
    ends = problem.ends.tolist()
    terminals = {problem.root, *problem.demand}
    others = [v for v in range(problem.num_nodes) if v not in terminals]
    least = [math.inf] * len(ends)
    for e, chosen in itertools.product(
        range(len(ends)),
        itertools.chain.from_iterable(itertools.combinations(others, k) for k in range(len(others) + 1)),
    ):
        nodes = terminals.union(chosen)
        if not nodes.issuperset(ends[e]):
            continue
        graph = nx.Graph()
        for k, (u, v) in enumerate(ends):
            if u in nodes and v in nodes:  # this edge is in every spanning tree of least price when it is the cheapest
                graph.add_edge(u, v, weight=-1.0 if k == e else price.item(k))
        if set(graph) != nodes or not nx.is_connected(graph):
            continue
        tree = nx.minimum_spanning_tree(graph)
        while loose := [v for v in tree if tree.degree(v) == 1 and v not in terminals]:
            tree.remove_nodes_from(loose)
        if tree.has_edge(*ends[e]):
            least[e] = min(least[e], tree.size(weight="weight") + 1.0 + price.item(e))
    return least


@pytest.mark.parametrize("seed", range(40))
def test_no_tree_is_lighter_than_what_its_edges_prove(seed: int) -> None:
    problem = tiny_problem(seed)
    facts = facts_of(problem)
    bench = Bench(facts, Effort(math.inf))
    price = price_of(bench)
    least = least_through(problem, price[:-1])  # the last edge leads to the blind node of ``as_garden``
    optimum = min(least)
    for begin in (None, *range(facts.num_lamps)):
        proven = prove_edges(facts, roots_of(facts), price, begin, bench.effort.spend)
        assert proven is not None
        assert proven.least <= optimum + 1e-9
        assert (proven.through[:-1] <= np.array(least) + 1e-6).all()  # leads have a price of 1e-7 in the search's ways
        assert (proven.through >= proven.least).all()
        if proven.least > optimum - 1e-9:
            assert joined_by(facts, proven), "an optimal tree lies along tight edges"
    parent, leads = light_forest(bench, random.Random(seed), roots_of(facts), starts=4, ascents=True)
    assert len(leads) == facts.num_lamps
    assert optimum - 1e-9 <= weight_of(bench, parent, leads) <= 1.35 * optimum + 1e-9


def joined_by(facts: Facts, proven: Proven) -> bool:
    """Whether the tight edges join every lamp to some root."""
    graph = nx.Graph()
    graph.add_edges_from(facts.graph.ends[proven.tight].tolist())
    graph.add_edges_from(("top", root) for root in roots_of(facts))
    held = nx.node_connected_component(graph, "top")
    return all(any(facts.graph.leads[arc].node in held for arc in arcs) for arcs in facts.leads_of)


@pytest.fixture(scope="module")
def courtyard() -> Facts:
    folder = open_job(CASES / "courtyard")
    ground = build_ground(folder.job, folder.survey, file="survey.csv")
    return gather_facts(folder.job, folder.survey, ground.graph)


def test_bounds_hold_in_a_garden_from_wherever_they_begin(courtyard: Facts) -> None:
    """Two supply points, several leads for each lamp: forests found any way are no lighter than their edges prove."""
    roots = roots_of(courtyard)
    assert len(roots) == 2
    bench = Bench(courtyard, Effort(math.inf))
    all_proven = [
        prove_edges(courtyard, roots, price_of(bench), begin, bench.effort.spend)
        for begin in (None, *range(courtyard.num_lamps))
    ]
    above_all = all_proven[0]
    assert above_all is not None and joined_by(courtyard, above_all)
    lightest = math.inf
    for seed in range(6):
        parent, leads = light_forest(bench, random.Random(seed), roots, jitter=0.5, starts=1 + seed, ascents=True)
        assert len(leads) == courtyard.num_lamps
        weight = weight_of(bench, parent, leads)
        edges = [bench.ways.edge_between(child, up) for child, up in parent.items()]
        for proven in all_proven:
            assert proven is not None
            assert weight >= proven.through[edges].max() - 1e-6
        lightest = min(lightest, weight)
    assert bench.effort.spent > 0
    assert lightest <= 1.02 * max(proven.least for proven in all_proven if proven is not None)


def test_a_second_start_on_the_whole_graph_is_never_given_up(courtyard: Facts, monkeypatch: pytest.MonkeyPatch) -> None:
    """Two starts are never heavier than the one on the whole graph alone, which is all there is without ascents."""
    graphs = [courtyard, *(facts_of(tiny_problem(seed, nodes=14)) for seed in range(100, 120))]
    lighter = 0
    for seed, facts in enumerate(graphs):
        with_ascent = Bench(facts, Effort(math.inf))
        new = weight_of(
            with_ascent, *light_forest(with_ascent, random.Random(seed), roots_of(facts), starts=2, ascents=True)
        )
        with monkeypatch.context() as patch:
            patch.setattr(module, "prove_edges", lambda *_: None)
            without = Bench(facts, Effort(math.inf))
            old = weight_of(
                without, *light_forest(without, random.Random(seed), roots_of(facts), starts=2, ascents=True)
            )
        assert new <= old + 1e-6
        lighter += new < old - 1e-6
    assert lighter >= 1


def test_same_seed_same_forest_and_same_work(courtyard: Facts) -> None:
    found = []
    for _ in range(2):
        bench = Bench(courtyard, Effort(math.inf))
        found.append(
            (light_forest(bench, random.Random(3), roots_of(courtyard), starts=5, ascents=True), bench.effort.spent)
        )
    assert found[0] == found[1]


def test_a_lamp_out_of_reach_is_left_out_and_stops_nothing() -> None:
    """Beyond closed edges there is no way: nothing is proven, the other lamps are joined all the same."""
    path = GraphProblem(
        num_nodes=4,
        ends=np.array([(0, 1), (1, 2), (2, 3)]),
        trench=np.array([1.0, 1.0, 1.0]),
        length=np.full(3, 1e-4),
        root=0,
        demand={1: 1, 3: 1},
    )
    job, survey, ground = as_garden(path)
    ground.graph.capacity[2] = 0
    facts = gather_facts(job, survey, ground.graph)
    bench = Bench(facts, Effort(math.inf))
    assert prove_edges(facts, [0], np.array([1.0, 1.0, math.inf, 1.0]), None, bench.effort.spend) is None
    parent, leads = light_forest(bench, random.Random(1), [0], starts=3, ascents=True)
    assert (parent, set(leads)) == ({1: 0}, {0})


def test_edges_that_are_not_kept_are_a_last_resort() -> None:
    """One that is not kept costs more than all that are kept together could in any tree of a thousand edges."""
    price = np.array([0.0, 3.0, 5.0, math.inf])
    seem = narrowed(price, np.array([True, True, False, False]))
    assert seem.tolist() == [0.0, 3.0, 10_000.0, math.inf]
    assert narrowed(price, np.zeros(4, dtype=bool))[0] == 5_000.0


@pytest.mark.skipif(instances.folder() is None, reason=instances.WHY_NOT)
@pytest.mark.parametrize(("name", "optimum"), [("c03", 754), ("c04", 1079), ("c05", 1579), ("c08", 509), ("c10", 1093)])
def test_two_starts_find_published_optima(name: str, optimum: int) -> None:
    """The five of set C that starts on the whole graph miss: dual ascent proves their optima."""
    path = instances.folder()
    assert path is not None
    problem = problem_of(str(path / "steinlib" / "C" / f"{name}.stp"))
    facts = facts_of(problem)
    bench = Bench(facts, Effort(math.inf))
    parent, leads = light_forest(bench, random.Random(1), roots_of(facts), starts=2, ascents=True)
    edges = [bench.ways.edge_between(child, up) for child, up in parent.items()]
    tree = nx.Graph(problem.ends[edges].tolist())
    assert set(problem.demand) | {problem.root} <= set(tree) and nx.is_connected(tree)
    assert problem.trench[edges].sum() == optimum
    assert len(leads) == len(problem.demand)
