"""What the ground is at a place and what a line through it costs, against sums done by hand."""

from __future__ import annotations

import math
import pickle
from typing import Any

import numpy as np
import pytest
import shapely
from shapely import Polygon

from optimiser.ground import Land
from optimiser.survey.model import MainsLine, Peg, Zone
from tests.ground.sites import box, make_job, make_survey, regular, tree_zones, zone

LAMP = [(50.0, 50.0)]
SUPPLY = [(60.0, 50.0)]


def land_of(zones: list[Zone], grounds: dict[str, dict[str, Any]] | None = None, **more: Any) -> Land:
    return Land(make_job(grounds), make_survey(LAMP, SUPPLY, zones, **more))


def name_at(land: Land, *place: float) -> str:
    return land.names[land.ground_at(np.array([place]))[0]]


def price(land: Land, a: tuple[float, float], b: tuple[float, float]) -> float:
    return float(land.price_lines(np.array([a]), np.array([b])).trench_price[0])


def allowed(land: Land, a: tuple[float, float], b: tuple[float, float]) -> bool:
    return bool(land.price_lines(np.array([a]), np.array([b])).allowed[0])


def test_the_dearer_ground_wins_and_no_dig_wins_over_all() -> None:
    land = land_of(
        [
            box("paving", "paving", 0, 0, 10, 10),
            box("bed", "bed", 5, 0, 15, 10),
            box("house", "house", 8, 0, 20, 10),
        ]
    )
    assert [name_at(land, x, 5) for x in (2, 6, 9, 18, 30)] == ["paving", "paving", "house", "house", "lawn"]


def test_of_two_grounds_at_one_price_the_later_in_the_job_wins() -> None:
    grounds = {"clay": {"kind": "lawn", "per_m": 14}}  # as dear as the bed, and after it
    land = land_of([box("clay", "clay", 0, 0, 10, 10), box("bed", "bed", 5, 0, 15, 10)], grounds)
    assert [name_at(land, x, 5) for x in (2, 7, 12)] == ["clay", "clay", "bed"]


def test_a_border_takes_the_cheaper_ground() -> None:
    land = land_of([box("paving", "paving", 0, 0, 10, 10), box("bed", "bed", 10, 0, 20, 10)])
    assert name_at(land, 10, 5) == "bed"  # between paving and bed
    assert name_at(land, 0, 5) == "lawn"  # between paving and the base ground
    assert name_at(land, 20, 5) == "lawn"
    assert price(land, (10, 0), (10, 10)) == pytest.approx(10 * 14)
    assert price(land, (0, 0), (0, 10)) == pytest.approx(10 * 10)


def test_a_slanting_border_takes_the_cheaper_ground_whatever_the_last_bit_says() -> None:
    corners = [(0.1, 0.2), (7.3, 2.9), (5.0, 8.7)]
    land = land_of([zone("paving", "paving", corners)])
    length = math.dist(corners[0], corners[1])
    assert price(land, corners[0], corners[1]) == pytest.approx(10 * length)


def test_crossing_sums_are_halves_where_the_ground_changes() -> None:
    land = land_of([box("paving", "paving", 2, -5, 4, 5)])
    # 2 m lawn, 2 m paving, 6 m lawn; paving's 30 once.
    assert price(land, (0, 0), (10, 0)) == pytest.approx(20 + 80 + 60 + 30)
    # Ends inside paving: entered once, half.
    assert price(land, (0, 0), (3, 0)) == pytest.approx(20 + 40 + 15)
    # Ends on its border from within: that end pays half too. From outside: lawn has no crossing sum.
    assert price(land, (3, 0), (4, 0)) == pytest.approx(40 + 15)
    assert price(land, (4, 0), (5, 0)) == pytest.approx(10)
    # Wholly inside: none.
    assert price(land, (2.5, -1), (3.5, 1)) == pytest.approx(40 * math.sqrt(5))


