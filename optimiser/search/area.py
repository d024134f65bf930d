"""One area of a large job as a job of its own. In: Facts, lamps, supply points, what others have laid. Out: Area.

The facts of an area hold its lamps, its supply points and the ground near them; cables of circuits outside stay where
they are (``Facts.laid``), so that their trenches are open and their room in sleeves is taken. A circuit means the
same inside and outside: only the numbers of nodes, edges, leads, lamps and supply points differ.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from ..ground.graph import Bools, Ints
from .circuit import Fed
from .facts import Facts
from .state import Bench, State

NEAR = 4
"""A node of the ground lies in an area if one of this many lamps and supply points nearest to it does."""


@dataclass(frozen=True, eq=False)
class Area:
    """
    Facts of an area, and the whole's numbers of what it holds, each (k,) ascending.

    ``circuits`` are those of the layout that it may change.
    """

    facts: Facts
    nodes: Ints
    edges: Ints
    leads: Ints
    lamps: Ints
    supplies: Ints
    circuits: tuple[int, ...]

    def inward(self, fed: Fed) -> Fed:
        """A circuit of the whole in the area's numbers."""
        find = [_finder(numbers) for numbers in (self.nodes, self.edges, self.leads, self.lamps, self.supplies)]
        return _renumbered(fed, *find)

    def outward(self, fed: Fed) -> Fed:
        """A circuit of the area in the whole's numbers."""
        every = (self.nodes, self.edges, self.leads, self.lamps, self.supplies)
        return _renumbered(fed, *(dict(enumerate(numbers.tolist())) for numbers in every))


def _finder(numbers: Ints) -> dict[int, int]:
    return {number: i for i, number in enumerate(numbers.tolist())}


def _renumbered(
    fed: Fed,
    node: Mapping[int, int],
    edge: Mapping[int, int],
    lead: Mapping[int, int],
    lamp: Mapping[int, int],
    supply: Mapping[int, int],
) -> Fed:
    return replace(
        fed,
        supply=supply[fed.supply],
        tree={node[child]: node[up] for child, up in fed.tree.items()},
        leads={lamp[i]: lead[arc] for i, arc in fed.leads.items()},
        edges=tuple(edge[e] for e in fed.edges),
        pieces=tuple((cable, tuple(node[v] for v in walk)) for cable, walk in fed.pieces),
    )


