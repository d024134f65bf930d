"""Whole jobs in which one limit decides: just kept, and just broken. Numbers that can be done in the head."""

from __future__ import annotations

import cmath
import math
from collections.abc import Iterator
from functools import cache

import pytest

from optimiser.check import check_plan
from optimiser.documents.summary import summary
from optimiser.ground import build_ground
from optimiser.job import Cable
from optimiser.make_plan import Options, make_plan
from optimiser.plan.model import Plan
from optimiser.problems import NoFeasibleLayout
from optimiser.search.facts import gather_facts
from tests.brief_search import brief_search
from tests.properties.random_jobs import folder_of

JOB = """title = "limits"
base_ground = "lawn"
[grounds]
lawn = {{ per_m = 10{lawn} }}
[voltage]
max_drop = "20 %"
[lamps]
spike = {{ watts = 8, volts = 12, window_v = [9, 15]{lamp} }}
[cables]
"1.5" = {{ mm2 = 1.5, price_per_m = 1 }}
"2.5" = {{ mm2 = 2.5, price_per_m = 2 }}
[drivers]
d = {{ taps_v = [12], rated_w = 60, limit_a = 6, limit_mode = "hiccup", short_rms_a = 2, price = 50{driver} }}
[supplies]
S1 = {{ {supply} }}
S2 = {{ {supply} }}
[joints.kits]
k = {{ max_ways = 6, price = 5 }}
[rules]
{rules}
"""
SURVEY = "point,kind,of,x,y\nS1,supply,,0,0\nS2,supply,,0,6\n" + "".join(
    f"L{i + 1},lamp,spike,{3 + i},{0 if i % 2 else 1}\n" for i in range(6)
)


@pytest.fixture(scope="module", autouse=True)
def one_round() -> Iterator[None]:
    """Whatever is planned here is planned briefly."""
    with brief_search():
        yield


@cache
def planned(
    lamp: str = "", driver: str = "", supply: str = "price = 7", rules: str = "", lawn: str = "", effort: float = 0.02
) -> Plan:
    """Six lamps of 8 W beside each other: 48 W and what the cables take. Not to be changed."""
    folder = folder_of(JOB.format(lamp=lamp, driver=driver, supply=supply, rules=rules, lawn=lawn), SURVEY)
    plan = make_plan(folder, Options(effort=effort))
    report = check_plan(plan, folder.job, folder.survey, folder.digest)
    assert report.holds, [finding.sentence for finding in report.violations]
    return plan


def test_start_of_the_lamps_asks_for_more_drivers() -> None:
    """Six lamps of 10 A: a driver that starts 60 A carries them all, one of 59 A needs a second."""
    free = {"driver": ", loading_pct = 100, start_a = 60", "lamp": ", inrush_a = 10"}
    plan = planned(**free)
    assert [driver.start_a for driver in plan.drivers] == [60.0]
    plan = planned(**free | {"driver": ", loading_pct = 100, start_a = 59"})
    assert sorted(driver.start_a or 0 for driver in plan.drivers) in ([10.0, 50.0], [20.0, 40.0], [30.0, 30.0])
    plan = planned(lamp=", input_uf = 100", driver=", loading_pct = 100, start_uf = 599", rules="growth = 0")
    assert len(plan.drivers) == 2


def test_spare_load_counts_at_the_start() -> None:
    """Six lamps of 10 A and a tenth more are 66 A."""
    asked = {"lamp": ", inrush_a = 10", "rules": "growth = 10"}
    for start_a, drivers in ((66, 1), (65, 2)):
        assert len(planned(driver=f", loading_pct = 100, start_a = {start_a}", **asked).drivers) == drivers


def test_outlets_that_share_a_driver_share_its_start() -> None:
    """Circuits of 2 A at most: two of three lamps (2.0 A and more) are too much, so three circuits of two lamps."""
    driver = ", outlets = 4, outlet_a = 1.9, loading_pct = 100"
    assert len(planned(lamp=", inrush_a = 10", driver=driver + ", start_a = 60").drivers) == 1
    plan = planned(lamp=", inrush_a = 10", driver=driver + ", start_a = 40", effort=0.2)
    assert len(plan.drivers) == 2
    assert all((driver.start_a or 0) <= 40 for driver in plan.drivers)


