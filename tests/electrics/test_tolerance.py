"""Certainty of a driver's lamp volts: guaranteed limits against every corner, chances against closed forms."""

from itertools import product

import numpy as np
import pytest
from scipy.stats import binomtest, norm

from optimiser.electrics.circuit import CircuitTree, solve_driver
from optimiser.electrics.sources import source_of
from optimiser.electrics.tolerance import LampChances, Tolerance, lamp_chances, lamp_limits
from optimiser.electrics.variants import Variants, solve_variants
from optimiser.job import Driver, LampType, Voltage
from optimiser.problems import CircuitCollapses

ELECTRONIC = Driver(taps_v=(12, 14), rated_w=100, outlets=4, tap_per_outlet=True, price=1)
WOUND = Driver(kind="wound", taps_v=(12, 14), rated_w=150, regulation_pct=8, outlets=4, price=1)
WOUND_DC = Driver(kind="wound", output="dc", taps_v=(12, 14), rated_w=150, regulation_pct=8, outlets=4, price=1)
VOLTAGE = Voltage()
EVEN = Voltage(hot_c=20, sun_c=20, cold_c=20)  # no temperature


def lamp(watts: float, load: str = "power", window_v: tuple[float, float] = (10.8, 13.2)) -> LampType:
    return LampType.model_validate(
        {"watts": watts, "volts": 12, "load": load, "supply": "either", "window_v": window_v}
    )


def two_lamps(first: LampType, second: LampType) -> CircuitTree:
    """A joint with a lamp on it and a way on, part of it on the surface, to the other."""
    return CircuitTree(
        np.array([-1, 0, 1]),
        np.array([0, 0.11, 0.05]),
        np.array([0, 0.0, 0.06]),
        np.array([0, 0.006, 0.004]),
        np.array([-1, 0, 1]),
        (first, second),
    )


def one_lamp(ohm: float, lamp_type: LampType) -> CircuitTree:
    return CircuitTree(np.array([-1, 0]), np.array([0, ohm]), np.zeros(2), np.zeros(2), np.array([-1, 0]), (lamp_type,))


# --- limits --------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("driver", [ELECTRONIC, WOUND, WOUND_DC])
def test_without_tolerances_the_limits_are_those_of_the_plan(driver: Driver) -> None:
    circuits, taps = [two_lamps(lamp(9), lamp(6)), two_lamps(lamp(4), lamp(9, "current"))], [12.0, 14.0]
    state = solve_driver(driver, circuits, taps, VOLTAGE)
    for one, limits in zip(state.circuits, lamp_limits(driver, circuits, taps, VOLTAGE, Tolerance()), strict=True):
        np.testing.assert_allclose(limits.low_v, one.low_v, atol=1e-8)
        assert (limits.all_on_high_v < limits.high_v).all()
        np.testing.assert_allclose(limits.high_v, one.high_v, atol=1e-8)


def ends(pct: tuple[float, float]) -> tuple[float, float]:
    return 1 + pct[0] / 100, 1 + pct[1] / 100


