"""The ground graph: shortest ways, stubs, sleeves, leads, refinement, and what it refuses."""

from __future__ import annotations

import math
from itertools import combinations
from typing import Any

import networkx as nx
import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import minimize, minimize_scalar
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import dijkstra
from shapely import LineString, Polygon

from optimiser.ground import Ground, build, build_ground, refine
from optimiser.ground.edges import beside_others
from optimiser.ground.graph import GroundGraph, NodeKind
from optimiser.ground.hub_places import fermat_points
from optimiser.ground.taut_ways import pull_taut
from optimiser.problems import BadInput
from optimiser.survey.model import Peg, Sleeve, Zone
from tests.ground.sites import box, make_job, make_survey, random_site, regular, tree_zones, zone


def way(graph: GroundGraph, frm: int, to: int, *, price: bool = False) -> float:
    """Length (or price) of the best way between two nodes, by scipy."""
    weight = graph.trench_price if price else graph.length_m
    n = graph.num_nodes
    matrix = coo_matrix((weight + 1e-12, (graph.ends[:, 0], graph.ends[:, 1])), shape=(n, n)).tocsr()
    return float(dijkstra(matrix, directed=False, indices=frm)[to])


def between_supplies(zones: list[Zone], one: tuple[float, float], two: tuple[float, float], **more: Any) -> Ground:
    """A site with two supply points and a lamp beside the first."""
    lamps = more.pop("lamps", [(one[0], one[1] - 1.0)])
    return build_ground(make_job(more.pop("grounds", None)), make_survey(lamps, [one, two], zones, **more))


# -- shortest ways
# -------------------------------------------------------------------------------------------------------


def test_the_way_round_a_house_by_hand() -> None:
    ground = between_supplies([box("house", "house", 4, -1, 6, 3)], (0, 0), (10, 0))
    # Over its near corners (4, -1) and (6, -1); nodes stand 2 mm out, so a few millimetres are lost.
    exact = 2 * math.hypot(4, 1) + 2
    assert exact <= way(ground.graph, *ground.graph.supply_node) <= exact + 0.01


def test_the_way_round_keep_off_by_hand() -> None:
    ground = between_supplies([box("pond", "pond", 4, -1, 6, 3, 0.3)], (0, 0), (10, 0))
    exact = 2 * math.hypot(3.7, 1.3) + 2.6
    assert exact <= way(ground.graph, *ground.graph.supply_node) <= exact + 0.01


def visibility_reference(obstacles: list[Polygon], one: tuple[float, float], two: tuple[float, float]) -> float:
    """
    Shortest way in the plane: networkx on the whole visibility graph of the obstacles' corners, each line tested by
    shapely.
    """
    inner = shapely.union_all(obstacles).buffer(-1e-6)
    places = [one, two, *{xy for polygon in obstacles for xy in polygon.exterior.coords[:-1]}]
    graph = nx.Graph()
    graph.add_nodes_from(range(len(places)))
    for i, j in combinations(range(len(places)), 2):
        if not LineString([places[i], places[j]]).intersects(inner):
            graph.add_edge(i, j, weight=math.dist(places[i], places[j]))
    return float(nx.shortest_path_length(graph, 0, 1, weight="weight"))


@pytest.mark.parametrize("seed", range(6))
def test_ways_among_many_obstacles_are_the_planes_shortest(seed: int) -> None:
    """Independent reference: the full visibility graph, by networkx and shapely."""
    rng = np.random.default_rng(seed)
    obstacles: list[Polygon] = []
    while len(obstacles) < 9:
        x, y = 2 + rng.random(2) * [12, 6]
        corners = regular(x, y, 0.4 + rng.random(), int(rng.integers(3, 7)))
        polygon = Polygon([(round(a, 3), round(b, 3)) for a, b in corners])
        if all(polygon.distance(other) > 0.1 for other in obstacles):
            obstacles.append(polygon)
    zones = [Zone(f"bed {i}", "house", polygon, 0.0) for i, polygon in enumerate(obstacles)]
    ground = between_supplies(zones, (0, 5), (16, 5), lamps=[(0.0, 4.0), (16.0, 6.0), (8.0, 12.0)])
    exact = visibility_reference(obstacles, (0, 5), (16, 5))
    assert exact - 1e-9 <= way(ground.graph, *ground.graph.supply_node) <= exact * 1.003 + 0.01


def test_the_way_round_a_round_pond_is_near_the_arc() -> None:
    """Against the closed form: two tangents and an arc, within 0.3 per cent."""
    pond = zone("pond", "pond", regular(5, 0, 2.0, 32), 0.0)
    ground = between_supplies([pond], (0, 0), (10, 0))
    tangent = math.sqrt(25 - 4)
    exact = 2 * tangent + 2.0 * (math.pi - 2 * math.acos(2 / 5))
    assert exact <= way(ground.graph, *ground.graph.supply_node) <= exact * 1.003


