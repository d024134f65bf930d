"""What a sound circuit may show on site: the band holds every state between its ends, and no more than that."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from optimiser.electrics.bands import circuit_bands
from optimiser.electrics.circuit import node_loads
from optimiser.electrics.network import Network, solve
from optimiser.job import Driver, LampType, Voltage
from tests.electrics.test_circuit import one_lamp, tree_of

VOLTAGE = Voltage()
ELECTRONIC = Driver(taps_v=(12,), rated_w=100, price=1)
WOUND = Driver(kind="wound", taps_v=(12, 14), rated_w=150, regulation_pct=8, outlets=4, price=1)


def lamp(watts: float, load: str = "power") -> LampType:
    return LampType.model_validate({"watts": watts, "volts": 12, "load": load, "supply": "either"})


def test_one_lamp_by_hand() -> None:
    """
    20 m of 1.5 mm² class 5 (13.3 ohm/km, IEC 60228): 0.532 ohm a loop at 20 °C; 20 W behind 12 V ± 2 %.

    Copper at 40 and -10 °C by 0.00393 a kelvin. Constant power: V = (E + sqrt(E² - 4 R P)) / 2, the quadratic of
    V (E - V) = R P. The most drop is hot at 11.76 V, the least cold at 12.24 V.
    """
    loop_ohm = 2 * 20 * 13.3e-3
    (band,) = circuit_bands(ELECTRONIC, [one_lamp(loop_ohm, lamp(20))], [12], VOLTAGE)

    def drop(emf_v: float, celsius: float) -> float:
        ohm = loop_ohm * (1 + 0.00393 * (celsius - 20))
        return emf_v - (emf_v + math.sqrt(emf_v**2 - 4 * ohm * 20)) / 2

    assert band.most_drop_v[1] == pytest.approx(drop(11.76, 40), abs=1e-6)
    assert band.least_drop_v[1] == pytest.approx(drop(12.24, -10), abs=1e-6)
    assert band.idle_v == pytest.approx((11.76, 12.24))
    assert band.out_v == pytest.approx((11.76, 12.24))
    assert band.amps == pytest.approx((20 / (12.24 - drop(12.24, -10)), 20 / (11.76 - drop(11.76, 40))), abs=1e-6)


def test_a_wound_transformer_sags_from_its_idle_volts_to_its_loaded() -> None:
    """150 W of resistance on 150 VA: at rated mains 12.96 V idle, 12 V loaded (by definition); mains -6, +10 %."""
    (band,) = circuit_bands(WOUND, [one_lamp(0.0, lamp(150, "resistance"))], [12], VOLTAGE)
    assert band.idle_v == pytest.approx((0.94 * 12.96, 1.1 * 12.96))
    assert band.out_v == pytest.approx((0.94 * 12, 1.1 * 12))
    assert band.most_drop_v[1] == pytest.approx(0.0, abs=1e-9)


@settings(deadline=None, max_examples=60)
@given(
    load=st.sampled_from(["power", "current", "resistance"]),
    watts=st.lists(st.floats(1, 12), min_size=2, max_size=5),
    ohm=st.lists(st.floats(0.01, 0.25), min_size=5, max_size=5),
    at=st.floats(0, 1),
    celsius=st.floats(-10, 40),
)
def test_every_state_between_lies_in_the_band(
    load: str, watts: list[float], ohm: list[float], at: float, celsius: float
) -> None:
    """Any volts within the driver's tolerance and any copper between cold and hot, solved apart."""
    n = len(watts) + 1
    tree = tree_of([-1, *range(n - 1)], [0, *ohm[: n - 1]], {i + 1: lamp(w, load) for i, w in enumerate(watts)})
    (band,) = circuit_bands(ELECTRONIC, [tree], [12], VOLTAGE)
    emf_v = 11.76 + at * 0.48
    network = Network(tree.parent, *node_loads(tree, ac=False))
    state = solve(network, tree.loop_ohm(celsius), emf_v)
    if state.collapsed or not np.isfinite(band.most_drop_v).all():
        return
    drops = state.volts[0] - state.volts
    assert (drops <= band.most_drop_v + 1e-7).all()
    assert (drops >= band.least_drop_v - 1e-7).all()
    assert band.amps[0] - 1e-7 <= state.amps[0] <= band.amps[1] + 1e-7
