"""Take parts off a layout and hang them back where they cost least. In: State. Out: State.

A *part* is a lamp, or a piece of tree with its lamps. ``graft`` finds, by one shortest-path run at marginal prices, the
cheapest places to hang it: any node of any circuit that may take a joint, or a fresh outlet at a supply point; the most
promising few are priced in full, with gauges, protection and drivers. Every move of the search is taking off and
grafting.
"""

from __future__ import annotations

import itertools
import math
import random
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field

import numpy as np

from .circuit import Fed
from .respan import lightest_tree
from .state import Bench, State, lay
from .tree import Tree, branch_below, children_of, prune, way_back
from .upstream import upstream_of

WIDTH = 2
"""Sound places priced in full for each part. At equal work orchard and riverside came out dearer with 1 and with 4
(measured once, no command)."""


NOISE, UNDUG_NOISE = 0.1, 0.8
"""Of estimates, where lamps are hung back after a small ruin; the second where nothing is dug."""

FRESH = -1
"""In place of a circuit's index: one that is yet to be begun."""


@dataclass
class Part:
    """What hangs loose: lamps with their leads on a piece of tree; a bare lamp has no tree and no lead yet."""

    lamps: tuple[int, ...]
    tree: Tree = field(default_factory=dict)
    leads: dict[int, int] = field(default_factory=dict)
    top: int = -1
    """Node that every parent chain of ``tree`` ends in; -1 for a bare lamp."""

    @property
    def is_bare(self) -> bool:
        """Whether it is a lamp without a lead yet."""
        return self.top < 0


@dataclass
class Draft:
    """A layout being changed."""

    circuits: list[Fed]
    use: np.ndarray
    drivers_cost: float
    missing: set[int]
    ghost: np.ndarray | None = None
    """(m,) trenches taken for open while parts are hung, though no circuit pays for them (yet)."""
    before: tuple[Fed, ...] = ()
    """Circuits that it started from: those still among its own are as they were."""

    def without(self, index: int) -> None:
        """Take a whole circuit away."""
        fed = self.circuits.pop(index)
        lay(self.use, fed, -1)

    def put(self, index: int, fed: Fed) -> None:
        """Replace a circuit (index -1: add one)."""
        if index >= 0:
            lay(self.use, self.circuits[index], -1)
            self.circuits[index] = fed
        else:
            self.circuits.append(fed)
        lay(self.use, fed, 1)


def draft_of(state: State) -> Draft:
    """A copy to change; what its drivers cost is yet to be said, once parts are off."""
    return Draft(list(state.circuits), state.use.copy(), 0.0, set(state.missing), before=state.circuits)


def drivers_cost(bench: Bench, circuits: list[Fed]) -> float:
    """Price and penalty of the drivers these circuits need; infinite when they cannot be packed."""
    drivers = bench.drivers_of(circuits)
    if drivers is None:
        return math.inf
    return bench.drivers_price(circuits, drivers) + bench.drivers_penalty(circuits, drivers)


def attach_nodes(bench: Bench, fed: Fed) -> tuple[np.ndarray, np.ndarray]:
    """Nodes of a circuit at which a branch may start, and what one more way costs in joints there."""
    known = fed.__dict__.get("_attach")
    if known is not None:
        return known  # type: ignore[no-any-return]
    facts = bench.facts
    root = facts.roots[fed.supply]
    ways: dict[int, int] = dict.fromkeys(fed.tree, 1)
    root_kids = 0
    for up in fed.tree.values():
        if up == root:
            root_kids += 1
        else:
            ways[up] += 1
    arcs = facts.graph.leads
    for arc in fed.leads.values():
        ways[arcs[arc].node] += 1
    joints = {arcs[arc].node for arc in fed.leads.values()}
    price_of = bench.joint_price_of_ways
    extra: dict[int, float] = {}
    for node, count in ways.items():
        if facts.post[node] >= 0:
            if count <= 2:  # cable in, own lamp
                extra[node] = 0.0
        elif facts.may_joint[node] and count < facts.max_ways:
            passed = count == 2 and node not in joints  # a cable goes by unjoined
            extra[node] = price_of[count + 1] - (0.0 if passed else price_of[count])
    if root_kids < facts.feeds[fed.feed].terminal_cables:
        extra[root] = 0.0
    nodes = sorted(extra)
    found = np.array(nodes, dtype=np.int64), np.array([extra[node] for node in nodes])
    fed.__dict__["_attach"] = found
    return found