@pytest.mark.parametrize("far_y", [0.0, 3.0, 8.0, 15.0])
def test_ways_bend_at_the_border_of_dearer_ground(far_y: float) -> None:
    """Snell's law, by scipy's minimize_scalar along the border: within 0.3 per cent."""
    ground = between_supplies([box("bed", "bed", 5, -30, 40, 30)], (0, 0), (12, far_y), grounds={"bed": {"per_m": 25}})
    best = minimize_scalar(
        lambda y: 10 * math.hypot(5, y) + 25 * math.hypot(7, far_y - y), bounds=(0, max(far_y, 1e-9)), method="bounded"
    ).fun
    found = way(ground.graph, *ground.graph.supply_node, price=True)
    assert best - 1e-6 <= found <= best * 1.003


@pytest.mark.parametrize("far_y", [0.0, 2.0, 6.0, 12.0])
def test_ways_bend_twice_across_a_paved_path(far_y: float) -> None:
    """The same with two borders and a crossing sum: scipy's minimize over both places."""
    ground = between_supplies([box("paving", "paving", 5, -30, 6.5, 30)], (0, 0), (11, far_y))

    def cost(y: np.ndarray) -> float:
        return 10 * math.hypot(5, y[0]) + 40 * math.hypot(1.5, y[1] - y[0]) + 10 * math.hypot(4.5, far_y - y[1])

    best = (
        30 + minimize(cost, [far_y / 2, far_y / 2], method="Nelder-Mead", options={"xatol": 1e-9, "fatol": 1e-10}).fun
    )
    found = way(ground.graph, *ground.graph.supply_node, price=True)
    assert best - 1e-6 <= found <= best * 1.003


def test_ways_past_neighbours_bend_at_every_border() -> None:
    """
    Two terminals that are no neighbours, two strips of dearer ground between them: scipy's minimize over four places.
    """
    zones = [box("bed", "bed", 5, -30, 8, 40), box("paving", "paving", 11, -30, 12.5, 40)]
    lamps = [(2.0, 3.0), (3.0, -1.0), (9.5, 2.0), (9.5, 7.0), (9.0, 11.0), (14.0, 4.0), (14.5, 9.0)]
    ground = between_supplies(zones, (0, 0), (18, 12), lamps=lamps, grounds={"bed": {"per_m": 25}})

    def cost(y: np.ndarray) -> float:
        stops = np.column_stack([[0, 5, 8, 11, 12.5, 18], [0, *y, 12]])
        return float((np.hypot(*np.diff(stops, axis=0).T) * [10, 25, 10, 40, 10]).sum())

    best = 30 + minimize(cost, [3.0, 5.0, 7.0, 8.0], method="BFGS").fun
    found = way(ground.graph, *ground.graph.supply_node, price=True)
    assert best - 1e-3 <= found <= best * 1.001


@settings(max_examples=8, deadline=None)
@given(seed=st.integers(0, 400))
def test_pulling_ways_taut_adds_to_the_graph_and_makes_no_way_dearer(seed: int) -> None:
    """What was there keeps its numbers and prices; what is new stands on free ground, on lines that are allowed."""
    job, survey = random_site(8, seed=seed)
    plain: list[Ground] = []
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(build, "pull_taut", lambda ground: plain.append(ground) or ground)
        build_ground(job, survey)
    before, after = plain[0].graph, pull_taut(plain[0])
    graph, land = after.graph, after.land
    count, lines = before.num_nodes, before.num_edges
    assert np.array_equal(graph.xyz[:count], before.xyz) and np.array_equal(graph.ends[:lines], before.ends)
    assert np.array_equal(graph.trench_price[:lines], before.trench_price)
    assert graph.leads[: len(before.leads)] == before.leads
    assert (after.base_nodes, after.base_edges) == (graph.num_nodes, graph.num_edges)
    assert (graph.kind[count:] == NodeKind.BORDER).all() and land.free(graph.xyz[count:, :2]).all()
    new = graph.ends[lines:]
    assert land.price_lines(graph.xyz[new[:, 0], :2], graph.xyz[new[:, 1], :2]).allowed.all()
    apart = np.hypot(*(graph.xyz[count:, None, :2] - graph.xyz[None, :, :2]).transpose(2, 0, 1))
    assert (np.sort(apart, axis=1)[:, 1:2] > 0.019).all()  # itself is nearest; the millimetre is rounding


