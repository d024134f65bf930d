"""The lower bound against plain enumeration of every layout of tiny jobs (``tiny_layouts.py``); its parts by hand."""

from __future__ import annotations

import dataclasses
import itertools
import math
from collections.abc import Iterator
from typing import Any

import numpy as np
import pytest

from optimiser.ground import build_ground
from optimiser.search import bound as bounds
from optimiser.search.bound import counting, lower_bound, quick_bound
from optimiser.search.bound.ascent import ascend
from optimiser.search.bound.branch import branch
from optimiser.search.bound.counting import relax_counts, relax_joints
from optimiser.search.bound.drivers import drivers_bound
from optimiser.search.bound.loads import gather_loads
from optimiser.search.bound.program import Program
from optimiser.search.bound.relaxation import Relaxation, joint_classes
from optimiser.search.bound.solve import CutAndPrice
from optimiser.search.facts import gather_facts
from tests.benchmarks.make_site import make_site
from tests.search.known_optima import layout_optimum
from tests.search.tiny_layouts import Box, facts_of, tiny_job

# Jobs whose enumeration takes long are left out: a job's size decides, not its outcome. These were enumerated once too.
SLOW_TO_ENUMERATE = {
    7,
    1137,
    1234,
    1265,
    1274,
    1053,
    1056,
    1059,
    1062,
    1076,
    1082,
    1163,
    1217,
    1226,
    1347,
    1421,
    1473,
    1485,
    1534,
    1564,
}


def small(seeds: range, most_edges: int) -> Iterator[int]:
    """Seeds of jobs of three lamps and so few edges that their layouts can be enumerated."""
    for seed in seeds:
        if seed not in SLOW_TO_ENUMERATE:
            tiny = tiny_job(seed)
            if len(tiny.edges) <= most_edges and tiny.num_lamps == 3:
                yield seed


QUICK = list(itertools.islice(small(range(400), 6), 40))
LONG = list(itertools.islice(small(range(1000, 2500), 7), 200))
TWO_CABLES = 1027
"""A job whose best layout has more cables in a trench than one."""


def check_bound(seed: int, monkeypatch: pytest.MonkeyPatch) -> None:
    """By parts, whole, and the network program, which is meant for more lamps."""
    tiny = tiny_job(seed)
    facts = facts_of(tiny)
    optimum = layout_optimum(seed)
    for effort, whole_lamps in ((0.0, 8), (1.0, 8), (1.0, 0)):
        monkeypatch.setattr(bounds, "WHOLE_LAMPS", whole_lamps)
        bound = lower_bound(facts, num_drivers=tiny.num_drivers, effort=effort)
        assert bound.total <= optimum + 1e-6
        if math.isfinite(bound.total):
            assert math.isclose(bound.total, sum(bound.parts.values()), abs_tol=1e-6)
    quick = quick_bound(facts, tiny.num_drivers)
    assert quick.total <= optimum + 1e-6
    assert math.isinf(quick.total) or math.isclose(quick.total, sum(quick.parts.values()), abs_tol=1e-6)


@pytest.mark.parametrize("seed", QUICK)
def test_no_layout_of_a_tiny_job_costs_less(seed: int, monkeypatch: pytest.MonkeyPatch) -> None:
    check_bound(seed, monkeypatch)


def test_shares_of_joints_bound_too(monkeypatch: pytest.MonkeyPatch) -> None:
    """Jobs of very many lamps count joints by shares: held to the same tiny jobs."""
    for seed in QUICK[:20]:
        tiny = tiny_job(seed)
        facts = facts_of(tiny)
        counted = lower_bound(facts, num_drivers=tiny.num_drivers, effort=0.0)
        with monkeypatch.context() as patch:
            patch.setattr(bounds, "COUNT_SIZE", 0)
            shared = lower_bound(facts, num_drivers=tiny.num_drivers, effort=0.0)
        assert shared.total <= layout_optimum(seed) + 1e-6
        if math.isfinite(counted.total):
            assert shared.parts["joints"] > 0 or tiny.post


@pytest.mark.slow
@pytest.mark.parametrize("seed", LONG)
def test_no_layout_of_many_tiny_jobs_costs_less(seed: int, monkeypatch: pytest.MonkeyPatch) -> None:
    check_bound(seed, monkeypatch)