def take_lamps(bench: Bench, draft: Draft, lamps: Iterable[int]) -> None:
    """Take lamps off their circuits; what no longer leads anywhere is filled in again."""
    gone = set(lamps)
    for index in range(len(draft.circuits) - 1, -1, -1):
        fed = draft.circuits[index]
        hit = gone.intersection(fed.leads)
        if not hit:
            continue
        leads = {lamp: arc for lamp, arc in fed.leads.items() if lamp not in hit}
        if not leads:
            draft.without(index)
            continue
        arcs = bench.facts.graph.leads
        tree = prune(fed.tree, sorted(arcs[arc].node for arc in leads.values()))
        smaller = bench.feed(fed.supply, fed.feed, tree, leads)
        if smaller is None:  # rare: thinner currents but no fitting kit or fuse; then all of it hangs loose
            gone.update(leads)
            draft.without(index)
            draft.missing.update(leads)
            continue
        draft.put(index, smaller)
    draft.missing.update(gone)


def take_branch(bench: Bench, draft: Draft, index: int, node: int) -> Part | None:
    """Take the branch below ``node`` off a circuit, whole; None where the rest could not stand."""
    fed = draft.circuits[index]
    below = branch_below(children_of(fed.tree), node)
    arcs = bench.facts.graph.leads
    part_leads = {lamp: arc for lamp, arc in fed.leads.items() if arcs[arc].node in below}
    rest_leads = {lamp: arc for lamp, arc in fed.leads.items() if lamp not in part_leads}
    if not part_leads:
        return None
    part = Part(
        tuple(sorted(part_leads)),
        {n: fed.tree[n] for n in fed.tree if n in below and n != node},
        part_leads,
        node,
    )
    if not rest_leads:
        draft.without(index)
    else:
        rest = prune(fed.tree, sorted(arcs[arc].node for arc in rest_leads.values()))
        smaller = bench.feed(fed.supply, fed.feed, rest, rest_leads)
        if smaller is None:
            return None
        draft.put(index, smaller)
    draft.missing.update(part.lamps)
    return part


def _hung(part: Part, source: int, chain: list[int]) -> Tree:
    """The part's tree turned so that ``source`` is its top, with the way ``chain`` (target … source) added."""
    tree = dict(part.tree)
    node, down = source, -1
    while node != part.top and node in part.tree:
        up = part.tree[node]
        if down >= 0:
            tree[node] = down
        down, node = node, up
    if down >= 0:
        tree[node] = down
    tree.pop(source, None)
    for up, child in itertools.pairwise(chain):
        tree[child] = up
    return tree


def graft(
    bench: Bench,
    draft: Draft,
    part: Part,
    rng: random.Random,
    *,
    width: int = WIDTH,
    noise: float = 0.0,
    bulk_w: float = 0.0,
    only: int | None = None,
) -> float:
    """
    Hang a part where it costs least; returns what that adds, or infinity where it fits nowhere (draft unchanged then).

    Parameters
    ----------
    width
        How many sound places are priced in full, as long as their estimates promise better than the best of them.
    noise
        Estimates are multiplied by up to 1 + noise, so that repeated tries differ.
    bulk_w
        Watts that still wait to be hung: fresh drivers are chosen by their price for each watt of that they can take.
        0 chooses the cheapest for this part alone.
    only
        The circuit of the draft on which the part is to be hung, ``FRESH`` for one of its own; None for any.
    """
    sources = _sources(bench, part)
    if not sources:
        return math.inf
    for look in _looks(bench, draft, part, bulk_w, only):
        dist, pred = _ways_from(bench, draft, sources, look)
        places = _places_on_circuits(bench, draft, part, dist, pred, only)
        if only in (None, FRESH):
            places += _fresh_places(bench, draft, part, dist, look.bulk_w)
        if noise > 0:
            places = [(estimate * (1 + noise * rng.random()), *place) for estimate, *place in places]  # type: ignore[misc]
        places.sort()
        found = _cheapest(bench, draft, part, places, pred, width)
        if found is None:
            continue
        if part.is_bare and only is None:
            bench.reach[part.lamps[0]] = 2 * places[0][0] + bench.reach_spare
        draft.put(found.index if found.index >= 0 else -1, found.fed)
        draft.drivers_cost = found.drivers_cost
        draft.missing.difference_update(part.lamps)
        return found.delta
    return math.inf


@dataclass(frozen=True)
class _Look:
    """How places for a part are looked for."""

    limit: float = math.inf
    """How dear ways are followed."""
    bulk_w: float = 0.0
    past_supplies: bool = True
    """Whether ways may lead past supply points in use. They mostly may, but not past the one that the circuit they
    would be hung on starts from."""
    by_length: bool = False
    """The shortest ways instead of the cheapest: where the volts are tight, nothing else may hold."""


