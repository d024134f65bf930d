"""How many drivers the circuits at a supply point need. In: circuits with loads. Out: which circuits share a driver.

Circuits that may share a driver (same supply point, model, tap and dim group, unless the model mixes them) are packed
into the fewest drivers: bins with limits of load, of amps, of what starts and of outlets. Exact for up to ``EXACT``
circuits by depth-first search over decreasing loads with a counting bound; first-fit decreasing beyond.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

from .circuit import Fed
from .facts import Facts

EXACT = 10


Load = tuple[float, ...]
"""What one circuit takes of each thing that a driver has only so much of: watts, amps, inrush, capacitance."""


def pack(loads: Sequence[Load], most: Load, outlets: int) -> list[list[int]] | None:
    """
    Fewest groups of loads whose sums are within ``most``, of ``outlets`` members; None where one alone exceeds it.

    Examples
    --------
    >>> pack([(50, 4), (40, 3), (30, 2)], (80, 99), 2)
    [[0, 2], [1]]
    """
    if not all(_within(load, most) for load in loads):
        return None
    order = sorted(range(len(loads)), key=lambda i: (-loads[i][0], i))
    first = _first_fit(order, loads, most, outlets)
    least = max(math.ceil(sum(load[0] for load in loads) / most[0] - 1e-9), math.ceil(len(loads) / outlets))
    if len(first) <= least or len(loads) > EXACT:
        return first
    for count in range(least, len(first)):
        found = _fit_into(order, loads, most, outlets, count)
        if found is not None:
            return found
    return first


def _within(load: Load, most: Load) -> bool:
    return all(one <= limit for one, limit in zip(load, most, strict=True))


def _with(one: Load, other: Load) -> Load:
    return tuple(a + b for a, b in zip(one, other, strict=True))


def _first_fit(order: Sequence[int], loads: Sequence[Load], most: Load, outlets: int) -> list[list[int]]:
    bins: list[list[int]] = []
    sums: list[Load] = []
    for i in order:
        for b, held in enumerate(sums):
            if len(bins[b]) < outlets and _within(_with(held, loads[i]), most):
                bins[b].append(i)
                sums[b] = _with(held, loads[i])
                break
        else:
            bins.append([i])
            sums.append(loads[i])
    return bins


def _fit_into(
    order: Sequence[int], loads: Sequence[Load], most: Load, outlets: int, count: int
) -> list[list[int]] | None:
    bins: list[list[int]] = [[] for _ in range(count)]
    sums: list[Load] = [(0.0,) * len(most)] * count

    def place(at: int) -> bool:
        if at == len(order):
            return True
        tried: set[tuple[Load, int]] = set()
        for b in range(count):
            held = sums[b]
            more = _with(held, loads[order[at]])
            state = (held, len(bins[b]))
            if state in tried or len(bins[b]) >= outlets or not _within(more, most):
                continue
            tried.add(state)
            bins[b].append(order[at])
            sums[b] = more
            if place(at + 1):
                return True
            bins[b].pop()
            sums[b] = held
        return False

    return [b for b in bins if b] if place(0) else None


class Drivers:
    """Packs the circuits of a layout into drivers; remembers what it packed before."""

    def __init__(self, facts: Facts) -> None:
        self._facts = facts
        self._known: dict[tuple[object, ...], list[list[int]] | None] = {}
        alike: dict[tuple[object, ...], int] = {}
        self._kinds: list[tuple[int, bool]] = []
        """For each feed a number that those share which may share a driver, and whether dim groups may not."""
        for feed in facts.feeds:
            key = (feed.model, -1.0 if feed.mixes_taps else feed.tap_v, feed.load_share, feed.hub_a)
            self._kinds.append((alike.setdefault(key, len(alike)), not feed.mixes_groups))
        self._group = {name: i for i, name in enumerate(sorted(set(facts.lamp_group)))}

    def share(self, circuits: Sequence[Fed]) -> list[tuple[int, int, list[int]]] | None:
        """Drivers as (supply, model, circuit indices); None where a circuit fits no driver."""
        facts, kinds = self._facts, self._kinds
        groups: dict[tuple[int, int, int], list[int]] = {}
        for i, fed in enumerate(circuits):
            alike, dims = kinds[fed.feed]
            key = (fed.supply, alike, self._group[fed.group] if dims else 0)
            if key in groups:
                groups[key].append(i)
            else:
                groups[key] = [i]
        drivers: list[tuple[int, int, list[int]]] = []
        for (supply, *_), members in groups.items():
            model = facts.feeds[circuits[members[0]].feed].model
            if len(members) == 1:  # a circuit is never larger than its driver
                drivers.append((supply, model, members))
                continue
            feed = facts.feeds[circuits[members[0]].feed]
            loads = tuple((circuits[i].load_w, circuits[i].amps, *circuits[i].start) for i in members)
            known_as = (supply, circuits[members[0]].feed, loads)
            if known_as not in self._known:
                if len(self._known) > 100_000:
                    self._known.clear()
                max_w = feed.max_w * facts.supply_loading[supply]
                total_a = feed.max_total_a
                if feed.hub:
                    total_a = min(total_a, (feed.outlets - feed.hub) * feed.max_a + feed.hub_a)
                most = (max_w, total_a, *feed.max_start)
                self._known[known_as] = pack(loads, most, feed.outlets)
            bins = self._known[known_as]
            if bins is None:
                return None
            if feed.hub and any(self.outlets([circuits[members[i]] for i in b]) is None for b in bins):
                return None
            drivers.extend((supply, model, [members[i] for i in b]) for b in bins)
        return drivers

    def outlets(self, circuits: Sequence[Fed]) -> list[list[int]] | None:
        """
        Which of a driver's circuits share an outlet: all but the smallest have one each, these the last one's hub.

        None where they ask too much of the hub, or would have two joints of one circuit at the same node.
        """
        feed = self._facts.feeds[circuits[0].feed]
        own = len(circuits) if len(circuits) <= feed.outlets - feed.hub + 1 else feed.outlets - feed.hub
        order = sorted(range(len(circuits)), key=lambda i: (-circuits[i].amps, i))
        found, rest = [[i] for i in order[:own]], order[own:]
        if not rest:
            return found
        if sum(circuits[i].amps for i in rest) > min(feed.hub_a, feed.max_a):
            return None
        joints: set[int] = set()
        for i in rest:
            mine = {walk[-1] for _, walk in circuits[i].pieces}
            if not joints.isdisjoint(mine) or circuits[i].fuse_a != circuits[rest[0]].fuse_a:
                return None
            joints |= mine
        return [*found, sorted(rest)]