def test_quick_jobs_are_many_and_differ() -> None:
    assert len(QUICK) == 40
    assert len(LONG) >= 200
    jobs = [tiny_job(seed) for seed in QUICK]
    assert {job.tap for job in jobs} == {True, False}
    assert {len(job.supplies) for job in jobs} == {1, 2}
    assert any(job.post for job in jobs) and any(len(set(job.group)) > 1 for job in jobs)
    assert any(box.wound_pct >= 0 for job in jobs for box in job.boxes)


@pytest.mark.parametrize("whole_lamps", [8, 0])
def test_a_bound_that_counts_twice_would_be_found(whole_lamps: int, monkeypatch: pytest.MonkeyPatch) -> None:
    """The jobs are sharp enough to catch a bound that is a tenth too high: most have their bound within that."""
    monkeypatch.setattr(bounds, "WHOLE_LAMPS", whole_lamps)
    near = 0
    for seed in QUICK[:12]:
        tiny = tiny_job(seed)
        optimum = layout_optimum(seed)
        bound = lower_bound(facts_of(tiny), num_drivers=tiny.num_drivers)
        near += math.isfinite(optimum) and 1.1 * bound.total > optimum
    assert near >= 3


def test_a_bound_is_what_is_proven_not_what_its_parts_add_up_to() -> None:
    """The parts are a solution's, which may cost a little more than what is proven: by hand, and a job where it did."""
    made = bounds._bound({"trench": 30.0, "joints": 12.0008}, 42.0)
    assert made.total == 42.0
    assert math.isclose(sum(made.parts.values()), 42.0, abs_tol=1e-9)
    assert lower_bound(facts_of(tiny_job(TWO_CABLES))).total <= layout_optimum(TWO_CABLES)


def test_network_program_says_the_same_again_and_stops_when_asked() -> None:
    facts = facts_of(tiny_job(TWO_CABLES))
    loads = gather_loads(facts)
    price = drivers_bound(facts, loads)
    first, second = (bounds._network(facts, loads, price, None, 1.0, None) for _ in range(2))
    assert first == second
    stopped = bounds._network(facts, loads, price, None, 1.0, lambda: True)
    assert stopped.total <= first.total


def test_network_program_begins_with_a_solution() -> None:
    """Several circuits in one trench need more cables than dual ascent's arborescence has."""
    facts = facts_of(tiny_job(TWO_CABLES))
    loads = gather_loads(facts)
    found = bounds._network(facts, loads, drivers_bound(facts, loads), None, 1.0, None)
    assert 28.18 < found.total <= layout_optimum(TWO_CABLES)  # by parts: 28.17


def test_ascent_reaches_the_price_of_a_path() -> None:
    """On a path there is one arborescence: 2 + 3 + 4 (by hand)."""
    found = ascend(4, 0, [3], np.array([0, 1, 2]), np.array([1, 2, 3]), np.array([2.0, 3.0, 4.0]))
    assert math.isclose(found.total, 9.0)
    assert np.allclose(found.rest, 0.0)


def test_ascent_names_a_lamp_that_nothing_reaches() -> None:
    with pytest.raises(ValueError, match="node 2"):
        ascend(3, 0, [2], np.array([0]), np.array([1]), np.array([1.0]))


def job_of(**changes: Any) -> Any:
    tiny = tiny_job(2)
    for key, value in changes.items():
        setattr(tiny, key, value)
    return tiny


def test_classes_of_joints_are_the_ways_of_one_price() -> None:
    facts = facts_of(job_of(kits=[(2, 6.0), (4, 9.0), (5, 9.0), (6, 14.0)]))
    assert joint_classes(facts) == [(6.0, 2, 2), (9.0, 3, 5), (14.0, 6, 6)]


def test_drivers_cover_the_load_in_whole_numbers() -> None:
    """3 lamps of 8 W on models of 15 W for 10 and 25 W for 18: one large at 18, not 24 / 15 x 10 = 16 (by hand)."""
    tiny = job_of(watts=[8.0] * 3, load=["power"] * 3, group=[""] * 3)
    box = Box(
        taps_v=(12.0,), rated_w=15.0, outlets=1, outlet_a=8.0, terminal_cables=1, limit_a=5.0, mode="hiccup",
        breaker_a=None, price=10.0, wound_pct=-1.0, independent=False,
    )  # fmt: skip
    large = dataclasses.replace(box, rated_w=25.0, price=18.0)
    tiny.boxes, tiny.num_drivers = [box, large], None
    tiny.supplies = [(v, price, most, 1.0) for v, price, most, _ in tiny.supplies]
    facts = facts_of(tiny)
    assert drivers_bound(facts, gather_loads(facts)) == 18.0


