"""The whole method: the same bytes every time, answers in words where there is no layout, shortest trenches."""

from __future__ import annotations

import math
import os
import re
import subprocess
import sys
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from optimiser.documents.plan_file import plan_json
from optimiser.job_folder import open_job
from optimiser.make_plan import Options, make_plan
from optimiser.plan.model import Plan
from optimiser.problems import BadInput, NoFeasibleLayout, Obstacle
from optimiser.search.stopping import StopSignal
from tests.benchmarks.plain_ground import plain_ground
from tests.properties.random_jobs import folder_of

ROOT = Path(__file__).parents[1]


# -- the same bytes --------------------------------------------------------------------------------------------------

PRINT_PLAN = """
import sys
from pathlib import Path
from optimiser.documents.plan_file import plan_json
from optimiser.job_folder import open_job
from optimiser.make_plan import Options, make_plan
print(plan_json(make_plan(open_job(Path(sys.argv[1])), Options(seed=3, effort=0.01))), end="")
"""


def test_same_seed_same_bytes_whatever_the_hash_seed(cases: Path) -> None:
    """Sets and dicts keyed by strings walk in another order under another hash seed; no plan may follow them."""
    here = plan_json(make_plan(open_job(cases / "terrace"), Options(seed=3, effort=0.01)))
    again = plan_json(make_plan(open_job(cases / "terrace"), Options(seed=3, effort=0.01)))
    assert here == again
    for hash_seed in ("0", "1"):
        there = subprocess.run(
            [sys.executable, "-c", PRINT_PLAN, str(cases / "terrace")],
            env={**os.environ, "PYTHONHASHSEED": hash_seed, "PYTHONPATH": str(ROOT)},
            cwd=ROOT,
            capture_output=True,
            check=True,
            encoding="utf-8",
        )
        assert there.stdout == here


def test_a_limit_that_was_assumed_is_warned_of_once_and_for_drivers_that_are_used(cases: Path, tmp_path: Path) -> None:
    job = (cases / "terrace/job.toml").read_text("utf-8")
    mounted = 'taps_v = [12], rated_w = 60, limit_a = 6.5, limit_mode = "hiccup", short_rms_a = 2.5, price = 75 }'
    assert mounted in job
    bare = "taps_v = [12], rated_w = 60, price = 75 }"
    job = job.replace(mounted, f'{bare}\n"dear" = {{ {bare.replace("75", "950")}')
    (tmp_path / "job.toml").write_text(job, encoding="utf-8")
    (tmp_path / "survey.csv").write_bytes((cases / "terrace/survey.csv").read_bytes())
    plan = make_plan(open_job(tmp_path), Options(effort=0.02))
    assert {driver.model for driver in plan.drivers} == {"60 W"}
    [said] = [warning for warning in plan.warnings if "limit" in warning]
    assert said == "driver '60 W' has no limit_a: 7.5 A is taken, 1.5 x its rated amps; ask its maker"


@pytest.mark.filterwarnings("error")
def test_where_nothing_costs_anything_a_layout_that_holds_is_found_all_the_same(cases: Path, tmp_path: Path) -> None:
    job = re.sub(
        r"(per_m|price_per_m|price|labour) = [\d.]+", r"\1 = 0", (cases / "terrace/job.toml").read_text("utf-8")
    )
    (tmp_path / "job.toml").write_text(job, "utf-8")
    (tmp_path / "survey.csv").write_bytes((cases / "terrace/survey.csv").read_bytes())
    plan = make_plan(open_job(tmp_path), Options(effort=0.02))
    assert plan.cost.total == plan.bound == 0 and len(plan.lamps) == 6


def test_another_seed_is_another_search_with_the_same_job() -> None:
    job = JOB.format(watts=5, window="10.8, 13.2", mm2=1.5, limit=HICCUP, max_drivers=4)
    folder = folder_of(job, "point,kind,of,x,y\n" + NEAR)
    plans = [make_plan(folder, Options(seed=seed, effort=0.01)) for seed in (1, 2)]
    assert [plan.seed for plan in plans] == [1, 2]
    assert plans[0].job.digest == plans[1].job.digest


