"""
Load flow against published worked examples of d.c. distributors and of single extra-low-voltage loads.

Distributors: V. K. Mehta and Rohit Mehta, *Principles of Power System*, chapter 13, as typed in the companion notebooks
of FOSSEE (Python-Textbook-Companions). Their loads are constant currents. A circuit here is radial; the examples fed
from both ends, and the rings, are cut at the load of least volts into two radial circuits, as the book does. Left out:
13.24 with an interconnector, whose printed volts the book's own numbers do not give.

The tolerance of each is half a unit of the last digit printed.
"""

from bisect import bisect_left

import numpy as np
import pytest

from optimiser import conductors
from optimiser.electrics.circuit import CircuitTree, far_end_short_a
from optimiser.electrics.network import Network, State, solve
from optimiser.job import Driver, LampType, Voltage


def chain(source_v: float, section_ohm: list[float], load_a: list[float]) -> State:
    """Constant currents along one line."""
    n = len(section_ohm) + 1
    kind = np.array([0] + [2] * (n - 1))
    network = Network(np.arange(-1, n - 1), kind, np.array([0, *load_a]), np.ones(n), np.ones(n))
    return solve(network, [0, *section_ohm], source_v)


def test_13_1_radial_with_four_loads() -> None:
    per_m = 0.02 / 1000
    state = chain(300, [500 * per_m, 500 * per_m, 600 * per_m, 400 * per_m], [100, 150, 200, 50])
    assert state.volts[1:] == pytest.approx([295, 291, 288, 287.6], abs=0.05)


def test_13_2_the_area_for_a_drop_of_10_v() -> None:
    """1.164 cm², resistivity 1.78e-8 ohm m; loads at 40, 100, 150, 250 m; section currents 220, 190, 150, 50 A."""
    loop = [2 * 1.78e-8 * length_m / 1.164e-4 for length_m in (40, 60, 50, 100)]
    state = chain(240, loop, [30, 40, 100, 50])
    assert state.amps[1:] == pytest.approx([220, 190, 150, 50], rel=1e-12)
    assert 240 - state.volts[-1] == pytest.approx(10, abs=10 * 0.0005 / 1.164)


def test_13_3_two_trams() -> None:
    state = chain(600, [0.28 * 2, 0.28 * 4], [40, 20])
    assert state.volts[1:] == pytest.approx([566.4, 544.0], abs=0.05)


def test_13_4_section_by_section() -> None:
    """0.27 cm²; the book rounds its resistance to 0.066 ohm per 100 m and core."""
    state = chain(250, [2 * 0.066 * part for part in (0.75, 1.0, 0.5)], [12, 15, 20])
    assert state.volts[1:] == pytest.approx([245.35, 240.73, 239.41], abs=0.005)


def spread(source_v: float, amps_per_m: float, length_m: int, ohm_per_m: float, at_m: int) -> tuple[State, int]:
    """
    A uniform load as one load in the middle of each metre, with a node at ``at_m`` and at the end.

    For places on whole metres this sum equals the integral exactly. Returns the state and the node at ``at_m``.
    """
    places = sorted([*(metre + 0.5 for metre in range(length_m)), float(at_m), float(length_m)])
    sections = np.diff([0.0, *places]) * ohm_per_m
    loads = [amps_per_m if place % 1 else 0.0 for place in places]
    return chain(source_v, sections.tolist(), loads), places.index(float(at_m)) + 1


def test_13_5_uniform_load() -> None:
    """2 A/m over 200 m, 0.3 ohm/km a wire: 22.5 V lost at 150 m, 24 V in all (= I R / 2)."""
    state, node = spread(250, 2.0, 200, 2 * 0.3e-3, 150)
    assert 250 - state.volts[node] == pytest.approx(22.5, abs=1e-8)
    assert 250 - state.volts[-1] == pytest.approx(24.0, abs=1e-8)


