"""Guaranteed volts: closed forms, every corner of small networks, points inside, any waveform on ac."""

import math
from itertools import product

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from scipy.optimize import fsolve

from optimiser.electrics.interval import Interval, Limits, lone_high_volts, volts_within
from optimiser.electrics.network import Network, collapse_margin, load_margin, solve
from optimiser.problems import CircuitCollapses


def network_of(parent: list[int], load: list[int], factor: list[float] | None = None) -> Network:
    n = len(parent)
    nominal_v = np.full(n, 12.0)
    return Network(np.array(parent), np.array(load), np.zeros(n), nominal_v, np.array(factor or [1.0] * n))


def limits_of(ohm: list[tuple[float, float]], watts: list[tuple[float, float]], emf_v: tuple[float, float]) -> Limits:
    ohms, loads = np.array([(0.0, 0.0), *ohm]), np.array([(0.0, 0.0), *watts])
    return Limits(ohms[:, 0], ohms[:, 1], loads[:, 0], loads[:, 1], *emf_v)


def corners(network: Network, limits: Limits) -> np.ndarray:
    """(2^k, n) volts at every corner: each resistance, each load and the EMF at its lowest or highest."""
    n = len(network.parent)
    ohm_at = [i for i in range(1, n) if limits.low_ohm[i] < limits.high_ohm[i]]
    load_at = [i for i in range(1, n) if network.load[i] and limits.low_w[i] < limits.high_w[i]]
    rows = []
    for ends in product((0, 1), repeat=len(ohm_at) + len(load_at) + 1):
        ohm, watts = limits.low_ohm.copy(), limits.low_w.copy()
        for at, end in zip(ohm_at, ends, strict=False):
            ohm[at] = (limits.low_ohm, limits.high_ohm)[end][at]
        for at, end in zip(load_at, ends[len(ohm_at) :], strict=False):
            watts[at] = (limits.low_w, limits.high_w)[end][at]
        rows.append((ohm, watts, (limits.low_emf_v, limits.high_emf_v)[ends[-1]]))
    ohms, loads, emfs = (np.array(part) for part in zip(*rows, strict=True))
    return solve(network, ohms, emfs, watts=loads).volts


@st.composite
def cases(draw: st.DrawFn, kinds: tuple[int, ...], max_nodes: int = 6) -> tuple[Network, Limits]:
    """A tree that stands with some room at its heaviest."""
    n = draw(st.integers(2, max_nodes))
    parent = [-1] + [draw(st.integers(0, i - 1)) for i in range(1, n)]
    load = [0] + [draw(st.sampled_from(kinds)) for _ in range(n - 1)]
    spread = st.sampled_from([0.0, 0.03, 0.1, 0.3])

    def within(value: float) -> tuple[float, float]:
        return value * (1 - draw(spread)), value * (1 + draw(spread))

    ohm = [within(draw(st.floats(0, 0.3))) for _ in range(n - 1)]
    watts = [within(draw(st.floats(0.5, 30))) for _ in range(n - 1)]
    limits = limits_of(ohm, watts, within(draw(st.floats(11, 14))))
    network = network_of(parent, load)
    heaviest = Network(network.parent, network.load, limits.high_w, network.nominal_v, network.power_factor)
    assume(load_margin(heaviest, limits.high_ohm, limits.low_emf_v) > 1.2)
    return network, limits


# --- corners -------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("load", [1, 2, 3])
def test_one_load_has_its_closed_form_at_both_corners(load: int) -> None:
    found = volts_within(network_of([-1, 0], [0, load]), limits_of([(0.4, 0.6)], [(9, 12)], (11.5, 12.5)))

    def closed(emf_v: float, ohm: float, watts: float) -> float:
        if load == 1:
            return (emf_v + math.sqrt(emf_v**2 - 4 * ohm * watts)) / 2
        return emf_v - ohm * watts / 12 if load == 2 else emf_v / (1 + ohm * watts / 144)

    assert found.low_v[1] == pytest.approx(closed(11.5, 0.6, 12), abs=1e-9)
    assert found.high_v[1] == pytest.approx(closed(12.5, 0.4, 9), abs=1e-9)
    assert found.low_reached.all() and found.high_reached.all()