# -- what stands in the way ------------------------------------------------------------------------------------------

JOB = """
title = "in the way"
[grounds]
lawn = {{ per_m = 10 }}
[lamps]
spike = {{ watts = {watts}, volts = 12, window_v = [{window}] }}
[cables]
thin = {{ mm2 = {mm2}, price_per_m = 2 }}
[drivers]
box = {{ taps_v = [12], rated_w = 60, {limit}, price = 50 }}
[supplies]
S1 = {{ max_drivers = {max_drivers} }}
[joints]
end_ohm = 0.002
[joints.kits]
four = {{ max_ways = 4, price = 6 }}
"""
HICCUP = 'limit_a = 7, limit_mode = "hiccup", short_rms_a = 2'
NEAR = "S1,supply,,0,0\nL1,lamp,spike,5,0\nL2,lamp,spike,5,4\n"


def in_the_way(
    survey: str,
    *,
    watts: float = 5,
    window: str = "10.8, 13.2",
    mm2: float = 1.5,
    limit: str = HICCUP,
    max_drivers: int = 4,
    num_drivers: int | None = None,
    more: str = "",
) -> NoFeasibleLayout:
    job = JOB.format(watts=watts, window=window, mm2=mm2, limit=limit, max_drivers=max_drivers)
    folder = folder_of(job + more, "point,kind,of,x,y\n" + survey)
    with pytest.raises(NoFeasibleLayout) as raised:
        make_plan(folder, Options(effort=0.01, num_drivers=num_drivers))
    return raised.value


def far_volts(route_m: float, watts: float, mm2_ohm: float) -> float:
    """
    Volts of one constant-power lamp at 11.76 V (12 V less 2 %): (E + sqrt(E² - 4 R P)) / 2.

    R: both cores of the cut (3 % slack, 1.2 m at the driver, 0.4 m at the joint) and of the lead of 1 m of 0.75 mm² at
    40 °C, and two ends of 2 milliohm. Core resistances at 20 °C: IEC 60228 class 5.
    """
    warm = 1 + 0.00393 * 20
    cut = 1.03 * route_m + 1.2 + 0.4
    ohm = 2 * warm * (mm2_ohm * cut + 0.026 * 1.0) + 0.004
    return (11.76 + math.sqrt(11.76**2 - 4 * ohm * watts)) / 2


def test_a_lamp_too_far_is_named_with_its_volts_and_how_near_would_do() -> None:
    """10 W behind some 60 m of 1.5 mm² (13.3 ohm/km, IEC 60228 class 5); the window's 10.8 V binds, 4 mm² would do."""
    answer = in_the_way("S1,supply,,0,0\nL1,lamp,spike,2,0\nL2,lamp,spike,60,0\n", watts=10)
    assert answer.proven
    (far,) = answer.obstacles
    found = re.search(r"lamp (\w+) would get ([\d.]+) V and needs ([\d.]+) V", far.what)
    assert found is not None
    assert found[1] == "L2"
    assert float(found[3]) == 10.8
    way = re.search(r"shortest way \(([\d.]+) m from S1\)", far.detail)
    assert way is not None
    assert 59.0 < float(way[1]) < 60.0  # the lead reaches back towards the supply point
    assert float(found[2]) == pytest.approx(far_volts(float(way[1]), 10, 0.0133), abs=0.02)
    near = next(float(m[1]) for mend in far.mends if (m := re.search(r"supply point within ([\d.]+) m", mend)))
    assert far_volts(near, 10, 0.0133) >= 10.8
    assert far_volts(near + 0.1, 10, 0.0133) < 10.8
    thicker = next(m for mend in far.mends if (m := re.search(r"a ([\d.]+) mm² cable .*\(([\d.]+) V", mend)))
    assert far_volts(float(way[1]), 10, 0.00798) < 10.8  # 2.5 mm² would not
    assert float(thicker[1]) == 4.0
    assert float(thicker[2]) == pytest.approx(far_volts(float(way[1]), 10, 0.00495), abs=0.02)


