"""Drivers with their circuits: sources, coupling through a wound core, the three cases of volts, faults."""

import cmath
import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from optimiser.electrics.circuit import CircuitTree, DriverState, far_end_short_a, solve_driver
from optimiser.electrics.network import Network, solve
from optimiser.electrics.sources import source_of
from optimiser.job import Driver, LampType, Voltage

VOLTAGE = Voltage()
ELECTRONIC = Driver(taps_v=(12,), rated_w=100, price=1)
WOUND = Driver(kind="wound", taps_v=(12, 14), rated_w=150, regulation_pct=8, outlets=4, price=1)


def lamp(watts: float = 5, load: str = "power", **more: object) -> LampType:
    return LampType.model_validate({"watts": watts, "volts": 12, "load": load, "supply": "either"} | more)


def tree_of(
    parent: list[int],
    ohm: list[float],
    lamps: dict[int, LampType],
    sun_ohm: list[float] | None = None,
    contact_ohm: list[float] | None = None,
) -> CircuitTree:
    n = len(parent)
    at = np.full(n, -1)
    at[list(lamps)] = range(len(lamps))
    return CircuitTree(
        np.array(parent),
        np.array(ohm, float),
        np.array(sun_ohm or [0.0] * n),
        np.array(contact_ohm or [0.0] * n),
        at,
        tuple(lamps.values()),
    )


def one_lamp(ohm: float, lamp_type: LampType) -> CircuitTree:
    return tree_of([-1, 0], [0, ohm], {1: lamp_type})


# --- sources -------------------------------------------------------------------------------------------------------


def test_electronic_source_is_its_tap_give_or_take() -> None:
    source = source_of(Driver(taps_v=(12, 13), rated_w=60, tol_pct=3, price=1), 13)
    assert (source.emf_v, source.internal_ohm) == (13, 0)
    assert (source.low_emf_v, source.high_emf_v) == (pytest.approx(12.61), pytest.approx(13.39))


def test_wound_source_by_hand() -> None:
    """12 V, 150 VA, 8 %: no load 12.96 V, 0.08 x 144 / 150 = 76.8 mohm; at rated 12.5 A it gives 12 V (definition)."""
    source = source_of(WOUND, 12)
    assert source.emf_v == pytest.approx(12.96, abs=1e-12)
    assert source.internal_ohm == pytest.approx(0.0768, abs=1e-12)
    assert source.emf_v - 12.5 * source.internal_ohm == pytest.approx(12, abs=1e-12)
    assert source.low_emf_v == pytest.approx(12.96 * 0.94)
    assert source.high_emf_v == pytest.approx(12.96 * 1.10)


# --- one circuit ---------------------------------------------------------------------------------------------------


def test_temperatures_act_on_copper_only() -> None:
    """Buried at hot_c, surface at sun_c, contacts at neither. Factors at 40 and 60 °C by hand: 1.0786 and 1.1572."""
    tree = tree_of([-1, 0], [0, 0.1], {1: lamp()}, sun_ohm=[0, 0.2], contact_ohm=[0, 0.004])
    assert tree.hot_ohm(VOLTAGE)[1] == pytest.approx(0.1 * 1.0786 + 0.2 * 1.1572 + 0.004, abs=1e-12)
    assert tree.cold_ohm(VOLTAGE)[1] == pytest.approx(0.3 * 0.8821 + 0.004, abs=1e-12)
    assert tree.fault_ohm(VOLTAGE)[1] == pytest.approx(0.3 * 1.1965 + 0.004, abs=1e-12)


def test_one_lamp_in_its_three_cases() -> None:
    tree = one_lamp(0.5, lamp(20))
    state = solve_driver(ELECTRONIC, [tree], [12], VOLTAGE).circuits[0]

    def root(emf_v: float, ohm: float) -> float:
        return (emf_v + math.sqrt(emf_v**2 - 4 * ohm * 20)) / 2

    assert state.lamp_v[0] == pytest.approx(root(12, 0.5 * 1.0786), abs=1e-9)
    assert state.low_v[0] == pytest.approx(root(11.76, 0.5 * 1.0786), abs=1e-9)
    assert state.high_v[0] == pytest.approx(root(12.24, 0.5 * 0.8821), abs=1e-9)
    assert state.out_v == 12
    assert state.amps == pytest.approx(20 / state.lamp_v[0], rel=1e-12)
    assert state.branch_amps == pytest.approx([state.amps, state.amps])


