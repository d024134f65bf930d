"""Plans that say what is certain: hand arithmetic, what holding it costs, and plans spoiled in just that."""

from __future__ import annotations

import math
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from typer.testing import CliRunner

from cli import app
from optimiser.check import check_plan
from optimiser.check.read_plan import read_plan
from optimiser.documents.plan_file import plan_json
from optimiser.documents.summary import summary
from optimiser.electrics.network import Network, solve
from optimiser.job_folder import JobFolder, open_job
from optimiser.make_plan import Options, make_plan
from optimiser.plan.model import LampPlan, Plan
from optimiser.problems import BadInput
from optimiser.search.worst import Worst
from tests.brief_search import brief_search
from tests.case_plans import case_plan
from tests.properties.random_jobs import folder_of

CASES = Path(__file__).resolve().parents[1] / "cases"
JOB = """title = "tolerances"
base_ground = "lawn"
[grounds]
lawn = {{ per_m = 10 }}
[voltage]
max_drop = "off"
{voltage}
[lamps]
{lamps}
[cables]
"1.5" = {{ mm2 = 1.5, price_per_m = 1 }}
"4" = {{ mm2 = 4, price_per_m = 3 }}
[drivers]
d = {{ {driver}, price = 50 }}
[joints.kits]
k = {{ max_ways = 6, price = 5 }}
[tolerance]
plan = "{plan}"
{tolerance}
"""
HICCUP = 'taps_v = [12], rated_w = 60, limit_a = 6, limit_mode = "hiccup", short_rms_a = 2'
WOUND = 'kind = "wound", taps_v = [12], rated_w = 150, regulation_pct = 6, outlets = 3, breaker_a = 5'
ONE = "point,kind,of,x,y\nS1,supply,,0,0\nL1,lamp,spike,30,0\n"
LOOP_20 = {"1.5": 2 * 0.0133, "4": 2 * 0.00495}  # IEC 60228 class 5, ohm a metre
LEAD_20 = 2 * 0.026


def folder(
    plan: str,
    *,
    lamps: str = "spike = { watts = 10, volts = 12, window_v = [8, 15] }",
    driver: str = HICCUP,
    tolerance: str = "",
    voltage: str = "",
    survey: str = ONE,
) -> JobFolder:
    text = JOB.format(plan=plan, lamps=lamps, driver=driver, tolerance=tolerance, voltage=voltage)
    return folder_of(text, survey)


def planned(asked: JobFolder, effort: float = 0.02) -> Plan:
    with brief_search():
        plan = make_plan(asked, Options(effort=effort))
    assert judged(plan, asked) == []
    return plan


def judged(plan: Plan, asked: JobFolder) -> list[str]:
    return [finding.limit for finding in check_plan(plan, asked.job, asked.survey, asked.digest).violations]


def warm(celsius: float) -> float:
    return 1 + 0.00393 * (celsius - 20)


def behind(emf_v: float, ohm: float, watts: float) -> float:
    """Volts of a constant power behind one resistance."""
    return (emf_v + math.sqrt(emf_v**2 - 4 * ohm * watts)) / 2


def test_one_lamp_by_hand() -> None:
    """10 W ± 10 %, 12 V ± 2 %, copper -5 % to 0, lengths ± 3 %, ends of 2 milliohm -50 % to +100 %, -10 to 40 °C."""
    plan = shown()
    (lamp,), (cable,) = plan.lamps, plan.cables
    copper = cable.cut_m * LOOP_20[cable.cable] + lamp.lead_m * LEAD_20
    low = behind(12 * 0.98, copper * 1.03 * warm(40) + 2 * 0.002 * 2.0, 11)
    high = behind(12 * 1.02, copper * 0.95 * 0.97 * warm(-10) + 2 * 0.002 * 0.5, 9)
    drop = 12 - behind(12, copper * 1.03 * warm(40) + 2 * 0.002 * 2.0, 11)
    assert lamp.sure_low_v == math.floor(low * 1000) / 1000
    assert lamp.sure_high_v == math.ceil(high * 1000) / 1000
    assert lamp.sure_drop_pct == pytest.approx(100 * drop / 12, abs=0.006)
    assert lamp.sure_margin_v == pytest.approx(min(low - 8, 15 - high), abs=0.0015)
    assert lamp.outside_pct == 0
    assert plan.certainty is not None
    assert (plan.certainty.held, plan.certainty.without) == (False, None)


