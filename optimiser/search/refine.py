"""Slide hubs and forks of a found layout to their best places on the open ground. In: State, Land. Out: places, links.

The trenches of a layout form a network. Each of its nodes that is free to move (no supply point, post, sleeve end or
stub foot) is slid, others held, to where trench, cable and leads around it cost least: a pattern search on exact
prices of the straight lines to its neighbours. The places reached, and the lines asked for there, go into the ground
graph, and the search goes on from the layout moved onto them.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from ..ground.hub_places import fermat_points
from ..ground.zones import Land
from .circuit import Fed
from .facts import Facts, is_fixed
from .state import Bench, State

FIRST_STEP_M, LAST_STEP_M = 0.4, 0.005
LEAST_FORK_M = 0.15
_TURNS = np.array([(np.cos(a), np.sin(a)) for a in np.arange(8) * np.pi / 4])


@dataclass(frozen=True, eq=False)
class Slid:
    """
    Where the nodes of a layout should stand.

    ``nodes`` (k,) are graph nodes, ``places`` (k, 2) where to move them; ``links`` are pairs of positions: i >= 0 a
    graph node, -1 - j the j-th place.
    """

    nodes: list[int]
    places: np.ndarray
    links: list[tuple[int, int]]
    gain: float
    more: np.ndarray
    """(j, 2) further places worth a node: Fermat points of neighbouring lines that meet at less than 120 degrees."""
    more_links: list[tuple[int, int, int]]
    """The three graph nodes or moved places (as in ``links``) that each of them should be joined to."""


def slide(bench: Bench, state: State, land: Land, *, sweeps: int = 3, stop: Callable[[], bool] | None = None) -> Slid:
    """Best places of all movable nodes of a layout's network, found in a few sweeps."""
    facts = bench.facts
    network = _network(facts, state)
    at = {v: facts.graph.xyz[v, :2].copy() for v in network.links}
    movable = [
        v
        for v in sorted(network.links)
        if (not is_fixed(int(facts.graph.kind[v])) and len(network.links[v]) >= 2)
        or (v in network.lamps_at and not is_fixed(int(facts.graph.kind[v])))
    ]
    total_gain = 0.0
    touched = set(movable)
    for sweep in range(sweeps):
        gained = 0.0
        now, touched = touched, set()
        for v in movable:
            if v not in now:  # neither it nor a neighbour has moved since
                continue
            if stop is not None and stop():
                break
            bench.effort.spend(2.0)
            gain = _slide_one(facts, land, network, at, v, coarse=sweep == 0)
            if gain > 0:
                touched.update((v, *(u for u, _ in network.links[v])))
                gained += gain
        total_gain += gained
        if gained < 1e-4 * state.price:
            break
    moved = [v for v in movable if np.hypot(*(at[v] - facts.graph.xyz[v, :2])) >= 0.002]
    places = np.round(np.array([at[v] for v in moved]).reshape(-1, 2), 3)
    index = {v: -1 - i for i, v in enumerate(moved)}
    links = sorted({tuple(sorted((index.get(u, u), index.get(v, v)))) for v in moved for u, *_ in network.links[v]})
    more, more_links = _forks(network, at, index, land)
    return Slid(moved, places, [(int(a), int(b)) for a, b in links], total_gain, more, more_links)


def _forks(
    network: _Network, at: dict[int, np.ndarray], index: dict[int, int], land: Land
) -> tuple[np.ndarray, list[tuple[int, int, int]]]:
    """Where two neighbouring lines of the network might better join before they meet."""
    triples: list[tuple[int, int, int]] = []
    for v in sorted(network.links):
        near = [u for u, _ in network.links[v]]
        if len(near) < 2:
            continue
        near.sort(key=lambda u: float(np.arctan2(*(at[u] - at[v])[::-1])))
        pairs = list(itertools.pairwise(near))
        if len(near) > 2:
            pairs.append((near[-1], near[0]))
        triples.extend((v, a, b) for a, b in pairs)
    if not triples:
        return np.zeros((0, 2)), []
    corners = [np.array([at[t[k]] for t in triples]) for k in range(3)]
    points, inner = fermat_points(*corners)
    apart = np.min([np.hypot(*(points - c).T) for c in corners], axis=0)
    good = inner & (apart > LEAST_FORK_M) & land.free(np.where(np.isfinite(points), points, 0.0))
    kept = [t for t, ok in zip(triples, good, strict=True) if ok]
    return np.round(points[good], 3), [(index.get(v, v), index.get(a, a), index.get(b, b)) for v, a, b in kept]


@dataclass
class _Network:
    links: dict[int, list[tuple[int, float]]]
    """node -> (neighbour, cable price per metre of route laid along that line)."""
    lamps_at: dict[int, list[int]]
    needs_joint: set[int]


