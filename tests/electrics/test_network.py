"""The load flow: closed forms, conservation at every node, monotony, collapse, variants."""

import math
import pickle

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from optimiser.electrics.network import (
    Network,
    State,
    collapse_margin,
    load_margin,
    path_sum,
    solve,
    solve_or_raise,
)
from optimiser.problems import CircuitCollapses


def network_of(parent: list[int], load: list[int], watts: list[float], nominal_v: float = 12.0) -> Network:
    n = len(parent)
    return Network(np.array(parent), np.array(load), np.array(watts, float), np.full(n, nominal_v), np.ones(n))


def single(load: int, watts: float) -> Network:
    return network_of([-1, 0], [0, load], [0, watts])


def drawn(network: Network, volts: np.ndarray) -> np.ndarray:
    """Amps that each load draws at these volts, from the definitions of the three kinds."""
    by_kind = [
        np.zeros_like(volts),
        network.watts / (volts * network.power_factor),
        network.watts / (network.nominal_v * network.power_factor),
        volts * network.watts / network.nominal_v**2,
    ]
    return np.choose(network.load, by_kind)


def assert_conserved(network: Network, ohm: np.ndarray, source_v: float, state: State) -> None:
    """Kirchhoff's two laws and the balance of power, from parent and resistances alone."""
    volts, amps = state.volts, state.amps
    into = amps - drawn(network, volts)
    np.subtract.at(into, network.parent[1:], amps[1:])
    assert np.abs(into).max() < 1e-9
    assert volts[0] == source_v
    assert np.abs(volts[network.parent[1:]] - volts[1:] - ohm[1:] * amps[1:]).max(initial=0) < 1e-8
    losses = (ohm[1:] * amps[1:] ** 2).sum()
    taken = (volts * drawn(network, volts)).sum()
    assert source_v * amps[0] == pytest.approx(taken + losses, rel=1e-8, abs=1e-9)


# --- closed forms ------------------------------------------------------------


@pytest.mark.parametrize(("watts", "ohm"), [(20, 0.8), (5, 0.1), (44.9, 0.8), (1e-3, 2.0)])
def test_one_constant_power_load_is_the_root_of_its_quadratic(watts: float, ohm: float) -> None:
    """V² - V0 V + R P = 0, the upper root; 20 W behind 0.8 ohm: 10.472135955 V."""
    state = solve(single(1, watts), [0, ohm], 12.0)
    assert state.volts[1] == pytest.approx((12 + math.sqrt(144 - 4 * ohm * watts)) / 2, abs=1e-9)
    assert state.amps[0] == pytest.approx(watts / state.volts[1], rel=1e-9)


def test_one_load_of_the_other_kinds() -> None:
    assert solve(single(2, 24), [0, 0.5], 12.0).volts[1] == pytest.approx(12 - 0.5 * 2, abs=1e-12)
    assert solve(single(3, 24), [0, 0.5], 12.0).volts[1] == pytest.approx(12 * 6 / 6.5, abs=1e-12)  # 144/24 = 6 ohm


def test_power_factor_counts_for_all_but_resistances() -> None:
    for load, factor in ((1, 0.5), (2, 0.5), (3, 0.5)):
        power_factor = np.array([1, factor])
        network = Network(np.array([-1, 0]), np.array([0, load]), np.array([0, 10.0]), np.full(2, 12.0), power_factor)
        alike = single(load, 10 if load == 3 else 20)
        assert solve(network, [0, 0.3], 12).volts[1] == pytest.approx(solve(alike, [0, 0.3], 12).volts[1], abs=1e-12)


def test_collapse_point_is_v0_squared_over_4r() -> None:
    """12 V behind 0.8 ohm carries at most 45 W."""
    assert not solve(single(1, 45 * (1 - 1e-9)), [0, 0.8], 12.0).collapsed
    past = solve(single(1, 45 * (1 + 1e-9)), [0, 0.8], 12.0)
    assert past.collapsed
    assert np.isnan(past.volts).all()
    assert np.isnan(past.amps).all()
    assert collapse_margin(single(1, 20), [0, 0.8], 12.0) == pytest.approx(45 / 20, rel=2e-6)
    near = solve(single(1, 45 * (1 - 1e-9)), [0, 0.8], 12.0).volts[1]
    assert near == pytest.approx(6 + 6 * math.sqrt(1e-9), abs=1e-7)


