"""Latitude and longitude on a local grid: round trips, and geodesic lengths by pyproj's own geodesics."""

from __future__ import annotations

import math

import numpy as np
import pyproj
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from small_job import JOB, complaint, job

from optimiser.earth_grid import Position, to_degrees, to_metres
from optimiser.job import Dxf, Measuring
from optimiser.survey import read_survey, reduce_file
from optimiser.survey.local_grid import RADIUS_OVER_SIGMA, fit_to_grid
from optimiser.survey.measured import _degrees
from optimiser.survey.reduce import Reduced

HEAD = "point,kind,of,x,y,latitude,longitude,accuracy_m\n"


def reduced(text: str) -> Reduced:
    return reduce_file((HEAD + text).encode(), "survey.csv", Measuring(), Dxf())


@settings(max_examples=100, deadline=None, derandomize=True)
@given(st.floats(-179.9, 179.9), st.floats(-80, 80), st.floats(0, 360), st.floats(0.1, 3000))
def test_lengths_and_bearings_are_those_of_the_ellipsoid(lon: float, lat: float, bearing: float, metres: float) -> None:
    """Against pyproj.Geod (Karney's geodesics): within 1 in 3 000 000, and the way back within a tenth of a mm."""
    there = pyproj.Geod(ellps="WGS84").fwd(lon, lat, bearing, metres)[:2]
    [[x, y]] = to_metres([there], (lon, lat))
    assert math.hypot(x, y) == pytest.approx(metres, rel=1 / 3e6, abs=1e-6)
    turn = math.degrees(math.atan2(x, y)) - bearing
    assert (turn + 180) % 360 - 180 == pytest.approx(0, abs=0.02)
    [[back_lon, back_lat]] = to_degrees(np.array([[x, y]]), (lon, lat))
    assert pyproj.Geod(ellps="WGS84").inv(*there, back_lon, back_lat)[2] < 1e-4


def test_across_the_antimeridian() -> None:
    places = to_metres([(179.9999, -17.0), (-179.9999, -17.0)], (179.9999, -17.0))
    assert places[1][0] == pytest.approx(21.3, abs=0.05)


@pytest.mark.parametrize(
    ("text", "degrees"),
    [
        ("47°22'36.8\"N", 47 + 22 / 60 + 36.8 / 3600),
        ("8° 32′ 24″ W", -(8 + 32 / 60 + 24 / 3600)),
        ("S 33°51'", -(33 + 51 / 60)),
        ("47.5", None),
        ("47°72'", None),
    ],
)
def test_degrees_minutes_seconds(text: str, degrees: float | None) -> None:
    """1° = 60' = 3600\"."""
    assert _degrees(text) == (None if degrees is None else pytest.approx(degrees))


def test_accuracy_is_the_radius_that_holds_68_of_100() -> None:
    """The share of a circular normal distribution within r is 1 - exp(-r² / 2 sigma²)."""
    assert 1 - math.exp(-(RADIUS_OVER_SIGMA**2) / 2) == pytest.approx(0.68, abs=1e-4)
    result = reduced("L1,lamp,spike,,,47.1,8.5,3\nL2,lamp,spike,,,47.1001,8.5,\n")
    assert [placed.error_m for placed in result.placed.values()] == pytest.approx([3, 5])


def test_positions_of_a_phone_become_metres_from_the_first_peg() -> None:
    """A minute of arc along the meridian is about a nautical mile, 1852 m: 0.001° is 111.2 m at 47°."""
    result = reduced("L1,lamp,spike,,,47.001,8.5,\nP1,peg,,,,47.0,8.5,\n")
    assert result.position == Position(8.5, 47.0)
    cells = result.table.rows[0]
    assert float(cells["x"]) == 0 and float(cells["y"]) == pytest.approx(111.2, abs=0.1)


def test_two_points_known_in_both_tie_the_grids_together() -> None:
    """Metres turned by 30° and shifted, made with cos and sin here: the third point comes out where it should."""
    origin, turn = (8.5, 47.0), math.radians(30)
    local = {"A": (100.0, 50.0), "B": (140.0, 50.0), "C": (120.0, 80.0)}
    rows = []
    for name, (x, y) in local.items():
        east, north = math.cos(turn) * x - math.sin(turn) * y, math.sin(turn) * x + math.cos(turn) * y
        [[lon, lat]] = to_degrees(np.array([[east, north]]), origin)
        rows.append(f"{name},peg,,{'' if name == 'C' else x},{'' if name == 'C' else y},{lat:.9f},{lon:.9f},1")
    result = reduced("\n".join(rows) + "\n")
    assert not result.problems
    assert float(result.table.rows[2]["x"]) == pytest.approx(120, abs=2e-3)
    assert float(result.table.rows[2]["y"]) == pytest.approx(80, abs=2e-3)
    assert "degrees were turned by -30.0° onto the grid of x and y over 2 points known in both" in result.notes


def test_fit_never_mirrors() -> None:
    here = np.array([(0.0, 0.0), (4, 0), (0, 3)])
    turn, _ = fit_to_grid(here, here * [1, -1])
    assert np.linalg.det(turn) == pytest.approx(1)


def test_a_phone_that_errs_more_than_a_lead_reaches_is_said() -> None:
    text = HEAD + "S1,supply,,,,47.0,8.5,0.02\nL1,lamp,spike,,,47.0001,8.5,4.2\nL2,lamp,spike,,,47.0001,8.5001,0.1\n"
    notes = read_survey(text.encode(), "survey.csv", job(JOB)).notes
    assert (
        "lamp L1: placed by latitude and longitude, uncertain (4.20 m), and the plan leaves 0.25 m (the reach of "
        "a lead): tape it from pegs"
    ) in notes


BAD = {
    "mixed grids": (
        "S1,supply,,0,0\nL1,lamp,spike,,,47.0,8.5\n",
        "survey.csv:3:latitude: is in degrees, while supply point S1 has x and y, and fewer than two points have both\n"
        "    mend: write x and y as well for two points far apart that have degrees, or place them all in one way",
    ),
    "no latitude": (
        "S1,supply,,,,91.5,8.5\nL1,lamp,spike,,,47.0,8.5\n",
        "survey.csv:2:latitude: found 91.5, which is no latitude\n    mend: are latitude and longitude changed over?",
    ),
    "metres": (
        "S1,supply,,,,2612.5,8.5\nL1,lamp,spike,,,47.0,8.5\n",
        "survey.csv:2:latitude: found 2612.5, which is no latitude\n    mend: write degrees",
    ),
    "half": (
        "S1,supply,,,,47.0,\nL1,lamp,spike,,,47.0,8.5\n",
        "survey.csv:2:longitude: is empty\n    mend: write the longitude too, in degrees",
    ),
    "accuracy": (
        "S1,supply,,,,47.0,8.5,0\nL1,lamp,spike,,,47.0,8.5\n",
        "survey.csv:2:accuracy_m: found 0, which is not above 0\n    mend: write metres",
    ),
    "far off": (
        "S1,supply,,,,47.0,8.5\nL1,lamp,spike,,,47.0,8.5\nL2,lamp,spike,,,47,8.5\nL3,lamp,spike,,,47,8.5\nL4,lamp,spike,,,8.5,47\n",
        "survey.csv:6:latitude, longitude: found 8.5, 47, more than 1,000 km from the other points",
    ),
}


@pytest.mark.parametrize("name", BAD)
def test_bad_positions_are_named(name: str) -> None:
    rows, wanted = BAD[name]
    assert complaint(HEAD + rows).startswith(wanted), complaint(HEAD + rows)
