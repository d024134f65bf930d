"""Cables and trenches follow the ground between their bends; the numbers are triangles done by hand."""

from __future__ import annotations

import json
import math
from pathlib import Path

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


def hollow(tmp_path: Path) -> tuple[JobFolder, Plan]:
    """From (0, 0) to (10, 0), through a hollow 0.6 m deep at (5, 0) whose rim stands at (5, 8) and (5, -8)."""
    (tmp_path / "job.toml").write_text(JOB, "utf-8")
    rows = [
        "S1,supply,,0,0,0",
        "L1,lamp,spike,10,0,0",
        "P,peg,,5,0,-0.6",
        "N,peg,,5,8,0",
        "S,peg,,5,-8,0",
    ]
    (tmp_path / "survey.csv").write_text("\n".join(["point,kind,of,x,y,z", *rows]) + "\n", "utf-8")
    folder = open_job(tmp_path)
    return folder, make_plan(folder, Options(effort=0.005))


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


def test_check_finds_what_leaves_the_ground(tmp_path: Path) -> None:
    folder, plan = hollow(tmp_path)
    data = json.loads(plan.model_dump_json(by_alias=True))
    for thing in (data["cables"][0], data["trenches"][0]):
        thing["route"] = [thing["route"][0], thing["route"][-1]]
    report = check_plan(Plan.model_validate(data), folder.job, folder.survey, folder.digest)
    assert "heights" in {case.limit for case in report.violations}