def test_a_dear_path_is_gone_round_where_that_is_cheaper() -> None:
    ground = between_supplies([box("paving", "paving", 5, -1, 6, 2)], (0, 0), (11, 0))
    exact = 10 * (2 * math.hypot(5, 1) + 1)  # round its lower corners: less than 10 + 40 + 50 + 30 through it
    found = way(ground.graph, *ground.graph.supply_node, price=True)
    assert exact - 0.2 <= found <= exact * 1.003


def test_where_two_paths_cross_the_way_goes_from_lawn_corner_to_lawn_corner() -> None:
    paths = [box("along", "paving", -20, 4, 30, 5), box("across", "paving", 4, -20, 5, 30)]
    ground = between_supplies(paths, (2.4, 0), (6.6, 9), grounds={"paving": {"per_m": 40, "crossing": 30}})
    # Over the corners (4, 4) and (5, 5), where both paths are crossed for one crossing sum.
    corners = 10 * 2 * math.hypot(1.6, 4) + 40 * math.sqrt(2) + 30
    assert way(ground.graph, *ground.graph.supply_node, price=True) <= corners * 1.001


@pytest.mark.parametrize(("per_m", "ground_there"), [(5, "bed"), (14, "lawn")])
def test_places_at_borders_stand_on_the_cheaper_side(per_m: float, ground_there: str) -> None:
    """A zone may be cheaper than the base ground around it: a way along its border then runs inside."""
    corners = [(0.2, 2.9), (1.6, 2.7), (2.5, 1.4), (4.4, 0.9), (6.4, 1.0), (6.6, 0.0), (0.2, 0.0)]
    ground = between_supplies([zone("bed", "bed", corners)], (-3, 3), (9, 1), grounds={"bed": {"per_m": per_m}})
    graph, land = ground.graph, ground.land
    places = graph.xyz[np.isin(graph.kind, [NodeKind.CORNER, NodeKind.BORDER]), :2]
    assert len(places) >= 8 and shapely.distance(shapely.points(places), Polygon(corners).exterior).max() < 0.02
    assert {land.names[idx] for idx in land.ground_at(places)} == {ground_there}


def test_the_way_round_round_dear_ground_is_near_the_arc() -> None:
    ground = between_supplies(
        [zone("root", "root", regular(0, 0, 3, 32))], (-8, 0), (8, 0), grounds={"root": {"per_m": 90}}
    )
    arc = 10 * 2 * (math.sqrt(64 - 9) + 3 * (math.pi / 2 - math.acos(3 / 8)))
    assert arc <= way(ground.graph, *ground.graph.supply_node, price=True) <= arc * 1.003


def test_neighbours_ways_stray_little_from_the_best_among_all_lines() -> None:
    """
    Reference: every visible pair of the graph's own nodes. Between each terminal and its four nearest: 0.3 per
    cent on average.
    """
    job, survey = random_site(14, seed=3)
    ground = build_ground(job, survey)
    graph, land = ground.graph, ground.land
    ends = [min((arc.price, arc.node) for arc in graph.leads if arc.lamp == lamp)[1] for lamp in range(14)]
    free = np.flatnonzero(land.free(graph.xyz[:, :2]))
    i, j = (free[side] for side in np.triu_indices(len(free), 1))
    lines = land.price_lines(graph.xyz[i, :2], graph.xyz[j, :2])
    n = graph.num_nodes

    def all_ways(u: np.ndarray, v: np.ndarray, weight: np.ndarray) -> np.ndarray:
        reference = nx.Graph()
        reference.add_nodes_from(range(n))
        for a, b, w in zip(u.tolist(), v.tolist(), weight.tolist(), strict=True):
            if w < reference.get_edge_data(a, b, {"weight": math.inf})["weight"]:
                reference.add_edge(a, b, weight=w)
        return np.array(
            [
                [lengths.get(node, math.inf) for node in ends]
                for lengths in (nx.single_source_dijkstra_path_length(reference, node) for node in ends)
            ]
        )

    mine = all_ways(graph.ends[:, 0], graph.ends[:, 1], graph.trench_price)
    ok = lines.allowed
    best = all_ways(
        np.concatenate([graph.ends[:, 0], i[ok]]),
        np.concatenate([graph.ends[:, 1], j[ok]]),
        np.concatenate([graph.trench_price, lines.trench_price[ok]]),
    )
    near = np.argsort(best, axis=1)[:, 1:5]
    stretch = np.take_along_axis(mine, near, 1) / np.take_along_axis(best, near, 1)
    assert stretch.mean() < 1.003 and stretch.max() < 1.01


# -- fixed places
# --------------------------------------------------------------------------------------------------------