def test_spare_load_asks_for_a_second_driver() -> None:
    """
    48 W and some loss on a driver that may carry 60 W leave room for a tenth more, not for a quarter.

    48 x 1.25 = 60 W at the lamps alone.
    """
    free = {"driver": ", loading_pct = 100"}
    plan = planned(**free, rules='growth = "10 %"')
    assert len(plan.drivers) == 1
    assert plan.drivers[0].grown_w is not None
    assert 48 * 1.1 < plan.drivers[0].grown_w <= 60
    assert 48 < plan.drivers[0].load_w < plan.drivers[0].grown_w
    assert plan.circuits[0].grown_amps == pytest.approx(plan.drivers[0].grown_w / 12, abs=0.001)
    assert all((lamp.grown_low_v or 0) < lamp.low_v for lamp in plan.lamps)
    assert all((lamp.grown_v or 0) < lamp.volts for lamp in plan.lamps)
    assert [rule.value for rule in plan.rules if rule.name == "spare load"] == [
        "10 % on every circuit: the limits hold with all lamps drawing so much more"
    ]
    text = " ".join(summary(plan, out="x").split())
    assert "Spare load: 10 % on every circuit" in text
    plan = planned(**free, rules="growth = 25")
    assert len(plan.drivers) == 2


def test_without_spare_load_nothing_of_it_is_printed() -> None:
    plan = planned(driver=", loading_pct = 100")
    assert {driver.grown_w for driver in plan.drivers} == {circuit.grown_amps for circuit in plan.circuits} == {None}
    assert {lamp.grown_v for lamp in plan.lamps} == {lamp.grown_low_v for lamp in plan.lamps} == {None}
    assert not [rule for rule in plan.rules if rule.name in ("spare load", "ratings of cables", "aiming")]


def test_inrush_of_the_drivers_spreads_them_over_supply_points() -> None:
    """Two drivers (80 % of 60 W are 48 W, less than lamps and loss) of 30 A each: one timer switches 60 A, or 59 A."""
    plan = planned(driver=", inrush_a = 30", supply="price = 7, inrush_a = 60")
    assert len(plan.drivers) == 2
    assert plan.mains is not None
    assert [(p.supply, p.inrush_a, p.inrush_limit_a) for p in plan.mains.supplies] == [("S1", 60.0, 60.0)]
    plan = planned(driver=", inrush_a = 30", supply="price = 7, inrush_a = 59")
    assert plan.mains is not None
    assert [(p.supply, p.inrush_a) for p in plan.mains.supplies] == [("S1", 30.0), ("S2", 30.0)]
    assert "inrush 30 of 59 A" in summary(plan, out="x")


def test_too_little_inrush_for_the_fewest_drivers_is_proven() -> None:
    """Six lamps of 24 W (144 W) need three drivers of 60 W; two timers switch one each."""
    job = JOB.format(
        lamp="", driver=", inrush_a = 30, loading_pct = 100", supply="inrush_a = 40", rules="", lawn=""
    ).replace("watts = 8", "watts = 24")
    with pytest.raises(NoFeasibleLayout) as caught:
        make_plan(folder_of(job, SURVEY), Options(effort=0.02))
    assert caught.value.proven
    assert caught.value.obstacles[0].what == "the lamps need at least 3 drivers and the supply points take 2"


def warned(plan: Plan, words: str) -> bool:
    return any(words in warning for warning in plan.warnings)


def test_start_that_nobody_states_is_warned_of_above_70_per_cent() -> None:
    """48 W on 60 W are 80 %; on 90 W 53 %."""
    words = "the start current of its lamps is not stated"
    assert warned(planned(driver=", loading_pct = 100"), words)
    assert warned(planned(driver=", loading_pct = 100, start_a = 60"), words)  # the lamps do not say
    assert not warned(planned(lamp=", inrush_a = 10", driver=", loading_pct = 100, start_a = 60"), words)
    words = "The timer or dimmer at S1 carries 9"
    # 24 W or so over 0.85 and 0.9 are some 32 VA a driver, 64 VA in all: 92 % of 0.3 A x 230 V.
    plan = planned(supply="price = 7, timer_a = 0.3")
    assert warned(plan, words)
    assert not warned(planned(driver=", inrush_a = 20", supply="price = 7, timer_a = 0.3, inrush_a = 40"), words)


