"""The search's own verdict on a circuit against the electrics on the same circuit laid and cut: never laxer.

The electrics are tested by themselves against published examples and pandapower; what is compared here is the quick
state that the search works with, its budgets, gauges and choice of protection.
"""

from __future__ import annotations

import itertools
import math
import random

import pytest
from hypothesis import HealthCheck, assume, given, settings

from optimiser.ground import build_ground
from optimiser.plan.digging import dig
from optimiser.plan.laying import CannotLay, lay
from optimiser.plan.wiring import wire
from optimiser.problems import BadInput
from optimiser.search.circuit import Fed, feed_circuit
from optimiser.search.construct import construct
from optimiser.search.effort import Effort
from optimiser.search.facts import Facts, gather_facts
from optimiser.search.find import to_layout
from optimiser.search.state import Bench
from tests.properties.random_jobs import Files, folder_of, random_files


def judged(files: Files) -> int:
    """Feed every circuit of a first layout by every feed; return how many were found sound. The electrics agree."""
    try:
        folder = files.open()
        ground = build_ground(folder.job, folder.survey)
    except BadInput:
        return 0
    job, survey = folder.job, folder.survey
    facts = gather_facts(job, survey, ground.graph)
    if not facts.feeds or not all(facts.lamp_feeds):
        return 0
    bench = Bench(facts, Effort(math.inf))
    state = construct(bench, random.Random(files.seed), noise=0.3)
    count = 0
    for fed, feed, palette, exactly in itertools.product(
        state.circuits, range(len(facts.feeds)), facts.palettes[:4], (False, True)
    ):
        new = bench.feed(fed.supply, feed, fed.tree, fed.leads, palette, exactly=exactly)
        whole = new and bench.compose([new])
        if not whole:
            continue
        layout = to_layout(facts, whole)
        try:
            laid = lay(job, survey, ground, layout)
        except CannotLay:
            continue
        count += 1
        (driver,) = wire(job, survey, ground, layout, laid, dig(job, survey, ground, laid))
        assert not driver.breaches, (driver.breaches[0], facts.feeds[feed], palette, exactly)
        if job.joints.method == "cut":
            assert driver.load_va <= new.load_w + 0.05
            assert driver.circuits[0].state.amps <= new.amps + 0.005
    return count


quietly = {"deadline": None, "suppress_health_check": list(HealthCheck), "derandomize": True}


@settings(max_examples=40, **quietly)  # type: ignore[arg-type]
@given(random_files(max_lamps=4))
def test_verdict_is_never_laxer_than_the_electrics(files: Files) -> None:
    assume(judged(files))


@pytest.mark.slow
@settings(max_examples=110, **quietly)  # type: ignore[arg-type]
@given(random_files())
def test_verdict_is_never_laxer_on_many_jobs(files: Files) -> None:
    assume(judged(files))


JOB = """
title = "one lamp"
[grounds]
lawn = {{ per_m = 10 }}
[lamps]
spike = {{ watts = {watts}, volts = 12, lead_mm2 = 1.0, lead_rating_a = {lead_a}, window_v = [9, 16] }}
[cables]
thin = {{ mm2 = 1.5, price_per_m = 1, rating_a = 10 }}
thick = {{ mm2 = 6, price_per_m = 4, rating_a = 30 }}
[drivers]
box = {{ {driver}, rated_w = 300, price = 50 }}
[fuses]
price = 7
ratings_a = [{fuses}]
[joints.kits]
any = {{ max_ways = 4, price = 5 }}
"""
SURVEY = "point,kind,of,x,y\nS,supply,,0,0\nL,lamp,spike,4,0\n"


def one_lamp(driver: str, *, watts: float = 40, fuses: str = "5, 10", lead_a: float = 10) -> tuple[Facts, Fed | None]:
    folder = folder_of(JOB.format(driver=driver, watts=watts, fuses=fuses, lead_a=lead_a), SURVEY)
    ground = build_ground(folder.job, folder.survey)
    facts = gather_facts(folder.job, folder.survey, ground.graph)
    bench = Bench(facts, Effort(math.inf))
    state = construct(bench, random.Random(1))
    if not state.circuits:
        return facts, None
    fed = state.circuits[0]
    return facts, feed_circuit(facts, bench.ways, 0, fed.feed, (0, 1), fed.tree, fed.leads)


def cables(fed: Fed | None) -> list[int]:
    assert fed is not None
    return [cable for cable, _ in fed.pieces]


def test_rule_a_takes_the_thin_cable_behind_a_small_limit() -> None:
    """Limit 8 A below the 10 A of the thin cable and of the lead: no fuse."""
    _, fed = one_lamp('taps_v = [12], limit_a = 8, limit_mode = "hold"')
    assert cables(fed) == [0]
    assert fed is not None
    assert fed.fuse_a is None


def test_rule_b_is_chosen_where_it_is_cheaper_than_a_thick_cable() -> None:
    """
    Limit 20 A, lead safe at 25 A: rule A wants the thick cable (some 5 m, each 3 dearer), rule B a 5 A fuse for 7.

    5 A: load 40 / 12 = 3.3 A is below 0.8 x 5; a short behind 5 m of 1.5 mm² draws more than 3 x 5 A.
    """
    _, fed = one_lamp('taps_v = [12], limit_a = 20, limit_mode = "hold"', lead_a=25)
    assert cables(fed) == [0]
    assert fed is not None
    assert fed.fuse_a == 5


def test_rule_a_stands_where_no_fuse_is_to_be_had() -> None:
    """The only fuse, 10 A, opens at 30 A, which a driver limited to 20 A never gives: the thick cable it is."""
    _, fed = one_lamp('taps_v = [12], limit_a = 20, limit_mode = "hold"', lead_a=25, fuses="10")
    assert cables(fed) == [1]
    assert fed is not None
    assert fed.fuse_a is None


def test_a_driver_that_gives_up_needs_a_stated_current_for_the_leads() -> None:
    """Limit 8 A, lead 5 A: only the r.m.s. short-circuit current of a hiccup driver makes it safe."""
    _, fed = one_lamp('taps_v = [12], limit_a = 8, limit_mode = "hiccup", short_rms_a = 3', lead_a=5)
    assert cables(fed) == [0]
    _, fed = one_lamp('taps_v = [12], limit_a = 8, limit_mode = "hiccup"', lead_a=5)
    assert fed is None


def test_the_next_fuse_is_taken_where_the_drop_makes_the_load_too_much_for_the_first() -> None:
    """47.5 W are 3.96 A at 12 V, just below 0.8 x 5 A, but more than that behind the cable's drop: the 6 A fuse."""
    _, fed = one_lamp('taps_v = [12], limit_a = 20, limit_mode = "hold"', watts=47.5, fuses="5, 6", lead_a=25)
    assert fed is not None
    assert fed.amps > 4
    assert fed.fuse_a == 6


@pytest.mark.parametrize(("breaker_a", "holds"), [(4, False), (5, True)])
def test_a_breaker_built_in_carries_the_load_though_the_driver_protects(breaker_a: float, holds: bool) -> None:
    """40 W are 3.3 A: more than 0.8 x 4 A, which would open it, whatever else protects the cable."""
    _, fed = one_lamp(f'taps_v = [12], limit_a = 8, limit_mode = "hold", breaker_a = {breaker_a}')
    assert (fed is not None) == holds


def test_a_breaker_too_small_for_the_settled_load_is_no_protection() -> None:
    _, fed = one_lamp('taps_v = [12], limit_a = 40, limit_mode = "hold", breaker_a = 5', watts=47.5, fuses="20")
    assert fed is None
