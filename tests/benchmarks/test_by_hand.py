"""The layouts by hand are what they are said to be, and pass the check."""

import itertools
from pathlib import Path

import networkx as nx
import pytest

from optimiser.check import check_plan
from optimiser.ground import build_ground
from optimiser.job_folder import open_job
from optimiser.plan.build import build_plan
from optimiser.search.layout import Layout
from tests.benchmarks.by_hand import find_stops, lay_by_hand, spanning_tree
from tests.benchmarks.hand_circuit import Site, Ways


@pytest.mark.parametrize("case", ["terrace", "courtyard"])
@pytest.mark.parametrize("method", ["chain", "tree"])
def test_layouts_by_hand_feed_every_lamp_once_and_pass_the_check(cases: Path, case: str, method: str) -> None:
    folder = open_job(cases / case)
    ground = build_ground(folder.job, folder.survey)
    layouts = list(lay_by_hand(folder.job, folder.survey, ground.graph, method, "cheapest"))
    assert any(isinstance(layout, Layout) for layout in layouts)
    for layout in layouts:
        if isinstance(layout, Layout):
            lamps = sorted(lamp for circuit in layout.circuits for lamp in circuit.lamps)
            assert lamps == list(range(len(folder.survey.lamps)))
            assert all(len({piece.cable for piece in circuit.pieces}) == 1 for circuit in layout.circuits)
            plan = build_plan(folder, ground, layout, draft=True)
            assert check_plan(plan, folder.job, folder.survey, folder.digest).violations == []


@pytest.mark.parametrize("weight", ["shortest", "cheapest"])
def test_the_tree_is_a_minimum_spanning_tree(cases: Path, weight: str) -> None:
    """Against networkx, on the terrace, where no joint has so many ways that the tree would have to give way."""
    folder = open_job(cases / "terrace")
    graph = build_ground(folder.job, folder.survey).graph
    stops, lead_of = find_stops(folder.job, folder.survey, graph)
    supply_node = int(graph.supply_node[0])
    ways = Ways(graph, weight, 1.4, [*(stop.node for stop in stops), supply_node])
    site = Site(folder.job, folder.survey, graph, ways, stops, lead_of, (0,))
    before = spanning_tree(site, supply_node, list(range(len(stops))))
    ours = sum(ways.distance(stops[a].node, stops[b].node) for a, b in before.items() if b >= 0)
    full = nx.Graph()
    for a, b in itertools.combinations(range(len(stops)), 2):
        full.add_edge(a, b, weight=ways.distance(stops[a].node, stops[b].node))
    assert ours == pytest.approx(nx.minimum_spanning_tree(full).size(weight="weight"), rel=1e-9)
    # Distances themselves, against networkx's Dijkstra over every edge of the ground graph.
    ground = nx.MultiGraph()
    for edge, (a, b) in enumerate(graph.ends.tolist()):
        ground.add_edge(a, b, weight=float(ways.weight[edge]))
    for stop in stops:
        expected = nx.dijkstra_path_length(ground, supply_node, stop.node)
        assert ways.distance(supply_node, stop.node) == pytest.approx(expected, rel=1e-9)


def test_the_chain_goes_to_the_nearest_lamp_each_time(cases: Path) -> None:
    folder = open_job(cases / "terrace")
    graph = build_ground(folder.job, folder.survey).graph
    (layout,) = (
        layout
        for layout in lay_by_hand(folder.job, folder.survey, graph, "chain", "shortest")
        if isinstance(layout, Layout)
    )
    (circuit,) = layout.circuits
    stops, _ = find_stops(folder.job, folder.survey, graph)
    ways = Ways(graph, "shortest", 1.4, [*(stop.node for stop in stops), int(graph.supply_node[0])])
    left = {stop.node for stop in stops}
    for piece in circuit.pieces:
        nearest = min(ways.distance(piece.nodes[0], node) for node in left)
        assert ways.distance(piece.nodes[0], piece.nodes[-1]) == pytest.approx(nearest)
        left.remove(piece.nodes[-1])
    assert not left
