"""Cables and trenches follow the ground between their bends; the numbers are triangles done by hand."""

from __future__ import annotations

import json
import math
from pathlib import Path
from typing import Any

import pytest

from optimiser.check import check_plan
from optimiser.job_folder import JobFolder, open_job
from optimiser.make_plan import Options, make_plan
from optimiser.plan.model import Plan

JOB = """
title = "hollow"
[grounds]
lawn = { per_m = 10 }
[lamps]
spike = { watts = 4, volts = 12 }
[cables]
"2.5" = { mm2 = 2.5, price_per_m = 2 }
[drivers]
e60 = { taps_v = [12], rated_w = 60, limit_a = 6, limit_mode = "hiccup", short_rms_a = 1, price = 90 }
[joints.kits]
two = { max_ways = 2, price = 6 }
"""


def planned(tmp_path: Path, *rows: str, job: str = JOB, more: str = "") -> tuple[JobFolder, Plan]:
    """From (0, 0) to a lamp at (10, 0)."""
    (tmp_path / "job.toml").write_text(job + more, "utf-8")
    every = ["point,kind,of,x,y,z", "S1,supply,,0,0,0", "L1,lamp,spike,10,0,0", *rows]
    (tmp_path / "survey.csv").write_text("\n".join(every) + "\n", "utf-8")
    folder = open_job(tmp_path)
    return folder, make_plan(folder, Options(effort=0.005))


def hollow(tmp_path: Path) -> tuple[JobFolder, Plan]:
    """A hollow 0.6 m deep at (5, 0), whose rim stands at (5, 8) and (5, -8)."""
    return planned(tmp_path, "P,peg,,5,0,-0.6", "N,peg,,5,8,0", "S,peg,,5,-8,0")


def ditch(tmp_path: Path) -> tuple[JobFolder, Plan]:
    """A ditch across the way, 0.2 m wide and 0.6 m deep at x = 5, with points every metre."""
    levels = [(4.9, 0), (5, -0.6), (5.1, 0)]
    pegs = [f"P{i}{y},peg,,{x},{y},{z}" for i, (x, z) in enumerate(levels) for y in range(-8, 9)]
    return planned(tmp_path, *pegs)


def off_the_ground(folder: JobFolder, data: dict[str, Any]) -> set[str]:
    """What the check says leaves the ground."""
    report = check_plan(Plan.model_validate(data), folder.job, folder.survey, folder.digest)
    return {case.where for case in report.violations if case.limit == "heights"}


def test_a_cable_lies_along_a_hollow(tmp_path: Path) -> None:
    """Down hypot(5, 0.6), up as steeply, less what the lead reaches; cut and trench take the whole of it."""
    folder, plan = hollow(tmp_path)
    (cable,), (trench,) = plan.cables, plan.trenches
    assert (5.0, 0.0, -0.6) in [tuple(point) for point in cable.route]
    along_m = cable.route[-1][0] / 5 * math.hypot(5, 0.6)
    assert cable.route_m == trench.length_m == pytest.approx(along_m, abs=0.001)
    assert cable.cut_m >= along_m * 1.03
    assert trench.price == pytest.approx(along_m * 10, abs=0.01)
    assert check_plan(plan, folder.job, folder.survey, folder.digest).holds


def without_bends(thing: dict[str, Any], x: float | None = None) -> None:
    """Straight from end to end, or without the bends at one x only."""
    inner = [point for point in thing["route"][1:-1] if x is not None and point[0] != x]
    thing["route"] = [thing["route"][0], *inner, thing["route"][-1]]


def as_data(plan: Plan) -> dict[str, Any]:
    return json.loads(plan.model_dump_json(by_alias=True))  # type: ignore[no-any-return]


def test_check_finds_what_leaves_the_ground(tmp_path: Path) -> None:
    folder, plan = hollow(tmp_path)
    data = as_data(plan)
    for thing in (data["cables"][0], data["trenches"][0]):
        without_bends(thing)
    assert off_the_ground(folder, data) >= {"K01", "T01"}


def test_a_trench_alone_that_leaves_the_ground(tmp_path: Path) -> None:
    """Its cable goes down into the hollow: dug is not what lies over it."""
    folder, plan = hollow(tmp_path)
    data = as_data(plan)
    without_bends(data["trenches"][0])
    assert off_the_ground(folder, data) == {"T01"}


def test_a_cable_over_a_narrow_ditch(tmp_path: Path) -> None:
    """From edge to edge no step of a quarter of a metre falls into it."""
    folder, plan = ditch(tmp_path)
    assert check_plan(plan, folder.job, folder.survey, folder.digest).holds
    data = as_data(plan)
    for thing in (data["cables"][0], data["trenches"][0]):
        assert [point[2] for point in thing["route"] if point[0] == 5] == [-0.6]
        without_bends(thing, 5)
    assert off_the_ground(folder, data) == {"K01", "T01"}


def test_a_sleeve_excuses_only_the_cables_in_it(tmp_path: Path) -> None:
    """A sleeve so dear that the cable goes over it: printed, and empty, it is no reason to span the hollow."""
    rows = ["P,peg,,5,0,-0.6", "N,peg,,5,8,0", "S,peg,,5,-8,0", ",sleeve,duct,2,0,0", ",sleeve,duct,8,0,0"]
    folder, plan = planned(tmp_path, *rows, more="[sleeves.duct]\ncapacity = 1\npull_price = 500\n")
    data = as_data(plan)
    ends = [[2.0, 0.0, 0.0], [8.0, 0.0, 0.0]]
    for thing in (data["cables"][0], data["trenches"][0]):
        thing["route"] = [thing["route"][0], *ends, thing["route"][-1]]
    empty = {"id": "T02", "ground": "sleeve", "depth_mm": 0, "sleeve": "duct", "route": ends, "cables": []}
    data["trenches"].append({**data["trenches"][0], **empty})
    assert off_the_ground(folder, data) == {"K01", "T01"}


def test_round_a_wall_longer_than_the_site(tmp_path: Path) -> None:
    """The way round its end leads 150 m off the points whose height is known, and has a height all along."""
    job = JOB.replace("volts = 12 }", "volts = 12, window_v = [2, 15] }").replace("watts = 4", "watts = 0.4")
    job = job.replace("[lamps]", 'house = { kind = "no_dig" }\n[lamps]').replace(
        "per_m = 2 }", "per_m = 2, reels_m = [900] }"
    )
    wall = [f",corner,wall,{x},{y}," for x, y in [(5, -150), (5.3, -150), (5.3, 150), (5, 150)]]
    more = '[voltage]\nmax_drop = "off"\n[zones]\nwall = { ground = "house" }\n'
    folder, plan = planned(tmp_path, "P,peg,,12,0,5", *wall, more=more, job=job)
    assert plan.cables[0].route_m > 300
    assert check_plan(plan, folder.job, folder.survey, folder.digest).holds
