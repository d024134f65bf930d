"""After any chain of moves: every lamp once, trenches and prices as counted afresh from the pieces, no limit passed.

Prices are worked out once more from the rules of account: cut lengths, kits, leads, fuses, pulls, drivers and the rest.
"""

from __future__ import annotations

import math
import random
from itertools import pairwise
from pathlib import Path

import pytest
from hypothesis import HealthCheck, assume, given, settings

from optimiser.ground import build_ground
from optimiser.job_folder import JobFolder, open_job
from optimiser.problems import BadInput
from optimiser.search.circuit import Fed
from optimiser.search.construct import construct
from optimiser.search.effort import Effort
from optimiser.search.facts import gather_facts
from optimiser.search.moves import MOVES
from optimiser.search.state import Bench, State
from tests.properties.random_jobs import Files, random_files


def own_price(folder: JobFolder, bench: Bench, fed: Fed) -> float:
    """Cable, joints, fuse, pulls and leads of one circuit whose pieces are no longer than a reel; NaN where one is."""
    job, graph = folder.job, bench.facts.graph
    slack, cables = 1 + job.slack.per_cent / 100, list(job.cables.values())
    root = int(graph.supply_node[fed.supply])
    total = job.fuses.price if fed.fuse_a is not None else 0.0
    meets: dict[int, list[float]] = {}
    for k, nodes in fed.pieces:
        edges = [bench.ways.edge_between(u, v) for u, v in pairwise(nodes)]
        length = sum(float(graph.length_m[e]) for e in edges)
        first = job.slack.joint_end_m
        if nodes[0] == root:
            first = job.driver_end_m(folder.survey.supplies[fed.supply].name)
        cut_m = math.ceil((length * slack + first + job.slack.joint_end_m) * 10 - 1e-6) / 10
        if cut_m > cables[k].longest_reel_m:
            return math.nan
        total += cut_m * cables[k].price_per_m + sum(float(graph.pull_price[e]) for e in edges)
        for node in (nodes[0], nodes[-1]):
            meets.setdefault(node, []).append(cables[k].area_mm2)
    meets.pop(root)
    posts = set()
    for lamp, arc_idx in fed.leads.items():
        arc, kind = graph.leads[arc_idx], job.lamps[folder.survey.lamps[lamp].type]
        assert arc.lamp == lamp
        total += arc.price + arc.extension_price
        if kind.terminals:
            posts.add(arc.node)
        else:
            meets[arc.node].append(kind.lead_mm2)
    for node, sizes in meets.items():
        if node in posts:
            assert len(sizes) <= 2
            continue
        assert graph.may_joint[node]
        assert len(sizes) >= 2
        kits = [
            kit.price + kit.labour
            for kit in job.joints.kits.values()
            if kit.max_ways >= len(sizes) and kit.min_mm2 <= min(sizes) and max(sizes) <= kit.max_mm2
        ]
        total += min(kits)
    return total


def assert_circuit(bench: Bench, fed: Fed) -> None:
    """A tree of cables from the outlet to every lamp."""
    facts = bench.facts
    root = int(facts.graph.supply_node[fed.supply])
    reached = {root}
    arrived: set[int] = set()
    for cable, nodes in fed.pieces:
        assert cable in fed.palette
        assert nodes[0] in reached
        assert len(set(nodes)) == len(nodes)
        assert nodes[-1] not in arrived
        assert nodes[-1] != root
        arrived.add(nodes[-1])
        reached.add(nodes[-1])
    assert {facts.graph.leads[arc].node for arc in fed.leads.values()} <= arrived
    assert len({facts.lamp_group[lamp] for lamp in fed.leads}) == 1
    assert all(fed.feed in facts.lamp_feeds[lamp] for lamp in fed.leads)
    assert sum(nodes[0] == root for _, nodes in fed.pieces) <= facts.feeds[fed.feed].terminal_cables


def mains_fit(folder: JobFolder, bench: Bench, state: State) -> bool:
    """Whether no supply point draws more than its timer and its dimmer take, or more inrush than they switch on."""
    job, models = folder.job, list(folder.job.drivers.values())
    for s, place in enumerate(folder.survey.supplies):
        va = 0.0
        for fed in state.circuits:
            if fed.supply == s:
                driver = models[bench.facts.feeds[fed.feed].model]
                va += fed.load_w / (driver.efficiency_pct or 85) * 100 / driver.input_power_factor
        setting = job.supply(place.name)
        if setting.timer_a is not None and va / job.mains.volts > setting.timer_a + 1e-9:
            return False
        if setting.dimmer_va is not None and va > setting.dimmer_va + 1e-9:
            return False
        inrush_a = sum(models[model].inrush_a or 0 for supply, model, _ in state.drivers if supply == s)
        if setting.inrush_a is not None and inrush_a > setting.inrush_a + 1e-9:
            return False
    return True


