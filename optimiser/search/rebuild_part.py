"""Rebuild a part of one circuit at its exact cheapest, the rest standing as it is. In: State, a part. Out: State.

The part is a connected set of pieces below one joint (or the driver). Its lamps may hang anywhere their leads reach;
what hangs below stays where it is and becomes an end of its own, with the drop it needs. The current above the part
does not change, so the drop left for it is known. Currents are estimates: the circuit that comes out is priced and
judged in full, with all its gauges chosen anew, and kept only where it is cheaper.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Collection, Iterable
from dataclasses import dataclass

import numpy as np

from .circuit import Fed, protections
from .effort import Allowance, OutOfWork
from .oracle import price_of
from .oracle_labels import Solution, solve_part
from .oracle_part import Part, Place, joint_nodes, lead_place, likely_draw, region_of
from .oracle_relaxed import Relaxed
from .oracle_runs import find_runs
from .pieces import feed_pieces
from .state import Bench, State, lay
from .tree import children_of

MOST_ENDS = 9
NODES = 120
"""Nodes of the graph a rebuild may use, the nearest to the part."""
SPENT = 0.7
"""Share of its budget every lamp is taken to have spent, for estimates of currents."""
STEPS = (1.01, 1.03, 1.07)
JUDGED = 4
"""Solutions judged in full, cheapest first."""


@dataclass(frozen=True)
class Cut:
    """A part of a circuit: far nodes of its pieces, and the node that its top pieces start from."""

    top: int
    far: frozenset[int]


def ends_of(bench: Bench, fed: Fed, cut: Cut) -> tuple[list[int], list[int]]:
    """Lamps that hang in the part, and its joints below which something else hangs."""
    arcs = bench.facts.graph.leads
    lamps = sorted(lamp for lamp, arc in fed.leads.items() if arcs[arc].node in cut.far)
    hanging = sorted({walk[0] for _, walk in fed.pieces if walk[0] in cut.far and walk[-1] not in cut.far})
    return lamps, hanging


def grow_cut(bench: Bench, fed: Fed, start: int, most_ends: int) -> Cut | None:
    """
    The part round the piece that ends at ``start``: grown by whole joints while its ends do not exceed ``most_ends``.

    Pieces above come before pieces below, so that parts lie across forks; None where even the first has too many.
    """
    up = {walk[-1]: walk[0] for _, walk in fed.pieces}
    root = int(bench.facts.graph.supply_node[fed.supply])

    def count(cut: Cut) -> int:
        lamps, hanging = ends_of(bench, fed, cut)
        return len(lamps) + len(hanging)

    cut = Cut(up[start], frozenset([start]))
    if count(cut) > most_ends:
        return None
    grown = True
    while grown:
        grown = False
        tries = [Cut(cut.top, cut.far | {f}) for f in sorted(up) if up[f] in cut.far | {cut.top} and f not in cut.far]
        if cut.top != root:
            tries.insert(0, Cut(up[cut.top], cut.far | {cut.top}))
        for larger in tries:
            if count(larger) <= most_ends:
                cut, grown = larger, True
                break
    return cut


def rebuild_part(bench: Bench, state: State, index: int, cut: Cut, *, spend: float = 150.0) -> State | None:
    """
    The state with a part of circuit ``index`` rebuilt; None where that saves nothing or the work does not suffice.

    Parameters
    ----------
    cut
        What to rebuild; at most ``MOST_ENDS`` ends.
    spend
        Most work, in the units of ``Effort``.
    """
    cut_out = _CutOut(bench, state, index, cut)
    if cut_out.part is None:
        return None
    now = price_of(bench, cut_out.fed, cut_out.others)
    best: Fed | None = None
    for solution in cut_out.solutions(spend)[:JUDGED]:
        fed = cut_out.whole(solution)
        if fed is None:
            continue
        price = price_of(bench, fed, cut_out.others)
        if price < now - 0.005:
            best, now = fed, price
    if best is None:
        return None
    circuits = list(state.circuits)
    circuits[index] = best
    return bench.compose(circuits, state.missing)


class _CutOut:
    """One part, cut out of its circuit and written as the oracle's problem."""

    def __init__(self, bench: Bench, state: State, index: int, cut: Cut) -> None:
        self.bench, self.cut = bench, cut
        self.fed = fed = state.circuits[index]
        facts = bench.facts
        self.others = state.use.copy()
        lay(self.others, fed, -1)
        self.lamps, self.hanging = ends_of(bench, fed, cut)
        self.walks = {walk[-1]: walk for _, walk in fed.pieces}
        self.cable = {walk[-1]: k for k, walk in fed.pieces}
        self.root = int(facts.graph.supply_node[fed.supply])
        self.root_end_m = facts.start_end_m(fed.supply, facts.feeds[fed.feed])
        self.hung: dict[int, list[int]] = {}
        for lamp, arc in sorted(fed.leads.items()):
            self.hung.setdefault(facts.graph.leads[arc].node, []).append(lamp)
        self.kids = _pieces_below(self.walks)
        self.part = None if len(self.lamps) + len(self.hanging) > MOST_ENDS else self._part()

    def _edges(self, walk: tuple[int, ...]) -> list[int]:
        return [self.bench.ways.edge_between(u, v) for u, v in itertools.pairwise(walk)]

    def _ohm(self, far: int) -> float:
        """Loop resistance of a piece, straight joints and rounding aside."""
        facts, walk = self.bench.facts, self.walks[far]
        cable = facts.cables[self.cable[far]]
        length = sum(facts.length_m[e] for e in self._edges(walk))
        end = self.root_end_m if walk[0] == self.root else facts.joint_end_m
        return (facts.slack * length + facts.joint_end_m + end) * cable.hot_ohm + 2 * facts.end_ohm

    def _ways(self, node: int, kids: Iterable[int]) -> tuple[int, list[float]]:
        """Ways and sizes at a joint: the cable above, these cables below, and the lamps there that stay."""
        facts = self.bench.facts
        sizes = [facts.cables[self.cable[node]].area_mm2] if node in self.cable else []
        below = [facts.cables[self.cable[k]].area_mm2 for k in kids]
        stay = [] if node in self.cut.far else self.hung.get(node, [])
        sizes += below + [facts.type_lead[facts.lamp_type[lamp]][0] for lamp in stay]
        return len(sizes), sizes

    def _part(self) -> Part | None:
        bench, fed, cut = self.bench, self.fed, self.cut
        facts = bench.facts
        feed = facts.feeds[fed.feed]
        everyone = sorted(fed.leads)
        draw = likely_draw(facts, fed.feed, everyone, SPENT)
        amps = dict(zip(everyone, draw.amps, strict=True))
        budget = dict(zip(everyone, draw.budget_v, strict=True))
        most = max(draw.budget_v)

        flow: dict[int, float] = {}
        need: dict[int, float] = {}
        for far in self._leaves_first():
            here = self.hung.get(far, [])
            flow[far] = sum(amps[lamp] for lamp in here) + sum(flow[k] for k in self.kids.get(far, []))
            needs = [0.0]
            for lamp in here:
                place = lead_place(facts, fed.leads[lamp], 0, amps[lamp], most - budget[lamp])
                needs.append(place.need_v)
            needs += [need[k] + self._ohm(k) * flow[k] for k in self.kids.get(far, [])]
            need[far] = max(needs)

        open_now = self.others.copy()
        for far, walk in self.walks.items():
            if far not in cut.far:
                open_now[self._edges(walk)] += 1
        region = region_of(bench, self._nodes(open_now), open_now)
        may_joint, post_of, post_mm2 = joint_nodes(facts, region, self.lamps)
        for far in self.walks:
            if far not in cut.far and far in region.own:
                may_joint[region.own[far]] = False
        root = region.own[cut.top]
        may_joint[root] = False

        places: list[list[Place]] = []
        ends_amps: list[float] = []
        for lamp in self.lamps:
            mine: dict[int, Place] = {}
            for arc in facts.leads_of[lamp]:
                node = region.own.get(facts.graph.leads[arc].node)
                if node is None or (node == root and cut.top == self.root):
                    continue
                place = lead_place(facts, arc, node, amps[lamp], most - budget[lamp])
                if node not in mine or place.price < mine[node].price:
                    mine[node] = place
            if not mine:
                return None
            places.append(list(mine.values()))
            ends_amps.append(amps[lamp])
        for node in self.hanging:
            kids = [k for k in self.kids[node] if k not in cut.far]
            sizes = [facts.cables[self.cable[k]].area_mm2 for k in kids]
            drop = max(need[k] + self._ohm(k) * flow[k] for k in kids)
            if facts.post[node] >= 0:
                return None  # a post keeps its own lamp: such parts are left to other moves
            places.append([Place(region.own[node], 0.0, drop, 0.0, len(kids), min(sizes), max(sizes), -1)])
            ends_amps.append(sum(flow[k] for k in kids))

        spent = sum(self._ohm(far) * flow[far] for far in self._above(cut.top))
        root_price = self._root_price()
        if len(root_price) < 2:
            return None
        min_rating = 0.0
        for rating, fuse_a, _, _ in protections(facts, feed, sum(draw.amps), fed.leads):
            if fuse_a == fed.fuse_a:
                min_rating = rating
                break
        return Part(
            **vars(region),
            may_joint=may_joint,
            post_of=post_of,
            post_mm2=post_mm2,
            places=places,
            amps=ends_amps,
            root=root,
            root_price=root_price,
            root_end_m=self.root_end_m if cut.top == self.root else facts.joint_end_m,
            root_mm2=feed.terminal_mm2 if cut.top == self.root else math.inf,
            root_is_joint=cut.top != self.root,
            headroom_v=most - spent,
            fault_headroom_ohm=math.inf,
            min_rating_a=min_rating,
            cables=fed.palette,
            facts=facts,
        )

    def _root_price(self) -> list[float]:
        """Price at the top by the number of cables and leads that start there; as long as it takes any."""
        facts, top = self.bench.facts, self.cut.top
        stay = [k for k in self.kids.get(top, []) if k not in self.cut.far]
        if top == self.root:
            most = facts.feeds[self.fed.feed].terminal_cables - len(stay)
            return [0.0] * (min(most, 9) + 1)
        if facts.post[top] >= 0:
            return [0.0] * (2 - len(stay))
        ways, sizes = self._ways(top, stay)
        gone = [facts.cables[self.cable[k]].area_mm2 for k in self.kids[top] if k in self.cut.far]
        low, high = min(sizes + gone), max(sizes + gone)
        prices = [0.0 if ways < 2 else facts.joint_price(ways, low, high)]
        for more in range(1, min(facts.max_ways - ways, 9) + 1):
            prices.append(facts.joint_price(ways + more, low, high))
        return prices

    def _leaves_first(self) -> list[int]:
        order = list(self.kids.get(self.root, []))
        for far in order:
            order.extend(self.kids.get(far, []))
        return order[::-1]

    def _above(self, node: int) -> list[int]:
        """Far nodes of the pieces between the driver and a joint."""
        found = []
        while node != self.root:
            found.append(node)
            node = self.walks[node][0]
        return found

    def _nodes(self, open_now: np.ndarray) -> Collection[int]:
        """Nodes of the part, of its lamps' leads, and those nearest to them at marginal prices."""
        bench, facts = self.bench, self.bench.facts
        inside = {v for far in self.cut.far for v in self.walks[far]}
        inside.update(facts.graph.leads[arc].node for lamp in self.lamps for arc in facts.leads_of[lamp][:6])
        bench.ways.set_open(open_now)
        bench.effort.spend(1 + facts.graph.num_nodes / 1200)
        dist, _ = bench.ways.from_sources(sorted(inside))
        order = np.argsort(dist[: facts.graph.num_nodes], kind="stable")
        near = [v for v in order[:NODES].tolist() if dist[v] < math.inf]
        return inside.union(near)

    def _price_now(self) -> float:
        """What the part costs as it is, by the oracle's own count."""
        part, facts = self.part, self.bench.facts
        assert part is not None
        total = 0.0
        own_edge = dict(zip(part.edge, range(len(part.edge)), strict=True))
        opened: set[int] = set()
        for far in self.cut.far:
            walk = self.walks[far]
            edges = self._edges(walk)
            length = sum(facts.length_m[e] for e in edges)
            end = part.root_end_m if walk[0] == self.cut.top else facts.joint_end_m
            cut_m = math.ceil((facts.slack * length + facts.joint_end_m + end) * 10 - 1e-6) / 10
            total += cut_m * facts.cables[self.cable[far]].price_m
            opened.update(edges)
            if facts.post[far] < 0:
                lamps = self.hung.get(far, [])
                sizes = [facts.type_lead[facts.lamp_type[lamp]][0] for lamp in lamps]
                sizes += [facts.cables[self.cable[k]].area_mm2 for k in [far, *self.kids.get(far, [])]]
                total += facts.joint_price(len(sizes), min(sizes), max(sizes))
        total += sum(float(part.opening[own_edge[e]]) for e in opened)
        for lamp in self.lamps:
            total += facts.lead_price[self.fed.leads[lamp]]
        return total + part.root_price[sum(1 for k in self.kids[self.cut.top] if k in self.cut.far)]

    def solutions(self, spend: float) -> list[Solution]:
        """Ways to build the part for less than it costs now, cheapest first; none where the work ends first."""
        part = self.part
        assert part is not None
        now = self._price_now()
        relaxed = Relaxed(part)
        self.bench.effort.spend(relaxed.work)
        if relaxed.bound >= now - 0.005:
            return []
        allowance = Allowance(self.bench.effort, spend)
        for limit in [*(relaxed.bound * step for step in STEPS), math.inf]:
            limit = min(limit, now - 0.005)
            try:
                runs = find_runs(part, relaxed, limit, allowance)
                found = solve_part(part, relaxed, runs, limit, allowance)
            except OutOfWork:
                return []
            if found or limit >= now - 0.005:
                return found
        return []

    def whole(self, solution: Solution) -> Fed | None:
        """The circuit with the solution in the part's place."""
        part, facts = self.part, self.bench.facts
        assert part is not None
        walks = {far: walk for far, walk in self.walks.items() if far not in self.cut.far}
        for piece in solution.pieces:
            walk = tuple(part.nodes[v] for v in piece.walk)
            if walk[-1] in walks:
                return None
            walks[walk[-1]] = walk
        leads = dict(self.fed.leads)
        for lamp, places, chosen in zip(self.lamps, part.places, solution.place, strict=False):
            leads[lamp] = places[chosen].ref
        kids = _pieces_below(walks)
        order = list(kids.get(self.root, []))
        for far in order:
            order.extend(kids.get(far, []))
        if len(order) != len(walks):
            return None
        position = {far: i for i, far in enumerate(order)}
        above = [position.get(walks[far][0], -1) for far in order]
        at_piece = {lamp: position[facts.graph.leads[arc].node] for lamp, arc in leads.items()}
        return feed_pieces(
            self.bench,
            self.fed.supply,
            self.fed.feed,
            self.fed.palette,
            [walks[f] for f in order],
            above,
            leads,
            at_piece,
        )


def _pieces_below(walks: dict[int, tuple[int, ...]]) -> dict[int, list[int]]:
    """Pieces that start at each joint, by the nodes at which they end, in order."""
    return children_of({far: walk[0] for far, walk in sorted(walks.items())})


__all__ = ["Cut", "ends_of", "grow_cut", "rebuild_part"]
