"""DXF, read back by ezdxf: sound, in layers, in metres, names as they were, the same every time."""

from __future__ import annotations

import io
from collections import Counter

import ezdxf
import numpy as np
import pytest
import shapely
from ezdxf import bbox, recover, units
from ezdxf.document import Drawing
from ezdxf.tools.text import plain_text

from optimiser.documents.dxf import LAYERS, dxf_text, plan_dxf
from optimiser.documents.words import plain
from optimiser.plan.model import Plan
from tests.documents.sample import NASTY, courtyard, on_a_slope, one_lamp, park, with_names


def read(plan: Plan) -> Drawing:
    drawing, auditor = recover.read(io.BytesIO(plan_dxf(plan)))
    assert not auditor.errors
    assert not auditor.fixes
    return drawing


@pytest.mark.parametrize("plan", [courtyard(), park(), one_lamp()], ids=lambda plan: plan.job.title[:9])
def test_read_back_it_is_sound_and_complete(plan: Plan) -> None:
    drawing = read(plan)
    assert drawing.units == units.M
    assert drawing.header["$MEASUREMENT"] == 1
    space = drawing.modelspace()
    assert {entity.dxf.layer for entity in space} <= set(LAYERS)
    lines = Counter(entity.dxf.layer for entity in space.query("LWPOLYLINE POLYLINE"))
    points = Counter(entity.dxf.layer for entity in space.query("POINT"))
    assert lines["TRENCHES"] == len(plan.trenches)
    assert lines["CABLES"] == len(plan.cables)
    assert lines["LEADS"] == sum(len(lamp.lead_route) > 1 for lamp in plan.lamps)
    assert lines["ZONES"] + lines["NO_DIG"] == sum(len(zone.rings) for zone in plan.site.zones)
    assert lines["SLEEVES"] == len(plan.site.sleeves) and lines["MAINS"] == len(plan.site.mains)
    assert points["LAMPS"] == len(plan.lamps) and points["DRIVERS"] == len(plan.drivers)
    assert points["JOINTS"] + points["HUBS"] == len(plan.joints) and points["PEGS"] == len(plan.site.pegs)
    said = {plain_text(entity.dxf.text) for entity in space.query("TEXT")}
    for lamp in plan.lamps:
        assert f"{lamp.id} {lamp.volts:.2f} V" in said
    assert any("licensed electrician" in words for words in said)


def test_drivers_stand_as_high_as_their_supply_points() -> None:
    plan = on_a_slope(courtyard())
    space = read(plan).modelspace()
    found = [point.dxf.location.z for point in space.query('POINT[layer=="DRIVERS"]')]
    assert found == [round(0.5 * driver.x, 3) for driver in plan.drivers]


def test_places_are_the_plans_own_metres() -> None:
    plan = park()
    space = read(plan).modelspace()
    found = [(point.dxf.location.x, point.dxf.location.y) for point in space.query('POINT[layer=="LAMPS"]')]
    assert found == [(lamp.x, lamp.y) for lamp in plan.lamps]
    first = next(iter(space.query('LWPOLYLINE[layer=="CABLES"]')))
    assert [(x, y) for x, y, *_ in first.get_points()] == [place[:2] for place in plan.cables[0].route]


@pytest.mark.parametrize("plan", [courtyard(), park(), one_lamp()], ids=lambda plan: plan.job.title[:9])
def test_no_text_stands_on_another(plan: Plan) -> None:
    """Boxes of ezdxf's own letters, a little lower than the letters are."""
    boxes = []
    for entity in read(plan).modelspace().query("TEXT"):
        box = bbox.extents([entity])
        boxes.append((box.extmin.x, box.extmin.y + 0.02, box.extmax.x, box.extmax.y - 0.02))
    found = shapely.box(*np.array(boxes).T)
    touching = shapely.STRtree(found).query(found, predicate="overlaps")
    assert touching.shape == (2, 0)


def test_heights_make_3d_polylines() -> None:
    plan = courtyard()
    cable = plan.cables[0]
    raised = cable.model_copy(update={"route": [(x, y, 1.0 + i) for i, (x, y, *_) in enumerate(cable.route)]})
    plan = plan.model_copy(update={"cables": [raised, *plan.cables[1:]]})
    line = next(iter(read(plan).modelspace().query("POLYLINE")))
    assert [tuple(vertex.dxf.location) for vertex in line.vertices] == raised.route


@pytest.mark.parametrize("nasty", [*NASTY, "50%%d ^J \\U+0041 %%%", "100% ^"], ids=ascii)
def test_any_name_is_shown_as_it_is(nasty: str) -> None:
    """No code of the format is taken for one: ``%%d`` stays ``%%d`` and no degree sign."""
    plan = with_names(courtyard(), lambda name: f"{nasty}{name}")
    said = {plain_text(entity.dxf.text) for entity in read(plan).modelspace().query("TEXT")}
    for peg in plan.site.pegs:
        assert plain(peg.name).replace("\\U+", "\\ U+") in said
    assert "\n" not in dxf_text(nasty)


def test_the_same_plan_is_the_same_bytes_and_nothing_is_left_switched() -> None:
    before = ezdxf.options.write_fixed_meta_data_for_testing
    assert plan_dxf(courtyard()) == plan_dxf(courtyard())
    assert ezdxf.options.write_fixed_meta_data_for_testing == before
