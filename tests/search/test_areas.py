"""Large jobs by areas: every lamp in one area, circuits mean the same inside, what is stitched is sound and holds."""

from __future__ import annotations

import math
import random
from dataclasses import replace
from typing import Any

import networkx as nx
import numpy as np
import pytest
from hypothesis import HealthCheck, assume, example, given, settings
from hypothesis import strategies as st

import optimiser.search.by_areas as by_areas
import optimiser.search.find as find
from optimiser.check import check_plan
from optimiser.ground import build_ground
from optimiser.job_folder import JobFolder
from optimiser.make_plan import make_plan
from optimiser.problems import BadInput
from optimiser.search.area import Area, Cutter, stitch
from optimiser.search.by_areas import AREA_ROUNDS, AreaRound, ByAreas, area_start, cut_into_areas
from optimiser.search.construct import construct
from optimiser.search.crew import Crew
from optimiser.search.effort import Effort
from optimiser.search.facts import Facts, gather_facts
from optimiser.search.find import Options
from optimiser.search.state import Bench, State
from optimiser.search.stopping import StopSignal
from optimiser.search.supply_areas import areas_of, give_to_supplies, halve, units_given, units_of
from optimiser.search.tasks import Task, search_area
from optimiser.search.ways import Ways
from tests.benchmarks.make_site import make_site
from tests.properties.random_jobs import Files, random_files
from tests.search.test_moves import assert_state

MOST = 20
"""Lamps of an area in these tests."""


def never() -> bool:
    return False


def silent(_: float) -> None: ...


@pytest.fixture(scope="module")
def park() -> tuple[JobFolder, Facts]:
    folder = make_site(60, 3, "park")
    return folder, gather_facts(folder.job, folder.survey, build_ground(folder.job, folder.survey).graph)


@pytest.fixture(scope="module")
def laid_out(park: tuple[JobFolder, Facts]) -> State:
    bench = Bench(park[1], Effort(math.inf))
    with Crew(1, never, silent) as crew:
        return ByAreas(1, None, crew, MOST).first(bench)


@given(
    st.lists(st.tuples(st.integers(0, 30), st.integers(0, 30), st.integers(0, 9)), min_size=1, max_size=40),
    st.integers(1, 30),
    st.floats(0, math.pi / 2),
)
def test_halving_puts_every_point_in_one_part(points: list[tuple[int, int, int]], most: int, angle: float) -> None:
    places, weight = np.array([p[:2] for p in points], dtype=float), np.array([p[2] for p in points], dtype=float)
    parts = halve(places, weight, most, angle)
    assert sorted(i for part in parts for i in part) == list(range(len(points)))
    assert all(len(part) == 1 or weight[part].sum() <= most for part in parts)


def test_lamps_go_along_a_least_spanning_tree_of_their_distances(park: tuple[JobFolder, Facts]) -> None:
    """
    The forest weighs as much as networkx's spanning tree of all distances between lamps and supply points.

    That the neighbours' lines hold one is the theorem of K. Mehlhorn, Information Processing Letters 27, 1988.
    """
    facts = park[1]
    graph, count = facts.graph, facts.num_lamps
    ways = Ways(facts, min(cable.price_m for cable in facts.cables))
    ground = nx.DiGraph()
    for (u, v), price in zip(graph.ends.tolist(), graph.trench_price + ways.laid_price, strict=True):
        ground.add_edge(u, v, weight=float(price))
        ground.add_edge(v, u, weight=float(price))
    for arc in graph.leads:
        price = arc.price + arc.extension_price + 1e-7
        ground.add_edge(f"from {arc.lamp}", arc.node, weight=price)
        ground.add_edge(arc.node, f"to {arc.lamp}", weight=price)
    roots = {int(node) for node in graph.supply_node}
    away = nx.multi_source_dijkstra_path_length(ground, roots)
    apart = {(lamp, count): away[f"to {lamp}"] for lamp in range(count)}
    for lamp in range(count):
        found = nx.single_source_dijkstra_path_length(ground, f"from {lamp}")
        apart |= {(lamp, other): found[f"to {other}"] for other in range(count)}
    closure = nx.Graph()
    closure.add_weighted_edges_from((a, b, w) for (a, b), w in apart.items() if a != b)
    least = nx.minimum_spanning_tree(closure).size(weight="weight")
    got = give_to_supplies(facts)
    assert sum(apart[lamp, int(got.up[lamp])] for lamp in range(count)) == pytest.approx(least, rel=1e-6)
    for lamp in range(count):  # and a lamp is fed from where the lamp before it is
        if got.up[lamp] < count:
            assert got.supply[lamp] == got.supply[got.up[lamp]]


