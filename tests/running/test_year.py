"""Whole plans: a year's energy by hand, the mains side by hand, and timers and dimmers that decide where drivers go."""

from __future__ import annotations

import math

import pytest

from optimiser.check import check_plan
from optimiser.documents.folder import plan_json
from optimiser.documents.summary import WIDTH, summary
from optimiser.make_plan import Options, make_plan
from optimiser.plan.model import Plan
from optimiser.problems import NoFeasibleLayout
from tests.properties.random_jobs import folder_of

JOB = """
title = "garden path"
currency = "EUR"
[voltage]
hot_c = 20
[grounds]
lawn = { per_m = 10 }
[lamps]
spike = { watts = 12, volts = 12, window_v = [10, 13], lead_m = 1 }
[cables]
"2.5" = { mm2 = 2.5, price_per_m = 2 }
[drivers.small]
taps_v = [12]
rated_w = 30
limit_a = 3
efficiency_pct = 80
standby_w = 1
input_power_factor = 0.5
price = 50
[joints]
end_ohm = 0
[joints.kits]
four = { max_ways = 4, price = 5 }
"""
ONE = "point,kind,of,x,y\nS1,supply,,0,0\nL1,lamp,spike,10,0\n"
EVENINGS = '[schedule]\non = "18:00"\noff = "23:00"\nprice_per_kwh = 0.4\n'
BERLIN = '[place]\nlatitude = 52.5\nlongitude = 13.4\ntime_zone = "Europe/Berlin"\n'


def planned(job: str, survey: str = ONE) -> Plan:
    folder = folder_of(job, survey)
    plan = make_plan(folder, Options(effort=0.02))
    assert check_plan(plan, folder.job, folder.survey, folder.digest).violations == []
    return plan


def of_one_lamp(plan: Plan) -> tuple[float, float]:
    """
    Loss in cable and lead in W, and amps at the terminals, of one lamp of 12 W on 12 V.

    Loop resistance: twice 7.98 mohm a metre of 2.5 mm² as cut, twice 26.0 mohm of the 1 m lead (IEC 60228, class 5, at
    20 °C). V = (E + sqrt(E² - 4 R P)) / 2 at the lamp, I = P / V.
    """
    ohm = 2 * 0.00798 * sum(cable.cut_m for cable in plan.cables) + 2 * 0.0260
    amps = 12 / ((12 + math.sqrt(144 - 4 * ohm * 12)) / 2)
    return ohm * amps**2, amps


def test_energy_of_a_year_by_hand() -> None:
    plan = planned(JOB + EVENINGS)
    loss_w, _ = of_one_lamp(plan)
    assert 0.2 < loss_w < 0.3  # some 10 m of cable
    run = plan.running
    assert run is not None
    # 5 h on each of 365 nights: 1825 h. Lamps: 12 W x 1825 h = 21.9 kWh.
    assert (run.nights, run.hours, run.lamps_kwh) == (365, 1825.0, 21.9)
    assert run.cable_kwh == pytest.approx(loss_w * 1.825, abs=0.005)
    # At 80 % the driver turns a quarter of what it gives into heat.
    assert run.drivers_kwh == pytest.approx((12 + loss_w) / 4 * 1.825, abs=0.005)
    # 8760 h - 1825 h = 6935 h at 1 W.
    assert run.standby_kwh == pytest.approx(6.935, abs=0.005)
    # Together (12 + 0.25) / 0.8 x 1.825 + 6.935: about 34.9 kWh, at 0.40 about 13.95 EUR.
    assert run.total_kwh == pytest.approx((12 + loss_w) / 0.8 * 1.825 + 6.935, abs=0.02)
    assert run.cost == round(run.total_kwh * 0.4, 2)
    assert 13.8 < run.cost < 14.1
    assert run.assumed == []


def test_a_timer_that_cuts_the_mains_saves_the_standby() -> None:
    run = planned(JOB + EVENINGS + "standby = false\n").running
    assert run is not None
    assert (run.standby_kwh, run.drivers[0].standby_w) == (0, 0)


def test_dimmed_lamps_of_constant_power() -> None:
    # At 50 %: 6 W x 1825 h = 10.95 kWh; the cable's loss falls to less than a quarter, for the volts are better too.
    full, half = planned(JOB + EVENINGS).running, planned(JOB + EVENINGS + "dim_pct = 50\n").running
    assert full is not None and half is not None
    assert half.lamps_kwh == 10.95
    assert 0.23 < half.drivers[0].cable_w / full.drivers[0].cable_w < 0.25


def test_the_mains_side_by_hand() -> None:
    plan = planned(JOB + "[mains]\nvolts = 120\n[supplies]\nS1 = { timer_a = 1, dimmer_va = 40 }\n")
    loss_w, amps = of_one_lamp(plan)
    assert plan.mains is not None
    (point,) = plan.mains.supplies
    # 12 V x amps at the terminals, over 80 %: watts; over the power factor of 0.5 too: VA; over 120 V: amps.
    assert point.watts == pytest.approx((12 + loss_w) / 0.8, abs=0.005)
    assert point.va == pytest.approx(12 * amps / 0.8 / 0.5, abs=0.005)
    assert point.amps == pytest.approx(12 * amps / 0.4 / 120, abs=0.0005)
    assert (point.supply, point.timer_a, point.dimmer_va) == ("S1", 1, 40)
    assert "licensed electrician" in plan.mains.says
    assert plan.running is None