class Cutter:
    """Makes areas of one job on one graph; ``near`` (n, k) holds the lamps and supply points nearest to each node."""

    def __init__(self, facts: Facts) -> None:
        from scipy.spatial import cKDTree

        self.facts = facts
        graph = facts.graph
        places = np.vstack([facts.lamp_places, graph.xyz[graph.supply_node, :2]])
        count = min(NEAR, len(places))
        self._near = cKDTree(places).query(graph.xyz[:, :2], k=count)[1].reshape(graph.num_nodes, count)
        self._lead_lamp = np.array([arc.lamp for arc in graph.leads], dtype=np.int64)
        self._lead_node = np.array([arc.node for arc in graph.leads], dtype=np.int64)

    def area(
        self,
        lamps: Collection[int],
        supplies: Collection[int],
        *,
        more_nodes: Collection[int] = (),
        laid: np.ndarray | None = None,
        circuits: Sequence[int] = (),
        drivers_outside: Mapping[int, int] | None = None,
    ) -> Area:
        """
        The area of these lamps and supply points.

        Parameters
        ----------
        more_nodes
            Nodes that it must hold beside those near its lamps.
        laid
            (m,) cables in each edge that stay; None for none.
        circuits
            Indices of the layout's circuits that the area may change.
        drivers_outside
            Drivers at its supply points that stay, where there are any.
        """
        facts, graph = self.facts, self.facts.graph
        outside = drivers_outside or {}
        mine = np.array(sorted(lamps), dtype=np.int64)
        supply = np.array(sorted(supplies), dtype=np.int64)
        held = np.zeros(facts.num_lamps, dtype=bool)
        held[mine] = True
        leads = np.flatnonzero(held[self._lead_lamp])
        near = np.zeros(facts.num_lamps + len(facts.supply_price), dtype=bool)
        near[mine] = True
        near[facts.num_lamps + supply] = True
        inside: Bools = np.asarray(near[self._near].any(axis=1), dtype=bool)
        inside[list(more_nodes)] = True
        inside[self._lead_node[leads]] = True
        inside[graph.supply_node[supply]] = True
        nodes = np.flatnonzero(inside)
        edges = np.flatnonzero(inside[graph.ends].all(axis=1))
        new_node = np.full(graph.num_nodes, -1, dtype=np.int64)
        new_node[nodes] = np.arange(len(nodes))
        new_lamp = np.full(facts.num_lamps + 1, -1, dtype=np.int64)  # the last for "no lamp"
        new_lamp[mine] = np.arange(len(mine))
        # At another area's post cables may pass, but neither joint nor lamp of this one can be.
        post = new_lamp[graph.post_lamp[nodes]]
        may_joint = graph.may_joint[nodes] & ((post >= 0) | (graph.post_lamp[nodes] < 0))
        arcs = tuple(
            graph.leads[i]._replace(lamp=int(new_lamp[graph.leads[i].lamp]), node=int(new_node[graph.leads[i].node]))
            for i in leads.tolist()
        )
        part = replace(
            graph,
            xyz=graph.xyz[nodes],
            kind=graph.kind[nodes],
            may_joint=may_joint,
            post_lamp=post,
            ends=new_node[graph.ends[edges]],
            length_m=graph.length_m[edges],
            sun_m=graph.sun_m[edges],
            trench_price=graph.trench_price[edges],
            pull_price=graph.pull_price[edges],
            capacity=graph.capacity[edges],
            sleeve=graph.sleeve[edges],
            stub=graph.stub[edges],
            supply_node=new_node[graph.supply_node[supply]],
            leads=arcs,
            num_lamps=len(mine),
        )
        leads_of: list[list[int]] = [[] for _ in mine]
        for i, arc in enumerate(arcs):
            leads_of[arc.lamp].append(i)
        for mine_leads in leads_of:
            mine_leads.sort(key=lambda i: (arcs[i].price, i))
        lamp_list, supply_list = mine.tolist(), supply.tolist()
        found = replace(
            facts,
            graph=part,
            lamp_type=[facts.lamp_type[i] for i in lamp_list],
            lamp_watts=[facts.lamp_watts[i] for i in lamp_list],
            lamp_start=[facts.lamp_start[i] for i in lamp_list],
            lamp_group=[facts.lamp_group[i] for i in lamp_list],
            lamp_feeds=[facts.lamp_feeds[i] for i in lamp_list],
            # a supply point that others use is paid, and has less room
            supply_price=[0.0 if outside.get(s) else facts.supply_price[s] for s in supply_list],
            supply_max_drivers=[facts.supply_max_drivers[s] - outside.get(s, 0) for s in supply_list],
            supply_loading=[facts.supply_loading[s] for s in supply_list],
            # whole, whatever others draw there: too much is found when the area is put back
            supply_mains_va=[facts.supply_mains_va[s] for s in supply_list],
            supply_inrush_a=[facts.supply_inrush_a[s] for s in supply_list],
            supply_end_m=[facts.supply_end_m[s] for s in supply_list],
            length_m=part.length_m.tolist(),
            sun_m=part.sun_m.tolist(),
            trench=part.trench_price.tolist(),
            pull=part.pull_price.tolist(),
            capacity=part.capacity.tolist(),
            sleeve=part.sleeve.tolist(),
            may_joint=part.may_joint.tolist(),
            post=part.post_lamp.tolist(),
            leads_of=leads_of,
            laid=None if laid is None else laid[edges],
            joint_price_cache={},
        )
        return Area(found, nodes, edges, leads, mine, supply, tuple(circuits))


def stitch(bench: Bench, state: State, areas: Sequence[Area], found: Sequence[State]) -> State:
    """
    The layout with what was found in each area, one area after the other in this order, where that makes it cheaper.

    Areas were searched apart: two may both have counted on the other's trench, filled the same sleeve, or left a
    supply point that each thought in use. So each is priced once more with those before it.
    """
    kept: dict[int, list[Fed]] = {i: [fed] for i, fed in enumerate(state.circuits)}
    missing = set(state.missing)
    for area, new in zip(areas, found, strict=True):
        trial, lamps = dict(kept), set(area.lamps.tolist())
        for i in area.circuits:
            trial[i] = []
        first = min(area.circuits, default=len(kept))
        trial[first] = [area.outward(fed) for fed in new.circuits]
        left_out = (missing - lamps) | {int(area.lamps[i]) for i in new.missing}
        whole = bench.compose([fed for i in sorted(trial) for fed in trial[i]], frozenset(left_out))
        if whole is not None and whole.cost < state.cost - 1e-6:
            state, kept, missing = whole, trial, left_out
    return state
