"""Trenches, ids and sums of hand-drawn layouts: every length and price worked out beside it."""

from __future__ import annotations

import pytest

from optimiser.plan.build import build_plan
from optimiser.plan.digging import Dug, dig
from optimiser.plan.laying import lay
from optimiser.plan.model import Plan
from optimiser.search.layout import Layout
from tests.plan.hand_ground import JOB, HandGround, hand_ground


def dug_of(site: HandGround, layout: Layout) -> list[Dug]:
    job, survey = site.folder.job, site.folder.survey
    return dig(job, survey, site.ground, lay(job, survey, site.ground, layout))


def said(trenches: list[Dug]) -> list[tuple[str, float, tuple[int, ...], float]]:
    return sorted((t.ground, t.length_m, t.cables, t.price) for t in trenches)


def zone(name: str, *corners: tuple[float, float]) -> str:
    return "".join(f",corner,{name},{x},{y},\n" for x, y in corners)


FORK = [(0, 0), (6, 0), (6, 4), (9, 0)]
FORK_SURVEY = "S,supply,,0,0,\nL0,lamp,spike,6,4,\nL1,lamp,spike,9,0,\n"


def test_one_trench_for_two_circuits_side_by_side_counts_once() -> None:
    """Two cables share 6 m; then 4 m and 3 m apart: 13 m at 10."""
    site = hand_ground(FORK_SURVEY, FORK, [(0, 1), (1, 2), (1, 3)], lamps_at=[2, 3])
    layout = site.layout([site.piece(0, 0, 1, 2)], [site.piece(0, 0, 1, 3)], fed=[[0], [1]])
    assert said(dug_of(site, layout)) == [
        ("lawn", 3.0, (1,), 30.0),
        ("lawn", 4.0, (0,), 40.0),
        ("lawn", 6.0, (0, 1), 60.0),
    ]


def test_a_bend_with_the_same_cables_is_one_trench_and_a_fork_is_not() -> None:
    site = hand_ground(FORK_SURVEY, FORK, [(0, 1), (1, 2), (1, 3)], lamps_at=[2, 3])
    one = site.layout([site.piece(0, 0, 1, 2)], fed=[[0]])
    (trench,) = dug_of(site, one)
    assert trench.route == [(0.0, 0.0, 0.0), (6.0, 0.0, 0.0), (6.0, 4.0, 0.0)]
    forked = site.layout([site.piece(0, 0, 1), site.piece(0, 1, 2), site.piece(0, 1, 3)], fed=[[0, 1]])
    assert len(dug_of(site, forked)) == 3


def test_a_trench_is_cut_where_the_ground_changes_and_each_side_pays_half_its_crossing() -> None:
    """
    Paving from 4 to 7 m of 10.

    Lawn 4 m + 3 m at 10, with half of 4 at each of their two ends on a border; paving 3 m at 30 with half of 20 at both
    ends.
    """
    site = hand_ground(
        "S,supply,,0,0,\nL,lamp,spike,10,0,\n" + zone("paving", (4, -3), (7, -3), (7, 3), (4, 3)),
        [(0, 0), (10, 0)],
        [(0, 1)],
        lamps_at=[1],
    )
    trenches = dug_of(site, site.layout([site.piece(0, 0, 1)], fed=[[0]]))
    assert said(trenches) == [("lawn", 3.0, (0,), 32.0), ("lawn", 4.0, (0,), 42.0), ("paving", 3.0, (0,), 110.0)]
    assert site.ground.graph.trench_price[0] == pytest.approx(184.0)
    assert {(t.ground, t.depth_mm) for t in trenches} == {("lawn", 200.0), ("paving", 150.0)}


def test_a_node_on_the_border_is_paid_by_the_lines_on_both_sides() -> None:
    """The same as one line: 4 m of lawn, then 3 m of paving from a node on the border to the lamp's joint in it."""
    survey = "S,supply,,0,0,\nL,lamp,spike,10,0,\n" + zone("paving", (4, -3), (7, -3), (7, 3), (4, 3))
    site = hand_ground(survey, [(0, 0), (4, 0), (7, 0), (10, 0)], [(0, 1), (1, 2), (2, 3)], lamps_at=[3])
    trenches = dug_of(site, site.layout([site.piece(0, 0, 1, 2, 3)], fed=[[0]]))
    assert said(trenches) == [("lawn", 3.0, (0,), 32.0), ("lawn", 4.0, (0,), 42.0), ("paving", 3.0, (0,), 110.0)]


def test_no_crossing_is_paid_on_a_border_with_ground_that_may_not_be_dug() -> None:
    """A lawn trench along the corner of a house's keep-off."""
    site = hand_ground(
        "S,supply,,0,0,\nL,lamp,spike,8,0,\n" + zone("house", (2, 0.2), (6, 0.2), (6, 3), (2, 3)),
        [(0, 0), (2, 0), (6, 0), (8, 0)],
        [(0, 1), (1, 2), (2, 3)],
        lamps_at=[3],
    )
    (trench,) = dug_of(site, site.layout([site.piece(0, 0, 1, 2, 3)], fed=[[0]]))
    assert (trench.length_m, trench.price, trench.borders) == (8.0, 80.0, 0)


