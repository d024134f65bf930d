"""What a good survey becomes: zones and their ground, sleeves, heights, dim groups, and the notes."""

import pytest
from shapely import Polygon
from small_job import HEADER, JOB, SURVEY, job, survey

from optimiser.survey.lines import diameter_mm


def rows(*more: str) -> str:
    return SURVEY + "".join(row + "\n" for row in more)


def square(zone: str, x: float, y: float, side: float, ring: str = "") -> list[str]:
    places = ((x, y), (x + side, y), (x + side, y + side), (x, y + side))
    return [f",corner,{zone},{a},{b},,,{ring}," for a, b in places]


def test_zone_takes_the_ground_it_is_listed_with_or_named_after() -> None:
    names = ["house", "bed", "Bed 2", "paving-3", "pond_1"]
    site = survey(rows(*(row for place, name in enumerate(names) for row in square(name, 20 + 10 * place, 40, 4))))
    assert [(zone.name, zone.ground, zone.keep_off_m) for zone in site.zones] == [
        ("house", "wall", 0.1),
        ("bed", "bed", 0.0),
        ("Bed 2", "bed", 0.0),
        ("paving-3", "paving", 0.0),
        ("pond_1", "pond", 0.3),
    ]


def test_keep_off_of_a_zone_counts_before_its_grounds() -> None:
    listed = JOB.replace('house = { ground = "wall" }', 'house = { ground = "wall", keep_off_m = 0.25 }')
    assert survey(rows(*square("house", 20, 20, 4)), listed).zones[0].keep_off_m == 0.25
    dug = JOB.replace('house = { ground = "wall" }', 'house = { ground = "bed", keep_off_m = 0.25 }')
    site = survey(rows(*square("house", 20, 20, 4)), dug)
    assert site.zones[0].keep_off_m == 0
    assert "zones.house.keep_off_m is not used: ground 'bed' may be dug" in site.notes


def test_zone_with_a_hole_and_corners_named_twice() -> None:
    outer = [*square("pond", 20, 20, 10), ",corner,pond,20,20", ",corner,pond,20,20"]
    site = survey(rows(*outer, *square("pond", 22, 22, 2, "1")))
    assert site.zones[0].polygon.equals(
        Polygon([(20, 20), (30, 20), (30, 30), (20, 30)], [[(22, 22), (24, 22), (24, 24), (22, 24)]])
    )
    assert "survey.csv: zone 'pond' names a corner twice in a row; counted once" in site.notes


def test_sleeve_takes_what_the_job_states_or_what_its_bore_holds() -> None:
    chain = (",sleeve,duct,1,1", ",sleeve,duct,1,1", ",sleeve,duct,5,1", ",sleeve,duct,9,2")
    (sleeve,) = survey(rows(*chain)).sleeves
    assert (sleeve.capacity, sleeve.route) == (2, ((1, 1, 0), (5, 1, 0), (9, 2, 0)))
    # 0.4 x 50² / 10² = 10 cables exactly: common practice (40 % of a bore by cable diameter), no source
    with_od = JOB.replace("price_per_m = 3.1", "price_per_m = 3.1, od_mm = 10")
    site = survey(rows(*chain), with_od.replace("capacity = 2", "bore_mm = 50"))
    assert site.sleeves[0].capacity == 10
    assert "sleeve 'duct' takes 10 cables: 40 % of its bore of 50 mm may be filled" in site.notes
    assert survey(rows(*chain), with_od.replace("capacity = 2", "bore_mm = 49.9")).sleeves[0].capacity == 9


def test_sleeve_that_cannot_be_used_is_left_out_and_said() -> None:
    chain = (",sleeve,duct,1,1", ",sleeve,duct,5,1")
    tight = survey(rows(*chain), JOB.replace("capacity = 2", "bore_mm = 12"))
    assert tight.sleeves == ()
    assert "sleeve 'duct' is not used: a bore of 12 mm takes none of the job's cables" in tight.notes
    mains = survey(rows(*chain), JOB.replace("capacity = 2", "holds_mains = true"))
    assert mains.sleeves == ()
    assert "sleeve 'duct' holds a mains cable and is not used" in mains.notes
    assert not any("was not surveyed" in note for note in mains.notes if "duct" in note)


@pytest.mark.parametrize(("mm2", "least_mm", "most_mm"), [(1.5, 7, 10), (2.5, 8.5, 12), (4, 9.5, 13.5), (6, 11, 16)])
def test_diameter_of_a_cable_is_of_the_right_size(mm2: float, least_mm: float, most_mm: float) -> None:
    """Common practice, no source: from light PVC to heavy rubber two-core cable, catalogue sizes from memory."""
    cable = job(JOB.replace("mm2 = 4", f"mm2 = {mm2}")).cables["thick"]
    assert least_mm <= diameter_mm(cable) <= most_mm


def test_dim_groups_keep_their_first_spelling() -> None:
    site = survey(HEADER + "S1,supply,,0,0\nL1,lamp,spike,4,3,,Path\nL2,lamp,spike,5,3,,path\nL3,lamp,spike,6,3\n")
    assert [lamp.group for lamp in site.lamps] == ["Path", "Path", ""]


def test_points_without_height_are_no_part_of_the_surface() -> None:
    """Pegs, trees, corners and mains may lack z; their place takes the nearest measured one."""
    site = survey(HEADER + "S1,supply,,0,0,1.5\nL1,lamp,spike,9,0,2.5\nP1,peg,,8,0,\nP2,peg,,1,1,\n")
    assert site.has_heights
    assert site.heights == ((0, 0, 1.5), (9, 0, 2.5))
    assert [peg.place for peg in site.pegs] == [(8, 0, 2.5), (1, 1, 1.5)]