def test_the_mend_mends() -> None:
    """With the supply point as near as the answer says, there is a plan; a metre farther there is none."""
    answer = in_the_way("S1,supply,,0,0\nL1,lamp,spike,60,0\n", watts=10)
    near = next(float(m[1]) for mend in answer.obstacles[0].mends if (m := re.search(r"within ([\d.]+) m", mend)))
    job = JOB.format(watts=10, window="10.8, 13.2", mm2=1.5, limit=HICCUP, max_drivers=4)
    header = "point,kind,of,x,y\n"
    folder = folder_of(job, f"{header}S1,supply,,0,0\nL1,lamp,spike,{near:.1f},0\n")
    assert make_plan(folder, Options(effort=0.01)).lamps[0].low_v >= 10.8
    in_the_way(f"S1,supply,,0,0\nL1,lamp,spike,{near + 1:.1f},0\n", watts=10)


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"window": "12.5, 14"}, "no tap keeps a lamp inside: box at 12 V gives 11.76 V to 12.24 V"),
        ({"watts": 50, "mm2": 6}, "box may be loaded with 48.00 W"),
        # A driver that holds 25 A behind 16 A cable; the only fuse, 10 A, opens at 3 x 10 A, which never flow.
        (
            {"limit": 'limit_a = 25, limit_mode = "hold"', "more": "[fuses]\nratings_a = [10]\n"},
            "it opens at 30 A and the driver limits at 25 A",
        ),
    ],
)
def test_what_contradicts_itself_is_refused_before_the_search(changes: dict[str, Any], words: str) -> None:
    with pytest.raises(BadInput) as refused:
        in_the_way(NEAR, **changes)
    (problem,) = refused.value.problems
    assert words in problem.found


def test_a_window_that_a_cable_might_yet_meet_is_not_called_impossible() -> None:
    """11.76 … 12.24 V against 11 … 12.2 V: too high at the driver, but a little cable takes 40 mV off."""
    answer = in_the_way(NEAR, window="11, 12.2")
    assert not answer.proven


def test_too_much_load_is_said_in_watts() -> None:
    """Twelve lamps of 10 W on two drivers of 60 W loaded to 80 %: 96 W of 120."""
    lamps = "".join(f"L{i},lamp,spike,{i},{2 + i % 3}\n" for i in range(12))
    answer = in_the_way("S1,supply,,0,0\n" + lamps, watts=10, max_drivers=2, mm2=6)
    assert answer.proven
    said = " ".join(f"{obstacle.what} {obstacle.detail}" for obstacle in answer.obstacles)
    assert "at least 3 drivers" in said
    assert "take 2" in said
    assert any("max_drivers" in mend for obstacle in answer.obstacles for mend in obstacle.mends)


@pytest.mark.parametrize(("asked", "says"), [(3, "there are 2 lamps"), (5, "the supply points take 4")])
def test_more_drivers_than_can_be_are_refused(asked: int, says: str) -> None:
    answer = in_the_way(NEAR, num_drivers=asked)
    assert answer.proven
    assert any(f"{asked} drivers were asked for" in o.what for o in answer.obstacles)
    assert any(says in o.what for o in answer.obstacles)


def test_fewer_drivers_than_the_load_needs_are_refused() -> None:
    lamps = "".join(f"L{i},lamp,spike,{i},2\n" for i in range(1, 7))
    answer = in_the_way("S1,supply,,0,0\n" + lamps, watts=10, num_drivers=1, mm2=6)
    assert answer.proven
    assert any("at least 2 drivers and 1 driver was asked for" in o.what for o in answer.obstacles)


