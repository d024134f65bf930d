"""Points taped from pegs: exact triangles, published resections, mirror solutions, wrong tapes, in words."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from small_job import complaint, survey

from optimiser.job import Dxf, Measuring
from optimiser.survey import reduce_file
from optimiser.survey.reduce import Reduced
from optimiser.survey.starts import meet

TIES = "point,kind,of,x,y,from1,dist1,from2,dist2,from3,dist3,from4,dist4,side\n"


def reduced(text: str, **measuring: float) -> Reduced:
    return reduce_file(text.encode(), "survey.csv", Measuring(**measuring), Dxf())


def taped(*rows: str, pegs: str = "A,peg,,0,0\nB,peg,,14,0\n") -> str:
    return TIES + pegs + "".join(f"{row}\n" for row in rows)


def place(result: Reduced, name: str) -> tuple[float, float]:
    """x, y that stand in the table."""
    assert not result.problems, result.problems
    cells = next(cells for cells in result.table.rows if cells["point"] == name)
    return float(cells["x"].replace(",", ".")), float(cells["y"].replace(",", "."))


# pegs apart, tapes, place on the left: arithmetic (13² = 5² + 12², 15² = 9² + 12², 10² = 6² + 8², 17² = 15² + 8²)
TRIANGLES = [(14, 13, 15, (5, 12)), (21, 10, 17, (6, 8)), (10, 6, 8, (3.6, 4.8))]


@pytest.mark.parametrize(("base", "one", "two", "left"), TRIANGLES)
def test_exact_triangles(base: float, one: float, two: float, left: tuple[float, float]) -> None:
    x, y = left
    assert meet((0, 0), one, (base, 0), two) == [pytest.approx((x, y)), pytest.approx((x, -y))]
    pegs = f"A,peg,,0,0\nB,peg,,{base},0\n"
    for side, sign in (("left", 1), ("right", -1), ("L", 1), ("R", -1)):
        result = reduced(taped(f"L1,lamp,spike,,,A,{one},B,{two},,,,,{side}", pegs=pegs))
        assert place(result, "L1") == pytest.approx((x, sign * y), abs=5e-4)


def test_two_ties_on_a_base() -> None:
    """u = 8, v = 11, w = 7: x = (u² + v² - w²) / 2u = 8.5 (T. Klemm, as published), y = sqrt(v² - x²) = 6.982120."""
    assert meet((0, 0), 11, (8, 0), 7)[0] == pytest.approx((8.5, 6.982120), abs=1e-6)
    assert meet((0, 0), 9, (8, 0), 12)[0] == pytest.approx((0.0625, 8.999783), abs=1e-6)


def test_a_point_south_of_two_stations() -> None:
    """Stations and distances of a published exercise; both places computed. The southern lies right of R to S."""
    stations = "R,peg,,10000,10000\nS,peg,,13462.560,11373.620\n"
    for side, there in (("right", (13001.259, 9447.829)), ("left", (11806.529, 12459.451))):
        row = f"P,lamp,spike,,,R,3051.630,S,1980.270,,,,,{side}"
        assert place(reduced(taped(row, pegs=stations)), "P") == pytest.approx(there, abs=1e-3)


def test_circles_that_do_not_meet_and_that_touch() -> None:
    assert meet((0, 0), 3, (10, 0), 4) == []
    assert meet((0, 0), 4, (10, 0), 6) == [pytest.approx((4, 0))]
    assert meet((0, 0), 15, (10, 0), 3) == []
    assert meet((0, 0), 3.99, (10, 0), 6, slack=0.05) == [pytest.approx((3.995, 0))]
    assert meet((0, 0), 13.02, (10, 0), 3, slack=0.05) == [pytest.approx((13.01, 0))]
    assert meet((0, 0), 3, (10, 0), 13.02, slack=0.05) == [pytest.approx((-3.01, 0))]


def test_a_third_tape_tells_the_side_and_a_third_peg_in_line_does_not() -> None:
    pegs = "A,peg,,0,0\nB,peg,,14,0\nC,peg,,5,20\nD,peg,,28,0\n"
    assert place(reduced(taped("L1,lamp,spike,,,A,13,B,15,C,8", pegs=pegs)), "L1") == pytest.approx((5, 12), abs=1e-3)
    [problem] = reduced(taped(f"L1,lamp,spike,,,A,13,B,15,D,{math.hypot(23, 12):.3f}", pegs=pegs)).problems
    assert (problem.field, problem.found) == ("side", "is empty, and lamp L1 may be at 5.00, 12.00 or at 5.00, -12.00")


def test_a_side_is_asked_for_once_where_other_points_hang_on_it() -> None:
    """A peg taped from two others needs a side; lamps taped from all three need none once the peg has its own."""
    pegs = "A,peg,,0,0\nB,peg,,14,0\n"
    lamps = ["L1,lamp,spike,,,A,13,B,15,C,8", f"L2,lamp,spike,,,B,13,A,15,C,{math.hypot(4, 8):.3f}"]
    peg = "C,peg,,,,A,20.616,B,21.932"
    for others in (lamps, lamps[::-1]):
        result = reduced(taped(*others, peg, pegs=pegs))
        assert [(problem.line, problem.field) for problem in result.problems] == [(6, "side")]
        assert result.lost_rows == {4, 5, 6}
        told = reduced(taped(*others, peg + ",,,,,left", pegs=pegs))
        assert not told.problems
        assert place(told, "L1") == pytest.approx((5, 12), abs=0.01)
        assert place(told, "L2") == pytest.approx((9, 12), abs=0.01)


def test_points_hang_on_points_and_pegs_on_lamps() -> None:
    """Places in any order of rows; a tape counts both ways."""
    rows = ["L2,lamp,spike,,,L1,5,B,12.0416,,,,,left", "L1,lamp,spike,,,A,13,B,15,,,,,left"]
    result = reduced(taped(*rows))
    assert place(result, "L1") == pytest.approx((5, 12), abs=1e-3)
    x, y = place(result, "L2")
    assert math.hypot(x - 5, y - 12) == pytest.approx(5, abs=2e-3)
    assert math.hypot(x - 14, y) == pytest.approx(12.0416, abs=2e-3)


def test_without_any_coordinates_two_pegs_give_the_grid() -> None:
    pegs = "A,peg,,,,,\nB,peg,,,,A,14\n"
    result = reduced(taped("L1,lamp,spike,,,A,13,B,15,,,,,right", pegs=pegs))
    assert place(result, "B") == pytest.approx((14, 0), abs=1e-3)
    assert place(result, "L1") == pytest.approx((5, -12), abs=1e-3)
    assert result.notes == ("x runs from peg A at 0, 0 to peg B: no other places were given",)


def test_a_corner_of_the_same_name_is_not_the_peg() -> None:
    """Corners need no name of their own, and many are called by the letter of their zone."""
    pegs = "A,peg,,0,0\nB,peg,,14,0\na,corner,bed,3,3\nb,corner,bed,4,3\nc,corner,bed,4,4\n"
    assert place(reduced(taped("L1,lamp,spike,,,A,13,B,15,,,,,left", pegs=pegs)), "L1") == (5, 12)


def test_chainage_and_offset() -> None:
    head = "point,kind,of,x,y,base1,base2,chainage,offset,side\nA,peg,,1,1\nB,peg,,7,9\n"
    rows = "L1,lamp,spike,,,A,B,5,10\nL2,lamp,spike,,,A,B,5,-10\nL3,lamp,spike,,,A,B,5,10,right\n"
    result = reduced(head + rows)
    assert [place(result, name) for name in ("L1", "L2", "L3")] == [(-4, 11), (12, -1), (12, -1)]
    assert result.placed[2].sx_m == pytest.approx(0.05, abs=1e-6)


def test_decimal_commas_stay() -> None:
    head = "point;kind;of;x;y;from1;dist1;from2;dist2;side\nA;peg;;0,0;0,0\nB;peg;;14,0;0,0\n"
    text = head + "L1;lamp;spike;;;A;13,00;B;15,00;left\n"
    assert reduced(text).table.rows[2]["x"] == "5,000"


def test_standard_errors_of_two_tapes_by_hand() -> None:
    """Two tapes at a right angle, each ± 0.02 m, along x and along y: sx = sy = 0.02 m."""
    pegs = "A,peg,,0,4\nB,peg,,3,0\n"
    result = reduced(taped("L1,lamp,spike,,,A,3,B,4,,,,,left", pegs=pegs), tape_m=0.02, tape_pct=0)
    assert place(result, "L1") == pytest.approx((3, 4), abs=1e-3)
    placed = result.placed[2]
    assert (placed.sx_m, placed.sy_m) == pytest.approx((0.02, 0.02), abs=1e-6)
    assert placed.error_m == pytest.approx(0.02 * math.sqrt(-2 * math.log(0.32)), abs=1e-5)


def test_tapes_along_a_slope_are_brought_to_the_level() -> None:
    """3-4-5: pegs 4 m below, level distances 3 m; heights by levels from a peg."""
    text = (
        "point,kind,of,x,y,z,level_from,rise,from1,dist1,from2,dist2,side\n"
        "A,peg,,0,0,10\nB,peg,,3,3,10\nL1,lamp,spike,,,,A,4,A,5,B,5,right\n"
    )
    result = reduced(text)
    assert place(result, "L1") == pytest.approx((3, 0), abs=1e-3)
    assert result.table.rows[2]["z"] == "14.000"


LEVELS = "point,kind,of,x,y,z,level_from,rise\nA,peg,,0,0,10,,\n"
HUNG = "L1,lamp,spike,4,1,,B,0.5\nL2,lamp,spike,6,1,,B,0.7\nL3,lamp,spike,8,1,,L2,0.1\nS1,supply,,1,1,,B,0\n"


@pytest.mark.parametrize(
    ("peg", "says"),
    [
        (
            "B,peg,,3,3,,C,1\n",
            "survey.csv:7:level_from: found 'C', which is no point of the survey\n"
            "    mend: write the name of a peg or another point of the survey",
        ),
        ("B,peg,,3,3,,A,\n", "survey.csv:7:rise: is empty\n    mend: write the measured metres"),
        ("B,peg,,3,3,high,,\n", "survey.csv:7:z: found 'high', which is not a number\n    mend: write a number"),
        (
            "B,peg,,3,3,,,\n",
            "survey.csv:3:level_from: is levelled from peg B, which has no z, as 3 more are\n"
            "    mend: write the z of peg B",
        ),
        (
            "B,peg,,3,3,,L3,1\n",
            "survey.csv:3:level_from: is levelled in a circle, by way of lamp L2, as 4 more are\n"
            "    mend: level it from a peg with a z",
        ),
    ],
)
def test_a_level_that_others_hang_on_is_told_once(peg: str, says: str) -> None:
    assert complaint(LEVELS + HUNG + peg) == says


SQUARE = "A,peg,,0,0\nB,peg,,12,0\nC,peg,,0,16\nD,peg,,12,16\n"


def test_a_wrong_tape_of_three_is_named_with_what_else_it_may_be() -> None:
    """Exact distances to (5, 5) are 5, 8.602 and 11; the second is written 0.31 m too long."""
    pegs = "A,peg,,0,5\nB,peg,,12,0\nC,peg,,5,16\n"
    result = reduced(taped("L5,lamp,spike,,,A,5.00,B,8.912,C,11.00", pegs=pegs))
    [note] = result.notes
    assert note.startswith("the 8.91 m from peg B to lamp L5 disagrees with the other two by 0.31 m: measure it again")
    # If another is wrong, the lamp stands where the circles of the other two meet; what is left is that one's error.
    tapes = [((0, 5), 5.0), ((12, 0), 8.912), ((5, 16), 11.0)]
    errors = []
    for k, (peg, metres) in enumerate(tapes):
        (one, first), (two, second) = tapes[:k] + tapes[k + 1 :]
        there = min(meet(one, first, two, second), key=lambda place: math.dist(place, (5, 5)))
        errors.append(metres - math.dist(peg, there))
    assert errors == pytest.approx([0.373, 0.310, 0.486], abs=5e-4)
    assert "the 5.00 m from peg A to lamp L5 is 0.37 m too long" in note
    assert "the 11.00 m from peg C to lamp L5 is 0.49 m too long" in note
    assert [tape.measured_m - tape.adjusted_m for tape in result.tapes] == pytest.approx(errors, abs=1e-4)
    assert [tape.verdict for tape in result.tapes] == ["suspect"] * 3
    assert result.placed[3].error_m > 3 * 0.03, "and the place is said to be as uncertain as the misfit makes it"


def test_a_wrong_tape_of_four_is_left_out() -> None:
    row = "L5,lamp,spike,,,A,7.810,B,8.120,C,12.530,D,12.530"
    result = reduced(taped(row, pegs=SQUARE))
    assert place(result, "L5") == pytest.approx((6, 5), abs=2e-3)
    assert result.notes == (
        "the 8.12 m from peg B to lamp L5 disagrees with the other three by 0.31 m (too long) and was left out: "
        "measure it again",
    )
    assert [tape.verdict for tape in result.tapes] == ["", "left out", "", ""]
    off = [tape.measured_m - tape.adjusted_m for tape in result.tapes]
    assert off == pytest.approx([0, 0.310, 0, 0], abs=1.5e-3), "how the others fit without it, and it beside them"
    # Its own error is its sigma and, along it, that of the place that the other three give: normal equations, by numpy.
    ways = (
        np.array([(6, 5), (-6, 5), (6, -11), (-6, -11)])
        / np.array([math.hypot(6, 5)] * 2 + [math.hypot(6, 11)] * 2)[:, None]
    )
    sigmas = np.array([tape.sigma_m for tape in result.tapes])
    kept = [0, 2, 3]
    normal = (ways[kept] / sigmas[kept, None] ** 2).T @ ways[kept]
    error = math.sqrt(sigmas[1] ** 2 + ways[1] @ np.linalg.inv(normal) @ ways[1])
    assert abs(result.tapes[1].ratio) == pytest.approx(0.310 / error, rel=0.01)


def test_a_tape_between_pegs_checks_their_coordinates() -> None:
    result = reduced(TIES + "A,peg,,0,0\nB,peg,,14,0,A,14.42\nC,peg,,0,9,A,9.01\n")
    assert result.notes == (
        "the 14.42 m from peg A to peg B is 0.42 m too long for their x and y: measure it again, or correct these",
    )


def test_tapes_that_stray_more_than_stated_are_said() -> None:
    rng = np.random.default_rng(3)
    pegs = {"A": (0, 0), "B": (12, 0), "C": (0, 16), "D": (12, 16)}
    rows = []
    for k in range(30):
        x, y = rng.uniform(1, 11, 2)
        tapes = [f"{name},{math.dist(peg, (x, y)) + rng.normal(0, 0.05):.2f}" for name, peg in pegs.items()]
        rows.append(f"L{k},lamp,spike,,,{','.join(tapes)}")
    result = reduced(taped(*rows, pegs=SQUARE), tape_m=0.03, tape_pct=0)
    assert result.num_redundant >= 55 and 1.3 < result.s0 < 2
    assert any(note.startswith("the measurements stray 1.") for note in result.notes) or any(
        "disagrees" in note for note in result.notes
    )


@settings(max_examples=40, deadline=None, derandomize=True)
@given(st.lists(st.tuples(st.floats(1, 40), st.floats(1, 40)), min_size=1, max_size=12), st.booleans())
def test_any_points_come_back_from_their_tapes(points: list[tuple[float, float]], swap: bool) -> None:
    """Taped to the mm from two pegs or the two points before: within what the geometry makes of half a millimetre."""
    names, there = ["A", "B"], [(0.0, 0.0), (41.0, -3.0)]
    rows = []
    for k, point in enumerate(points):
        one, two = (-1, -2) if swap and k > 1 else (0, 1)
        a, b = there[one], there[two]
        turn = (b[0] - a[0]) * (point[1] - a[1]) - (b[1] - a[1]) * (point[0] - a[0])
        height = abs(turn) / max(math.dist(a, b), 1e-9)
        if height < 0.5 or math.dist(a, b) < 0.5:
            one, two, a, b = 0, 1, there[0], there[1]
            turn = (b[0] - a[0]) * (point[1] - a[1]) - (b[1] - a[1]) * (point[0] - a[0])
        side = "left" if turn > 0 else "right"
        tapes = f"{names[one]},{math.dist(a, point):.6f},{names[two]},{math.dist(b, point):.6f}"
        rows.append(f"P{k},lamp,spike,,,{tapes},,,,,{side}")
        names.append(f"P{k}")
        there.append(point)
    result = reduced(taped(*rows, pegs="A,peg,,0,0\nB,peg,,41,-3\n"))
    for k, point in enumerate(points):
        assert place(result, f"P{k}") == pytest.approx(point, abs=2e-3)


GOOD = "S1,supply,,1,1\nL9,lamp,spike,2,2"

BAD = {
    "cannot meet": (
        "L1,lamp,spike,,,A,3,B,4",
        "survey.csv:6:dist1: found 3.00 m from peg A and 4.00 m from peg B, which cannot meet: these are 14.00 m "
        "apart, 7.00 m more than the two tapes together\n"
        "    mend: measure both again, and look whether the pegs are the right ones",
    ),
    "one within the other": (
        "L1,lamp,spike,,,A,30,B,4",
        "survey.csv:6:dist1: found 30.00 m from peg A and 4.00 m from peg B, which cannot meet: 30.00 m is 12.00 m "
        "more than 4.00 m and the 14.00 m between\n"
        "    mend: measure both again, and look whether the pegs are the right ones",
    ),
    "unknown peg": (
        "L1,lamp,spike,,,Q,3,B,4",
        "survey.csv:6:from1: found 'Q', which is no point of the survey\n"
        "    mend: write the name of a peg or another point of the survey",
    ),
    "one tape": (
        "L1,lamp,spike,,,A,3",
        "survey.csv:6:from2: is empty: lamp L1 has a tape from peg A only\n"
        "    mend: tape it from a second point, or give its chainage and offset",
    ),
    "mirror": (
        "L1,lamp,spike,,,A,13,B,15",
        "survey.csv:6:side: is empty, and lamp L1 may be at 5.00, 12.00 or at 5.00, -12.00\n"
        "    mend: write left or right of the way from peg A to peg B (left is the first), or tape it from a third "
        "point off that line",
    ),
    "side": (
        "L1,lamp,spike,,,A,13,B,15,,,,,up",
        "survey.csv:6:side: found 'up'\n    mend: write left or right of the way from from1 to from2",
    ),
    "circle": (
        "L1,lamp,spike,,,L2,3,A,4\nL2,lamp,spike,,,L3,3,L1,4\nL3,lamp,spike,,,L2,3,L1,4",
        "survey.csv:6:from1: hangs on lamp L2, which has no place\n"
        "    mend: mend that point first\n"
        "survey.csv:7:from1: is measured in a circle: lamp L2 from lamp L3 from lamp L2\n"
        "    mend: measure lamp L2 from two points whose places are known\n",
    ),
    "itself": (
        "L1,lamp,spike,,,L1,3,A,4",
        "survey.csv:6:from1: found 'L1', the point itself\n    mend: name another point",
    ),
    "no metres": (
        "L1,lamp,spike,,,A,,B,4",
        "survey.csv:6:dist1: is empty\n    mend: write the measured metres",
    ),
    "no name": (
        "L1,lamp,spike,,,,5,B,4",
        "survey.csv:6:from1: is empty\n    mend: write the name of the point it was measured from",
    ),
    "nought": (
        "L1,lamp,spike,,,A,0,B,4",
        "survey.csv:6:dist1: found 0, which is not above 0\n    mend: write the taped metres",
    ),
    "one place twice": (
        "L1,lamp,spike,,,A,5,A,5.01",
        "survey.csv:6:from2: is empty: lamp L1 has a tape from peg A only\n",
    ),
}


@pytest.mark.parametrize("name", BAD)
def test_bad_ties_are_named_with_their_mend(name: str) -> None:
    rows, wanted = BAD[name]
    text = complaint(taped(GOOD, rows))
    assert text.startswith(wanted), text
    assert "x: is empty" not in text, "said twice"


def test_a_point_in_the_line_of_its_pegs_is_not_called_exact() -> None:
    """4 and 6 m between pegs 10 m apart touch at (4, 0): across the line nothing is measured, so no error is known."""
    pegs = "A,peg,,0,0\nB,peg,,10,0\n"
    result = reduced(taped("L1,lamp,spike,,,A,4,B,6", pegs=pegs))
    assert place(result, "L1") == pytest.approx((4, 0), abs=1e-3)
    error_m = result.placed[2].error_m
    assert math.isnan(error_m) or error_m > 1
    notes = survey(taped("S1,supply,,1,1\nL1,lamp,spike,,,A,4,B,6", pegs=pegs)).notes
    assert any(note.startswith("lamp L1: placed by tape, uncertain (") for note in notes)


def test_a_plan_reads_taped_points_and_says_what_is_uncertain() -> None:
    """Two tapes that run nearly along one line say little across it."""
    read = survey(taped(GOOD, "L1,lamp,spike,,,A,7.005,B,7.005,,,,,left"))
    assert [lamp.name for lamp in read.lamps] == ["L9", "L1"]
    [note] = [note for note in read.notes if "uncertain" in note]
    assert note.startswith("lamp L1: placed by tape, uncertain (")
    assert note.endswith("and the plan leaves 0.25 m (the reach of a lead): measure it again")


def test_a_tape_that_cannot_be_read_is_not_said_to_be_missing() -> None:
    """One problem for each cell that is wrong: neither 'from2: is empty' nor a question of the side besides."""
    rows = [
        "L1,lamp,spike,,,A,13,Q9,15",
        'L2,lamp,spike,,,A,13,B,"7,5x"',
        "L3,lamp,spike,,,A,13,B,15,Q9,8",
        "L4,lamp,spike,,,A,13",
    ]
    problems = reduced(taped(*rows)).problems
    assert [(problem.line, problem.field) for problem in problems] == [
        (4, "from2"), (5, "dist2"), (6, "from3"), (7, "from2"),
    ]  # fmt: skip
    assert problems[-1].found == "is empty: lamp L4 has a tape from peg A only"


def test_one_wrong_tape_makes_one_lamp_uncertain() -> None:
    """Tapes by Pythagoras from pegs A, B and C, which is taped too; the 5 m from A to L1 is written 0.60 m too long."""
    pegs = "A,peg,,0,0\nB,peg,,8,0\nC,peg,,,,A,10,B,6,,,,,left\n"  # C at (8, 6)
    lamps = (
        "L1,lamp,spike,,,A,5.60,B,5,C,5",  # (4, 3)
        f"L2,lamp,spike,,,A,{math.hypot(5, 4):.3f},B,{math.hypot(3, 4):.3f},C,{math.hypot(3, 2):.3f}",
        f"L3,lamp,spike,,,A,{math.hypot(2, 5):.3f},B,{math.hypot(6, 5):.3f},C,{math.hypot(6, 1):.3f}",
    )
    read = survey(taped("S1,supply,,1,1", *lamps, pegs=pegs))
    [note] = [note for note in read.notes if "uncertain" in note]
    assert note.startswith("lamp L1: placed by tape, uncertain (")
    assert read.lamps[1].place[:2] == pytest.approx((5, 4), abs=3e-3)
    assert read.lamps[2].place[:2] == pytest.approx((2, 5), abs=3e-3)