def test_no_supply_point_is_given_more_than_its_drivers_carry(park: tuple[JobFolder, Facts]) -> None:
    facts = park[1]
    largest = max(feed.max_w for feed in facts.feeds)
    total = sum(facts.lamp_watts)
    share = 1.3 * total / len(facts.supply_price) / largest
    tight = replace(
        facts, supply_max_drivers=[1] * len(facts.supply_price), supply_loading=[share] * len(facts.supply_price)
    )
    given_free, given_tight = (give_to_supplies(f).supply for f in (facts, tight))
    watts = np.array(facts.lamp_watts)
    room = share * largest
    assert np.bincount(given_free, watts).max() > room, "the limit must bite for this test to say anything"
    assert np.bincount(given_tight, watts).max() <= room + 1e-9


@pytest.mark.parametrize("most", [5, 20, 1000])
def test_every_lamp_and_circuit_is_in_just_one_area(park: tuple[JobFolder, Facts], laid_out: State, most: int) -> None:
    facts = park[1]
    given_units = units_given(facts, give_to_supplies(facts).supply, most)
    for planned in AREA_ROUNDS:
        angle = planned.angle * math.pi / 2
        for units in (given_units, units_of(facts, laid_out, most)):
            areas = areas_of(facts, units, most, angle)
            assert sorted(lamp for area in areas for unit in area for lamp in unit.lamps) == list(range(60))
        areas = cut_into_areas(facts, laid_out, angle, laid_out.circuits[0].palette, most)
        assert sorted(lamp for area in areas for lamp in area.lamps) == list(range(60))
        assert sorted(i for area in areas for i in area.circuits) == list(range(len(laid_out.circuits)))


def test_seams_of_one_round_lie_inside_the_areas_of_another() -> None:
    """On even ground nine in ten pairs of neighbours are in one area in some round, whatever was cut before."""
    side = 24
    places = np.array([(x, y) for x in range(side) for y in range(side)], dtype=float)
    apart = {(i, i + step) for i in range(side * side - side) for step in (1, side) if (i + step) % side or step > 1}
    once = set(apart)
    for planned in AREA_ROUNDS:
        cut = np.zeros(len(places), dtype=int)
        for number, part in enumerate(halve(places, np.ones(len(places)), 40, planned.angle * math.pi / 2)):
            cut[part] = number
        crossed = {(i, j) for i, j in apart if cut[i] != cut[j]}
        assert len(crossed) > 0.1 * len(apart)
        once &= crossed
    assert len(once) < 0.01 * len(apart)


def assert_areas_mean_the_same(bench: Bench, state: State, most: int, angle: float) -> None:
    """Circuits are priced alike inside, and an area with the rest is the whole."""
    for area in cut_into_areas(bench.facts, state, angle, bench.palette, most):
        start = area_start(area, state, None)
        inside = Bench(area.facts, Effort(math.inf))
        for i, fed in zip(area.circuits, start.circuits, strict=True):
            assert area.outward(fed).__getstate__() == state.circuits[i].__getstate__()
            anew = inside.feed(fed.supply, fed.feed, fed.tree, fed.leads, fed.palette)
            assert anew is not None
            assert anew.price == pytest.approx(fed.price, abs=1e-9)
        rest = [fed for i, fed in enumerate(state.circuits) if i not in area.circuits]
        fed_lamps = {lamp for fed in rest for lamp in fed.leads}
        others = bench.compose(rest, frozenset(range(bench.facts.num_lamps)) - fed_lamps)
        if others is not None:
            assert start.price + others.price == pytest.approx(state.price, abs=1e-6)


def test_an_area_and_the_rest_are_the_whole(park: tuple[JobFolder, Facts], laid_out: State) -> None:
    bench = Bench(park[1], Effort(math.inf))
    bench.palette = laid_out.circuits[0].palette
    for planned in AREA_ROUNDS:
        assert_areas_mean_the_same(bench, laid_out, MOST, planned.angle * math.pi / 2)


def test_what_is_stitched_is_sound_and_no_dearer(park: tuple[JobFolder, Facts], laid_out: State) -> None:
    folder, facts = park
    bench = Bench(facts, Effort(math.inf))
    assert_state(folder, bench, laid_out)
    assert laid_out.is_whole
    state = laid_out
    with Crew(1, never, silent) as crew:
        areas = ByAreas(1, None, crew, MOST)
        for number, planned in enumerate(AREA_ROUNDS[:2], start=1):
            new = areas.search_on(bench, state, number, planned, 1200.0)
            assert_state(folder, bench, new)
            assert new.cost <= state.cost + 1e-9
            state = new
    assert state.cost < 0.995 * laid_out.cost