@pytest.mark.parametrize("num", [2, 3, 7])
def test_alike_loads_side_by_side_collapse_as_one(num: int) -> None:
    """N loads P behind a common R and r each are one load N P behind R + r / N."""
    network = network_of([-1, 0] + [1] * num, [0, 0] + [1] * num, [0, 0] + [9.0] * num)
    ohm = [0, 0.2] + [0.3] * num
    whole = 0.2 + 0.3 / num
    root = (12 + math.sqrt(144 - 4 * whole * 9 * num)) / 2 if 4 * whole * 9 * num < 144 else math.nan
    assert solve(network, ohm, 12.0).volts[-1] == pytest.approx(root, abs=1e-9, nan_ok=True)
    assert collapse_margin(network, ohm, 12.0) == pytest.approx(144 / (4 * whole) / (9 * num), rel=2e-6)


@pytest.mark.parametrize("num", [1, 2, 10, 100])
def test_equal_loads_at_equal_spacing(num: int) -> None:
    """Drop = (N + 1) / 2N of that with all the current at the far end (constant current; textbook sum)."""
    network = network_of([-1, *range(num)], [0] + [2] * num, [0] + [12.0 / num] * num)  # 1 A in all
    state = solve(network, [0] + [1.0 / num] * num, 12.0)  # 1 ohm in all
    assert 12 - state.volts[-1] == pytest.approx((num + 1) / (2 * num), abs=1e-9)


def test_constant_current_too_large_collapses_too() -> None:
    assert solve(single(2, 24), [0, 6.1], 12.0).collapsed  # 2 A through 6.1 ohm would leave less than nothing
    assert not solve(single(2, 24), [0, 5.9], 12.0).collapsed
    both = network_of([-1, 0, 1], [0, 2, 1], [0, 24, 1])
    assert collapse_margin(both, [0, 6.1, 0.1], 12.0) == 0.0
    assert collapse_margin(single(2, 24), [0, 5.9], 12.0) == math.inf
    assert collapse_margin(single(1, 24), [0, 0.0], 12.0) == math.inf  # no resistance, no collapse


def test_nothing_on_draws_nothing() -> None:
    network = network_of([-1, 0, 1, 1], [0, 1, 2, 3], [0, 5, 5, 5])
    state = solve(network, [0, 0.1, 0.2, 0.3], 12.0, on=np.zeros(4, bool))
    assert (state.volts == 12).all()
    assert (state.amps == 0).all()
    alone = solve(network_of([-1], [0], [0]), [0.0], 12.0)
    assert alone.volts.tolist() == [12.0]
    assert not alone.collapsed


# --- random trees ------------------------------------------------------------


@st.composite
def cases(draw: st.DrawFn, max_nodes: int = 14) -> tuple[Network, np.ndarray, float]:
    n = draw(st.integers(2, max_nodes))
    parent = [-1] + [draw(st.integers(0, i - 1)) for i in range(1, n)]
    load = [0] + [draw(st.sampled_from([0, 1, 1, 1, 2, 3])) for _ in range(n - 1)]
    watts = [0.0] + [draw(st.floats(0.1, 40)) for _ in range(n - 1)]
    ohm = [0.0] + [draw(st.one_of(st.just(0.0), st.floats(1e-4, 0.4))) for _ in range(n - 1)]
    return network_of(parent, load, watts), np.array(ohm), draw(st.floats(10, 26))


@given(cases())
@settings(max_examples=300, deadline=None)
def test_every_answer_conserves(case: tuple[Network, np.ndarray, float]) -> None:
    network, ohm, source_v = case
    state = solve(network, ohm, source_v)
    if state.collapsed:
        assert np.isnan(state.volts).all()
    else:
        assert (state.volts > 0).all()
        assert_conserved(network, ohm, source_v, state)


def from_above(network: Network, ohm: np.ndarray, source_v: float, steps: int) -> np.ndarray | None:
    """
    V <- E u - K (a + P / V) by dense matrices: falls monotonically to the greatest operating point, or below 0.

    Another road to the same point: path resistances instead of sweeps, plain repetition instead of Newton.
    """
    n = len(network.parent)
    on_path = np.eye(n)
    for node in range(1, n):
        on_path[node] += on_path[network.parent[node]]
    on_path[:, 0] = 0
    shared = on_path @ np.diag(ohm) @ on_path.T
    conductance = np.where(network.load == 3, network.watts / network.nominal_v**2, 0)
    held = np.linalg.inv(np.eye(n) + shared @ np.diag(conductance))
    power = np.where(network.load == 1, network.watts / network.power_factor, 0)
    current = np.where(network.load == 2, network.watts / (network.nominal_v * network.power_factor), 0)
    volts = np.full(n, source_v)
    for _ in range(steps):
        new = held @ (source_v - shared @ (current + power / volts))
        if (new <= 0).any():
            return None
        assert (new <= volts + 1e-12).all()  # the monotony itself
        if np.abs(new - volts).max() < 1e-13:
            return new
        volts = new
    return volts


