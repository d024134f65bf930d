"""Adding and dropping forks: never heavier, still a tree, optimal where the optimum is known in closed form."""

from __future__ import annotations

import itertools
import math
import random
from collections.abc import Sequence

import networkx as nx
import pytest

from optimiser.search.steiner import lighten, neighbours
from optimiser.search.tree import Tree

Points = Sequence[tuple[float, float]]


def lightened(
    num: int, edges: dict[tuple[int, int], float], root: int, tree: Tree, terminals: Sequence[int], **more: object
) -> Tree:
    ends = sorted(edges)
    number = {pair: e for e, (u, v) in enumerate(ends) for pair in ((u, v), (v, u))}
    near = neighbours([list(pair) for pair in ends], num)
    return lighten(
        near,
        lambda e: edges[ends[e]],
        lambda u, v: number[u, v],
        root,
        tree,
        terminals,
        lambda work: None,
        **more,  # type: ignore[arg-type]
    )


def weight_of(tree: Tree, edges: dict[tuple[int, int], float]) -> float:
    return sum(edges[min(pair), max(pair)] for pair in tree.items())


def assert_tree(tree: Tree, root: int, terminals: Sequence[int]) -> None:
    """Every terminal and every node climbs to the root, and every leaf is a terminal."""
    for node in [*tree, *terminals]:
        seen = set()
        while node != root:
            assert node not in seen
            seen.add(node)
            node = tree[node]
    assert set(tree) - set(tree.values()) <= set(terminals)


@pytest.mark.parametrize("seed", range(150))
def test_random_trees_get_no_heavier_and_stay_trees(seed: int) -> None:
    rng = random.Random(seed)
    num = rng.randint(4, 14)
    edges = {(rng.randrange(i), i): rng.uniform(1, 9) for i in range(1, num)}
    edges |= {pair: rng.uniform(1, 9) for pair in itertools.combinations(range(num), 2) if rng.random() < 0.35}
    root, *terminals = rng.sample(range(num), rng.randint(2, min(6, num)))
    barred = set(rng.sample(range(num), num // 5)) - {root, *terminals}
    graph = nx.Graph()
    graph.add_weighted_edges_from((u, v, w) for (u, v), w in edges.items())
    paths = nx.single_source_dijkstra_path(graph, root)  # a shortest-path tree, cut back to the terminals
    tree = {v: u for t in terminals for u, v in itertools.pairwise(paths[t])}
    before = dict(tree)
    found = lightened(num, edges, root, tree, terminals, barred=barred)
    assert tree == before  # the given tree is not changed
    assert_tree(found, root, terminals)
    assert weight_of(found, edges) <= weight_of(tree, edges) + 1e-9
    assert not (set(found) - set(tree)) & barred
    # The best that any choice of forks can do; a spanning tree of a terminal set and forks is a Steiner tree.
    others = [v for v in range(num) if v not in (root, *terminals)]
    best = min(
        nx.minimum_spanning_tree(part).size(weight="weight")
        for count in range(len(others) + 1)
        for forks in itertools.combinations(others, count)
        if nx.is_connected(part := graph.subgraph([root, *terminals, *forks]))
    )
    assert weight_of(found, edges) >= best - 1e-9


def complete(points: Points) -> dict[tuple[int, int], float]:
    return {(u, v): math.dist(points[u], points[v]) for u, v in itertools.combinations(range(len(points)), 2)}


def chain(terminals: Sequence[int]) -> Tree:
    return {v: u for u, v in itertools.pairwise(terminals)}


FERMAT = 1 / (2 * math.sqrt(3))


def test_unit_square_reaches_one_plus_root_three() -> None:
    """The Steiner tree of the unit square is 1 + sqrt(3) long, with forks 1 / (2 sqrt 3) from two sides."""
    points = [(0, 0), (1, 0), (1, 1), (0, 1), (0.5, 0.5), (FERMAT, 0.5), (1 - FERMAT, 0.5), (0.5, 0.9)]
    edges = complete(points)
    found = lightened(len(points), edges, 0, chain([0, 1, 2, 3]), [1, 2, 3])
    assert_tree(found, 0, [1, 2, 3])
    assert weight_of(found, edges) == pytest.approx(1 + math.sqrt(3))


def test_two_forks_gain_together_where_neither_does_alone() -> None:
    """Each fork of the unit square alone sees only three of its corners at a price above the chain's."""
    points = [(0, 0), (1, 0), (1, 1), (0, 1), (FERMAT, 0.5), (1 - FERMAT, 0.5)]
    edges = complete(points)
    edges[1, 4] = edges[2, 4] = edges[0, 5] = edges[3, 5] = 9.0  # no more than the full tree's own lines
    tree = chain([0, 1, 2, 3])
    alone = lightened(len(points), edges, 0, tree, [1, 2, 3])
    assert weight_of(alone, edges) == pytest.approx(3)
    for group in ((4, 5), (5, 4), (4, 5, 4)):
        found = lightened(len(points), edges, 0, tree, [1, 2, 3], groups=[group, group])
        assert_tree(found, 0, [1, 2, 3])
        assert weight_of(found, edges) == pytest.approx(1 + math.sqrt(3))


def test_a_fork_that_lost_its_branch_gives_way_to_the_straight_line() -> None:
    """Terminal 2 is better hung on the new fork 5; the old fork 3 is then a mere bend between 0 and 1."""
    points = [(0, 0), (4, 0), (2, 4), (2, 1), (8, 0), (6, 2)]
    edges = {pair: math.dist(points[pair[0]], points[pair[1]]) for pair in [(0, 3), (1, 3), (2, 3), (0, 1)]}
    edges |= {(1, 4): 1.5, (2, 5): 0.5, (4, 5): 0.5}
    found = lightened(len(points), edges, 0, {3: 0, 1: 3, 2: 3, 4: 1}, [1, 2, 4], groups=[(5,)])
    assert found == {1: 0, 4: 1, 5: 4, 2: 5}


def test_triangle_reaches_its_fermat_point() -> None:
    """An equilateral triangle of side 1: three ways of 1 / sqrt(3) from its middle, sqrt(3) in all."""
    points = [(0, 0), (1, 0), (0.5, math.sqrt(3) / 2), (0.5, FERMAT), (0.5, 0.1)]
    edges = complete(points)
    found = lightened(len(points), edges, 0, chain([0, 1, 2]), [1, 2])
    assert weight_of(found, edges) == pytest.approx(math.sqrt(3))


def test_a_barred_fork_is_not_used() -> None:
    points = [(0, 0), (1, 0), (0.5, math.sqrt(3) / 2), (0.5, FERMAT)]
    edges = complete(points)
    found = lightened(len(points), edges, 0, chain([0, 1, 2]), [1, 2], barred={3})
    assert weight_of(found, edges) == pytest.approx(2)


def test_a_way_out_and_back_is_dropped() -> None:
    """A terminal fed over a needless detour is fed straight."""
    points = [(0, 0), (10, 0), (5, 3), (5, 0.0)]
    edges = complete(points)
    found = lightened(len(points), edges, 0, {2: 0, 1: 2}, [1])
    assert weight_of(found, edges) == pytest.approx(10)