def _looks(bench: Bench, draft: Draft, part: Part, bulk_w: float, only: int | None) -> Iterator[_Look]:
    """Ways to look for places, the quick ones first: the next is taken where nothing that one finds holds."""
    lamp = part.lamps[0]
    near = bench.reach.get(lamp, math.inf) if part.is_bare and only is None else math.inf
    yield _Look(near, bulk_w)
    if only is not None:
        return
    if near < math.inf or bulk_w > 0:  # nothing holds so near, or on the model of best value: look everywhere
        bench.reach[lamp] = math.inf
        yield _Look()
    if draft.circuits:
        yield _Look(past_supplies=False)
    yield _Look(past_supplies=False, by_length=True)


def _sources(bench: Bench, part: Part) -> list[int]:
    """Nodes by which a part may be hung; a bare lamp's own number, from which ways lead over its leads."""
    facts = bench.facts
    if part.is_bare:
        return [facts.graph.num_nodes + part.lamps[0]]
    return sorted(v for v in {part.top, *part.tree} if facts.may_joint[v] or facts.post[v] >= 0)


def _ways_from(bench: Bench, draft: Draft, sources: list[int], look: _Look) -> tuple[np.ndarray, np.ndarray]:
    """Distance and predecessor of every node on ways from a part."""
    facts, ways = bench.facts, bench.ways
    if look.by_length:
        ways.set_open(draft.use, np.ones(len(draft.use), dtype=bool))
    else:
        starts = {facts.roots[fed.supply] for fed in draft.circuits}
        ways.set_open(draft.use, draft.ghost, () if look.past_supplies else starts)
    bench.effort.spend(0.5 + facts.graph.num_nodes / (1200 if look.limit == math.inf else 4000))
    return ways.from_sources(sources, look.limit)


_Place = tuple[float, int, int, int]
"""Estimate of what a part adds there, circuit of the draft (-1 - supply point: a fresh one), node, feed."""


def _places_on_circuits(
    bench: Bench, draft: Draft, part: Part, dist: np.ndarray, pred: np.ndarray, only: int | None
) -> list[_Place]:
    """The three nodes of each circuit that take the part at the least estimates."""
    facts = bench.facts
    feeds, watts = _feeds_for(bench, part), _watts(bench, part)
    group = facts.lamp_group[part.lamps[0]]
    may: list[tuple[int, Fed, np.ndarray, np.ndarray]] = []
    for index, fed in enumerate(draft.circuits):
        feed = facts.feeds[fed.feed]
        if only not in (None, index) or fed.group != group or fed.feed not in feeds:
            continue
        if fed.load_w + watts > feed.max_w * facts.supply_loading[fed.supply]:
            continue
        if fed.amps + watts / feed.out_v > feed.max_a:
            continue
        nodes, extra = attach_nodes(bench, fed)
        if len(nodes):
            may.append((index, fed, nodes, extra))
    if not may:
        return []
    at_node = np.concatenate([nodes for _, _, nodes, _ in may])
    away = dist[at_node] + np.concatenate([extra for _, _, _, extra in may])
    if part.is_bare:  # a lead that ends right in this joint needs no joint of its own
        away += np.where(pred[at_node] >= facts.graph.num_nodes, 0.0, bench.joint_price_of_ways[2])
    away += np.concatenate(
        [upstream_of(facts, fed).price(nodes, watts / facts.feeds[fed.feed].out_v) for _, fed, nodes, _ in may]
    )
    places: list[_Place] = []
    start = 0
    for index, fed, nodes, _ in may:
        mine = away[start : start + len(nodes)]
        start += len(nodes)
        for at in mine.argsort(kind="stable")[:3].tolist() if len(nodes) > 3 else range(len(nodes)):
            estimate = mine.item(at)
            if estimate < math.inf:
                places.append((estimate, index, nodes.item(at), fed.feed))
    return places


def _feeds_for(bench: Bench, part: Part) -> frozenset[int]:
    """Feeds that may serve all lamps of a part."""
    return frozenset.intersection(*[bench.lamp_feeds[lamp] for lamp in part.lamps])


def _watts(bench: Bench, part: Part) -> float:
    return sum(bench.facts.lamp_watts[lamp] for lamp in part.lamps)


@dataclass(frozen=True, eq=False)
class _Grafted:
    """A circuit with the part on it, in place of the draft's ``index``; what it adds, and what drivers then cost."""

    delta: float
    index: int
    fed: Fed
    drivers_cost: float