NOTHING_BUT_LOAD = "cable_pct = [0, 0]\nlength_pct = [0, 0]\ncontact_pct = [0, 0]\nload_pct = [-10, 10]"


def test_a_chance_by_hand() -> None:
    """Only the load strays, evenly by ± 10 %; the lamp is below its window from + 5 % on: in a quarter of cases."""
    even = {"driver": f"{HICCUP}, tol_pct = 0", "voltage": "hot_c = 20\nsun_c = 20\ncold_c = 20"}
    first = planned(folder("show", tolerance=NOTHING_BUT_LOAD, **even))
    cable = first.cables[0]
    ohm = cable.cut_m * LOOP_20[cable.cable] + first.lamps[0].lead_m * LEAD_20 + 2 * 0.002
    lamps = f"spike = {{ watts = 10, volts = 12, window_v = [{behind(12, ohm, 10.5):.6f}, 15] }}"
    asked = folder("show", tolerance=NOTHING_BUT_LOAD, lamps=lamps, **even)
    plan = planned(asked)
    assert plan.cables[0].cut_m == cable.cut_m
    assert plan.lamps[0].outside_pct == pytest.approx(25, abs=4 * 100 * math.sqrt(0.25 * 0.75 / 10_000))
    assert plan.lamps[0].sure_margin_v is not None
    assert plan.lamps[0].sure_margin_v < 0
    for wrong in (0.0, 12.0, 40.0, 110.0):
        assert judged(spoiled(plan, outside_pct=wrong), asked) == ["chances"]


def spoiled(plan: Plan, **update: object) -> Plan:
    """The plan with other values at its first lamp."""
    first: LampPlan = plan.lamps[0].model_copy(update=update)
    return plan.model_copy(update={"lamps": [first, *plan.lamps[1:]]})


@cache
def shown() -> Plan:
    """One lamp, nothing held."""
    return planned(folder("show"))


@cache
def between() -> str:
    """A lamp that 1.5 mm² keeps inside its window as stated, and not at the worst corner."""
    plan = shown()
    lamp = plan.lamps[0]
    assert plan.cables[0].cable == "1.5"
    assert lamp.sure_low_v is not None
    return f"spike = {{ watts = 10, volts = 12, window_v = [{(lamp.low_v + lamp.sure_low_v) / 2:.3f}, 15] }}"


def test_holding_costs_thicker_cable_and_the_plan_says_so() -> None:
    lamps = between()
    loose, held = folder("show", lamps=lamps), folder("hold", lamps=lamps)
    cheap, plan = planned(loose), planned(held)
    assert (cheap.cables[0].cable, plan.cables[0].cable) == ("1.5", "4")
    assert plan.certainty is not None
    without = plan.certainty.without
    assert without is not None
    assert without.cost == cheap.cost.total
    assert without.effort == plan.effort
    assert (without.outside, without.outside_pct) == (1, cheap.lamps[0].outside_pct)
    assert plan.cost.total - without.cost == pytest.approx(2 * plan.cables[0].cut_m, abs=0.011)
    assert plan.lamps[0].outside_pct == 0
    assert (plan.lamps[0].sure_margin_v or 0) > 0
    assert plan.bound is not None
    assert plan.bound <= without.cost  # what is proven is proven of stated data
    text = " ".join(summary(plan, out=None).split())
    assert f"This costs {plan.cost.total - without.cost:.2f}" in text
    assert "leave the window" in text
    assert "How certain" not in summary(planned(folder("off", lamps=lamps)), out=None)
    # The cheap one, judged as if it were to hold.
    assert cheap.certainty is not None
    claims = cheap.model_copy(update={"certainty": cheap.certainty.model_copy(update={"held": True})})
    job = loose.job.with_tolerance("hold")
    report = check_plan(claims, job, loose.survey, loose.digest)
    assert {finding.limit for finding in report.violations} == {"guaranteed window"}