def test_13_9_uniform_load_with_its_losses() -> None:
    """0.75 A/m over 300 m, loop 0.00018 ohm/m, 250 V: 244.6 V at 200 m; i² r l³ / 3 = 911.25 W lost."""
    state, node = spread(250, 0.75, 300, 0.00018, 200)
    assert state.volts[node] == pytest.approx(244.6, abs=1e-8)
    drawn = -np.diff(state.amps[1:], append=0)
    taken = float(drawn @ state.volts[1:])
    assert 250 * state.amps[0] - taken == pytest.approx(911.25, abs=0.01)  # lumps of a metre: 1 / (4 x 300²) of it


# --- fed from both ends, and rings -----------------------------------------------------------------------------------


def from_both_ends(
    a_v: float, b_v: float, section_ohm: list[float], load_a: list[float]
) -> tuple[np.ndarray, np.ndarray]:
    """
    Volts at the loads, and amps from a towards b in each section.

    Cut at a load into a chain from either end, its current split so that both give it the same volts. Load flow is
    linear here, so two solves find the split; the right load is the one whose two parts are both drawn, not fed.
    """

    def halves(cut: int, part: float) -> tuple[State, State]:
        ahead = chain(a_v, section_ohm[: cut + 1], [*load_a[:cut], part])
        behind = chain(b_v, section_ohm[:cut:-1], [*load_a[:cut:-1], load_a[cut] - part])
        return ahead, behind

    def apart(cut: int, part: float) -> float:
        ahead, behind = halves(cut, part)
        return float(ahead.volts[-1] - behind.volts[-1])

    # Past the right load, even with none of it drawn from ahead, the volts from ahead are the lower.
    cut = bisect_left(range(len(load_a)), True, key=lambda at: apart(at, 0.0) < 0) - 1
    none, all_of_it = apart(cut, 0.0), apart(cut, load_a[cut])
    assert cut >= 0 and none >= 0 >= all_of_it, "an end takes current in: no radial circuits"
    ahead, behind = halves(cut, load_a[cut] * none / (none - all_of_it) if none else 0.0)
    assert ahead.volts[-1] == pytest.approx(behind.volts[-1], abs=1e-8)
    volts = np.concatenate([ahead.volts[1:], behind.volts[-2:0:-1]])
    return volts, np.concatenate([ahead.amps[1:], -behind.amps[:0:-1]])


def test_13_10_both_ends_alike() -> None:
    per_m = 3.4e-4
    volts, amps = from_both_ends(220, 220, [per_m * m for m in (100, 150, 150, 100, 100)], [20, 40, 50, 30])
    assert amps[0] == pytest.approx(61.7, abs=0.05)
    assert volts.min() == volts[2] == pytest.approx(215.69, abs=0.01)  # from 61.7 A as rounded in the book


def test_13_11_ends_apart() -> None:
    volts, amps = from_both_ends(230, 235, [0.6e-3 * m for m in (50, 25, 25, 50, 50)], [25, 50, 30, 40])
    assert amps == pytest.approx([33.33, 8.33, -41.67, -71.67, -111.67], abs=0.005)
    assert volts.min() == volts[1] == pytest.approx(228.875, abs=0.0005)


def test_13_12_ends_apart_with_losses() -> None:
    section_ohm = [0.02 / 100 * m for m in (150, 150, 50, 100, 150)]
    _, amps = from_both_ends(440, 430, section_ohm, [100, 200, 250, 300])
    assert [amps[0], -amps[-1]] == pytest.approx([437.5, 412.5], abs=0.05)
    assert (amps**2 * section_ohm).sum() / 1000 == pytest.approx(14.706, abs=0.0005)


def spread_both_ends(a_v: float, b_v: float, amps_per_m: float, length_m: int, ohm_per_m: float) -> np.ndarray:
    """Volts at every whole metre of a uniform load fed from both ends; lumps in the middle of each metre."""
    places = [0.5 * half for half in range(1, 2 * length_m)]
    sections = (np.diff([0.0, *places, length_m]) * ohm_per_m).tolist()
    volts, _ = from_both_ends(a_v, b_v, sections, [amps_per_m if place % 1 else 0.0 for place in places])
    return volts[1::2]


