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
from typing import TYPE_CHECKING

from .cp_solve import solve
from .design_problem import Problem, Proposed, Start
from .facts import KEEP_A
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
        facts, problem, model = self.facts, self.problem, self.model
        slot = problem.slots[c]
        feed = facts.feeds[slot.feed]
        root = int(facts.graph.supply_node[slot.supply])
        start = problem.start.get(c)
        hint = Start(facts, problem, self.arcs, start)
        on = model.new_bool_var(f"on {c}")
        model.add_hint(on, start is not None)
        self.on.append(on)
        min_a = slot.fuse_a if slot.fuse_a is not None else min(feed.limit_a, feed.breaker_a or math.inf)
        min_a = 0.0 if min_a == math.inf else min_a
        max_a = min(feed.max_a, feed.max_total_a, feed.max_w * facts.supply_loading[slot.supply] / feed.out_v)
        if slot.fuse_a is not None:
            max_a = min(max_a, facts.fuse_load * slot.fuse_a - KEEP_A)
            self.money.append(round(facts.fuse_price * STEPS) * on)
        unit_a = self.unit_a
        max_load = math.floor(max_a / unit_a + 1e-6)

        lamps = [
            lamp
            for lamp in problem.lamps
            if facts.lamp_group[lamp] == slot.group and feed.serves[facts.lamp_type[lamp]]
        ]
        amps = {lamp: max(1, round(self._amps(lamp, c) / unit_a)) for lamp in lamps}
        max_load = min(max_load, sum(amps.values()))
        most_v = max((self._budget(lamp, c)[0] for lamp in lamps), default=1.0)
        unit_v = most_v / VOLT_STEPS
        into: dict[int, list[cp_model.IntVar]] = {v: [] for v in self.nodes}
        out: dict[int, list[cp_model.IntVar]] = {v: [] for v in self.nodes}
        into_k: dict[tuple[int, int], list[cp_model.IntVar]] = {}
        out_k: dict[tuple[int, int], list[cp_model.IntVar]] = {}
        flow_in: dict[int, list[cp_model.IntVar]] = {v: [] for v in self.nodes}
        flow_out: dict[int, list[cp_model.IntVar]] = {v: [] for v in self.nodes}
        tight = problem.tight.get(c, 1.0)
        drop = {v: model.new_int_var(0, VOLT_STEPS, "drop") for v in self.nodes if v != root}
        carried = hint.carried(amps)
        fall: dict[int, tuple[int, int]] = {}  # node of the incumbent's tree -> (node above, drop between)
        for a, (w, u, v) in enumerate(self.arcs):
            if v == root:
                continue
            way = problem.ways[w]
            mine: list[cp_model.IntVar] = []
            flow = model.new_int_var(0, max_load, "flow")
            model.add_hint(flow, min(max_load, carried.get(v, 0)) if a in hint.cable else 0)
            for k in problem.palette:
                cable = facts.cables[k]
                rating = math.floor(cable.rating_a * way.factor / unit_a + 1e-6)
                if cable.rating_a * way.factor < min_a - 1e-9 or rating < 1:
                    continue
                if u == root and cable.area_mm2 > feed.terminal_mm2 + 1e-9:
                    continue
                laid = model.new_bool_var("laid")
                model.add_hint(laid, hint.cable.get(a) == k)
                self.lay[c, a, k] = laid
                mine.append(laid)
                into_k.setdefault((v, k), []).append(laid)
                out_k.setdefault((u, k), []).append(laid)
                raw = facts.slack * way.length_m + (facts.start_end_m(slot.supply, feed) if u == root else 0.0)
                self.money.append(round((raw * cable.price_m + way.pull) * STEPS) * laid)
                if rating < max_load:
                    model.add(flow <= rating).only_enforce_if(laid)
                ohm = way.hot_ohm[k]
                # Ends at joints have resistance too; where lamps may hang a joint is taken for granted, at forks not.
                joints = [node for node in (u, v) if node in self.lead_nodes]
                ohm += facts.end_ohm * sum(facts.post[node] < 0 for node in joints)
                end_m = facts.joint_end_m * len(joints)
                if u == root:
                    end_m += facts.start_end_m(slot.supply, feed)
                ohm += end_m * cable.hot_ohm
                step = max(1, round(ohm * unit_a / unit_v))
                above = drop[u] if u != root else 0
                model.add(drop[v] >= above + step * flow).only_enforce_if(laid)
                if hint.cable.get(a) == k:
                    fall[v] = (u, step * carried.get(v, 0))
            used = sum(mine)
            model.add(flow <= max_load * used)
            model.add(flow >= used)
            into[v] += mine
            out[u] += mine
            flow_in[v].append(flow)
            flow_out[u].append(flow)
            self.users.setdefault(w, []).extend(mine)

        for v, var in drop.items():
            spent, at, seen = 0, v, {root}
            while at in fall and at not in seen:  # circuits whose cables pass each other may run in rings here
                seen.add(at)
                spent, at = spent + fall[at][1], fall[at][0]
            model.add_hint(var, min(VOLT_STEPS, spent))

        hung_at: dict[int, list[tuple[int, cp_model.IntVar]]] = {}
        graph_leads = facts.graph.leads
        for lamp in lamps:
            budget, _ = self._budget(lamp, c)
            for arc in problem.leads[lamp]:
                node = graph_leads[arc].node
                if node == root:
                    continue
                var = model.new_bool_var("hung")
                model.add_hint(var, start is not None and start.leads.get(lamp) == arc)
                self.hang[c, lamp, arc] = var
                hung_at.setdefault(node, []).append((lamp, var))
                self.money.append(round(facts.lead_price[arc] * STEPS) * var)
                lead_ohm = 0.0
                if facts.post[node] < 0:
                    lead_ohm = facts.type_lead_hot_ohm[facts.lamp_type[lamp]] + facts.end_ohm
                lead_v = lead_ohm * amps[lamp] * unit_a
                model.add(drop[node] <= max(0, math.floor((budget * tight - lead_v) / unit_v))).only_enforce_if(var)

        load = model.new_int_var(0, max_load, "load")
        self.load.append(load)
        model.add_hint(load, min(max_load, sum(amps.get(lamp, 0) for lamp in start.leads) if start else 0))
        model.add(load == sum(flow_out.get(root, [])))
        model.add(load >= on)
        model.add(load <= max_load * on)
        model.add(sum(out.get(root, [])) <= feed.terminal_cables * on)
        for v in self.nodes:
            if v == root:
                continue
            hung = hung_at.get(v, [])
            model.add(sum(flow_in[v]) == sum(flow_out[v]) + sum(amps[lamp] * var for lamp, var in hung))
            model.add_at_most_one(into[v])
            for var in out[v]:
                model.add(sum(into[v]) >= var)
            for _, var in hung:
                model.add(sum(into[v]) >= var)
            self._joint(v, into, out, into_k, out_k, [var for _, var in hung], hint)

    def _joint(
        self,
        v: int,
        into: dict[int, list[cp_model.IntVar]],
        out: dict[int, list[cp_model.IntVar]],
        into_k: dict[tuple[int, int], list[cp_model.IntVar]],
        out_k: dict[tuple[int, int], list[cp_model.IntVar]],
        hung: list[cp_model.IntVar],
        hint: Start,
    ) -> None:
        """At one node: passed unjoined in one gauge, or a joint with its price by ways and its cables' ends."""
        facts, model, problem = self.facts, self.model, self.problem
        if facts.post[v] >= 0:
            model.add(sum(out[v]) <= 1)
            for k in problem.palette:
                for var in out_k.get((v, k), []):
                    model.add(var <= sum(into_k.get((v, k), [])) + sum(hung))
                self._ends(v, k, into_k.get((v, k), []) + out_k.get((v, k), []), sum(hung), hint)
            return
        if not facts.may_joint[v]:
            model.add(sum(out[v]) <= 1)
            for k in problem.palette:
                for var in out_k.get((v, k), []):
                    model.add(var <= sum(into_k.get((v, k), [])))
            return
        most = len(out[v]) + len(hung) + 1
        joint = model.new_bool_var("joint")
        model.add_hint(joint, v in hint.ways)
        for var in hung:
            model.add_implication(var, joint)
        model.add(sum(out[v]) <= 1 + (len(out[v])) * joint)
        ways = sum(into[v]) + sum(out[v]) + sum(hung)
        if most > facts.max_ways:
            model.add(ways <= facts.max_ways)
        price = self.bench.joint_price_of_ways
        self.money.append(round(price[2] * STEPS) * joint)
        for n in range(3, min(most, facts.max_ways) + 1):
            more = price[n] - price[n - 1]
            if more > 1e-9:
                large = model.new_bool_var("large")
                model.add_hint(large, hint.ways.get(v, 0) >= n)
                model.add(ways <= n - 1 + (most - n + 1) * large)
                self.money.append(round(more * STEPS) * large)
        for k in problem.palette:
            for var in out_k.get((v, k), []):
                model.add(var <= sum(into_k.get((v, k), [])) + joint)
            self._ends(v, k, into_k.get((v, k), []) + out_k.get((v, k), []), joint, hint)

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