def starts(folder: JobFolder, lamps: list[int], key: str) -> float:
    """What lamps draw at their start by the job, spare load included."""
    types = [folder.job.lamps[folder.survey.lamps[lamp].type] for lamp in lamps]
    return sum(getattr(t, key) or 0 for t in types) * (1 + folder.job.rules.growth / 100)


def assert_state(folder: JobFolder, bench: Bench, state: State) -> None:
    facts, job = bench.facts, folder.job
    fed_lamps = [lamp for fed in state.circuits for lamp in fed.leads]
    assert sorted([*fed_lamps, *state.missing]) == list(range(facts.num_lamps))
    use = [0] * facts.graph.num_edges
    own = [own_price(folder, bench, fed) for fed in state.circuits]
    for fed, price in zip(state.circuits, own, strict=True):
        assert_circuit(bench, fed)
        for _, nodes in fed.pieces:
            for u, v in pairwise(nodes):
                use[bench.ways.edge_between(u, v)] += 1
        assert math.isnan(price) or fed.price == pytest.approx(price, abs=1e-6)
    assert state.use.tolist() == use
    assert all(count <= room for count, room in zip(use, facts.capacity, strict=True))
    trench = sum(price for price, count in zip(facts.trench, use, strict=True) if count)
    drivers = sum(list(job.drivers.values())[model].price for _, model, _ in state.drivers)
    supplies = {folder.survey.supplies[supply].name for supply, _, _ in state.drivers}
    whole = trench + sum(fed.price for fed in state.circuits) + drivers + sum(job.supply(s).price for s in supplies)
    assert state.price == pytest.approx(whole, abs=1e-6)
    # Each circuit on one driver of its own model at its own supply point, within what that may carry.
    assert sorted(c for _, _, members in state.drivers for c in members) == list(range(len(state.circuits)))
    for supply, model, members in state.drivers:
        driver = list(job.drivers.values())[model]
        feds = [state.circuits[c] for c in members]
        assert all((fed.supply, facts.feeds[fed.feed].model) == (supply, model) for fed in feds)
        assert len(members) <= driver.outlets
        loading = job.supply(folder.survey.supplies[supply].name).loading_pct / 100
        assert sum(fed.load_w for fed in feds) <= driver.max_load_w * loading + 1e-6
        hung = [lamp for fed in feds for lamp in fed.leads]
        assert driver.start_a is None or starts(folder, hung, "inrush_a") <= driver.start_a + 1e-9
        assert driver.start_uf is None or starts(folder, hung, "input_uf") <= driver.start_uf + 1e-9
        assert driver.independent_outlets or len({fed.group for fed in feds}) == 1
        assert driver.tap_per_outlet or len({facts.feeds[fed.feed].tap_v for fed in feds}) == 1
    count = [sum(s == supply for s, _, _ in state.drivers) for supply in range(len(folder.survey.supplies))]
    fits = all(n <= job.supply(s.name).max_drivers for n, s in zip(count, folder.survey.supplies, strict=True))
    assert state.is_whole == (not state.missing and fits and mains_fit(folder, bench, state))


def walk(folder: JobFolder, seed: int, steps: int) -> set[str]:
    """Chain random moves, whatever they cost; returns the names of those that changed something."""
    ground = build_ground(folder.job, folder.survey)
    facts = gather_facts(folder.job, folder.survey, ground.graph)
    if not facts.feeds or not all(facts.lamp_feeds):
        return set()
    bench = Bench(facts, Effort(math.inf))
    rng = random.Random(seed)
    bench.others = (construct(bench, rng, noise=0.5).use > 0,)
    state = construct(bench, rng, noise=0.5)
    assert_state(folder, bench, state)
    worked = set()
    for _ in range(steps):
        move = rng.choice([move for move, _ in MOVES if move.supports(bench)])
        palette = bench.palette
        new = move(bench, state, rng)
        if new is None:
            bench.palette = palette
            continue
        assert_state(folder, bench, new)
        if new.circuits:
            bench.palette = new.circuits[0].palette
        state = new
        worked.add(type(move).__name__)
    return worked


@pytest.mark.parametrize("seed", range(2))
def test_states_of_the_courtyard_are_what_they_say(cases: Path, seed: int) -> None:
    worked = walk(open_job(cases / "courtyard"), seed, 60)
    assert {"RuinNearby", "RuinAlong", "RuinBranch", "RehangBranch"} <= worked


quietly = {"deadline": None, "suppress_health_check": list(HealthCheck), "derandomize": True}


def walked(files: Files, steps: int) -> bool:
    try:
        return bool(walk(files.open(), files.seed, steps))
    except BadInput:
        return False


@settings(max_examples=25, **quietly)  # type: ignore[arg-type]
@given(random_files())
def test_states_of_random_jobs_are_what_they_say(files: Files) -> None:
    assume(walked(files, 12))


@pytest.mark.slow
@settings(max_examples=110, **quietly)  # type: ignore[arg-type]
@given(random_files())
def test_states_of_many_random_jobs_are_what_they_say(files: Files) -> None:
    assume(walked(files, 40))
