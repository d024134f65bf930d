"""Hubs beside drivers: hand-worked prices, what an outlet takes, and that what is published holds."""

from __future__ import annotations

import math
import random
from dataclasses import replace

import pytest
from hypothesis import HealthCheck, assume, given, settings

from optimiser.ground import build_ground
from optimiser.job_folder import JobFolder
from optimiser.make_plan import Options, make_plan
from optimiser.problems import BadInput
from optimiser.search.bound import lower_bound
from optimiser.search.circuit import Fed
from optimiser.search.construct import construct
from optimiser.search.driver_hubs import joined, parted, with_driver_hubs
from optimiser.search.effort import Effort
from optimiser.search.facts import Facts, gather_facts
from optimiser.search.state import Bench, State
from tests.properties.random_jobs import Files, folder_of, random_files
from tests.search.test_moves import assert_state
from tests.search.test_side_by_side import JOB, folder_of_lines

# Two lamps of 12 W (1.07 A at 11.2 V) behind 20 m of one trench and 5 m each. 2 x 1.5 mm2 has 2 x 12.1 ohm/km at 20 C
# (IEC 60228), 25 hot: 28 m of it lose 0.75 V of the 1.2 V allowed for one lamp, and where both share 20 m another 0.55.
HEAVY = JOB.replace("watts = 3", "watts = 12")
FORK = {(0, 1): 0.4, (1, 2): 20.0, (2, 3): 5.0, (2, 4): 5.0}


def bench_of(job: str, *, hubs: bool) -> Bench:
    folder, graph = folder_of_lines(job, FORK, [3, 4])
    facts = with_driver_hubs(gather_facts(folder.job, folder.survey, graph))
    return Bench(facts, Effort(math.inf), hubs=hubs)


def two_cables(bench: Bench) -> State:
    """Each lamp by a cable of its own, side by side from the driver."""
    leads = bench.facts.leads_of
    feed = bench.feeds[0]
    trees = ({1: 0, 2: 1, 3: 2}, {1: 0, 2: 1, 4: 2})
    circuits = [bench.feed(0, feed, tree, {lamp: leads[lamp][0]}) for lamp, tree in enumerate(trees)]
    assert all(fed is not None for fed in circuits)
    state = bench.compose([fed for fed in circuits if fed is not None])
    assert state is not None
    return state


def test_a_hub_is_cheaper_than_a_second_driver_by_what_hand_arithmetic_says() -> None:
    bench = bench_of(HEAVY, hubs=True)
    assert bench.feed(0, 0, {1: 0, 2: 1, 3: 2, 4: 2}, {0: 0, 1: 1}) is None  # one cable for both
    apart = two_cables(bench_of(HEAVY, hubs=False))
    # Two drivers at 80; 1.03 x 25.4 + 1.2 + 0.4 = 27.762, cut at 27.8 m, twice; two joints of two ways; 30.4 m dug.
    assert apart.price == pytest.approx(160 + 2 * 27.8 * 1.5 + 2 * 5 + 304)
    state = joined(bench, two_cables(bench))
    assert state is not None and len(state.circuits) == len(state.drivers) == 1
    # One driver; 1.03 x 0.4 + 1.6 = 2.012, cut at 2.1 m, 1.03 x 25 + 0.8 = 26.55, cut at 26.6 m, twice; a joint of 3.
    assert state.price == pytest.approx(80 + (2.1 + 2 * 26.6) * 1.5 + 2 * 5 + 8 + 304)
    assert sorted((walk[0], walk[-1]) for _, walk in state.circuits[0].pieces) == [(0, 1), (1, 3), (1, 4)]


def test_what_the_hub_is_thought_to_cost_is_near_what_it_costs() -> None:
    bench = bench_of(HEAVY, hubs=True)
    thought = two_cables(bench)
    published = joined(bench, thought)
    assert published is not None
    beyond = 2 * 1.03 * 0.4 * 1.5  # each cable is thought to begin at the driver
    assert thought.price == pytest.approx(published.price + beyond, abs=0.3)


