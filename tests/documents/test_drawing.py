"""The drawing: well-formed whatever the names, to scale, complete, told apart without colour, the same every time."""

from __future__ import annotations

import math
import re
from collections.abc import Callable
from xml.etree import ElementTree

import pytest
import shapely

from optimiser.documents import marks
from optimiser.documents.drawing import draw_plan, lay_out
from optimiser.documents.map_view import view_map
from optimiser.documents.palette import circuit_styles
from optimiser.documents.panel import draw_panel
from optimiser.documents.sheet import possible_sheets
from optimiser.documents.strands import lay_strands
from optimiser.documents.svg import cut_to_width, text_width, wrap
from optimiser.plan.model import Plan, SitePosition
from tests.documents.drawn import drawn, laid
from tests.documents.sample import NASTY, courtyard, many_circuits, one_lamp, park, with_names

SVG = "{http://www.w3.org/2000/svg}"


def texts(svg: str) -> list[str]:
    return ["".join(node.itertext()) for node in ElementTree.fromstring(svg).iter(f"{SVG}text")]


@pytest.mark.parametrize("nasty", NASTY, ids=ascii)
def test_any_name_makes_well_formed_xml(nasty: str) -> None:
    plan = with_names(courtyard(), lambda name: f"{nasty}{name}")
    svg = draw_plan(plan)
    root = ElementTree.fromstring(svg)
    assert root.tag == f"{SVG}svg"
    svg.encode("utf-8")
    ids = [node.get("id") for node in root.iter() if node.get("id")]
    assert len(ids) == len(set(ids))


