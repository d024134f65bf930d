"""The bound on the open ground: against closed forms, published optima, plans; its parts against brute force."""

from __future__ import annotations

import itertools
import math
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
import shapely
from hypothesis import HealthCheck, given, settings
from scipy.optimize import minimize_scalar

from optimiser.ground import build_ground
from optimiser.job_folder import JobFolder, open_job
from optimiser.make_plan import Options, make_whole
from optimiser.problems import LampspurError
from optimiser.search.bound.cheapest_tree import CheapestTree
from optimiser.search.bound.copper import nearest_m
from optimiser.search.facts import Facts, gather_facts
from optimiser.search.open_bound import open_bound
from optimiser.search.open_bound.copper import CopperPrices, thinnest
from optimiser.search.open_bound.flow import lay_open, supply_prices
from optimiser.search.open_bound.places import shared_places
from optimiser.search.open_bound.potentials import Splitting, obeying
from optimiser.search.open_bound.prove import overshoot, proven
from tests.benchmarks import instances
from tests.benchmarks.bench_oracle import garden
from tests.benchmarks.plain_ground import folder_of, plain_ground
from tests.case_plans import CASES
from tests.properties.random_jobs import Files, random_files

WIDE = 1_000.0


def facts_of(folder: JobFolder) -> tuple[Facts, Any]:
    ground = build_ground(folder.job, folder.survey)
    facts = gather_facts(folder.job, folder.survey, ground.graph)
    return facts.plain or facts, ground.land


def bound_of(points: Any, zones: Any = (), effort: float = 1.0) -> float:
    """What is proven where nothing but trench counts, at 1 a metre."""
    facts, land = facts_of(plain_ground(np.array(points, dtype=float), zones))
    found = open_bound(facts, land, effort=effort)
    assert found is not None
    assert found.total == pytest.approx(math.fsum(found.parts.values()))
    return found.total


def holds(bound: float, optimum: float, part: float) -> None:
    """Never above the optimum but for cable next to free (1e-4 of it), and near it."""
    assert part * optimum <= bound <= optimum * (1 + 1.1e-4)


def box(left: float, low: float, right: float, high: float) -> np.ndarray:
    return np.array([(left, low), (right, low), (right, high), (left, high)])


def test_one_lamp_is_the_straight_line() -> None:
    holds(bound_of([(0, 0), (30, 17)]), math.hypot(30, 17), 0.999)


def test_three_corners_of_an_equilateral_triangle() -> None:
    """Fermat's point: three legs of side / sqrt(3) (e.g. Gilbert and Pollak, Steiner minimal trees, SIAM 1968)."""
    holds(bound_of([(0, 0), (40, 0), (20, 20 * math.sqrt(3))]), 40 * math.sqrt(3), 0.995)


def test_four_corners_of_a_square() -> None:
    """Two forks: (1 + sqrt(3)) x side (the same source)."""
    holds(bound_of([(0, 0), (40, 0), (40, 40), (0, 40)]), 40 * (1 + math.sqrt(3)), 0.96)


def test_two_grounds_bend_the_way_as_snell_says() -> None:
    """The cheapest place to cross the border, by minimising over it."""
    supply, lamp = (0.0, -12.0), (25.0, 10.0)

    def price(x: float) -> float:
        return math.hypot(x - supply[0], supply[1]) + 3.0 * math.hypot(lamp[0] - x, lamp[1])

    best = minimize_scalar(price, bounds=(0, 25), method="bounded").fun
    holds(bound_of([supply, lamp], [(3.0, box(-WIDE, 0, WIDE, WIDE))]), best, 0.97)


def test_a_way_round_a_no_dig_zone() -> None:
    """The exact way by the nearer corners."""
    best = math.hypot(20, 6) + 4 + math.hypot(16, 6)
    holds(bound_of([(0, 0), (40, 0)], [(None, box(20, -9, 24, 6))]), best, 0.97)


def test_a_thin_wall_is_not_leaked_through() -> None:
    best = 2 * math.hypot(20, 8)
    holds(bound_of([(0, 0), (40, 0)], [(None, box(19.99, -60, 20.01, 8))]), best + 0.02, 0.98)


def test_a_supply_point_behind_walls_is_no_use() -> None:
    """Of two supply points the nearer one stands in a yard without a gate: the way starts at the other."""
    yard = [box(-10, -10, 10, -9), box(-10, 9, 10, 10), box(-10, -9, -9, 9), box(9, -9, 10, 9)]
    folder = plain_ground(np.array([(0.0, 0.0), (25.0, 0.0)]), [(None, wall) for wall in yard])
    survey = folder.files["survey.csv"].decode() + "T,supply,,60,0\n"
    facts, land = facts_of(folder_of(folder.files["job.toml"].decode(), survey))
    found = open_bound(facts, land)
    assert found is not None
    holds(found.total, 35.0, 0.98)