@given(cases((0, 1, 1, 2)))
@settings(max_examples=150, deadline=None)
def test_powers_and_currents_against_every_corner(case: tuple[Network, Limits]) -> None:
    """Up to 2^11 corners: the interval is just their hull, at every node."""
    network, limits = case
    found, every = volts_within(network, limits), corners(network, limits)
    np.testing.assert_allclose(found.low_v, every.min(axis=0), atol=1e-7)
    np.testing.assert_allclose(found.high_v, every.max(axis=0), atol=1e-7)
    assert found.low_reached.all() and found.high_reached.all()


def assert_holds(found: Interval, volts: np.ndarray) -> None:
    assert (found.low_v <= volts + 1e-7).all()
    assert (volts <= found.high_v + 1e-7).all()


@given(cases((0, 1, 2, 3, 3)), st.integers(0, 2**32 - 1))
@settings(max_examples=200, deadline=None)
def test_any_mix_against_every_corner_and_points_inside(case: tuple[Network, Limits], seed: int) -> None:
    network, limits = case
    found, every = volts_within(network, limits), corners(network, limits)
    if np.isnan(found.low_v).any():
        return
    assert_holds(found, every)
    low, high = found.low_reached, found.high_reached
    np.testing.assert_allclose(found.low_v[low], every.min(axis=0)[low], atol=1e-7)
    np.testing.assert_allclose(found.high_v[high], every.max(axis=0)[high], atol=1e-7)
    if not (network.load == 1).any() or not (network.load == 3).any():
        assert low.all() and high.all()  # of one sign alone, nothing is in doubt
    rng, n = np.random.default_rng(seed), len(network.parent)
    inside = solve(
        network,
        rng.uniform(limits.low_ohm, limits.high_ohm, (300, n)),
        rng.uniform(limits.low_emf_v, limits.high_emf_v, 300),
        watts=rng.uniform(limits.low_w, limits.high_w, (300, n)),
    )
    assert_holds(found, inside.volts)


def test_a_neighbours_cable_is_worst_when_thick_if_a_resistance_hangs_on_it() -> None:
    """
    A joint, a lamp of constant power on it, and beside it a resistance behind a cable of its own.

    The lamp has its lowest volts where the neighbour's cable has its *least* resistance: the corner with everything at
    its highest is not the worst, and a check of that corner alone would be wrong.
    """
    network = network_of([-1, 0, 1, 1], [0, 0, 1, 3])
    limits = limits_of([(0.2, 0.2), (0.1, 0.1), (0.1, 0.5)], [(0, 0), (10, 10), (20, 20)], (12, 12))
    found = volts_within(network, limits)
    heaviest = solve(network, limits.high_ohm, 12.0, watts=limits.high_w).volts
    worst = solve(network, limits.low_ohm, 12.0, watts=limits.high_w).volts
    assert worst[2] < heaviest[2] - 0.01
    assert found.low_v[2] == pytest.approx(worst[2], abs=1e-9)
    assert found.low_v[3] == pytest.approx(heaviest[3], abs=1e-9)  # on its own way it is the other way round
    assert found.low_reached.all()


def test_where_monotony_fails_a_bound_is_given_and_no_corner_claimed() -> None:
    """A resistance and a constant power that cancel within the limits: at 12 V, dI/dV = 20/144 - 20/144."""
    network = network_of([-1, 0, 1, 2, 2], [0, 0, 0, 1, 3])
    limits = limits_of(
        [(0.2, 0.2), (0.05, 0.6), (0.0, 0.0), (0.0, 0.0)], [(0, 0), (0, 0), (20, 20), (24, 24)], (13, 13)
    )
    found = volts_within(network, limits)
    assert not found.low_reached[1] and not found.high_reached[1]
    ohm = np.tile(limits.low_ohm, (500, 1))
    ohm[:, 2] = np.linspace(0.05, 0.6, 500)
    volts = solve(network, ohm, 13.0, watts=limits.low_w).volts
    assert_holds(found, volts)
    at_joint = volts[:, 1]
    assert at_joint.max() > max(at_joint[0], at_joint[-1]) + 1e-3, "the highest volts lie inside, at no corner"
    assert found.high_v[1] - at_joint.max() < 0.03
    assert at_joint.min() - found.low_v[1] < 0.03
    assert found.low_reached[2:].all(), "the branch lies on the way of those behind it"