@pytest.mark.parametrize("driver", [ELECTRONIC, WOUND_DC])
@pytest.mark.parametrize("load", ["power", "current", "resistance"])
def test_against_every_corner(driver: Driver, load: str) -> None:
    """Two circuits on two taps: 2^13 corners of source, temperature, copper, lengths, contacts and loads."""
    tolerance = Tolerance((-8, 2), (-3, 5), (-50, 100), (-10, 10))
    circuits, taps = [two_lamps(lamp(9, load), lamp(12, load)), one_lamp(0.2, lamp(15, load))], [12.0, 14.0]
    source = source_of(driver, 12)
    emf = (source.low_emf_v / source.emf_v, source.high_emf_v / source.emf_v)
    warm = ((VOLTAGE.cold_c, VOLTAGE.cold_c), (VOLTAGE.hot_c, VOLTAGE.sun_c))
    every = np.array(list(product((0, 1), repeat=13)))
    size = len(every)
    copper, contact = np.ones((size, 5)), np.ones((size, 5))
    for column, node in enumerate((1, 2, 4)):
        copper[:, node] = np.take(ends(tolerance.copper_pct), every[:, 2 + column])
        copper[:, node] *= np.take(ends(tolerance.length_pct), every[:, 5 + column])
    for column, node in enumerate((1, 2)):
        contact[:, node] = np.take(ends(tolerance.contact_pct), every[:, 8 + column])
    variants = Variants(
        size,
        emf=np.take(emf, every[:, 0]),
        buried_c=np.take([w[0] for w in warm], every[:, 1]),
        sun_c=np.take([w[1] for w in warm], every[:, 1]),
        copper=copper,
        contact=contact,
        load=np.take(ends(tolerance.load_pct), every[:, 10:]),
    )
    found = solve_variants(driver, circuits, taps, variants)
    limits = lamp_limits(driver, circuits, taps, VOLTAGE, tolerance)
    low, high = (np.concatenate([getattr(one, name) for one in limits]) for name in ("low_v", "all_on_high_v"))
    assert (low <= found.lamp_v.min(axis=0) + 1e-8).all()
    assert (found.lamp_v.max(axis=0) <= high + 1e-8).all()
    if load != "resistance" or driver is ELECTRONIC:
        # One temperature for all reaches every corner unless a neighbour's copper must be cold where ours is hot.
        np.testing.assert_allclose(low[2], found.lamp_v.min(axis=0)[2], atol=1e-7)
        np.testing.assert_allclose(high[2], found.lamp_v.max(axis=0)[2], atol=1e-7)
    if load != "resistance":
        np.testing.assert_allclose(low, found.lamp_v.min(axis=0), atol=1e-7)
        np.testing.assert_allclose(high, found.lamp_v.max(axis=0), atol=1e-7)
    alone = np.full(3, -np.inf)
    for index in range(3):
        lone = Variants(**(vars(variants) | {"on": np.arange(3) == index}))
        alone[index] = solve_variants(driver, circuits, taps, lone).lamp_v[:, index].max()
    np.testing.assert_allclose(np.concatenate([one.high_v for one in limits]), alone, atol=1e-7)


def test_a_collapse_within_the_tolerances_is_raised() -> None:
    circuit = one_lamp(0.8, lamp(40))
    electronic = Driver(taps_v=(12,), rated_w=100, tol_pct=0, price=1)
    assert lamp_limits(electronic, [circuit], [12], EVEN, Tolerance())[0].low_v[0] > 6
    with pytest.raises(CircuitCollapses, match=r"48 W of constant-power loads behind 12 V"):
        lamp_limits(electronic, [circuit], [12], EVEN, Tolerance(load_pct=(-20, 20)))


# --- chances -------------------------------------------------------------------------------------------------------


def assert_chance(seen: float, true: float, samples: int) -> None:
    """Four and a half standard deviations: the seeds are fixed, so it holds or it does not."""
    within = binomtest(round(seen * samples), samples).proportion_ci(1 - 2 * norm.sf(4.5), method="wilson")
    assert within.low <= true <= within.high
    assert abs(seen - true) < 0.02


def one(driver: Driver, circuit: CircuitTree, tolerance: Tolerance, **more: int) -> LampChances:
    return lamp_chances(driver, [circuit], [12], EVEN, tolerance, **more)[0]


@pytest.mark.parametrize("low_v", [10.7, 10.9, 11.1])
def test_a_constant_current_with_one_load_and_one_source_that_stray(low_v: float) -> None:
    """
    V = E - R I with E in 12 ± 2 % and I in 2 A ± 20 %, R = 0.5 ohm: a sum of two rectangular distributions.

    E = 12 + 0.24 u, R I = 1 + 0.2 w with u and w even on -1 .. 1. The share of the square with 0.24 u - 0.2 w below
    low - 11 is found by integrating over u the share of w that exceeds (11 - low + 0.24 u) / 0.2.
    """
    driver = Driver(taps_v=(12,), rated_w=100, tol_pct=2, price=1)
    circuit = one_lamp(0.5, lamp(24, "current", (low_v, 20)))
    u = (np.arange(200_000) + 0.5) / 100_000 - 1
    true = np.clip((1 - (11 - low_v + 0.24 * u) / 0.2) / 2, 0, 1).mean()
    found = one(driver, circuit, Tolerance(load_pct=(-20, 20)), samples=20_000, seed=5)
    assert 0.05 < true < 0.95
    assert_chance(found.below[0], true, 20_000)
    assert found.above[0] == 0
    assert found.outside[0] == found.below[0]