def test_load_is_counted_at_the_terminals_in_volt_amperes_on_ac() -> None:
    """A 12 W lamp of power factor 0.6 at the terminals of a 12 V ac source without resistance: 20 VA, 1.667 A."""
    ac = Driver(output="ac", taps_v=(12,), rated_w=100, price=1)
    state = solve_driver(ac, [one_lamp(0, lamp(12, power_factor=0.6))], [12], VOLTAGE)
    assert state.load_va == pytest.approx(20)
    assert state.amps == pytest.approx(20 / 12)
    on_dc = solve_driver(ELECTRONIC, [one_lamp(0, lamp(12, power_factor=0.6))], [12], VOLTAGE)
    assert on_dc.load_va == pytest.approx(12)


@pytest.mark.parametrize("load", ["power", "current", "resistance"])
@pytest.mark.parametrize(("driver", "tap_v"), [(ELECTRONIC, 12), (WOUND, 14)])
def test_high_volts_are_those_of_the_lamp_alone(load: str, driver: Driver, tap_v: float) -> None:
    """The closed forms against the load flow with all other lamps off; on ac with the active current alone."""
    tree = tree_of(
        [-1, 0, 1, 1, 3, 3],
        [0, 0.1, 0.05, 0.2, 0.03, 0.04],
        {5: lamp(9, load), 2: lamp(4, load), 4: lamp(6)},
        contact_ohm=[0, 0.002, 0.004, 0.004, 0.002, 0.002],
    )
    state = solve_driver(driver, [tree], [tap_v], VOLTAGE).circuits[0]
    source = source_of(driver, tap_v)
    code = {"power": 1, "current": 2, "resistance": 3}
    for index, node in enumerate((5, 2, 4)):
        kind, watts = np.zeros(7, int), np.zeros(7)
        kind[node + 1] = code[tree.lamp_types[index].load]
        watts[node + 1] = tree.lamp_types[index].watts
        network = Network(np.array([-1, 0, 1, 2, 2, 4, 4]), kind, watts, np.full(7, 12.0), np.ones(7))
        ohm = np.concatenate([[0, source.internal_ohm], tree.cold_ohm(VOLTAGE)[1:]])
        alone = solve(network, ohm, source.high_emf_v)
        assert state.high_v[index] == pytest.approx(alone.volts[node + 1], abs=1e-9)


def test_high_volts_of_the_worked_example() -> None:
    """
    12 V, 0.5 ohm, 10 W at a power factor of 0.6, by hand.

    In phase with the lamp's volts V flow P / V, across it P tan(phi) / V, tan(phi) = 4/3. So 144 = (V + 5 / V)² +
    (20 / 3 V)², which is x² + (10 - 144) x + 25 + 400 / 9 = 0 in x = V²: V = 11.55 V. Drops added as numbers would
    give (12 + sqrt(144 - 2 x 16.667)) / 2 = 11.26 V; the bound is (12 + sqrt(144 - 20)) / 2 = 11.568 V.
    """
    true_v = math.sqrt((134 + math.sqrt(134**2 - 4 * (25 + 400 / 9))) / 2)
    assert true_v == pytest.approx(11.55, abs=0.005)
    driver = Driver(output="ac", taps_v=(12,), rated_w=100, tol_pct=0, price=1)
    state = solve_driver(driver, [one_lamp(0.5, lamp(10, power_factor=0.6))], [12], Voltage(cold_c=20)).circuits[0]
    assert state.high_v[0] == pytest.approx((12 + math.sqrt(124)) / 2, abs=1e-9)
    assert true_v <= state.high_v[0]