def test_a_supply_point_on_a_wall_gets_a_stub() -> None:
    house = box("house", "house", 0, 0, 8, 6, 0.1)
    ground = build_ground(make_job(), make_survey([(4, -3)], [(4, 0)], [house]))
    graph = ground.graph
    node = graph.supply_node[0]
    mine = np.flatnonzero((graph.ends == node).any(axis=1))
    assert graph.stub[mine].all() and len(mine) >= 1
    foot = graph.ends[mine[0]].sum() - node
    assert graph.kind[foot] == NodeKind.FOOT
    assert graph.xyz[foot, :2] == pytest.approx([4, -0.102], abs=0.002)
    assert graph.trench_price[mine[0]] == pytest.approx(10 * graph.length_m[mine[0]])
    assert not graph.may_joint[node] and graph.may_joint[foot]
    assert not graph.stub[(graph.ends != node).all(axis=1)].any()


def test_a_supply_point_a_little_inside_a_wall_is_good_and_deeper_is_cut_off() -> None:
    house = box("house", "house", 0, 0, 8, 6, 0.1)
    graph = build_ground(make_job(), make_survey([(4, -3)], [(4, 0.25)], [house])).graph
    assert graph.length_m[graph.stub] == pytest.approx([0.352], abs=0.002)
    with pytest.raises(BadInput) as error:
        build_ground(make_job(), make_survey([(4, -3)], [(4, 0.35)], [house]))
    assert str(error.value) == (
        "survey.csv:90:x: supply point S1 is cut off: no straight way out of its no-dig zone or keep-off reaches "
        "ground that may be dug within border_tolerance_m 0.3 m\n"
        "    mend: move it to the border of its zone, make the keep-off smaller, or add a sleeve from it"
    )


def test_a_stub_does_not_cross_to_the_other_side_of_a_zone() -> None:
    # The wall's own zone lies south; a supply in its northern keep-off must leave northwards.
    wall = box("wall", "house", 0, 0, 8, 0.2, 0.1)
    graph = build_ground(make_job(), make_survey([(4, 3)], [(4, 0.25)], [wall])).graph
    foot = graph.ends[graph.stub].max()
    assert graph.stub.sum() == 1 and graph.xyz[foot, 1] > 0.25


def test_a_stub_does_not_go_through_a_thin_wall() -> None:
    # 4 cm of wall, 0.3 m of keep-off: the far side is hardly farther, but a supply on its face is not inside it.
    wall = box("wall", "house", 0, 0, 8, 0.04, 0.3)
    graph = build_ground(make_job(), make_survey([(4, 3)], [(4, 0.04)], [wall])).graph
    assert graph.stub.sum() == 1 and graph.xyz[graph.ends[graph.stub].max(), 1] > 0.3


def test_one_supply_cut_off_is_no_problem_while_another_serves() -> None:
    house = box("house", "house", 0, 0, 8, 6, 0.1)
    graph = build_ground(make_job(), make_survey([(4, -3)], [(4, 3), (4, 0)], [house])).graph
    assert len(graph.supply_node) == 2
    assert not (graph.ends == graph.supply_node[0]).any()


def test_posts_have_a_node_and_a_lead_arc_of_nothing() -> None:
    slab = box("paving", "paving", 2, -2, 6, 2)
    survey = make_survey([(4, 0), (10, 0)], [(0, 0)], [slab], types=["post", "spike"])
    graph = build_ground(make_job(), survey).graph
    (post,) = np.flatnonzero(graph.post_lamp == 0)
    assert graph.kind[post] == NodeKind.POST and graph.may_joint[post]
    assert [tuple(arc) for arc in graph.leads if arc.lamp == 0] == [(0, post, 0.0, 0.0, 0.0, 0.0)]
    assert all(arc.node != post for arc in graph.leads if arc.lamp == 1)
    # On paving, which may be dug: ordinary edges, no stub.
    assert (graph.ends == post).any() and not graph.stub.any()


def test_a_post_on_a_wall_gets_a_stub_and_one_inside_is_refused() -> None:
    house = box("house", "house", 0, 0, 8, 6, 0.1)
    graph = build_ground(make_job(), make_survey([(4, 0)], [(12, 0)], [house], types=["post"])).graph
    assert graph.stub.sum() == 1 and graph.length_m[graph.stub][0] == pytest.approx(0.102, abs=0.002)
    with pytest.raises(BadInput, match="post L1 cannot be reached"):
        build_ground(make_job(), make_survey([(4, 2)], [(12, 0)], [house], types=["post"]))


