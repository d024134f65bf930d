"""A plan that does not fit together is refused with its place; what is let through makes papers."""

from __future__ import annotations

import copy
import re
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from pydantic import ValidationError

from optimiser.documents.drawing import draw_plan
from optimiser.documents.label_sheet import label_pages
from optimiser.documents.lists import all_tables
from optimiser.documents.papers import PaperOptions, heading_of, make_papers, papers_of
from optimiser.documents.single_line import single_line_pages
from optimiser.documents.soundness import refuse_unsound
from optimiser.documents.table_pages import table_pages
from optimiser.documents.workbook import workbook_of
from optimiser.plan.model import Plan
from optimiser.problems import BadInput
from tests.documents.sample import courtyard, many_circuits, one_lamp, park

DATA: dict[str, Any] = courtyard().model_dump(by_alias=True, mode="json")


@pytest.mark.parametrize(
    "plan", [courtyard(), park(), many_circuits(), one_lamp()], ids=lambda plan: plan.job.title[:9]
)
def test_sound_plans_pass(plan: Plan) -> None:
    refuse_unsound(plan, "plan.json")


def spoiled(path: list[str | int], value: Any) -> Plan:
    data = copy.deepcopy(DATA)
    at: Any = data
    for step in path[:-1]:
        at = at[step]
    at[path[-1]] = value
    return Plan.model_validate(data)


@pytest.mark.parametrize(
    ("path", "value", "said"),
    [
        (["circuits", 0, "driver"], "D9", "circuits[0].driver: found 'D9', which is no driver of the plan"),
        (["cables", 1, "from"], "J99", "cables[1].from: found 'J99', which is no joint or driver of the plan"),
        (["cables", 1, "to"], "D1", "cables[1].to: found 'D1', which is no joint of the plan"),
        (["cuts", 0, "pieces", 0], "K77", "cuts[0].pieces: found 'K77', which is no cable of the plan"),
        (["lamps", 0, "joint"], "", "lamps[0].joint: found '', which is no joint or driver of the plan"),
        (["circuits", 0, "lamps"], [], "lamps[0].id: found 'L01', which is no lamp of any circuit of the plan"),
        (["joints", 3, "id"], "J01", "joints: found the id 'J01' 2 times"),
        (["trenches", 2, "route"], [[0, 0]], "trenches[2].route: found 1 of at least 2"),
        (["site", "zones", 0, "rings"], [], "site.zones[0].rings: found 0 of at least 1"),
        (["cables", 0, "cut_m"], float("inf"), "cables[0].cut_m: found inf, which is no finite number"),
        (["lamps", 0, "x"], 1e9, "lamps[0].x: found 1000000000, 1,000,000 km from the middle of the others"),
        (["cables", 0, "route", 1, 1], -3e5, "cables[0].route[1][1]: found -300000, 300 km from the middle"),
        (["lamps"], [], "lamps: is empty"),
        (["cables", 1, "from"], "J04", "does not hang on the driver of its circuit"),
        (["cables", 1, "to"], "J03", "cables: found 2 cables that end at joint 'J03'"),
    ],
    ids=str,
)  # fmt: skip
def test_what_does_not_fit_is_named_with_its_place(path: list[str | int], value: Any, said: str) -> None:
    with pytest.raises(BadInput) as caught:
        refuse_unsound(spoiled(path, value), "plan.json")
    assert said in str(caught.value)
    assert "plan.json" in str(caught.value) and "make the plan anew" in str(caught.value)


def moved(value: Any, by: tuple[float, float]) -> Any:
    """A copy of a plan's data with every place elsewhere on the grid."""
    if isinstance(value, list):
        return [moved(item, by) for item in value]
    if not isinstance(value, dict):
        return value
    data = {key: moved_route(item, by) if "route" in key or key == "rings" else moved(item, by)
            for key, item in value.items()}  # fmt: skip
    return data | {axis: data[axis] + by[axis == "y"] for axis in ("x", "y") if axis in data}


def moved_route(value: Any, by: tuple[float, float]) -> Any:
    if not isinstance(value, list):
        return value  # route_m
    if value and isinstance(value[0], float):
        return [value[0] + by[0], value[1] + by[1], *value[2:]]
    return [moved_route(item, by) for item in value]


def test_a_site_on_a_countrys_grid_is_drawn_as_one_near_nought() -> None:
    """Metres of UTM and of national grids run to millions; only where the axes begin differs."""
    far = Plan.model_validate(moved(DATA, (32_463_200.0, 5_247_880.0)))  # even metres: the grid's lines stay
    refuse_unsound(far, "plan.json")
    near_mm, far_mm = (
        [float(mm) for route in re.findall(r' points="([^"]*)"', draw_plan(plan)) for mm in re.split("[ ,]", route)]
        for plan in (courtyard(), far)
    )
    assert near_mm == pytest.approx(far_mm, abs=0.011)
    assert "32463200" in draw_plan(far)
    made = make_papers(far, papers_of(far, []), PaperOptions())
    assert "32463" in made["set_out.csv"].decode()


def paths(value: Any, at: tuple[str | int, ...] = ()) -> list[tuple[str | int, ...]]:
    found = [at] if at else []
    if isinstance(value, dict):
        for key, item in value.items():
            found += paths(item, (*at, key))
    elif isinstance(value, list):
        for i, item in enumerate(value[:4]):
            found += paths(item, (*at, i))
    return found


PATHS = [path for path in paths(DATA) if path[0] not in ("tool", "graph", "cost", "rules", "bound_parts")]


@settings(max_examples=150, suppress_health_check=[HealthCheck.too_slow], deadline=None)
@given(path=st.sampled_from(PATHS), value=st.sampled_from([None, "", "zz", "J01", 0, -1.0, 1e5, 3, [], {}]))
def test_a_plan_spoiled_anywhere_is_refused_or_printed(path: tuple[str | int, ...], value: Any) -> None:
    """Never a traceback: what the shape and the soundness let pass, every list and sheet can be made of."""
    try:
        plan = spoiled(list(path), value)
    except ValidationError:
        return  # refused where it is read
    try:
        refuse_unsound(plan, "plan.json")
    except BadInput:
        return
    heading = heading_of(plan, PaperOptions())
    tables = all_tables(plan)
    assert table_pages(tables, heading)
    assert single_line_pages(plan, heading)
    assert label_pages(plan, "", "", "")
    assert workbook_of(tables, plan.job.title, "", ["a note"])