def test_unclear_branches_cost_little() -> None:
    """
    Forty lamps, half of them resistances of the same watts: signs are unclear almost everywhere.

    The bound lies below the heaviest variant, which is within the limits, by millivolts in a drop of more than 1 V.
    """
    rng = np.random.default_rng(0)
    parent, load, joints = [-1], [0], [0]
    for _ in range(40):
        parent += [int(rng.choice(joints[-4:])), len(parent)]
        joints.append(len(parent) - 2)
        load += [0, int(rng.choice([1, 3]))]
    network, lead = network_of(parent, load), np.array(load) > 0
    ohm, watts = np.where(lead, 0.05, 0.008), np.where(lead, 5.0, 0.0)
    limits = Limits(0.88 * ohm, 1.1 * ohm, 0.95 * watts, 1.05 * watts, 11.76, 12.24)
    found = volts_within(network, limits)
    heaviest = solve(network, limits.high_ohm, limits.low_emf_v, watts=limits.high_w).volts
    assert not found.low_reached.all()
    assert 12 - heaviest.min() > 1
    assert 0 <= (heaviest - found.low_v)[lead].max() < 0.005


def test_wider_limits_give_a_wider_interval() -> None:
    network = network_of([-1, 0, 1, 1, 3], [0, 1, 3, 2, 1])
    widths = []
    for spread in (0.0, 0.02, 0.05, 0.1):
        ohm = [(0.1 * (1 - spread), 0.1 * (1 + spread))] * 4
        watts = [(8 * (1 - spread), 8 * (1 + spread))] * 4
        found = volts_within(network, limits_of(ohm, watts, (12 - spread, 12 + spread)))
        widths.append(found.high_v - found.low_v)
    assert np.abs(widths[0]).max() < 1e-8
    assert (np.diff(widths, axis=0)[:, 1:] > 0).all()


# --- lamps off -----------------------------------------------------------------------------------------------------


@given(cases((0, 1, 2, 3), 5))
@settings(max_examples=60, deadline=None)
def test_all_ways_of_switching_at_every_corner(case: tuple[Network, Limits]) -> None:
    """The lowest volts are found with all on, the highest with the lamp alone; a lamp counts where it is on."""
    network, limits = case
    found, lone = volts_within(network, limits), lone_high_volts(network, limits)
    if np.isnan(found.low_v).any():
        return
    loads = [i for i in range(len(network.parent)) if network.load[i]]
    highest = np.full(len(network.parent), -np.inf)
    for switch in product((True, False), repeat=len(loads)):
        lit = [node for node, on in zip(loads, switch, strict=True) if on]
        load = np.where(np.isin(np.arange(len(network.parent)), lit), network.load, 0)
        some = Network(network.parent, load, network.watts, network.nominal_v, network.power_factor)
        every = corners(some, limits)
        assert (found.low_v[lit] <= every[:, lit] + 1e-7).all()
        highest[lit] = np.maximum(highest[lit], every[:, lit].max(axis=0))
    np.testing.assert_allclose(lone[loads], highest[loads], atol=1e-7)
    assert np.isnan(lone[network.load == 0]).all()


# --- alternating current -------------------------------------------------------------------------------------------