def test_more_amps_than_an_outlet_carries_need_more_circuits() -> None:
    """3 lamps of 14 W at 12 V draw 3.5 A; outlets of 1.6 A: three circuits at least (by hand)."""
    tiny = job_of(watts=[14.0] * 3, load=["power"] * 3, group=[""] * 3)
    box = tiny.boxes[0]
    tiny.boxes = [
        box.__class__(
            **{**box.__dict__, "taps_v": (12.0,), "outlet_a": 1.6, "wound_pct": -1.0, "mode": "hiccup", "limit_a": 5.0}
        )
    ]
    loads = gather_loads(facts_of(tiny))
    assert loads.least_circuits(np.arange(3)) == 3
    assert loads.least_circuits(np.arange(1)) == 1


def test_prices_prove_a_bound_whatever_they_are() -> None:
    """Any row prices give a bound, not only the solver's: random ones never exceed the program's optimum."""
    facts = facts_of(tiny_job(QUICK[0]))
    loads = gather_loads(facts)
    program = Program(relax_counts(facts, loads, num_drivers=None, least_drivers_price=0.0))
    program.activate(np.arange(len(program.relaxation.cost)))
    assert program.solve() == "optimal"
    solved, _ = program.prove()
    assert solved <= program.objective + 1e-9
    assert math.isclose(solved, program.objective, rel_tol=1e-6)
    rng = np.random.default_rng(1)
    best = program.dual.copy()
    for _ in range(50):
        program.dual = best + rng.normal(0, 0.5, len(best))
        assert program.prove()[0] <= program.objective + 1e-9


def test_branching_never_weakens_a_bound() -> None:
    for seed in QUICK[:10]:
        facts = facts_of(tiny_job(seed))
        loads = gather_loads(facts)
        relaxation = relax_counts(facts, loads, num_drivers=None, least_drivers_price=0.0)
        program = Program(relaxation)
        program.activate(np.arange(len(relaxation.cost)))
        tighten = CutAndPrice(program, None, math.inf)
        whole = [relaxation.names[name] for name in "udq"]
        plain = tighten(program, -math.inf)
        branched = branch(program, whole, tighten, 100)
        assert branched >= plain - 1e-6


def test_same_job_same_bound() -> None:
    facts = facts_of(tiny_job(QUICK[3]))
    assert lower_bound(facts) == lower_bound(facts)


def test_stopping_early_only_weakens() -> None:
    facts = facts_of(tiny_job(QUICK[1]))
    assert lower_bound(facts, stop=lambda: True).total <= lower_bound(facts).total + 1e-9


@pytest.mark.parametrize("kind", ["park", "resort"])
def test_joints_counted_without_places_or_lamps_lose_little(kind: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """That one node stands for others loses nothing; that no lamp is told apart, a few per cent at most."""
    folder = make_site(30, 3, kind)
    facts = gather_facts(folder.job, folder.survey, build_ground(folder.job, folder.survey).graph)
    loads = gather_loads(facts)
    drivers = drivers_bound(facts, loads)

    def proven(relaxation: Relaxation) -> float:
        program = Program(relaxation)
        program.activate(np.arange(len(relaxation.cost)))
        assert program.solve() == "optimal"
        return program.prove()[0]

    few = proven(relax_joints(facts, loads, drivers))
    fewer_columns = len(relax_joints(facts, loads, drivers).cost)
    whole = proven(relax_counts(facts, loads, num_drivers=None, least_drivers_price=drivers))
    assert 0.95 * whole <= few <= whole + 1e-6
    every = np.zeros(facts.graph.num_nodes, dtype=bool)
    every[[arc.node for arc in facts.graph.leads]] = True
    monkeypatch.setattr(counting, "_nodes_to_count", lambda facts: every)
    plain = relax_joints(facts, loads, drivers)
    assert len(plain.cost) > 1.3 * fewer_columns
    assert proven(plain) == pytest.approx(few, rel=1e-7)
