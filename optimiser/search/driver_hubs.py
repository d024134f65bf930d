"""Hubs beside drivers: one short cable from an outlet to a joint, and several cables from there. In, out: Facts, State.

Where drop binds, several cables side by side in one trench may be cheaper than one, and where outlets are few a joint
beside the driver is cheaper than another driver. The moves keep every circuit a tree of the ground's nodes, on which
two cables of one circuit cannot lie side by side. So the search takes each cable that leaves such a hub, with all
behind it, for a circuit of its own on a *hub feed*: a feed of which one outlet takes several, for the price of the
joint, and which leaves less drop, for what the short cable loses at most. ``joined`` makes one circuit of them, priced
and judged like any other; nothing else is published.

One fuse protects all cables of a hub, so each is protected as if it drew all that the hub may.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from itertools import groupby, pairwise

import numpy as np

from .circuit import Fed
from .facts import LEAST_HUB_M, MOST_HUB_M, Facts, Feed
from .pieces import covering_tree, feed_pieces
from .state import Bench, State

SHARES = (1.0, 0.75, 0.5)
"""Hub feeds of a feed: for as many amps as the outlet and the lamps may ask of the hub, and for less of them."""
MATTERS = 0.02
"""Those for less only where the short cable costs more than this share of the drop."""
MORE_A = 1.1
"""Lamps draw at most so many times what they would at the terminals."""
PLACES = 2
"""Trenches that leave a supply point along which a place for a hub is put into the ground graph."""
MOST_TRIED = 3


def with_driver_hubs(facts: Facts) -> Facts:
    """The facts with hub feeds behind their own; ``facts.plain`` has what was given."""
    most = facts.max_ways - 1
    cable = min(facts.cables, key=lambda c: c.hot_ohm)
    end_m = max(facts.supply_end_m, default=0.0) + facts.joint_end_m
    ohm = (facts.slack * LEAST_HUB_M + end_m + 0.1) * cable.hot_ohm + 2 * facts.end_ohm
    feeds, ac, mains = list(facts.feeds), list(facts.feed_ac), list(facts.feed_mains)
    served: list[list[int]] = [list(those) for those in facts.lamp_feeds]
    for f, feed in enumerate(facts.feeds):
        lamps = [i for i, those in enumerate(facts.lamp_feeds) if f in those]
        if most < 2 or feed.terminal_cables > 1 or feed.internal_ohm > 0 or len(lamps) < 2:
            continue
        drawn_a = MORE_A * sum(facts.lamp_amps(lamp, feed.out_v, facts.feed_ac[f]) for lamp in lamps)
        for share in SHARES:
            hub_a = share * min(feed.max_a, drawn_a)
            lost_v = ohm * hub_a
            if share < 1 and lost_v < MATTERS * min(feed.budget_v[facts.lamp_type[i]] for i in lamps):
                continue
            of_hub = _hub_feed(feed, most, hub_a, lost_v, ohm * cable.fault_ohm / cable.hot_ohm)
            mine = [i for i in lamps if min(_budgets(of_hub, facts.lamp_type[i])) > 0]
            for i in mine:
                served[i].append(len(feeds))
            feeds.append(of_hub)
            ac.append(facts.feed_ac[f])
            mains.append(facts.feed_mains[f])
    if len(feeds) == len(facts.feeds):
        return facts
    return replace(
        facts, feeds=feeds, feed_ac=ac, feed_mains=mains, lamp_feeds=[tuple(those) for those in served], plain=facts
    )


def _budgets(feed: Feed, lamp_type: int) -> tuple[float, float]:
    return feed.budget_v[lamp_type], feed.low_budget_v[lamp_type]


def _hub_feed(feed: Feed, most: int, hub_a: float, lost_v: float, fault_ohm: float) -> Feed:
    """What is left behind a hub: less drop, and lamps of constant power draw a little more for what is lost."""
    left = 1 - lost_v / feed.low_v
    return replace(
        feed,
        hub=most,
        terminal_mm2=math.inf,
        hub_a=hub_a,
        hub_ohm=fault_ohm,
        outlets=feed.outlets - 1 + most,
        budget_v=tuple((v - lost_v) * left for v in feed.budget_v),
        low_budget_v=tuple((v - lost_v) * left for v in feed.low_budget_v),
        mixes_groups=False,
        mixes_taps=False,
    )


def joined(bench: Bench, state: State) -> State | None:
    """The state with one circuit for every hub, on the feed it is a hub of; None where one does not hold so."""
    feeds = bench.facts.feeds
    if not state.has_hubs(bench.facts):
        return state
    circuits: list[Fed] = [fed for fed in state.circuits if not feeds[fed.feed].hub]
    for _, _, members in state.drivers:
        mine = [state.circuits[i] for i in members]
        if not feeds[mine[0].feed].hub:
            continue
        outlets = bench.packing.outlets(mine)
        if outlets is None:
            return None
        for those in outlets:
            one = _one_circuit(bench, [mine[i] for i in those])
            if one is None:
                return None
            circuits.append(one)
    new = bench.compose(circuits, state.missing)
    return new if new is not None and len(new.drivers) <= len(state.drivers) else None


def _plain_feed(facts: Facts, feed_idx: int) -> int:
    """The feed that a hub feed was made of."""
    kind = _kind(facts.feeds[feed_idx])
    return next(f for f, one in enumerate(facts.feeds) if _kind(one) == kind)  # it comes before those made of it


def _kind(feed: Feed) -> tuple[int, float, float]:
    return feed.model, feed.tap_v, feed.load_share


def _one_circuit(bench: Bench, cables: Sequence[Fed]) -> Fed | None:
    """One circuit of what hangs on an outlet; the cheapest place for its hub."""
    facts, first = bench.facts, cables[0]
    feed = _plain_feed(facts, first.feed)
    if len(cables) == 1:
        return bench.feed(first.supply, feed, first.tree, first.leads, first.palette, exactly=True)
    made = [
        fed for hub in hub_places(bench, cables)[:MOST_TRIED] if (fed := _through(bench, feed, cables, hub)) is not None
    ]
    trench = np.asarray(facts.trench)
    return min(made, key=lambda fed: fed.price + float(trench[sorted(fed.edge_set)].sum()), default=None)


def hub_places(bench: Bench, cables: Sequence[Fed]) -> list[int]:
    """Nodes beside the driver where a hub of these cables may stand: on their own way first, then the nearest."""
    facts = bench.facts
    root = facts.roots[cables[0].supply]
    taken = {walk[-1] for fed in cables for _, walk in fed.pieces}
    on_way = {walk[1] for fed in cables for _, walk in fed.pieces if walk[0] == root}
    found = [
        (v not in on_way, facts.length_m[e], v)
        for v, e in facts.near[root]
        if facts.may_joint[v] and facts.post[v] < 0 and v not in taken and facts.length_m[e] <= MOST_HUB_M
    ]
    return [v for *_, v in sorted(found)]


def _through(bench: Bench, feed: int, cables: Sequence[Fed], hub: int) -> Fed | None:
    facts = bench.facts
    root = facts.roots[cables[0].supply]
    walks: list[tuple[int, ...]] = [(root, hub)]
    above, at_piece, leads = [-1], {}, {}
    for fed in cables:
        first = len(walks)
        mine = [walk for _, walk in fed.pieces]
        far = {walk[-1]: first + i for i, walk in enumerate(mine)}
        for walk in mine:
            if walk[0] == root:
                above.append(0)
                walks.append(walk[walk.index(hub) :] if hub in walk else (hub, *walk))
            else:
                above.append(far[walk[0]])
                walks.append(walk)
        for lamp, arc in fed.leads.items():
            leads[lamp], at_piece[lamp] = arc, far[facts.lead_node[arc]]
    return feed_pieces(bench, cables[0].supply, feed, cables[0].palette, walks, above, leads, at_piece)


def parted(bench: Bench, state: State) -> State | None:
    """The state with a circuit for each cable of a hub beside a driver, as moves need it; None without such hubs."""
    circuits: list[Fed] = []
    for fed in state.circuits:
        circuits += _cables_of_hub(bench, fed) or [fed]
    return None if len(circuits) == len(state.circuits) else bench.compose(circuits, state.missing)


def _cables_of_hub(bench: Bench, fed: Fed) -> list[Fed] | None:
    facts = bench.facts
    root, feed = facts.roots[fed.supply], facts.feeds[fed.feed]
    stubs = [walk for _, walk in fed.pieces if walk[0] == root]
    if (
        len(stubs) != 1
        or sum(facts.length_m[bench.ways.edge_between(*line)] for line in pairwise(stubs[0])) > MOST_HUB_M
    ):
        return None
    hubs = [f for f, one in enumerate(facts.feeds) if one.hub and _kind(one) == _kind(feed) and one.hub_a >= fed.amps]
    hub_feed = min(hubs, key=lambda f: facts.feeds[f].hub_a, default=None)
    walks = [walk for _, walk in fed.pieces if walk[0] != root]
    tops = [walk for walk in walks if walk[0] == stubs[0][-1]]
    if hub_feed is None or len(tops) < 2 or stubs[0][-1] in {facts.lead_node[arc] for arc in fed.leads.values()}:
        return None
    cables = []
    for top in tops:
        mine, ends = [stubs[0] + top[1:]], {top[-1]}
        for walk in walks:  # parents come first
            if walk[0] in ends:
                mine.append(walk)
                ends.add(walk[-1])
        leads = {lamp: arc for lamp, arc in fed.leads.items() if facts.lead_node[arc] in ends}
        cable = bench.feed(fed.supply, hub_feed, covering_tree(mine), leads, fed.palette)
        if cable is None:
            return None
        cables.append(cable)
    return cables


def places_wanted(facts: Facts, states: Sequence[State]) -> tuple[np.ndarray, list[tuple[int, int]]]:
    """
    (k, 2) places on the ways of hubs' cables where the graph has no node yet for the hub, (point, node) lines to them.
    """
    xy = facts.graph.xyz[:, :2]
    count: dict[tuple[int, int], int] = {}
    for state in states:
        for fed in state.circuits:
            if facts.feeds[fed.feed].hub:
                root = facts.roots[fed.supply]
                for first in {walk[1] for _, walk in fed.pieces if walk[0] == root}:
                    count[root, first] = count.get((root, first), 0) + 1
    places: list[np.ndarray] = []
    links: list[tuple[int, int]] = []
    for root, of_root in groupby(sorted(count), key=lambda pair: pair[0]):
        ways = sorted(of_root, key=lambda pair: (-count[pair], pair))[:PLACES]
        for _, first in ways:
            line = xy[first] - xy[root]
            far = float(np.hypot(*line))
            if far > 2 * LEAST_HUB_M:
                links += [(len(places), root), (len(places), first)]
                places.append(xy[root] + line * (LEAST_HUB_M / far))
    return np.round(np.array(places).reshape(-1, 2), 3), links


def by_way_of(bench: Bench, state: State) -> State:
    """The state with cables laid over the new places on their first lines."""
    facts, xy = bench.facts, bench.facts.graph.xyz[:, :2]
    circuits, changed = [], False
    for fed in state.circuits:
        root = facts.roots[fed.supply]
        tree = dict(fed.tree)
        for first in [v for v, up in fed.tree.items() if up == root]:
            for v, e in facts.near[root]:
                on = facts.length_m[e] <= MOST_HUB_M and v not in tree and bench.ways.has_edge(v, first)
                if on and _off_line(xy[root], xy[first], xy[v]) < 0.003:
                    tree[v], tree[first] = root, v
                    break
        new = None if len(tree) == len(fed.tree) else bench.feed(fed.supply, fed.feed, tree, fed.leads, fed.palette)
        changed |= new is not None
        circuits.append(new or fed)
    return (bench.compose(circuits, state.missing) or state) if changed else state


def _off_line(a: np.ndarray, b: np.ndarray, p: np.ndarray) -> float:
    """How much longer the way over p is, in m."""
    return float(np.hypot(*(p - a)) + np.hypot(*(b - p)) - np.hypot(*(b - a)))


__all__ = ["by_way_of", "hub_places", "joined", "parted", "places_wanted", "with_driver_hubs"]