def test_a_sleeve_is_one_edge_between_its_ends() -> None:
    slab = box("paving", "paving", 4, -20, 6, 20)
    duct = Sleeve("duct", ((3.8, 0.0, 0.0), (5.0, 0.5, 0.0), (6.2, 0.0, 0.0)), 2, 7.5)
    graph = build_ground(make_job(), make_survey([(10, 0)], [(0, 0)], [slab], sleeves=(duct,))).graph
    (edge,) = np.flatnonzero(graph.sleeve >= 0)
    one, two = graph.ends[edge]
    assert (graph.kind[[one, two]] == NodeKind.SLEEVE_END).all() and not graph.may_joint[[one, two]].any()
    assert graph.length_m[edge] == pytest.approx(2 * math.hypot(1.2, 0.5))
    assert (graph.trench_price[edge], graph.pull_price[edge], graph.capacity[edge]) == (0, 7.5, 2)
    # No trench between the same two nodes, so that pairs of nodes are edges, once.
    assert len(np.unique(graph.ends, axis=0)) == graph.num_edges


def test_a_sleeve_under_a_house_lets_cables_through_from_within_keep_off() -> None:
    # Walls a metre thick all round the lamp.
    outside, inside = [(5, -5), (15, -5), (15, 5), (5, 5)], [(6, -4), (14, -4), (14, 4), (6, 4)]
    wall = zone("wall", "house", outside, 0.1, holes=[inside])
    duct = Sleeve("duct", ((4.95, 0.0, 0.0), (6.0, 0.0, 0.0)), 1, 0.0)
    with pytest.raises(BadInput, match="lamp L1 is walled off from every supply point"):
        build_ground(make_job(), make_survey([(10, 0)], [(0, 0)], [wall]))
    graph = build_ground(make_job(), make_survey([(10, 0)], [(0, 0)], [wall], sleeves=(duct,))).graph
    assert graph.stub.sum() == 2  # both its ends lie within keep-off or on the border


# -- leads and joints
# ----------------------------------------------------------------------------------------------------


def test_every_lead_arc_is_lawful_and_reaches() -> None:
    job, survey = random_site(20, seed=8)
    ground = build_ground(job, survey)
    graph, land = ground.graph, ground.land
    assert {arc.lamp for arc in graph.leads} == set(range(20))
    assert [(a.lamp, a.price) for a in graph.leads] == sorted((a.lamp, a.price) for a in graph.leads)
    for arc in graph.leads:
        lamp, node = survey.lamps[arc.lamp], graph.xyz[arc.node]
        assert arc.length_m == pytest.approx(math.dist(lamp.place, node), abs=1e-9)
        depth = job.grounds[land.names[land.ground_at(node[None, :2])[0]]].depth_mm / 1000
        assert arc.length_m <= 1.0 - 0.3 - 0.1 - 0.15 - depth + 1e-9
        assert land.may_joint(node[None, :2])[0] and graph.may_joint[arc.node]


def test_two_lamps_whose_reaches_meet_may_share_a_joint() -> None:
    graph = build_ground(make_job(), make_survey([(5, 0), (5.45, 0)], [(0, 0)])).graph
    shared = {arc.node for arc in graph.leads if arc.lamp == 0} & {arc.node for arc in graph.leads if arc.lamp == 1}
    assert shared


def test_a_lamp_at_the_foot_of_a_tree_hangs_outside_the_strip() -> None:
    trees = tree_zones("oak", 0, 0, 0.3)
    survey = make_survey([(0.6, 0.0)], [(12, 0)], trees, types=["long"])
    graph = build_ground(make_job(), survey).graph
    assert graph.leads
    for arc in graph.leads:
        assert math.hypot(*graph.xyz[arc.node, :2]) >= 1.15  # 0.15 stem radius + 1.0 m (NJUG Vol. 4)


@pytest.mark.parametrize(("y", "deep"), [(2.0, True), (0.2, False)])
def test_a_lamp_deep_inside_a_house_is_told_to_move_before_its_lead_to_grow(y: float, deep: bool) -> None:
    """2 m inside a house it was most likely measured wrongly; 0.2 m inside is within the tape's tolerance."""
    zones = [box("house", "house", 0, 0, 10, 6, keep_off_m=0.3)]
    with pytest.raises(BadInput) as error:
        build_ground(make_job(), make_survey([(5.0, y)], [(12, 0)], zones))
    (problem,) = error.value.problems
    named = "lamp L1 stands 2.00 m inside no-dig zone 'house', and its lead (1 m) is" in problem.found
    assert named == deep
    assert problem.mend.startswith("move the lamp out of no-dig zone 'house'; only if it does belong there") == deep
    assert "lead_m of at least" in problem.mend


def test_a_lamp_deep_in_a_pond_is_an_ordinary_one() -> None:
    zones = [box("pool of lilies", "pond", 0, 0, 10, 6, keep_off_m=0.3)]
    with pytest.raises(BadInput) as error:
        build_ground(make_job(), make_survey([(5.0, 2.0)], [(12, 0)], zones))
    assert error.value.problems[0].found.startswith("the lead of lamp L1 (1 m) is")


