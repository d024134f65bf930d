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
from collections.abc import Iterable
from dataclasses import dataclass, field

import numpy as np

from .circuit import Fed
from .respan import lightest_tree
from .state import Bench, State, lay
from .tree import Tree, branch_below, children_of, prune
from .upstream import upstream_of

WIDTH = 2
"""Sound places priced in full for each part. At equal work orchard and riverside cost 1.5 % more with 1, 1 % with 4."""


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
    may_open: bool = True,
    limit: float = math.inf,
    bulk_w: float = 0.0,
    by_length: bool = False,
    past_supplies: bool = True,
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
    may_open
        Whether a fresh circuit may be started.
    limit
        Give up when the least estimate exceeds this.
    bulk_w
        Watts that still wait to be hung: fresh drivers are chosen by their price for each watt of that they can take.
        0 chooses the cheapest for this part alone.
    by_length
        Take the shortest ways instead of the cheapest: where the volts are tight, nothing else may hold.
    past_supplies
        Whether ways may lead past supply points in use. They mostly may, but not past the one that the circuit they
        would be hung on starts from.
    only
        The circuit of the draft on which the part is to be hung, ``FRESH`` for one of its own; None for any.
    """
    facts, ways = bench.facts, bench.ways
    n = facts.graph.num_nodes
    if by_length:
        ways.set_open(draft.use, np.ones(len(draft.use), dtype=bool))
    else:
        starts = {facts.roots[fed.supply] for fed in draft.circuits}
        ways.set_open(draft.use, draft.ghost, () if past_supplies else starts)
    bare = part.top < 0
    if bare:
        sources = [n + part.lamps[0]]
    else:
        inside = {part.top, *part.tree}
        sources = sorted(v for v in inside if facts.may_joint[v] or facts.post[v] >= 0)
        if not sources:
            return math.inf
    near = bench.reach.get(part.lamps[0], math.inf) if bare and only is None else math.inf
    bench.effort.spend(0.5 + n / (1200 if near == math.inf else 4000))
    dist, pred = ways.from_sources(sources, near)
    feeds = frozenset.intersection(*[bench.lamp_feeds[lamp] for lamp in part.lamps])
    group = facts.lamp_group[part.lamps[0]]
    watts = sum(facts.lamp_watts[lamp] for lamp in part.lamps)
    own_joint = bench.joint_price_of_ways[2]
    places: list[tuple[float, int, int, int]] = []  # estimate, circuit, node, feed
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
    if may:
        at_node = np.concatenate([nodes for _, _, nodes, _ in may])
        away = dist[at_node] + np.concatenate([extra for _, _, _, extra in may])
        if bare:  # a lead that ends right in this joint needs no joint of its own
            away += np.where(pred[at_node] >= n, 0.0, own_joint)
        away += np.concatenate(
            [upstream_of(facts, fed).price(nodes, watts / facts.feeds[fed.feed].out_v) for _, fed, nodes, _ in may]
        )
        start = 0
        for index, fed, nodes, _ in may:
            mine = away[start : start + len(nodes)]
            start += len(nodes)
            for at in mine.argsort(kind="stable")[:3].tolist() if len(nodes) > 3 else range(len(nodes)):
                estimate = mine.item(at)
                if estimate < math.inf:
                    places.append((estimate, index, nodes.item(at), fed.feed))
    if may_open and only in (None, FRESH):
        fresh = _fresh_places(bench, draft, feeds, watts, dist, bulk_w)
        places.extend((est + own_joint if bare else est, *rest) for est, *rest in fresh)  # type: ignore[misc]
    if noise > 0:
        places = [(est * (1 + noise * rng.random()), *rest) for est, *rest in places]  # type: ignore[misc]
    places.sort()
    if places and places[0][0] > limit:
        return math.inf

    best_delta, best_index, best_fed, best_drivers = math.inf, -1, None, 0.0
    lead_node = facts.lead_node
    sound = tried = 0
    for estimate, index, node, feed_idx in places:
        if sound >= width or tried >= 12 * width or estimate >= best_delta:
            break
        chain = _chain(pred, node)
        source = chain[-1]
        tried += 1
        if index >= 0:
            fed = draft.circuits[index]
            tree, leads, supply = fed.tree, fed.leads, fed.supply
            if facts.roots[supply] in chain[1:]:
                continue
            if not tree.keys().isdisjoint(chain[1:]):  # lamps, numbered from n on, are in no tree
                continue
        else:
            supply = -1 - index
            tree, leads = {}, {}
        hung: Tree = {}
        if bare:
            for up, child in itertools.pairwise(chain[:-1]):
                hung[child] = up
            new_tree = {**tree, **hung}
            new_leads = {**leads, part.lamps[0]: ways.lead_between(part.lamps[0], chain[-2])}
        else:
            if not inside.isdisjoint(chain[:-1]):
                continue
            hung = _hung(part, source, chain)
            new_leads = {**leads, **part.leads}
            if not tree.keys().isdisjoint(hung):
                continue
            new_tree = prune({**tree, **hung}, sorted([lead_node[a] for a in new_leads.values()]))
        fed_new = bench.feed(supply, feed_idx, new_tree, new_leads)
        if fed_new is None:
            continue
        sound += 1
        delta, drivers = _delta(bench, draft, index, fed_new)
        if delta < best_delta:
            best_delta, best_index, best_fed, best_drivers = delta, index, fed_new, drivers
    if best_fed is None:
        if only is not None:
            return math.inf
        if near < math.inf or bulk_w > 0:  # nothing holds so near, or on the model of best value: look everywhere
            bench.reach[part.lamps[0]] = math.inf
            return graft(bench, draft, part, rng, width=width, noise=noise, may_open=may_open, limit=limit)
        if past_supplies and draft.circuits:
            more = {"width": width, "noise": noise, "may_open": may_open, "limit": limit}
            return graft(bench, draft, part, rng, past_supplies=False, **more)  # type: ignore[arg-type]
        if not by_length:
            more = {"width": width, "noise": noise, "may_open": may_open, "limit": limit}
            return graft(bench, draft, part, rng, by_length=True, past_supplies=False, **more)  # type: ignore[arg-type]
        return math.inf
    if bare and only is None:
        bench.reach[part.lamps[0]] = 2 * places[0][0] + bench.reach_spare
    draft.put(best_index if best_index >= 0 else -1, best_fed)
    draft.drivers_cost = best_drivers
    draft.missing.difference_update(part.lamps)
    return best_delta


def _chain(pred: np.ndarray, node: int) -> list[int]:
    """Nodes from ``node`` back to the source of the shortest-path run."""
    chain = [node]
    while True:
        node = pred.item(node)
        if node < 0:
            return chain
        chain.append(node)


def _fresh_places(
    bench: Bench, draft: Draft, feeds: frozenset[int], watts: float, dist: np.ndarray, bulk_w: float
) -> list[tuple[float, int, int, int]]:
    """Fresh outlets at supply points, with what they would add in drivers as estimated."""
    facts = bench.facts
    used = {fed.supply for fed in draft.circuits}
    room: dict[tuple[int, int], int] = {}
    for fed in draft.circuits:
        room[fed.supply, fed.feed] = room.get((fed.supply, fed.feed), 0) + 1
    drivers = [0] * len(facts.supply_price)
    for (supply, f), count in room.items():
        drivers[supply] += -(-count // facts.feeds[f].outlets)
    places: list[tuple[float, int, int, int]] = []
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
        places.extend((estimate, -1 - supply, root, f) for _, estimate, f in mine[: 1 if bulk_w else 3])
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
