"""The best of several layouts, put together. In: Bench, whole States on its graph. Out: a cheaper State, or None.

1. Choose among all their circuits as they are (``choose_circuits``): finds mixes of layouts that group lamps alike.
2. Design groups of circuits anew on the union of the edges that the layouts use for those lamps (``design_model``):
   finds mixes within circuits. Groups are circuits that the layouts disagree about, joined to what they disagree
   with, as many as ``MOST_WAYS`` arcs of the contracted union allow; on a small job that is the whole layout. Where
   the union of all is larger than that, the dearest layouts are left out first.

Whatever a model proposes is priced and judged by ``Bench.feed`` and ``Bench.compose``; only what is cheaper then is
kept, so a layout never gets worse. Circuits that stay as they are keep their trench, sleeves and drivers.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

from .choose_circuits import choose_circuits
from .circuit import Fed
from .design_model import design
from .design_problem import DriverRoom, Problem, Proposed, Slot
from .state import Bench, State
from .union_graph import Way, union_graph

LEAST_WAYS, MOST_WAYS = 3, 60
MOST_CELLS = 1200
"""Most arcs x slots x gauges of one design."""
CELL_WORK = 0.2
"""Work of writing a model down, for each cell."""
TRIES = 2
GROUP_WORK = 6000.0
"""Most work on one group, in the units of ``Effort``."""


def combine(
    bench: Bench,
    states: Sequence[State],
    work: float,
    stop: Callable[[], bool] | None = None,
) -> State | None:
    """
    Put good layouts together.

    Parameters
    ----------
    bench
        On the graph that all states lie on. Its palette is set to the incumbent's; ``effort`` is charged with the work.
    states
        Layouts; those not whole are passed over. The cheapest is the incumbent.
    work
        Most work to spend, in the units of ``Effort``; a tenth of it, at most, on choosing among circuits.
    stop
        Asked during the solves; True ends them soon, with what they have.

    Returns
    -------
    State or None
        A whole layout cheaper than every one given, or None.
    """
    whole = sorted((s for s in states if s.is_whole and s.circuits), key=lambda s: s.cost)
    if len(whole) < 2:
        return None
    first = best = whole[0]
    palette = best.circuits[0].palette
    bench.palette = palette
    until = bench.effort.spent + work
    others = [same for state in whole[1:] if (same := in_palette(bench, state, palette)) is not None]
    every = [fed for state in others for fed in state.circuits]
    chosen = choose_circuits(bench, every, best, 0.1 * work, stop)
    if chosen is not None:
        best = chosen
    tried: set[frozenset[tuple[int, ...]]] = set()
    while bench.effort.spent < until and not (stop is not None and stop()):
        group = next((g for g in _groups(bench, best, others) if _mark(best, g) not in tried), None)
        if group is None:
            break
        tried.add(_mark(best, group))
        better = _design_group(bench, best, group, others, min(until - bench.effort.spent, GROUP_WORK), stop)
        if better is not None and better.cost < best.cost - 1e-6:
            best = better
    return best if best.is_whole and best.cost < first.cost - 1e-6 else None


def in_palette(bench: Bench, state: State, palette: tuple[int, ...]) -> State | None:
    """The same trees with gauges of one palette; None where it does not hold them."""
    circuits = []
    for fed in state.circuits:
        same = fed if fed.palette == palette else bench.feed(fed.supply, fed.feed, fed.tree, fed.leads, palette)
        if same is None:
            return None
        circuits.append(same)
    return bench.compose(circuits, state.missing)


def _mark(state: State, group: Sequence[int]) -> frozenset[tuple[int, ...]]:
    return frozenset(tuple(sorted(state.circuits[i].leads.values())) + state.circuits[i].edges for i in group)


def _groups(bench: Bench, best: State, others: Sequence[State]) -> list[list[int]]:
    """Groups of the incumbent's circuits worth designing together, the most promising first."""
    at = {lamp: i for i, fed in enumerate(best.circuits) for lamp in fed.leads}
    same = {(frozenset(fed.edges), fed.supply, fed.feed) for fed in best.circuits}
    linked: dict[int, dict[int, int]] = {i: {} for i in range(len(best.circuits))}
    differs = [0] * len(best.circuits)
    for state in others:
        for fed in state.circuits:
            if (frozenset(fed.edges), fed.supply, fed.feed) in same:
                continue
            touched = sorted({at[lamp] for lamp in fed.leads})
            for i in touched:
                differs[i] += 1
                for j in touched:
                    if i != j:
                        linked[i][j] = linked[i].get(j, 0) + 1
    edges_of = [set(fed.edges) for fed in best.circuits]
    for i in linked:  # circuits that share trench may trade it
        for j in linked:
            if i != j and (shared := len(edges_of[i] & edges_of[j])):
                linked[i][j] = linked[i].get(j, 0) + min(3, shared)
    groups: list[list[int]] = []
    for seed in sorted(range(len(best.circuits)), key=lambda i: (-differs[i], i)):
        if not differs[seed]:
            continue
        group = [seed]
        while True:
            near = [(linked[i][j], -j) for i in group for j in linked[i] if j not in group]
            if not near:
                break
            more = sorted([*group, -max(near)[1]])
            if _fits(bench, best, more, others[:1]) is None:
                break
            group = more
        if sorted(group) not in groups:
            groups.append(sorted(group))
    return sorted(groups, key=len, reverse=True)


