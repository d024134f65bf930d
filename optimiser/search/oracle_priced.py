"""Completion prices of a part whose drop is paid for in money. In: Part, a price of drop for every end. Out: Priced.

Let each end have a price lambda >= 0 for every volt of its drop. A part that holds spends no more than the headroom on
the way to any end, so it costs at least

    its price + sum over the ends of lambda x (drop of the end - headroom),

and what a cable adds to the sum is known as soon as the set of ends below it is: its amps x its resistance x the sum
of their prices, a price a metre beside the copper's own. So the least of all parts is found by Dreyfus and Wagner's
programme over (node, set of ends) as in ``oracle_relaxed``, with a weight for every edge that depends on the set, the
gauge that is cheapest for it there included. Here too nothing is forbidden that the part allows, and nothing costs
more: a gauge may change anywhere, ends of cables are in the kindest gauge, kits are those of the cheapest sizes.

Prices that prove much are found by subgradients: dearer where the cheapest part drops too much, cheaper where it does
not (M. Held, P. Wolfe, H. P. Crowder, Math. Programming 6, 1974, 62-88; cited from memory). Any prices are valid.

``left_*`` are what the rest costs at the least, everything above and beside a set of ends included:

* ``left_cable[X][v]``: a cable that serves X has come up to v, unended there;
* ``left_unit[X][v]``: it ends in the joint at v, its own end counted already, the joint not;
* ``left_meet[X][v]``: X is gathered at v, the joint itself not counted.
"""

from __future__ import annotations

import math

import numpy as np

from .effort import Allowance
from .oracle_part import Part
from .oracle_relaxed import subsets_of

TINY = 1e-9
"""Keeps free edges apart from absent ones in sparse matrices; taken off again."""
CLASSES = 3
"""Joints of one, two, three or more items below."""