@pytest.mark.parametrize("off_mm", [-4, -3, -2, -1, 0, 1, 2, 3, 4])
@pytest.mark.parametrize("angle_deg", [90, 45, 10, 1])
@pytest.mark.parametrize("turn_deg", [0, 33])
def test_a_bend_beside_a_border_pays_the_crossing_once(off_mm: int, angle_deg: float, turn_deg: float) -> None:
    """
    Two lines that meet a few millimetres off a border, in lawn or in paving: half of 30 and half of 4, once.

    At 2 mm off, in lawn, the first line once paid half of lawn's 4 and the second paid it twice. A third line, that
    goes back into the ground that the bend stands in, crosses nothing.
    """
    grounds = {"lawn": {"per_m": 0, "crossing": 4}, "paving": {"per_m": 0, "crossing": 30}}
    turn, angle = math.radians(turn_deg), math.radians(angle_deg)
    across = np.array([math.cos(turn), math.sin(turn)])  # into the paving
    along = np.array([-across[1], across[0]])
    corners = [tuple(x * across + y * along) for x, y in ((0, -50), (20, -50), (20, 50), (0, 50))]
    land = land_of([zone("paving", "paving", corners)], grounds)
    bend = np.round(off_mm / 1000 * across, 3)
    way = math.sin(angle) * across + math.cos(angle) * along
    a, b, c = bend - 9 * way, bend + 9 * way, bend + math.copysign(9, off_mm) * across + along
    assert price(land, tuple(a), tuple(bend)) + price(land, tuple(bend), tuple(b)) == pytest.approx(17)
    if abs(off_mm) >= 1:
        assert price(land, tuple(bend), tuple(c)) == pytest.approx(0)


def test_each_ground_pays_its_own_half_where_two_paid_grounds_meet() -> None:
    grounds = {"lawn": {"per_m": 10, "crossing": 4}, "drive": {"per_m": 60, "crossing": 50}}
    land = land_of([box("paving", "paving", 2, -5, 4, 5), box("drive", "drive", 4, -5, 6, 5)], grounds)
    # lawn 2, paving 2, drive 2, lawn 2; halves: lawn 2 + paving 15, paving 15 + drive 25, drive 25 + lawn 2.
    assert price(land, (0, 0), (8, 0)) == pytest.approx(20 + 80 + 120 + 20 + 17 + 40 + 27)


def test_the_border_with_a_no_dig_zone_charges_nothing() -> None:
    land = land_of([box("paving", "paving", 0, 0, 4, 4), box("house", "house", 4, 0, 8, 4)])
    assert price(land, (1, 2), (4, 2)) == pytest.approx(3 * 40)  # ends on the wall
    assert price(land, (1, 2), (1, 0)) == pytest.approx(2 * 40 + 15)  # ends on the border with lawn


def test_slivers_between_zones_measured_to_the_millimetre_are_passed_over() -> None:
    # A gap of half a millimetre between two slabs is no lawn: one crossing, not two.
    land = land_of([box("paving", "paving", 0, 0, 2, 4), box("paving 2", "paving", 2.0005, 0, 4, 4)])
    assert price(land, (-1, 2), (5, 2)) == pytest.approx(10 + 4 * 40 + 10 + 30, abs=0.05)
    names = [piece.ground for piece in land.split_lines(np.array([[-1, 2, 0]]), np.array([[5, 2, 0]]))[0]]
    assert names == ["lawn", "paving", "lawn"]


def test_split_lines_give_the_pieces_that_the_price_is_made_of() -> None:
    land = land_of([box("paving", "paving", 2, -5, 4, 5), box("bed", "bed", 3, -5, 6, 5)])
    pieces = land.split_lines(np.zeros((1, 3)), np.array([[8.0, 0.0, 0.0]]))[0]
    assert [(p.ground, p.depth_mm) for p in pieces] == [("lawn", 200), ("paving", 150), ("bed", 300), ("lawn", 200)]
    assert [p.route[-1][0] for p in pieces] == pytest.approx([2, 4, 6, 8])
    assert pieces[0].route[0] == (0, 0, 0)
    ends = np.array([[p.route[0][:2], p.route[-1][:2]] for p in pieces]).reshape(-1, 2)
    ground = np.repeat([land.names.index(p.ground) for p in pieces], 2)
    assert land.on_border(ends, ground).tolist() == [False, True, True, True, True, True, True, False]