def _cheapest(
    bench: Bench, draft: Draft, part: Part, places: list[_Place], pred: np.ndarray, width: int
) -> _Grafted | None:
    """The place that adds least, of the first few that hold; ``places`` by rising estimates."""
    best: _Grafted | None = None
    least = math.inf
    sound = tried = 0
    for estimate, index, node, feed_idx in places:
        if sound >= width or tried >= 12 * width or estimate >= least:
            break
        tried += 1
        made = _circuit_with(bench, draft, part, index, way_back(pred, node))
        if made is None:
            continue
        supply, tree, leads = made
        fed = bench.feed(supply, feed_idx, tree, leads)
        if fed is None:
            continue
        sound += 1
        delta, drivers = _delta(bench, draft, index, fed)
        if delta < least:
            best, least = _Grafted(delta, index, fed, drivers), delta
    return best


def _circuit_with(
    bench: Bench, draft: Draft, part: Part, index: int, chain: list[int]
) -> tuple[int, Tree, dict[int, int]] | None:
    """
    Supply point, tree and leads of a circuit with a part hung on it.

    ``chain`` is the way from a node of the circuit to the part; None where it leads through the circuit or the part.
    """
    facts, ways = bench.facts, bench.ways
    tree: Tree = {}
    leads: dict[int, int] = {}
    supply = -1 - index
    if index >= 0:
        fed = draft.circuits[index]
        tree, leads, supply = fed.tree, fed.leads, fed.supply
        if facts.roots[supply] in chain[1:]:
            return None
        if not tree.keys().isdisjoint(chain[1:]):  # lamps, numbered on from the last node, are in no tree
            return None
    if part.is_bare:
        hung = {child: up for up, child in itertools.pairwise(chain[:-1])}
        lamp = part.lamps[0]
        return supply, {**tree, **hung}, {**leads, lamp: ways.lead_between(lamp, chain[-2])}
    if part.top in chain[:-1] or not part.tree.keys().isdisjoint(chain[:-1]):
        return None
    hung = _hung(part, chain[-1], chain)
    if not tree.keys().isdisjoint(hung):
        return None
    leads = {**leads, **part.leads}
    ends = sorted([facts.lead_node[arc] for arc in leads.values()])
    return supply, prune({**tree, **hung}, ends), leads


