"""Some circuits of a layout designed anew, all at once, on a small graph. In: Bench, circuits, edges. Out: circuits.

The model has, for each outlet that may be used (a *slot*: supply point, model at a tap, protection), an arborescence
over the union's arcs with one gauge on every arc, the current in it, and the drop at every node; which lamp hangs in
which slot and where; trench paid once for all slots; joints by their number of ways, with the cable that each end
takes; drivers, fuses and supply points. Circuits outside stay as they are: their trench is open, their sleeves and
drivers are partly taken.

Exact but for: currents are fixed at each lamp's volts after 70 per cent of its drop budget; cuts are not rounded up to
0.1 m; joint kits are priced for the thickest cable; reels' ends, the fault loop of fuses, and contacts at joints that
are only passed are left to whoever prices the result. So nothing is proven by it: it proposes circuits, and
``Bench.feed`` judges.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from .cp_solve import solve
from .design_problem import Problem, Proposed, Start
from .facts import KEEP_A, Feed
from .state import Bench
from .tree import Tree

if TYPE_CHECKING:
    from ortools.sat.python import cp_model

STEPS = 1000
"""Steps of one unit of currency."""
VOLT_STEPS = 400_000
"""Steps of the greatest drop budget."""
SPENT = 0.7
"""Part of the drop budget after which lamps' currents are taken."""


def design(
    bench: Bench, problem: Problem, work: float, stop: Callable[[], bool] | None = None
) -> tuple[list[Proposed] | None, float]:
    """The best circuits found within this much work, and the work spent; None where none were found."""
    built = _Model(bench, problem)
    solved, spent = solve(built.model, work, stop)
    if solved is None:
        return None, spent
    return built.read(solved.value), spent


@dataclass
class _Circuit:
    """What the model holds of one slot while it is written down; lists of variables by the nodes they are at."""

    c: int
    """The slot's number."""
    feed: Feed
    root: int
    start_end_m: float
    """Slack at the driver's end of a cable, in m."""
    on: cp_model.IntVar
    min_a: float
    """Least rating of its cables, in A."""
    max_load: int
    """Most current, in units of ``unit_a``."""
    amps: dict[int, int]
    """Current of each lamp that may hang here, in the same units."""
    unit_v: float
    """Volts of one step of drop."""
    hint: Start
    carried: dict[int, int]
    """Current into each node of the incumbent's tree."""
    drop: dict[int, cp_model.IntVar]
    fall: dict[int, tuple[int, int]] = field(default_factory=dict)
    """Node of the incumbent's tree -> (node above, drop between)."""
    into: dict[int, list[cp_model.IntVar]] = field(default_factory=dict)
    """Cables that arrive, of any gauge."""
    out: dict[int, list[cp_model.IntVar]] = field(default_factory=dict)
    into_k: dict[tuple[int, int], list[cp_model.IntVar]] = field(default_factory=dict)
    """(node, cable) -> those of one gauge."""
    out_k: dict[tuple[int, int], list[cp_model.IntVar]] = field(default_factory=dict)
    flow_in: dict[int, list[cp_model.IntVar]] = field(default_factory=dict)
    flow_out: dict[int, list[cp_model.IntVar]] = field(default_factory=dict)
    hung_at: dict[int, list[tuple[int, cp_model.IntVar]]] = field(default_factory=dict)
    """Lamps that may hang at a node, and whether each does."""


