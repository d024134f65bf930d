"""GeoJSON: the RFC's own examples, a site written with pyproj, and everything that is none."""

from __future__ import annotations

import contextlib
import json
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from small_job import JOB, job

from optimiser.earth_grid import to_degrees
from optimiser.job import Dxf, Measuring
from optimiser.problems import BadInput
from optimiser.survey import Survey, read_survey, reduce_file
from optimiser.survey.read_geojson import _parts, read_geojson

# RFC 7946, appendix A, A.1 to A.7: type, coordinates, and the parts that they hold.
RFC = [
    ("Point", [100.0, 0.0], [("Point", [[(100, 0)]])]),
    ("LineString", [[100.0, 0.0], [101.0, 1.0]], [("LineString", [[(100, 0), (101, 1)]])]),
    (
        "Polygon",
        [
            [[100.0, 0.0], [101.0, 0.0], [101.0, 1.0], [100.0, 1.0], [100.0, 0.0]],
            [[100.8, 0.8], [100.8, 0.2], [100.2, 0.2], [100.2, 0.8], [100.8, 0.8]],
        ],
        [
            (
                "Polygon",
                [
                    [(100, 0), (101, 0), (101, 1), (100, 1), (100, 0)],
                    [(100.8, 0.8), (100.8, 0.2), (100.2, 0.2), (100.2, 0.8), (100.8, 0.8)],
                ],
            )
        ],
    ),
    ("MultiPoint", [[100.0, 0.0], [101.0, 1.0]], [("Point", [[(100, 0)]]), ("Point", [[(101, 1)]])]),
    (
        "MultiLineString",
        [[[100.0, 0.0], [101.0, 1.0]], [[102.0, 2.0], [103.0, 3.0]]],
        [("LineString", [[(100, 0), (101, 1)]]), ("LineString", [[(102, 2), (103, 3)]])],
    ),
    (
        "MultiPolygon",
        [
            [[[102.0, 2.0], [103.0, 2.0], [103.0, 3.0], [102.0, 3.0], [102.0, 2.0]]],
            [
                [[100.0, 0.0], [101.0, 0.0], [101.0, 1.0], [100.0, 1.0], [100.0, 0.0]],
                [[100.2, 0.2], [100.2, 0.8], [100.8, 0.8], [100.8, 0.2], [100.2, 0.2]],
            ],
        ],
        [
            ("Polygon", [[(102, 2), (103, 2), (103, 3), (102, 3), (102, 2)]]),
            (
                "Polygon",
                [
                    [(100, 0), (101, 0), (101, 1), (100, 1), (100, 0)],
                    [(100.2, 0.2), (100.2, 0.8), (100.8, 0.8), (100.8, 0.2), (100.2, 0.2)],
                ],
            ),
        ],
    ),
]


@pytest.mark.parametrize(("sort", "coordinates", "parts"), RFC, ids=[row[0] for row in RFC])
def test_geometries_of_the_rfc(sort: str, coordinates: Any, parts: Any) -> None:
    assert list(_parts({"type": sort, "coordinates": coordinates}, 0)) == parts


def test_geometry_collection_of_the_rfc() -> None:
    """RFC 7946, A.7."""
    collection = {
        "type": "GeometryCollection",
        "geometries": [
            {"type": "Point", "coordinates": [100.0, 0.0]},
            {"type": "LineString", "coordinates": [[101.0, 0.0], [102.0, 1.0]]},
        ],
    }
    assert [sort for sort, _ in _parts(collection, 0)] == ["Point", "LineString"]


def test_feature_collection_of_the_rfc() -> None:
    """RFC 7946, 1.5: a Point, a LineString and a Polygon, with kinds added to its properties."""
    text = """{"type": "FeatureCollection", "features": [
      {"type": "Feature", "geometry": {"type": "Point", "coordinates": [102.0, 0.5]},
       "properties": {"prop0": "value0", "kind": "lamp", "of": "spike"}},
      {"type": "Feature", "geometry": {"type": "LineString", "coordinates": [
          [102.0, 0.0], [103.0, 1.0], [104.0, 0.0], [105.0, 1.0]]},
       "properties": {"prop0": "value0", "prop1": 0.0, "kind": "sleeve", "name": "duct"}},
      {"type": "Feature", "geometry": {"type": "Polygon", "coordinates": [
          [[100.0, 0.0], [101.0, 0.0], [101.0, 1.0], [100.0, 1.0], [100.0, 0.0]]]},
       "properties": {"prop0": "value0", "prop1": {"this": "that"}, "name": "bed"}}]}"""
    table = read_geojson(text.encode(), "site.geojson")
    kinds = [cells["kind"] for cells in table.rows]
    assert kinds == ["lamp"] + ["sleeve"] * 4 + ["corner"] * 4
    assert (table.rows[0]["longitude"], table.rows[0]["latitude"]) == ("102.0", "0.5")
    assert {cells["of"] for cells in table.rows[5:]} == {"bed"}
    assert "site.geojson: property 'prop1' is not used" in table.notes


def feature(geometry: Any, **properties: Any) -> dict[str, Any]:
    return {"type": "Feature", "geometry": geometry, "properties": properties}