@given(cases(8))
@settings(max_examples=150, deadline=None)
def test_the_answer_is_the_greatest_operating_point(case: tuple[Network, np.ndarray, float]) -> None:
    network, ohm, source_v = case
    state = solve(network, ohm, source_v)
    if abs(collapse_margin(network, ohm, source_v) - 1) < 1e-3:
        return  # plain repetition is too slow so near to collapse
    expected = from_above(network, ohm, source_v, 20_000)
    assert (expected is None) == state.collapsed
    if expected is not None:
        assert np.abs(state.volts - expected).max() < 1e-7


@given(cases(), st.data())
@settings(max_examples=150, deadline=None)
def test_more_load_never_raises_any_voltage(case: tuple[Network, np.ndarray, float], data: st.DataObject) -> None:
    network, ohm, source_v = case
    node = data.draw(st.integers(1, len(network.parent) - 1))
    watts = network.watts.copy()
    watts[node] *= data.draw(st.floats(1, 3))
    more = Network(network.parent, network.load, watts, network.nominal_v, network.power_factor)
    thicker = ohm.copy()
    thicker[node] *= data.draw(st.floats(0, 1))
    before, after, relieved = (
        solve(network, ohm, source_v),
        solve(more, ohm, source_v),
        solve(network, thicker, source_v),
    )
    fewer = solve(network, ohm, source_v, on=np.arange(len(ohm)) != node)
    if before.collapsed:
        assert after.collapsed
        return
    assert after.collapsed or (after.volts <= before.volts + 1e-9).all()
    assert (fewer.volts >= before.volts - 1e-9).all()
    if (network.load != 3).all():  # behind a thicker cable, a resistance would draw more and pull its neighbours down
        assert (relieved.volts >= before.volts - 1e-9).all()


@given(cases(), st.floats(1, 1.5))
@settings(max_examples=100, deadline=None)
def test_more_source_volts_never_lower_any_voltage(case: tuple[Network, np.ndarray, float], more: float) -> None:
    network, ohm, source_v = case
    before, after = solve(network, ohm, source_v), solve(network, ohm, more * source_v)
    if before.collapsed:
        return
    assert not after.collapsed
    assert (after.volts >= before.volts - 1e-9).all()


@given(cases(), st.floats(0.1, 10), st.floats(0.1, 10))
@settings(max_examples=100, deadline=None)
def test_the_same_network_in_other_units(case: tuple[Network, np.ndarray, float], k: float, r: float) -> None:
    """Volts times k, ohms times r: amps go with k / r, watts with k² / r, and nothing else changes."""
    network, ohm, source_v = case
    other = Network(
        network.parent, network.load, network.watts * k * k / r, network.nominal_v * k, network.power_factor
    )
    if abs(load_margin(network, ohm, source_v) - 1) < 1e-4:
        return  # rounding may decide
    before, after = solve(network, ohm, source_v), solve(other, ohm * r, k * source_v)
    assert before.collapsed == after.collapsed
    np.testing.assert_allclose(after.volts, k * before.volts, rtol=1e-8)
    np.testing.assert_allclose(after.amps, k / r * before.amps, rtol=1e-7, atol=1e-12)


@given(cases())
@settings(max_examples=100, deadline=None)
def test_currents_and_resistances_superpose(case: tuple[Network, np.ndarray, float]) -> None:
    """Without constant power the network is linear: the dense nodal equations, solved once, give the same."""
    network, ohm, source_v = case
    load = np.where(network.load == 1, 2, network.load)
    linear = Network(network.parent, load, 0.2 * network.watts, network.nominal_v, network.power_factor)
    state = solve(linear, ohm, source_v)
    n = len(ohm)
    # One row for each branch's volts and one for each node's amps, so that branches of no resistance need no care.
    matrix, right = np.zeros((2 * n, 2 * n)), np.zeros(2 * n)
    matrix[0, 0], right[0], matrix[n, n], right[n] = 1, source_v, 1, 0
    for node in range(1, n):
        matrix[node, [node, network.parent[node], n + node]] = 1, -1, ohm[node]
        matrix[n + node, n + node] = 1
        for below in np.flatnonzero(network.parent == node):
            matrix[n + node, n + below] = -1
        if load[node] == 3:
            matrix[n + node, node] = -linear.watts[node] / 144
        right[n + node] = linear.watts[node] / 12 if load[node] == 2 else 0
    volts = np.linalg.solve(matrix, right)[:n]
    if state.collapsed:
        assert volts.min() < 1e-9
    else:
        np.testing.assert_allclose(state.volts, volts, atol=1e-8)


