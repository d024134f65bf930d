"""Plans spoiled by somebody who keeps all sums right: the check looks at what lies behind them."""

from __future__ import annotations

import copy
import dataclasses
import math
from collections.abc import Callable
from typing import Any

import pytest
from shapely import box

from optimiser.survey.model import Zone
from tests.check.make import Data, Sketch, make
from tests.check.sites import job, paving, pond, slope
from tests.check.test_check_spoiled import judge


def broken(sketch: Sketch, data: Data) -> set[str]:
    return {finding.limit for finding in judge(sketch, data).violations}


def resketched(site: Callable[[], tuple[Sketch, Data]], **parts: object) -> Sketch:
    return dataclasses.replace(site()[0], **parts)  # type: ignore[arg-type]


def with_trenches(sketch: Sketch, at: int, *rows: tuple[object, ...]) -> Sketch:
    trenches = [*sketch.trenches[:at], *rows, *sketch.trenches[at + 1 :]]
    return dataclasses.replace(sketch, trenches=trenches)  # type: ignore[arg-type]


def test_a_trench_cut_where_nothing_changes() -> None:
    """Each piece is rounded for itself: of many short ones nothing would be left to pay."""
    halves = [
        ("T1", "lawn", [(0.0, 0.0), (4.0, 0.0)], ["K1"], None, False, 0),
        ("T3", "lawn", [(4.0, 0.0), (10.0, 0.0)], ["K1"], None, False, 0),
    ]
    sketch = with_trenches(pond()[0], 0, *halves)
    assert broken(sketch, make(sketch)) == {"trenches once"}


def test_gaps_that_are_forgiven_once_are_not_forgiven_often() -> None:
    ends = [0.0, *[x + side for x in (2.0, 4.0, 6.0, 8.0) for side in (-0.0009, 0.0009)], 10.0]
    rows = [
        (f"T1{i}", "lawn", [(a, 0.0), (b, 0.0)], ["K1"], None, False, 0)
        for i, (a, b) in enumerate(zip(ends[::2], ends[1::2], strict=True))
    ]
    sketch = with_trenches(pond()[0], 0, *rows)
    assert "cables in trenches" in broken(sketch, make(sketch))


def test_a_bend_beside_the_trench() -> None:
    """3 cm aside in the middle of 10 m makes the way no longer than rounding forgives."""
    sketch = pond()[0]
    name, circuit, start, end, cable, _, run = sketch.cables[0]
    bent = (name, circuit, start, end, cable, [(0.0, 0.0), (5.0, 0.03), (10.0, 0.0)], run)
    sketch = dataclasses.replace(sketch, cables=[bent, *sketch.cables[1:]])
    assert "cables in trenches" in broken(sketch, make(sketch))


def test_a_very_short_trench_twice() -> None:
    """2 mm from a supply point to where cables part, once for each of them: a cent too much."""
    rows = [
        ("T1", "lawn", [(0.0, 0.0), (9.998, 0.0)], ["K1"], None, False, 0),
        ("T3", "lawn", [(9.998, 0.0), (10.0, 0.0)], ["K1"], None, False, 0),
    ]
    sketch = with_trenches(pond()[0], 0, *rows)
    data = make(sketch)
    data["trenches"].append({**data["trenches"][1], "id": "T4", "route": data["trenches"][1]["route"][::-1]})
    said = [finding.sentence for finding in judge(sketch, data).violations if finding.limit == "trenches once"]
    assert "T3 and T4 lie in the same place" in said


def test_very_many_trenches_in_one_place_are_found_once_each() -> None:
    sketch, data = pond()
    data = copy.deepcopy(data)
    data["trenches"] += [{**data["trenches"][0], "id": f"Z{i}"} for i in range(300)]
    found = [finding for finding in judge(sketch, data).violations if finding.limit == "trenches once"]
    assert len(found) == 300, "each but the last lies where another does"


def test_a_border_is_paid_for_however_the_trench_bends_at_it() -> None:
    """Vertices 8 mm inside make the first and last lines so short that they seem to run along the border."""
    route = [(4.0, 1.0), (4.008, 1.0), (5.992, 1.0), (6.0, 1.0)]
    sketch = with_trenches(paving()[0], 5, ("T6", "paving", route, ["K2"], None, False, 0))
    assert "trench prices" in broken(sketch, make(sketch))


