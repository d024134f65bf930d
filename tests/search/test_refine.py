"""Sliding hubs and forks: prices only fall, the work is counted, and the budget is kept."""

from __future__ import annotations

import random
from pathlib import Path

import numpy as np
import pytest

from optimiser.ground import Ground, build_ground, refine
from optimiser.job_folder import JobFolder, open_job
from optimiser.search.construct import construct
from optimiser.search.effort import Effort
from optimiser.search.facts import Facts, gather_facts
from optimiser.search.refine import _move_together, _slide_some, slide
from optimiser.search.slide_prices import Network, Pricing, network_of
from optimiser.search.state import Bench, State
from tests.ground.sites import make_job, make_survey

CASES = Path(__file__).parents[2] / "cases"


@pytest.fixture(scope="module")
def orchard() -> tuple[JobFolder, Ground, Facts, State]:
    folder = open_job(CASES / "orchard")
    ground = build_ground(folder.job, folder.survey)
    facts = gather_facts(folder.job, folder.survey, ground.graph)
    return folder, ground, facts, construct(Bench(facts, Effort(float("inf"))), random.Random(1))


def test_prices_of_many_nodes_at_once_are_those_of_each_alone(
    orchard: tuple[JobFolder, Ground, Facts, State],
) -> None:
    _, ground, facts, state = orchard
    network = network_of(facts, state)
    pricing = Pricing(facts, ground.land, network)
    nodes = np.array(sorted(v for v in network.links if network.links[v]))
    steps = np.array([(0.0, 0.0), (0.3, -0.2), (-0.05, 0.1)])
    places = np.round(pricing.at[nodes][:, None, :] + steps, 3)
    got = pricing.price(nodes, places, np.full(len(nodes), np.inf))
    for v, there, prices in zip(nodes.tolist(), places, got, strict=True):
        for place, price in zip(there, prices, strict=True):
            ends = np.array([pricing.at[u] for u, _ in network.links[v]])
            lines = ground.land.price_lines(np.tile(place, (len(ends), 1)), ends)
            cable = np.array([p for _, p in network.links[v]])
            wanted = float((lines.trench_price + lines.length_m * cable).sum())
            lamps = network.lamps_at.get(v, [])
            leads = ground.land.lead_lines(np.array(lamps, dtype=int), np.tile(place, (len(lamps), 1)))
            wanted += float(leads.price.sum())
            may = ground.land.may_joint if v in network.needs_joint else ground.land.free
            if not (lines.allowed.all() and leads.allowed.all() and may(place[None, :])[0]):
                wanted = np.inf
            assert price == pytest.approx(wanted)


def test_what_sliding_gains_is_what_the_network_costs_less(
    orchard: tuple[JobFolder, Ground, Facts, State],
) -> None:
    _, ground, facts, state = orchard
    bench = Bench(facts, Effort(float("inf")))
    slid = slide(bench, state, ground.land)
    assert slid.gain > 0 and bench.effort.spent > 0
    network = network_of(facts, state)

    def cost(at: dict[int, np.ndarray]) -> tuple[float, list[bool]]:
        lines = [(u, v, p) for u in network.links for v, p in network.links[u] if u < v]
        prices = ground.land.price_lines(np.array([at[u] for u, _, _ in lines]), np.array([at[v] for _, v, _ in lines]))
        leads = [(lamp, v) for v, lamps in network.lamps_at.items() for lamp in lamps]
        lead = ground.land.lead_lines(np.array([lamp for lamp, _ in leads]), np.array([at[v] for _, v in leads]))
        cable = float(sum(prices.length_m * np.array([p for _, _, p in lines])))
        total = float(prices.trench_price.sum()) + cable + float(lead.price.sum())
        return total, [*prices.allowed.tolist(), *lead.allowed.tolist()]

    before = {v: facts.graph.xyz[v, :2] for v in network.links}
    after = before | dict(zip(slid.nodes, slid.places, strict=True))
    (dear, could), (cheap, can) = cost(before), cost(after)
    assert can == could  # stubs alone run where no other trench may
    assert dear - cheap == pytest.approx(slid.gain, rel=0.02)