def _network(facts: Facts, state: State) -> _Network:
    laid: dict[tuple[int, int], float] = {}
    lamps_at: dict[int, list[int]] = {}
    needs_joint: set[int] = set()
    sleeve_ends: set[tuple[int, int]] = set()
    for fed in state.circuits:
        for cable, nodes in fed.pieces:
            price_m = facts.cables[cable].price_m * facts.slack
            for u, v in itertools.pairwise(nodes):
                key = (min(u, v), max(u, v))
                laid[key] = laid.get(key, 0.0) + price_m
            needs_joint.add(nodes[-1])
        for lamp, arc in fed.leads.items():
            lamps_at.setdefault(facts.graph.leads[arc].node, []).append(lamp)
        sleeve_ends.update(tuple(facts.graph.ends[e].tolist()) for e in fed.edges if facts.sleeve[e] >= 0)
    links: dict[int, list[tuple[int, float]]] = {}
    for (u, v), price_m in laid.items():
        if (u, v) in sleeve_ends:
            links.setdefault(u, [])
            links.setdefault(v, [])
            continue
        links.setdefault(u, []).append((v, price_m))
        links.setdefault(v, []).append((u, price_m))
    return _Network(links, lamps_at, needs_joint)


def _slide_one(
    facts: Facts, land: Land, network: _Network, at: dict[int, np.ndarray], v: int, *, coarse: bool
) -> float:
    """Move one node to a better place; returns what that saves."""
    links = network.links[v]
    if not links:
        return 0.0
    ends = np.array([at[u] for u, _ in links])
    price_m = np.array([p for _, p in links])
    lamps = network.lamps_at.get(v, [])

    def price(places: np.ndarray) -> np.ndarray:
        k, d = len(places), len(ends)
        a = np.repeat(places, d, axis=0)
        b = np.tile(ends, (k, 1))
        lines = land.price_lines(a, b)
        each = np.where(lines.allowed, lines.trench_price + lines.length_m * np.tile(price_m, k), np.inf)
        total = each.reshape(k, d).sum(axis=1)
        if lamps:
            lead = land.lead_lines(np.tile(lamps, k), np.repeat(places, len(lamps), axis=0))
            total += np.where(lead.allowed, lead.price, np.inf).reshape(k, len(lamps)).sum(axis=1)
        if v in network.needs_joint:
            total = np.where(land.may_joint(places), total, np.inf)
        else:
            total = np.where(land.free(places), total, np.inf)
        return np.asarray(total)

    here = np.round(at[v], 3)
    start = now = float(price(here[None, :])[0])
    if not np.isfinite(now):
        return 0.0
    # The weighted geometric median of the neighbours is where it would go on even ground: try it first.
    if len(links) > 2:
        median = np.round(_median(ends, price_m + _typical(land), here), 3)
        worth = float(price(median[None, :])[0])
        if worth < now - 1e-9:
            here, now = median, worth
    step = FIRST_STEP_M if coarse else FIRST_STEP_M / 4
    while step >= LAST_STEP_M:
        places = np.round(here + step * _TURNS, 3)
        each = price(places)
        best = int(np.argmin(each))
        if each[best] < now - 1e-9:
            here, now = places[best], float(each[best])
            step *= 1.5
        else:
            step /= 3
    if now < start - 1e-6:
        at[v] = here
        return start - now
    return 0.0


def _typical(land: Land) -> float:
    return float(land.per_m[land.base])


def _median(points: np.ndarray, weight: np.ndarray, start: np.ndarray) -> np.ndarray:
    """Weiszfeld's iteration for the weighted geometric median."""
    x = start.astype(float)
    for _ in range(60):
        away = np.maximum(np.hypot(*(points - x).T), 1e-6)
        pull = weight / away
        new = (points * pull[:, None]).sum(axis=0) / pull.sum()
        if np.hypot(*(new - x)) < 1e-4:
            return np.asarray(new)
        x = new
    return x


def moved_onto(bench: Bench, state: State, slid: Slid, place_node: list[int]) -> State | None:
    """
    The layout with its nodes moved, as far as the refined graph has the lines; None where a circuit cannot follow.

    ``place_node[j]`` is the graph node at the j-th place, -1 where the graph has none.
    """
    to = {v: place_node[j] for j, v in enumerate(slid.nodes) if place_node[j] >= 0}
    circuits: list[Fed] = []
    for fed in state.circuits:
        new = _moved(bench, fed, to)
        if new is None:
            return None
        circuits.append(new)
    return bench.compose(circuits, state.missing)


def _moved(bench: Bench, fed: Fed, to: dict[int, int]) -> Fed | None:
    ways, arcs = bench.ways, bench.facts.graph.leads
    if not any(v in to for v in fed.tree):
        return fed
    to = dict(to)
    for _ in range(50):  # nodes whose lines are missing stay; that may strand a neighbour, so look again
        stays: set[int] = set()
        for child, up in fed.tree.items():
            a, b = to.get(child, child), to.get(up, up)
            if a == b or not ways.has_edge(a, b):
                stays.update((child, up))
        for lamp, arc in fed.leads.items():
            node = arcs[arc].node
            if node in to and not ways.has_lead(lamp, to[node]):
                stays.add(node)
        stays &= to.keys()
        if not stays:
            break
        for v in stays:
            del to[v]
    tree = {to.get(child, child): to.get(up, up) for child, up in fed.tree.items()}
    if len(tree) != len(fed.tree):
        return fed
    leads = {}
    for lamp, arc in fed.leads.items():
        node = arcs[arc].node
        leads[lamp] = ways.lead_between(lamp, to.get(node, node)) if node in to else arc
    return bench.feed(fed.supply, fed.feed, tree, leads, fed.palette) or fed