def test_an_area_that_makes_the_whole_dearer_is_left_as_it_was(park: tuple[JobFolder, Facts], laid_out: State) -> None:
    bench = Bench(park[1], Effort(math.inf))
    bench.palette = laid_out.circuits[0].palette
    areas = cut_into_areas(bench.facts, laid_out, 0.0, bench.palette, MOST)
    starts = [area_start(area, laid_out, None) for area in areas]
    nothing = [Bench(area.facts, Effort(0.0)).compose((), frozenset(range(len(area.lamps)))) for area in areas]
    assert len(areas) > 1
    found = [nothing[0], *starts[1:]]
    assert all(state is not None for state in found)
    same = stitch(bench, laid_out, areas, [state for state in found if state is not None])
    assert same is laid_out


quietly = {"deadline": None, "suppress_health_check": list(HealthCheck), "derandomize": True}


def searched_by_areas(files: Files) -> bool:
    """A random job cut into areas of three lamps or less: priced alike, and sound after a round."""
    try:
        folder = files.open()
        ground = build_ground(folder.job, folder.survey)
    except BadInput:
        return False
    facts = gather_facts(folder.job, folder.survey, ground.graph)
    if not facts.feeds or not all(facts.lamp_feeds):
        return False
    bench = Bench(facts, Effort(math.inf))
    state = construct(bench, random.Random(files.seed), noise=0.5)
    if not state.circuits:
        return False
    assert_areas_mean_the_same(bench, state, 3, 0.3)
    with Crew(1, never, silent) as crew:
        areas = ByAreas(files.seed, None, crew, 3)
        assert_state(folder, bench, areas.first(Bench(facts, Effort(math.inf))))
        new = areas.search_on(bench, state, 1, AreaRound(0.3, 1.0, 0.5, refines=False), 60.0)
    assert_state(folder, bench, new)
    assert new.cost <= state.cost + 1e-9
    return True


LONG_WAYS_IN_SHORT_REELS_JOB = """\
title = "random job"
currency = "EUR"
prices_are_invented = true
base_ground = "lawn"
[voltage]
max_drop = "10 %"
drop_from = "driver"
[grounds]
"lawn" = { per_m = 10 }
"bed" = { per_m = 6, crossing = 2 }
"gravel" = { per_m = 9, crossing = 3 }
"paving" = { per_m = 32, crossing = 11 }
"mulch" = { kind = "mulch", per_m = 4, depth_mm = 0 }
"pond" = {  }
"house" = { kind = "no_dig" }
[lamps.bright]
watts = 14
volts = 12
supply = "either"
window_v = [10, 15.5]
lead_mm2 = 1.0
lead_m = 1.6
inrush_a = 14
input_uf = 330
[cables]
"1.5" = { mm2 = 1.5, price_per_m = 1.2, reels_m = [15] }
"2.5" = { mm2 = 2.5, price_per_m = 1.9, reels_m = [15] }
"4" = { mm2 = 4, price_per_m = 3.0, reels_m = [15] }
"6" = { mm2 = 6, price_per_m = 4.4, reels_m = [15] }
[drivers."breaker 60"]
taps_v = [12]
rated_w = 60
limit_a = 15
limit_mode = "hold"
outlets = 3
breaker_a = 4
independent_outlets = true
price = 95
[supplies]
"S1" = { price = 0, max_drivers = 1, loading_pct = 100 }
"S2" = { price = 0, max_drivers = 1, loading_pct = 100 }
[joints]
method = "cut"
extension_m = 0
extension_per_m = 2
end_ohm = 0.002
[joints.kits]
"five" = { max_ways = 5, max_mm2 = 4, price = 9, labour = 6 }
[slack]
per_cent = 0
joint_end_m = 0
[fuses]
price = 0
[rules]
max_gauges = 2
border_tolerance_m = 0.3
trench_bunched = [1.0, 0.9, 0.8]
[trees]
rule = "careful"
[zones."pond 1"]
ground = "pond"
"""
LONG_WAYS_IN_SHORT_REELS_SURVEY = """\
point,kind,of,x,y,z,group,ring,stem_mm
S1,supply,,0.000,6.500,,,,
S2,supply,,5.300,0.000,,,,
L1,lamp,bright,0.000,0.400,,,,
L2,lamp,bright,9.700,0.000,,,,
L3,lamp,bright,0.000,0.400,,,,
L4,lamp,bright,0.000,0.400,,front,,
L5,lamp,bright,1.000,0.400,,front,,
,corner,pond 1,0.000,0.400,,,,
,corner,pond 1,1.000,0.400,,,,
,corner,pond 1,1.000,1.400,,,,
,corner,pond 1,0.000,1.400,,,,
,mains,feed,0.000,0.000,,,,
,mains,feed,1.000,9.000,,,,
"""
"""Pieces longer than their reel, in a gauge that no joint kit takes."""


