"""Tape ties: they lead back to the place, cut well where they say so, and say so where they do not."""

from __future__ import annotations

import math

import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st

from optimiser.documents.lists.places import peg_places
from optimiser.documents.lists.set_out import fixed_points, set_out_table
from optimiser.documents.lists.ties import (
    LEAST_CUT_DEG,
    LONG_TAPE_M,
    MOST_CUT_DEG,
    FixedPoint,
    Tie,
    choose_ties,
)
from optimiser.plan.model import Plan
from tests.documents.sample import courtyard, on_a_slope, one_lamp, park

XY = tuple[float, float]


def measured_in(first: XY, second: XY, first_m: float, second_m: float, side: str) -> XY:
    """
    Where two tapes meet: linear intersection, as any handbook of surveying gives it (law of cosines).

    Along the line from first to second, then square to it, to the left or the right.
    """
    base = math.dist(first, second)
    along = (first_m**2 - second_m**2 + base**2) / (2 * base)
    off = math.sqrt(max(0.0, first_m**2 - along**2)) * {"left": 1, "right": -1, "": 0}[side]
    ux, uy = (second[0] - first[0]) / base, (second[1] - first[1]) / base
    return first[0] + along * ux - off * uy, first[1] + along * uy + off * ux


@pytest.mark.parametrize("plan", [courtyard(), park()], ids=["courtyard", "park"])
def test_every_place_is_found_again_from_its_printed_ties(plan: Plan) -> None:
    table = set_out_table(plan)
    key = {column.key: i for i, column in enumerate(table.columns)}
    fixed = {point.name: (point.x, point.y) for point in fixed_points(plan)}
    tied = 0
    for row in table.rows:
        if row[key["tape_1_from"]]:
            first, second = fixed[str(row[key["tape_1_from"]])], fixed[str(row[key["tape_2_from"]])]
            at = measured_in(
                first, second, float(row[key["tape_1_m"]]), float(row[key["tape_2_m"]]), str(row[key["side"]])  # type: ignore[arg-type]
            )  # fmt: skip
            assert at == pytest.approx((row[key["x_m"]], row[key["y_m"]]), abs=0.002)
            tied += 1
        else:
            assert str(row[key["note"]]).startswith(("at ", "beside "))
    assert tied > 10


@pytest.mark.parametrize("plan", [courtyard(), park(), one_lamp()], ids=["courtyard", "park", "one lamp"])
def test_all_that_is_built_is_set_out(plan: Plan) -> None:
    names = [row[0] for row in set_out_table(plan).rows]
    assert len(names) == len(set(names))
    assert {driver.id for driver in plan.drivers} | {joint.id for joint in plan.joints} <= set(names)
    places = {(row[2], row[3]) for row in set_out_table(plan).rows}
    for trench in plan.trenches:
        pegged = [(x + 0.0, y + 0.0) for x, y, *_ in trench.route if (x + 0.0, y + 0.0) in places]
        assert [pegged[0], pegged[-1]] == [
            (point[0] + 0.0, point[1] + 0.0) for point in trench.route[:: len(trench.route) - 1]
        ]
        dug = shapely.LineString([point[:2] for point in trench.route])
        assert shapely.hausdorff_distance(dug, shapely.LineString(pegged)) <= 0.01 + 1e-9


def test_a_bend_no_tape_can_tell_from_the_straight_is_not_pegged() -> None:
    plan = courtyard()
    trench = next(trench for trench in plan.trenches if len(trench.route) == 2)
    (x1, y1, *_), (x2, y2, *_) = trench.route[0], trench.route[-1]
    length = math.dist((x1, y1), (x2, y2))
    across = (-(y2 - y1) / length, (x2 - x1) / length)

    def bent(off_m: float) -> list[str]:
        middle = ((x1 + x2) / 2 + off_m * across[0], (y1 + y2) / 2 + off_m * across[1])
        one = trench.model_copy(update={"route": [(x1, y1), middle, (x2, y2)]})
        others = [other for other in plan.trenches if other is not trench]
        return [place.what for place in peg_places(plan.model_copy(update={"trenches": [one, *others]}))[2]]

    assert bent(0.009) == bent(0.0)
    assert len(bent(0.012)) == len(bent(0.0)) + 1


def test_where_a_trench_only_bends_up_or_down_no_peg_is_set() -> None:
    flat, slope = courtyard(), on_a_slope(courtyard())
    named = [[(place.name, place.what, place.x, place.y) for place in peg_places(plan)[2]] for plan in (flat, slope)]
    assert named[0] == named[1]


def tie(place: XY, fixed: list[FixedPoint], walls: list[list[XY]] | None = None) -> Tie:
    return choose_ties([place], fixed, walls or [])[0]


def test_pegs_are_preferred_where_they_cut_well() -> None:
    fixed = [
        FixedPoint("P1", 0, 0, True),
        FixedPoint("P2", 20, 0, True),
        FixedPoint("corner", 10, 9, False),
        FixedPoint("door", 11, 12, False),
    ]
    found = tie((10, 10), fixed)
    assert (found.first, found.second, found.poor) == (0, 1, "")
    assert found.cut_deg == pytest.approx(90.0)
    assert found.side == "left"
    assert found.check == 2  # the nearest other point