def test_a_constant_current_on_ac_draws_its_volt_amperes() -> None:
    """
    12 W at 12 V and a power factor of 0.6 are 12 / 0.6 = 20 VA, so 20 / 12 = 1.6667 A at any volts (S = P / cos phi).

    Behind 0.3 ohm: 12 - 0.3 x 1.6667 = 11.5 V, a load of 20 VA; on dc 1 A, 11.7 V. Alone, only the 1 A in phase is sure
    to lower the volts: 11.7 V at most.
    """
    ac = Driver(output="ac", taps_v=(12,), rated_w=100, tol_pct=0, price=1)
    cool = Voltage(hot_c=20, cold_c=20)
    state = solve_driver(ac, [one_lamp(0.3, lamp(12, "current", power_factor=0.6))], [12], cool)
    assert state.load_va == pytest.approx(20, abs=1e-9)
    one = state.circuits[0]
    assert (one.amps, one.lamp_v[0], one.high_v[0]) == pytest.approx((20 / 12, 11.5, 11.7), abs=1e-9)
    dc = Driver(taps_v=(12,), rated_w=100, tol_pct=0, price=1)
    on_dc = solve_driver(dc, [one_lamp(0.3, lamp(12, "current", power_factor=0.6))], [12], cool).circuits[0]
    assert (on_dc.amps, on_dc.lamp_v[0]) == pytest.approx((1, 11.7), abs=1e-9)


@given(
    st.sampled_from(["power", "current", "resistance"]),
    st.floats(0.3, 1),
    st.floats(0.01, 1.0),
    st.floats(1, 20),
    st.booleans(),
)
@settings(max_examples=200, deadline=None)
def test_high_volts_are_never_below_the_phasors(load: str, factor: float, ohm: float, watts: float, lags: bool) -> None:
    """One lamp alone on ac, its current behind or before its volts by the angle of the power factor: E = V + R I."""
    factor = 1.0 if load == "resistance" else factor
    driver = Driver(output="ac", taps_v=(12,), rated_w=400, tol_pct=2, price=1)
    circuit = one_lamp(ohm, lamp(watts, load, power_factor=factor))
    high_v = solve_driver(driver, [circuit], [12], Voltage(cold_c=20)).circuits[0].high_v[0]
    emf_v, turn = 12.24, cmath.exp((-1j if lags else 1j) * math.acos(factor))
    volts = complex(emf_v)
    for _ in range(3000):
        size, phase = abs(volts), volts / abs(volts)
        amps = {"power": watts / factor / size, "current": watts / factor / 12, "resistance": watts / 144 * size}[load]
        volts, before = 0.7 * volts + 0.3 * (emf_v - ohm * amps * phase * turn), volts
        if abs(volts - before) < 1e-12:
            break
    else:
        return  # past its collapse point
    assert high_v >= abs(volts) - 1e-9
    if factor == 1:
        assert high_v == pytest.approx(abs(volts), abs=1e-8)


def test_past_collapse_there_is_no_number() -> None:
    state = solve_driver(ELECTRONIC, [one_lamp(0.1, lamp()), one_lamp(3.0, lamp(30))], [12, 12], VOLTAGE)
    good, bad = state.circuits
    assert not good.collapsed
    assert good.lamp_v[0] > 11.8
    assert bad.collapsed
    assert np.isnan([bad.out_v, bad.amps, *bad.volts, *bad.low_volts, *bad.high_v]).all()
    assert state.collapsed
    assert math.isnan(state.load_va)


def test_a_collapse_at_the_lowest_source_alone_is_one() -> None:
    """12 V carries P = 144 / 4R, 11.76 V only 138.3 / 4R: a load between the two does not stand at the lowest."""
    ohm = 0.5 * 1.0786
    watts = (144 + 11.76**2) / 2 / (4 * ohm)
    state = solve_driver(ELECTRONIC, [one_lamp(0.5, lamp(watts))], [12], VOLTAGE).circuits[0]
    assert state.collapsed
    assert state.lamp_v[0] > 6
    assert math.isnan(state.low_v[0])