def _fits(bench: Bench, best: State, group: Sequence[int], others: Sequence[State]) -> tuple[Problem, list[Fed]] | None:
    """The design problem of a group, if it is not too large."""
    problem, fixed = _problem(bench, best, group, others)
    ways, slots = len(problem.ways), len(problem.slots)
    if ways > MOST_WAYS or 2 * ways * slots * len(problem.palette) > MOST_CELLS:
        return None
    return problem, fixed


def _design_group(
    bench: Bench,
    best: State,
    group: Sequence[int],
    others: Sequence[State],
    work: float,
    stop: Callable[[], bool] | None,
) -> State | None:
    """Design one group; the dearest layouts are left out until the union is small enough."""
    used = list(others)
    while used and (fit := _fits(bench, best, group, used)) is None:
        used.pop()
    if not used:
        return None
    fit = _fits(bench, best, group, used)
    assert fit is not None
    problem, fixed = fit
    if len(problem.ways) < LEAST_WAYS:
        return None
    cells = 2 * len(problem.ways) * len(problem.slots) * len(problem.palette)
    for _ in range(TRIES):
        bench.effort.spend(cells * CELL_WORK)
        proposed, spent = design(bench, problem, work, stop)
        bench.effort.spend(spent)
        if proposed is None:
            return None
        made = [_made(bench, problem, p) for p in proposed]
        failed = {p.slot for p, fed in zip(proposed, made, strict=True) if fed is None}
        if not failed:
            state = bench.compose([*fixed, *(fed for fed in made if fed is not None)])
            if state is None or not state.is_whole:
                return None
            if state.cost < best.cost - 1e-6 or abs(state.cost - best.cost) < 0.05:
                return state
            failed = {p.slot for p in proposed}  # it needed thicker cable than the model thought
        for slot in failed:
            problem.tight[slot] = 0.96 * problem.tight.get(slot, 1.0)
    return None


def _made(bench: Bench, problem: Problem, proposed: Proposed) -> Fed | None:
    slot = problem.slots[proposed.slot]
    if not proposed.leads:
        return None
    return bench.feed(slot.supply, slot.feed, proposed.tree, proposed.leads, problem.palette)


