"""Drawings written by ezdxf in several versions and units, and everything that is no drawing."""

from __future__ import annotations

import contextlib
import io
import math
from collections.abc import Callable
from typing import Any

import ezdxf
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from small_job import JOB, job

from optimiser.job import Measuring
from optimiser.problems import BadInput
from optimiser.survey import Survey, read_survey, reduce_file
from optimiser.survey.read_dxf import read_dxf

SETTINGS = """
[dxf]
[dxf.layers]
BEDS = { kind = "zone", of = "bed" }
Pond = { kind = "zone" }
DUCT = { kind = "sleeve", of = "duct" }
OUTLETS = { kind = "supply" }
TREES = { kind = "tree", stem_mm = 300 }
[dxf.blocks]
SPIKE = { of = "spike" }
"""
CODES = {"in": 1, "ft": 2, "mm": 4, "cm": 5, "m": 6}
METRES = {"in": 0.0254, "ft": 0.3048, "mm": 0.001, "cm": 0.01, "m": 1.0}


def draw(version: str = "R2010", unit: str | None = "m", more: Callable[[Any, float], None] | None = None) -> Any:
    """A small garden: 2 lamps, an outlet, a bed of straight and round edge, a pond with an island, a duct, a tree."""
    doc = ezdxf.new(version)
    doc.header["$INSUNITS"] = CODES.get(unit or "", 0)
    k = 1 / METRES[unit or "m"]
    block = doc.blocks.new("SPIKE")
    block.add_circle((0, 0), 0.1 * k)
    if version != "R12":
        block.add_attdef("NAME", (0, 0))
    space = doc.modelspace()
    for name, x, y in (("L7", 10, 2), ("L9", 14, 3)):
        insert = space.add_blockref("SPIKE", (x * k, y * k), dxfattribs={"layer": "whatever", "rotation": 30})
        insert.add_attrib("NAME", name)
    space.add_point((0, 0), dxfattribs={"layer": "OUTLETS"})
    space.add_circle((-5 * k, 5 * k), 0.2 * k, dxfattribs={"layer": "TREES"})
    if version == "R12":
        add = space.add_polyline2d
    else:
        add = space.add_lwpolyline
    corners = [(0, 10), (8, 10), (8, 14), (0, 14)]
    add([(x * k, y * k) for x, y in corners], dxfattribs={"layer": "BEDS"}).close(True)
    space.add_circle((20 * k, 20 * k), 4 * k, dxfattribs={"layer": "Pond"})
    space.add_circle((20 * k, 20 * k), 1 * k, dxfattribs={"layer": "Pond"})
    space.add_line((3 * k, 16 * k), (9 * k, 16 * k), dxfattribs={"layer": "DUCT"})
    space.add_text("lawn", dxfattribs={"layer": "NOTES"})
    if more:
        more(space, k)
    return doc


def written(doc: Any) -> bytes:
    text = io.StringIO()
    doc.write(text)
    return text.getvalue().encode(doc.output_encoding, "surrogateescape")


def read(data: bytes, settings_text: str = SETTINGS) -> Survey:
    return read_survey(data, "site.dxf", job(JOB + settings_text))


def complaint(data: bytes, settings_text: str = SETTINGS) -> str:
    with pytest.raises(BadInput) as caught:
        read(data, settings_text)
    return str(caught.value)


def zone(survey: Survey, name: str) -> Any:
    return next(zone.polygon for zone in survey.zones if zone.name == name)


@pytest.mark.parametrize("version", ["R12", "R2000", "R2007", "R2018"])
@pytest.mark.parametrize("unit", ["m", "mm", "ft"])
def test_a_garden_comes_back_from_every_version_and_unit(version: str, unit: str) -> None:
    own = f'[dxf]\nunits = "{unit}"\n' if version == "R12" else "[dxf]\n"  # R12 does not tell its unit
    survey = read(written(draw(version, unit)), SETTINGS.replace("[dxf]\n", own))
    assert [(lamp.name, lamp.type) for lamp in survey.lamps] == [("L7", "spike"), ("L9", "spike")]
    assert survey.lamps[0].place == pytest.approx((10, 2, 0), abs=1e-3)
    assert survey.supplies[0].place == pytest.approx((0, 0, 0), abs=1e-3)
    assert zone(survey, "bed").area == pytest.approx(32, abs=0.02)
    assert survey.trees[0].stem_mm == 300 and survey.trees[0].place[:2] == pytest.approx((-5, 5), abs=1e-3)
    assert survey.sleeves[0].route == (pytest.approx((3, 16, 0)), pytest.approx((9, 16, 0)))
    assert "site.dxf: entities that the job gives no meaning were left out, by layer: NOTES (1)" in survey.notes