@pytest.mark.parametrize(("share", "collapses"), [(0.999, False), (1.001, True)])
def test_where_circuits_collapse_by_hand(share: float, collapses: bool) -> None:
    """
    Electronic: each circuit by itself, at P = E² / 4R. Wound: all together behind the core's resistance.

    Two lamps P behind r each, both behind R at 12.96 x 0.94 V, are one of 2 P behind R + r / 2.
    """
    most_w = 11.76**2 / (4 * 3.0 * 1.0786)
    alone = [one_lamp(0.5, lamp(share * most_w)), one_lamp(3.0, lamp(share * most_w))]
    state = solve_driver(ELECTRONIC, alone, [12, 12], VOLTAGE)
    assert [one.collapsed for one in state.circuits] == [False, collapses]
    core_ohm, ohm = 0.08 * 144 / 150, 0.5 * 1.0786
    most_w = (12.96 * 0.94) ** 2 / (4 * (core_ohm + ohm / 2)) / 2
    beside = [one_lamp(0.5, lamp(share * most_w, power_factor=1))] * 2
    assert [one.collapsed for one in solve_driver(WOUND, beside, [12, 12], VOLTAGE).circuits] == [collapses] * 2
    assert not solve_driver(WOUND, beside[:1], [12], VOLTAGE).collapsed


def test_as_many_taps_as_circuits() -> None:
    with pytest.raises(ValueError, match="1 circuits and 2 taps"):
        solve_driver(WOUND, [one_lamp(0.5, lamp())], [12, 12], VOLTAGE)


# --- circuits together ---------------------------------------------------------------------------------------------


def assert_shares_one_core(driver: Driver, state: DriverState, taps: list[float], at_emf: float = 1.0) -> None:
    """DEVELOPERS.md and circuit.py: every tap sags by s = regulation x sum(tap x amps) / rated VA of itself."""
    regulation = (driver.regulation_pct or 0) / 100
    sag = regulation * sum(t * one.amps for t, one in zip(taps, state.circuits, strict=True)) / driver.rated_w
    for tap_v, one in zip(taps, state.circuits, strict=True):
        assert one.out_v == pytest.approx(tap_v * ((1 + regulation) * at_emf - sag), abs=1e-9)


def test_circuits_of_a_wound_transformer_pull_each_other_down() -> None:
    small, large = one_lamp(0.1, lamp(5)), one_lamp(0.05, lamp(60))
    alone = solve_driver(WOUND, [small], [12], VOLTAGE)
    beside = solve_driver(WOUND, [small, large], [12, 12], VOLTAGE)
    assert beside.circuits[0].out_v < alone.circuits[0].out_v - 0.3
    assert beside.circuits[0].out_v == pytest.approx(beside.circuits[1].out_v, abs=1e-12)
    assert_shares_one_core(WOUND, alone, [12])
    assert_shares_one_core(WOUND, beside, [12, 12])
    assert beside.circuits[0].high_v[0] == alone.circuits[0].high_v[0]  # alone on is alone on


def test_circuits_of_an_electronic_driver_do_not() -> None:
    small, large = one_lamp(0.1, lamp(5)), one_lamp(0.05, lamp(60))
    alone = solve_driver(ELECTRONIC, [small], [12], VOLTAGE).circuits[0]
    beside = solve_driver(ELECTRONIC, [small, large], [12, 12], VOLTAGE).circuits[0]
    assert beside.lamp_v[0] == alone.lamp_v[0]


def test_rated_resistive_load_brings_each_tap_to_its_stated_volts() -> None:
    """Definition of the stated volts of a wound transformer: 150 VA of resistances split over 12 V and 14 V taps."""
    loads = [
        one_lamp(0, lamp(90, "resistance")),
        one_lamp(0, lamp(60, "resistance", volts=14, window_v=[10, 20])),
    ]
    state = solve_driver(WOUND, loads, [12, 14], VOLTAGE)
    assert [one.out_v for one in state.circuits] == pytest.approx([12, 14], abs=1e-9)
    assert state.load_va == pytest.approx(150, abs=1e-8)