def test_13_14_uniform_load_both_ends_alike() -> None:
    """0.5 A/m over 1000 m, 0.05 ohm/km a wire: at most I R / 8 = 6.25 V lost, in the middle."""
    volts = spread_both_ends(250, 250, 0.5, 1000, 2 * 0.05e-3)
    assert 250 - volts.min() == pytest.approx(6.25, abs=1e-7)
    assert volts.argmin() + 1 == 500


def test_13_15_uniform_load_ends_apart() -> None:
    volts = spread_both_ends(255, 250, 1.0, 500, 2 * 0.1e-3)
    assert volts.min() == pytest.approx(246.0, abs=1e-7)
    assert volts.argmin() + 1 == 300


def test_13_22_ring() -> None:
    """From A round to A: 150 m to B (120 A), 50 m to C (80 A), 100 m back."""
    volts, amps = from_both_ends(240, 240, [0.06e-2 * m for m in (150, 50, 100)], [120, 80])
    assert amps == pytest.approx([86.67, -33.33, -113.33], abs=0.005)
    assert volts == pytest.approx([232.2, 233.2], abs=0.05)


def test_13_23_ring() -> None:
    _, amps = from_both_ends(220, 220, [0.1, 0.05, 0.01, 0.025, 0.075], [10, 20, 30, 10])
    assert amps == pytest.approx([29.04, 19.04, -0.96, -30.96, -40.96], abs=0.005)


def test_13_24_ring() -> None:
    volts, _ = from_both_ends(250, 250, [0.02, 0.018, 0.025, 0.02], [150, 300, 250])
    assert volts == pytest.approx([243.265, 239.903, 242.735], abs=0.001)  # from currents rounded in the book


# --- single extra-low-voltage loads ----------------------------------------------------------------------------------

# FAA AC 43.13-1B, chapter 11, tables 11-7 and 11-8: total run in ft, ohm per ft, printed drop at 20 A. The row of 88 ft
# No. 12 prints 3.60 for 3.555 and that of 19.5 ft No. 10 .366 for .491: misprints, left out.
FAA_20_A = [
    (107, 0.00044, 0.942, 0.0005),
    (90, 0.00028, 0.504, 0.0005),
    (100, 0.00306, 6.12, 0.005),
    (39, 0.00126, 0.98, 0.005),
    (156, 0.00126, 3.93, 0.005),
    (273, 0.00126, 6.88, 0.005),
]


@pytest.mark.parametrize(("run_ft", "ohm_per_ft", "drop_v", "half_unit"), FAA_20_A)
def test_faa_drop_tables(run_ft: float, ohm_per_ft: float, drop_v: float, half_unit: float) -> None:
    assert 28 - chain(28, [run_ft * ohm_per_ft], [20]).volts[1] == pytest.approx(drop_v, abs=half_unit)


def test_faa_example_1_takes_no_8() -> None:
    """28 V, 50 ft of wire in all, 20 A, 1 V allowed: No. 8 (ohm per 1000 ft of table 11-9)."""
    per_kft = {12: 2.02, 10: 1.26, 8: 0.70, 6: 0.44}
    enough = [size for size, ohm in per_kft.items() if 28 - chain(28, [50 * ohm / 1000], [20]).volts[1] <= 1]
    assert max(enough) == 8


def test_24_v_over_100_feet() -> None:
    """24 V, 4 A, 100 ft one way of No. 16 at 4.99 ohm/1000 ft (NEC chapter 9, table 8): 4.0 V (electrician2.com)."""
    drop_v = 24 - chain(24, [200 * 4.99 / 1000], [4]).volts[1]
    assert drop_v == pytest.approx(4.0, abs=0.05)