@given(cases(8))
@settings(max_examples=100, deadline=None)
def test_collapse_margin_is_where_the_word_changes(case: tuple[Network, np.ndarray, float]) -> None:
    network, ohm, source_v = case
    margin = collapse_margin(network, ohm, source_v)
    if margin in (0.0, math.inf):
        return

    def grown(factor: float) -> Network:
        watts = np.where(network.load == 1, factor * network.watts, network.watts)
        return Network(network.parent, network.load, watts, network.nominal_v, network.power_factor)

    assert not solve(grown(margin), ohm, source_v).collapsed
    assert solve(grown(margin * (1 + 3e-6)), ohm, source_v).collapsed


def loaded(network: Network, factor: float) -> Network:
    """The same with all loads so many times as large."""
    return Network(network.parent, network.load, factor * network.watts, network.nominal_v, network.power_factor)


@given(cases(8))
@settings(max_examples=100, deadline=None)
def test_load_margin_is_where_the_word_changes(case: tuple[Network, np.ndarray, float]) -> None:
    network, ohm, source_v = case
    margin = load_margin(network, ohm, source_v)
    assert margin > 0
    if margin == math.inf:
        assert not solve(loaded(network, 1e6), ohm, source_v).collapsed
        return
    assert not solve(loaded(network, margin), ohm, source_v).collapsed
    assert solve(loaded(network, margin * (1 + 3e-6)), ohm, source_v).collapsed


def test_load_margin_in_closed_form() -> None:
    """
    One load behind R: power E² / 4RP, current E / RI, resistance none.

    With a current I beside the power at one node, V = E - R (k I + k P / V) has a root while (E - R k I)² >= 4 R k P.
    """
    assert load_margin(single(1, 20), [0, 0.8], 12.0) == pytest.approx(45 / 20, rel=2e-6)
    assert load_margin(single(2, 24), [0, 2.0], 12.0) == pytest.approx(3, rel=2e-6)  # 2 A through 2 ohm
    assert load_margin(single(3, 24), [0, 2.0], 12.0) == math.inf
    both = network_of([-1, 0, 1], [0, 2, 1], [0, 12, 20])  # 1 A and 20 W, R = 0.8: (12 - 0.8 k)² = 64 k
    b = 2 * 12 * 0.8 + 64
    assert load_margin(both, [0, 0.8, 0], 12.0) == pytest.approx(
        (b - math.sqrt(b**2 - 4 * 0.64 * 144)) / 1.28, rel=2e-6
    )
    heater = network_of([-1, 0, 1], [0, 3, 1], [0, 24, 20])  # 6 ohm and 20 W: Thevenin 12 / (1 + k R / 6), R / (...)
    k = load_margin(heater, [0, 0.8, 0], 12.0)
    share = 1 / (1 + k * 0.8 / 6)
    assert (12 * share) ** 2 == pytest.approx(4 * 0.8 * share * 20 * k, rel=1e-5)


# --- shapes ------------------------------------------------------------


@pytest.mark.parametrize("size", [1, 5, 64, 1100])
def test_variants_are_the_same_as_one_by_one(size: int) -> None:
    rng = np.random.default_rng(size)
    n = 40
    network = network_of(
        [-1, *(int(rng.integers(max(0, i - 4), i)) for i in range(1, n))],
        [0, *rng.integers(0, 4, n - 1)],
        [0, *rng.uniform(1, 9, n - 1)],
    )
    ohm = rng.uniform(0, 0.06, (size, n))
    source_v = rng.uniform(6, 15, size)
    on = rng.random((size, n)) < 0.8
    watts = network.watts * rng.uniform(0.5, 1.5, (size, n))
    state = solve(network, ohm, source_v, on, watts=watts)
    assert state.volts.shape == state.amps.shape == (size, n)
    assert state.collapsed.shape == (size,)
    for row in range(size):
        own = Network(network.parent, network.load, watts[row], network.nominal_v, network.power_factor)
        one = solve(own, ohm[row], float(source_v[row]), on[row])
        assert one.collapsed == state.collapsed[row]
        np.testing.assert_allclose(state.volts[row], one.volts, atol=1e-10)
        np.testing.assert_allclose(state.amps[row], one.amps, atol=1e-10)
    if size == 64:
        assert 0 < state.collapsed.sum() < size, "the sample must hold both sorts"


