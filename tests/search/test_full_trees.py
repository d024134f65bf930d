"""Full Steiner trees: angles and lengths against closed forms and a general optimiser, bottlenecks against networkx."""

from __future__ import annotations

import itertools
import math
import random

import networkx as nx
import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from scipy.optimize import minimize

from optimiser.search.full_trees import _Merged, full_trees, two_forks


def straight(a: np.ndarray, b: np.ndarray) -> np.ndarray:
    return np.hypot(*(a - b).T)


def length(points: np.ndarray, forks: np.ndarray) -> float:
    a, b, c, d = points
    ends = ((a, forks[0]), (b, forks[0]), (forks[0], forks[1]), (c, forks[1]), (d, forks[1]))
    return sum(math.dist(u, v) for u, v in ends)


def test_forks_of_the_unit_square() -> None:
    """Its Steiner tree is 1 + sqrt(3) long, with forks 1 / (2 sqrt 3) from two sides."""
    square = np.array([[0.0, 0.0], [0.0, 1.0], [1.0, 0.0], [1.0, 1.0]])
    forks, fits = two_forks(*(square[[k]] for k in range(4)))
    assert fits[0]
    at = 1 / (2 * math.sqrt(3))
    assert forks[0] == pytest.approx(np.array([[at, 0.5], [1 - at, 0.5]]))
    assert length(square, forks[0]) == pytest.approx(1 + math.sqrt(3))


@settings(max_examples=60, deadline=None)
@given(st.lists(st.integers(-9, 9), min_size=8, max_size=8))
def test_forks_are_the_least_of_their_topology(off: list[int]) -> None:
    """A general optimiser, from the forks found or from anywhere, finds no shorter tree of that shape."""
    points = np.array([[0, 0], [0, 40], [44, 0], [44, 40]]) + np.array(off, dtype=float).reshape(4, 2)
    forks, fits = two_forks(*(points[[k]] for k in range(4)))
    assume(bool(fits[0]))
    mine = length(points, forks[0])
    for start in (forks[0] + 0.5, points.mean(axis=0) + np.array([[0.1, 0.1], [-0.1, -0.1]])):
        best = minimize(lambda x: length(points, x.reshape(2, 2)), start.ravel(), method="Nelder-Mead").fun
        assert mine <= best + 1e-6


@pytest.mark.parametrize("seed", range(20))
def test_bottlenecks_are_those_of_the_lightest_tree(seed: int) -> None:
    rng = random.Random(seed)
    n = rng.randint(3, 25)
    lines = [(u, v, rng.uniform(1, 9)) for u, v in itertools.combinations(range(n), 2) if rng.random() < 0.3]
    graph = nx.Graph()
    graph.add_nodes_from(range(n))
    graph.add_weighted_edges_from(lines)
    tree = nx.minimum_spanning_tree(graph)
    pairs = np.array(list(itertools.combinations(range(n), 2)))
    line, price = _Merged(n, lines).bottlenecks(pairs[:, 0], pairs[:, 1])
    for (u, v), number, got in zip(pairs.tolist(), line.tolist(), price.tolist(), strict=True):
        if not nx.has_path(tree, u, v):
            assert number == -1 and got == math.inf
            continue
        way = nx.shortest_path(tree, u, v)
        assert got == pytest.approx(max(tree.edges[pair]["weight"] for pair in itertools.pairwise(way)))


def test_a_square_joined_by_three_sides_gains_what_is_known() -> None:
    square = np.array([[0.0, 0.0], [10.0, 0.0], [10.0, 10.0], [0.0, 10.0]])
    found = full_trees(square, [(0, 1, 10.0), (1, 2, 10.0), (2, 3, 10.0)], [False] * 4, straight, 1.0, 0.0, 1)
    assert len(found.forks) == 2 and found.groups == [(0, 1)] and found.straight == []
    ends = [(found.forks[f], square[i] if i >= 0 else found.forks[-1 - i]) for f, i in found.links]
    assert sum(math.dist(a, b) for a, b in ends) == pytest.approx(10 * (1 + math.sqrt(3)), abs=0.01)


def test_a_fork_that_loses_its_branch_counts_as_a_bend() -> None:
    """Places 0, 1, 2 hang on fork 3; joining 2 with 4 and 5 leaves the fork a bend between 0 and 1."""
    places = np.array([[0.0, 0.0], [8.0, 0.0], [4.0, 12.0], [4.0, 3.0], [0.0, 16.0], [8.0, 16.0]])
    lines = [(u, v, math.dist(places[u], places[v])) for u, v in ((0, 3), (1, 3), (2, 3), (0, 4), (1, 5))]
    found = full_trees(places, lines, [False, False, False, True, False, False], straight, 1.0, 0.0, 99)
    assert (0, 1) in [tuple(sorted(pair)) for pair in found.straight]


def test_no_forks_where_no_trench_may_run() -> None:
    square = np.array([[0.0, 0.0], [10.0, 0.0], [10.0, 10.0], [0.0, 10.0]])
    lines = [(0, 1, 10.0), (1, 2, 10.0), (2, 3, 10.0)]
    assert not len(full_trees(square, lines, [False] * 4, lambda a, b: np.full(len(a), np.inf), 1.0, 0.0, 9).forks)


def test_too_few_places_or_all_in_line() -> None:
    assert not len(full_trees(np.zeros((2, 2)), [(0, 1, 1.0)], [False] * 2, straight, 1.0, 0.0, 9).forks)
    row = np.array([[float(k), 0.0] for k in range(5)])
    lines = [(k, k + 1, 1.0) for k in range(4)]
    assert not len(full_trees(row, lines, [False] * 5, straight, 1.0, 0.0, 9).forks)


def test_two_joints_that_cost_more_than_the_trench_saved_are_no_gain() -> None:
    """The full tree of a square of 10 saves 30 - 10 (1 + sqrt 3) = 2.68."""
    square = np.array([[0.0, 0.0], [10.0, 0.0], [10.0, 10.0], [0.0, 10.0]])
    lines = [(0, 1, 10.0), (1, 2, 10.0), (2, 3, 10.0)]
    assert len(full_trees(square, lines, [False] * 4, straight, 1.0, 1.3, 9).groups) > 0
    assert not full_trees(square, lines, [False] * 4, straight, 1.0, 2.2, 9).groups