@pytest.mark.parametrize(("stub_m", "limits"), [(0.1, set()), (0.13, set()), (0.3, {"stubs"})])
def test_a_stub_is_no_longer_than_the_nearest_way_out(stub_m: float, limits: set[str]) -> None:
    sketch = paving()[0]
    foot = (stub_m, 0.0)
    cables = [(*row[:5], [row[5][0], foot, *row[5][2:]], row[6]) for row in sketch.cables]
    trenches = [
        (row[0], row[1], [foot if tuple(point) == (0.1, 0.0) else point for point in row[2]], *row[3:])
        for row in sketch.trenches
    ]
    sketch = dataclasses.replace(sketch, cables=cables, trenches=trenches)
    assert broken(sketch, make(sketch)) == limits


def test_a_stub_is_of_the_ground_it_comes_out_on() -> None:
    """From the wall over a kerb of paving: the stub ends on lawn beyond it only on paper."""
    sketch = paving()[0]
    zones = (*sketch.survey.zones, Zone("kerb", "paving", box(0.05, -9, 0.5, 9), 0.0))
    sketch = dataclasses.replace(sketch, survey=dataclasses.replace(sketch.survey, zones=zones))
    assert "trench ground" in broken(sketch, make(sketch))


@pytest.mark.parametrize(("thick_m", "barred"), [(0.03, False), (0.12, True)])
def test_a_lead_may_not_pass_a_wall_that_its_lamp_stands_close_to(thick_m: float, barred: bool) -> None:
    """Of a zone that the lamp stands beside, the lead may cross as much as its place may be wrong, not all of it."""
    sketch = pond()[0]
    settings = job(
        grounds={"lawn": {"per_m": 10}, "pond": {}, "wall": {"kind": "no_dig", "keep_off_m": 0}},
        rules={"border_tolerance_m": 0.05},
    )
    wall = Zone("wall", "wall", box(9, 0.16 - thick_m, 11, 0.16), 0.0)
    survey = dataclasses.replace(sketch.survey, zones=(*sketch.survey.zones, wall))
    sketch = dataclasses.replace(sketch, job=settings, survey=survey, quote=None)
    assert ("lead ways" in broken(sketch, make(sketch))) == barred


def test_heights_of_trenches_lie_on_the_surface() -> None:
    sketch, data = slope()
    data = copy.deepcopy(data)
    x, y, z = data["trenches"][1]["route"][-1]
    assert (x, y) not in {lamp.place[:2] for lamp in sketch.survey.lamps}
    data["trenches"][1]["route"][-1] = data["trenches"][2]["route"][0] = (x, y, z - 1.0)
    assert "heights" in broken(sketch, data)


@pytest.mark.parametrize("what", ["supplies", "zones"])
def test_what_is_printed_twice_on_the_site(what: str) -> None:
    """The first of two entries of one name is drawn too, though the second is right."""
    sketch, data = pond()
    data = copy.deepcopy(data)
    first = data["site"][what][0]
    data["site"][what].insert(0, {**first, "x": 3.0} if "x" in first else {**first, "keep_off_m": 9.0})
    assert "copies" in broken(sketch, data)


def test_an_empty_reel() -> None:
    sketch, data = pond()
    data = copy.deepcopy(data)
    data["cuts"].append({"cable": "2.5", "reel_m": 50.0, "pieces": [], "left_m": 50.0})
    assert "cut list" in broken(sketch, data)


@pytest.mark.parametrize(
    "warnings",
    [[], ["Mains electricity: there are trees."], ["trenches pass beside tree roots"]],
)
def test_a_warning_names_what_it_warns_of(warnings: list[str]) -> None:
    sketch, data = slope()
    assert "warnings" in broken(sketch, {**data, "warnings": warnings})


def test_shallow_trenches_and_a_limit_that_was_assumed_are_warned_of() -> None:
    sketch = pond()[0]
    settings = job(
        grounds={"lawn": {"per_m": 10, "depth_mm": 100}, "pond": {}},
        drivers={"e60": {"taps_v": [12], "rated_w": 60, "limit_mode": "hiccup", "short_rms_a": 1, "price": 90}},
    )
    sketch = dataclasses.replace(sketch, job=settings, quote=None)
    said = ["20 m of trench are shallower than 150 mm", "no limit_a for the e60"]
    assert "warnings" not in broken(
        dataclasses.replace(sketch, warnings=said), make(dataclasses.replace(sketch, warnings=said))
    )
    for missing in range(2):
        one = dataclasses.replace(sketch, warnings=[said[missing]])
        assert "warnings" in broken(one, make(one))