def test_sliding_keeps_within_the_effort(orchard: tuple[JobFolder, Ground, Facts, State]) -> None:
    _, ground, facts, state = orchard
    idle = Bench(facts, Effort(0.0))
    assert slide(idle, state, ground.land).nodes == [] and idle.effort.spent == 0
    whole = Bench(facts, Effort(float("inf")))
    slide(whole, state, ground.land)
    part = Bench(facts, Effort(whole.effort.spent / 4))
    slide(part, state, ground.land)
    assert 0 < part.effort.spent < whole.effort.spent


def test_sliding_moves_two_neighbouring_forks_to_the_least_tree_at_once() -> None:
    """A rectangle of 10 x 12 m joined over two forks: 12 + 10 sqrt 3 m of trench, cable to match."""
    corners = [(0.0, 0.0), (0.0, 10.0), (12.0, 0.0), (12.0, 10.0)]
    lines = [(0, 4), (1, 4), (4, 5), (2, 5), (3, 5)]
    job = make_job(cables={"2.5": {"mm2": 2.5, "price_per_m": 0.0}})
    ground = build_ground(job, make_survey(corners[1:], [corners[0]]))
    ground = refine(ground, np.array([[3.5, 8.0], [9.5, 3.0]]))
    facts = gather_facts(job, ground.land.survey, ground.graph)
    at = [
        int(np.argmin(np.hypot(*(ground.graph.xyz[:, :2] - place).T))) for place in [*corners, (3.5, 8.0), (9.5, 3.0)]
    ]
    links: dict[int, list[tuple[int, float]]] = {v: [] for v in at}
    for u, v in lines:
        links[at[u]].append((at[v], 0.0))
        links[at[v]].append((at[u], 0.0))
    network = Network(links, {}, set(), set())
    pricing = Pricing(facts, ground.land, network)
    u, v = np.array([(at[a], at[b]) for a, b in lines]).T
    before = pricing.whole(u, v, np.zeros(5)).sum()
    gain = _move_together(pricing, network, at[4:])
    after = pricing.whole(u, v, np.zeros(5)).sum()
    assert before - after == pytest.approx(gain)
    assert after == pytest.approx(10 * (12 + 10 * np.sqrt(3)), rel=1e-6)  # lawn is 10 a metre


@pytest.mark.parametrize("centre", [False, True])
def test_a_bend_that_is_none_does_not_hold_the_fork_beside_it(centre: bool) -> None:
    """The fork of an equilateral triangle of 12 m: 12 sqrt 3 m of trench. A bend stands 0.3 m from where it was."""
    corners = [(0.0, 0.0), (12.0, 0.0), (6.0, 6 * np.sqrt(3))]
    fork = np.array([5.0, 1.5])
    bend = np.round(fork + 0.3 * (corners[2] - fork) / np.hypot(*(corners[2] - fork)), 3)
    job = make_job(cables={"2.5": {"mm2": 2.5, "price_per_m": 0.0}})
    ground = build_ground(job, make_survey(corners[1:], [corners[0]]))
    ground = refine(ground, np.array([fork, bend]))
    facts = gather_facts(job, ground.land.survey, ground.graph)
    at = [int(np.argmin(np.hypot(*(ground.graph.xyz[:, :2] - place).T))) for place in [*corners, fork, bend]]
    lines = [(0, 3), (1, 3), (3, 4), (4, 2)]
    links: dict[int, list[tuple[int, float]]] = {v: [] for v in at}
    for u, v in lines:
        links[at[u]].append((at[v], 0.0))
        links[at[v]].append((at[u], 0.0))
    pricing = Pricing(facts, ground.land, Network(links, {}, set(), set()))
    u, v = np.array([(at[a], at[b]) for a, b in lines]).T
    for sweep in range(12):
        for node in (at[3], at[4]):
            _slide_some(pricing, np.array([node]), coarse=sweep == 0, centre=centre)
    price = pricing.whole(u, v, np.zeros(4)).sum()
    least = 10 * 12 * np.sqrt(3)  # lawn is 10 a metre
    assert price == pytest.approx(least, rel=1e-4) if centre else price > least * 1.001