def test_a_wound_transformer_on_the_mains_counts_the_va_of_its_lamps() -> None:
    job = JOB.replace(
        "volts = 12, window_v = [10, 13]", 'volts = 12, supply = "ac", power_factor = 0.6, window_v = [9, 16]'
    )
    first, last = job.index("[drivers.small]"), job.index("[joints]")
    core = (
        '[drivers.core]\nkind = "wound"\ntaps_v = [12]\nrated_w = 60\nregulation_pct = 5\nbreaker_a = 3\nprice = 50\n'
    )
    job = job[:first] + core + job[last:]
    plan = planned(job + EVENINGS)
    (point,) = plan.mains.supplies if plan.mains else ()
    # 12 W at 0.6 are 20 VA in the lamp; real watts count the lamp's 12 W, VA its 20 VA; defaults 85 % and 0.9.
    assert point.va == pytest.approx(plan.drivers[0].load_w / 0.85 / 0.9, abs=0.01)
    assert point.va > 20 / 0.85 / 0.9
    assert 12 / 0.85 < point.watts < 20 / 0.85
    run = plan.running
    assert run is not None and run.assumed == ["core"]
    # 3 % of 60 VA for 6935 h: 1.8 W, 12.48 kWh.
    assert run.standby_kwh == 12.48


def test_a_schedule_changes_nothing_but_what_is_added() -> None:
    """Nor do dusk and dawn: the layout and its cost are those of the job without."""
    plain, sunny = planned(JOB), planned(JOB + BERLIN + '[schedule]\non = "dusk"\noff = "dawn - 30 min"\n')
    keys = (
        "cost",
        "bound",
        "drivers",
        "circuits",
        "joints",
        "cables",
        "trenches",
        "lamps",
        "cuts",
        "reels",
        "warnings",
    )
    for key in (*keys, "mains"):
        assert getattr(plain, key) == getattr(sunny, key)
    assert sunny.running is not None and sunny.running.cost is None
    assert 3300 < sunny.running.hours < 3800
    assert '"running": null' in plan_json(plain)


def test_a_schedule_that_lights_nothing_is_warned_of() -> None:
    plan = planned(JOB + BERLIN + '[schedule]\non = "23:30"\noff = "dusk + 10"\n')
    assert plan.running is not None and plan.running.hours == 0
    assert [warning for warning in plan.warnings if "lights no night of 2025" in warning]


def test_what_is_printed_of_it() -> None:
    text = summary(
        planned(JOB + EVENINGS + "dim_pct = 50\n[supplies]\nS1 = { timer_a = 4, dimmer_va = 60 }\n"), out=None
    )
    assert all(len(line) <= WIDTH for line in text.splitlines())
    block = text.split("A year's use")[1].split("\n\n")[0]
    assert block.startswith(" (365 nights, 1,825 hours, 18:00 to 23:00)\n  lamps ")
    assert "At 0.40 a kWh this costs " in block and "Lamps dimmed to 50 % of full power." in block
    assert "default" not in block
    mains = text.split("Mains side, 230 V")[1].split("\n\n")[0]
    assert "timer 4 A, dimmer 60 VA" in mains
    assert "licensed electrician" in mains


# --- timers and dimmers as limits

# Four lamps of 12 W between two supply points, all nearer to S1. A lamp's 12 W and its loss are 12 / 0.8 / 0.5 = 30 VA
# and a little: 0.13 A of 230 V.
ROW = "point,kind,of,x,y\nS1,supply,,0,0\nS2,supply,,20,0\n" + "".join(f"L{i},lamp,spike,{2 + i},0\n" for i in range(4))


@pytest.mark.parametrize(
    ("limit", "most_at_s1"), [("", 4), ("timer_a = 0.42", 3), ("timer_a = 0.28", 2), ("dimmer_va = 35", 1)]
)
def test_no_more_lamps_than_the_timer_takes(limit: str, most_at_s1: int) -> None:
    plan = planned(f"{JOB}[supplies]\nS1 = {{ {limit} }}\n", ROW)
    at_s1 = {driver.id for driver in plan.drivers if driver.supply == "S1"}
    assert sum(len(circuit.lamps) for circuit in plan.circuits if circuit.driver in at_s1) == most_at_s1
    assert plan.bound is not None and plan.bound <= plan.cost.total


def test_more_than_all_timers_take_is_an_answer() -> None:
    limits = "[supplies]\nS1 = { timer_a = 0.2 }\nS2 = { dimmer_va = 60 }\n"
    with pytest.raises(NoFeasibleLayout) as caught:
        planned(JOB + limits, ROW)
    # 4 lamps x 30 VA; 0.2 A x 230 V + 60 VA = 106 VA.
    assert caught.value.proven
    assert caught.value.obstacles[0].what == (
        "the lamps need 120 VA of the mains and the timers and dimmers of all supply points take 106 VA"
    )
    assert "timer_a" in caught.value.obstacles[0].mends[0]


def test_limits_that_only_whole_lamps_break_are_named_as_a_mend() -> None:
    # 130 VA would do for 120 VA, but 46 VA and 84 VA take one and two lamps of 30 VA: the fourth hangs nowhere.
    limits = "[supplies]\nS1 = { timer_a = 0.2 }\nS2 = { dimmer_va = 84 }\n"
    with pytest.raises(NoFeasibleLayout) as caught:
        planned(JOB + limits, ROW)
    assert not caught.value.proven
    assert any("timer_a" in mend for mend in caught.value.obstacles[0].mends)