@pytest.mark.parametrize(
    ("kind", "deep", "says"),
    [
        ("no_dig", 0.7, "Lamp L1 stands 0.70 m inside no-dig zone 'slab': make sure that it belongs there"),
        ("no_dig", 0.2, ""),  # within rules.border_tolerance_m, 0.3 m
        ("pond", 0.7, ""),
    ],
)
def test_a_lamp_deep_in_a_no_dig_zone_is_warned_of_unless_it_is_water(kind: str, deep: float, says: str) -> None:
    lamp = "watts = 8, volts = 12, submersible = true, lead_m = 3"
    job = JOB.format(lamp="", driver="", supply="", rules="", lawn="").replace("watts = 8, volts = 12", lamp)
    job = job.replace("[lamps", f"[grounds.slab]\nkind = '{kind}'\n[zones]\nslab = {{ ground = 'slab' }}\n[lamps", 1)
    place = next(line for line in SURVEY.splitlines() if line.startswith("L1,"))
    x, y = map(float, place.split(",")[3:5])
    corners = [(x - 1, y - deep), (x + 1, y - deep), (x + 1, y + 1), (x - 1, y + 1)]
    zone = "".join(f",corner,slab,{a},{b}\n" for a, b in corners)
    found = [w for w in make_plan(folder_of(job, SURVEY + zone), Options(effort=0.02)).warnings if "stand" in w]
    assert [w[: len(says)] for w in found] == ([says] if says else [])


@pytest.mark.parametrize(
    ("rule", "off_m", "says"),
    [
        ("strict", 2.0, "Lamp L3 stands 0.4"),  # a 32-gon round a circle of 12 x 0.2 m
        ("strict", 2.2, ""),  # within rules.border_tolerance_m
        ("strict", 0.05, "Lamp L3 stands 0.05 m inside the trunk of tree 'oak'"),  # in its roots as well
        ("careful", 2.0, ""),
    ],
)
def test_a_lamp_deep_among_no_dig_roots_is_warned_of(rule: str, off_m: float, says: str) -> None:
    job = JOB.format(lamp=", lead_m = 5", driver="", supply="price = 7", rules="", lawn="")
    tree = f"oak,tree,,5,{1 + off_m},200\n"
    survey = SURVEY.replace("x,y\n", "x,y,stem_mm\n").replace("S1,supply,,0,0", "S1,supply,,0,-2")
    survey = "".join(line + ("," if "," in line and "stem_mm" not in line else "") + "\n" for line in survey.split())
    plan = make_plan(folder_of(job + f"[trees]\nrule = '{rule}'\n", survey + tree), Options(effort=0.02))
    found = [warning for warning in plan.warnings if "L3 stands" in warning]
    assert [warning[: len(says)] for warning in found] == ([says] if says else [])


def test_hot_ground_asks_for_thicker_cable() -> None:
    """
    16 A of 1.5 mm² (60 °C copper, rated at 30 °C) are 16 x √(10 / 30) = 9.2 A in ground of 50 °C, 5.8 A at 56 °C.

    The driver limits at 6 A.
    """
    assert {cable.cable for cable in planned(rules="ground_c = 50").cables} == {"1.5"}
    plan = planned(rules="ground_c = 56")
    assert {cable.cable for cable in plan.cables} == {"2.5"}
    assert [rule.value for rule in plan.rules if rule.name == "ratings of cables"] == [
        "for 56 °C ground at the hottest"
    ]


def test_hot_air_counts_for_cable_on_the_surface_only() -> None:
    assert {cable.cable for cable in planned(rules="air_c = 56").cables} == {"1.5"}
    plan = planned(rules="air_c = 56\nmin_buried_mm2 = 0", lawn=", depth_mm = 0")
    assert all(cable.sun_m > 0 for cable in plan.cables)
    assert {cable.cable for cable in plan.cables} == {"2.5"}


# Two single-core cables in one row, clipped direct, in surroundings of 30 °C (the temperature from memory): BS 7671
# table 4D1A method 1 (PVC, 70 °C; seen in a copy) and a cable maker's table for XLPE at 90 °C, by size in mm².
PVC_70 = {1: 15.5, 1.5: 20, 2.5: 27, 4: 37, 6: 47, 10: 65, 16: 87}
XLPE_90 = {1: 19, 1.5: 25, 2.5: 34, 4: 46, 6: 59, 10: 81, 16: 109}


@pytest.mark.parametrize("mm2", PVC_70)
def test_ratings_go_with_the_root_of_how_much_hotter_copper_may_be(mm2: float) -> None:
    """Copper of 90 °C in surroundings of 50 °C may rise by 40 K, as copper of 70 °C may in 30 °C."""
    xlpe = Cable.model_validate({"mm2": mm2, "price_per_m": 1, "rating_a": XLPE_90[mm2], "max_c": 90})
    assert xlpe.rating * xlpe.derating(50) == pytest.approx(PVC_70[mm2], rel=0.04)