def test_a_constant_power_behind_a_source_that_strays() -> None:
    """V falls below the window just where E < low + R P / low; V alone rises above it where E > high + R P / high."""
    driver = Driver(taps_v=(12,), rated_w=100, tol_pct=5, price=1)
    low_v, high_v = 10.9, 11.6
    found = one(driver, one_lamp(0.5, lamp(20, "power", (low_v, high_v))), Tolerance(), samples=20_000, seed=1)
    below = (low_v + 10 / low_v - 11.4) / 1.2
    above = (12.6 - high_v - 10 / high_v) / 1.2
    assert min(below, above) > 0.05
    assert_chance(found.below[0], below, 20_000)
    assert_chance(found.above[0], above, 20_000)
    assert found.outside[0] == pytest.approx(found.below[0] + found.above[0])


def test_copper_is_one_make_while_lengths_stray_each_by_itself() -> None:
    """
    Ten equal pieces in a row to a constant current, 10 x 0.1 ohm x 2 A = 2 V ± 10 %.

    Copper alone: the drop is even on 1.8 .. 2.2 V, so it is above 2.1 V in a quarter. Lengths alone: the sum of ten
    even ones (Irwin-Hall), whose tail above three quarters of the way is sum over k of (-1)^k C(10, k) (x - k)^10 / 10!
    at x = 2.5 by symmetry.
    """
    driver = Driver(taps_v=(12,), rated_w=100, tol_pct=0, price=1)
    ohm = np.array([0, *[0.1] * 10])
    at = np.array([-1] * 10 + [0])
    circuit = CircuitTree(np.arange(-1, 10), ohm, 0 * ohm, 0 * ohm, at, (lamp(24, "current", (12 - 2.1, 20)),))
    copper = one(driver, circuit, Tolerance(copper_pct=(-10, 10)), samples=20_000, seed=2)
    assert_chance(copper.below[0], 0.25, 20_000)
    lengths = one(driver, circuit, Tolerance(length_pct=(-10, 10)), samples=20_000, seed=2)
    true = (2.5**10 - 10 * 1.5**10 + 45 * 0.5**10) / 3_628_800
    assert_chance(lengths.below[0], true, 20_000)
    assert lengths.below[0] > 0


def test_temperature_strays_evenly_between_cold_and_hot() -> None:
    """
    1 ohm x 2 A at 20 °C. Buried copper, even on -10 .. 40 °C: below 12 - 2 x 1.0393 V above 30 °C, a fifth of the time.

    On the surface, even on -10 .. 60 °C: three sevenths of the time.
    """
    driver = Driver(taps_v=(12,), rated_w=100, tol_pct=0, price=1)
    buried = one_lamp(1.0, lamp(24, "current", (12 - 2 * 1.0393, 20)))
    none = np.zeros(2)
    surface = CircuitTree(buried.parent, none, buried.buried20_ohm, none, buried.lamp, buried.lamp_types)
    for circuit, true in ((buried, 1 / 5), (surface, 3 / 7)):
        found = lamp_chances(driver, [circuit], [12], VOLTAGE, Tolerance(), samples=20_000)[0]
        assert_chance(found.below[0], true, 20_000)


@pytest.mark.parametrize(("load", "drop_v"), [("power", 24 / 13.2), ("current", 24 / 12)])
def test_alone_on_ac_the_active_current_counts(load: str, drop_v: float) -> None:
    """
    Wound, 12.96 V - 6 % .. + 10 %, 76.8 mohm and 0.2 ohm, 24 W of power factor 0.6: too high above 13.2 V.

    The active current is P / V where power is constant, P / nominal where current is: watts are true watts.
    """
    lamp_type = lamp(24, load, (5, 13.2))
    assert lamp_type.factor == 0.6
    found = one(WOUND, one_lamp(0.2, lamp_type), Tolerance(), samples=20_000)
    true = (12.96 * 1.10 - (13.2 + 0.2768 * drop_v)) / (12.96 * 0.16)
    assert 0.1 < true < 0.9
    assert_chance(found.above[0], true, 20_000)


