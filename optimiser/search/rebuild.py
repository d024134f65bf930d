"""Rebuild one circuit at its exact cheapest near where it lies, other circuits' trenches being open. In, out: State.

For circuits of few lamps the label oracle finds the cheapest tree, gauges included, on the nodes nearest to the present
one, within the work it is given; what it finds is a circuit like any other and may only be cheaper. Too slow to be
drawn like other moves, it ends the search of a task.
"""

from __future__ import annotations

import numpy as np

from .state import Bench, State, lay

MOST_LAMPS = 9
NODES = 220
"""Nodes of the graph a rebuild may use: the nearest to the circuit by marginal price."""
WORK = 300.0
"""Work that one rebuild may take."""
PART_WORK = 60.0
"""Work that the rebuilding of one part may take."""


def rebuild(bench: Bench, state: State, index: int, *, work: float = WORK) -> State | None:
    """The state with one circuit rebuilt; None where that saves nothing."""
    from .oracle import cheapest_circuit, price_of

    fed = state.circuits[index]
    use = state.use.copy()
    lay(use, fed, -1)
    now = price_of(bench, fed, use)
    lamps = sorted(fed.leads)
    bench.effort.spend(40 + 2 ** len(lamps))  # the tables double with each lamp
    found = cheapest_circuit(
        bench,
        fed.supply,
        fed.feed,
        lamps,
        use,
        palette=fed.palette,
        limit_price=now - 0.005,
        spend=work,
        nodes=_near(bench, state, index),
    )
    if found.fed is None or found.price >= now - 0.005:
        return None
    circuits = list(state.circuits)
    circuits[index] = found.fed
    return bench.compose(circuits, state.missing)


def rebuild_all(bench: Bench, state: State, *, work: float = WORK) -> State:
    """Rebuild one circuit after the other, once each, as far as the effort goes."""
    for index, fed in enumerate(state.circuits):
        if bench.effort.is_over:
            break
        if len(fed.leads) <= MOST_LAMPS:
            new = rebuild(bench, state, index, work=work)
            if new is not None and new.cost < state.cost - 1e-6:
                state = new
        else:
            state = _rebuild_parts(bench, state, index)
    return state


def _rebuild_parts(bench: Bench, state: State, index: int) -> State:
    """A circuit of more lamps: part after part, once round each of its pieces."""
    from .rebuild_part import MOST_ENDS, Cut, grow_cut, rebuild_part

    tried: set[Cut] = set()
    for start in [walk[-1] for _, walk in state.circuits[index].pieces]:
        fed = state.circuits[index]
        if bench.effort.is_over:
            break
        if start not in {walk[-1] for _, walk in fed.pieces}:  # gone with a part that was rebuilt
            continue
        cut = grow_cut(bench, fed, start, MOST_ENDS)
        if cut is None or cut in tried:
            continue
        tried.add(cut)
        new = rebuild_part(bench, state, index, cut, spend=PART_WORK)
        if new is not None and new.cost < state.cost - 1e-6:
            state = new
    return state


def _near(bench: Bench, state: State, index: int) -> list[int]:
    """The graph nodes nearest to a circuit's tree and to its lamps' joint places, at marginal prices."""
    fed, facts = state.circuits[index], bench.facts
    if facts.graph.num_nodes <= NODES:
        return list(range(facts.graph.num_nodes))
    root = int(facts.graph.supply_node[fed.supply])
    inside = {root, *fed.tree, *(facts.graph.leads[arc].node for lamp in fed.leads for arc in facts.leads_of[lamp])}
    bench.ways.set_open(state.use)
    dist, _ = bench.ways.from_sources(sorted(inside))
    dist = dist[: facts.graph.num_nodes]
    return sorted(set(np.argsort(dist, kind="stable")[:NODES].tolist()) | inside)