@given(st.data())
@settings(max_examples=60, deadline=None)
def test_any_circuits_on_any_taps_share_one_core(data: st.DataObject) -> None:
    taps = data.draw(st.lists(st.sampled_from([12, 14]), min_size=1, max_size=4))
    trees = []
    for _ in taps:
        n = data.draw(st.integers(2, 6))
        lamps = {
            i: lamp(data.draw(st.floats(1, 12)), data.draw(st.sampled_from(["power", "current", "resistance"])))
            for i in range(1, n)
        }
        ohm = [0.0] + [data.draw(st.floats(0, 0.2)) for _ in range(n - 1)]
        trees.append(tree_of([-1] + [data.draw(st.integers(0, i - 1)) for i in range(1, n)], ohm, lamps))
    state = solve_driver(WOUND, trees, taps, VOLTAGE)
    if state.collapsed:
        return
    assert_shares_one_core(WOUND, state, taps)
    for tree, one in zip(trees, state.circuits, strict=True):
        # Each circuit by itself, behind a source that holds what came out: the same volts.
        network = Network(
            tree.parent,
            np.array([0] + [{"power": 1, "current": 2, "resistance": 3}[t.load] for t in tree.lamp_types]),
            np.array([0] + [t.watts for t in tree.lamp_types]),
            np.full(len(tree.parent), 12.0),
            np.array([1] + [t.factor for t in tree.lamp_types]),
        )
        again = solve(network, tree.hot_ohm(VOLTAGE), one.out_v)
        np.testing.assert_allclose(one.volts, again.volts, atol=1e-8)
        np.testing.assert_allclose(one.branch_amps, again.amps, atol=1e-7)


# --- faults --------------------------------------------------------------------------------------------------------


def test_fault_current_by_hand() -> None:
    """Lowest source over its resistance and the copper at 70 °C (factor 1.1965)."""
    tree = tree_of([-1, 0, 1], [0, 0.2, 0.1], {2: lamp()}, contact_ohm=[0, 0.002, 0.004])
    behind = [0.0768, 0.0768 + 0.2 * 1.1965 + 0.002, 0.0768 + 0.3 * 1.1965 + 0.006]
    assert far_end_short_a(WOUND, 12, tree, VOLTAGE) == pytest.approx([12.96 * 0.94 / ohm for ohm in behind], rel=1e-12)
    weak = Driver(taps_v=(12,), rated_w=60, limit_a=10, price=1)
    far = 11.76 / (0.3 * 1.1965 + 0.006)
    assert far_end_short_a(weak, 12, tree, VOLTAGE) == pytest.approx([10, 10, 10])  # held
    stiff = Driver(taps_v=(12,), rated_w=60, limit_mode="none", price=1)
    assert far_end_short_a(stiff, 12, tree, VOLTAGE)[2] == pytest.approx(far)
    assert far_end_short_a(stiff, 12, tree, VOLTAGE)[0] == math.inf


def test_a_driver_that_gives_up_is_not_held_at_its_limit() -> None:
    """Its fault current decides nothing; it is what the copper would let through."""
    tree = one_lamp(0.5, lamp())
    hiccup = Driver(taps_v=(12,), rated_w=60, limit_a=10, limit_mode="hiccup", price=1)
    assert far_end_short_a(hiccup, 12, tree, VOLTAGE)[1] == pytest.approx(11.76 / (0.5 * 1.1965))


def test_nothing_lies_above_the_terminals() -> None:
    tree, same = one_lamp(0.1, lamp()), tree_of([-1, 0], [9.0, 0.1], {1: lamp()}, contact_ohm=[9.0, 0])
    for driver in (ELECTRONIC, WOUND):
        one, other = (solve_driver(driver, [each], [12], VOLTAGE).circuits[0] for each in (tree, same))
        assert (one.lamp_v[0], one.high_v[0]) == (other.lamp_v[0], other.high_v[0])
        assert (far_end_short_a(driver, 12, tree, VOLTAGE) == far_end_short_a(driver, 12, same, VOLTAGE)).all()


def test_wrong_trees_are_refused() -> None:
    with pytest.raises(ValueError, match="each lamp of lamp_types must stand at exactly one node"):
        CircuitTree(np.array([-1, 0]), np.zeros(2), np.zeros(2), np.zeros(2), np.array([-1, -1]), (lamp(),))
    with pytest.raises(ValueError, match="2 circuits and 1 taps"):
        solve_driver(ELECTRONIC, [one_lamp(0, lamp()), one_lamp(0, lamp())], [12], VOLTAGE)
    assert solve_driver(ELECTRONIC, [], [], VOLTAGE).load_va == 0