def test_the_part_on_the_surface_is_told_apart() -> None:
    land = land_of([box("bark", "bark", 2, -5, 4, 5)], {"bark": {"kind": "mulch", "per_m": 3, "depth_mm": 0}})
    lines = land.price_lines(np.array([[0.0, 0.0]]), np.array([[10.0, 0.0]]))
    assert lines.sun_m[0] == pytest.approx(2) and lines.length_m[0] == pytest.approx(10)
    assert lines.trench_price[0] == pytest.approx(80 + 6)


def test_touching_and_overlapping_no_dig_zones_leave_no_gap() -> None:
    touching = land_of([box("one", "house", 0, 0, 4, 4), box("two", "house", 4, 0, 8, 4)])
    assert not allowed(touching, (4, -1), (4, 5))
    assert allowed(touching, (-1, 0), (9, 0)) and allowed(touching, (0, -1), (0, 9))  # along the border: not inside
    # Half a millimetre between two walls measured to the millimetre is no way through.
    rounded = land_of([box("one", "house", 0, 0, 4, 4), box("two", "house", 4.0005, 0, 8, 4)])
    assert not allowed(rounded, (4.0002, -1), (4.0002, 5))
    assert not allowed(land_of([box("one", "house", 0, 0, 4, 4), box("two", "house", 3, 1, 8, 3)]), (3.5, -1), (3.5, 5))


def test_different_no_dig_grounds_together_leave_no_gap_either() -> None:
    land = land_of([box("house", "house", 0, 0, 4, 4), box("pond", "pond", 4, 0, 8, 4)])
    assert not allowed(land, (4, -1), (4, 5))


def test_holes_are_ground_of_their_own() -> None:
    ring = zone("cloister", "house", [(0, 0), (10, 0), (10, 10), (0, 10)], holes=[[(3, 3), (7, 3), (7, 7), (3, 7)]])
    land = land_of([ring])
    assert name_at(land, 5, 5) == "lawn" and name_at(land, 1, 5) == "house"
    assert allowed(land, (4, 4), (6, 6)) and not allowed(land, (5, 5), (5, 12))


def test_keep_off_has_mitred_corners_and_may_be_touched() -> None:
    land = land_of([box("pond", "pond", 0, 0, 4, 4, 0.3)])
    assert allowed(land, (-0.3, -1), (-0.3, 5)) and not allowed(land, (-0.299, -1), (-0.299, 5))
    assert allowed(land, (-0.3, -0.3), (4.3, -0.3))  # to the pushed-out corner
    assert land.free(np.array([[-0.3, -0.3], [-0.29, -0.29], [2.0, 2.0], [2.0, 4.3]])).tolist() == [
        True,
        False,
        False,
        True,
    ]


def test_a_trench_may_cross_a_mains_line_but_not_run_along_it() -> None:
    mains = (MainsLine("feed", ((0.0, 0.0, 0.0), (10.0, 0.0, 0.0))),)
    land = land_of([], mains=mains)
    lines = land.price_lines(
        np.array([[5.0, -1], [1, 0.02], [1, 0.06], [0, -0.5]]), np.array([[5.0, 1], [9, 0.02], [9, 0.06], [9, 0.5]])
    )
    assert lines.allowed.tolist() == [
        True,
        False,
        True,
        False,
    ]  # the last crosses at so flat an angle that it runs along
    # Joints keep 0.3 m from mains lines (trade rule of the job: rules.mains_joint_clear_m).
    assert land.may_joint(np.array([[5.0, 0.29], [5.0, 0.31]])).tolist() == [False, True]


def test_joints_keep_off_water_paving_and_no_dig_ground() -> None:
    land = land_of([box("pond", "pond", 0, 0, 4, 4, 0.3), box("paving", "paving", 10, 0, 12, 4)])
    places = np.array([[4.49, 2], [4.51, 2], [11, 2], [2, 2], [10, 2], [20, 20]])
    # Pond: joints 0.5 m off (from memory, like every water clearance here); on the paving's border it is lawn.
    assert land.may_joint(places).tolist() == [False, True, False, False, True, True]


