"""Dips between the ends of straight lines are warned of; the numbers are triangles done by hand."""

from __future__ import annotations

import math
import re
from pathlib import Path

import pytest

from optimiser.job_folder import open_job
from optimiser.make_plan import Options, make_plan

JOB = """
title = "dip"
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


@pytest.mark.parametrize(("dip_m", "warned"), [(0.3, False), (2.0, True)])
def test_a_dip_beside_a_straight_line(tmp_path: Path, dip_m: float, warned: bool) -> None:
    """
    From (0, 0) to (10, 0), through a hollow dip_m deep at (5, 0), whose rim stands at (5, 8) and (5, -8).

    Along the ground that is 2 x hypot(5, dip_m), less about the lead's last half metre; slack is 3 %.
    """
    (tmp_path / "job.toml").write_text(JOB, "utf-8")
    rows = ["S1,supply,,0,0,0", "L1,lamp,spike,10,0,0", f"P,peg,,5,0,{-dip_m}", "N,peg,,5,8,0", "S,peg,,5,-8,0"]
    (tmp_path / "survey.csv").write_text("\n".join(["point,kind,of,x,y,z", *rows]) + "\n", "utf-8")
    plan = make_plan(open_job(tmp_path), Options(effort=0.005))
    said = [warning for warning in plan.warnings if warning.startswith("The ground rises and falls")]
    assert bool(said) == warned
    (cable,) = plan.cables
    assert len(cable.route) == 2 and cable.route_m == pytest.approx(9.5, abs=0.5)
    if warned:
        more_m = math.hypot(5, dip_m) + (cable.route_m - 5) / 5 * math.hypot(5, dip_m) - cable.route_m
        over_m = more_m - 0.03 * cable.route_m
        (found_m,) = re.findall(r"along it, K01 is ([\d.]+) m longer", said[0])
        assert float(found_m) == pytest.approx(over_m, abs=0.1)
