"""All that a part can be, from its ends up to its root, as labels. In: Part, tables, runs. Out: Solution list.

A label stands for one way to serve a set of ends from a node: its price, the drop it needs there, the fault resistance
it needs there. Sets grow: units (a lead, or the end of a cable) meet at a node, the joint is paid and closed
with a gauge for the cable upwards, and a run of that gauge makes it a unit at the next joint. The current of a set is
known, so the drop of a piece is too. A label is dropped if another at the same place is no worse in every
respect, or if its price and the least that its completion costs exceed the limit: without drop (``oracle_relaxed``),
or with drop paid for (``oracle_priced``), where a label carries its price with what its own drops cost so far. That
price need not agree between a label and the one it is dropped for: whatever completes it completes the other too, at
no more, and no completion that holds costs less than either bound says.

A gauge changes in a joint only, also in a joint of two cables. Two cables of the part that lie in one trench pay for
it twice here: the space is that of layouts in which they do not (``oracle`` says what that means for proofs).
"""

from __future__ import annotations

import math
import sys
from dataclasses import dataclass
from typing import Any

import numpy as np

from .effort import Allowance
from .oracle_part import Part
from .oracle_priced import Priced
from .oracle_relaxed import Relaxed
from .oracle_runs import Runs

Back = tuple[Any, ...]
Label = tuple[float, float, float, int, float, float, Back, float]
"""price, drop needed, fault resistance needed, ways, thinnest and thickest size, how it was made, price with drop."""


@dataclass(frozen=True)
class Laid:
    """One piece of a solution: gauge (position in ``part.cables``), own nodes from above, index of the piece above."""

    gauge: int
    walk: tuple[int, ...]
    above: int


@dataclass(frozen=True)
class Solution:
    """One undominated way to build the whole part; ``place[i]`` is the place chosen for end i."""

    price: float
    drop_v: float
    pieces: tuple[Laid, ...]
    place: tuple[int, ...]
    at_piece: tuple[int, ...]
    """Piece whose far joint holds each end; -1: the root's own joint."""


