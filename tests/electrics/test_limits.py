"""Every limit, just kept and just broken (limits of DEVELOPERS.md and trade.md's rules; common practice, no source)."""

import math

import numpy as np
import pytest

from optimiser.electrics.circuit import CircuitTree, grown, solve_driver
from optimiser.electrics.limits import Breach, driver_breaches
from optimiser.electrics.protection import Protection
from optimiser.job import Driver, LampType, Rules, Supply, Voltage

GUARDED = Protection(True, "A")
WIDE = {"window_v": [1.0, 40.0]}


def lamp(**changes: object) -> LampType:
    return LampType.model_validate({"watts": 24, "volts": 12, "load": "current"} | changes)


def driver(**changes: object) -> Driver:
    return Driver.model_validate({"taps_v": [12], "rated_w": 300, "loading_pct": 100, "price": 1} | changes)


def one_lamp(ohm: float, lamp_type: LampType) -> CircuitTree:
    """One lamp behind contacts only, so that no temperature acts."""
    return CircuitTree(np.array([-1, 0]), np.zeros(2), np.zeros(2), np.array([0, ohm]), np.array([-1, 0]), (lamp_type,))


def broken(
    model: Driver,
    trees: list[CircuitTree],
    *,
    voltage: Voltage | None = None,
    rating: float = math.inf,
    supply: Supply | None = None,
    rules: Rules | None = None,
    protections: list[Protection] | None = None,
    spare_v: float = 0.0,
) -> list[Breach]:
    voltage = voltage or Voltage(max_drop=None)
    taps = [model.taps_v[0]] * len(trees)
    return driver_breaches(
        model,
        solve_driver(model, trees, taps, voltage),
        trees,
        taps,
        [np.full(len(tree.parent), rating) for tree in trees],
        protections or [GUARDED] * len(trees),
        supply or Supply(),
        voltage,
        rules or Rules(),
        spare_v=spare_v,
    )


def only(found: list[Breach]) -> Breach:
    assert len(found) == 1, found
    return found[0]


def test_low_end_of_the_window() -> None:
    """2 A through 0.48 ohm from 11.76 V (12 V - 2 %) leaves 10.80 V, where the default window opens."""
    assert broken(driver(), [one_lamp(0.4799, lamp())]) == []
    breach = only(broken(driver(), [one_lamp(0.4801, lamp())]))
    assert (breach.limit, breach.circuit, breach.node, breach.lamp) == ("low", 0, 1, 0)
    assert (breach.value, breach.allowed) == (pytest.approx(10.7998), pytest.approx(10.8))
    assert breach.margin == pytest.approx(-0.0002)


def test_high_end_of_the_window() -> None:
    """12.24 V at the terminals of a driver 2 % above 12 V."""
    assert broken(driver(), [one_lamp(0.0, lamp(window_v=[10, 12.2401]))]) == []
    breach = only(broken(driver(), [one_lamp(0.0, lamp(window_v=[10, 12.2399]))]))
    assert (breach.limit, breach.value, breach.allowed) == ("high", pytest.approx(12.24), 12.2399)


def test_what_must_be_spare() -> None:
    tree = one_lamp(0.478, lamp())  # 4 mV left
    assert broken(driver(), [tree], spare_v=0.003) == []
    assert only(broken(driver(), [tree], spare_v=0.005)).margin == pytest.approx(0.004)


def test_drop_from_the_driver_and_from_nominal() -> None:
    tree = one_lamp(0.5, lamp(**WIDE))  # 1 V, 8.33 % of 12 V
    assert broken(driver(), [tree], voltage=Voltage(max_drop=8.34)) == []
    breach = only(broken(driver(), [tree], voltage=Voltage(max_drop=8.33)))
    assert (breach.limit, breach.value, breach.allowed) == ("drop", pytest.approx(1.0), pytest.approx(0.9996))
    raised = driver(taps_v=[13], volts=12)
    assert broken(raised, [tree], voltage=Voltage(max_drop=1, drop_from="nominal")) == []
    assert only(broken(raised, [tree], voltage=Voltage(max_drop=1))).limit == "drop"
    # Without a drop rule the window alone decides.
    assert broken(driver(), [one_lamp(4.0, lamp(**WIDE))]) == []


def test_rating_of_a_cable() -> None:
    tree = one_lamp(0.1, lamp())
    assert broken(driver(), [tree], rating=2.0) == []
    breach = only(broken(driver(), [tree], rating=1.99))
    assert (breach.limit, breach.node, breach.value, breach.allowed) == ("cable", 1, 2.0, 1.99)