def test_the_drop_is_held_too() -> None:
    plan = shown()
    lamp = plan.lamps[0]
    assert lamp.sure_drop_pct is not None
    limit = (lamp.drop_pct + lamp.sure_drop_pct) / 2
    text = JOB.replace('"off"', f"{limit:.2f}").format(
        plan="hold",
        lamps="spike = { watts = 10, volts = 12, window_v = [8, 15] }",
        driver=HICCUP,
        tolerance="",
        voltage="",
    )
    held = planned(folder_of(text, ONE))
    assert held.cables[0].cable == "4"
    assert (held.lamps[0].sure_drop_pct or 99) <= limit
    # The thinner cable, judged as if it were to hold.
    asked = folder("show")
    assert plan.certainty is not None
    claims = plan.model_copy(update={"certainty": plan.certainty.model_copy(update={"held": True})})
    job = asked.job.with_tolerance("hold")
    job = job.model_copy(update={"voltage": job.voltage.model_copy(update={"max_drop": limit})})
    assert "guaranteed drop" in {v.limit for v in check_plan(claims, job, asked.survey, asked.digest).violations}


def test_spoiled_plans() -> None:
    asked = folder("hold", lamps=between())
    plan = planned(asked)
    lamp, certain = plan.lamps[0], plan.certainty
    assert certain is not None
    assert certain.without is not None
    assert lamp.sure_low_v is not None
    assert lamp.sure_high_v is not None
    assert lamp.sure_margin_v is not None
    assert set(judged(spoiled(plan, sure_low_v=lamp.sure_low_v + 0.01), asked)) == {"guaranteed volts"}
    assert set(judged(spoiled(plan, sure_high_v=lamp.sure_high_v - 0.01), asked)) == {"guaranteed volts"}
    assert judged(spoiled(plan, sure_margin_v=lamp.sure_margin_v + 0.01), asked) == ["guaranteed volts"]
    assert judged(spoiled(plan, sure_drop_pct=None), asked) == ["guaranteed volts"]
    assert set(judged(spoiled(plan, sure_low_v=None), asked)) == {"guaranteed volts"}
    assert judged(spoiled(plan, outside_pct=0.2), asked) == ["chances"]
    for key, value in (("load_pct", (-1.0, 1.0)), ("hot_c", 20.0), ("samples", 10), ("held", False)):
        other = plan.model_copy(update={"certainty": certain.model_copy(update={key: value})})
        assert set(judged(other, asked)) == {"certainty"}
    dearer = certain.without.model_copy(update={"cost": plan.cost.total + 1})
    other = plan.model_copy(update={"certainty": certain.model_copy(update={"without": dearer})})
    assert judged(other, asked) == ["certainty"]
    assert judged(plan.model_copy(update={"certainty": None}), asked) == ["certainty"]


SIX = "point,kind,of,x,y\nS1,supply,,0,0\n" + "".join(
    f"L{i},lamp,{'spike' if i % 2 else 'halogen'},{6 * i},{i % 3}\n" for i in range(1, 7)
)


@pytest.mark.parametrize(
    ("mode", "spike", "halogen", "kind"),
    [
        ("show", "power", "current", "wound"),
        ("hold", "power", "power", "wound"),
        ("show", "resistance", "resistance", "hiccup"),
        ("hold", "resistance", "resistance", "wound"),
        ("hold", "power", "resistance", "hiccup"),
        ("show", "current", "resistance", "wound"),
    ],
)
def test_the_check_agrees_on_all_kinds_of_load(mode: str, spike: str, halogen: str, kind: str) -> None:
    """Corners by Newton's method on nodal equations against those of ``electrics.interval``; ac where wound."""
    driver = {"wound": WOUND, "hiccup": HICCUP}[kind]
    lamps = "\n".join(
        f'{name} = {{ watts = {watts}, volts = 12, supply = "either", window_v = [9.5, 15], load = "{load}" }}'
        for name, watts, load in (("spike", 4, spike), ("halogen", 6, halogen))
    )
    asked = folder(mode, lamps=lamps, driver=driver, survey=SIX)
    plan = planned(asked, effort=0.01)
    for lamp in plan.lamps:
        assert lamp.sure_low_v is not None
        assert lamp.sure_high_v is not None
        assert lamp.sure_low_v < lamp.low_v
        assert lamp.high_v < lamp.sure_high_v
    lower = spoiled(plan, sure_low_v=(plan.lamps[0].sure_low_v or 0) + 0.2)
    assert "guaranteed volts" in judged(lower, asked)