def by_phasors(
    network: Network, ohm: np.ndarray, emf_v: float, watts: np.ndarray, sense: np.ndarray
) -> np.ndarray | None:
    """
    Volts at each node with currents that lag (sense -1) or lead (1) by the power factor's angle: plain repetition.

    None where it does not settle.
    """
    n = len(network.parent)
    on_way = np.eye(n)
    for node in range(1, n):
        on_way[node] += on_way[network.parent[node]]
    on_way[:, 0] = 0
    shared = on_way @ np.diag(ohm) @ on_way.T
    turn = np.exp(1j * sense * np.arccos(network.power_factor))
    volts = np.full(n, emf_v, complex)
    for _ in range(3000):
        size, phase = np.abs(volts), volts / np.abs(volts)
        amps = np.select(
            [network.load == 1, network.load == 2, network.load == 3],
            [
                watts / network.power_factor / size * phase * turn,
                watts / network.power_factor / network.nominal_v * phase * turn,
                watts / network.nominal_v**2 * volts,
            ],
            0,
        )
        new = emf_v - shared @ amps
        if np.abs(new - volts).max() < 1e-11:
            return np.abs(new)
        volts = 0.5 * volts + 0.5 * new
    return None


@given(cases((0, 1, 2, 3)), st.integers(0, 2**32 - 1))
@settings(max_examples=100, deadline=None)
def test_phasors_of_any_power_factor_lie_inside(case: tuple[Network, Limits], seed: int) -> None:
    network, limits = case
    rng, n = np.random.default_rng(seed), len(network.parent)
    factor = np.where(network.load == 3, 1.0, rng.choice([0.5, 0.6, 0.9, 1.0], n))
    ac = Network(network.parent, network.load, network.watts, network.nominal_v, factor)
    heaviest = Network(ac.parent, ac.load, limits.high_w, ac.nominal_v, factor)
    if collapse_margin(heaviest, limits.high_ohm, limits.low_emf_v) < 1.1:
        return
    found, lone = volts_within(ac, limits), lone_high_volts(ac, limits)
    out_of_phase = bool(((factor < 1) & (network.load > 0)).any())
    assert not (out_of_phase and found.low_reached.any())
    if np.isnan(found.low_v).any():
        return
    for _ in range(4):
        ohm, watts = rng.uniform(limits.low_ohm, limits.high_ohm), rng.uniform(limits.low_w, limits.high_w)
        emf_v = rng.uniform(limits.low_emf_v, limits.high_emf_v)
        volts = by_phasors(ac, ohm, emf_v, watts, rng.choice([-1, 1], n))
        assert volts is not None
        assert_holds(found, volts)
        assert (solve(ac, ohm, emf_v, watts=watts).volts <= volts + 1e-7).all()  # as the plan counts
        lit = rng.random(n) < 0.7
        some = by_phasors(ac, ohm, emf_v, watts * lit, rng.choice([-1, 1], n))
        assert some is not None
        assert (some <= lone + 1e-7)[lit & (network.load > 0)].all()


@pytest.mark.parametrize("kind", [1, 2])
def test_beside_resistances_on_ac_the_least_is_a_corner_of_loads_in_phase(kind: int) -> None:
    """Halogen and LED on one transformer: what no waveform undercuts is no lower than it must be."""
    network = network_of([-1, 0, 1, 1], [0, 0, kind, 3], [1.0, 1.0, 0.6, 1.0])
    limits = limits_of([(0.1, 0.16), (0.1, 0.2), (0.1, 0.2)], [(0, 0), (9, 11), (18, 22)], (11.0, 12.6))
    found = volts_within(network, limits)
    assert found.low_v == pytest.approx(corners(network, limits).min(axis=0), abs=1e-7)
    assert not found.low_reached.any() and not found.high_reached.any()