def test_binary_drawings_are_read_too() -> None:
    stream = io.BytesIO()
    draw("R2010").write(stream, fmt="bin")
    assert [lamp.name for lamp in read(stream.getvalue()).lamps] == ["L7", "L9"]


def test_circles_are_flattened_within_the_tolerance_and_an_inner_one_is_a_hole() -> None:
    """A regular n-gon in a circle of radius r misses its area by at most 2 pi r x sagitta, and is never larger."""
    for flatten in (0.2, 0.02, 0.002):
        text = SETTINGS.replace("[dxf]\n", f"[dxf]\nflatten_m = {flatten}\n")
        pond = zone(read(written(draw()), text), "Pond")
        assert len(pond.interiors) == 1
        outer = pond.exterior
        away = [math.dist(spot, (20, 20)) for spot in outer.coords]
        assert away == pytest.approx([4] * len(away), abs=1e-3)
        middles = [
            math.dist(((a[0] + b[0]) / 2, (a[1] + b[1]) / 2), (20, 20))
            for a, b in zip(outer.coords[:-1], outer.coords[1:], strict=True)
        ]
        assert 4 - flatten - 0.002 <= min(middles) <= 4
        whole = math.pi * 16 - math.pi
        assert abs(pond.area - whole) <= 2 * math.pi * 5 * (flatten + 0.002)


def test_bulges_splines_and_loose_pieces_make_zones() -> None:
    """A half round end by its bulge (1 is a half circle); two lines and two arcs that close to a slot."""

    def more(space: Any, k: float) -> None:
        slot = [(30, 0, 0), (34, 0, 1), (34, 2, 0), (30, 2, 0)]
        space.add_lwpolyline(slot, "xyb", dxfattribs={"layer": "BEDS"}, close=True)
        space.add_line((40, 0), (44, 0), dxfattribs={"layer": "BEDS"})
        space.add_line((40, 2), (44, 2), dxfattribs={"layer": "BEDS"})
        space.add_arc((44, 1), 1, -90, 90, dxfattribs={"layer": "BEDS"})
        space.add_arc((40, 1), 1, 90, 270, dxfattribs={"layer": "BEDS"})
        points = [(50 + 3 * math.cos(t * math.pi / 8), 3 * math.sin(t * math.pi / 8), 0) for t in range(16)]
        space.add_spline(dxfattribs={"layer": "BEDS"}).set_closed(points)

    survey = read(written(draw(more=more)), SETTINGS.replace("[dxf]\n", "[dxf]\nflatten_m = 0.001\n"))
    areas = sorted(one.polygon.area for one in survey.zones if one.name.startswith("bed"))
    assert areas[0] == pytest.approx(8 + math.pi / 2, abs=0.02)
    assert areas[1] == pytest.approx(8 + math.pi, abs=0.02)
    assert 24 < areas[2] < 28.3, "a spline inside the ring of its control points: the circle's is 28.27"
    assert areas[3] == pytest.approx(32, abs=1e-6)


def test_blocks_within_blocks_and_rows_of_blocks() -> None:
    """A row of three, and a block turned by 90° about (20, 0) that holds a lamp 1 m to its right."""

    def more(space: Any, k: float) -> None:
        attributes = {"layer": "x", "column_count": 3, "column_spacing": 2.0}
        space.add_blockref("SPIKE", (0, -5), dxfattribs=attributes)
        outer = space.doc.blocks.new("ROW")
        outer.add_blockref("SPIKE", (1, 0))
        space.add_blockref("ROW", (20, 0), dxfattribs={"rotation": 90})

    lamps = {lamp.name: lamp.place[:2] for lamp in read(written(draw(more=more))).lamps}
    assert [lamps[name] for name in ("L01", "L02", "L03")] == [(0, -5), (2, -5), (4, -5)]
    assert lamps["L04"] == pytest.approx((20, 1), abs=1e-3)