def test_derating_by_hand() -> None:
    cable = Cable.model_validate({"mm2": 2.5, "price_per_m": 1})
    assert cable.hottest_c == 60
    assert cable.derating(None) == cable.derating(30) == cable.derating(-5) == 1
    assert cable.derating(45) == pytest.approx(math.sqrt(0.5))
    assert cable.derating(60) == cable.derating(75) == 0
    pvc = Cable.model_validate({"mm2": 2.5, "price_per_m": 1, "rating_a": 24, "rated_c": 20})
    assert (pvc.hottest_c, pvc.derating(40)) == (70, pytest.approx(math.sqrt(30 / 50)))
    assert Cable.model_validate({"mm2": 6, "price_per_m": 1}).hottest_c == 70


def test_on_ac_the_high_volts_are_not_below_the_phasors() -> None:
    """
    One lamp of 10 W at a power factor of 0.6 behind 30 m of 1.5 mm²; its volts alone by complex arithmetic.

    Drops added as numbers come out too low at the window's upper end, where too low is unsafe: the check refuses a plan
    that prints them, and one whose window the lamp leaves.
    """
    job = JOB.replace("watts = 8", "watts = 10").format(
        lamp=', supply = "ac", power_factor = 0.6', driver=', output = "ac", tol_pct = 0', supply="", rules="", lawn=""
    )
    folder = folder_of(job, "point,kind,of,x,y\nS1,supply,,0,0\nL1,lamp,spike,30,0\n")
    plan = make_plan(folder, Options(effort=0.05))
    lamp, (cable,) = plan.lamps[0], plan.cables
    loop_20 = {"1.5": 2 * 0.0133, "2.5": 2 * 0.00798}[cable.cable]  # IEC 60228, class 5
    ohm = (cable.cut_m * loop_20 + 2 * 0.026 * lamp.lead_m) * (1 + 0.00393 * (-10 - 20)) + 2 * 0.002
    volts, turn = 12 + 0j, cmath.exp(-1j * math.acos(0.6))
    for _ in range(500):
        volts = 0.5 * volts + 0.5 * (12 - ohm * 10 / 0.6 / abs(volts) * volts / abs(volts) * turn)
    as_numbers = (12 + math.sqrt(144 - 4 * ohm * 10 / 0.6)) / 2
    assert as_numbers < abs(volts) - 0.1
    assert abs(volts) - 0.001 <= lamp.high_v <= abs(volts) + 0.1

    def broken(printed_v: float, window_v: tuple[float, float]) -> set[str]:
        spoiled = plan.model_copy(update={"lamps": [lamp.model_copy(update={"high_v": printed_v})]})
        kind = folder.job.lamps["spike"].model_copy(update={"window_v": window_v})
        judged = folder.job.model_copy(update={"lamps": {"spike": kind}})
        return {finding.limit for finding in check_plan(spoiled, judged, folder.survey, folder.digest).violations}

    assert broken(lamp.high_v, (9, 15)) == set()
    assert "printed volts" in broken(round(as_numbers, 3), (9, 15))
    between = (as_numbers + abs(volts)) / 2
    assert "window high" in broken(lamp.high_v, (9, between))


@pytest.mark.parametrize(("load", "served"), [("power", 12 - 0.1 * 10 / 12), ("current", 12 - 0.1 * 10 / 12)])
def test_the_search_serves_no_lamp_that_may_get_too_much(load: str, served: float) -> None:
    """
    A lead of 0.1 ohm takes watts / volts x ohm off a constant power's 12 V, and as much off a constant current's, whose
    active part is watts / nominal volts: with the window's upper end just above what is left the lamp is served, just
    below it is not.
    """
    at_20 = 0.1 / (2 * 0.026)  # metres of class 5, 0.75 mm²
    for over_v, serves in ((0.01, True), (-0.01, False)):
        kind = f'load = "{load}", supply = "ac", power_factor = 0.6, lead_m = {at_20}'
        text = JOB.replace("watts = 8", "watts = 10").replace("[9, 15]", f"[9, {served + over_v}]")
        text = text.replace('max_drop = "20 %"', 'max_drop = "20 %"\ncold_c = 20')
        job = text.format(lamp=", " + kind, driver=', output = "ac", tol_pct = 0', supply="", rules="", lawn="")
        folder = folder_of(job, SURVEY)
        facts = gather_facts(
            folder.job, folder.survey, build_ground(folder.job, folder.survey, file="survey.csv").graph
        )
        assert bool(facts.feeds) == serves