def test_lengths_follow_the_slope() -> None:
    # The plane z = 3/4 x through measured pegs: 4 m in plan are 5 m along it (3-4-5).
    pegs = tuple(
        Peg(f"P{i}", (x, y, 0.75 * x)) for i, (x, y) in enumerate([(0.0, 0.0), (8.0, 0.0), (0.0, 8.0), (8.0, 8.0)])
    )
    survey = make_survey(
        [(1, 1, 0.75)], [(7, 7, 5.25)], [box("paving", "paving", 4, -1, 9, 9)], pegs=pegs, has_heights=True
    )
    land = Land(make_job(), survey)
    lines = land.price_lines(np.array([[2.0, 2.0], [2.0, 2.0]]), np.array([[6.0, 2.0], [2.0, 6.0]]))
    assert lines.length_m == pytest.approx([5, 4])
    assert lines.trench_price == pytest.approx([2.5 * 10 + 2.5 * 40 + 15, 40])
    # Beyond what was measured the ground goes on nearly level from the nearest height.
    assert land.height(np.array([[3.0, 5.0], [90.0, 1.0]])) == pytest.approx([2.25, 6.0])
    lead = land.lead_lines(np.array([0]), np.array([[1.16, 1.0]]))
    assert lead.length_m == pytest.approx([0.2]) and lead.allowed[0]
    pieces = land.split_lines(np.array([[2.0, 2.0, 1.5]]), np.array([[6.0, 2.0, 4.5]]))[0]
    assert pieces[0].route[-1] == pytest.approx((4, 2, 3))


def test_reach_is_what_the_lead_leaves() -> None:
    # 1.0 lead - 0.3 aim reserve - 0.1 exit height - 0.15 tail - depth: lawn 0.2, bed 0.3, root 0.05.
    land = land_of([box("bed", "bed", 0, 0, 4, 4), box("root", "root", 10, 0, 14, 4)])
    lamps = np.zeros(3, dtype=np.int64)
    assert land.reach_m(lamps, np.array([[50.0, 50], [2, 2], [12, 2]])) == pytest.approx([0.25, 0.15, 0.40])
    leads = land.lead_lines(lamps[:2], np.array([[50.25, 50.0], [50.251, 50.0]]))
    assert leads.allowed.tolist() == [True, False] and leads.lawful.all()
    assert leads.price == pytest.approx([2.5, 2.51])


def test_leads_stay_out_of_no_dig_and_paving_except_their_own_zone() -> None:
    slab = box("paving", "paving", 0, 0, 4, 4)
    other = box("slab", "paving", 4.6, 0, 8, 4)
    survey = make_survey([(3.7, 2), (4.2, 2), (5.0, 3.9), (4.2, 3.0)], SUPPLY, [slab, other], types=["long"] * 4)
    land = Land(make_job(), survey)
    lead = land.lead_lines(
        np.array([0, 0, 1, 1, 2, 3]), np.array([[4.3, 2], [4.8, 2], [3.8, 2], [5.2, 2], [5.0, 4.5], [4.9, 3]])
    )
    # 0: out of its own slab; into the other. 1: stands 0.2 off the first slab (within the tolerance of 0.3), 0.4 off
    # the other.
    assert lead.lawful.tolist() == [True, False, True, False, True, False]
    assert lead.price[0] == pytest.approx(0.3 * 40 + 0.3 * 10)


def test_a_lead_does_not_go_through_a_house_its_lamp_stands_beside() -> None:
    survey = make_survey(
        [(1, 1.2), (1, 0.9), (6, 1.0)], SUPPLY, [box("wall", "house", 0, 0, 2, 1), box("pond", "pond", 5, 0, 7, 2)]
    )
    land = Land(make_job(lamps={"spike": {"watts": 5, "volts": 12, "lead_m": 3}}), survey)
    joints = np.array([[1, -0.2], [2.05, 1.2], [1, 1.5], [1, -0.2], [6, 2.5]])
    lead = land.lead_lines(np.array([0, 0, 1, 1, 2]), joints)
    # Beside the wall: not through it. A little inside its border: out of the near side, not the far one. In the pond:
    # out.
    assert lead.lawful.tolist() == [False, True, True, False, True]


def test_a_lead_stays_out_of_a_no_dig_zone_that_overlaps_its_lamps_own() -> None:
    own, other = box("pond", "pond", 0, 0, 4, 4), box("house", "house", 3, 0, 6, 4)
    for zones in ([own, other], [other, own], [own, box("pond 2", "pond", 3, 0, 6, 4)]):
        land = Land(make_job(), make_survey([(2.5, 2)], SUPPLY, zones, types=["long"]))
        lead = land.lead_lines(np.array([0, 0]), np.array([[3.5, 4.1], [2.5, 4.1]]))
        assert lead.lawful.tolist() == [False, True]


