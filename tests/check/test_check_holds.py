"""Plans made by hand hold, and single numbers of them are as worked out on paper."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import pytest

from optimiser.check import Finding, Report, check_plan
from optimiser.check.limits import LIMITS
from optimiser.job import Job
from tests.check.make import DIGEST, Data, Sketch, make, whole
from tests.check.sites import paving, pond, slope, wound

SITES = [pond, wound, paving, slope]


def judge(sketch: Sketch, data: Data) -> Report:
    return check_plan(whole(data), sketch.job, sketch.survey, DIGEST)


def line(report: Report, limit: str) -> Finding:
    return next(finding for finding in report.lines if finding.limit == limit)


@pytest.mark.parametrize("site", SITES)
def test_plans_by_hand_hold(site: Callable[[], tuple[Sketch, Data]]) -> None:
    report = judge(*site())
    assert [finding.sentence for finding in report.violations] == []
    assert [finding.limit for finding in report.lines] == list(LIMITS)


def test_a_single_lamp_of_constant_power_has_its_closed_form() -> None:
    # L2 alone at the highest source, cold copper: E = 12 x 1.02 = 12.24 V. Cuts: 10 x 1.03 + 1.2 + 0.4 = 11.9 m and
    # 10 x 1.03 + 0.8 = 11.1 m of 2 x 7.98 ohm/km, a lead of 1 m of 2 x 26 ohm/km, at -10 °C: factor 1 - 0.1179.
    # Ends in joints: one of K1, two of K2, one of the lead: 4 x 0.002 ohm. V = (E + sqrt(E² - 4 R P)) / 2.
    ohm = (23.0 * 0.01596 + 1.0 * 0.052) * (1 - 0.00393 * 30) + 4 * 0.002
    high_v = (12.24 + math.sqrt(12.24**2 - 4 * ohm * 6)) / 2
    sketch, data = pond()
    report = judge(sketch, data)
    # L1 is nearer, so its margin to 13.2 V is the tighter one.
    near_ohm = (11.9 * 0.01596 + 0.052) * (1 - 0.00393 * 30) + 2 * 0.002
    near_v = (12.24 + math.sqrt(12.24**2 - 4 * near_ohm * 6)) / 2
    found = line(report, "window high")
    assert found.where == "L1"
    assert found.value == pytest.approx(near_v, abs=1e-9)
    assert data["lamps"][1]["high_v"] == round(high_v, 3)
    assert found.sentence == "L1: highest 12.132 V, at most 13.200 V, margin 1.068 V"


def test_money_of_the_pond_is_done_in_the_head() -> None:
    # 20 m of trench and 2 x 0.2 m of lead at 10; cuts of 11.9 m and 11.1 m at 2; a three-way and a two-way kit.
    _, data = pond()
    assert data["cost"] == {
        "trench": 204.0,
        "cable": 46.0,
        "joints": 23.0,
        "drivers": 90.0,
        "supplies": 25.0,
        "fuses": 0.0,
        "total": 388.0,
    }


def test_a_wound_transformer_sags_for_all_its_circuits() -> None:
    # Two equal circuits of one 20 W 12 V halogen (7.2 ohm) each. EMF 12 x 1.08 = 12.96 V behind 0.08 x 144 / 150 =
    # 0.0768 ohm, which both load: V = E x 7.2 / (7.2 + R + 2 x 0.0768). Cut 10 x 1.03 + 1.2 + 0.4 = 11.9 m, hot.
    ohm = (11.9 * 0.01596 + 0.052) * (1 + 0.00393 * 20) + 2 * 0.002
    share = 7.2 / (7.2 + ohm + 2 * 0.0768)
    sketch, data = wound()
    report = judge(sketch, data)
    assert data["lamps"][0]["volts"] == round(12.96 * share, 3)
    assert data["lamps"][0]["low_v"] == round(0.94 * 12.96 * share, 3)
    # A quarter of spare load: each lamp takes what 7.2 / 1.25 = 5.76 ohm take. That is the tightest case.
    grown = 5.76 / (5.76 + ohm + 2 * 0.0768)
    assert data["lamps"][0]["grown_v"] == round(12.96 * grown, 3)
    found = line(report, "window low")
    assert found.value == pytest.approx(0.94 * 12.96 * grown, abs=1e-9)
    assert found.where.endswith("with spare load")
    # I = V / 5.76 in each circuit; both on one core: load in VA = terminal volts x 2 I.
    amps = 12.96 * grown / 5.76
    assert line(report, "outlet amps").value == pytest.approx(amps, abs=1e-9)
    assert line(report, "fuse load").value == pytest.approx(amps, abs=1e-9)
    assert line(report, "cable rating").value == pytest.approx(amps, abs=1e-7)
    assert line(report, "driver load").value == pytest.approx((12.96 - 2 * amps * 0.0768) * 2 * amps, abs=1e-7)
    assert line(report, "drop").value == pytest.approx(amps * ohm, abs=1e-9)
    # Alone on the driver the other's sag is gone; mains 10 % up, copper cold.
    cold = (11.9 * 0.01596 + 0.052) * (1 - 0.00393 * 30) + 2 * 0.002
    assert line(report, "window high").value == pytest.approx(1.1 * 12.96 * 7.2 / (7.2 + cold + 0.0768), abs=1e-9)
    # Short at the lamp's end of its lead: lowest mains, copper at 70 °C.
    fault = (11.9 * 0.01596 + 0.052) * (1 + 0.00393 * 50) + 2 * 0.002
    assert line(report, "short opens").value == pytest.approx(0.94 * 12.96 / (fault + 0.0768), abs=1e-9)


def test_circuits_on_two_taps_of_one_core_take_volts_from_each_other() -> None:
    # The second circuit on a tap of 12.6 V. With R = 7.2 ohm + wires in each: R I_i + sum_j Z_ij I_j = 1.08 t_i, where
    # Z_ij = 0.08 / 150 x t_i t_j: two linear equations.
    sketch, data = wound()
    settings = sketch.job.model_dump()
    settings["drivers"]["w150"] |= {"taps_v": (12.0, 12.6), "volts": 12.0, "tap_per_outlet": True}
    data["circuits"][1]["tap_v"] = data["drivers"][0]["tap_v"] = 12.6
    report = check_plan(whole(data), Job.model_validate(settings), sketch.survey, DIGEST)
    assert {finding.limit for finding in report.violations} <= {
        limit for limit in LIMITS if limit.startswith("printed") or limit in ("mains side", "energy", "spare load")
    }
    ohm = (11.9 * 0.01596 + 0.052) * (1 + 0.00393 * 20) + 2 * 0.002
    taps = np.array([12.0, 12.6])
    amps = np.linalg.solve(np.diag([7.2 + ohm] * 2) + 0.08 / 150 * np.outer(taps, taps), 1.08 * taps)
    own = {finding.where: finding.allowed for finding in report.violations if ": volts is" in finding.sentence}
    assert own == {"L1": pytest.approx(7.2 * amps[0], abs=1e-9), "L2": pytest.approx(7.2 * amps[1], abs=1e-9)}


def test_a_built_in_breaker_protects_like_a_fuse_and_costs_none() -> None:
    sketch, _ = wound()
    settings = sketch.job.model_dump()
    settings["drivers"]["w150"]["breaker_a"] = 6.0
    sketch.job = Job.model_validate(settings)
    sketch.circuits = [("C1", "D1", 1, None, 6.0), ("C2", "D1", 2, None, 6.0)]
    data = make(sketch)
    assert data["cost"]["fuses"] == 0.0
    assert [finding.sentence for finding in judge(sketch, data).violations] == []


def test_loads_of_other_kinds_on_ac() -> None:
    # Power on ac draws P / (V x 0.6), current P / nominal whatever the volts: the sweep of make.py against Newton.
    for load in ("power", "current"):
        sketch, _ = wound()
        settings = sketch.job.model_dump()
        settings["lamps"]["halogen"] |= {"load": load, "watts": 12.0}
        sketch.job = Job.model_validate(settings)
        assert [finding.sentence for finding in judge(sketch, make(sketch)).violations] == []


def test_a_crossing_is_paid_half_at_each_border() -> None:
    # 2 m of paving at 40 and half of 12 at each end; the sleeve beside it costs one pull.
    _, data = paving()
    price = {trench["id"]: trench["price"] for trench in data["trenches"]}
    assert price["T6"] == 92.0
    assert price["T3"] == 3.0


def test_lengths_follow_the_slope_and_a_run_is_cut_as_one() -> None:
    # 3-4-5: (8, 6) and (8, 6) are 10 m each. Uncut at J1: 10.3 + 1.2 = 11.5 m and 10.3 + 0.4 = 10.7 m.
    _, data = slope()
    assert [cable["route_m"] for cable in data["cables"]] == [10.0, 10.0]
    assert [cable["cut_m"] for cable in data["cables"]] == [11.5, 10.7]
    # Half of K2 lies on mulch of depth 0, in the sun.
    assert data["cables"][1]["sun_m"] == 5.0


def test_the_tightest_case_of_a_limit_is_shown() -> None:
    sketch, data = slope()
    report = judge(sketch, data)
    # Lead reach: 1.2 - 0.3 - 0.1 - 0 - 0.15 + 0.1 = 0.75 m, all of it used.
    found = line(report, "lead reach")
    assert (found.where, found.value) == ("L2", 0.75)
    assert found.margin == pytest.approx(0, abs=1e-9)
    found = line(report, "mains clearance")
    assert found.where == "K1"
    assert found.allowed == 0.3


def test_a_limit_without_a_case_says_so() -> None:
    sketch, data = pond()
    found = line(judge(sketch, data), "sleeve capacity")
    assert found.sentence == "no more cables in a sleeve than it takes: nothing here to judge"


def test_the_bound_is_not_claimed_to_be_proved() -> None:
    sketch, data = pond()
    assert any(note.startswith("The bound is not proved here") for note in judge(sketch, data).notes)
    data["bound"] = data["gap"] = None
    report = judge(sketch, data)
    assert report.holds
    assert any("states no bound" in note for note in report.notes)


def test_overrides_are_noted() -> None:
    sketch, data = pond()
    data["job"]["overrides"] = {"voltage.max_drop": "5 %"}
    assert any("OVERRIDDEN" in note and "voltage.max_drop = 5 %" in note for note in judge(sketch, data).notes)