@settings(max_examples=15, **quietly)  # type: ignore[arg-type]
@given(random_files())
@example(Files(job=LONG_WAYS_IN_SHORT_REELS_JOB, survey=LONG_WAYS_IN_SHORT_REELS_SURVEY, num_drivers=None, seed=5))
def test_random_jobs_by_areas(files: Files) -> None:
    assume(searched_by_areas(files))


@pytest.mark.slow
@settings(max_examples=80, **quietly)  # type: ignore[arg-type]
@given(random_files())
def test_many_random_jobs_by_areas(files: Files) -> None:
    assume(searched_by_areas(files))


def test_areas_are_searched_alike_on_one_process_and_on_two(park: tuple[JobFolder, Facts], laid_out: State) -> None:
    palette = laid_out.circuits[0].palette
    areas = cut_into_areas(park[1], laid_out, 0.0, palette, MOST)
    tasks = [(a.facts, Task(i, 150.0, None, area_start(a, laid_out, None), 0.3)) for i, a in enumerate(areas)]
    found = []
    for processes in (1, 2):
        with Crew(processes, never, silent) as crew:
            found.append(crew.do_areas(search_area, tasks))
    for one, two in zip(*found, strict=True):
        assert (one.state.price, one.work) == (two.state.price, two.work)
        assert [fed.pieces for fed in one.state.circuits] == [fed.pieces for fed in two.state.circuits]


@pytest.mark.parametrize("num_drivers", [None, 9, 7])
def test_a_plan_by_areas_holds(monkeypatch: pytest.MonkeyPatch, num_drivers: int | None) -> None:
    monkeypatch.setattr(find, "SPLIT_LAMPS", 20)
    monkeypatch.setattr(find, "AREA_LAMPS", 15)
    folder = make_site(40, 3, "campus")
    plan = make_plan(folder, Options(effort=0.02, num_drivers=num_drivers))
    assert not check_plan(plan, folder.job, folder.survey, folder.digest).violations
    assert plan.bound is not None
    assert plan.bound <= plan.cost.total
    assert num_drivers is None or len(plan.drivers) == num_drivers


def test_a_search_that_is_stopped_at_once_has_a_layout(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(find, "SPLIT_LAMPS", 20)
    monkeypatch.setattr(find, "AREA_LAMPS", 15)
    folder = make_site(40, 3, "campus")
    plan = make_plan(folder, Options(), stop=StopSignal(0.0))
    assert plan.outcome == "stopped_by_time"
    assert not check_plan(plan, folder.job, folder.survey, folder.digest).violations


@pytest.mark.slow
@pytest.mark.parametrize("kind", ["park", "resort"])
def test_a_large_plan_holds_and_is_the_same_on_one_process_and_on_two(
    kind: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    counts: list[int] = []

    def counted(*args: Any) -> list[Area]:
        areas = cut_into_areas(*args)
        counts.append(len(areas))
        return areas

    monkeypatch.setattr(by_areas, "cut_into_areas", counted)
    monkeypatch.setattr(find, "SPLIT_LAMPS", 41)  # several areas of fewer lamps, in less time
    monkeypatch.setattr(find, "AREA_LAMPS", MOST)
    folder = make_site(50, 2, kind)
    one, two = (make_plan(folder, Options(effort=0.03, processes=processes)) for processes in (1, 2))
    assert counts and min(counts) >= 3
    assert one.model_dump_json() == two.model_dump_json()
    assert not check_plan(one, folder.job, folder.survey, folder.digest).violations


def test_an_area_has_the_limits_of_its_own_lamps_and_supply_points(park: tuple[JobFolder, Facts]) -> None:
    """What a list of the facts holds by lamp or supply point is that of the area's, whatever their numbers there."""
    _, facts = park
    count, places = facts.num_lamps, len(facts.supply_price)
    told = replace(
        facts,
        lamp_start=[(float(i), 10.0 * i) for i in range(count)],
        supply_mains_va=[100.0 + s for s in range(places)],
        supply_inrush_a=[50.0 + s for s in range(places)],
    )
    lamps, supplies = range(count // 2, count), range(places - 1, places)
    area = Cutter(told).area(lamps, supplies).facts
    assert area.lamp_start == [told.lamp_start[i] for i in lamps]
    assert area.supply_mains_va == [100.0 + s for s in supplies]
    assert area.supply_inrush_a == [50.0 + s for s in supplies]


def test_areas_of_lamps_that_nothing_feeds_are_searched_too(park: tuple[JobFolder, Facts]) -> None:
    """With one driver for 60 lamps most are left out: their areas have no circuit to tell a supply point by."""
    facts = park[1]
    bench = Bench(facts, Effort(math.inf), 1)
    with Crew(1, never, silent) as crew:
        areas = ByAreas(1, 1, crew, 4)
        state = areas.first(bench)
        new = areas.search_on(bench, state, 1, AREA_ROUNDS[0], 300.0)
    assert state.missing
    assert new.cost <= state.cost + 1e-9
