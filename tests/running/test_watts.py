"""Where a driver's output goes, against closed forms; and what must hold of any circuit at any dim level."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from optimiser.electrics import CircuitTree
from optimiser.job import Driver, LampType, Voltage
from optimiser.running import output_watts

COOL = Voltage(hot_c=20, sun_c=20)
DC = Driver(taps_v=(12,), rated_w=100, price=0)


def in_a_row(lamps: list[LampType], ohm: list[float]) -> CircuitTree:
    """Lamps one after another, each at the end of the next piece."""
    n = len(lamps) + 1
    return CircuitTree(
        parent=np.arange(-1, n - 1),
        buried20_ohm=np.array([0.0, *ohm]),
        sun20_ohm=np.zeros(n),
        contact_ohm=np.zeros(n),
        lamp=np.arange(-1, n - 1),
        lamp_types=tuple(lamps),
    )


def lamp(watts: float, load: str, **more: object) -> LampType:
    return LampType.model_validate({"watts": watts, "volts": 12, "supply": "either", "load": load, **more})


@pytest.mark.parametrize("dim_pct", [100, 50, 10])
def test_one_lamp_of_constant_power(dim_pct: float) -> None:
    # V = (E + sqrt(E² - 4 R P)) / 2 and I = P / V; at 12 V, 0.8 ohm, 20 W: 10.472 V and 1.910 A (see the load flow).
    power_w = 20 * dim_pct / 100
    volts = (12 + math.sqrt(144 - 4 * 0.8 * power_w)) / 2
    watts = output_watts(DC, [in_a_row([lamp(20, "power")], [0.8])], [12], COOL, dim_pct)
    assert watts.lamps_w == pytest.approx(power_w)
    assert watts.cable_w == pytest.approx(0.8 * (power_w / volts) ** 2, rel=1e-9)
    assert watts.output_w == pytest.approx(12 * power_w / volts, rel=1e-9)


@pytest.mark.parametrize(("dim_pct", "lamp_w", "cable_w"), [(100, 23.2, 0.8), (50, 11.8, 0.2)])
def test_one_lamp_of_constant_current(dim_pct: float, lamp_w: float, cable_w: float) -> None:
    # 24 W at 12 V draw 2 A: 2² x 0.2 = 0.8 W in the cable, (12 - 0.4) x 2 = 23.2 W in the lamp. At half, 1 A: 0.2 W and
    # 11.8 x 1 W.
    watts = output_watts(DC, [in_a_row([lamp(24, "current")], [0.2])], [12], COOL, dim_pct)
    assert (watts.lamps_w, watts.cable_w) == pytest.approx((lamp_w, cable_w))


@pytest.mark.parametrize("dim_pct", [100, 40])
def test_halogen_lamps_are_chopped(dim_pct: float) -> None:
    # 14.4 W at 12 V is 10 ohm. Behind 2 ohm on 12 V: 1 A, 10 W in the lamp, 2 W in the cable; both by the part of time.
    watts = output_watts(DC, [in_a_row([lamp(14.4, "resistance")], [2.0])], [12], COOL, dim_pct)
    assert (watts.lamps_w, watts.cable_w) == pytest.approx((10 * dim_pct / 100, 2 * dim_pct / 100))
    # Lower volts, E x sqrt(d), would come to the same: all is linear, and power goes with the volts' square.
    lower = Driver(taps_v=(12 * math.sqrt(dim_pct / 100),), rated_w=100, price=0)
    same = output_watts(lower, [in_a_row([lamp(14.4, "resistance")], [2.0])], lower.taps_v, COOL)
    assert (same.lamps_w, same.cable_w) == pytest.approx((watts.lamps_w, watts.cable_w))


def test_a_mix_is_the_mean_of_its_two_states() -> None:
    # 12 V behind 1 ohm: a lamp of 10 ohm, and one of 1 A at full, 0.5 A at half, on the same joint. Chopped lamp on:
    # V = (12 - 0.5) / 1.1 = 10.4545 V; 10.9298 W and 5.2273 W in the lamps, 1.54545² = 2.38843 W in the cable. Off:
    # 11.5 V; 5.75 W and 0.25 W. At half, the mean of both.
    tree = in_a_row([lamp(14.4, "resistance"), lamp(12, "current")], [1.0, 0.0])
    watts = output_watts(DC, [tree], [12], COOL, 50)
    assert watts.lamps_w == pytest.approx((10.929752 + 5.227273 + 5.75) / 2, abs=1e-6)
    assert watts.cable_w == pytest.approx((2.388430 + 0.25) / 2, abs=1e-6)


def test_ac_lamps_take_their_real_power_and_heat_cable_with_all_their_amps() -> None:
    # 10 W at power factor 0.5 draw as 20 VA do: with 12 V and 0.8 ohm that is 1.9098 A (20 W above), 2.9180 W of heat.
    # An electronic source on ac, so that nothing sags.
    ac = Driver(taps_v=(12,), rated_w=100, output="ac", price=0)
    watts = output_watts(ac, [in_a_row([lamp(10, "power", power_factor=0.5)], [0.8])], [12], COOL)
    assert watts.lamps_w == pytest.approx(10)
    assert watts.cable_w == pytest.approx(0.8 * (20 / 10.47213595499958) ** 2)


def test_what_the_driver_loses() -> None:
    # 20 W out at 80 % are 25 W in: 5 W.
    driver = Driver(taps_v=(12,), rated_w=100, price=0, efficiency_pct=80)
    watts = output_watts(driver, [in_a_row([lamp(20, "power")], [0.0])], [12], COOL)
    assert watts.loss_w(driver) == pytest.approx(5)


LOADS = st.lists(
    st.tuples(st.floats(1, 8), st.sampled_from(["power", "current", "resistance"]), st.floats(0.01, 0.08)),
    min_size=1,
    max_size=6,
)


@settings(max_examples=50, deadline=None)
@given(LOADS, st.floats(5, 100), st.booleans())
def test_dimming_saves_energy_and_more_of_it_in_cable(
    loads: list[tuple[float, str, float]], dim_pct: float, wound: bool
) -> None:
    source = {"kind": "wound", "regulation_pct": 6, "output": "dc"} if wound else {}
    driver = Driver.model_validate({"taps_v": (12,), "rated_w": 100, "price": 0, **source})
    tree = in_a_row([lamp(w, kind) for w, kind, _ in loads], [ohm for *_, ohm in loads])
    full = output_watts(driver, [tree], [12], COOL)
    dimmed = output_watts(driver, [tree], [12], COOL, dim_pct)
    share = dim_pct / 100
    assert dimmed.lamps_w <= full.lamps_w + 1e-9
    assert dimmed.cable_w <= share * full.cable_w + 1e-9  # chopped: just so much; the others: less, for it is convex
    assert dimmed.cable_w >= share**2 * full.cable_w * 0.7  # lamps of constant power draw less at their better volts