def test_amps_of_an_outlet_and_of_a_circuit() -> None:
    tree = one_lamp(0.0, lamp())
    assert broken(driver(outlet_a=2.0), [tree]) == []
    assert only(broken(driver(outlet_a=1.99), [tree])).limit == "outlet"
    assert only(broken(driver(), [tree], rules=Rules(max_circuit_a=1.99))).limit == "circuit"


def test_loading_with_the_supplys_derating() -> None:
    """Two lamps of 24 W: 48 W on a driver of 60 W at 80 %, then at a supply point that derates it."""
    trees = [one_lamp(0.0, lamp()), one_lamp(0.0, lamp())]
    model = driver(rated_w=60, loading_pct=80)
    assert broken(model, trees) == []
    breach = only(broken(model, trees, supply=Supply(loading_pct=99)))
    assert (breach.limit, breach.value, breach.allowed) == ("load", pytest.approx(48), pytest.approx(47.52))
    assert breach.circuit == -1


def test_start_of_the_lamps() -> None:
    """Two lamps of 9 A and 220 µF each, against what the driver starts; what is not stated counts nothing."""
    trees = [one_lamp(0.0, lamp(inrush_a=9, input_uf=220)), one_lamp(0.0, lamp(inrush_a=9, input_uf=220))]
    assert broken(driver(start_a=18, start_uf=440), trees) == []
    breach = only(broken(driver(start_a=17.9), trees))
    assert (breach.limit, breach.value, breach.allowed, breach.circuit) == ("start", 18, 17.9, -1)
    assert only(broken(driver(start_uf=439), trees)).value == 440
    assert broken(driver(start_a=17.9), [trees[0], one_lamp(0.0, lamp())]) == []


def test_spare_load_is_that_much_more_of_everything() -> None:
    """Constant current: 2 A and a quarter are 2.5 A, 0.1 ohm takes 0.25 V; a resistance of 6 ohm becomes 4.8 ohm."""
    tree = grown(one_lamp(0.1, lamp(inrush_a=8)), 1.25)
    state = solve_driver(driver(), [tree], [12], Voltage())
    assert state.amps == pytest.approx(2.5)
    assert state.circuits[0].lamp_v[0] == pytest.approx(11.75)
    assert tree.lamp_types[0].inrush_a == 10
    assert tree.lamp_types[0].input_uf is None
    bulb = solve_driver(driver(), [grown(one_lamp(0.2, lamp(load="resistance")), 1.25)], [12], Voltage())
    assert bulb.circuits[0].lamp_v[0] == pytest.approx(12 * 4.8 / 5.0)
    plain = one_lamp(0.1, lamp())
    assert grown(plain, 1.0) is plain


def test_a_raised_tap_gives_no_more_amps() -> None:
    """60 VA with taps of 12 and 15 V: rated 4 A on any of them (trade rule for units of several taps)."""
    model = driver(rated_w=60, taps_v=[12, 15])
    assert broken(model, [one_lamp(0.0, lamp())] * 2) == []
    breach = only(broken(model, [one_lamp(0.0, lamp())] * 2 + [one_lamp(0.0, lamp(watts=1.2))]))
    assert (breach.limit, breach.value, breach.allowed) == ("driver amps", pytest.approx(4.1), 4.0)


def test_protection_that_fails() -> None:
    breach = only(broken(driver(), [one_lamp(0.0, lamp())], protections=[Protection(False, why_not="no fuse fits")]))
    assert (breach.limit, breach.where) == ("protection", "circuit 1: no fuse fits")


def test_collapse_is_told_with_what_could_be_carried() -> None:
    """11.76 V behind 0.8 ohm carries 43.2 W at most (V0²/4R); 50 W are asked for."""
    breach = only(broken(driver(), [one_lamp(0.8, lamp(load="power", watts=50))]))
    assert (breach.limit, breach.value) == ("collapse", 50)
    assert breach.allowed == pytest.approx(11.76**2 / 3.2, rel=1e-5)
    assert breach.margin == pytest.approx(breach.allowed - 50)


def test_a_circuit_dragged_down_by_its_neighbour_is_told_too() -> None:
    model = driver(kind="wound", regulation_pct=10, rated_w=100)
    state_of = [one_lamp(0.01, lamp(load="power", watts=2, supply="ac")), one_lamp(1.5, lamp(load="power", watts=60))]
    found = broken(model, state_of)
    assert [breach.limit for breach in found] == ["collapse", "collapse"]
    assert found[0].margin == 0
    assert found[1].margin < 0