@pytest.mark.parametrize("case", ["terrace", pytest.param("courtyard", marks=pytest.mark.slow)])
def test_cases(case: str) -> None:
    asked = open_job(CASES / case, {"tolerance.plan": "hold"})
    plain, held = case_plan(case), planned(asked, effort=0.01)
    assert plain.certainty is None
    assert all(lamp.sure_low_v is None and lamp.outside_pct is None for lamp in plain.lamps)
    assert held.certainty is not None
    assert held.certainty.without is not None
    assert held.certainty.without.cost <= held.cost.total
    for lamp in held.lamps:
        assert (lamp.sure_margin_v or -1) >= 0
        assert (lamp.sure_drop_pct or 99) <= 10
        assert lamp.outside_pct == 0
    if case == "terrace":  # asked again: the same plan, byte for byte
        assert plan_json(planned(asked, effort=0.01)) == plan_json(held)


def test_the_option_is_recorded_and_judged(tmp_path: Path) -> None:
    out = tmp_path / "plan"
    run = CliRunner().invoke(
        app, ["plan", str(CASES / "terrace"), "--tolerance", "--effort", "0.02", "--processes", "1", "--out", str(out)]
    )
    assert run.exit_code == 0, run.output
    assert "How certain" in run.stdout
    assert read_plan(out / "plan.json").job.overrides == {"tolerance.plan": "hold"}
    checked = CliRunner().invoke(app, ["check", str(out), "--all"])
    assert checked.exit_code == 0
    assert "holds  guaranteed window" in checked.stdout


@pytest.mark.parametrize(
    ("row", "says"),
    [
        ("load_pct = [5, 10]", "runs from 5 to 10"),
        ("cable_pct = [0, -5]", "runs from 0 to -5"),
        ("hot_c = 70\nsun_c = 50", "sun_c below hot_c"),
        ("samples = 10", "samples"),
        ("loads = 3", "loads"),
    ],
)
def test_bad_input(row: str, says: str) -> None:
    with pytest.raises(BadInput) as error:
        folder("show", tolerance=row)
    assert says in "\n".join(str(problem) for problem in error.value.problems)


@given(st.integers(0, 2**32 - 1), st.floats(1.0, 1.4), st.floats(1.0, 1.4))
@settings(max_examples=150, deadline=None)
def test_budgets_of_the_worst_corner_suffice(seed: int, copper: float, load: float) -> None:
    """Random trees of constant powers: where no drop as stated passes its part, none passes the budget at the worst."""
    rng = np.random.default_rng(seed)
    n = int(rng.integers(2, 12))
    parent = np.array([-1, *(int(rng.integers(0, i)) for i in range(1, n))])
    ohm, watts = rng.uniform(0, 0.2, n), rng.uniform(0, 8, n)
    watts[0] = 0
    budget_v = float(rng.uniform(0.2, 5))
    part_v = Worst(copper=copper, load=load).part(budget_v, 12, "power")
    kinds = np.array([0] + [1] * (n - 1))

    def drop(factor: float, heavier: float) -> float:
        network = Network(parent, kinds, heavier * watts, np.ones(n), np.ones(n))
        return 12 - float(np.nan_to_num(solve(network, factor * ohm, 12).volts, nan=-99).min())

    least, most = 0.0, 50.0
    for _ in range(50):  # as heavy as the part allows
        middle = (least + most) / 2
        least, most = (middle, most) if drop(middle, 1) <= part_v else (least, middle)
    assert drop(least * copper, load) <= budget_v + 1e-6


@pytest.mark.parametrize(("effort", "says"), [(0.02, "the same effort: this seems"), (0.01, "0.01 only: what this")])
def test_a_comparison_that_shows_nothing_says_so(effort: float, says: str) -> None:
    plan = planned(folder("hold"))
    assert plan.certainty is not None
    assert plan.certainty.without is not None
    other = plan.certainty.without.model_copy(update={"effort": effort})
    text = summary(
        plan.model_copy(update={"certainty": plan.certainty.model_copy(update={"without": other})}), out=None
    )
    assert says in " ".join(text.split())