class _Search:
    def __init__(
        self, part: Part, relaxed: Relaxed, runs: Runs, limit: float, allowance: Allowance, priced: Priced | None
    ) -> None:
        self.part, self.relaxed, self.runs, self.priced = part, relaxed, runs, priced
        self.limit = min(limit + 1e-7, sys.float_info.max)  # infinite completions stay above any limit
        self.allowance = allowance
        self.gauges = len(part.cables)
        facts = part.facts
        self.area = [facts.cables[k].area_mm2 for k in part.cables]
        end = part.thin_m / facts.slack
        self.end = end * facts.joint_end_m
        self.root_end = end * part.root_end_m
        least = min(facts.slack * min(facts.cables[k].hot_ohm, facts.cables[k].sun_ohm) for k in part.cables)
        self.ahead_ohm = relaxed.to_root_m * least
        self.own_bit = [1 << p if p >= 0 else 0 for p in part.post_of.tolist()]
        self.faults = part.fault_headroom_ohm < math.inf
        self.units: list[dict[int, list[Label]]] = [{} for _ in range(relaxed.root_bit)]
        self.contents: list[dict[int, list[Label]]] = [{} for _ in range(relaxed.root_bit)]

    def run(self) -> list[Solution]:
        part = self.part
        amps = [0.0] * self.relaxed.root_bit
        for s in range(1, self.relaxed.root_bit):
            low = s & -s
            amps[s] = amps[s ^ low] + part.amps[low.bit_length() - 1]
            self._serve(s, amps[s])
        return self._solutions()

    def _serve(self, s: int, amps: float) -> None:
        met = self._gather(s)
        singles = self._singles(s)
        closing: dict[int, list[Label]] = {j: list(labels) for j, labels in met.items()}
        for j, labels in singles.items():
            closing.setdefault(j, []).extend(labels)
        units = {j: list(labels) for j, labels in singles.items()}
        fresh = self._extend(s, amps, self._close(s, closing, change=False))
        for _ in range(self.gauges):
            for j, labels in fresh.items():
                units.setdefault(j, []).extend(labels)
            if self.gauges == 1 or not fresh:
                break
            fresh = self._extend(s, amps, self._close(s, fresh, change=True))
        self.units[s] = {j: _undominated(labels) for j, labels in units.items()}
        contents = {j: list(labels) for j, labels in self.units[s].items()}
        for j, labels in met.items():
            contents.setdefault(j, []).extend(labels)
        self.contents[s] = {j: _undominated(labels) for j, labels in contents.items()}

    def _singles(self, s: int) -> dict[int, list[Label]]:
        """Leads, and what hangs below, where the set is one end."""
        if s & (s - 1):
            return {}
        part = self.part
        end = s.bit_length() - 1
        found: dict[int, list[Label]] = {}
        for i, p in enumerate(part.places[end]):
            if p.need_v <= part.headroom_v and p.fault_ohm <= part.fault_headroom_ohm:
                thin, thick = (p.thin_mm2, p.thick_mm2) if part.sizes_matter else (0.0, 0.0)
                need_v = max(p.need_v, 0.0)
                weighed = p.price if self.priced is None else p.price + float(self.priced.lam[end]) * need_v
                label: Label = (p.price, need_v, p.fault_ohm, p.ways, thin, thick, (0, end, i), weighed)
                found.setdefault(p.node, []).append(label)
        return found

    def _gather(self, s: int) -> dict[int, list[Label]]:
        """Unions of two or more units at each node."""
        part = self.part
        low = s & -s
        rest = s ^ low
        if not rest:
            return {}
        most_ways = part.facts.max_ways - 1
        completion = self.relaxed.meet[self.relaxed.full ^ s]
        caps = [self.limit - c if c < math.inf else -math.inf for c in completion.tolist()]
        weighed_caps = self._weighed_caps(None if self.priced is None else self.priced.left_meet[s]).tolist()
        met: dict[int, list[Label]] = {}
        tried = 0
        units, contents, root = self.units, self.contents, part.root
        sub = (rest - 1) & rest
        while True:
            first, other = units[low | sub], contents[rest ^ sub]
            if first and other:
                for j in first.keys() & other.keys():
                    cap, weighed_cap = caps[j], weighed_caps[j]
                    if j == root or cap < 0:
                        continue
                    post = bool(self.own_bit[j])
                    kit = part.kit_of_ways
                    bs = other[j]
                    out = met.setdefault(j, [])
                    for a in first[j]:
                        if a[0] + bs[0][0] > cap:
                            break
                        for b in bs:
                            tried += 1
                            price = a[0] + b[0]
                            if price > cap:
                                break
                            ways = a[3] + b[3]
                            weighed = a[7] + b[7]
                            if post:
                                if ways > 2 or weighed > weighed_cap:
                                    continue
                            elif (
                                ways > most_ways or price + kit[ways + 1] > cap or weighed + kit[ways + 1] > weighed_cap
                            ):
                                continue
                            out.append(
                                (
                                    price,
                                    a[1] if a[1] > b[1] else b[1],
                                    a[2] if a[2] > b[2] else b[2],
                                    ways,
                                    a[4] if a[4] < b[4] else b[4],
                                    a[5] if a[5] > b[5] else b[5],
                                    (2, a[6], b[6]),
                                    weighed,
                                )
                            )
            if sub == 0:
                break
            sub = (sub - 1) & rest
        self.allowance.spend(0.05 + 0.002 * tried)
        return {j: _undominated(labels) for j, labels in met.items() if labels}

    def _weighed_caps(self, left: np.ndarray | None) -> np.ndarray:
        """(n,) most that a label's price with drop may be where so much is left; infinite where drop has no price."""
        if left is None:
            return np.full(len(self.part.nodes), math.inf)
        return self.limit - left

    def _close(self, s: int, closing: dict[int, list[Label]], *, change: bool) -> list[tuple[int, int, Label]]:
        """(node, gauge upwards, label with its joint paid); with ``change`` only joints of two gauges of cable."""
        part = self.part
        completion = self.relaxed.cable[self.relaxed.full ^ s]
        closed: list[tuple[int, int, Label]] = []
        priced = self.priced
        weighed_caps = self._weighed_caps(
            None if priced is None else priced.left_cable[s] + priced.joint_end(s)
        ).tolist()
        for j in sorted(closing):
            if j == part.root:
                continue
            post = self.own_bit[j]
            if (change or not s & post) if post else not part.may_joint[j]:
                continue
            cap = self.limit - float(completion[j]) - self.end
            weighed_cap = weighed_caps[j]
            for g in range(self.gauges):
                area = self.area[g]
                mine: list[Label] = []
                for label in closing[j]:
                    if label[0] > cap or label[7] > weighed_cap:
                        continue
                    if change and self.runs.gauge[label[6][1]] == g:
                        continue
                    if post:
                        kit = 0.0
                        if label[3] > 2:
                            continue
                    elif part.sizes_matter:
                        thin, thick = label[4] or area, label[5]
                        kit = part.joint_price(label[3] + 1, min(thin, area), max(thick, area))
                    else:
                        kit = part.joint_price(label[3] + 1, 0, 0)
                    if label[0] + kit <= cap and label[7] + kit <= weighed_cap:
                        mine.append((label[0] + kit, label[1], label[2], 1, 0.0, 0.0, label[6], label[7] + kit))
                closed.extend((j, g, label) for label in _undominated(mine))
        return closed

    def _extend(self, s: int, amps: float, closed: list[tuple[int, int, Label]]) -> dict[int, list[Label]]:
        """Lay every run of the gauge from every closed joint; what is left are units at the upper ends."""
        if not closed:
            return {}
        part, runs = self.part, self.runs
        key = np.array([j * self.gauges + g for j, g, _ in closed])
        start = runs.first[key]
        count = runs.first[key + 1] - start
        total = int(count.sum())
        self.allowance.spend(0.1 + 0.0004 * total)
        if total == 0:
            return {}
        of = np.repeat(np.arange(len(closed)), count)
        run = np.arange(total) - np.repeat(np.cumsum(count) - count, count) + start[of]
        price = np.array([label[0] for _, _, label in closed])[of] + runs.price[run]
        drop = np.array([label[1] for _, _, label in closed])[of] + amps * runs.ohm[run]
        fault = np.array([label[2] for _, _, label in closed])[of] + runs.fault_ohm[run]
        upper = runs.upper[run]
        others = self.relaxed.full ^ s
        left = self.relaxed.joint[others] - self.end
        left[part.root] = self.relaxed.root_joint[others] - self.root_end
        ok = price + left[upper] <= self.limit
        weighed = np.array([label[7] for _, _, label in closed])[of] + runs.price[run]
        if self.priced is not None:
            weighed += self.priced.ohm_price[s] * runs.ohm[run]
            ok &= weighed + self.priced.left_unit[s][upper] <= self.limit
        ok &= drop + amps * self.ahead_ohm[upper] <= part.headroom_v + 1e-9
        ok &= runs.rating_a[run] >= amps - 1e-9
        if self.faults:
            ok &= fault <= part.fault_headroom_ohm
        at = np.flatnonzero(ok)
        if len(at) == 0:
            return {}
        group = upper[at] * self.gauges + (runs.gauge[run[at]] if part.sizes_matter or self.gauges > 1 else 0)
        order = np.lexsort((drop[at], price[at], group))
        at, group = at[order], group[order]
        if not self.faults:
            # Within a group by price: keep what needs less drop than all before. Shifts between groups reset the least.
            apart = drop[at] - group * (4 * part.headroom_v + 1)
            least = np.minimum.accumulate(apart)
            keep = np.ones(len(at), dtype=bool)
            keep[1:] = apart[1:] < least[:-1] - 1e-12
            at = at[keep]
        found: dict[int, list[Label]] = {}
        area = self.area
        sizes = part.sizes_matter
        for i in at.tolist():
            r = int(run[i])
            size = area[runs.gauge[r]] if sizes else 0.0
            below = closed[of[i]][2][6]
            back: Back = (1, r, below)
            label: Label = (float(price[i]), float(drop[i]), float(fault[i]), 1, size, size, back, float(weighed[i]))
            found.setdefault(int(upper[i]), []).append(label)
        return {u: _undominated(labels, by_gauge=runs.gauge) for u, labels in found.items()}

    def _solutions(self) -> list[Solution]:
        """Everything gathered at the root, cheapest first."""
        part = self.part
        most = len(part.root_price) - 1
        everything = self.relaxed.root_bit - 1
        if most == 1:
            final = [
                (label[0] + part.root_price[1], label[1], label[2], label[6]) for label in self._at_root(everything)
            ]
        else:
            final = self._root_unions(most, everything)
        final.sort(key=lambda label: (label[0], label[1]))
        kept: list[tuple[float, float, float, Back]] = []
        for label in final:
            if label[0] <= self.limit and not any(k[1] <= label[1] + 1e-12 and k[2] <= label[2] + 1e-12 for k in kept):
                kept.append(label)
        return [self._rebuilt(*label) for label in kept]

    def _at_root(self, s: int) -> list[Label]:
        return self.units[s].get(self.part.root, [])

    def _root_unions(self, most: int, everything: int) -> list[tuple[float, float, float, Back]]:
        part = self.part
        # unions[s]: (price, drop, fault, cables, back)
        unions: list[list[tuple[float, float, float, int, Back]]] = [[] for _ in range(everything + 1)]
        for s in range(1, everything + 1):
            low = s & -s
            rest = s ^ low
            found = [(u[0], u[1], u[2], u[3], u[6]) for u in self._at_root(s) if u[3] <= most]
            sub = (rest - 1) & rest
            while rest:
                for a in self._at_root(low | sub):
                    for b in unions[rest ^ sub]:
                        if a[3] + b[3] <= most and a[0] + b[0] <= self.limit:
                            back: Back = (2, a[6], b[4])
                            found.append((a[0] + b[0], max(a[1], b[1]), max(a[2], b[2]), a[3] + b[3], back))
                if sub == 0:
                    break
                sub = (sub - 1) & rest
            found.sort(key=lambda f: (f[0], f[1]))
            for f in found:
                if not any(k[1] <= f[1] and k[2] <= f[2] and k[3] <= f[3] for k in unions[s]):
                    unions[s].append(f)
        return [(u[0] + part.root_price[u[3]], u[1], u[2], u[4]) for u in unions[everything]]

    def _rebuilt(self, price: float, drop: float, _fault: float, back: Back) -> Solution:
        part, runs = self.part, self.runs
        pieces: list[Laid] = []
        place = [-1] * part.num_ends
        at_piece = [-1] * part.num_ends
        stack: list[tuple[Back, int]] = [(back, -1)]
        while stack:
            made, above = stack.pop()
            if made[0] == 0:
                place[made[1]] = made[2]
                at_piece[made[1]] = above
            elif made[0] == 1:
                r: int = made[1]
                pieces.append(Laid(int(runs.gauge[r]), runs.walks[int(runs.walk[r])], above))
                stack.append((made[2], len(pieces) - 1))
            else:
                stack.append((made[2], above))
                stack.append((made[1], above))
        return Solution(price, drop, tuple(pieces), tuple(place), tuple(at_piece))