def test_cheaper_ground_beyond_all_lamps_is_seen() -> None:
    """A way along a cheap strip that lies outside the lamps' own box costs less than the straight one."""
    strip = box(-WIDE, 10, WIDE, 14)
    lane = plain_ground(np.array([(0.0, 0.0), (100.0, 0.0)]), [(0.1, strip)])
    facts, land = facts_of(lane)
    found = open_bound(facts, land)
    # straight down to the strip at the best angle: cos a = 0.1
    down = 2 * 10 / math.sin(math.acos(0.1)) + 0.1 * (100 - 20 / math.tan(math.acos(0.1)))
    assert found is not None
    holds(found.total, down, 0.95)


@pytest.mark.skipif(instances.folder() is None, reason=instances.WHY_NOT)
@pytest.mark.parametrize("number", range(2))
def test_published_euclidean_optima_are_not_passed(number: int) -> None:
    """OR-Library estein10 (Beasley 1992), optima by Zachariasen."""
    name, points, optimum, _ = instances.euclidean(10)[number]
    assert optimum is not None
    holds(bound_of(100 * points, effort=0.6), 100 * optimum, 0.96)
    assert name


@pytest.mark.slow
@pytest.mark.skipif(instances.folder() is None, reason=instances.WHY_NOT)
@pytest.mark.parametrize(("size", "number"), [(10, n) for n in range(2, 15)] + [(20, n) for n in range(15)])
def test_more_published_euclidean_optima(size: int, number: int) -> None:
    _, points, optimum, _ = instances.euclidean(size)[number]
    assert optimum is not None
    holds(bound_of(100 * points), 100 * optimum, 0.96)


@pytest.mark.parametrize("seed", range(6))
def test_the_greatest_left_side_is_exact(seed: int) -> None:
    """Against all sets of lamps, for slopes with and without prices of ways."""
    rng = np.random.default_rng(seed)
    lamps = 1 + seed
    slope = rng.normal(size=(40, lamps, 2)) * rng.choice([0, 1, 5], size=(40, lamps, 1))
    way = rng.choice([0.0, 0.5, 2.0], size=(40, lamps))
    price = rng.uniform(0.5, 2, size=40)
    greatest, angle = overshoot(slope, way, price)
    every = np.zeros(40)
    for some in itertools.product((False, True), repeat=lamps):
        chosen = np.array(some)
        total = np.hypot(*(slope * chosen[None, :, None]).sum(axis=1).T) - (way * chosen).sum(axis=1)
        every = np.maximum(every, total)
    assert greatest == pytest.approx(every / price)
    along = slope[..., 0] * np.cos(angle)[:, None] + slope[..., 1] * np.sin(angle)[:, None]
    assert np.maximum(along - way, 0).sum(axis=1) / price == pytest.approx(greatest)


@pytest.mark.parametrize("with_ways", [False, True])
def test_obeying_is_the_nearest_that_obeys(with_ways: bool) -> None:
    rng = np.random.default_rng(3)
    rise, cap = rng.normal(size=(300, 5)) * 2, rng.uniform(0, 3, size=300)
    own = rng.uniform(0, 1, size=(300, 5)) if with_ways else None
    held = obeying(rise, own, cap)
    free = np.zeros((300, 5)) if own is None else own
    for sign in (1, -1):
        assert (np.maximum(sign * held - free, 0).sum(axis=1) <= cap + 1e-9).all()
    for _ in range(200):  # no other that obeys lies nearer: the angle to each is not acute
        other = obeying(rng.normal(size=(300, 5)) * 3, own, cap)
        assert (((rise - held) * (other - held)).sum(axis=1) <= 1e-8).all()


@pytest.mark.parametrize("seed", range(5))
def test_lamps_that_may_share_a_joint(seed: int) -> None:
    """Against a fine grid of places: no place is reached by lamps that no set holds."""
    rng = np.random.default_rng(seed)
    lamps, reach = rng.uniform(0, 4, size=(8, 2)), rng.uniform(0.2, 1.5, size=8)
    sets = [set(sharing) for _, sharing in shared_places(lamps, reach)]
    grid = np.stack(np.meshgrid(np.linspace(-2, 6, 160), np.linspace(-2, 6, 160)), axis=-1).reshape(-1, 2)
    reached = np.hypot(*(grid[:, None] - lamps[None]).transpose(2, 0, 1)) <= reach
    for row in np.unique(reached, axis=0):
        there = set(np.flatnonzero(row).tolist())
        assert any(there <= sharing for sharing in sets)
    for place, sharing in shared_places(lamps, reach):
        assert (np.hypot(*(lamps[list(sharing)] - place).T) <= reach[list(sharing)] + 1e-5).all()


