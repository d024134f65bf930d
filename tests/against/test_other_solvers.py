"""
Load flow against other programs on random radial networks: pandapower and ngspice.

ngspice is a Debian package (``apt-get install ngspice``); where it is missing, its tests skip, and numbers stored from
it are compared with.
"""

import re
import shutil
import subprocess
import warnings
from pathlib import Path

import numpy as np
import pytest

from optimiser.electrics.circuit import CircuitTree, solve_driver
from optimiser.electrics.network import Network, State, collapse_margin, solve
from optimiser.job import Driver, LampType, Voltage

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


Case = tuple[Network, np.ndarray, float]
"""A network, its (n,) resistances and its EMF."""


def by_pandapower(*cases: Case) -> list[State]:
    """
    The same networks, side by side, in pandapower: no reactance, kV and MW standing for V and W.

    Reactive power follows from the power factor. Its three-phase power per ampere is sqrt(3) V, so its currents are
    multiplied by sqrt(3).
    """
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # it warns of its own dependencies
        import pandapower

        net = pandapower.create_empty_network()
        first = np.cumsum([0] + [len(ohm) for _, ohm, _ in cases])
        for start, (network, ohm, source_v) in zip(first, cases, strict=False):
            n = len(network.parent)
            nominal_v = float(network.nominal_v[0])
            pandapower.create_buses(net, n, vn_kv=nominal_v)
            pandapower.create_ext_grid(net, start, vm_pu=source_v / nominal_v)
            pandapower.create_lines_from_parameters(
                net,
                (start + network.parent[1:]).tolist(),
                list(range(start + 1, start + n)),
                length_km=1.0,
                r_ohm_per_km=ohm[1:].tolist(),
                x_ohm_per_km=0.0,
                c_nf_per_km=0.0,
                max_i_ka=1.0,
            )
            loaded = np.flatnonzero(network.load)
            reactive = np.sqrt(1 / network.power_factor[loaded] ** 2 - 1)
            pandapower.create_loads(
                net,
                (start + loaded).tolist(),
                network.watts[loaded].tolist(),
                (network.watts[loaded] * reactive).tolist(),
                const_i_p_percent=np.where(network.load[loaded] == 2, 100, 0).tolist(),
                const_z_p_percent=np.where(network.load[loaded] == 3, 100, 0).tolist(),
            )
        # Its Newton steps leave constant current and resistance out of the derivative, so mixed loads take many.
        pandapower.runpp(net, tolerance_mva=1e-8, max_iteration=500, numba=False, calculate_voltage_angles=False)
    per_unit, line_a = net.res_bus.vm_pu.to_numpy(), np.sqrt(3) * net.res_line.i_ka.to_numpy()
    states = []
    for index, (network, ohm, _) in enumerate(cases):
        start, n = first[index], len(ohm)
        amps = line_a[start - index : start - index + n - 1]  # one line fewer than nodes in each
        states.append(
            State(
                per_unit[start : start + n] * float(network.nominal_v[0]),
                np.concatenate([[np.nan], amps]),
                np.bool_(False),
            )
        )
    return states


def random_network(seed: int) -> Case:
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
    few, many = 0, 40  # the fewest fifths taken off that leave the margin asked for: less copper, never less margin
    while few < many:
        middle = (few + many) // 2
        if collapse_margin(network, 0.8**middle * ohm, source_v) < target:
            few = middle + 1
        else:
            many = middle
    return network, 0.8**few * ohm, source_v


def assert_same(*cases: Case) -> None:
    for (network, ohm, source_v), theirs in zip(cases, by_pandapower(*cases), strict=True):
        ours = solve(network, ohm, source_v)
        assert not ours.collapsed
        assert np.abs(ours.volts - theirs.volts).max() < 1e-6
        assert np.abs(ours.amps[1:] - theirs.amps[1:]).max() < 1e-5


@pytest.mark.parametrize("seed", range(24))
def test_random_radial_networks_against_pandapower(seed: int) -> None:
    assert_same(random_network(seed))


@pytest.mark.slow
@pytest.mark.parametrize("first", range(1000, 1480, 20))  # with the 24 above: 504 networks
def test_many_random_radial_networks_against_pandapower(first: int) -> None:
    assert_same(*(random_network(seed) for seed in range(first, first + 20)))