def test_cables_of_a_hub_are_parted_again() -> None:
    bench = bench_of(HEAVY, hubs=True)
    one = joined(bench, two_cables(bench))
    assert one is not None
    again = parted(bench, one)
    assert again is not None and [len(fed.leads) for fed in again.circuits] == [1, 1]
    assert all(bench.facts.feeds[fed.feed].hub for fed in again.circuits)
    assert parted(bench, again) is None


def test_bounds_know_nothing_of_hub_feeds() -> None:
    facts = bench_of(HEAVY, hubs=True).facts
    assert facts.plain is not None and not any(feed.hub for feed in facts.plain.feeds)
    bench = bench_of(HEAVY, hubs=True)
    state = joined(bench, two_cables(bench))
    assert state is not None
    assert lower_bound(facts.plain).total <= state.price


def likened(fed: Fed, *, amps: float, far: int, fuse_a: float | None = None) -> Fed:
    return replace(fed, amps=amps, pieces=((0, (0, 1, far)),), fuse_a=fuse_a)


@pytest.mark.parametrize(
    ("amps", "far", "fuses", "together"),
    [
        ((1.0, 1.0), (3, 4), (None, None), True),
        ((1.0, 99.0), (3, 4), (None, None), False),  # more than the outlet gives
        ((1.0, 1.0), (3, 3), (None, None), False),  # two joints of one circuit at a node
        ((1.0, 1.0), (3, 4), (3.0, 5.0), False),  # one fuse for both
    ],
)
def test_what_one_outlet_takes(
    amps: tuple[float, float], far: tuple[int, int], fuses: tuple[float | None, float | None], together: bool
) -> None:
    bench = bench_of(HEAVY, hubs=True)
    cables = two_cables(bench).circuits
    asked = [likened(fed, amps=a, far=v, fuse_a=f) for fed, a, v, f in zip(cables, amps, far, fuses, strict=True)]
    assert (bench.packing.outlets(asked) == [[0, 1]]) == together
    assert together or bench.packing.outlets(asked) is None


def test_several_outlets_serve_the_largest_cables_alone() -> None:
    bench = bench_of(HEAVY.replace("price = 80", "outlets = 2, price = 80"), hubs=True)
    fed = two_cables(bench).circuits[0]
    cables = [likened(fed, amps=a, far=v) for a, v in ((0.5, 3), (2.0, 4), (0.7, 2))]
    assert bench.packing.outlets(cables) == [[1], [0, 2]]
    assert bench.packing.outlets(cables[:2]) == [[1], [0]]


def test_a_plan_has_one_driver_where_two_were_needed() -> None:
    survey = "point,kind,of,x,y\nS,supply,,0,0\nA,lamp,spike,24,2\nB,lamp,spike,24,-2\n"
    plan = make_plan(folder_of(HEAVY.replace("window_v", "lead_m = 1, window_v"), survey), Options(effort=0.3))
    assert len(plan.drivers) == 1
    hubs = [joint for joint in plan.joints if len(joint.cables) == 3 and not joint.leads]
    assert len(hubs) == 1 and math.hypot(hubs[0].x, hubs[0].y) < 1.0
    assert max(lamp.drop_pct for lamp in plan.lamps) <= 10


def facts_of(files: Files) -> tuple[Facts, JobFolder]:
    folder = files.open()
    graph = build_ground(folder.job, folder.survey).graph
    return with_driver_hubs(gather_facts(folder.job, folder.survey, graph)), folder


@settings(max_examples=25, deadline=None, suppress_health_check=list(HealthCheck))
@given(random_files())
def test_what_is_joined_passes_the_check(files: Files) -> None:
    try:
        facts, folder = facts_of(files)
    except BadInput:
        assume(False)
    if facts.plain is None or not all(facts.lamp_feeds):
        return
    bench = Bench(facts, Effort(math.inf), hubs=True)
    state = construct(bench, random.Random(files.seed), noise=0.3)
    new = joined(bench, state)
    if new is None:
        return
    assert sorted(lamp for fed in new.circuits for lamp in fed.leads) == sorted(
        lamp for fed in state.circuits for lamp in fed.leads
    )
    assert not new.has_hubs(facts)
    if new.is_whole:
        assert_state(folder, bench, new)