def test_a_sleeve_costs_a_pull_for_each_cable_and_no_trench() -> None:
    job = JOB + "[sleeves]\nduct = { capacity = 2, pull_price = 3.5 }\n"
    survey = (
        "S,supply,,0,0,\nL0,lamp,spike,10,0,\nL1,lamp,spike,10,4,\n,sleeve,duct,4,0,\n,sleeve,duct,5,0.5,\n"
        ",sleeve,duct,7,0,\n" + zone("paving", (4.5, -9), (6.5, -9), (6.5, 9), (4.5, 9))
    )
    site = hand_ground(
        survey,
        [(0, 0), (4, 0), (7, 0), (10, 0), (10, 4)],
        [(0, 1), (1, 2), (2, 3), (2, 4)],
        job=job,
        lamps_at=[3, 4],
        sleeves=[(1, 2)],
    )
    layout = site.layout([site.piece(0, 0, 1, 2, 3)], [site.piece(0, 0, 1, 2, 4)], fed=[[0], [1]])
    assert said(dug_of(site, layout)) == [
        ("lawn", 3.0, (0,), 30.0),
        ("lawn", 4.0, (0, 1), 40.0),
        ("lawn", 5.0, (1,), 50.0),
        ("sleeve", 3.18, (0, 1), 7.0),  # sqrt(1.25) + sqrt(4.25) = 3.1796 m long
    ]
    (duct,) = [t for t in dug_of(site, layout) if t.sleeve >= 0]
    assert duct.route == [(4.0, 0.0, 0.0), (5.0, 0.5, 0.0), (7.0, 0.0, 0.0)]


def test_a_stub_is_a_trench_of_the_ground_it_leads_to_without_crossings() -> None:
    """The supply point hangs on the house wall; keep-off 0.2 m; then the lawn."""
    site = hand_ground(
        "S,supply,,0,0,\nL,lamp,spike,5,0,\n" + zone("house", (-3, -3), (0, -3), (0, 3), (-3, 3)),
        [(0, 0), (0.2, 0), (5, 0)],
        [(0, 1), (1, 2)],
        lamps_at=[2],
        stubs=[(0, 1)],
    )
    trenches = dug_of(site, site.layout([site.piece(0, 0, 1, 2)], fed=[[0]]))
    assert [(t.stub, t.ground, t.length_m, t.price) for t in trenches] == [
        (True, "lawn", 0.2, 2.0),
        (False, "lawn", 4.8, 48.0),
    ]


def test_a_straight_joint_cuts_the_trench_at_its_place() -> None:
    site = hand_ground("S,supply,,0,0,\nL,lamp,spike,30,0,\n", [(0, 0), (30, 0)], [(0, 1)], lamps_at=[1])
    job, survey = site.folder.job, site.folder.survey
    laid = lay(job, survey, site.ground, site.layout([site.piece(0, 0, 1)], fed=[[0]]))
    trenches = dig(job, survey, site.ground, laid)
    assert sorted((t.route[0][0], t.route[-1][0]) for t in trenches) == [
        (0.0, laid.cables[0].route[-1][0]),
        (laid.cables[0].route[-1][0], 30.0),
    ]
    assert sum(t.length_m for t in trenches) == pytest.approx(30)
    assert sum(t.price for t in trenches) == pytest.approx(300, abs=0.02)


def forked_plan() -> Plan:
    site = hand_ground(
        FORK_SURVEY + "L2,lamp,spike,9,5,\n",
        [*FORK, (9, 5)],
        [(0, 1), (1, 2), (1, 3), (3, 4)],
        lamps_at=[2, 3, 4],
    )
    first = [site.piece(1, 0, 1, 3), site.piece(0, 3, 4)]
    layout = site.layout(first, [site.piece(0, 0, 1, 2)], fed=[[1, 2], [0]])
    return build_plan(site.folder, site.ground, layout)


def test_ids_count_up_in_the_order_of_circuits() -> None:
    plan = forked_plan()
    assert [d.id for d in plan.drivers] == ["D01"]
    assert [(c.id, c.driver, c.outlet, c.lamps) for c in plan.circuits] == [
        ("C01", "D01", 1, ["L1", "L2"]),
        ("C02", "D01", 2, ["L0"]),
    ]
    assert [(k.id, k.circuit, k.from_, k.to) for k in plan.cables] == [
        ("K01", "C01", "D01", "J01"),
        ("K02", "C01", "J01", "J02"),
        ("K03", "C02", "D01", "J03"),
    ]
    assert [(j.id, j.ways, j.hub, j.cables, j.leads) for j in plan.joints] == [
        ("J01", 3, False, ["K01", "K02"], ["L1"]),
        ("J02", 2, False, ["K02"], ["L2"]),
        ("J03", 2, False, ["K03"], ["L0"]),
    ]
    assert [t.id for t in plan.trenches] == [f"T{i + 1:02d}" for i in range(len(plan.trenches))]
    assert [lamp.id for lamp in plan.lamps] == ["L0", "L1", "L2"]


def test_costs_are_the_sums_of_what_is_printed() -> None:
    """
    Trench: 6 (two cables) + 4 + 3 + 5 m at 10 = 180.

    Cable: thick 9 x 1.05 + 1.4 = 10.85 -> 10.9 m at 5; thin 5 x 1.05 + 0.8 = 6.05 -> 6.1 m and 10 x 1.05 + 1.4 = 11.9 m
    at 2: 54.50 + 12.20 + 23.80 = 90.50. Joints: two of two ways at 6, one of three in the kit of four at 10. Driver 90,
    supply point 25.
    """
    plan = forked_plan()
    cost = plan.cost
    assert (cost.trench, cost.cable, cost.joints) == (180.0, 90.5, 22.0)
    assert (cost.drivers, cost.supplies, cost.fuses) == (90.0, 25.0, 0.0)
    assert cost.total == 407.5
    assert sorted(t.price for t in plan.trenches) == [30.0, 40.0, 50.0, 60.0]
    cut = {piece: cable.cut_m for cable in plan.cables for piece in [cable.id]}
    for reel in plan.cuts:
        assert reel.left_m == pytest.approx(reel.reel_m - sum(cut[piece] for piece in reel.pieces))