def test_the_sample_is_loaded_enough_to_tell_constant_power_from_constant_current() -> None:
    """The random networks would be a weak test if their drops were all small."""
    drops = []
    for seed in range(24):
        network, ohm, source_v = random_network(seed)
        drops.append(1 - solve(network, ohm, source_v).volts.min() / source_v)
    assert max(drops) > 0.2
    assert np.median(drops) > 0.03


# --- alternating current -------------------------------------------------------------------------------------------


@pytest.mark.parametrize("seed", range(40, 52))
def test_volts_added_as_numbers_are_no_more_than_those_of_phasors(seed: int) -> None:
    """
    On ac, with lamps of a power factor below 1, the true volts lie between two load flows.

    At least those with the apparent power and drops added as numbers, which is what the plan counts with; at most those
    of the active power alone (``optimiser/electrics/interval.py`` proves both). pandapower adds them as phasors.
    """
    network, ohm, source_v = random_network(seed)
    rng = np.random.default_rng(seed)
    power = np.where(network.load > 0, 1, 0)
    factor = np.where(power > 0, rng.choice([0.6, 0.9, 1.0], len(power)), 1.0)
    ac = Network(network.parent, power, 0.5 * network.watts, network.nominal_v, factor)
    while collapse_margin(ac, ohm, source_v) < 1.2:
        ohm = 0.8 * ohm
    active = Network(ac.parent, ac.load, ac.watts, ac.nominal_v, np.ones(len(power)))
    theirs = by_pandapower((ac, ohm, source_v))[0].volts
    assert (solve(ac, ohm, source_v).volts <= theirs + 1e-6).all()
    assert (theirs <= solve(active, ohm, source_v).volts + 1e-6).all()
    unity = by_pandapower((active, ohm, source_v))[0].volts
    assert np.abs(solve(active, ohm, source_v).volts - unity).max() < 1e-6
    if (factor < 1).any():
        assert (unity - theirs).max() > 1e-4, "the power factor must matter in the sample"


# --- ngspice -------------------------------------------------------------------------------------------------------

NGSPICE = shutil.which("ngspice")
needs_ngspice = pytest.mark.skipif(
    NGSPICE is None,
    reason="ngspice is not installed (Debian: apt-get install ngspice); stored numbers are used",
)


def in_ngspice(deck: list[str], quantities: list[str], folder: Path) -> np.ndarray:
    """
    Values of ``quantities`` (``v(node)``, ``i(source)``) at the end of a sweep of the source VK from 0 to 1 V.

    Loads are written times V(k), so that they grow from nothing: each step starts from the one before, and the end is
    the operating point that a real circuit comes to, not another root.
    """
    assert NGSPICE is not None
    lines = [
        "radial network",
        *deck,
        "VK k 0 DC 0",
        # Newton's last step squares what is left, so 1e-9 ends near 1e-14; asked for less, rounding stops it.
        ".options reltol=1e-9 abstol=1e-12 vntol=1e-9 gmin=1e-16 itl1=500 itl2=500",
        ".control",
        "dc VK 0 1 0.025",
        "set numdgt=14",
        *(f"print {quantity}[40]" for quantity in [*quantities, "v(k)"]),
        ".endc",
        ".end",
        "",
    ]
    (folder / "deck.cir").write_text("\n".join(lines), encoding="ascii")
    done = subprocess.run(
        [NGSPICE, "-b", "deck.cir"], cwd=folder, capture_output=True, text=True, timeout=60, check=False
    )
    found = dict(re.findall(r"^([vi]\(\w+\))\[40\] = (\S+)", done.stdout, flags=re.MULTILINE))
    assert set(found) == {*quantities, "v(k)"} and float(found["v(k)"]) == 1, done.stdout + done.stderr
    return np.array([float(found[quantity]) for quantity in quantities])


def spice_load(node: str, kind: int, watts: float, nominal_v: float) -> str:
    """A load of one of the three kinds from ``node`` to ground, by its own law."""
    law = {1: f"{watts!r}/max(V({node}),1)", 2: f"{watts / nominal_v!r}", 3: f"V({node})*{watts / nominal_v**2!r}"}
    return f"BL{node} {node} 0 I = V(k)*{law[kind]}"