@pytest.mark.parametrize("sample", [courtyard, park, one_lamp])
def test_signs_grow_with_the_room_round_lamps_and_joints(sample: Callable[[], Plan]) -> None:
    """The room is the envelope of all places pushed out by 25 mm, as shapely reckons it, point by point."""
    plan = sample()
    sheets = possible_sheets(plan)
    for sheet in (sheets[0], sheets[len(sheets) // 2], sheets[-1]):
        places = [sheet.at(lamp.x, lamp.y) for lamp in plan.lamps] + [sheet.at(j.x, j.y) for j in plan.joints]
        room = shapely.union_all([shapely.Point(place).buffer(25) for place in places]).envelope.area
        count = 2 * len(plan.lamps) + len(plan.joints) + len(plan.cables) + 8 * len(plan.drivers)
        assert view_map(plan, sheet).factor == pytest.approx(min(1.6, max(1.0, math.sqrt(room / count / 170))))


def test_names_are_text_not_markup() -> None:
    plan = with_names(courtyard(), lambda name: "<script>&" + name)
    svg = draw_plan(plan)
    assert "<script" not in svg
    assert any(words.startswith("<script>&") for words in texts(svg))


@pytest.mark.parametrize("sample", [courtyard, park, many_circuits, one_lamp])
def test_everything_is_on_the_sheet(sample: Callable[[], Plan]) -> None:
    plan, words = sample(), texts(drawn(sample))
    for lamp in plan.lamps:
        assert any(said.split(" ")[0] == lamp.id for said in words)
        assert f"{lamp.volts:.2f} V" in words
    for joint in plan.joints:
        assert joint.id in words or any(said.endswith(f" {joint.id}") for said in words)
    for cable in plan.cables:
        assert any(said.startswith(f"{cable.id} · ") for said in words)
    for driver in plan.drivers:
        assert any(said.split(" ")[0] == driver.id for said in words)
        assert any(said.endswith(driver.model) for said in words)
    for circuit in plan.circuits:
        assert words.count(circuit.id) >= (2 if plan.cables else 1)  # on the map and in the table
    joined = " ".join(words)
    for needed in ("Cautions", "licensed electrician", "30 mA", "y of the survey", "Cost", plan.job.digest[:12]):
        assert needed in joined
    assert plan.job.title in joined


@pytest.mark.parametrize(
    ("bearing", "words"),
    [
        (None, "y of the survey"), (0, "y, true north"), (0.3, "y, true north"), (360, "y, true north"),
        (45, "y, 45° right of true north"), (-90, "y, 90° left of true north"), (270, "y, 90° left of true north"),
    ],
)  # fmt: skip
def test_the_arrow_claims_north_only_where_a_position_tells_it(bearing: float | None, words: str) -> None:
    """The arrow shows y, which points right of north where its bearing, clockwise from north, is positive."""
    position = None if bearing is None else SitePosition(latitude=47, longitude=8, x=0, y=0, y_bearing=bearing)
    plan = courtyard()
    plan = plan.model_copy(update={"site": plan.site.model_copy(update={"position": position})})
    said = texts(draw_plan(plan))
    assert words in said
    assert [one for one in said if "north" in one] == [words] * ("north" in words)


def test_the_stated_scale_is_the_drawn_scale() -> None:
    """Two lamps 100 mm apart on the sheet are as far apart on the ground as the scale says; the bar agrees."""
    for sample in (courtyard, park):
        plan, svg = sample(), drawn(sample)
        stated = next(
            int(m[1].replace(",", "")) for words in texts(svg) if (m := re.match(r"1 : ([\d,]+) on A3", words))
        )
        root = ElementTree.fromstring(svg)
        signs = next(node for node in root.iter(f"{SVG}g") if node.get("id") == "signs")
        circles = [(float(c.get("cx", "")), float(c.get("cy", ""))) for c in signs.iter(f"{SVG}circle")]
        first, last = plan.lamps[0], plan.lamps[-1]
        a, b = circles[-len(plan.lamps)], circles[-1]
        assert (b[0] - a[0]) * stated / 1000 == pytest.approx(last.x - first.x, abs=0.011 * stated / 1000)
        assert (a[1] - b[1]) * stated / 1000 == pytest.approx(last.y - first.y, abs=0.011 * stated / 1000)
        assert {root.get("width"), root.get("height")} == {"420mm", "297mm"}
        bar = [r for r in root.iter(f"{SVG}rect") if r.get("height") == bar_height(root)]
        drawn_mm = sum(float(part.get("width", "")) for part in bar)
        length_m = next(float(m[1]) for words in texts(svg) if (m := re.fullmatch(r"([\d.]+) m", words)))
        assert drawn_mm * stated / 1000 == pytest.approx(length_m, rel=0.005)


def bar_height(root: ElementTree.Element) -> str | None:
    """Height of the scale bar's parts: the only rectangles in the panel but frames of labels."""
    panel = next(node for node in root.iter(f"{SVG}g") if node.get("id") == "panel")
    parts = [r for r in panel.iter(f"{SVG}rect") if r.get("stroke-width") == "0.2" and float(r.get("width", "0")) > 3]
    return parts[0].get("height")


def turned(plan: Plan) -> Plan:
    """East and north exchanged."""

    def turn(value: object) -> object:
        if isinstance(value, dict):
            out = {key: turn(item) for key, item in value.items()}
            return {**out, "x": value["y"], "y": value["x"]} if "x" in value else out
        if isinstance(value, tuple) and len(value) == 2:
            return (value[1], value[0])
        return [turn(item) for item in value] if isinstance(value, list | tuple) else value

    return Plan.model_validate(turn(plan.model_dump(by_alias=True)))


def test_the_sheet_is_the_one_of_the_largest_scale() -> None:
    """A long walk is drawn across the paper, a tall one along it, at the same scale within a step."""
    across, along = lay_out(many_circuits(12))[0].sheet, lay_out(turned(many_circuits(12)))[0].sheet
    assert (across.width, across.height, across.columns) == (420, 297, 4)
    assert (along.width, along.height, along.columns) == (297, 420, 1)
    assert along.scale <= 1.5 * across.scale
    for plan, view in ((park(), laid(park)), (courtyard(), laid(courtyard)), (turned(courtyard()), None)):
        scales = [sheet.scale for sheet in possible_sheets(plan)]
        assert (view or lay_out(plan)[0]).sheet.scale == min(scales)


def test_circuits_differ_without_colour() -> None:
    plan = many_circuits()
    styles = list(circuit_styles(plan).values())
    assert len({style.dash for style in styles[:8]}) == 8
    assert len({(style.dash, style.colour) for style in styles[:48]}) == min(48, len(styles))


def test_cables_in_one_trench_lie_side_by_side() -> None:
    """The two cables that share the first trench of the courtyard run a pitch apart and meet only at joints."""
    plan = courtyard()
    sheet = possible_sheets(plan)[0]
    _, strands = lay_strands(plan, sheet, pitch=1.0)
    by_id = {strand.cable.id: strand for strand in strands}
    shared = plan.trenches[1]
    assert len(shared.cables) == 2
    a, b = (by_id[cable].stretches[1] for cable in shared.cables)
    assert a.company == b.company == 1
    assert math.dist(a.at(0.5), b.at(0.5)) == pytest.approx(1.0)
    for strand in strands:
        assert strand.route[0] == pytest.approx(sheet.at(*strand.cable.route[0][:2]))
        assert strand.route[-1] == pytest.approx(sheet.at(*strand.cable.route[-1][:2]))


def test_strands_follow_trenches_cut_at_other_points_than_cables() -> None:
    """A trench that ends midway along a straight cable (the ground changes there) still carries it."""
    plan = courtyard()
    data = plan.model_dump(by_alias=True)
    first = data["trenches"][0]
    (x0, y0), (x1, y1) = first["route"][0], first["route"][-1]
    middle = (round((x0 + x1) / 2, 3), round((y0 + y1) / 2, 3))
    data["trenches"][0] = {**first, "route": [(x0, y0), middle]}
    data["trenches"].append({**first, "id": "T99", "route": [middle, (x1, y1)]})
    _, strands = lay_strands(Plan.model_validate(data), possible_sheets(plan)[0], pitch=1.0)
    assert all(stretch.company == 1 for strand in strands[:1] for stretch in strand.stretches[:2])
    _, before = lay_strands(plan, possible_sheets(plan)[0], pitch=1.0)
    assert [len(strand.route) for strand in strands] == [len(strand.route) for strand in before]


def test_map_crowds_no_letters_below_a_readable_size() -> None:
    """Nothing is set smaller than 1.3 mm: common practice, no source."""
    for sample in (courtyard, park, many_circuits):
        sizes = [float(node.get("font-size", "0")) for node in ElementTree.fromstring(drawn(sample)).iter(f"{SVG}text")]
        assert min(sizes) >= 1.3


def test_far_zones_do_not_shrink_the_map() -> None:
    plan = courtyard()
    data = plan.model_dump(by_alias=True)
    data["site"]["zones"].append(
        {"name": "fields", "ground": "meadow", "no_dig": False, "water": False, "of": "survey", "keep_off_m": 0.0,
         "rings": [[(-900.0, -900.0), (900.0, -900.0), (900.0, -5.0), (-900.0, -5.0)]]}
    )  # fmt: skip
    wide = Plan.model_validate(data)
    assert possible_sheets(wide)[0].scale <= 1.6 * possible_sheets(plan)[0].scale
    assert len(draw_plan(wide)) < 2 * len(draw_plan(plan))


@pytest.mark.parametrize("count", [4, 12])
def test_no_label_lies_on_the_bar_that_tells_a_post(count: int) -> None:
    """Where there is room: on a crowded sheet the tip of one may be touched."""
    view, _ = lay_out(many_circuits(count))
    bars = [shapely.LineString(marks.post_bar(view.sheet.at(lamp.x, lamp.y), view.factor))
            for lamp in view.scene.plan.lamps]  # fmt: skip
    assert len(bars) == count
    for one in view.placed:
        area = shapely.box(one.box.left, one.box.top, one.box.right, one.box.bottom)
        assert not any(area.intersects(bar) for bar in bars), one.label.key


def test_a_joint_at_a_lamp_shows_round_it() -> None:
    """Tapped joints and hubs often stand where the lamp does; its sign would hide theirs."""
    data = courtyard().model_dump(by_alias=True)
    joint = next(joint for joint in data["joints"] if joint["leads"] and not joint["hub"])
    lamp = next(lamp for lamp in data["lamps"] if lamp["id"] == joint["leads"][0])
    lamp |= {"x": joint["x"], "y": joint["y"], "lead_route": []}
    view, _ = lay_out(Plan.model_validate(data))
    assert view.scene.at_lamps == {joint["id"]: lamp["id"]}
    f, style = view.factor, view.circuits[joint["circuit"]]
    square = marks.joint(view.sheet.at(joint["x"], joint["y"]), f, style, True)
    assert square in draw_plan(Plan.model_validate(data))
    assert float(re.findall(r'width="([0-9.]+)"', square)[0]) > 2 * 1.15 * marks.LAMP_MM * f
    assert "joint at a lamp" in draw_plan(Plan.model_validate(data))


def test_no_clock_and_nothing_from_outside() -> None:
    svg = drawn(courtyard)
    assert not re.search(r"\b20\d\d-\d\d-\d\d\b|\d\d:\d\d:\d\d", svg)
    assert re.findall(r"https?://[^\"]+", svg) == ["http://www.w3.org/2000/svg"]
    assert "nan" not in svg.lower().replace("nano", "")


def test_panel_with_very_many_circuits_says_what_it_leaves_out() -> None:
    plan = courtyard()
    crowded = [plan.circuits[i % 3].model_copy(update={"id": f"C{i:03d}"}) for i in range(400)]
    plan = plan.model_copy(update={"circuits": crowded})
    panel = draw_panel(plan, possible_sheets(plan, grown=True)[0], 0)
    left_out = next(int(m[1]) for m in re.finditer(r"and (\d+) more: see plan.json", panel))
    assert sum(f"C{i:03d}" in panel for i in range(400)) == 400 - left_out
    assert 0 < left_out < 400
    assert "licensed electrician" in panel


def test_text_helpers() -> None:
    assert cut_to_width("short", 100, 2) == "short"
    assert cut_to_width("x" * 80, 20, 2).endswith("…")
    assert text_width(cut_to_width("x" * 80, 20, 2), 2) <= 20
    lines = wrap("one two three " + "y" * 50, 20, 2)
    assert "".join(lines).replace(" ", "") == "onetwothree" + "y" * 50
    assert all(text_width(line, 2) <= 20 for line in lines)
    assert wrap("", 20, 2) == []