def test_heights_only_where_asked_for() -> None:
    def more(space: Any, k: float) -> None:
        space.add_blockref("SPIKE", (5, 5, 2.5))

    assert not read(written(draw(more=more))).has_heights
    survey = read(written(draw(more=more)), SETTINGS.replace("[dxf]\n", "[dxf]\nheights = true\n"))
    assert survey.lamps[2].place == (5, 5, 2.5)


def test_units_are_asked_for() -> None:
    assert complaint(written(draw(unit=None))) == (
        "site.dxf: has no unit that is known ($INSUNITS is 0), and is 29.2 x 24.71 of its units large\n"
        '    mend: write units = "m", "cm", "mm", "ft" or "in" under [dxf] of the job file'
    )
    given_unit = SETTINGS.replace("[dxf]\n", '[dxf]\nunits = "m"\n')
    assert zone(read(written(draw(unit=None)), given_unit), "bed").area == pytest.approx(32)


def test_layers_are_asked_for_and_misspelt_ones_named() -> None:
    assert complaint(written(draw()), "").startswith(
        "site.dxf: has nothing that the job names; its layers are whatever (2), Pond (2), OUTLETS (1), TREES (1)"
    )
    text = complaint(written(draw()), SETTINGS.replace("BEDS =", "BED ="))
    assert text == "site.dxf:layer BED: is not in the drawing\n    mend: did you mean 'BEDS'?"


def test_open_edges_are_named_by_their_entity() -> None:
    def more(space: Any, k: float) -> None:
        space.add_lwpolyline([(30, 0), (34, 0), (34, 2), (30, 0.4)], dxfattribs={"layer": "BEDS"})

    text = complaint(written(draw(more=more)))
    assert text.startswith("site.dxf:LWPOLYLINE ") and text.endswith(
        " on layer BEDS: is an open line (its ends lie 0.400 m apart), and a zone's edge is closed\n"
        "    mend: close it in the drawing"
    )


@pytest.mark.parametrize(
    ("data", "wanted"),
    [
        (b"", "site.dxf: is empty"),
        (b"hello", "site.dxf: cannot be read as DXF ("),
        (b"AC1032 and more", "site.dxf: is a DWG drawing\n    mend: save it as DXF"),
        (b"AutoCAD Binary DXF\r\n\x1a\x00\x01", "site.dxf: cannot be read as DXF ("),
        (b"  0\nSECTION\n  2\nENTITIES\n  0\nENDSEC\n  0\nEOF\n", "site.dxf: has no unit"),
    ],
)
def test_what_is_no_drawing_is_named(data: bytes, wanted: str) -> None:
    assert complaint(data).startswith(wanted), complaint(data)


@settings(max_examples=40, deadline=None, derandomize=True)
@given(st.data())
def test_a_spoiled_drawing_is_read_or_refused(data: st.DataObject) -> None:
    """Bytes changed or cut anywhere: a table or a BadInput, never another error."""
    text = bytearray(GARDEN)
    for _ in range(data.draw(st.integers(1, 6))):
        text[data.draw(st.integers(0, len(text) - 1))] = data.draw(st.sampled_from(b"0-9A \n\x00\xff"))
    start = data.draw(st.sampled_from([0, len(text) // 3]))
    text = text[start : data.draw(st.sampled_from([len(text), len(text) * 2 // 3]))]
    with contextlib.suppress(BadInput):
        reduce_file(bytes(text), "site.dxf", Measuring(), job(JOB + SETTINGS).dxf)


GARDEN = written(draw("R12"))


def test_a_block_that_holds_itself_ends() -> None:
    doc = draw()
    loop = doc.blocks.new("LOOP")
    loop.add_blockref("LOOP", (1, 0))
    loop.add_blockref("LOOP", (0, 1))
    doc.modelspace().add_blockref("LOOP", (0, 0))
    with contextlib.suppress(BadInput):
        assert read_dxf(written(doc), "site.dxf", job(JOB + SETTINGS).dxf).rows
