"""Hand lamps round two or three circuits at once, where single steps have no room. In: State. Out: State.

An outlet that is full takes a lamp only where it gives one. Each lamp may take the place of one of another circuit, or
come to one with room: a ring of such steps. The cheapest ring, by spanning trees of the ways between lamps
(``span_prices``), of all or through a lamp drawn at random, is carried out and priced in full (R. K. Ahuja, J. B.
Orlin, D. Sharma, "Multi-exchange neighborhood structures for the capacitated minimum spanning tree problem",
Mathematical Programming 91, 2001, 71-97; cited from memory; here rings of two and three steps, found by trying all).

Only where nothing is dug: with trench to share, spanning trees say too little of what a circuit costs.
"""

from __future__ import annotations

import math
import random

import numpy as np

from ..graft import FRESH, Part, close_draft, draft_of, drivers_cost, graft, take_lamps
from ..span_prices import SpanPrices
from ..state import Bench, State

MOST_LAMPS = 120
"""Beyond, looking at all rings of three takes too long."""


class ExchangeLamps:
    def supports(self, bench: Bench) -> bool:
        return bench.is_undug and 2 < bench.facts.num_lamps <= MOST_LAMPS

    def __call__(self, bench: Bench, state: State, rng: random.Random) -> State | None:
        if state.missing or not state.circuits:
            return None
        if bench.span_prices is None:
            bench.span_prices = SpanPrices(bench.facts, bench.ways, bench.effort.spend)
        cost, circuit = ring_prices(bench, bench.span_prices, state)
        through = rng.randrange(bench.facts.num_lamps) if rng.random() < THROUGH else None
        bench.effort.spend(1.5 + (1.2e-5 * len(cost) ** 3 if through is None else 0.0))
        ring = cheapest_ring(cost, circuit, through, rng)
        return None if ring is None else hand_round(bench, state, rng, ring, circuit)


THROUGH = 0.8
"""How often a lamp is drawn that must be handed on, whether that saves or not."""
SPREAD = 0.3
"""What a step is taken for dearer at most, as a share of the median ring of two."""


def ring_prices(bench: Bench, prices: SpanPrices, state: State) -> tuple[np.ndarray, np.ndarray]:
    """
    What each step of a ring adds.

    Returns
    -------
    cost, circuit
        (n, n) where n counts lamps, then a vacancy of each circuit, then one of a fresh circuit: ``cost[i, j]`` of i
        coming to the circuit of j, which leaves it; infinite where it may not. (n,) circuit of each.
    """
    facts = bench.facts
    lamps, circuits = facts.num_lamps, state.circuits
    size = lamps + len(circuits) + 1
    cost = np.full((size, size), np.inf)
    circuit = np.arange(size) - lamps
    watts = np.array(facts.lamp_watts)
    for c, fed in enumerate(circuits):
        mine = tuple(sorted(fed.leads))
        circuit[list(mine)] = c
        swap, take, give = prices.changes(fed.supply, mine)
        feed = facts.feeds[fed.feed]
        most_w = min(feed.max_w * facts.supply_loading[fed.supply], feed.max_a * feed.out_v)
        may = np.array([fed.feed in bench.lamp_feeds[i] and facts.lamp_group[i] == fed.group for i in range(lamps)])
        may[list(mine)] = False
        load = watts[list(mine)].sum()
        after = load + watts[:, None] - watts[list(mine)][None]
        cost[:lamps, list(mine)] = np.where((after <= most_w) & may[:, None], swap, np.inf)
        cost[:lamps, lamps + c] = np.where((load + watts <= most_w) & may, take, np.inf)
        vacancies = np.array([v for v in range(lamps, size) if v != lamps + c])
        cost[np.ix_(vacancies, np.array(mine))] = give
    root = lamps + np.array(bench.supplies)
    cost[:lamps, size - 1] = prices.way[:lamps, root].min(axis=1)
    return cost, circuit


def cheapest_ring(
    cost: np.ndarray, circuit: np.ndarray, through: int | None, rng: random.Random
) -> tuple[int, ...] | None:
    """
    The cheapest ring of two or three steps between different circuits; None where there is none.

    ``through`` one node, whatever it adds, steps taken for dearer at random, so that a lamp is not handed on the same
    way for ever; or, with None, of all that save.
    """
    two = cost + cost.T
    ring: tuple[int, ...] | None = None
    if through is None:
        firsts, best = range(len(cost)), -1e-6
    else:
        firsts, best = range(through, through + 1), math.inf
        finite = two[np.isfinite(two)]
        spread = SPREAD * float(np.median(finite)) if len(finite) else 0.0
        cost = cost + spread * np.random.default_rng(rng.randrange(2**32)).random(cost.shape)
        two = cost + cost.T
    for i in firsts:
        j = int(two[i].argmin())
        if two[i, j] < best:
            best, ring = float(two[i, j]), (i, j)
        three = cost[i][:, None] + cost + cost[:, i][None]
        three[circuit[:, None] == circuit[None]] = np.inf
        at = int(three.argmin())
        if three.flat[at] < best:
            best, ring = float(three.flat[at]), (i, *(int(x) for x in np.unravel_index(at, three.shape)))
    return ring


def hand_round(
    bench: Bench, state: State, rng: random.Random, ring: tuple[int, ...], circuit: np.ndarray
) -> State | None:
    """Take the ring's lamps off, and hang each on the circuit of the next."""
    lamps = bench.facts.num_lamps
    moved = [i for i in ring if i < lamps]
    draft = draft_of(state)
    take_lamps(bench, draft, moved)
    if len(draft.missing) > len(moved):
        return None
    draft.drivers_cost = drivers_cost(bench, draft.circuits)
    for i, to in zip(ring, (*ring[1:], ring[0]), strict=True):
        if i >= lamps:
            continue
        c = int(circuit[to])
        only = FRESH
        if c < len(state.circuits):
            stay = state.circuits[c].leads.keys() - set(moved)
            only = next((k for k, fed in enumerate(draft.circuits) if not stay.isdisjoint(fed.leads)), FRESH)
        if graft(bench, draft, Part((i,)), rng, only=only) == math.inf:
            return None
    return close_draft(bench, draft)