LOADED = {"S1": {"price": 25, "timer_a": 0.08}}  # some 16 VA of 18.4


@pytest.mark.parametrize(
    ("what", "warning"),
    [
        ({"notes": ("lamps 'L1' and 'L2' stand on one spot",)}, "lamps 'L1' and 'L2' stand on one spot"),
        ({"zone": ("slab", "survey", box(9, -1, 11, 1))}, "Lamp L1 stands 0.80 m inside no-dig zone 'slab'"),
        ({"zone": ("slab", "survey", box(9, -1, 11, 1))}, "Lamps L5, L6 and 3 more stand inside no-dig zone 'slab'"),
        ({"zone": ("T1 trunk", "trunk", box(8, -3, 12, 3))}, "Lamp L1 stands 1.00 m inside the trunk of tree 'T1'"),
        ({"supplies": LOADED}, "The timer or dimmer at S1 carries 87 % of its rating"),
        ({"nights": 0}, "The schedule (18:00 to 23:00) lights no night of 2025"),
    ],
    ids=["note", "lamp", "lamps", "trunk", "timer", "nights"],
)
def test_what_survey_and_supply_points_show_is_warned_of(what: dict[str, Any], warning: str) -> None:
    """Each is missed where it is not said, and nothing else is: the same plan holds to that limit where it is."""
    sketch = pond()[0]
    survey = dataclasses.replace(sketch.survey, notes=what.get("notes", ()))
    if "zone" in what:
        name, of, shape = what["zone"]
        survey = dataclasses.replace(survey, zones=(*survey.zones, Zone(name, "slab", shape, 0.0, of=of)))
    settings = sketch.job.model_dump(exclude_unset=True)
    settings["grounds"] = {"lawn": {"per_m": 10}, "pond": {}, "slab": {"kind": "no_dig"}}
    settings["supplies"] = what.get("supplies", settings["supplies"])
    for warnings in ([], [warning]):
        there = dataclasses.replace(sketch, job=job(**settings), survey=survey, warnings=warnings)
        data = make(there)
        data["running"]["nights"] = what.get("nights", data["running"]["nights"])
        assert ("warnings" in broken(there, data)) == (not warnings)


SPOT, HEIGHTS = "lamps 'L1' and 'L2' stand on one spot", "lamps 'L1' and 'L2' differ by 3.20 m in height"
NAMELESS = "features without a geometry were left out"


@pytest.mark.parametrize(
    ("notes", "warnings", "missed"),
    [
        ([SPOT], ["There is one place for both L1 and l2."], 0),
        ([SPOT], ["There is one place for both L1 and L21."], 1),
        ([SPOT, HEIGHTS], [HEIGHTS], 1),  # it names both lamps, and is the other note
        ([SPOT, HEIGHTS], ["L2 lies 3.20 m above L1"], 1),  # one sentence stands for one note
        ([SPOT, HEIGHTS], ["L2 lies 3.20 m above L1", "One place: L1, L2"], 0),
        ([HEIGHTS], ["L2 lies 13.20 m above L1"], 1),
        ([HEIGHTS], ["L2 lies 3.2 m above L1"], 1),
        ([NAMELESS], [NAMELESS], 0),
        ([NAMELESS], ["What has no geometry is not read."], 1),  # nothing but its words tells what it is of
    ],
    ids=str,
)
def test_notes_of_the_survey_count_in_other_words(notes: list[str], warnings: list[str], missed: int) -> None:
    """A plan of another version says the same of the same things otherwise."""
    sketch = pond()[0]
    survey = dataclasses.replace(sketch.survey, notes=tuple(notes))
    sketch = dataclasses.replace(sketch, survey=survey, warnings=warnings)
    report = judge(sketch, make(sketch))
    assert [finding.limit for finding in report.violations] == ["warnings"] * missed


@pytest.mark.parametrize("path", [("joints", 0, "ways"), ("circuits", 0, "outlet"), ("seed",)], ids=str)
def test_numbers_of_hundreds_of_digits_are_answered(path: tuple[str | int, ...]) -> None:
    sketch, data = pond()
    data = copy.deepcopy(data)
    at = data
    for key in path[:-1]:
        at = at[key]  # type: ignore[index]
    at[path[-1]] = 10**400  # type: ignore[index]
    report = judge(sketch, data)
    assert path == ("seed",) or "finite numbers" in {finding.limit for finding in report.violations}
    assert all(len(finding.sentence) < 1000 for finding in report.violations)
    assert math.isfinite(len(report.lines))