def _fresh_places(bench: Bench, draft: Draft, part: Part, dist: np.ndarray, bulk_w: float) -> list[_Place]:
    """Fresh outlets at supply points, with what they would add in drivers as estimated."""
    facts = bench.facts
    feeds, watts = _feeds_for(bench, part), _watts(bench, part)
    used = {fed.supply for fed in draft.circuits}
    room: dict[tuple[int, int], int] = {}
    for fed in draft.circuits:
        room[fed.supply, fed.feed] = room.get((fed.supply, fed.feed), 0) + 1
    joint = bench.joint_price_of_ways[2] if part.is_bare else 0.0
    drivers = [0] * len(facts.supply_price)
    for (supply, f), count in room.items():
        drivers[supply] += -(-count // facts.feeds[f].outlets)
    places: list[_Place] = []
    for supply in bench.supplies:
        root = facts.roots[supply]
        to_root = dist.item(root)
        if to_root == math.inf:
            continue
        mine = []
        for f in sorted(feeds):
            feed = facts.feeds[f]
            if watts > feed.max_w * facts.supply_loading[supply]:
                continue
            count = room.get((supply, f), 0)
            if count and count % feed.outlets:
                extra, unit = 0.0, 0.0
            else:
                extra = feed.price
                if drivers[supply] >= facts.supply_max_drivers[supply]:
                    extra += bench.penalty_unit
                unit = extra / min(feed.max_w * facts.supply_loading[supply], max(bulk_w, watts))
            if supply not in used:
                extra += facts.supply_price[supply]
            mine.append((unit if bulk_w else 0.0, to_root + extra, f))
        mine.sort()
        places.extend((estimate + joint, -1 - supply, root, f) for _, estimate, f in mine[: 1 if bulk_w else 3])
    return places


def _delta(bench: Bench, draft: Draft, index: int, fed: Fed) -> tuple[float, float]:
    """What a changed or added circuit adds to the draft's cost; what the drivers then cost."""
    use, trench, ghost = draft.use, bench.facts.trench, draft.ghost
    new_edges, old_edges = fed.edge_set, _NONE
    circuits = list(draft.circuits)
    if index >= 0:
        old = circuits[index]
        circuits[index] = fed
        delta = fed.price - old.price
        old_edges = old.edge_set
    else:
        circuits.append(fed)
        delta = fed.price
    capacity = bench.facts.capacity
    for e in new_edges - old_edges:
        count = use.item(e)
        if count == 0:
            if ghost is None or not ghost[e]:
                delta += trench[e]
        elif count >= capacity[e]:
            return math.inf, math.inf
    for e in old_edges - new_edges:
        if use.item(e) == 1 and (ghost is None or not ghost[e]):
            delta -= trench[e]
    drivers = drivers_cost(bench, circuits)
    return delta + drivers - draft.drivers_cost, drivers


_NONE: frozenset[int] = frozenset()


def draw_noise(bench: Bench, rng: random.Random) -> float:
    """Noise of a recreation, or none. Without trenches to follow lamps fall back where they were unless it is much."""
    most = UNDUG_NOISE if bench.is_undug else NOISE
    return most if rng.random() < 0.5 else 0.0


def close_draft(bench: Bench, draft: Draft) -> State | None:
    """The draft as a state; where nothing is dug, the nodes of each changed circuit joined by their lightest edges."""
    if bench.is_undug:
        _respan_changed(bench, draft)
    return bench.compose(draft.circuits, frozenset(draft.missing))


def _respan_changed(bench: Bench, draft: Draft) -> None:
    draft.ghost = None
    draft.drivers_cost = drivers_cost(bench, draft.circuits)
    before = {id(fed) for fed in draft.before}
    for index, fed in enumerate(list(draft.circuits)):
        if id(fed) in before:
            continue
        tree = lightest_tree(bench, fed, draft.use)
        if tree is None:
            continue
        tops = sorted(child for child, up in tree.items() if up == bench.facts.roots[fed.supply])
        if len(tops) > bench.facts.feeds[fed.feed].terminal_cables:
            _split_at_root(bench, draft, index, tree, tops)
            continue
        new = bench.feed(fed.supply, fed.feed, tree, fed.leads, fed.palette)
        if new is None:
            continue
        delta, drivers = _delta(bench, draft, index, new)
        if delta < 0:
            draft.put(index, new)
            draft.drivers_cost = drivers


def _split_at_root(bench: Bench, draft: Draft, index: int, tree: Tree, tops: list[int]) -> None:
    """Where a tree needs several terminals: a circuit of its own for each branch at the driver, if that is cheaper."""
    old, lead_node = draft.circuits[index], bench.facts.lead_node
    circuits: list[Fed] = []
    for top in tops:
        leads = {}
        for lamp, arc in old.leads.items():
            node = lead_node[arc]
            while node != top and node in tree:
                node = tree[node]
            if node == top:
                leads[lamp] = arc
        mine = prune(tree, sorted(lead_node[arc] for arc in leads.values()))
        fed = bench.feed(old.supply, old.feed, mine, leads, old.palette)
        if fed is None:
            return
        circuits.append(fed)
    drivers = drivers_cost(bench, [*draft.circuits[:index], *draft.circuits[index + 1 :], *circuits])
    if sum(fed.price for fed in circuits) + drivers < old.price + draft.drivers_cost:  # next to nothing is dug
        draft.put(index, circuits[0])
        for fed in circuits[1:]:
            draft.put(-1, fed)
        draft.drivers_cost = drivers


def recreate(
    bench: Bench,
    draft: Draft,
    rng: random.Random,
    *,
    noise: float = 0.0,
    width: int = WIDTH,
    bulk: bool | None = None,
) -> State | None:
    """Hang every missing lamp, in an order drawn at random among four kinds."""
    lamps = sorted(draft.missing)
    facts = bench.facts
    kind = rng.random()
    if kind < 0.4:
        rng.shuffle(lamps)
    elif kind < 0.6:
        lamps.sort(key=lambda lamp: (-facts.lamp_watts[lamp], rng.random()))
    else:
        # from the outside in, or from the inside out
        xyz = facts.graph.xyz
        places = {lamp: xyz[facts.graph.leads[facts.leads_of[lamp][0]].node] for lamp in lamps}
        roots = xyz[facts.graph.supply_node]
        away = {lamp: float(np.min(np.hypot(*(roots[:, :2] - p[:2]).T))) for lamp, p in places.items()}
        lamps.sort(key=away.__getitem__, reverse=kind < 0.8)
    draft.drivers_cost = drivers_cost(bench, draft.circuits)
    waiting_w = sum(facts.lamp_watts[lamp] for lamp in lamps)
    if bulk is None:
        bulk = waiting_w > min(facts.feeds[f].max_w for f in bench.feeds) and rng.random() < 0.5
    for lamp in lamps:
        graft(bench, draft, Part((lamp,)), rng, noise=noise, width=width, bulk_w=waiting_w if bulk else 0.0)
        waiting_w -= facts.lamp_watts[lamp]
    return close_draft(bench, draft)