def test_a_lamp_on_a_trunk_is_told_to_move() -> None:
    """0.05 m from the centre of a stem of 0.3 m: 0.1 m inside it."""
    with pytest.raises(BadInput) as error:
        build_ground(make_job(), make_survey([(0.05, 0.0)], [(12, 0)], tree_zones("oak", 0, 0, 0.3)))
    (problem,) = error.value.problems
    assert problem.found.startswith("lamp L1 stands 0.10 m inside the trunk of tree 'oak', and its lead (1 m) is")
    assert problem.mend.startswith("move the lamp out of the trunk of tree 'oak'; only if it does belong there")


def test_a_lead_too_short_is_told_by_how_much_and_what_would_do() -> None:
    trees = tree_zones("oak", 0, 0, 0.3)
    with pytest.raises(BadInput) as error:
        build_ground(make_job(), make_survey([(0.6, 0.0)], [(12, 0)], trees))
    text = str(error.value)
    # The strip's polygon ends 1.15 m out where its flat side faces the lamp's way, and the lamp stands 0.6 m out;
    # reach in
    # root ground is 1.0 - 0.3 - 0.1 - 0.15 - 0.05 = 0.4 m.
    assert text.startswith("survey.csv:2:x: the lead of lamp L1 (1 m) is 0.")
    assert "too short for the nearest ground that a joint may stand on" in text
    need = float(text.split("lead_m of at least ")[1].split(",")[0])
    job = make_job(lamps={"spike": {"watts": 5, "volts": 12, "lead_m": need}})
    assert build_ground(job, make_survey([(0.6, 0.0)], [(12, 0)], trees)).graph.leads
    job = make_job(lamps={"spike": {"watts": 5, "volts": 12, "lead_m": need - 0.03}})
    with pytest.raises(BadInput):
        build_ground(job, make_survey([(0.6, 0.0)], [(12, 0)], trees))


def test_a_lead_is_extended_where_the_job_allows_and_only_then() -> None:
    trees = tree_zones("oak", 0, 0, 0.3)
    joints = {
        "kits": {"gel": {"max_ways": 3, "price": 6, "labour": 2}, "small": {"max_ways": 2, "price": 3, "labour": 1}},
        "extension_m": 1.0,
        "extension_per_m": 5.0,
    }
    survey = make_survey([(0.6, 0.0), (6.0, 0.0)], [(12, 0)], trees)
    graph = build_ground(make_job(joints=joints), survey).graph
    mine = [arc for arc in graph.leads if arc.lamp == 0]
    assert mine and all(arc.extension_m > 0 for arc in mine)
    for arc in mine:
        assert arc.length_m <= 0.4 + arc.extension_m + 1e-9 and arc.extension_m <= 1.0
        assert arc.extension_price == pytest.approx(arc.extension_m * 5 + 4)  # flex, and the cheapest two-way kit made
    assert all(arc.extension_m == 0 for arc in graph.leads if arc.lamp == 1)


def test_a_lamp_on_paving_hangs_in_the_lawn_beside_it() -> None:
    slab = box("paving", "paving", 4, -20, 8, 20)
    graph = build_ground(make_job(), make_survey([(4.15, 0)], [(0, 0)], [slab])).graph
    assert graph.leads and all(graph.xyz[arc.node, 0] <= 4.0 for arc in graph.leads)


def test_all_lamps_that_cannot_be_served_are_told_at_once() -> None:
    zones = [box("slab", "paving", 0, 0, 9, 9), box("slab 2", "paving", 20, 0, 29, 9)]
    with pytest.raises(BadInput) as error:
        build_ground(make_job(), make_survey([(4, 4), (25, 4), (12, 4)], [(15, 4)], zones), file="points.csv")
    assert [(p.file, p.line) for p in error.value.problems] == [("points.csv", 2), ("points.csv", 3)]


# -- nodes and edges
# -----------------------------------------------------------------------------------------------------