def test_what_is_given_once_serves_all_variants() -> None:
    network = network_of([-1, 0, 1], [0, 0, 1], [0, 0, 20])
    by_source = solve(network, [0, 0.1, 0.2], np.array([12.0, 13.0]))
    by_mask = solve(network, [0, 0.1, 0.2], 12.0, on=np.array([[True] * 3, [False] * 3]))
    by_watts = solve(network, [0, 0.1, 0.2], 12.0, watts=np.array([[0, 0, 20], [0, 0, 0]]))
    assert by_source.volts.shape == by_mask.volts.shape == (2, 3)
    assert (by_watts.volts == by_mask.volts).all()
    assert by_source.volts[0, 2] == by_mask.volts[0, 2]
    assert by_mask.volts[1, 2] == 12.0


def test_a_collapse_of_one_variant_leaves_the_others_alone() -> None:
    network = single(1, 20)
    ohm = np.zeros((40, 2))
    ohm[:, 1] = np.linspace(0.1, 3.0, 40)
    state = solve(network, ohm, 12.0)
    assert (state.collapsed == (ohm[:, 1] > 1.8)).all()
    good = ~state.collapsed
    np.testing.assert_allclose(state.volts[good, 1], (12 + np.sqrt(144 - 80 * ohm[good, 1])) / 2, atol=1e-9)


def test_variants_round_the_collapse_point() -> None:
    """With constant power alone, resistances times k collapse where powers times k do."""
    rng = np.random.default_rng(7)
    parent = [-1, *(int(rng.integers(max(0, i - 3), i)) for i in range(1, 25))]
    network = network_of(parent, [0] + [1] * 24, [0, *rng.uniform(1, 6, 24)])
    ohm = rng.uniform(0.01, 0.1, 25)
    margin = collapse_margin(network, ohm, 12.0, rel_tol=1e-10)
    growth = margin * np.concatenate([1 - np.logspace(-8, -0.5, 60), 1 + np.logspace(-8, 1, 60)])
    state = solve(network, growth[:, None] * ohm, 12.0)
    assert (state.collapsed == (growth > margin)).all()


def test_path_sum() -> None:
    assert path_sum(np.array([-1, 0, 1, 1, 0]), [9.0, 1, 2, 3, 4]).tolist() == [0, 1, 3, 4, 4]


# --- wrong input ------------------------------------------------------------


def test_wrong_shapes_and_values_are_refused() -> None:
    with pytest.raises(ValueError, match="parent must start with -1"):
        network_of([-1, 1], [0, 1], [0, 1])
    with pytest.raises(ValueError, match="as long as parent"):
        Network(np.array([-1, 0]), np.array([0]), np.zeros(2), np.ones(2), np.ones(2))
    with pytest.raises(ValueError, match="watts must not be negative"):
        single(1, -5)
    for ohm in ([0, -0.1], [0, math.nan], [0, math.inf], [0, 0.1, 0.1]):
        with pytest.raises(ValueError, match=r"^loop_ohm "):
            solve(single(1, 5), ohm, 12)
    for watts in ([0, -5], [0, math.nan], [0, 5, 5]):
        with pytest.raises(ValueError, match=r"watts"):
            solve(single(1, 5), [0, 0.1], 12, watts=watts)
    for source_v in (0, -12, math.nan, math.inf):
        with pytest.raises(ValueError, match=r"^source_v must be finite and positive"):
            solve(single(1, 5), [0, 0.1], source_v)


def test_a_collapse_can_be_raised_with_its_share() -> None:
    with pytest.raises(CircuitCollapses, match=r"60 W of constant-power loads behind 12 V .* at most 75 % of it"):
        solve_or_raise(single(1, 60), [0, 0.8], 12.0)
    assert solve_or_raise(single(1, 20), [0, 0.8], 12.0).volts[1] == pytest.approx(10.47213595499958, abs=1e-9)


def test_a_collapse_names_the_margin_of_all_loads() -> None:
    with pytest.raises(CircuitCollapses) as alone:
        solve_or_raise(single(1, 60), [0, 0.8], 12.0)
    assert alone.value.margin == pytest.approx(45 / 60, rel=2e-6)
    assert "beside it" not in str(alone.value)
    both = network_of([-1, 0, 1], [0, 2, 1], [0, 12, 60])
    with pytest.raises(CircuitCollapses, match=r"60 W .* of it and of the 12 W beside it") as beside:
        solve_or_raise(both, [0, 0.8, 0], 12.0)
    assert beside.value.margin == load_margin(both, [0, 0.8, 0], 12.0) < 1
    sent = pickle.loads(pickle.dumps(beside.value))
    assert (str(sent), sent.margin) == (str(beside.value), beside.value.margin)