def test_any_potentials_prove_no_more_than_a_layout_costs() -> None:
    """Random ones, distances to supply points, and their sums, at many scales: scaled until they are lawful."""
    folder = open_job(CASES / "terrace")
    facts, land = facts_of(folder)
    ground = lay_open(facts, land)
    prices = thinnest(ground, facts.cables[0].price_m, supply_prices(facts, {0}, ()))
    made = make_whole(folder, Options(effort=0.02))
    cost = made.plan.cost.trench + made.plan.cost.cable
    rng = np.random.default_rng(1)
    from_supply = np.hypot(*(ground.mesh.places - ground.mesh.places[ground.supply[0]]).T)
    best = -math.inf
    for scale in (0.1, 1.0, 3.0, 10.0, 100.0):
        for noise in (0.0, 0.1, 3.0):
            potential = scale * from_supply[:, None] * np.ones(facts.num_lamps)
            potential += noise * rng.normal(size=potential.shape)
            potential[ground.supply[0]] = 0.0
            value = proven(ground, facts.slack, prices, potential)
            assert value <= cost
            best = max(best, value)
    assert best > 0.1 * cost  # some of them prove something


def test_triangles_lie_where_may_be_dug_at_no_more_than_it_costs() -> None:
    """Places all over the site: each that may be dug lies in a triangle, and none there is dearer than the ground."""
    for case in ("terrace", "courtyard"):
        facts, land = facts_of(open_job(CASES / case))
        mesh = lay_open(facts, land).mesh
        rng = np.random.default_rng(5)
        low, high = mesh.places.min(axis=0), mesh.places.max(axis=0)
        places = rng.uniform(low, high, size=(4000, 2))
        places = places[land.free(places)]
        tree = shapely.STRtree(shapely.polygons(mesh.places[mesh.corners]))
        place, triangle = tree.query(shapely.points(places), predicate="intersects")
        assert set(place.tolist()) == set(range(len(places)))
        assert (mesh.per_m[triangle] <= land.per_m[land.ground_at(places)][place] + 1e-9).all()


@pytest.mark.parametrize("with_copper", [False, True])
def test_near_the_cheapest_tree_on_the_graph_and_never_above_it(with_copper: bool) -> None:
    """The graph lies on the ground: at the same prices its cheapest tree, found exactly, costs no less."""
    facts, land = facts_of(garden(6, 10.0, 2))
    ground = lay_open(facts, land)
    thin_m = min(cable.price_m for cable in facts.cables)
    prices = thinnest(ground, thin_m, supply_prices(facts, {0}, ()))
    line = (0.35, 0.0301)  # under the prices of all three cables
    if with_copper:
        pull = np.full(facts.num_lamps, 0.8)
        prices = CopperPrices(ground, prices, pull, line, thin_m, 1.2 * nearest_m(facts, [0])).prices()
    tree = CheapestTree(facts, line[0] if with_copper else thin_m, prices.way_m, used={0})
    found = Splitting(ground, facts.slack, replace(prices, less=0.0)).run(300)
    assert 0.95 * tree.price <= found <= tree.price


def test_the_same_twice() -> None:
    facts, land = facts_of(open_job(CASES / "terrace"))
    first, second = (open_bound(facts, land, effort=0.2) for _ in range(2))
    assert first == second


@pytest.mark.parametrize("case", ["terrace", pytest.param("courtyard", marks=pytest.mark.slow)])
def test_cases(case: str) -> None:
    """Near the bound on the graph, and below the plan, which lies on the ground."""
    made = make_whole(open_job(CASES / case), Options(effort=0.05, open_ground=True))
    plan = made.plan
    assert plan.bound is not None and plan.open_bound is not None and plan.open_gap is not None
    assert 0.95 * plan.bound <= plan.open_bound <= plan.bound <= plan.cost.total
    assert plan.open_gap == pytest.approx((plan.cost.total - plan.open_bound) / plan.cost.total, abs=1e-5)


@pytest.mark.slow
@settings(max_examples=60, deadline=None, suppress_health_check=list(HealthCheck))
@given(random_files())
def test_no_plan_of_a_random_job_costs_less(files: Files) -> None:
    """Small sites with zones, sleeves, trees, posts, heights and whatever else ``random_jobs`` draws."""
    try:
        made = make_whole(files.open(), Options(seed=files.seed, effort=0.01, num_drivers=files.num_drivers))
    except LampspurError:
        return
    folder = files.open()
    job = folder.job.with_tolerance("off")
    facts = gather_facts(job, folder.survey, made.ground.graph)
    facts = facts.plain or facts
    found = open_bound(facts, made.ground.land, num_drivers=files.num_drivers, effort=0.5)
    assert found is not None
    assert found.total <= made.plan.cost.total + 0.01 * (1 + len(made.plan.cables))  # the plan's cents
    tree = cheapest_tree_of(facts)
    assert open_trench_of(facts, made.ground.land, 100) <= tree + 1e-6


def cheapest_tree_of(facts: Facts) -> float:
    """Trench, leads, thinnest cable and supply points on the graph, exactly."""
    thin_m = min(cable.price_m for cable in facts.cables)
    return CheapestTree(facts, thin_m, np.zeros(facts.num_lamps)).price


def open_trench_of(facts: Facts, land: Any, rounds: int) -> float:
    """The same as proven on the open ground."""
    ground = lay_open(facts, land)
    thin_m = min(cable.price_m for cable in facts.cables)
    return Splitting(ground, facts.slack, thinnest(ground, thin_m, supply_prices(facts, (), ()))).run(rounds)