def test_a_circuit_that_nothing_protects_is_proven_and_named() -> None:
    """The only fuse, 10 A, opens at 30 A: a short behind 30 m of 1.5 mm² (0.9 ohm or so, warm) draws 13 A at most."""
    far = "S1,supply,,0,0\nL1,lamp,spike,30,2\nL2,lamp,spike,30,-2\n"
    answer = in_the_way(far, limit='limit_a = 40, limit_mode = "hold"', more="[fuses]\nratings_a = [10]\n")
    assert answer.proven
    assert "protects" in answer.obstacles[0].what
    assert "L1, L2" in answer.obstacles[0].what
    assert "a short at the worst far end draws 1" in answer.obstacles[0].detail


# 46 W on a driver that may be loaded with 80 % of 60 W: 2 W are left for the cable and the lead.
HEAVY = {"watts": 46, "window": "9, 13.2", "mm2": 4}
BEHIND = "S1,supply,,0,0\nL1,lamp,spike,7,0\n"


def heavy_load(cut_m: float, watts: float, core_ohm: float, end_ohm: float = 0.004) -> float:
    """Watts at the driver of a constant power at 12 V behind cut and lead (1 m of 0.75 mm²), at 40 °C: P + R I²."""
    ohm = 2 * (1 + 0.00393 * 20) * (core_ohm * cut_m + 0.026 * 1.0) + end_ohm
    amps = (12 - math.sqrt(12**2 - 4 * ohm * watts)) / (2 * ohm)
    return watts + ohm * amps**2


def test_a_lamp_that_its_cables_loss_makes_too_heavy_is_named_and_proven() -> None:
    answer = in_the_way(BEHIND, **HEAVY)
    assert answer.proven
    (heavy,) = answer.obstacles
    said = re.search(r"lamp L1 would load the box at S1 with ([\d.]+) W, ([\d.]+) W more than .* of 48 W", heavy.what)
    way = re.search(r"shortest way \(([\d.]+) m\): 46.00 W for the lamp and ([\d.]+) W lost", heavy.detail)
    assert said is not None and way is not None
    assert "80 % of 60 W" in heavy.detail
    # 4 mm²: 4.95 ohm/km, IEC 60228 class 5; 3 % slack, 1.2 m at the driver, 0.4 m at the joint
    assert float(said[1]) == pytest.approx(heavy_load(1.03 * float(way[1]) + 1.6, 46, 0.00495), abs=0.02)
    assert float(said[2]) == pytest.approx(float(said[1]) - 48, abs=0.011)
    assert float(way[2]) == pytest.approx(float(said[1]) - 46, abs=0.011)


def planned_with(job: str, survey: str, num_drivers: int | None = None) -> Plan:
    folder = folder_of(job, "point,kind,of,x,y\n" + survey)
    return make_plan(folder, Options(effort=0.01, num_drivers=num_drivers))


def mend_of(obstacle: Obstacle, pattern: str) -> str:
    """What the first mend that fits the pattern states."""
    return next(m[1] for mend in obstacle.mends if (m := re.search(pattern, mend)))


def test_every_mend_of_a_lamp_too_heavy_mends() -> None:
    (heavy,) = in_the_way(BEHIND, **HEAVY).obstacles
    job = JOB.format(limit=HICCUP, max_drivers=4, **HEAVY)
    rated, loading, size, near = (
        mend_of(heavy, pattern)
        for pattern in (r"of (\d+) W or more", r"limit of (\d+) % or more", r"a ([\d.]+) mm²", r"within ([\d.]+) m")
    )
    for changed, survey in (
        (job.replace("rated_w = 60", f"rated_w = {rated}"), BEHIND),
        (job.replace("rated_w = 60", f"rated_w = 60, loading_pct = {loading}"), BEHIND),
        (job.replace("mm2 = 4", f"mm2 = {size}"), BEHIND),
        (job, BEHIND.replace("7,0", f"{near},0")),
    ):
        assert len(planned_with(changed, survey).lamps) == 1
    less = job.replace("rated_w = 60", f"rated_w = {int(rated) - 1}")
    with pytest.raises(NoFeasibleLayout):
        planned_with(less, BEHIND)


# Four lamps of 5 W in two dim groups: 20 W on a driver that may be loaded with 48 W.
GROUPED = "point,kind,of,x,y,group\nS1,supply,,0,0,\n" + "".join(
    f"L{i},lamp,spike,{3 + i},{i % 2},{'front' if i < 2 else 'back'}\n" for i in range(4)
)


