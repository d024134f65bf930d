"""The check's own network against closed forms: one constant-power load, its collapse point, a halved source."""

from __future__ import annotations

import math

import numpy as np
import pytest

from optimiser.check.nodal import Loads, lone_volts, solve_nodes

ONE = np.array([[0, 1]])


def lone(emf_v: float, ohm: float, power_w: float = 0.0, amps: float = 0.0, siemens: float = 0.0) -> float | None:
    loads = Loads(np.array([1]), np.array([power_w]), np.array([amps]), np.array([siemens]))
    found = solve_nodes(2, ONE, np.array([ohm]), loads, np.array([0]), np.array([emf_v]), np.zeros((1, 1)))
    alone = lone_volts(np.array([emf_v]), np.array([ohm]), np.array([power_w]), np.array([amps]), np.array([siemens]))
    if found is None:
        assert math.isnan(alone[0])
        return None
    assert alone[0] == pytest.approx(found[0][1], abs=1e-8)
    return float(found[0][1])


@pytest.mark.parametrize(("ohm", "power_w"), [(0.1, 10), (0.5, 60), (2.0, 17.9), (1e-6, 100)])
def test_one_load_of_constant_power(ohm: float, power_w: float) -> None:
    # V = (E + sqrt(E² - 4 R P)) / 2, the closed form of P = V (E - V) / R.
    assert lone(12, ohm, power_w) == pytest.approx((12 + math.sqrt(144 - 4 * ohm * power_w)) / 2, abs=1e-9)


def test_the_collapse_point() -> None:
    # P_max = E² / 4R = 18 W at 2 ohm, where V = E / 2.
    assert lone(12, 2.0, 17.9999) == pytest.approx(6, abs=0.02)
    assert lone(12, 2.0, 18.0001) is None
    assert lone(12, 2.0, 40) is None


def test_other_loads() -> None:
    assert lone(12, 0.5, amps=4) == pytest.approx(10, abs=1e-9)
    assert lone(12, 0.5, siemens=1 / 5.5) == pytest.approx(11, abs=1e-9)
    assert lone(12, 0.5, amps=30) is None


def test_two_sources_on_one_core() -> None:
    # Taps of 12 V and 24 V, regulation 10 %, 120 VA: Z = 0.1 / 120 x t_i t_j. Loads of 3 and 15 ohm behind 1 ohm, with
    # a = 12 I1 + 24 I2: V1 = 13.2 - 0.01 a, V2 = 26.4 - 0.02 a; I = V / R gives a = 79.2 - 0.06 a.
    taps, regulation, rated = np.array([12.0, 24.0]), 0.1, 120.0
    coupling = regulation / rated * np.outer(taps, taps)
    loads = Loads(np.array([2, 3]), np.zeros(2), np.zeros(2), np.array([1 / 3, 1 / 15]))
    ends, ohm = np.array([[0, 2], [1, 3]]), np.array([1.0, 1.0])
    found = solve_nodes(4, ends, ohm, loads, np.array([0, 1]), taps * (1 + regulation), coupling)
    assert found is not None
    a = 79.2 / 1.06
    assert found[0][:2] == pytest.approx([13.2 - 0.01 * a, 26.4 - 0.02 * a], abs=1e-6)


def test_currents_balance_at_every_node() -> None:
    rng = np.random.default_rng(7)
    for _ in range(20):
        n = 40
        ends = np.array([[int(rng.integers(0, i)), i] for i in range(1, n)])
        ohm = rng.uniform(0.001, 0.05, n - 1)
        at = np.arange(1, n)
        power = rng.uniform(0, 1.5, n - 1)
        found = solve_nodes(
            n, ends, ohm, Loads(at, power, 0 * power, 0 * power), np.array([0]), np.array([12.0]), np.zeros((1, 1))
        )
        assert found is not None
        volts, amps = found
        flow = (volts[ends[:, 0]] - volts[ends[:, 1]]) / ohm
        balance = np.zeros(n)
        np.add.at(balance, ends[:, 0], -flow)
        np.add.at(balance, ends[:, 1], flow)
        balance[at] -= power / volts[at]
        balance[0] += amps[0]
        assert np.abs(balance).max() < 1e-6
        # Power in = power out + losses.
        assert 12 * amps[0] == pytest.approx(power.sum() + (flow**2 * ohm).sum(), abs=1e-6)
