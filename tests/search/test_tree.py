"""Trees of the search against networkx's own ways of walking them."""

import doctest

import networkx as nx
from hypothesis import given
from hypothesis import strategies as st

from optimiser.search import tree as module
from optimiser.search.tree import Tree, branch_below, children_of, prune


@st.composite
def trees(draw: st.DrawFn) -> Tree:
    """Any tree over the nodes 0 to n, its root 0, in an order of its own."""
    up = [draw(st.integers(0, node)) for node in range(draw(st.integers(0, 12)))]
    return dict(draw(st.permutations([(node + 1, parent) for node, parent in enumerate(up)])))


def net_of(tree: Tree) -> "nx.DiGraph[int]":
    net: nx.DiGraph[int] = nx.DiGraph()
    net.add_node(0)
    net.add_edges_from((up, node) for node, up in tree.items())
    return net


def test_example() -> None:
    assert doctest.testmod(module).failed == 0


@given(trees())
def test_children_are_the_successors_in_the_trees_order(tree: Tree) -> None:
    net = net_of(tree)
    assert children_of(tree) == {node: list(net.successors(node)) for node in net if net.out_degree(node)}
    assert list(children_of(tree)) == list(dict.fromkeys(tree.values()))


@given(trees(), st.data())
def test_branch_is_the_top_and_its_descendants(tree: Tree, data: st.DataObject) -> None:
    top = data.draw(st.integers(0, len(tree)))
    assert branch_below(children_of(tree), top) == {top} | nx.descendants(net_of(tree), top)


@given(trees(), st.data())
def test_what_is_pruned_leads_to_nothing_that_is_kept(tree: Tree, data: st.DataObject) -> None:
    keep = data.draw(st.sets(st.integers(0, len(tree))))
    net = net_of(tree)
    wanted = {node for end in keep for node in ({end} | nx.ancestors(net, end))} - {0}
    assert prune(tree, sorted(keep)) == {node: tree[node] for node in wanted}
