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

from ..ground.border_places import ASIDE_M
from ..ground.graph import Bools, Floats, Ints, NodeKind
from ..ground.hub_places import fermat_points
from ..ground.refraction import crossing_ways
from ..ground.zones import Land
from .circuit import Fed
from .facts import Facts
from .full_trees import FullTrees, full_trees
from .slide_prices import Network, Pricing, network_of
from .state import Bench, State

FIRST_STEP_M, LAST_STEP_M = 0.4, 0.005
SWEEPS = 6
"""Most times that all nodes are slid."""
LEAST_FORK_M = 0.15
FORK_WAYS = 3
LOPSIDED, STRAIGHT = 0.2, 1e-4
"""A bend nearer to one end than this part of its line is moved to the middle, where that costs no more than so much."""
TREE_GAIN, BEND_GAIN = 2e-4, 1e-4
"""Least part of all trench that a full tree or a bend must gain to be worth its nodes: all make the search slower."""
KNOWN_M = 0.1
"""Where a node stands so near already, the search has seen what a fork or a bend there is worth."""
_TOGETHER = 200
AT_ONCE = 256
"""Most nodes slid at once: enough to price lines in bulk, few enough to stop in between."""


@dataclass(frozen=True, eq=False)
class Slid:
    """
    Where the nodes of a layout should stand.

    ``nodes`` (k,) are graph nodes, ``places`` (k, 2) where to move them; ``links`` are lines wanted, as pairs of
    positions: i >= 0 a graph node, -1 - j the j-th place, ``more`` counted behind ``places``.
    """

    nodes: list[int]
    places: np.ndarray
    links: list[tuple[int, int]]
    gain: float
    more: np.ndarray
    """(j, 2) further places worth a node: forks that would save trench."""
    groups: list[tuple[int, ...]]
    """Rows of them that may be of use together only."""


def slide(bench: Bench, state: State, land: Land, *, centre: bool = False) -> Slid:
    """
    Best places of all movable nodes of a layout's network, found in a few sweeps.

    What the bench's effort does not reach stays where it is. ``centre``: bends that are none are moved out of the way
    of forks, for the last refinements; before, the search does better with nodes that stay (measured once on
    courtyard, no command).
    """
    from scipy.spatial import cKDTree

    facts, effort = bench.facts, bench.effort
    network = network_of(facts, state)
    movable = [
        v
        for v in sorted(network.links)
        if (not _is_fixed(int(facts.graph.kind[v])) and len(network.links[v]) >= 2)
        or (v in network.lamps_at and not _is_fixed(int(facts.graph.kind[v])))
    ]
    pricing = Pricing(facts, land, network)
    total_gain = 0.0
    bare = [v for v in movable if v not in network.lamps_at and len(network.links[v]) > 2]
    if not effort.is_over:
        total_gain += _move_together(pricing, network, bare)
        effort.spend(pricing.work())
    touched = set(movable)
    groups = _apart(movable, network)
    for sweep in range(SWEEPS):
        gained = 0.0
        now, touched = touched, set()
        for group in groups:
            asked = [v for v in group if v in now]  # not those that have not moved since, nor a neighbour
            if not asked or effort.is_over:
                continue
            gain, moved = _slide_some(pricing, np.array(asked), coarse=sweep == 0, centre=centre)
            effort.spend(pricing.work())
            for v in itertools.compress(asked, moved.tolist()):
                touched.update((v, *(u for u, _ in network.links[v])))
            gained += float(gain.sum())
        total_gain += gained
        if gained < 1e-5 * state.price:
            break
    at = dict(zip(network.links, pricing.at[list(network.links)], strict=True))
    away = [v for v in movable if np.hypot(*(at[v] - facts.graph.xyz[v, :2])) >= 0.002]
    places = np.round(np.array([at[v] for v in away]).reshape(-1, 2), 3)
    index = {v: -1 - i for i, v in enumerate(away)}
    links = sorted({tuple(sorted((index.get(u, u), index.get(v, v)))) for v in away for u, *_ in network.links[v]})
    there = cKDTree(facts.graph.xyz[:, :2])

    def is_known(points: Floats) -> Bools:
        return np.asarray(there.query(points)[0] < KNOWN_M, dtype=bool)

    fork_price = _fork_price(bench)
    forks, their_links = _forks(network, at, land)
    trees, keys = _full_trees(facts, network, at, land, fork_price, is_known)
    every = [(int(a), int(b)) for a, b in links]
    first = len(away)
    every += [(-1 - first - j, index.get(v, v)) for j, v in their_links]
    first += len(forks)
    here = [index.get(v, v) for v in keys]
    every += [(-1 - first - j, here[i] if i >= 0 else i - first) for j, i in trees.links]
    every += [(here[u], here[v]) for u, v in trees.straight]
    together = [tuple(len(forks) + j for j in group) for group in trees.groups]
    first += len(trees.forks)
    bends = [np.zeros((0, 2))]
    for (u, v), way in _bends(facts, network, at, land, is_known):
        start = sum(map(len, bends))
        stops = [index.get(u, u), *(-1 - first - start - j for j in range(len(way))), index.get(v, v)]
        every += itertools.pairwise(stops)
        together.append(tuple(len(forks) + len(trees.forks) + start + j for j in range(len(way))))
        bends.append(way)
    return Slid(away, places, every, total_gain, np.vstack([forks, trees.forks, *bends]), together)


