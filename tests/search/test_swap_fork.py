"""New forks in the place of an old one: worked out by hand, and against networkx's spanning trees."""

from __future__ import annotations

import itertools
import math
import random

import networkx as nx
import pytest

from optimiser.search.steiner import neighbours
from optimiser.search.swap_fork import swap_fork
from optimiser.search.tree import Tree, prune
from tests.search.test_lighten import assert_tree, lightened, weight_of

Edges = dict[tuple[int, int], float]


def swapped(num: int, edges: Edges, tree: Tree, keep: set[int], group: list[int]) -> tuple[Tree, float] | None:
    ends = sorted(edges)
    near = neighbours([list(pair) for pair in ends], num)
    cost = {child: edges[min(child, up), max(child, up)] for child, up in tree.items()}
    return swap_fork(near, lambda e: edges[ends[e]], 0, tree, cost, keep, group)


def test_forks_that_insertion_cannot_put_in_take_the_place_of_another() -> None:
    """
    Fork 4, with a bend at 5, joins 0, 1 and 2; new forks 6 and 7 join 0, 2 and 3, and 1 goes straight to 0.

    By hand: 6.083 + 8.062 + 4.123 + 1.414 + 10.817 before; 3.162 + 5.099 + 6.403 + 4.243 + 2.000 after.
    """
    at = [(10, 7), (11, 4), (4, 3), (1, 1), (4, 8), (5, 4), (5, 6), (2, 3)]
    lines = [(0, 4), (1, 4), (4, 5), (2, 5), (0, 3), (0, 1), (0, 6), (3, 6), (6, 7), (2, 7), (1, 7)]
    edges = {(u, v): math.dist(at[u], at[v]) for u, v in lines}
    tree = {4: 0, 1: 4, 5: 4, 2: 5, 3: 0}
    assert weight_of(tree, edges) == pytest.approx(30.499, abs=0.001)
    assert lightened(8, edges, 0, tree, [1, 2, 3]) == tree
    found = lightened(8, edges, 0, tree, [1, 2, 3], groups=[(6, 7)])
    assert found == {1: 0, 6: 0, 3: 6, 7: 6, 2: 7}
    assert weight_of(found, edges) == pytest.approx(20.907, abs=0.001)
    assert lightened(8, edges, 0, tree, [1, 2, 3], groups=[(6, 7)], barred={6, 7}) == tree


def test_no_fork_beside_the_new_ones_is_no_swap() -> None:
    edges = {(0, 1): 2.0, (1, 2): 2.0, (0, 3): 1.0, (1, 3): 1.0}
    assert swapped(4, edges, {1: 0, 2: 1}, {1, 2}, [3]) is None


@pytest.mark.parametrize("seed", range(150))
def test_the_swap_is_the_lightest_without_one_fork(seed: int) -> None:
    """Of all forks beside the new ones: what networkx's spanning tree without it comes to, lines kept whole."""
    rng = random.Random(seed)
    num = rng.randint(7, 16)
    edges: Edges = {(rng.randrange(i), i): rng.uniform(1, 9) for i in range(1, num)}
    edges |= {pair: rng.uniform(1, 9) for pair in itertools.combinations(range(num), 2) if rng.random() < 0.4}
    ends = rng.sample(range(1, num), rng.randint(2, 4))
    graph = nx.Graph()
    graph.add_weighted_edges_from((u, v, w) for (u, v), w in edges.items())
    spanning = nx.minimum_spanning_tree(graph.subgraph(rng.sample(sorted({0, *ends} | set(range(num - 3))), num - 3)))
    up = {child: parent for parent, child in nx.bfs_edges(spanning, 0)} if 0 in spanning else {}
    ends = [v for v in ends if v in up]
    tree = prune(up, ends)
    group = [v for v in range(num) if v != 0 and v not in tree][:2]
    if not ends or not group:
        return
    best = reference(graph, tree, set(ends), group)
    found = swapped(num, edges, tree, set(ends), group)
    if best is None:
        assert found is None
        return
    assert found is not None
    assert_tree(found[0], 0, ends)
    assert found[1] == pytest.approx(weight_of(found[0], edges))
    assert found[1] == pytest.approx(best)


def reference(graph: nx.Graph, tree: Tree, ends: set[int], group: list[int]) -> float | None:
    """The same by another way: the tree with its bends smoothed out, as a graph with whole lines as edges."""
    smooth = nx.Graph()
    for child, parent in tree.items():
        smooth.add_edge(child, parent, weight=graph.edges[child, parent]["weight"])
    for v in sorted(set(smooth) - ends - {0}):
        if smooth.degree(v) == 2:
            a, b = smooth[v]
            smooth.add_edge(a, b, weight=smooth.edges[a, v]["weight"] + smooth.edges[v, b]["weight"])
            smooth.remove_node(v)
    linked = {u for v in group for u in graph[v] if u in smooth}
    weights = []
    for fork in sorted(set(smooth) - ends - {0}):
        around = set(smooth[fork])
        if len(around & linked) < 2:
            continue
        rest = smooth.copy()
        rest.remove_node(fork)
        more = [(v, u) for v in group for u in graph[v] if u in linked - {fork} or u in group]
        for u, v in [*more, *((u, v) for u, v in itertools.combinations(around, 2) if graph.has_edge(u, v))]:
            known = rest.edges[u, v]["weight"] if rest.has_edge(u, v) else math.inf
            rest.add_edge(u, v, weight=min(known, graph.edges[u, v]["weight"]))
        if not all(v in rest and nx.has_path(rest, 0, v) for v in ends if 0 in rest):
            continue
        forest = nx.minimum_spanning_tree(rest)
        while bare := [v for v in forest if v != 0 and v not in ends and forest.degree(v) <= 1]:
            forest.remove_nodes_from(bare)
        weights.append(forest.size(weight="weight"))
    return min(weights, default=None)