def test_fermat_points_are_the_least_sum_of_distances() -> None:
    """Against scipy's minimize, on random triangles; the equilateral one by hand."""
    rng = np.random.default_rng(2)
    a, b, c = rng.random((3, 60, 2))
    points, inner = fermat_points(a, b, c)
    assert 20 < inner.sum() < 60
    for idx in np.flatnonzero(inner):
        corners = np.stack([a[idx], b[idx], c[idx]])

        def total(x: np.ndarray, corners: np.ndarray = corners) -> float:
            return float(np.hypot(*(corners - x).T).sum())

        best = minimize(total, corners.mean(axis=0), method="Nelder-Mead", options={"xatol": 1e-9, "fatol": 1e-12})
        assert total(points[idx]) <= best.fun + 1e-9
    for idx in np.flatnonzero(~inner):
        corners = np.stack([a[idx], b[idx], c[idx]])
        least = min(float(np.hypot(*(corners - corner).T).sum()) for corner in corners)
        best = minimize(
            lambda x, corners=corners: np.hypot(*(corners - x).T).sum(), corners.mean(axis=0), method="Nelder-Mead"
        )
        assert least <= best.fun + 1e-3
    side = np.array([[0.0, 0.0]]), np.array([[1.0, 0.0]]), np.array([[0.5, math.sqrt(3) / 2]])
    assert fermat_points(*side)[0][0] == pytest.approx([0.5, math.sqrt(3) / 6])


def test_of_lines_side_by_side_only_the_one_by_way_of_the_node_stays() -> None:
    xy = np.array([[0.0, 0.0], [10.0, 0.0], [5.0, 0.08], [0.0, 5.0], [10.0, 5.0], [5.0, 5.3]])
    pairs = np.array([[0, 1], [0, 2], [1, 2], [3, 4], [3, 5], [4, 5]])
    plain = np.hypot(*(xy[pairs[:, 0]] - xy[pairs[:, 1]]).T) * 10
    assert beside_others(xy, pairs, plain).tolist() == [True, False, False, False, False, False]
    # Not where the way by the node is dearer (it may stand in paving), nor where there is no such way.
    assert not beside_others(xy, pairs, plain + np.array([0, 5, 5, 0, 0, 0])).any()
    assert not beside_others(xy, pairs[:2], plain[:2]).any()


def test_the_graph_holds_together() -> None:
    job, survey = random_site(20, seed=4)
    ground = build_ground(job, survey)
    graph, land = ground.graph, ground.land
    assert (graph.ends[:, 0] < graph.ends[:, 1]).all()
    assert len(np.unique(graph.ends, axis=0)) == graph.num_edges
    assert np.array_equal(graph.xyz, np.round(graph.xyz, 3))
    plain = (graph.sleeve < 0) & ~graph.stub
    u, v = graph.xyz[graph.ends[plain], :2].transpose(1, 0, 2)
    there, back = land.price_lines(u, v), land.price_lines(v, u)
    assert there.allowed.all()
    # To the last bit, from one end or from the other: added lines are priced from the left, whichever end comes first.
    for mine, one, other in (
        (graph.trench_price[plain], there.trench_price, back.trench_price),
        (graph.length_m[plain], there.length_m, back.length_m),
    ):
        assert ((mine == one) | (mine == other)).all()
    assert (ground.base_nodes, ground.base_edges) == (graph.num_nodes, graph.num_edges)
    # No two nodes of our choosing within 2 cm.
    chosen = np.flatnonzero(np.isin(graph.kind, [NodeKind.JOINT_PLACE, NodeKind.BORDER, NodeKind.HUB_PLACE]))
    apart = np.hypot(*(graph.xyz[chosen, None, :2] - graph.xyz[None, chosen, :2]).transpose(2, 0, 1))
    assert apart[np.triu_indices(len(chosen), 1)].min() >= 0.019


def test_the_same_job_gives_the_same_graph() -> None:
    one, two = (build_ground(*random_site(20, seed=4)).graph for _ in range(2))
    for name in ("xyz", "kind", "ends", "trench_price", "may_joint"):
        assert np.array_equal(getattr(one, name), getattr(two, name))
    assert one.leads == two.leads


def test_all_on_one_line_and_two_lamps_at_one_place_are_no_trouble() -> None:
    graph = build_ground(make_job(), make_survey([(2, 0), (4, 0), (4, 0), (6, 0)], [(0, 0)])).graph
    assert {arc.lamp for arc in graph.leads} == {0, 1, 2, 3}
    bed = box("bed", "bed", -5, -5, 5, 5)  # 0.15 m of reach: the lamp's own place is all there is
    for lamp in ((2, 0), (2.01, 0.01)):
        graph = build_ground(make_job(), make_survey([lamp], [(2, 0)], [bed])).graph  # a lamp at its supply point
        assert graph.leads and graph.length_m.min() > 0.005


def test_heights_make_edges_longer() -> None:
    pegs = tuple(
        Peg(f"P{i}", (x, y, 0.75 * x)) for i, (x, y) in enumerate([(-9.0, -9.0), (9.0, -9.0), (-9.0, 9.0), (9.0, 9.0)])
    )
    graph = build_ground(make_job(), make_survey([(4, 0, 3)], [(0, 0, 0)], pegs=pegs, has_heights=True)).graph
    own = next(arc.node for arc in graph.leads if arc.length_m == 0)
    assert way(graph, int(graph.supply_node[0]), own) == pytest.approx(5.0, abs=0.005)  # 3-4-5
    assert way(graph, int(graph.supply_node[0]), own, price=True) == pytest.approx(50.0, abs=0.05)