class _Climb:
    """Least start price + way, for many weights of the same edges."""

    def __init__(self, part: Part) -> None:
        from scipy.sparse import csr_matrix

        self.count = count = len(part.nodes)
        u, v = part.ends_of[:, 0], part.ends_of[:, 1]
        key = np.minimum(u, v) * count + np.maximum(u, v)
        self._by_pair = np.argsort(key, kind="stable")
        pairs, self._first = np.unique(key[self._by_pair], return_index=True)
        low, high = pairs // count, pairs % count
        rows = np.r_[low, high, np.full(count, count)]
        cols = np.r_[high, low, np.arange(count)]
        self._order = np.lexsort((cols, rows))
        indices = cols[self._order].astype(np.int32)
        indptr = np.searchsorted(rows[self._order], np.arange(count + 2)).astype(np.int32)
        self._graph = csr_matrix((np.ones(len(indices)), indices, indptr), shape=(count + 1, count + 1))

    def __call__(self, weight: np.ndarray, start: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """(n,) least price at each node, and the node before it on the way; ``count``: the way starts there."""
        from scipy.sparse.csgraph import dijkstra

        least = np.minimum.reduceat(weight[self._by_pair], self._first) if len(weight) else weight
        self._graph.data = np.concatenate([least, least, start])[self._order] + TINY
        dist, before = dijkstra(self._graph, directed=True, indices=[self.count], return_predecessors=True)
        return dist[0, :-1] - TINY * (self.count + 1), before[0, :-1]


class Priced:
    """
    The tables for one price of drop at each end; ``bound`` is the least that any part costs that holds.

    The part is a whole circuit: its root is the driver, no joint, and each of its ends one lead.
    """

    def __init__(self, part: Part, lam: np.ndarray, climb: _Climb | None = None) -> None:
        assert not part.root_is_joint and all(place.ways == 1 for places in part.places for place in places)
        self.part, self.lam = part, np.asarray(lam, dtype=float)
        self.num_sets = 1 << part.num_ends
        self.everything = self.num_sets - 1
        self._climb = climb if climb is not None else _Climb(part)
        self._weigh()
        self._serve()

    def _weigh(self) -> None:
        """What each set of ends draws and makes of an ohm, and of what prices and resistances weights are made."""
        part, facts = self.part, self.part.facts
        member = np.arange(self.num_sets)[:, None] >> np.arange(part.num_ends)[None, :] & 1
        self.amps = member @ np.array(part.amps)
        self.ohm_price = self.amps * (member @ self.lam)
        """(sets,) what an ohm in a cable that serves the set costs."""
        cables = [facts.cables[k] for k in part.cables]
        price_m = np.array([c.price_m for c in cables])
        hot = np.array([c.hot_ohm for c in cables])
        sun = np.array([c.sun_ohm for c in cables])
        self._rating = np.array([c.rating_a for c in cables])
        length = facts.slack * part.length_m
        in_sun = facts.slack * part.sun_m
        self._edge_price = price_m[:, None] * length
        self._edge_ohm = hot[:, None] * (length - in_sun) + sun[:, None] * in_sun
        self._edge_rating = self._rating[:, None] * part.factor
        self._edge_rating[self._edge_rating < part.min_rating_a - 1e-9] = -1.0
        self._end_price, self._end_ohm = price_m, np.minimum(hot, sun)
        self._kit_ohm = np.where(part.post_of >= 0, 0.0, facts.end_ohm)
        self._own = np.where(part.post_of >= 0, 1 << np.maximum(part.post_of, 0), 0)
        self._kits_beside_one = self._kits(1)

    def _of_gauge(self, x: int, price: np.ndarray, ohm: np.ndarray, rating_a: np.ndarray) -> np.ndarray:
        """What copper costs in each gauge where it serves X, its drop included; infinite where it may not carry X."""
        found: np.ndarray = price + self.ohm_price[x] * ohm
        found[rating_a < self.amps[x] - 1e-9] = math.inf
        return found

    def _edges(self, x: int) -> np.ndarray:
        """(gauges, m) what a cable that serves X costs along each edge, without the trench."""
        return self._of_gauge(x, self._edge_price, self._edge_ohm, self._edge_rating)

    def _metre(self, x: int) -> np.ndarray:
        """(gauges,) what a metre at an end of such a cable costs."""
        return self._of_gauge(x, self._end_price, self._end_ohm, self._rating)

    def weight(self, x: int) -> np.ndarray:
        """(m,) what a cable that serves X costs along each edge, the trench included."""
        least: np.ndarray = self.part.opening + self._edges(x).min(axis=0)
        return least

    def end(self, x: int, metres: float) -> float:
        """What so many metres at an end of such a cable cost."""
        return float(self._metre(x).min()) * metres if metres > 0 else 0.0

    def joint_end(self, x: int) -> np.ndarray:
        """(n,) what an end of such a cable costs in a joint at each node."""
        ends: np.ndarray = self.end(x, self.part.facts.joint_end_m) + self.ohm_price[x] * self._kit_ohm
        return ends

    def _may_end(self, x: int) -> np.ndarray:
        """(n,) whether a joint that gathers X, or more, may stand at each node."""
        return np.where(self._own != 0, (self._own & x) != 0, self.part.may_joint)

    def _kits(self, beside: int) -> list[np.ndarray]:
        """(n,) price of a joint of c items and ``beside`` others, for c = 0, 1, 2, 3 or more."""
        part = self.part
        prices = []
        for c in range(CLASSES + 1):
            ways = c + beside
            kit = part.kit_of_ways[ways] if ways <= part.facts.max_ways else math.inf
            at_post = 0.0 if c + beside <= 3 else math.inf  # a lead, a cable that comes and one that goes on
            prices.append(np.where(part.post_of >= 0, at_post, kit))
        return prices

    def _serve(self) -> None:
        """From the ends up: ``unit``, ``meet``, ``cable`` and what the root costs."""
        part = self.part
        count, inf = len(part.nodes), math.inf
        self.unit = np.full((self.num_sets, count), inf)
        self.meet = np.full((CLASSES + 1, self.num_sets, count), inf)
        self.cable = np.full((self.num_sets, count), inf)
        self._below = np.full((self.num_sets, count), inf)
        """A cable's lower joint with its end, as it starts up."""
        self._before = np.zeros((self.num_sets, count), dtype=np.int32)
        self._lead = np.full((part.num_ends, count), -1)
        for i, places in enumerate(part.places):
            for at, p in enumerate(places):
                if p.need_v > part.headroom_v + 1e-9:
                    continue
                price = p.price + self.lam[i] * max(p.need_v, 0.0)
                if price < self.unit[1 << i, p.node]:
                    self.unit[1 << i, p.node] = price
                    self._lead[i, p.node] = at
        self._lead_price = np.array([self.unit[1 << i] for i in range(part.num_ends)])
        kits = self._kits_beside_one
        most_root = len(part.root_price) - 1
        self.at_root = np.full(self.num_sets, inf)
        self.root_meet = np.full((most_root + 1, self.num_sets), inf)
        self.root_meet[0, 0] = 0.0
        for x in range(1, self.num_sets):
            low = x & -x
            rest = x ^ low
            if rest:
                subs = subsets_of(rest)[:-1]
                one = self.unit[subs | low]
                others = rest ^ subs
                self.meet[2, x] = (one + self.meet[1, others]).min(axis=0)
                self.meet[3, x] = (one + np.minimum(self.meet[2, others], self.meet[3, others])).min(axis=0)
            self.meet[1, x] = self.unit[x]
            best = np.min([self.meet[c, x] + kits[c] for c in range(1, CLASSES + 1)], axis=0)
            end, may_end = self.joint_end(x), self._may_end(x)
            below = np.where(may_end, best + end, inf)
            below[part.root] = inf
            self._below[x] = below
            self.cable[x], self._before[x] = self._climb(self.weight(x), below)
            ended = np.where(may_end | (self._own != 0), self.cable[x] + end, inf)
            ended[part.root] = inf
            # A joint of one cable only: never cheaper here, but a change of gauge may want it.
            changed = np.where(may_end, ended + kits[1] + end, inf)
            np.minimum(self._below[x], changed, out=self._below[x])
            np.minimum(self.unit[x], ended, out=self.unit[x])
            self.meet[1, x] = self.unit[x]
            self.at_root[x] = self.cable[x, part.root] + self._root_end(x)
            subs = subsets_of(rest)
            for c in range(1, most_root + 1):
                self.root_meet[c, x] = (self.at_root[subs | low] + self.root_meet[c - 1][rest ^ subs]).min()
        self.paid = part.headroom_v * float(self.lam.sum())
        """What the headroom is worth: taken off whatever the tables say."""
        whole = self.root_meet[1:, self.everything] + np.array(part.root_price[1:])
        self.bound = float(whole.min(initial=inf)) - self.paid

    def _root_end(self, x: int) -> float:
        return self.end(x, self.part.root_end_m)

    def complete(self) -> None:
        """From the root down: ``left_cable``, ``left_unit``, ``left_meet``, ``left_root``, all less ``paid``."""
        part = self.part
        count, inf = len(part.nodes), math.inf
        self.left_cable = np.full((self.num_sets, count), inf)
        self.left_unit = np.full((self.num_sets, count), inf)
        self.left_meet = np.full((self.num_sets, count), inf)
        self.left_root = np.full(self.num_sets, inf)
        up = np.full((self.num_sets, count), inf)
        """A cable that serves X starts up from a joint here: its lower end and all that is left."""
        kits = self._kits(2)
        most_root = len(part.root_price) - 1
        for x in range(self.everything, 0, -1):
            rest = self.everything ^ x
            for c in range(1, most_root + 1):
                beside = self.root_meet[c - 1, rest] + part.root_price[c] - self.paid
                self.left_root[x] = min(self.left_root[x], beside)
            unit, meet = np.full(count, inf), np.full(count, inf)
            if rest:
                others = subsets_of(rest)[1:]
                above = up[others | x]
                for c in range(1, CLASSES + 1):
                    met = (self.meet[c, others] + above).min(axis=0)
                    np.minimum(meet, met, out=meet)
                    np.minimum(unit, met + kits[c], out=unit)
            # by way of the joint above, or straight to the root
            end = self.joint_end(x)
            start = unit + end
            start[part.root] = self.left_root[x] + self._root_end(x)
            lift = -min(0.0, float(start.min(initial=0.0)))  # no arc may have a negative weight
            self.left_cable[x] = self._climb(self.weight(x), start + lift)[0] - lift
            up[x] = np.where(self._may_end(x), self.left_cable[x] + end, inf)
            # joints in which nothing else meets, for a change of gauge: never cheaper here, but labels may stand there
            self.left_meet[x] = np.minimum(meet, up[x])
            self.left_unit[x] = np.minimum(unit, kits[0] + up[x])
            self.left_unit[x, part.root] = self.left_root[x]

    def through(self) -> np.ndarray:
        """(n,) least price of a whole part in which a cable passes or ends at each node."""
        best: np.ndarray = (self.cable[1:] + self.left_cable[1:]).min(axis=0)
        best[self.part.root] = self.bound
        return best

    def jointed(self) -> np.ndarray:
        """(n,) least price of a whole part with a joint at each node (not the root)."""
        best: np.ndarray = (self._below[1:] + self.left_cable[1:]).min(axis=0)
        return best

    def along(self) -> np.ndarray:
        """(m,) least price of a whole part with a cable along each edge."""
        u, v = self.part.ends_of[:, 0], self.part.ends_of[:, 1]
        best = np.full(len(u), math.inf)
        for x in range(1, self.num_sets):
            a, b = self.cable[x], self.left_cable[x]
            np.minimum(best, np.minimum(a[u] + b[v], a[v] + b[u]) + self.weight(x), out=best)
        return best

    def beside_runs(self, joints: np.ndarray, limit: float) -> tuple[np.ndarray, np.ndarray]:
        """
        (j, j), (j,) least price of all but the way of a run, up from each of these joints to each, and to the root.

        Both ends are counted; what exceeds ``limit`` may be infinite.
        """
        beside = np.full((len(joints), len(joints)), math.inf)
        to_root = np.full(len(joints), math.inf)
        for x in range(1, self.num_sets):
            below = self._below[x][joints]
            least = below.min(initial=math.inf)
            above = (self.left_unit[x] + self.joint_end(x))[joints]
            if least + above.min(initial=math.inf) <= limit:
                np.minimum(beside, below[:, None] + above[None, :], out=beside)
            np.minimum(to_root, below + (self.left_root[x] + self._root_end(x)), out=to_root)
        return beside, to_root

    def drops(self) -> np.ndarray:
        """(ends,) drop of each end in the part that costs ``bound``, in V."""
        part = self.part
        drop = np.zeros(part.num_ends)
        stack: list[tuple[str, int, int]] = []
        c = min(range(1, len(part.root_price)), key=lambda c: self.root_meet[c, self.everything] + part.root_price[c])
        rest = self.everything
        while rest:
            low, beside = rest & -rest, rest & (rest - 1)
            subs = subsets_of(beside)
            at = int(np.argmin(self.at_root[subs | low] + self.root_meet[c - 1][beside ^ subs]))
            stack.append(("root", int(subs[at]) | low, part.root))
            rest, c = beside ^ int(subs[at]), c - 1
        while stack:
            what, x, v = stack.pop()
            if what == "meet":
                stack.extend(self._parted(x, v))
                continue
            if what == "lead" or (what == "unit" and self._is_lead(x, v)):
                i = x.bit_length() - 1
                drop[i] += max(part.places[i][self._lead[i, v]].need_v, 0.0)
                continue
            ohm, low_joint = self._traced(x, v)
            if what == "root":
                ohm += self._end_ohm_of(x, part.root_end_m)
            else:
                ohm += self._end_ohm_of(x, part.facts.joint_end_m) + float(self._kit_ohm[v])
            drop += np.where(x >> np.arange(part.num_ends) & 1, self.amps[x] * ohm, 0.0)
            stack.append(("meet", x, low_joint))
        return drop

    def _is_lead(self, x: int, v: int) -> bool:
        """Whether the cheapest unit that serves X at v is a lead."""
        return x & (x - 1) == 0 and float(self._lead_price[x.bit_length() - 1, v]) <= float(self.unit[x, v])

    def _end_ohm_of(self, x: int, metres: float) -> float:
        return float(self._end_ohm[int(self._metre(x).argmin())]) * metres

    def _traced(self, x: int, v: int) -> tuple[float, int]:
        """Resistance of the cable that serves X from v down to its lower joint, that end included; the joint."""
        part = self.part
        of_gauge = self._edges(x)
        gauge = of_gauge.argmin(axis=0)
        weight = part.opening + of_gauge.min(axis=0)
        ohm = 0.0
        while True:
            below = int(self._before[x, v])
            if below >= len(part.nodes) or below < 0:
                break
            edge = min((e for w, e in part.near[v] if w == below), key=lambda e: weight[e])
            ohm += float(self._edge_ohm[gauge[edge], edge])
            v = below
        return ohm + self._end_ohm_of(x, part.facts.joint_end_m) + float(self._kit_ohm[v]), v

    def _parted(self, x: int, v: int) -> list[tuple[str, int, int]]:
        """The units that meet at v to make X, as tasks of ``drops``."""
        if x & (x - 1) == 0:
            return [("lead", x, v)]
        kits = self._kits_beside_one
        c = min(range(2, CLASSES + 1), key=lambda c: self.meet[c, x, v] + kits[c][v])
        found: list[tuple[str, int, int]] = []
        while c > 1 and x & (x - 1):
            low, rest = x & -x, x & (x - 1)
            subs = subsets_of(rest)[:-1]
            others = rest ^ subs
            of_others = (
                self.meet[1, others, v] if c == 2 else np.minimum(self.meet[2, others, v], self.meet[3, others, v])
            )
            price = self.unit[subs | low, v] + of_others
            at = int(price.argmin())
            found.append(("unit", int(subs[at]) | low, v))
            x = int(others[at])
            c = 1 if c == 2 else (2 if self.meet[2, x, v] <= self.meet[3, x, v] else 3)
        return [*found, ("unit", x, v)]


def work_of(part: Part) -> float:
    """What one set of prices counts for, in the units of ``Effort``."""
    nodes, edges = len(part.nodes), len(part.edge)
    return 2.0**part.num_ends * (0.2 + (nodes + edges) / 5000) + 3.0**part.num_ends * nodes / 1.5e6


ROUNDS, ROUNDS_MORE = 12, 4
"""Prices tried, and where they begin with good ones."""
PATIENCE, SHORTER = 2, 0.6
"""Prices that may prove less than the best before steps become shorter, and by how much."""


def price_drop(part: Part, limit: float, allowance: Allowance, begin: np.ndarray | None = None) -> Priced:
    """
    The best prices of drop found, aimed at a bound near ``limit`` (where it is finite).

    ``begin``: prices that were good for a like part; then fewer are tried.

    Raises
    ------
    OutOfWork
        The allowance ended before the first tables were made.
    """
    climb = _Climb(part)
    lam = np.zeros(part.num_ends) if begin is None else begin
    best: Priced | None = None
    step, worse = 1.0, 0
    for _ in range(ROUNDS if begin is None else ROUNDS_MORE):
        allowance.spend(work_of(part))
        tables = Priced(part, lam, climb)
        if best is None or tables.bound > best.bound:
            best, worse = tables, 0
        else:
            worse += 1
            if worse >= PATIENCE:
                step, worse = step * SHORTER, 0
        if not math.isfinite(tables.bound) or best.bound >= limit:
            break
        over = tables.drops() - part.headroom_v
        over[(lam <= 0) & (over < 0)] = 0.0
        size = float((over * over).sum())
        if size < 1e-12:
            break
        aim = limit if math.isfinite(limit) and limit < 1.2 * best.bound else 1.03 * best.bound
        lam = np.maximum(lam + step * max(aim - tables.bound, 0.0) / size * over, 0.0)
    assert best is not None
    return best


__all__ = ["Priced", "price_drop", "work_of"]
