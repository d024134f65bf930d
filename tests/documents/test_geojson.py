"""GeoJSON: valid to a reader that is not ours, in place to a geodesic that is not ours, honest without a position."""

from __future__ import annotations

import json
import math

import geojson
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pyproj import Geod
from shapely import LinearRing

from optimiser.documents.geojson import Position, plan_geojson
from optimiser.documents.plan_file import plan_digest
from tests.documents.sample import NASTY, courtyard, park, with_names

HERE = Position(11.5762, 48.1374, y_bearing=20.0)


@pytest.mark.parametrize("position", [None, HERE])
def test_everything_is_a_feature(position: Position | None) -> None:
    plan = park()
    _, content = plan_geojson(plan, position)
    read = geojson.loads(content)
    assert read.is_valid
    kinds = [feature["properties"]["kind"] for feature in read["features"]]
    expected = {
        "lamp": len(plan.lamps), "cable": len(plan.cables), "trench": len(plan.trenches), "driver": len(plan.drivers),
        "zone": len(plan.site.zones), "tree": len(plan.site.trees), "peg": len(plan.site.pegs),
        "mains": len(plan.site.mains), "supply": len(plan.site.supplies), "sleeve": len(plan.site.sleeves),
    }  # fmt: skip
    assert {kind: kinds.count(kind) for kind in expected} == expected
    assert kinds.count("joint") + kinds.count("hub") == len(plan.joints)
    lamp = next(f for f in read["features"] if f["properties"]["name"] == plan.lamps[0].id)
    assert lamp["properties"]["volts"] == plan.lamps[0].volts
    assert read["plan_sha256"] == plan_digest(plan)


def test_without_a_position_the_file_claims_none() -> None:
    name, content = plan_geojson(courtyard())
    assert name == "plan_local_metres.json"
    read = json.loads(content)
    assert read["coordinate_system"] == "local metres"
    assert "no GeoJSON of RFC 7946" in read["says"]
    assert "crs" not in read  # RFC 7946, section 4: that member is no more
    lamp = next(f for f in read["features"] if f["properties"]["kind"] == "lamp")
    assert lamp["geometry"]["coordinates"] == [courtyard().lamps[0].x, courtyard().lamps[0].y]


def test_with_a_position_the_file_keeps_to_the_standard() -> None:
    """RFC 7946: degrees in their range (4), outer rings to the left (3.1.6), no member of another type (7.1)."""
    name, content = plan_geojson(park(), HERE)
    assert name == "plan.geojson"
    read = json.loads(content)
    assert not {"crs", "coordinates", "geometry", "geometries", "properties"} & set(read)
    for feature in read["features"]:
        if feature["geometry"]["type"] == "Polygon":
            outer, *holes = feature["geometry"]["coordinates"]
            assert outer[0] == outer[-1]
            assert LinearRing(outer).is_ccw
            assert not any(LinearRing(hole).is_ccw for hole in holes)
        elif feature["geometry"]["type"] == "Point":
            longitude, latitude = feature["geometry"]["coordinates"]
            assert abs(longitude - HERE.longitude) < 0.01 and abs(latitude - HERE.latitude) < 0.01


def test_heights_stand_in_local_coordinates_and_as_a_property() -> None:
    plan = courtyard()
    plan = plan.model_copy(update={"lamps": [plan.lamps[0].model_copy(update={"z": 2.5})]})
    for position, size in ((None, 3), (HERE, 2)):
        read = json.loads(plan_geojson(plan, position)[1])
        lamp = next(f for f in read["features"] if f["properties"]["kind"] == "lamp")
        assert len(lamp["geometry"]["coordinates"]) == size
        assert lamp["properties"]["z_m"] == 2.5


@settings(max_examples=200, deadline=None)
@given(
    st.floats(-180, 180), st.floats(-70, 70), st.floats(-500, 500), st.floats(-500, 500), st.floats(-360, 360)
)  # fmt: skip
def test_degrees_agree_with_the_geodesic(
    longitude: float, latitude: float, dx_m: float, dy_m: float, bearing: float
) -> None:
    """Within 2 cm 700 m away, against the geodesic of pyproj (PROJ; Karney 2013) on WGS 84."""
    position = Position(longitude, latitude, 3.0, -4.0, bearing)
    found = position.degrees(3.0 + dx_m, -4.0 + dy_m)
    geod = Geod(ellps="WGS84")
    azimuth = bearing + math.degrees(math.atan2(dx_m, dy_m))
    want_longitude, want_latitude, _ = geod.fwd(longitude, latitude, azimuth, math.hypot(dx_m, dy_m))
    _, _, apart_m = geod.inv(found[0], found[1], want_longitude, want_latitude)
    assert apart_m < 0.02


@pytest.mark.parametrize(
    "wrong", [{"longitude": 181.0}, {"latitude": 90.0}, {"x_m": math.inf}, {"latitude": math.nan}]
)  # fmt: skip
def test_positions_that_cannot_be_are_errors(wrong: dict[str, float]) -> None:
    with pytest.raises(ValueError, match=r"no such place|finite"):
        Position(**{"longitude": 1.0, "latitude": 2.0, **wrong})


@pytest.mark.parametrize("nasty", NASTY, ids=ascii)
def test_any_name_comes_back_as_it_was_and_is_harmless_in_a_page(nasty: str) -> None:
    plan = with_names(courtyard(), lambda name: f"{nasty}{name}")
    _, content = plan_geojson(plan)
    content.decode("ascii")
    assert b"<" not in content and b"&" not in content
    read = json.loads(content)
    assert read["job"] == plan.job.title
    names = {feature["properties"]["name"] for feature in read["features"]}
    assert {lamp.id for lamp in plan.lamps} <= names
