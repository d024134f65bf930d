"""How many drivers the circuits at a supply point need. In: circuits with loads. Out: which circuits share a driver.

Circuits that may share a driver (same supply point, model, tap and dim group, unless the model mixes them) are packed
into the fewest drivers: bins with a limit of load, of amps and of outlets. Exact for up to ``EXACT`` circuits by
depth-first search over decreasing loads with a counting bound; first-fit decreasing beyond.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

from .circuit import Fed
from .facts import Facts

EXACT = 10


def pack(loads: Sequence[tuple[float, float]], max_w: float, max_a: float, outlets: int) -> list[list[int]] | None:
    """
    Fewest groups of (load_w, amps), each within the limits and ``outlets`` members; None where one alone exceeds them.

    Examples
    --------
    >>> pack([(50, 4), (40, 3), (30, 2)], 80, 99, 2)
    [[0, 2], [1]]
    """
    if any(w > max_w or a > max_a for w, a in loads):
        return None
    order = sorted(range(len(loads)), key=lambda i: (-loads[i][0], i))
    first = _first_fit(order, loads, max_w, max_a, outlets)
    least = max(math.ceil(sum(w for w, _ in loads) / max_w - 1e-9), math.ceil(len(loads) / outlets))
    if len(first) <= least or len(loads) > EXACT:
        return first
    for count in range(least, len(first)):
        found = _fit_into(order, loads, max_w, max_a, outlets, count)
        if found is not None:
            return found
    return first


def _first_fit(
    order: Sequence[int], loads: Sequence[tuple[float, float]], max_w: float, max_a: float, outlets: int
) -> list[list[int]]:
    bins: list[list[int]] = []
    sums: list[tuple[float, float]] = []
    for i in order:
        w, a = loads[i]
        for b, (bw, ba) in enumerate(sums):
            if bw + w <= max_w and ba + a <= max_a and len(bins[b]) < outlets:
                bins[b].append(i)
                sums[b] = (bw + w, ba + a)
                break
        else:
            bins.append([i])
            sums.append((w, a))
    return bins


def _fit_into(
    order: Sequence[int], loads: Sequence[tuple[float, float]], max_w: float, max_a: float, outlets: int, count: int
) -> list[list[int]] | None:
    bins: list[list[int]] = [[] for _ in range(count)]
    sums = [(0.0, 0.0)] * count

    def place(at: int) -> bool:
        if at == len(order):
            return True
        w, a = loads[order[at]]
        tried: set[tuple[float, float, int]] = set()
        for b in range(count):
            bw, ba = sums[b]
            state = (bw, ba, len(bins[b]))
            if state in tried or len(bins[b]) >= outlets or bw + w > max_w or ba + a > max_a:
                continue
            tried.add(state)
            bins[b].append(order[at])
            sums[b] = (bw + w, ba + a)
            if place(at + 1):
                return True
            bins[b].pop()
            sums[b] = (bw, ba)
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
            key = (feed.model, -1.0 if feed.mixes_taps else feed.tap_v, feed.load_share)
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
            loads = tuple((circuits[i].load_w, circuits[i].amps) for i in members)
            known_as = (supply, circuits[members[0]].feed, loads)
            if known_as not in self._known:
                if len(self._known) > 100_000:
                    self._known.clear()
                max_w = feed.max_w * facts.supply_loading[supply]
                self._known[known_as] = pack(loads, max_w, feed.max_total_a, feed.outlets)
            bins = self._known[known_as]
            if bins is None:
                return None
            drivers.extend((supply, model, [members[i] for i in b]) for b in bins)
        return drivers