def test_corners_tell_heights_too() -> None:
    corners = ",corner,bed,1,1,5\n,corner,bed,2,1,6\n,corner,bed,2,2,\n"
    site = survey(HEADER + "S1,supply,,0,0,1.5\nL1,lamp,spike,9,0,2.5\n" + corners)
    assert site.heights == ((0, 0, 1.5), (9, 0, 2.5), (1, 1, 5), (2, 1, 6))


@pytest.mark.parametrize(("x", "z", "noted"), [(4.002, 1.2, True), (4.05, 1.2, False), (4.002, 0.25, False)])
def test_a_wall_too_thin_to_follow_is_noted(x: float, z: float, noted: bool) -> None:
    text = f"S1,supply,,0,0,0\nL1,lamp,spike,9,0,0\nP1,peg,,4,2,0.2\nP2,peg,,{x},2,{z}\n"
    note = (
        "survey.csv:5: z: 1.2 is 1.00 m off that of row 4, 2.0 mm away: cables over so thin a wall "
        "are reckoned too short; write top and foot 5 cm apart"
    )
    assert (note in survey(HEADER + text).notes) == noted


def test_grid_coordinates_far_from_zero_are_metres() -> None:
    """A national grid's easting and northing: large, but close together."""
    text = "point,kind,of,x,y\nS1,supply,,412345.12,5654321.50\nL1,lamp,spike,412349.12,5654331.50\n"
    assert survey(text).lamps[0].place == (412349.12, 5654331.5, 0)


def test_notes_say_what_was_left_out_or_taken() -> None:
    spoilt = JOB.replace("limit_a = 6, ", "").replace("lawn = { per_m = 8 }", "lawn = { per_m = 8, depth_mm = 100 }")
    text = SURVEY.replace("stem_mm", "stem_mm,colour", 1) + "L3,lamp,spike,8,3.5\nT1,tree,,9,9,,,,0.5\n"
    spoilt = spoilt.replace("S1 =", '"garden door" =')
    assert survey(text.replace("S1", "garden dor"), spoilt).notes == (
        "survey.csv: column 'colour' is not used",
        "survey.csv:6: the stem of tree 'T1' measures 0.5 mm; is that in mm?",
        "lamps 'L2' and 'L3' stand on one spot",
        "the job sets zone 'house', which was not surveyed",
        "the job sets sleeve 'duct', which was not surveyed",
        "the job sets supply point 'garden door', which was not surveyed (did you mean 'garden dor'?)",
        "driver 'small' has no limit_a: 7.5 A is taken, 1.5 x its rated amps; ask its maker",
        "ground 'lawn': cables lie only 100 mm deep; 150 mm or more is usual",
    )


def test_corners_of_what_stands_fast_are_kept_by_their_names_to_measure_from() -> None:
    """The house and no pond, no bed; a corner without a name takes its number; a place counts once."""
    more = (
        "h1,corner,house,0,9,,,,\n,corner,house,5,9,,,,\nh3,corner,house,5,12,,,,\nh4,corner,house,0,12,,,,\n"
        "b1,corner,bed,6,5,,,,\nb2,corner,bed,7,5,,,,\nb3,corner,bed,7,6,,,,\n"
        "p1,corner,pond,20,5,,,,\np2,corner,pond,21,5,,,,\np3,corner,pond,21,6,,,,\n"
        "w1,corner,wall,5,9,,,,\nw2,corner,wall,9,9,,,,\nw3,corner,wall,9,9.3,,,,\n"
    )
    site = survey(SURVEY + more)
    assert [(point.name, point.of, point.place[:2]) for point in site.fixed] == [
        ("h1", "house", (0, 9)),
        ("2", "house", (5, 9)),
        ("h3", "house", (5, 12)),
        ("h4", "house", (0, 12)),
        ("w2", "wall", (9, 9)),
        ("w3", "wall", (9, 9.3)),
    ]


@pytest.mark.parametrize("heads", ["X (m),Y [m],z_m", "x_m,y_m,Z (M)", "x m,y(m),z[m]"])
def test_heads_may_name_metres(heads: str) -> None:
    site = survey(f"point,kind,of,{heads}\nS1,supply,,0,0,1\nL1,lamp,spike,4,3,2\n")
    assert site.lamps[0].place == (4, 3, 2) and site.supplies[0].place == (0, 0, 1)


def test_a_plain_head_goes_before_one_that_names_metres() -> None:
    site = survey("point,kind,of,x_m,x,y\nS1,supply,,9,0,0\nL1,lamp,spike,9,4,3\n")
    assert site.lamps[0].place == (4, 3, 0) and "survey.csv: column 'x_m' is not used" in site.notes


@pytest.mark.parametrize(
    "text",
    [
        "point,kind,of,x,y,group\nS1,supply,,0,0,\nL1,lamp,spike,4,3,1\nL2,lamp,spike,8,3,2\n",
        "point,kind,of,x,y,group\nS1,supply,,0.5,0.5,\nL1,lamp,spike,4.5,3,1\nL2,lamp,spike,8.5,3.5,1\n",
        "point;kind;of;x;y;group\nS1;supply;;0,5;0,5;\nL1;lamp;spike;4,5;3;1\nL2;lamp;spike;8,5;3,5;\n",
        "point,kind,of,x,y,ring,stem_mm\nS1,supply,,0.5,0.5,0,0\nL1,lamp,spike,4.5,3,0,0.0\n",
        "point,kind,of,x,y,note\nS1,supply,,0.5,0.5,\nL1,lamp,spike,4.5,3,5\nP1,peg,brass nail,8.5,3.5,5\n",
    ],
    ids=["groups by number", "one among decimals", "semicolons", "zeros", "notes"],
)
def test_what_only_looks_like_a_shifted_row_is_taken(text: str) -> None:
    assert survey(text).lamps