def _undominated(labels: list[Label], by_gauge: np.ndarray | None = None) -> list[Label]:
    """Labels that no other is better than or equal to in all respects, by price; apart by gauge if that is given."""
    if len(labels) < 2:
        return labels
    labels = sorted(labels, key=lambda x: (x[0], x[1], x[2]))
    kept: list[Label] = []
    for x in labels:
        drop, fault, ways, thin, thick = x[1] + 1e-12, x[2] + 1e-12, x[3], x[4], x[5]
        for k in kept:
            if k[1] <= drop and k[2] <= fault and k[3] <= ways and k[4] == thin and k[5] == thick:
                if by_gauge is not None and by_gauge[k[6][1]] != by_gauge[x[6][1]]:
                    continue
                break
        else:
            kept.append(x)
    return kept


def solve_part(
    part: Part,
    relaxed: Relaxed,
    runs: Runs,
    limit: float,
    allowance: Allowance,
    priced: Priced | None = None,
) -> list[Solution]:
    """
    Every undominated way to build the part at no more than ``limit``, cheapest first.

    ``priced``, completed: what the rest costs at the least with drop paid for, which leaves fewer labels.

    Raises
    ------
    OutOfWork
        The allowance ended first; nothing is proven then.
    """
    return _Search(part, relaxed, runs, limit, allowance, priced).run()