# -- refinement
# ----------------------------------------------------------------------------------------------------------


def test_refine_keeps_what_was_there_and_adds_behind_it() -> None:
    job, survey = random_site(14, seed=6)
    ground = build_ground(job, survey)
    old = ground.graph
    rng = np.random.default_rng(0)
    points = np.vstack([rng.random((30, 2)) * 20, old.xyz[[5, 5], :2], [[7.0004, 7.0], [7.0, 7.0]]])
    finer = refine(ground, points)
    new = finer.graph
    assert (finer.base_nodes, finer.base_edges) == (old.num_nodes, old.num_edges)
    assert old.num_nodes < new.num_nodes <= old.num_nodes + 31
    for name in ("xyz", "kind", "may_joint", "post_lamp"):
        assert np.array_equal(getattr(new, name)[: old.num_nodes], getattr(old, name))
    for name in ("ends", "length_m", "sun_m", "trench_price", "pull_price", "capacity", "sleeve", "stub"):
        assert np.array_equal(getattr(new, name)[: old.num_edges], getattr(old, name))
    assert new.leads[: len(old.leads)] == old.leads
    assert (new.kind[old.num_nodes :] == NodeKind.REFINED).all()
    assert np.array_equal(new.xyz, np.round(new.xyz, 3))
    assert finer.land.free(new.xyz[old.num_nodes :, :2]).all()
    fresh = new.ends[old.num_edges :]
    assert (fresh >= old.num_nodes).any(axis=1).all()
    lines = finer.land.price_lines(new.xyz[fresh[:, 0], :2], new.xyz[fresh[:, 1], :2])
    assert lines.allowed.all()
    assert np.allclose(lines.trench_price, new.trench_price[old.num_edges :], rtol=1e-12)  # priced left to right there
    assert set(range(old.num_nodes, new.num_nodes)) <= set(fresh.ravel().tolist())
    again = refine(finer, points)
    assert again.graph.num_nodes == new.num_nodes


def test_refine_hangs_lamps_on_new_nodes_and_takes_the_lines_asked_for() -> None:
    ground = build_ground(make_job(), make_survey([(5, 0), (20, 3)], [(0, 0)]))
    far = int(np.argmax(ground.graph.xyz[:, 0]))
    finer = refine(ground, np.array([[5.1, 0.07], [2.2, 0.3]]), links=[(1, far), (0, -2)])
    new, n = finer.graph, ground.graph.num_nodes
    assert any(
        arc.node == n and arc.lamp == 0 and arc.length_m == pytest.approx(math.hypot(0.1, 0.07)) for arc in new.leads
    )
    pairs = {tuple(pair) for pair in new.ends.tolist()}
    assert (far, n + 1) in pairs and (n, n + 1) in pairs


def test_refine_takes_lines_between_old_nodes_that_have_none_yet() -> None:
    ground = build_ground(*random_site(14, seed=6))
    old = ground.graph
    there = {tuple(pair) for pair in old.ends.tolist()}
    xy = old.xyz[:, :2]
    far = [(u, v) for u, v in combinations(range(0, old.num_nodes, 7), 2) if (u, v) not in there]
    ends = np.array(far)
    far = [pair for pair, sees in zip(far, ground.land.visible(xy[ends[:, 0]], xy[ends[:, 1]]), strict=True) if sees]
    finer = refine(ground, np.array([[7.0, 7.0]]), between=[far[0], far[0][::-1], next(iter(sorted(there)))]).graph
    pairs = [tuple(pair) for pair in finer.ends.tolist()]
    assert pairs.count(far[0]) == 1 and len(set(pairs)) == len(pairs)


def test_refining_at_the_best_crossing_comes_nearer_to_the_best_way() -> None:
    ground = between_supplies([box("bed", "bed", 5, -30, 40, 30)], (0, 0), (12, 8), grounds={"bed": {"per_m": 25}})
    found = minimize_scalar(
        lambda y: 10 * math.hypot(5, y) + 25 * math.hypot(7, 8 - y), bounds=(0, 8), method="bounded"
    )
    supplies = [int(node) for node in ground.graph.supply_node]
    finer = refine(ground, np.array([[5.0, found.x]]), links=[(0, node) for node in supplies])
    assert way(finer.graph, *supplies, price=True) == pytest.approx(found.fun, rel=2e-6)
