"""A circuit from pieces of cable instead of a tree of nodes. In: walks of the pieces, leads. Out: Fed.

Pieces may pass a node that another piece of the circuit passes or is joined at. The ``tree`` of such a circuit is one
over the same trenches that reaches every joint, for moves that need one; its pieces are what is laid.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence

from .circuit import Fed, feed_traced
from .oracle_labels import Solution
from .oracle_part import Part
from .state import Bench
from .trace import Traced, trace
from .tree import Tree, hung_from, prune


def feed_pieces(
    bench: Bench,
    supply: int,
    feed_idx: int,
    palette: tuple[int, ...],
    walks: Sequence[tuple[int, ...]],
    above: Sequence[int],
    leads: dict[int, int],
    at_piece: dict[int, int],
) -> Fed | None:
    """
    Price a circuit given by its pieces, gauges chosen anew; None where it cannot hold or has two joints at a node.

    Parameters
    ----------
    walks, above
        Graph nodes of each piece from the driver's side, and the piece upstream (-1 at the driver), parents first.
    leads, at_piece
        Lead arc of each lamp, and the piece whose far joint holds it.
    """
    facts, ways = bench.facts, bench.ways
    if len({walk[-1] for walk in walks}) < len(walks):
        return None
    tree = covering_tree(walks)
    lamps_at: list[list[int]] = [[] for _ in walks]
    for lamp, piece in at_piece.items():
        lamps_at[piece].append(lamp)
    plain = trace(facts, ways, walks[0][0], tree, leads) if walks else None
    if plain is not None and sorted(zip(plain.start, plain.far, strict=True)) == sorted((w[0], w[-1]) for w in walks):
        return bench.feed(supply, feed_idx, tree, leads, palette, exactly=True)
    t = Traced([], [], [], [], [], [], [], [], [], sum(1 for up in above if up < 0))
    worst = facts.trench_bunched[-1]
    kids = [0] * len(walks)
    for up in above:
        if up >= 0:
            kids[up] += 1
    for i, walk in enumerate(walks):
        length, sun, factor = 0.0, 0.0, worst
        for u, v in itertools.pairwise(walk):
            edge = ways.edge_between(u, v)
            t.edges.append(edge)
            length += facts.length_m[edge]
            sun += facts.sun_m[edge]
            if facts.sleeve[edge] >= 0:
                bunch = facts.bunched[min(facts.capacity[edge], len(facts.bunched)) - 1]
                factor = min(factor, worst * bunch)
        t.above.append(above[i])
        t.start.append(walk[0])
        t.far.append(walk[-1])
        t.length.append(length)
        t.sun.append(sun)
        t.factor.append(factor)
        t.kids.append(kids[i])
        t.lamps.append(sorted(lamps_at[i]))
    bench.effort.spend(2 + 0.3 * len(leads))
    return feed_traced(facts, supply, feed_idx, palette, tree, t, tuple(walks), leads, exactly=True)


def covering_tree(walks: Sequence[tuple[int, ...]]) -> Tree:
    """A tree over the pieces' edges from the first one's first node, cut back to the joints."""
    if not walks:
        return {}
    return prune(hung_from(walks[0][0], walks), (walk[-1] for walk in walks))


def graph_pieces(part: Part, solution: Solution) -> tuple[list[tuple[int, ...]], list[int]]:
    """The solution's pieces as graph nodes, parents first, with the piece above each."""
    return (
        [tuple(part.nodes[v] for v in piece.walk) for piece in solution.pieces],
        [piece.above for piece in solution.pieces],
    )