def grouped(job: str, num_drivers: int | None = 1, survey: str = GROUPED, **stop: float) -> Plan:
    signal = StopSignal(stop["time_limit_s"]) if stop else None
    return make_plan(folder_of(job, survey), Options(effort=0.01, num_drivers=num_drivers), stop=signal)


def grouped_job(**changes: Any) -> str:
    return JOB.format(**{"watts": 5, "window": "10.8, 13.2", "mm2": 1.5, "limit": HICCUP, "max_drivers": 4} | changes)


def test_dim_groups_that_force_drivers_are_named_and_only_mends_that_help_are_offered() -> None:
    with pytest.raises(NoFeasibleLayout) as raised:
        grouped(grouped_job())
    assert raised.value.proven
    (obstacle,) = raised.value.obstacles
    assert obstacle.what == "the lamps need at least 2 drivers and 1 driver was asked for"
    assert "each of 'back' and 'front' wants a driver of its own" in obstacle.detail
    assert "all lamps together need 20" in obstacle.detail and "loaded with 48 W" in obstacle.detail
    assert [mend.split(" (")[0] for mend in obstacle.mends] == [
        "at least 2 drivers", "one dim group instead of 2", "a driver whose outlets are independent"
    ]  # fmt: skip
    independent = grouped_job().replace("rated_w = 60", "rated_w = 60, outlets = 2, independent_outlets = true")
    for plan, count in (
        (grouped(grouped_job(), 2), 2),
        (grouped(grouped_job(), 1, GROUPED.replace("front", "back")), 1),
        (grouped(independent), 1),
    ):
        assert len(plan.drivers) == count


MIXING = (
    '[drivers]\ntwin = {{ taps_v = [12], rated_w = {rated}, outlets = {outlets}, independent_outlets = true, '
    'limit_a = 4, limit_mode = "hiccup", short_rms_a = 2, price = 30 }}'
)  # fmt: skip


@pytest.mark.parametrize(
    ("rated", "outlets", "limits"), [(15, 2, "12 W at most, 2 outlets"), (60, 1, "48 W at most, 1 outlet")]
)
def test_a_driver_that_mixes_dim_groups_and_cannot_take_all_is_named(rated: int, outlets: int, limits: str) -> None:
    """Two groups of 10 W: the box has the load and serves one group, the twin serves both and has too little for them.

    As long as any driver mixed groups, all were taken to, and a search was made that could find nothing.
    """
    job = grouped_job().replace("[drivers]", MIXING.format(rated=rated, outlets=outlets))
    with pytest.raises(NoFeasibleLayout) as raised:
        grouped(job)
    assert raised.value.proven
    (obstacle,) = raised.value.obstacles
    assert obstacle.what == "the lamps need at least 2 drivers and 1 driver was asked for"
    assert f"only the twin ({limits}) serves several dim groups at once" in obstacle.detail
    assert re.search(r"'back' and 'front' together load drivers with 20(\.\d)? W at least", obstacle.detail)
    assert "The load is not the reason" not in obstacle.detail
    assert [mend.split(" (")[0] for mend in obstacle.mends] == [
        "at least 2 drivers", "one dim group instead of 2", "a driver whose outlets are independent"
    ]  # fmt: skip
    enough_w = float(mend_of(obstacle, r"one for each dim group, that may be loaded with ([\d.]+) W or more"))
    better = MIXING.format(rated=math.ceil(enough_w / 0.8) + 1, outlets=2)
    for plan, count in (
        (grouped(job, 2), 2),
        (grouped(job, 1, GROUPED.replace("front", "back")), 1),
        (grouped(grouped_job().replace("[drivers]", better)), 1),
    ):
        assert len(plan.drivers) == count