class _Model:
    def __init__(self, bench: Bench, problem: Problem) -> None:
        from ortools.sat.python import cp_model

        self.bench, self.facts, self.problem = bench, bench.facts, problem
        self.model = cp_model.CpModel()
        self.money: list[cp_model.LinearExprT] = []
        arcs = bench.facts.graph.leads
        self.arcs = [(i, w.nodes[0], w.nodes[-1]) for i, w in enumerate(problem.ways)]
        self.arcs += [(i, w.nodes[-1], w.nodes[0]) for i, w in enumerate(problem.ways)]
        self.lead_nodes = {arcs[a].node for those in problem.leads.values() for a in those}
        self.nodes = sorted({v for _, _, v in self.arcs} | self.lead_nodes)
        self.lay: dict[tuple[int, int, int], cp_model.IntVar] = {}  # slot, arc, cable
        self.hang: dict[tuple[int, int, int], cp_model.IntVar] = {}  # slot, lamp, lead arc
        self.load: list[cp_model.IntVar] = []
        self.on: list[cp_model.IntVar] = []
        self.users: dict[int, list[cp_model.IntVar]] = {}
        every = [self._amps(lamp, c) for c in range(len(problem.slots)) for lamp in problem.lamps]
        drawn = [amps for amps in every if amps < math.inf]
        self.unit_a = max(min(drawn) / 200, max(drawn) * len(problem.lamps) / 500_000)
        for c in range(len(problem.slots)):
            self._slot(c)
        for lamp in problem.lamps:
            self.model.add_exactly_one(var for (_, hung, _), var in self.hang.items() if hung == lamp)
        self._trench()
        self._drivers()
        self.model.minimize(cp_model.LinearExpr.sum(self.money))

    def _amps(self, lamp: int, c: int) -> float:
        facts, feed_idx = self.facts, self.problem.slots[c].feed
        feed, t = facts.feeds[feed_idx], facts.lamp_type[lamp]
        if not feed.serves[t]:
            return math.inf
        budget, source_v = self._budget(lamp, c)
        return facts.lamp_amps(lamp, source_v - SPENT * budget, facts.feed_ac[feed_idx])

    def _budget(self, lamp: int, c: int) -> tuple[float, float]:
        """Drop that a lamp may see on this slot and the source's volts it is counted from, as ``circuit`` does."""
        feed, t = self.facts.feeds[self.problem.slots[c].feed], self.facts.lamp_type[lamp]
        types = {self.facts.lamp_type[other] for other in self.problem.lamps}
        low = any(feed.low_budget_v[i] < feed.budget_v[i] for i in types)
        return min(feed.budget_v[t], feed.low_budget_v[t]), (feed.low_v if low else feed.out_v)

    def _slot(self, c: int) -> None:
        """One circuit: tree, gauges, currents, drop, joints."""
        s = self._begun(c)
        for a in range(len(self.arcs)):
            if self.arcs[a][2] != s.root:
                self._arc(s, a)
        self._hint_drops(s)
        for lamp in s.amps:
            self._lamp(s, lamp)
        self._outlet(s)
        for v in self.nodes:
            if v != s.root:
                self._node(s, v)

    def _begun(self, c: int) -> _Circuit:
        """A slot with nothing in it yet: whether it is used, and within which limits."""
        facts, problem, model = self.facts, self.problem, self.model
        slot = problem.slots[c]
        feed = facts.feeds[slot.feed]
        root = int(facts.graph.supply_node[slot.supply])
        start = problem.start.get(c)
        on = model.new_bool_var(f"on {c}")
        model.add_hint(on, start is not None)
        self.on.append(on)
        min_a = slot.fuse_a if slot.fuse_a is not None else min(feed.limit_a, feed.breaker_a or math.inf)
        max_a = min(feed.max_a, feed.max_total_a, feed.max_w * facts.supply_loading[slot.supply] / feed.out_v)
        if slot.fuse_a is not None:
            max_a = min(max_a, facts.fuse_load * slot.fuse_a - KEEP_A)
            self.money.append(round(facts.fuse_price * STEPS) * on)
        lamps = [
            lamp
            for lamp in problem.lamps
            if facts.lamp_group[lamp] == slot.group and feed.serves[facts.lamp_type[lamp]]
        ]
        amps = {lamp: max(1, round(self._amps(lamp, c) / self.unit_a)) for lamp in lamps}
        hint = Start(facts, problem, self.arcs, start)
        return _Circuit(
            c=c,
            feed=feed,
            root=root,
            start_end_m=facts.start_end_m(slot.supply, feed),
            on=on,
            min_a=0.0 if min_a == math.inf else min_a,
            max_load=min(math.floor(max_a / self.unit_a + 1e-6), sum(amps.values())),
            amps=amps,
            unit_v=max((self._budget(lamp, c)[0] for lamp in lamps), default=1.0) / VOLT_STEPS,
            hint=hint,
            carried=hint.carried(amps),
            drop={v: model.new_int_var(0, VOLT_STEPS, "drop") for v in self.nodes if v != root},
        )

    def _arc(self, s: _Circuit, a: int) -> None:
        """One arc of the tree: its gauge, if any is laid, and the current in it."""
        facts, model = self.facts, self.model
        w, u, v = self.arcs[a]
        way = self.problem.ways[w]
        mine: list[cp_model.IntVar] = []
        flow = model.new_int_var(0, s.max_load, "flow")
        model.add_hint(flow, min(s.max_load, s.carried.get(v, 0)) if a in s.hint.cable else 0)
        for k in self.problem.palette:
            cable = facts.cables[k]
            rating = math.floor(cable.rating_a * way.factor / self.unit_a + 1e-6)
            if cable.rating_a * way.factor < s.min_a - 1e-9 or rating < 1:
                continue
            if u == s.root and cable.area_mm2 > s.feed.terminal_mm2 + 1e-9:
                continue
            laid = model.new_bool_var("laid")
            model.add_hint(laid, s.hint.cable.get(a) == k)
            self.lay[s.c, a, k] = laid
            mine.append(laid)
            s.into_k.setdefault((v, k), []).append(laid)
            s.out_k.setdefault((u, k), []).append(laid)
            raw = facts.slack * way.length_m + (s.start_end_m if u == s.root else 0.0)
            self.money.append(round((raw * cable.price_m + way.pull) * STEPS) * laid)
            if rating < s.max_load:
                model.add(flow <= rating).only_enforce_if(laid)
            self._drop_along(s, a, k, laid, flow)
        used = sum(mine)
        model.add(flow <= s.max_load * used)
        model.add(flow >= used)
        s.into.setdefault(v, []).extend(mine)
        s.out.setdefault(u, []).extend(mine)
        s.flow_in.setdefault(v, []).append(flow)
        s.flow_out.setdefault(u, []).append(flow)
        self.users.setdefault(w, []).extend(mine)

    def _drop_along(self, s: _Circuit, a: int, k: int, laid: cp_model.IntVar, flow: cp_model.IntVar) -> None:
        """Drop along one gauge of one arc, where it is laid."""
        facts = self.facts
        w, u, v = self.arcs[a]
        ohm = self.problem.ways[w].hot_ohm[k]
        # Ends at joints have resistance too; where lamps may hang a joint is taken for granted, at forks not.
        joints = [node for node in (u, v) if node in self.lead_nodes]
        ohm += facts.end_ohm * sum(facts.post[node] < 0 for node in joints)
        end_m = facts.joint_end_m * len(joints)
        if u == s.root:
            end_m += s.start_end_m
        ohm += end_m * facts.cables[k].hot_ohm
        step = max(1, round(ohm * self.unit_a / s.unit_v))
        above = s.drop[u] if u != s.root else 0
        self.model.add(s.drop[v] >= above + step * flow).only_enforce_if(laid)
        if s.hint.cable.get(a) == k:
            s.fall[v] = (u, step * s.carried.get(v, 0))

    def _hint_drops(self, s: _Circuit) -> None:
        """Drops of the incumbent's tree."""
        for v, var in s.drop.items():
            spent, at, seen = 0, v, {s.root}
            while at in s.fall and at not in seen:  # circuits whose cables pass each other may run in rings here
                seen.add(at)
                spent, at = spent + s.fall[at][1], s.fall[at][0]
            self.model.add_hint(var, min(VOLT_STEPS, spent))

    def _lamp(self, s: _Circuit, lamp: int) -> None:
        """One lamp: where it may hang, what its lead costs, and the drop it leaves for the way there."""
        facts, model, start = self.facts, self.model, s.hint.fed
        budget, _ = self._budget(lamp, s.c)
        tight = self.problem.tight.get(s.c, 1.0)
        for arc in self.problem.leads[lamp]:
            node = facts.lead_node[arc]
            if node == s.root:
                continue
            var = model.new_bool_var("hung")
            model.add_hint(var, start is not None and start.leads.get(lamp) == arc)
            self.hang[s.c, lamp, arc] = var
            s.hung_at.setdefault(node, []).append((lamp, var))
            self.money.append(round(facts.lead_price[arc] * STEPS) * var)
            lead_ohm = 0.0
            if facts.post[node] < 0:
                lead_ohm = facts.type_lead_hot_ohm[facts.lamp_type[lamp]] + facts.end_ohm
            lead_v = lead_ohm * s.amps[lamp] * self.unit_a
            most = max(0, math.floor((budget * tight - lead_v) / s.unit_v))
            model.add(s.drop[node] <= most).only_enforce_if(var)

    def _outlet(self, s: _Circuit) -> None:
        """At the driver: the circuit's load, and the cables that its terminals take."""
        model, start = self.model, s.hint.fed
        load = model.new_int_var(0, s.max_load, "load")
        self.load.append(load)
        model.add_hint(load, min(s.max_load, sum(s.amps.get(lamp, 0) for lamp in start.leads) if start else 0))
        model.add(load == sum(s.flow_out.get(s.root, [])))
        model.add(load >= s.on)
        model.add(load <= s.max_load * s.on)
        model.add(sum(s.out.get(s.root, [])) <= s.feed.terminal_cables * s.on)

    def _node(self, s: _Circuit, v: int) -> None:
        """One node of the tree: what flows in flows on or into lamps, over one cable; what joins it there."""
        model = self.model
        into, out, hung = s.into.get(v, []), s.out.get(v, []), s.hung_at.get(v, [])
        drawn = sum(s.amps[lamp] * var for lamp, var in hung)
        model.add(sum(s.flow_in.get(v, [])) == sum(s.flow_out.get(v, [])) + drawn)
        model.add_at_most_one(into)
        for var in out:
            model.add(sum(into) >= var)
        for _, var in hung:
            model.add(sum(into) >= var)
        self._joint(s, v, into, out, [var for _, var in hung])

    def _joint(
        self,
        s: _Circuit,
        v: int,
        into: list[cp_model.IntVar],
        out: list[cp_model.IntVar],
        hung: list[cp_model.IntVar],
    ) -> None:
        """At one node: passed unjoined in one gauge, or a joint with its price by ways and its cables' ends."""
        facts, model, problem = self.facts, self.model, self.problem
        if facts.post[v] >= 0:
            model.add(sum(out) <= 1)
            for k in problem.palette:
                for var in s.out_k.get((v, k), []):
                    model.add(var <= sum(s.into_k.get((v, k), [])) + sum(hung))
                self._ends(v, k, s.into_k.get((v, k), []) + s.out_k.get((v, k), []), sum(hung), s.hint)
            return
        if not facts.may_joint[v]:
            model.add(sum(out) <= 1)
            for k in problem.palette:
                for var in s.out_k.get((v, k), []):
                    model.add(var <= sum(s.into_k.get((v, k), [])))
            return
        most = len(out) + len(hung) + 1
        joint = model.new_bool_var("joint")
        model.add_hint(joint, v in s.hint.ways)
        for var in hung:
            model.add_implication(var, joint)
        model.add(sum(out) <= 1 + len(out) * joint)
        ways = sum(into) + sum(out) + sum(hung)
        if most > facts.max_ways:
            model.add(ways <= facts.max_ways)
        price = self.bench.joint_price_of_ways
        self.money.append(round(price[2] * STEPS) * joint)
        for n in range(3, min(most, facts.max_ways) + 1):
            more = price[n] - price[n - 1]
            if more > 1e-9:
                large = model.new_bool_var("large")
                model.add_hint(large, s.hint.ways.get(v, 0) >= n)
                model.add(ways <= n - 1 + (most - n + 1) * large)
                self.money.append(round(more * STEPS) * large)
        for k in problem.palette:
            for var in s.out_k.get((v, k), []):
                model.add(var <= sum(s.into_k.get((v, k), [])) + joint)
            self._ends(v, k, s.into_k.get((v, k), []) + s.out_k.get((v, k), []), joint, s.hint)

    def _ends(self, v: int, k: int, here: list[cp_model.IntVar], joint: cp_model.LinearExpr | int, hint: Start) -> None:
        """Cable that the ends take at a joint."""
        price = round(self.facts.joint_end_m * self.facts.cables[k].price_m * STEPS)
        if price and here:
            ends = self.model.new_int_var(0, len(here), "ends")
            self.model.add(ends + len(here) * (1 - joint) >= sum(here))
            self.model.add_hint(ends, hint.ends.get((v, k), 0))
            self.money.append(price * ends)

    def _trench(self) -> None:
        problem, model = self.problem, self.model
        began = {e for fed in problem.start.values() for e in fed.edges}
        for w, way in enumerate(problem.ways):
            users = self.users.get(w, [])
            if len(problem.slots) > way.room:
                model.add(sum(users) <= max(0, way.room))
            if way.trench > 0 and users:
                dug = model.new_bool_var("dug")
                for var in users:
                    model.add_implication(var, dug)
                model.add_hint(dug, not began.isdisjoint(way.edges))
                self.money.append(round(way.trench * STEPS) * dug)

    def _drivers(self) -> None:
        problem, model, facts = self.problem, self.model, self.facts
        priced: dict[int, list[cp_model.IntVar]] = {}
        at_supply: dict[int, list[int]] = {}
        for d, room in enumerate(problem.drivers):
            members = [c for c, slot in enumerate(problem.slots) if slot.driver == d]
            if not members:
                continue
            at_supply.setdefault(room.supply, []).extend(members)
            model.add(
                sum(math.ceil(facts.feeds[problem.slots[c].feed].out_v * 1000) * self.load[c] for c in members)
                <= math.floor(room.max_w * 1000 / self.unit_a)
            )
            if room.max_a < math.inf:
                model.add(sum(self.load[c] for c in members) <= math.floor(room.max_a / self.unit_a + 1e-6))
            for what, most in enumerate(room.max_start):
                if most < math.inf:
                    starts = [
                        math.ceil(facts.lamp_start[lamp][what] * STEPS - 1e-6) * var
                        for (c, lamp, _), var in self.hang.items()
                        if c in members
                    ]
                    model.add(sum(starts) <= math.floor(max(most, 0.0) * STEPS + 1e-6))
            if room.price > 0 or problem.drivers_left.get(room.supply, 99) < len(problem.drivers):
                used = model.new_bool_var("driver")
                for c in members:
                    model.add_implication(self.on[c], used)
                model.add_hint(used, any(c in problem.start for c in members))
                self.money.append(round(room.price * STEPS) * used)
                if room.price > 0:
                    priced.setdefault(room.supply, []).append(used)
        for supply, those in priced.items():
            left = problem.drivers_left.get(supply, len(those))
            if left < len(those):
                model.add(sum(those) <= max(0, left))
        for supply, members in at_supply.items():
            price = problem.supply_price.get(supply, 0.0)
            if price > 0:
                used = model.new_bool_var("supply")
                for c in members:
                    model.add_implication(self.on[c], used)
                model.add_hint(used, any(c in problem.start for c in members))
                self.money.append(round(price * STEPS) * used)

    def read(self, value: Callable[[cp_model.IntVar], int]) -> list[Proposed]:
        """The circuits of a solution, on the ground graph."""
        found: list[Proposed] = []
        for c in range(len(self.problem.slots)):
            if not value(self.on[c]):
                continue
            tree: Tree = {}
            for (slot, a, _), var in self.lay.items():
                if slot == c and value(var):
                    w, u, _ = self.arcs[a]
                    nodes = self.problem.ways[w].nodes
                    if nodes[0] != u:
                        nodes = nodes[::-1]
                    tree.update(zip(nodes[1:], nodes[:-1], strict=True))
            leads = {lamp: arc for (slot, lamp, arc), var in self.hang.items() if slot == c and value(var)}
            found.append(Proposed(c, tree, leads))
        return found
