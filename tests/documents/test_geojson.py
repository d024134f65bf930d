"""GeoJSON: valid to a reader that is not ours, in place to a geodesic that is not ours, honest without a position."""

from __future__ import annotations

import csv
import json
import math
import shutil
from pathlib import Path

import geojson
import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from pyproj import Geod
from shapely import LinearRing

from optimiser.check import check_plan
from optimiser.documents.geojson import plan_geojson
from optimiser.documents.plan_file import plan_digest, plan_json
from optimiser.earth_grid import Position
from optimiser.job_folder import open_job
from optimiser.make_plan import Options, make_plan
from optimiser.plan.model import Plan
from optimiser.problems import BadInput
from tests.documents.sample import NASTY, courtyard, on_a_slope, park, with_names

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


def test_in_degrees_a_line_on_a_slope_has_the_bends_that_it_has_in_plan() -> None:
    """Places rounded to the mm between two bends would come out up to a centimetre to either side in degrees."""
    flat, slope = courtyard(), on_a_slope(courtyard())
    assert sum(len(cable.route) for cable in slope.cables) > 1.5 * sum(len(cable.route) for cable in flat.cables)

    def lines(plan: Plan, position: Position | None) -> list[object]:
        features = json.loads(plan_geojson(plan, position)[1])["features"]
        return [one["geometry"]["coordinates"] for one in features if one["properties"]["kind"] in ("cable", "trench")]

    assert lines(slope, HERE) == lines(flat, HERE)
    local = lines(slope, None)
    assert [[tuple(place) for place in route] for route in local] == [  # type: ignore[attr-defined]
        line.route for line in (*slope.trenches, *slope.cables)
    ]


def test_a_driver_stands_as_high_as_its_supply_point() -> None:
    plan = on_a_slope(courtyard())
    features = json.loads(plan_geojson(plan, HERE)[1])["features"]
    found = [one["properties"]["z_m"] for one in features if one["properties"]["kind"] == "driver"]
    assert found == [round(0.5 * driver.x, 3) for driver in plan.drivers]


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
    """RFC 7946: degrees in their range (4), outer rings to the left (3.1.6), bbox (5), no members of others (7.1)."""
    name, content = plan_geojson(park(), HERE)
    assert name == "plan.geojson"
    read = json.loads(content)
    assert not {"crs", "coordinates", "geometry", "geometries", "properties"} & set(read)
    shapes = [shapely.from_geojson(json.dumps(feature["geometry"])) for feature in read["features"]]
    assert read["bbox"] == list(shapely.total_bounds(shapes))
    assert all(shape.is_valid for shape in shapes)
    for feature in read["features"]:
        if feature["geometry"]["type"] == "Polygon":
            outer, *holes = feature["geometry"]["coordinates"]
            assert outer[0] == outer[-1]
            assert LinearRing(outer).is_ccw
            assert not any(LinearRing(hole).is_ccw for hole in holes)
        elif feature["geometry"]["type"] == "Point":
            longitude, latitude = feature["geometry"]["coordinates"]
            assert abs(longitude - HERE.longitude) < 0.01 and abs(latitude - HERE.latitude) < 0.01


def test_the_box_of_a_site_across_the_antimeridian_runs_from_west_to_east() -> None:
    """RFC 7946, 5.2: the first longitude is then the larger one."""
    plan = park()
    middle = plan.site.supplies[0]
    read = json.loads(plan_geojson(plan, Position(180.0, -16.8, middle.x, middle.y))[1])
    west, south, east, north = read["bbox"]
    assert 179.9 < west <= 180 and -180 <= east < -179.9 and south < -16.8 < north


@pytest.mark.parametrize("bearing", [0.0, 37.0, 180.0])
def test_what_crosses_the_antimeridian_is_cut_there(bearing: float) -> None:
    """RFC 7946, 3.1.9. Put together again, the parts are what the same site is on another meridian."""
    plan = park()
    middle = plan.site.supplies[0]
    across, elsewhere = (
        json.loads(plan_geojson(plan, Position(longitude, -16.8, middle.x, middle.y, bearing))[1])["features"]
        for longitude in (180.0, 20.0)
    )
    assert geojson.loads(json.dumps({"type": "FeatureCollection", "features": across})).is_valid
    kinds = {feature["geometry"]["type"] for feature in across}
    assert {"MultiLineString", "MultiPolygon"} <= kinds
    for one, other in zip(across, elsewhere, strict=True):
        shape, whole = (shapely.from_geojson(json.dumps(feature["geometry"])) for feature in (one, other))
        parts = shapely.get_parts(shape)
        for part in parts:
            west, _, east, _ = part.bounds
            assert east - west < 0.1 and shapely.is_valid(part)
            if part.geom_type == "Polygon":
                assert part.exterior.is_ccw and not any(hole.is_ccw for hole in part.interiors)
        moved = shapely.transform(
            parts, lambda xy: np.c_[np.where(xy[:, 0] < 0, xy[:, 0] + 200, xy[:, 0] - 160), xy[:, 1]]
        )
        assert shapely.hausdorff_distance(shapely.union_all(moved), whole) < 1e-6
        assert sum(part.area for part in moved) == pytest.approx(whole.area, rel=1e-3)


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
    st.floats(-180, 180), st.floats(-85, 85), st.floats(-500, 500), st.floats(-500, 500), st.floats(-360, 360)
)  # fmt: skip
def test_degrees_agree_with_the_geodesic(
    longitude: float, latitude: float, dx_m: float, dy_m: float, bearing: float
) -> None:
    """Within a millimetre 700 m away, against the geodesic of pyproj (PROJ; Karney 2013) on WGS 84."""
    position = Position(longitude, latitude, 3.0, -4.0, bearing)
    found = position.degrees(np.array([[3.0 + dx_m, -4.0 + dy_m]]))[0]
    geod = Geod(ellps="WGS84")
    azimuth = bearing + math.degrees(math.atan2(dx_m, dy_m))
    want_longitude, want_latitude, _ = geod.fwd(longitude, latitude, azimuth, math.hypot(dx_m, dy_m))
    _, _, apart_m = geod.inv(found[0], found[1], want_longitude, want_latitude)
    assert apart_m < 0.001