@pytest.mark.parametrize("driver", [ELECTRONIC, WOUND, WOUND_DC])
def test_no_sample_leaves_the_guaranteed_limits(driver: Driver) -> None:
    """With the limits themselves as windows the chance is 0; a little narrower, and it is not."""
    tolerance = Tolerance((-8, 2), (-3, 5), (-50, 100), (-10, 10))
    taps = [12.0, 14.0]

    def circuits(low: list[float], high: list[float]) -> list[CircuitTree]:
        loads = [(9.0, "power"), (6.0, "resistance"), (9.0, "current"), (7.0, "power")]
        types = [lamp(w, kind, (a, b)) for (w, kind), a, b in zip(loads, low, high, strict=True)]
        return [two_lamps(types[0], types[1]), two_lamps(types[2], types[3])]

    limits = lamp_limits(driver, circuits([1] * 4, [50] * 4), taps, VOLTAGE, tolerance)
    low = np.concatenate([each.low_v for each in limits])
    high = np.concatenate([each.high_v for each in limits])
    just = circuits((low - 1e-7).tolist(), (high + 1e-7).tolist())
    for each in lamp_chances(driver, just, taps, VOLTAGE, tolerance, samples=3000):
        assert not each.outside.any()
    narrower = circuits((low + 0.4 * (high - low)).tolist(), (high - 0.4 * (high - low)).tolist())
    for each in lamp_chances(driver, narrower, taps, VOLTAGE, tolerance, samples=3000):
        assert (each.outside > 0.05).all()
        assert (each.outside <= each.below + each.above + 1e-12).all()


def test_same_seed_same_chances() -> None:
    driver = Driver(taps_v=(12,), rated_w=100, tol_pct=5, price=1)
    circuit = one_lamp(0.5, lamp(20, "power", (10.9, 11.6)))
    tolerance = Tolerance(load_pct=(-5, 5))
    first, again, other = (one(driver, circuit, tolerance, samples=2000, seed=seed) for seed in (7, 7, 8))
    assert (first.below, first.above) == (again.below, again.above)
    assert first.below != other.below
    part = one(driver, circuit, tolerance, samples=1500, seed=7)
    assert 0 <= round(first.below[0] * 2000) - round(part.below[0] * 1500) <= 500  # its samples are the first of them


def test_a_collapse_counts_as_too_low() -> None:
    """12 V behind 0.8 ohm carries 45 W; a lamp of 40 W ± 25 % collapses in a quarter of the samples: (50 - 45) / 20."""
    driver = Driver(taps_v=(12,), rated_w=100, tol_pct=0, price=1)
    found = one(driver, one_lamp(0.8, lamp(40, "power", (1, 20))), Tolerance(load_pct=(-25, 25)), samples=20_000)
    assert_chance(found.below[0], 0.25, 20_000)


def test_wrong_tolerances_and_samples_are_refused() -> None:
    for wrong in ((5, 10), (-100, 0), (-5, -1), (0, float("inf"))):
        with pytest.raises(ValueError, match=r"copper_pct is \(.*write the lowest"):
            Tolerance(copper_pct=wrong)
    with pytest.raises(ValueError, match="found 0 samples"):
        one(ELECTRONIC, one_lamp(0.1, lamp(5)), Tolerance(), samples=0)
    for function in (lamp_limits, lamp_chances):
        with pytest.raises(ValueError, match="1 circuits and 2 taps"):
            function(ELECTRONIC, [one_lamp(0.1, lamp(5))], [12, 12], VOLTAGE, Tolerance())
        assert function(ELECTRONIC, [], [], VOLTAGE, Tolerance()) == ()