def test_lamps_that_a_driver_of_several_groups_does_not_feed_are_named() -> None:
    """The twin gives ac, which the lamps at the back do not run on; the box gives dc, to one group."""
    either = 'either = { watts = 5, volts = 12, supply = "either", window_v = [10, 14] }\n[cables]'
    twin = MIXING.format(rated=60, outlets=2).replace("taps_v", 'output = "ac", taps_v')
    job = grouped_job().replace("[cables]", either).replace("[drivers]", twin)
    survey = GROUPED.replace("L0,lamp,spike", "L0,lamp,either").replace("L1,lamp,spike", "L1,lamp,either")
    with pytest.raises(NoFeasibleLayout) as raised:
        grouped(job, 1, survey)
    (obstacle,) = raised.value.obstacles
    assert (
        "each of 'back' and 'front' wants a driver of its own. The twin would, but is not for L2, L3" in obstacle.detail
    )
    assert "share no driver" not in obstacle.detail  # the box feeds all of them
    assert len(grouped(job, 2, survey).drivers) == 2


def test_load_that_forces_drivers_is_said_and_a_larger_one_offered() -> None:
    """Six lamps of 10 W: 60 W and a little loss, on drivers that may be loaded with 48 W."""
    lamps = "S1,supply,,0,0\n" + "".join(f"L{i},lamp,spike,{i},2\n" for i in range(1, 7))
    (obstacle,) = in_the_way(lamps, watts=10, num_drivers=1, mm2=6).obstacles
    assert re.match(r"The lamps load drivers with 60\S* W at least, and none .* more than 48 W: 2", obstacle.detail)
    assert "group" not in " ".join([obstacle.detail, *obstacle.mends])
    enough_w = float(mend_of(obstacle, r"a larger driver: one that may be loaded with ([\d.]+) W"))
    assert 60 < enough_w < 61
    job = grouped_job(watts=10, mm2=6).replace("rated_w = 60", f"rated_w = {math.ceil(enough_w / 0.8) + 1}")
    assert len(planned_with(job, lamps, 1).drivers) == 1


def test_dim_groups_and_load_together_are_mended_together() -> None:
    """Two groups of 30 W on drivers of 48 W: neither one group nor a larger driver alone makes one driver do."""
    with pytest.raises(NoFeasibleLayout) as raised:
        grouped(grouped_job(watts=15, mm2=6, limit='limit_a = 12, limit_mode = "hiccup", short_rms_a = 2'))
    (obstacle,) = raised.value.obstacles
    assert re.search(
        r"dim group instead of 2, or independent outlets, and with them a driver .* 60\S* W", obstacle.mends[1]
    )
    assert len(obstacle.mends) == 2


def test_lamps_of_other_volts_are_said_to_share_no_driver() -> None:
    job = grouped_job().replace("[cables]", "high = { watts = 5, volts = 24 }\n[cables]")
    job = job.replace("[supplies]", "large = { taps_v = [24], rated_w = 60, limit_a = 5, price = 70 }\n[supplies]")
    survey = "point,kind,of,x,y\nS1,supply,,0,0\nL1,lamp,spike,5,0\nL2,lamp,high,5,4\n"
    with pytest.raises(NoFeasibleLayout) as raised:
        grouped(job, 1, survey)
    (obstacle,) = raised.value.obstacles
    assert "Lamps on 12 V dc and 24 V dc share no driver" in obstacle.detail
    assert not any("group" in mend or "a larger driver" in mend for mend in obstacle.mends)


@pytest.mark.parametrize("time_limit_s", [0.0, 0.001])
def test_no_time_limit_hides_what_needs_no_search(time_limit_s: float) -> None:
    with pytest.raises(NoFeasibleLayout) as raised:
        grouped(grouped_job(), 1, time_limit_s=time_limit_s)
    assert raised.value.proven
    with pytest.raises(NoFeasibleLayout):
        grouped(grouped_job(max_drivers=1), None, time_limit_s=time_limit_s)
    assert len(grouped(grouped_job(), 2, time_limit_s=time_limit_s).drivers) == 2  # there is a layout


