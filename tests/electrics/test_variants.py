"""Many variants of a driver with its circuits in one call: each the same as the driver solved by itself."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from optimiser.electrics.circuit import CircuitTree, solve_driver
from optimiser.electrics.variants import Variants, solve_variants
from optimiser.job import Driver, LampType, Voltage

ELECTRONIC = Driver(taps_v=(12, 14), rated_w=100, outlets=4, tap_per_outlet=True, price=1)
WOUND = Driver(kind="wound", taps_v=(12, 14), rated_w=150, regulation_pct=8, outlets=4, price=1)
WOUND_DC = Driver(kind="wound", output="dc", taps_v=(12, 14), rated_w=150, regulation_pct=8, outlets=4, price=1)
DRIVERS = [ELECTRONIC, WOUND, WOUND_DC]


def random_tree(rng: np.random.Generator, num_lamps: int) -> CircuitTree:
    """A chain with side branches: joints with cable in the ground and on the surface, a lead to each lamp."""
    parent, buried, sun, contact, lamp, joints = [-1], [0.0], [0.0], [0.0], [-1], [0]
    for index in range(num_lamps):
        parent.append(int(rng.choice(joints[-4:])))
        joints.append(len(parent) - 1)
        buried.append(float(rng.uniform(0.01, 0.08)))
        sun.append(float(rng.choice([0.0, 0.01])))
        contact.append(0.004)
        lamp.append(-1)
        parent.append(joints[-1])
        buried.append(0.052)
        sun.append(0.0)
        contact.append(0.004)
        lamp.append(index)
    kinds = rng.choice(["power", "power", "current", "resistance"], num_lamps)
    types = tuple(
        LampType(watts=float(rng.uniform(1, 6)), volts=12, load=kind, supply="either") for kind in kinds.tolist()
    )
    return CircuitTree(np.array(parent), np.array(buried), np.array(sun), np.array(contact), np.array(lamp), types)


def changed(
    tree: CircuitTree, copper: np.ndarray, contact: np.ndarray, load: np.ndarray, on: np.ndarray
) -> CircuitTree:
    """The circuit with the variant's numbers written into it; a lamp that is off draws next to nothing."""
    types = tuple(
        lamp_type.model_copy(update={"watts": lamp_type.watts * factor if lit else 1e-12})
        for lamp_type, factor, lit in zip(tree.lamp_types, load.tolist(), on.tolist(), strict=True)
    )
    return CircuitTree(
        tree.parent, tree.buried20_ohm * copper, tree.sun20_ohm * copper, tree.contact_ohm * contact, tree.lamp, types
    )