def test_a_flat_cut_of_the_pegs_gives_way_to_another_fixed_point() -> None:
    """At 1 m off the line between pegs 20 m apart the tapes cut at 168.6 degrees."""
    pegs = [FixedPoint("P1", 0, 0, True), FixedPoint("P2", 20, 0, True)]
    alone = tie((10, 1), pegs)
    assert alone.cut_deg == pytest.approx(2 * math.degrees(math.atan(10)))
    assert alone.poor == "cut over 150°"
    with_corner = tie((10, 1), [*pegs, FixedPoint("corner", 10, 9, False)])
    assert with_corner.poor == ""
    assert 2 in (with_corner.first, with_corner.second)


def test_a_narrow_cut_is_said_to_be_poor() -> None:
    assert tie((50, 0), [FixedPoint("P1", 20, 0, True), FixedPoint("P2", 20, 2, True)]).poor == "cut under 30°"


def test_a_tape_does_not_pass_through_a_house_but_runs_along_its_wall() -> None:
    fixed = [
        FixedPoint("behind", 5, 20, True),
        FixedPoint("P2", 10, 0, True),
        FixedPoint("P3", -8, 0, False),
        FixedPoint("corner", 0, 10, False),
    ]
    house = [(0.0, 10.0), (10.0, 10.0), (10.0, 14.0), (0.0, 14.0)]
    assert {tie((5, 5), fixed).first, tie((5, 5), fixed).second} == {0, 1}
    seen = tie((5, 5), fixed, [house])
    assert 0 not in (seen.first, seen.second, seen.check)
    along = tie((-5, 10), [fixed[3], FixedPoint("P4", -5, 2, True)], [house])
    assert along.poor == ""
    assert tie((5, 5), [fixed[0], fixed[1]], [house]).poor.startswith("no two in sight")


def test_tapes_longer_than_are_sold_are_said_to_be_so() -> None:
    found = tie((0, 0), [FixedPoint("P1", 80, 0, True), FixedPoint("P2", 0, 90, True)])
    assert found.poor == f"tape over {LONG_TAPE_M:g} m"


@pytest.mark.parametrize("fixed", [[], [FixedPoint("P1", 1, 1, True)],
                                   [FixedPoint("P1", 1, 1, True), FixedPoint("again", 1, 1, False)]])  # fmt: skip
def test_without_two_fixed_points_there_is_no_tie(fixed: list[FixedPoint]) -> None:
    found = tie((0, 0), fixed)
    assert (found.first, found.second, found.poor) == (None, None, "fewer than two fixed points")


COORDINATE = st.integers(-400, 400).map(lambda tenths: tenths / 10)
PLACE = st.tuples(COORDINATE, COORDINATE)


@given(place=PLACE, fixed=st.lists(PLACE, min_size=2, max_size=7, unique=True))
def test_ties_keep_what_they_say(place: XY, fixed: list[XY]) -> None:
    points = [FixedPoint(f"P{i}", x, y, i < 3) for i, (x, y) in enumerate(fixed)]
    found = tie(place, points)
    if found.second is None:
        assert found.first is not None and fixed[found.first] == pytest.approx(place, abs=0.001)
        return
    assert found.first is not None and found.cut_deg is not None
    a, b = fixed[found.first], fixed[found.second]
    assert found.first_m == pytest.approx(math.dist(place, a))
    assert found.second_m == pytest.approx(math.dist(place, b))
    turn = math.atan2(a[1] - place[1], a[0] - place[0]) - math.atan2(b[1] - place[1], b[0] - place[0])
    assert math.cos(math.radians(found.cut_deg)) == pytest.approx(math.cos(turn), abs=1e-6)
    good = LEAST_CUT_DEG <= found.cut_deg <= MOST_CUT_DEG and max(found.first_m or 0, found.second_m) <= LONG_TAPE_M
    assert good == (found.poor == "")


def test_a_site_without_pegs_says_what_to_do() -> None:
    plan = one_lamp()
    assert "fewer than two fixed points" not in str(set_out_table(plan).rows[0])  # the driver stands at its supply
    data = courtyard().model_dump(by_alias=True)
    data["site"] |= {"pegs": [], "supplies": [], "fixed": []}
    table = set_out_table(Plan.model_validate(data))
    assert any("set one more peg" in sentence for sentence in table.before)
    assert all("fewer than two fixed points" in str(row[-2]) or str(row[-2]).startswith("beside") for row in table.rows)


def test_names_of_bends_keep_clear_of_the_survey_s() -> None:
    assert peg_places(courtyard())[2][0].name == "B01"
    data = courtyard().model_dump(by_alias=True)
    data["site"]["pegs"][0]["name"] = "B1"
    assert peg_places(Plan.model_validate(data))[2][0].name == "TB01"