def _fork_price(bench: Bench) -> float:
    """Price of a joint where a branch leaves a trench: of three ways, or of as many as a kit takes."""
    return bench.joint_price_of_ways[: FORK_WAYS + 1][-1]


def _apart(movable: list[int], network: Network) -> list[list[int]]:
    """Nodes that may be slid at once: no two of a group are neighbours, and no group is large."""
    can = set(movable)
    colour: dict[int, int] = {}
    groups: list[list[list[int]]] = []
    for v in movable:
        taken = {colour[u] for u, _ in network.links[v] if u in colour and u in can}
        mine = next(c for c in itertools.count() if c not in taken)
        colour[v] = mine
        if mine == len(groups):
            groups.append([[]])
        if len(groups[mine][-1]) >= AT_ONCE:
            groups[mine].append([])
        groups[mine][-1].append(v)
    return [group for groups_of_colour in groups for group in groups_of_colour]


def _forks(network: Network, at: dict[int, np.ndarray], land: Land) -> tuple[Floats, list[tuple[int, int]]]:
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
    return np.round(points[good], 3), [(j, v) for j, three in enumerate(kept) for v in three]


def _full_trees(
    facts: Facts,
    network: Network,
    at: dict[int, np.ndarray],
    land: Land,
    fork_price: float,
    is_known: Callable[[Floats], Bools],
) -> tuple[FullTrees, list[int]]:
    """Forks between branches that do not meet yet, and the nodes that they count as places."""
    price = _line_prices(network, at, land)
    if len(price) < 2:
        return FullTrees(np.zeros((0, 2)), [], [], []), []
    keys = [
        v
        for v in sorted(network.links)
        if len(network.links[v]) != 2 or v in network.lamps_at or _is_fixed(int(facts.graph.kind[v]))
    ]
    place = {v: i for i, v in enumerate(keys)}
    lines: list[tuple[int, int, float]] = []
    for v in keys:
        for u, _ in network.links[v]:
            last, here, total = v, u, price[min(u, v), max(u, v)]
            while here not in place:
                (on,) = (w for w, _ in network.links[here] if w != last)
                total += price[min(here, on), max(here, on)]
                last, here = here, on
            if place[v] < place[here]:
                lines.append((place[v], place[here], total))
    joined = [(u, v) for u, v in network.sleeves]
    joined += list(itertools.pairwise(v for v in facts.graph.supply_node.tolist() if v in place))
    lines += [(place[u], place[v], 0.0) for u, v in joined if u in place and v in place]

    def priced(one: Floats, two: Floats) -> Floats:
        found = land.price_lines(one, two)
        return np.where(found.allowed, found.trench_price, np.inf)

    bare = [v not in network.lamps_at and not _is_fixed(int(facts.graph.kind[v])) for v in keys]
    trees = full_trees(
        np.array([at[v] for v in keys]),
        lines,
        bare,
        priced,
        float(land.per_m[~land.no_dig].min()),
        fork_price,
        max(6, len(keys) // 6),
        max(TREE_GAIN * sum(price.values()), fork_price / 2),  # cable and drop are not reckoned with
        is_known,
    )
    return trees, keys


def _bends(
    facts: Facts,
    network: Network,
    at: dict[int, np.ndarray],
    land: Land,
    is_known: Callable[[Floats], Bools],
) -> list[tuple[tuple[int, int], Floats]]:
    """Ways that bend at borders of grounds, cheaper than the lines between neighbours or than those of a bend."""
    if not land.levels:
        return []
    price = _line_prices(network, at, land)
    now = dict(price)
    for v, near in network.links.items():
        if len(near) == 2 and v not in network.lamps_at and not _is_fixed(int(facts.graph.kind[v])):
            (a, _), (b, _) = near
            both = price[min(a, v), max(a, v)] + price[min(b, v), max(b, v)]
            pair = (min(a, b), max(a, b))
            now[pair] = min(now.get(pair, np.inf), both)
    if not now:
        return []
    least_gain = BEND_GAIN * sum(price.values())
    nodes = sorted({v for pair in now for v in pair})
    row = {v: i for i, v in enumerate(nodes)}
    found = []
    ways = crossing_ways(land, np.array([at[v] for v in nodes]), np.array([(row[u], row[v]) for u, v in sorted(now)]))
    for at_rows, way in ways:
        u, v = nodes[int(at_rows[0])], nodes[int(at_rows[1])]
        way = np.round(way, 3)
        stops = np.vstack([at[u], way, at[v]])
        lines = land.price_lines(stops[:-1], stops[1:])
        gains = lines.allowed.all() and float(lines.trench_price.sum()) < now[min(u, v), max(u, v)] - least_gain
        if gains and not is_known(way).all():
            found.append(((u, v), way))
    return found


def _line_prices(network: Network, at: dict[int, np.ndarray], land: Land) -> dict[tuple[int, int], float]:
    """What the trench of each line of the network costs, lower node first."""
    ends = [(u, v) for u in sorted(network.links) for v, _ in network.links[u] if u < v]
    if not ends:
        return {}
    a, b = (np.array([at[pair[k]] for pair in ends]) for k in (0, 1))
    return dict(zip(ends, land.price_lines(a, b).trench_price.tolist(), strict=True))


def _slide_some(pricing: Pricing, nodes: Ints, *, coarse: bool, centre: bool = False) -> tuple[Floats, Bools]:
    """
    Move nodes, no two of them neighbours, to better places: a pattern search for each, all asked at once.

    Returns (k,) what moving each saves, (k,) whether it was moved.
    """
    k = len(nodes)
    here = np.round(pricing.at[nodes], 3)
    start = pricing.price(nodes, here[:, None, :], np.full(k, np.inf))[:, 0]
    now = start.copy()
    # The weighted geometric median of the neighbours is where it would go on even ground: try it first.
    owner, line = pricing.lines(nodes)
    many = np.flatnonzero(np.isfinite(now) & (np.bincount(owner, minlength=k) > 2))
    if len(many):
        every = pricing.ends(line), pricing.price_m[line] + float(pricing.land.per_m[pricing.land.base])
        median = np.round([_median(every[0][owner == i], every[1][owner == i], here[i]) for i in many], 3)
        worth = pricing.price(nodes[many], median[:, None, :], now[many])[:, 0]
        better = worth < now[many] - 1e-9
        here[many[better]], now[many[better]] = median[better], worth[better]
    centred = _centre_bends(pricing, nodes, here, now) if centre else np.zeros(k, dtype=bool)
    step = np.full(k, FIRST_STEP_M if coarse else FIRST_STEP_M / 4)
    turns = _turns_at(pricing.land, here)
    going = np.flatnonzero(np.isfinite(now))
    while len(going):
        places = np.round(here[going, None, :] + step[going, None, None] * turns[going], 3)
        each = pricing.price(nodes[going], places, now[going])
        best = each.argmin(axis=1)
        worth = each[np.arange(len(going)), best]
        better = worth < now[going] - 1e-9
        won = going[better]
        here[won], now[won] = places[better, best[better]], worth[better]
        step[going] = np.where(better, step[going] * 1.5, step[going] / 3)
        going = going[step[going] >= LAST_STEP_M]
    moved = np.isfinite(now) & (centred | (now < start - 1e-6))
    pricing.move(nodes[moved], here[moved])
    gain = np.zeros(k)
    gain[moved] = start[moved] - now[moved]
    return gain, moved


def _centre_bends(pricing: Pricing, nodes: Ints, here: Floats, now: Floats) -> Bools:
    """
    Move bends that are none, near one end of a straight line, to its middle; ``here`` and ``now`` are changed.

    So near, such a bend would hold the fork at that end in its place: neither gains by moving alone. Returns (k,)
    which were moved.
    """
    owner, line = pricing.lines(nodes)
    centred = np.zeros(len(nodes), dtype=bool)
    pairs = np.flatnonzero(np.isfinite(now) & (np.bincount(owner, minlength=len(nodes)) == 2))
    pairs = pairs[~pricing.holds_lamp(nodes[pairs])]
    if not len(pairs):
        return centred
    ends = pricing.ends(line)[np.isin(owner, pairs)].reshape(-1, 2, 2)  # rows of a node follow one another
    away = np.hypot(*np.moveaxis(ends - here[pairs, None, :], 2, 0))
    lopsided = away.min(axis=1) < LOPSIDED * away.sum(axis=1)
    pairs, middle = pairs[lopsided], np.round(ends[lopsided].mean(axis=1), 3)
    if not len(pairs):
        return centred
    worth = pricing.price(nodes[pairs], middle[:, None, :], now[pairs] + STRAIGHT)[:, 0]
    good = worth < now[pairs] + STRAIGHT
    here[pairs[good]], now[pairs[good]] = middle[good], worth[good]
    centred[pairs[good]] = True
    return centred


def _move_together(pricing: Pricing, network: Network, forks: list[int]) -> float:
    """
    Move neighbouring forks at once; what that saves.

    One at a time they follow one another in ever smaller steps, the slower the nearer they are. Here all are moved to
    the weighted median of their neighbours again and again (Weiszfeld's iteration for a whole tree, as W. D. Smith has
    it: "How to find Steiner minimal trees in Euclidean d-space", Algorithmica 7, 1992, 137-177), as if every line's
    ground were the same wherever it lies; each group of neighbours is kept where exact prices agree.
    """
    mine = set(forks)
    lines = sorted({(min(u, v), max(u, v)) for v in forks for u, _ in network.links[v]})
    group = {v: v for v in forks}

    def first(v: int) -> int:
        while group[v] != v:
            v = group[v]
        return v

    for u, v in lines:
        if u in mine and v in mine:
            group[max(first(u), first(v))] = min(first(u), first(v))
    members: dict[int, list[int]] = {}
    for v in forks:
        members.setdefault(first(v), []).append(v)
    many = {top for top, those in members.items() if len(those) > 1}
    lines = [pair for pair in lines if any(v in mine and first(v) in many for v in pair)]
    if not lines:
        return 0.0
    u, v = np.array(lines).T
    cable = {(min(a, b), max(a, b)): price_m for a in forks for b, price_m in network.links[a]}
    cable_m = np.array([cable[pair] for pair in lines])
    before = pricing.whole(u, v, cable_m)
    at = pricing.at
    weight = before / np.maximum(np.hypot(*(at[u] - at[v]).T), 1e-6)
    moving = np.zeros(len(at), dtype=bool)
    moving[[w for top in many for w in members[top]]] = True
    old = at.copy()
    n = len(at)
    for _ in range(_TOGETHER):
        pull = weight / np.maximum(np.hypot(*(at[u] - at[v]).T), 1e-4)
        total = np.bincount(u, pull, n) + np.bincount(v, pull, n)
        new = np.column_stack([np.bincount(u, pull * at[v, k], n) + np.bincount(v, pull * at[u, k], n) for k in (0, 1)])
        step = new[moving] / total[moving, None] - at[moving]
        at[moving] += step
        if np.abs(step).max() < 2e-4:
            break
    at[moving] = np.round(at[moving], 3)
    moved = np.flatnonzero(moving)
    pricing.move(moved, at[moved])
    after = pricing.whole(u, v, cable_m)
    # A fork where none may stand voids its group.
    joint = pricing.needs_joint(moved)
    stands = pricing.land.free(at[moved])
    stands[joint] &= pricing.land.may_joint_where_free(at[moved[joint]])
    bad = {first(w) for w in moved[~stands].tolist()}
    gain: dict[int, float] = dict.fromkeys(many, 0.0)
    for a, b, saved in zip(u.tolist(), v.tolist(), (before - after).tolist(), strict=True):
        gain[first(a) if a in mine else first(b)] += saved
    back = [w for w in moved.tolist() if first(w) in bad or not gain[first(w)] > 1e-6]
    pricing.move(np.array(back, dtype=np.int64), old[back])
    return sum(saved for top, saved in gain.items() if top not in bad and saved > 1e-6)


def _turns_at(land: Land, places: Floats) -> Floats:
    """(k, 8, 2) directions to look in from each place; along the border of a ground where one is next to it."""
    p, q = land.borders.segments_near(places, 2 * ASIDE_M)
    along = np.arctan2(*(q - p)[:, ::-1].T)
    along[np.isnan(along)] = 0.0
    angle = along[:, None] + np.arange(8) * np.pi / 4
    return np.stack([np.cos(angle), np.sin(angle)], axis=2)


def _median(points: Floats, weight: Floats, start: Floats) -> Floats:
    """Weiszfeld's iteration for the weighted geometric median; the start where nothing weighs."""
    x = start.astype(float)
    if not weight.any():
        return x
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


def _is_fixed(kind: int) -> bool:
    """Whether a node of this kind stands where it is and may not be slid."""
    return kind in (NodeKind.SUPPLY, NodeKind.FOOT, NodeKind.SLEEVE_END, NodeKind.POST)