def site(*more: dict[str, Any]) -> list[dict[str, Any]]:
    def at(x: float, y: float) -> list[float]:
        return [round(float(value), 9) for value in to_degrees(np.array([[x, y]]), (8.5, 47.0))[0]]

    def ring(x: float, y: float, side: float) -> list[list[float]]:
        return [at(x + dx * side, y + dy * side) for dx, dy in ((0, 0), (1, 0), (1, 1), (0, 1), (0, 0))]

    return [
        feature({"type": "Point", "coordinates": [8.5, 47.0]}, kind="peg", name="P1"),
        feature({"type": "Point", "coordinates": at(1, 1)}, kind="supply", name="S1", accuracy_m=0.02),
        feature(
            {"type": "Point", "coordinates": at(9, 3)}, kind="lamp", name="L1", of="spike", group="a", accuracy=0.02
        ),
        feature({"type": "Polygon", "coordinates": [ring(4, 6, 8), ring(6, 8, 2)]}, name="bed 2"),
        feature({"type": "LineString", "coordinates": [at(0, 20), at(5, 20)]}, kind="sleeve", name="duct"),
        *more,
    ]


def read(features: list[dict[str, Any]]) -> Survey:
    data = json.dumps({"type": "FeatureCollection", "features": features}).encode()
    return read_survey(data, "site.geojson", job(JOB))


def test_a_site_comes_back_in_metres() -> None:
    survey = read(site())
    assert survey.lamps[0].place == pytest.approx((9, 3, 0), abs=1e-3) and survey.lamps[0].group == "a"
    [zone] = survey.zones
    assert (zone.name, zone.ground) == ("bed 2", "bed")
    assert zone.polygon.area == pytest.approx(64 - 4, abs=0.01)
    assert survey.sleeves[0].route[1] == pytest.approx((5, 20, 0), abs=1e-3)


BAD = {
    "no json": (b"{", "site.geojson:1: is not JSON from here on (expecting property name enclosed in double quotes)"),
    "empty": (b"", "site.geojson:1: is not JSON from here on (expecting value)"),
    "no type": (b"[1, 2]", "site.geojson: is not GeoJSON: it has no type"),
    "other type": (b'{"type": "Topology"}', "site.geojson: found type 'Topology', which is not GeoJSON"),
    "nan": (b'{"type": "Point", "coordinates": [NaN, 1]}', "site.geojson: is not JSON (NaN is no JSON)"),
    "deep": (b"[" * 100_000, "site.geojson: is nested too deeply"),
    "nothing": (b'{"type": "FeatureCollection", "features": []}', "site.geojson: has no features with a geometry"),
    "features": (b'{"type": "FeatureCollection", "features": 3}', "site.geojson:features: is not a list"),
    "feature": (b'{"type": "FeatureCollection", "features": [3]}', "site.geojson:feature 1: is not a Feature"),
    "latin": (b'{"type": "\xe4"}', "site.geojson:1: found byte 0xe4, which is not UTF-8"),
    "grid": (
        b'{"type": "FeatureCollection", "crs": {"type": "name", "properties": {"name": "urn:ogc:def:crs:EPSG::2056"}}}',
        "site.geojson:crs: found 'urn:ogc:def:crs:EPSG::2056', another grid than the WGS 84 of RFC 7946",
    ),
}


@pytest.mark.parametrize("name", BAD)
def test_what_is_no_geojson_is_named(name: str) -> None:
    data, wanted = BAD[name]
    with pytest.raises(BadInput) as caught:
        read_survey(data, "site.geojson", job(JOB))
    assert str(caught.value).startswith(wanted), caught.value


BAD_FEATURES = {
    "open ring": (
        feature({"type": "Polygon", "coordinates": [[[8.5, 47], [8.6, 47], [8.6, 48], [8.5, 48]]]}, name="bed"),
        "site.geojson:feature 6 (bed), geometry: has a ring that does not end where it begins",
    ),
    "position": (
        feature({"type": "Point", "coordinates": ["a", 1]}, kind="lamp", name="L2", of="spike"),
        "site.geojson:feature 6 (L2), geometry: found ['a', 1], which is no position",
    ),
    "metres": (
        feature({"type": "Point", "coordinates": [2600000, 1200000]}, kind="lamp", name="L2", of="spike"),
        "site.geojson:feature 6 (L2), latitude: found 1200000.0, which is no latitude",
    ),
    "line of no kind": (
        feature({"type": "LineString", "coordinates": [[8.5, 47], [8.5, 47.001]]}, name="path"),
        "site.geojson:feature 6 (path), kind: found '' for a line\n    mend: write sleeve or mains",
    ),
    "name twice": (
        feature({"type": "Point", "coordinates": [8.5, 47]}, kind="lamp", name="L1", of="spike"),
        "site.geojson:feature 6 (L1), point: found 'L1', the name that the lamp in feature 3 (L1) has",
    ),
    "type": (
        feature({"type": "Point", "coordinates": [8.5, 47]}, kind="lamp", name="L2", of="spyke"),
        "site.geojson:feature 6 (L2), of: found 'spyke', which is no lamp type of the job\n"
        "    mend: did you mean 'spike'?",
    ),
}


@pytest.mark.parametrize("name", BAD_FEATURES)
def test_bad_features_are_named(name: str) -> None:
    more, wanted = BAD_FEATURES[name]
    with pytest.raises(BadInput) as caught:
        read(site(more))
    assert str(caught.value).startswith(wanted), caught.value


@settings(max_examples=150, deadline=None, derandomize=True)
@given(st.data())
def test_a_spoiled_text_is_read_or_refused(data: st.DataObject) -> None:
    """Bytes changed or cut anywhere: a table or a BadInput, never another error."""
    text = bytearray(json.dumps({"type": "FeatureCollection", "features": site()}).encode())
    for _ in range(data.draw(st.integers(1, 4))):
        text[data.draw(st.integers(0, len(text) - 1))] = data.draw(st.sampled_from(b'{}[],:"0-9ex \\\x00\xff'))
    text = text[: data.draw(st.sampled_from([len(text), len(text) // 2]))]
    with contextlib.suppress(BadInput):
        reduce_file(bytes(text), "site.geojson", Measuring(), Dxf())
