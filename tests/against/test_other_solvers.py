"""Load flow against other programs: numbers stored from ngspice, and pandapower on random radial networks."""

import warnings

import numpy as np
import pytest

from optimiser.electrics.network import Network, State, collapse_margin, solve

# 12.0 V; 0.30 ohm to A (10 W); from A 0.25 ohm to B (12 W) and 0.40 ohm to C (6 W). Operating point found with
# ngspice 39.3 (loads as behavioural current sources, reltol 1e-12) to the digits printed.
FEEDER = Network(
    np.array([-1, 0, 1, 1]), np.array([0, 1, 1, 1]), np.array([0, 10.0, 12, 6]), np.full(4, 12.0), np.ones(4)
)
FEEDER_OHM = np.array([0, 0.30, 0.25, 0.40])


def test_feeder_against_ngspice() -> None:
    state = solve(FEEDER, FEEDER_OHM, 12.0)
    assert state.volts[1:] == pytest.approx([11.24162916418, 10.96810890410, 11.02392077818], abs=1e-10)
    assert state.amps[1] == pytest.approx(2.52790278606, abs=1e-10)
    assert (FEEDER_OHM * state.amps**2).sum() == pytest.approx(2.334833432762, abs=1e-9)
    assert 12 * state.amps[0] == pytest.approx(30.334833432762, abs=1e-9)


def test_feeder_with_constant_currents_by_exact_arithmetic() -> None:
    """I = P / 12 in each lamp: 11.3, 11.05 and 11.1 V (lcapy, exact fractions)."""
    state = solve(Network(FEEDER.parent, 2 * FEEDER.load, FEEDER.watts, FEEDER.nominal_v, np.ones(4)), FEEDER_OHM, 12.0)
    assert state.volts[1:] == pytest.approx([11.3, 11.05, 11.1], abs=1e-12)


def by_pandapower(network: Network, ohm: np.ndarray, source_v: float) -> State:
    """
    The same network in pandapower: no reactance, no reactive power, kV and MW standing for V and W.

    Its three-phase power per ampere is sqrt(3) V, so its currents are multiplied by sqrt(3).
    """
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # it warns of its own dependencies
        import pandapower

        n = len(network.parent)
        nominal_v = float(network.nominal_v[0])
        net = pandapower.create_empty_network()
        pandapower.create_buses(net, n, vn_kv=nominal_v)
        pandapower.create_ext_grid(net, 0, vm_pu=source_v / nominal_v)
        pandapower.create_lines_from_parameters(
            net,
            network.parent[1:].tolist(),
            list(range(1, n)),
            length_km=1.0,
            r_ohm_per_km=ohm[1:].tolist(),
            x_ohm_per_km=0.0,
            c_nf_per_km=0.0,
            max_i_ka=1.0,
        )
        loaded = np.flatnonzero(network.load)
        pandapower.create_loads(
            net,
            loaded.tolist(),
            network.watts[loaded].tolist(),
            const_i_p_percent=np.where(network.load[loaded] == 2, 100, 0).tolist(),
            const_z_p_percent=np.where(network.load[loaded] == 3, 100, 0).tolist(),
        )
        # Its Newton steps leave constant current and resistance out of the derivative, so mixed loads take many.
        pandapower.runpp(net, tolerance_mva=1e-8, max_iteration=500, numba=False, calculate_voltage_angles=False)
    volts = net.res_bus.vm_pu.to_numpy() * nominal_v
    amps = np.concatenate([[np.nan], np.sqrt(3) * net.res_line.i_ka.to_numpy()])
    return State(volts, amps, np.bool_(False))


def random_network(seed: int) -> tuple[Network, np.ndarray, float]:
    """A radial network of 2 to 60 nodes; its constant-power loads could grow 1.3- to 8-fold before collapse."""
    rng = np.random.default_rng(seed)
    n = int(rng.integers(2, 61))
    depth = int(rng.integers(1, 6))  # 1: a chain; more: bushier
    parent = np.array([-1, *(int(rng.integers(max(0, i - depth), i)) for i in range(1, n))])
    load = np.array([0, *rng.choice([0, 1, 1, 1, 2, 3], n - 1)])
    load[-1] = 1
    nominal_v = float(rng.choice([12.0, 24.0]))
    watts = np.where(load > 0, rng.uniform(0.5, 10, n), 0)
    network = Network(parent, load, watts, np.full(n, nominal_v), np.ones(n))
    ohm = rng.uniform(0.02, 2.0, n)
    source_v = nominal_v * float(rng.uniform(0.98, 1.12))
    target = float(np.exp(rng.uniform(np.log(1.3), np.log(8))))
    while collapse_margin(network, ohm, source_v) < target:
        ohm *= 0.8
    return network, ohm, source_v


def assert_same(seed: int) -> None:
    network, ohm, source_v = random_network(seed)
    ours, theirs = solve(network, ohm, source_v), by_pandapower(network, ohm, source_v)
    assert not ours.collapsed
    assert np.abs(ours.volts - theirs.volts).max() < 1e-6
    assert np.abs(ours.amps[1:] - theirs.amps[1:]).max() < 1e-5


@pytest.mark.parametrize("seed", range(24))
def test_random_radial_networks_against_pandapower(seed: int) -> None:
    assert_same(seed)


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(1000, 1300))
def test_many_random_radial_networks_against_pandapower(seed: int) -> None:
    assert_same(seed)


def test_the_sample_is_loaded_enough_to_tell_constant_power_from_constant_current() -> None:
    """The random networks would be a weak test if their drops were all small."""
    drops = []
    for seed in range(24):
        network, ohm, source_v = random_network(seed)
        drops.append(1 - solve(network, ohm, source_v).volts.min() / source_v)
    assert max(drops) > 0.2
    assert np.median(drops) > 0.03