def _problem(bench: Bench, best: State, group: Sequence[int], others: Sequence[State]) -> tuple[Problem, list[Fed]]:
    """Lamps of the group, the edges that any layout uses for them, and the outlets that may feed them."""
    facts = bench.facts
    free = [best.circuits[i] for i in group]
    fixed = [fed for i, fed in enumerate(best.circuits) if i not in set(group)]
    lamps = sorted(lamp for fed in free for lamp in fed.leads)
    wanted = set(lamps)
    arcs = facts.graph.leads
    edges = {e for fed in free for e in fed.edges}
    leads: dict[int, list[int]] = {lamp: [] for lamp in lamps}
    slots: list[Slot] = []
    start: dict[int, Fed] = {}
    drivers, of_circuit = _driver_rooms(bench, best, group)
    for i, fed in zip(group, free, strict=True):
        start[len(slots)] = fed
        slots.append(Slot(fed.supply, fed.feed, fed.group, fed.fuse_a, of_circuit[i]))
    for state in [best, *others]:
        want: dict[tuple[int, int, str, float | None], int] = {}
        for fed in state.circuits:
            mine = wanted.intersection(fed.leads)
            if not mine:
                continue
            for lamp in sorted(mine):
                if fed.leads[lamp] not in leads[lamp]:
                    leads[lamp].append(fed.leads[lamp])
                node = arcs[fed.leads[lamp]].node
                while node in fed.tree:
                    edges.add(bench.ways.edge_between(fed.tree[node], node))
                    node = fed.tree[node]
            if 2 * len(mine) >= len(fed.leads):
                key = (fed.supply, fed.feed, fed.group, fed.fuse_a)
                want[key] = want.get(key, 0) + 1
        for (supply, feed, of_group, fuse_a), count in want.items():
            have = sum((s.supply, s.feed, s.group, s.fuse_a) == (supply, feed, of_group, fuse_a) for s in slots)
            for _ in range(count - have):
                drivers.append(_fresh_driver(bench, supply, feed))
                slots.append(Slot(supply, feed, of_group, fuse_a, len(drivers) - 1))
    use = bench.use_of(fixed).tolist()
    ends = {arcs[arc].node for those in leads.values() for arc in those}
    ends |= {int(facts.graph.supply_node[slot.supply]) for slot in slots}
    ways: list[Way] = union_graph(facts, edges, ends, use)
    stays = {fed.supply for fed in fixed}
    left = {}
    for supply in {slot.supply for slot in slots}:
        mounted = sum(1 for s, _, members in best.drivers if s == supply and not set(members) <= set(group))
        left[supply] = facts.supply_max_drivers[supply] - mounted
    prices = {s: facts.supply_price[s] for s in {slot.supply for slot in slots} if s not in stays}
    return Problem(lamps, leads, ways, slots, drivers, prices, left, free[0].palette, start), fixed


def _driver_rooms(bench: Bench, best: State, group: Sequence[int]) -> tuple[list[DriverRoom], dict[int, int]]:
    """What is left of the drivers that feed the group when its circuits are taken off, and which circuit had which."""
    rooms: list[DriverRoom] = []
    of_circuit: dict[int, int] = {}
    for supply, _, members in best.drivers:
        mine = [i for i in members if i in set(group)]
        if not mine:
            continue
        room = _fresh_driver(bench, supply, best.circuits[mine[0]].feed)
        for i in members:
            if i not in mine:
                room.price = 0.0
                room.max_w -= best.circuits[i].load_w
                room.max_a -= best.circuits[i].amps
                inrush_a, input_uf = best.circuits[i].start
                room.max_start = (room.max_start[0] - inrush_a, room.max_start[1] - input_uf)
            else:
                of_circuit[i] = len(rooms)
        rooms.append(room)
    return rooms, of_circuit


def _fresh_driver(bench: Bench, supply: int, feed_idx: int) -> DriverRoom:
    feed = bench.facts.feeds[feed_idx]
    max_w = feed.max_w * bench.facts.supply_loading[supply]
    return DriverRoom(supply, feed.price, max_w, feed.max_total_a, feed.max_start)