def by_ngspice(network: Network, ohm: np.ndarray, source_v: float, folder: Path) -> State:
    """A resistor in each branch, in series with a source of 0 V that measures its current."""
    n = len(ohm)
    deck = [f"VS n0 0 DC {source_v!r}"]
    for node, above in enumerate(network.parent.tolist()):
        if node:
            deck += [f"VM{node} n{above} m{node} DC 0", f"RB{node} m{node} n{node} {float(ohm[node])!r}"]
        if network.load[node]:
            watts, nominal_v = float(network.watts[node]), float(network.nominal_v[node])
            deck.append(spice_load(f"n{node}", int(network.load[node]), watts, nominal_v))
    found = in_ngspice(deck, [f"v(n{i})" for i in range(n)] + [f"i(vm{i})" for i in range(1, n)], folder)
    return State(found[:n], np.concatenate([[np.nan], found[n:]]), np.bool_(False))


def assert_same_as_ngspice(network: Network, ohm: np.ndarray, source_v: float, folder: Path) -> None:
    ours, theirs = solve(network, ohm, source_v), by_ngspice(network, ohm, source_v, folder)
    assert np.abs(ours.volts - theirs.volts).max() < 1e-6
    assert np.abs(ours.amps[1:] - theirs.amps[1:]).max() < 1e-6


@needs_ngspice
def test_feeder_in_ngspice(tmp_path: Path) -> None:
    """The numbers stored above are what it says today."""
    theirs = by_ngspice(FEEDER, FEEDER_OHM, 12.0, tmp_path)
    assert theirs.volts[1:] == pytest.approx([11.24162916418, 10.96810890410, 11.02392077818], abs=1e-9)
    assert_same_as_ngspice(FEEDER, FEEDER_OHM, 12.0, tmp_path)


@needs_ngspice
@pytest.mark.parametrize("seed", range(100, 116))
def test_random_radial_networks_against_ngspice(seed: int, tmp_path: Path) -> None:
    """Mixes of the three kinds of load, up to 1.3 times from collapse."""
    assert_same_as_ngspice(*random_network(seed), tmp_path)


@needs_ngspice
@pytest.mark.slow
@pytest.mark.parametrize("seed", range(2000, 2200))
def test_many_random_radial_networks_against_ngspice(seed: int, tmp_path: Path) -> None:
    assert_same_as_ngspice(*random_network(seed), tmp_path)


@needs_ngspice
@pytest.mark.parametrize("seed", range(4))
def test_circuits_on_the_taps_of_one_core_against_ngspice(seed: int, tmp_path: Path) -> None:
    """
    A wound transformer with a circuit on each of two taps, as a circuit: one EMF, one resistance, ideal windings.

    A winding of ratio k is a voltage source of k times the core's volts and a current source of k times its amps. Ours
    folds both circuits into one tree instead.
    """
    rng = np.random.default_rng(seed)
    driver = Driver(kind="wound", taps_v=(12, 14), rated_w=150, regulation_pct=8, outlets=2, price=1)
    kinds = ["power", "current", "resistance"]
    lamps = [
        LampType(watts=float(rng.uniform(5, 30)), volts=12, supply="either", load=kind, power_factor=1)
        for kind in rng.permutation(kinds)
    ]
    ohm = rng.uniform(0.05, 0.3, 3)
    one = CircuitTree(
        np.array([-1, 0]), np.zeros(2), np.zeros(2), np.array([0, ohm[0]]), np.array([-1, 0]), (lamps[0],)
    )
    two = CircuitTree(
        np.array([-1, 0, 1]), np.zeros(3), np.zeros(3), np.array([0, *ohm[1:]]), np.array([-1, 0, 1]), tuple(lamps[1:])
    )
    state = solve_driver(driver, [one, two], [12, 14], Voltage())

    codes = {"power": 1, "current": 2, "resistance": 3}
    deck = [
        f"VS emf 0 DC {12 * 1.08!r}",
        f"RC emf core {0.08 * 144 / 150!r}",
        "E1 out1 0 core 0 1",
        "F1 core 0 E1 -1",
        f"E2 out2 0 core 0 {14 / 12!r}",
        f"F2 core 0 E2 {-14 / 12!r}",
        f"R1 out1 a {float(ohm[0])!r}",
        f"R2 out2 b {float(ohm[1])!r}",
        f"R3 b c {float(ohm[2])!r}",
        *(spice_load(node, codes[lamp.load], lamp.watts, 12.0) for node, lamp in zip("abc", lamps, strict=True)),
    ]
    found = in_ngspice(deck, ["v(out1)", "v(out2)", "v(a)", "v(b)", "v(c)"], tmp_path)
    first, second = state.circuits
    assert [first.out_v, second.out_v, *first.lamp_v, *second.lamp_v] == pytest.approx(found, abs=1e-6)