def _job_of_degrees(folder: Path, *, turned: bool) -> dict[str, tuple[float, float]]:
    """
    Write the terrace with degrees instead of metres, or with both for its pegs where it is ``turned`` by 33 degrees.

    Degrees are made by the geodesic of pyproj from the first peg, so that no part of ours is in them.
    """
    source = Path(__file__).resolve().parents[2] / "cases" / "terrace"
    folder.mkdir()
    (folder / "job.toml").write_bytes((source / "job.toml").read_bytes())
    with (source / "survey.csv").open(newline="", encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    geod, degrees = Geod(ellps="WGS84"), {}
    for row in rows:
        x, y = float(row.pop("x")), float(row.pop("y"))
        azimuth = math.degrees(math.atan2(x, y)) + 33.0 * turned
        lon, lat, _ = geod.fwd(-70.6483, -33.4569, azimuth, math.hypot(x, y))
        degrees[row["point"]] = (lon, lat)
        row |= {"longitude": f"{lon:.10f}", "latitude": f"{lat:.10f}", "accuracy_m": "0.02"}
        if turned and row["kind"] == "peg":
            row |= {"x": str(x), "y": str(y), "accuracy_m": ""}
    with (folder / "survey.csv").open("w", newline="", encoding="utf-8") as file:
        names = ["point", "kind", "of", "x", "y", "longitude", "latitude", "accuracy_m"]
        writer = csv.DictWriter(file, names, restval="", extrasaction="ignore")
        writer.writeheader()
        writer.writerows(rows)
    return degrees


@pytest.mark.parametrize("turned", [False, True], ids=["to north", "turned"])
def test_a_survey_in_degrees_comes_back_in_degrees(tmp_path: Path, turned: bool) -> None:
    """Lamps, pegs and supply points within 1 cm of the degrees surveyed, by pyproj's geodesic, from plan.json alone."""
    degrees = _job_of_degrees(tmp_path / "job", turned=turned)
    folder = open_job(tmp_path / "job")
    plan = make_plan(folder, Options(effort=0.01))
    report = check_plan(plan, folder.job, folder.survey, folder.digest)
    assert not report.violations
    name, content = plan_geojson(Plan.model_validate_json(plan_json(plan)))
    assert name == "plan.geojson"
    found = {
        feature["properties"]["name"]: feature["geometry"]["coordinates"]
        for feature in json.loads(content)["features"]
        if feature["properties"]["kind"] in ("lamp", "peg", "supply")
    }
    assert len(found) == len(plan.lamps) + len(plan.site.pegs) + len(plan.site.supplies)
    for point, (lon, lat) in found.items():
        assert Geod(ellps="WGS84").inv(lon, lat, *degrees[point])[2] < 0.01
    spoiled = plan.model_dump(by_alias=True)
    spoiled["site"]["position"]["latitude"] += 1e-6
    report = check_plan(Plan.model_validate(spoiled), folder.job, folder.survey, folder.digest)
    assert [finding.limit for finding in report.violations] == ["copies"]


def test_a_position_stated_in_the_job_counts_for_a_survey_in_metres(tmp_path: Path) -> None:
    source = Path(__file__).resolve().parents[2] / "cases" / "terrace"
    shutil.copytree(source, tmp_path / "job")
    job = tmp_path / "job" / "job.toml"
    stated = "[position]\nlatitude = 48.1374\nlongitude = 11.5762\ny_bearing = 20\n"
    job.write_text(job.read_text(encoding="utf-8") + stated, encoding="utf-8")
    plan = make_plan(open_job(tmp_path / "job"), Options(effort=0.01))
    assert plan_geojson(plan)[1] == plan_geojson(plan, Position(11.5762, 48.1374, y_bearing=20))[1]
    peg = next(peg for peg in plan.site.pegs if (peg.x, peg.y) == (0, 0))
    read = json.loads(plan_geojson(plan)[1])
    found = next(f for f in read["features"] if f["properties"] == {"kind": "peg", "name": peg.name})
    assert found["geometry"]["coordinates"] == [11.5762, 48.1374]


def test_a_survey_in_degrees_needs_no_position_and_two_are_refused(tmp_path: Path) -> None:
    _job_of_degrees(tmp_path / "job", turned=False)
    job = tmp_path / "job" / "job.toml"
    job.write_text(job.read_text(encoding="utf-8") + "[position]\nlatitude = 1\nlongitude = 2\n", encoding="utf-8")
    with pytest.raises(BadInput, match=r"position: is stated, and the survey has degrees"):
        open_job(tmp_path / "job")


@pytest.mark.parametrize(
    "wrong", [{"longitude": 181.0}, {"latitude": 90.1}, {"x_m": math.inf}, {"latitude": math.nan}]
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