def test_a_lead_may_cross_the_trunk_strip_at_the_root_grounds_lead_price() -> None:
    # A lamp at the foot of a tree of 300 mm: strip to 1.15 m, root ground to 3.6 m (12 x stem: BS 5837, AS 4970).
    trees = tree_zones("oak", 0, 0, 0.3)
    grounds = {"root": {"per_m": 20, "lead_per_m": 2}}
    survey = make_survey([(0.5, 0.0)], SUPPLY, trees, types=["long"])
    land = Land(make_job(grounds), survey)
    lead = land.lead_lines(np.array([0, 0]), np.array([[1.5, 0.0], [0.9, 0.0]]))
    assert lead.lawful.all() and lead.price == pytest.approx([2.0, 0.8])
    assert land.may_joint(np.array([[1.5, 0.0], [0.9, 0.0]])).tolist() == [True, False]
    # 2.5 - 0.3 - 0.1 - 0.15 - 0.05 (root ground lies 50 mm deep)
    assert lead.reach_m[0] == pytest.approx(1.9)


def test_a_lamp_in_a_pond_pays_the_base_grounds_lead_price_in_it() -> None:
    survey = make_survey([(3.8, 2.0)], SUPPLY, [box("pond", "pond", 0, 0, 4, 4, 0.3)], types=["long"])
    land = Land(make_job({"lawn": {"per_m": 10, "lead_per_m": 3}}), survey)
    lead = land.lead_lines(np.array([0]), np.array([[4.6, 2.0]]))
    assert lead.allowed[0] and lead.price == pytest.approx([0.8 * 3])


def test_land_survives_pickling() -> None:
    land = land_of([box("pond", "pond", 0, 0, 4, 4, 0.3), box("paving", "paving", 10, 0, 12, 4)])
    again = pickle.loads(pickle.dumps(land))
    a, b = np.array([[-1.0, 5.0], [9.0, 2.0]]), np.array([[5.0, -0.5], [13.0, 2.0]])
    for mine, other in zip(land.price_lines(a, b), again.price_lines(a, b), strict=True):
        assert np.array_equal(mine, other)


def test_many_lines_cost_what_each_costs_alone() -> None:
    rng = np.random.default_rng(5)
    zones = [
        zone("pond", "pond", regular(5, 5, 2, 7), 0.3),
        box("paving", "paving", 8, -1, 9.5, 12),
        *tree_zones("t", 3, 9, 0.2),
    ]
    land = land_of(zones)
    a, b = rng.random((2, 300, 2)) * 12
    together = land.price_lines(a, b)
    for idx in range(0, 300, 7):
        alone = land.price_lines(a[idx : idx + 1], b[idx : idx + 1])
        assert alone.trench_price[0] == together.trench_price[idx] and alone.allowed[0] == together.allowed[idx]
    back = land.price_lines(b, a)
    assert back.trench_price == pytest.approx(together.trench_price) and (back.allowed == together.allowed).all()


def test_a_strip_kept_off_is_the_shape_shapely_would_not_enter() -> None:
    """Every allowed line keeps its distance, measured by shapely on the zones as they were surveyed."""
    rng = np.random.default_rng(11)
    zones = [zone("pond", "pond", regular(5, 5, 2, 7), 0.3), box("house", "house", 8, 2, 11, 9, 0.1)]
    land = land_of(zones)
    a, b = rng.random((2, 2000, 2)) * 12
    lines = shapely.linestrings(np.stack([a, b], axis=1))
    ok = land.price_lines(a, b).allowed
    for each in zones:
        assert (shapely.distance(each.polygon, lines[ok]) >= each.keep_off_m - 1e-6).all()
    # And what is refused does come nearer than the mitred outline (drawn here by hand) allows.
    outline = shapely.union_all(
        [
            Polygon(regular(5, 5, 2 * math.cos(0) + 0.3, 7)),
            Polygon([(7.9, 1.9), (11.1, 1.9), (11.1, 9.1), (7.9, 9.1)]),
        ]
    )
    assert (shapely.length(shapely.intersection(lines[~ok], outline)) > 0).all()