@pytest.mark.parametrize(("allowed_pct", "awg"), [(3, 12), (10, 16)])
def test_boat_wire_table(allowed_pct: float, awg: int) -> None:
    """12 V, 10 A, 11 + 10 ft of wire: AWG 12 for 3 %, 16 for 10 % (CM = K I L / E, K = 10.75; boat suppliers)."""
    enough = []
    for size in (18, 16, 14, 12, 10, 8):
        ohm = 21 * 0.3048 * conductors.ohm_per_m(None, awg=size)
        if 12 - chain(12, [ohm], [10]).volts[1] <= 12 * allowed_pct / 100:
            enough.append(size)
    assert max(enough) == awg


def test_photovoltaic_module_lead() -> None:
    """3 A through 2 x 3, 2 x 8 and 2 x 1 m of 1.5 mm² at 0.0177 ohm mm²/m: 0.21 + 0.57 + 0.07 = 0.85 V (Sunware)."""
    state = chain(18, [2 * length_m * 0.0177 / 1.5 for length_m in (3, 8, 1)], [0, 0, 3])
    assert -np.diff(state.volts) == pytest.approx([0.21, 0.57, 0.07], abs=0.005)
    assert 18 - state.volts[-1] == pytest.approx(0.85, abs=0.005)


def test_kuphaldt_sizing_and_longest_current() -> None:
    """
    T. Kuphaldt, *Lessons in Electric Circuits*, volume 1, chapter 12.

    230 V, 25 A, 2300 ft one way, 10 V allowed: 0.2 ohm a wire. With 14 AWG, 5.651 ohm a wire: at most 20.352 A, which
    is the current into a short at the far end.
    """
    assert 230 - chain(230, [0.4], [25]).volts[1] == pytest.approx(10, abs=1e-9)
    source = Driver(taps_v=(230,), rated_w=5750, tol_pct=0, limit_mode="none", price=0)
    tree = CircuitTree(
        np.array([-1, 0]),
        np.zeros(2),
        np.zeros(2),
        np.array([0, 11.301]),
        np.array([-1, 0]),
        (LampType(watts=1, volts=230),),
    )
    assert far_end_short_a(source, 230, tree, Voltage())[1] == pytest.approx(20.352, abs=0.0005)


def test_kuphaldt_wire_that_warms() -> None:
    """Two wires of 15 ohm to a load of 250 ohm at 14 V: 12.5 V; at 35 °C (0.004041 /K, his) 12.42 V, 0.79 V a wire."""
    network = Network(np.array([-1, 0]), np.array([0, 3]), np.array([0, 14**2 / 250]), np.full(2, 14.0), np.ones(2))
    cold = solve(network, [0, 30], 14)
    warm = solve(network, [0, 30 * (1 + 0.004041 * 15)], 14)
    assert cold.volts[1] == pytest.approx(12.5, abs=1e-9)
    assert warm.volts[1] == pytest.approx(12.42, abs=0.005)
    assert (14 - warm.volts[1]) / 2 == pytest.approx(0.79, abs=0.005)


def test_three_lamps_sized_by_a_global_solver() -> None:
    """
    12 V, 30 m to A (10 W), from A 25 m to B (12 W) and 20 m to C (6 W), at least 11.40 V, class 5 at 20 °C.

    SCIP (global, non-linear) and a trial of all 125 combinations gave 10, 4 and 1.5 mm² and these volts.
    """
    network = Network(
        np.array([-1, 0, 1, 1]), np.array([0, 1, 1, 1]), np.array([0, 10.0, 12, 6]), np.full(4, 12.0), np.ones(4)
    )
    per_m = {size: 2 * conductors.ohm_per_m(size, 5) for size in (1.5, 2.5, 4, 6, 10)}

    def volts(a: float, b: float, c: float) -> np.ndarray:
        return solve(network, [0, 30 * per_m[a], 25 * per_m[b], 20 * per_m[c]], 12.0).volts[1:]

    assert volts(10, 4, 1.5) == pytest.approx([11.722181, 11.463089, 11.443239], abs=5e-7)
    every = [(30 * a + 25 * b + 20 * c, a, b, c) for a in per_m for b in per_m for c in per_m]
    enough = [sizes for sizes in every if volts(*sizes[1:]).min() >= 11.40]
    assert min(enough) == (430, 10, 4, 1.5)