@given(st.sampled_from(DRIVERS), st.integers(0, 2**32 - 1))
@settings(max_examples=40, deadline=None)
def test_each_variant_is_the_driver_solved_by_itself(driver: Driver, seed: int) -> None:
    rng = np.random.default_rng(seed)
    taps = [float(tap) for tap in rng.choice([12, 14], int(rng.integers(1, 4)))]
    circuits = [random_tree(rng, int(rng.integers(1, 6))) for _ in taps]
    nodes = sum(len(tree.parent) for tree in circuits)
    lamps = sum(len(tree.lamp_types) for tree in circuits)
    size = int(rng.choice([2, 20]))
    variants = Variants(
        size,
        emf=rng.uniform(0.94, 1.1, size),
        buried_c=rng.uniform(-10, 40, size),
        sun_c=rng.uniform(-10, 60, size),
        copper=rng.uniform(0.9, 1.1, (size, nodes)),
        contact=rng.uniform(0.5, 2, (size, nodes)),
        load=rng.uniform(0.8, 1.2, (size, lamps)),
        on=rng.random((size, lamps)) < 0.8,
    )
    found = solve_variants(driver, circuits, taps, variants)
    assert found.volts.shape == found.branch_amps.shape == (size, nodes)
    assert found.lamp_v.shape == (size, lamps)
    assert found.out_v.shape == found.amps.shape == found.collapsed.shape == (size, len(taps))
    row = int(rng.integers(size))
    node, lamp, own = 0, 0, []
    for tree in circuits:
        n, k = len(tree.parent), len(tree.lamp_types)
        of_node, of_lamp = (row, slice(node, node + n)), (row, slice(lamp, lamp + k))
        own.append(
            changed(
                tree,
                np.asarray(variants.copper)[of_node],
                np.asarray(variants.contact)[of_node],
                np.asarray(variants.load)[of_lamp],
                np.asarray(variants.on)[of_lamp],
            )
        )
        node, lamp = node + n, lamp + k
    hot_c, sun_c = float(np.asarray(variants.buried_c)[row]), float(np.asarray(variants.sun_c)[row])
    voltage = Voltage.model_construct(**(Voltage().model_dump() | {"hot_c": hot_c, "sun_c": sun_c}))
    # The EMF as this variant has it: the source's stated volts, by way of a driver whose taps are so much higher. A
    # wound one keeps its resistance when its rating grows with the square of its taps.
    scale = float(np.asarray(variants.emf)[row])
    higher = driver.model_copy(
        update={"taps_v": tuple(tap * scale for tap in driver.taps_v), "rated_w": driver.rated_w * scale**2}
    )
    alone = solve_driver(higher, own, [tap * scale for tap in taps], voltage)
    np.testing.assert_allclose(found.volts[row], np.concatenate([one.volts for one in alone.circuits]), atol=1e-8)
    np.testing.assert_allclose(
        found.branch_amps[row], np.concatenate([one.branch_amps for one in alone.circuits]), atol=1e-7
    )
    np.testing.assert_allclose(found.lamp_v[row], np.concatenate([one.lamp_v for one in alone.circuits]), atol=1e-8)
    np.testing.assert_allclose(found.out_v[row], [one.out_v for one in alone.circuits], atol=1e-8)
    np.testing.assert_allclose(found.amps[row], [one.amps for one in alone.circuits], atol=1e-7)


def test_as_stated_it_is_solve_driver() -> None:
    rng = np.random.default_rng(3)
    circuits, taps = [random_tree(rng, 4), random_tree(rng, 2)], [12.0, 14.0]
    for driver in DRIVERS:
        state = solve_driver(driver, circuits, taps, Voltage())
        found = solve_variants(driver, circuits, taps, Variants(1, buried_c=40, sun_c=60))
        np.testing.assert_allclose(found.lamp_v[0], np.concatenate([one.lamp_v for one in state.circuits]), atol=1e-12)


def test_a_collapse_stays_in_its_circuit_and_variant() -> None:
    """Behind an electronic driver circuits do not feel each other; 12 V behind 0.8 ohm carries 45 W."""
    tree = CircuitTree(
        np.array([-1, 0]),
        np.zeros(2),
        np.zeros(2),
        np.array([0, 0.8]),
        np.array([-1, 0]),
        (LampType(watts=30, volts=12),),
    )
    found = solve_variants(
        Driver(taps_v=(12,), rated_w=100, price=1), [tree, tree], [12, 12], Variants(2, load=[[1, 1], [1, 1.6]])
    )
    assert found.collapsed.tolist() == [[False, False], [False, True]]
    assert np.isnan(found.lamp_v).tolist() == [[False, False], [False, True]]


def test_no_circuits_and_wrong_shapes() -> None:
    assert solve_variants(ELECTRONIC, [], [], Variants(3)).lamp_v.shape == (3, 0)
    tree = random_tree(np.random.default_rng(0), 2)
    with pytest.raises(ValueError, match="1 circuits and 2 taps"):
        solve_variants(ELECTRONIC, [tree], [12, 12], Variants(3))
    for wrong in ({"emf": [1, 1]}, {"copper": np.ones(3)}, {"on": np.ones((2, 2), bool)}):
        with pytest.raises(ValueError, match="broadcast"):
            solve_variants(ELECTRONIC, [tree], [12], Variants(3, **wrong))