def test_what_only_the_ways_of_the_ground_prove_is_told_where_the_time_is_up_too() -> None:
    """Behind a wall the lamp is 12 m from the supply point as the crow flies, and 60 m and more by the way round."""
    job = grouped_job(watts=10).replace(
        "[lamps]", "wall = { kind = 'no_dig' }\n[zones]\nw = { ground = 'wall' }\n[lamps]"
    )
    corners = ((5, -40), (6, -40), (6, 40), (5, 40))
    survey = "point,kind,of,x,y\nS1,supply,,0,0\nL1,lamp,spike,12,0\n" + "".join(
        f",corner,w,{x},{y}\n" for x, y in corners
    )
    with pytest.raises(NoFeasibleLayout) as raised:
        grouped(job, None, survey, time_limit_s=0.0)
    assert raised.value.proven
    assert raised.value.obstacles[0].what.startswith("lamp L1 would get")


# -- shortest trenches known in closed form ----------------------------------------------------------------------------


def trench_m(plan: Plan) -> float:
    return sum(trench.length_m for trench in plan.trenches)


def ring(corners: int, side: float) -> np.ndarray:
    angle = 2 * np.pi * np.arange(corners) / corners
    return side / (2 * math.sin(math.pi / corners)) * np.column_stack([np.cos(angle), np.sin(angle)])


ROOT_3 = math.sqrt(3)
SHAPES = {
    # F. K. Hwang, D. S. Richards, P. Winter, The Steiner Tree Problem (1992): the square, and regular polygons of six
    # and more corners, whose shortest tree is the ring less one side.
    "triangle": (ring(3, 10), 10 * ROOT_3),
    "square": (np.array([(0, 0), (10, 0), (10, 10), (0, 10)]), 10 * (1 + ROOT_3)),
    "hexagon": (ring(6, 10), 50.0),
    "octagon": (ring(8, 10), 70.0),
    # Pentagon of side 1: three full forks; 3.89116 by Melzak's construction, worked out below.
    "pentagon": (ring(5, 10), None),
    # Rectangle: long side + short side x sqrt 3, two forks between the long sides' ends.
    "rectangle": (np.array([(0, 0), (20, 0), (20, 10), (0, 10)]), 20 + 10 * ROOT_3),
    # Ladder of 2 x 3 points: F. R. K. Chung, R. L. Graham, Steiner trees for ladders (1978); an odd number n of rungs
    # is joined by one full tree: sqrt((n (1 + sqrt3 / 2) - 1)² + 1/4).
    "ladder": (
        np.array([(0, 0), (10, 0), (20, 0), (0, 10), (10, 10), (20, 10)]),
        10 * math.sqrt((3 * (1 + ROOT_3 / 2) - 1) ** 2 + 0.25),
    ),
}


def pentagon_by_melzak() -> float:
    """
    Length of the full Steiner tree of a regular pentagon of side 10, by Melzak's construction.

    Z. A. Melzak, On the problem of Steiner (1961): two corners joined in a fork are replaced by the third corner of
    the equilateral triangle outside; the tree is as long as the last two points are apart.
    """

    def third(a: complex, b: complex) -> complex:
        outside = [a + (b - a) * complex(0.5, s * ROOT_3 / 2) for s in (1, -1)]
        return max(outside, key=abs)

    p = [complex(x, y) for x, y in ring(5, 10)]
    return abs(third(third(p[0], p[1]), p[2]) - third(p[3], p[4]))


@pytest.mark.parametrize("name", SHAPES)
def test_trench_is_within_half_a_per_cent_of_the_shortest(name: str) -> None:
    """One ground, cable next to free, no limit that binds: the trench is a Euclidean Steiner tree."""
    points, optimum = SHAPES[name]
    if optimum is None:
        optimum = pentagon_by_melzak()
        assert optimum == pytest.approx(38.9116, abs=1e-4)
    plan = make_plan(plain_ground(points + 5), Options(effort=0.05))
    assert trench_m(plan) <= 1.005 * optimum
    assert trench_m(plan) >= optimum - 0.005 * len(points)  # places are whole millimetres