@pytest.mark.parametrize("seed", range(6))
def test_currents_that_are_no_sines_lie_inside(seed: int) -> None:
    """
    Two lamps that draw pulses, each at another moment of the cycle, behind a common and an own cable.

    Solved moment by moment over one cycle, v(t) = e(t) - R i(t), for the heights of the pulses that give 8 W and 5 W.
    The power factor is what follows from these waveforms: power over r.m.s. volts times r.m.s. amps.
    """
    rng = np.random.default_rng(seed)
    angle = 2 * np.pi * (np.arange(2000) + 0.5) / 2000
    emf = 12 * math.sqrt(2) * np.sin(angle)
    shapes = []
    for _ in range(2):
        first, width = rng.uniform(0.1, 1.2), rng.uniform(1.0, 1.6)
        pulse = ((angle % np.pi) > first) & ((angle % np.pi) < first + width)
        shapes.append(np.where(angle < np.pi, 1, -1) * pulse * rng.uniform(0.5, 1.5, 2000).cumsum() / 1000)
    common, own, watts = 0.25, np.array([0.1, 0.3]), np.array([8.0, 5.0])

    def waves(heights: np.ndarray) -> tuple[list[np.ndarray], list[np.ndarray]]:
        amps = [height * shape for height, shape in zip(heights, shapes, strict=True)]
        joint = emf - common * (amps[0] + amps[1])
        return amps, [joint - ohm * amp for ohm, amp in zip(own, amps, strict=True)]

    def missing(heights: np.ndarray) -> list[float]:
        amps, volts = waves(heights)
        return [float((v * i).mean() - w) for v, i, w in zip(volts, amps, watts, strict=True)]

    heights, _, found, _ = fsolve(missing, [0.1, 0.1], full_output=True)
    assert found == 1
    amps, volts = waves(heights)

    def rms(wave: np.ndarray) -> float:
        return math.sqrt((wave**2).mean())

    factor = [w / (rms(v) * rms(i)) for v, i, w in zip(volts, amps, watts, strict=True)]
    assert max(factor) < 0.99
    network = network_of([-1, 0, 1, 1], [0, 0, 1, 1], [1, 1, *factor])
    limits = limits_of([(r, r) for r in (common, *own)], [(0, 0), *((w, w) for w in watts)], (12, 12))
    interval, lone = volts_within(network, limits), lone_high_volts(network, limits)
    for node, wave in zip((2, 3), volts, strict=True):
        assert interval.low_v[node] - 1e-6 <= rms(wave) <= interval.high_v[node] + 1e-6 < lone[node]


# --- no guarantee, wrong input -------------------------------------------------------------------------------------


def test_a_collapse_within_the_limits_is_raised_with_its_margin() -> None:
    """12 V behind 0.8 ohm carries 45 W: 40 W stand, 40 W + 20 % do not."""
    network = network_of([-1, 0], [0, 1])
    assert volts_within(network, limits_of([(0.8, 0.8)], [(32, 40)], (12, 12))).low_v[1] > 6
    with pytest.raises(CircuitCollapses) as caught:
        volts_within(network, limits_of([(0.8, 0.8)], [(32, 48)], (12, 12)))
    assert caught.value.margin == pytest.approx(45 / 48, rel=2e-6)


def test_where_nothing_can_be_shown_there_is_no_number() -> None:
    """A resistance of 6 ohm behind 9: less than half of 12 V, and its current at 12 V would leave less than nothing."""
    found = volts_within(network_of([-1, 0], [0, 3]), limits_of([(9.0, 9.0)], [(24, 24)], (12, 12)))
    assert np.isnan(found.low_v).all()
    assert not found.low_reached.any()
    assert found.high_v[1] >= 12 / 2.5


def test_wrong_limits_are_refused() -> None:
    for ohm, watts, emf in (
        ([(0.5, 0.4)], [(1, 1)], (12, 12)),
        ([(0.4, math.nan)], [(1, 1)], (12, 12)),
        ([(0.4, 0.4)], [(2, 1)], (12, 12)),
        ([(0.4, 0.4)], [(1, 1)], (12, 11)),
    ):
        with pytest.raises(ValueError, match="lower limit lies above its upper limit"):
            limits_of(ohm, watts, emf)
    for ohm, watts, emf in (([(-0.1, 0.4)], [(1, 1)], (12, 12)), ([(0.1, 0.4)], [(1, 1)], (0, 12))):
        with pytest.raises(ValueError, match="must not be negative"):
            limits_of(ohm, watts, emf)
    with pytest.raises(ValueError, match=r"must be \(n,\) with n = 2"):
        volts_within(network_of([-1, 0], [0, 1]), limits_of([(0.1, 0.1)] * 2, [(1, 1)] * 2, (12, 12)))
