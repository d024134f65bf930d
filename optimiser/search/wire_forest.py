"""The cheapest circuits along given trenches, for few lamps. In: Bench, a forest, leads. Out: circuits, or None.

All trench is paid, whatever follows it: what is left is to choose which lamps hang on which circuit, and which circuits
on which driver. Every set of lamps that holds as one circuit along the trenches is priced in full, larger sets only
where all that lack a lamp hold; of these, dynamic programming over sets of lamps puts together the cheapest drivers,
and of those the cheapest layout. Exact in the bench's palette for up to ``MOST_LAMPS`` lamps on one tree, for circuits
that are trees on the trenches, and for the feeds tried.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np

from .circuit import Fed
from .oracle_relaxed import subsets_of
from .round_walk import round_walk
from .state import Bench
from .tree import Tree, prune

MOST_LAMPS = 12
"""Of one tree and dim group: tables grow threefold with each."""
MOST_SETS = 500
"""Sets of lamps that are priced on one feed, small ones first. Where more hold, few circuits do for all, and
``split_forest`` says which without looking at every set."""
MOST_FEEDS = 3
ROOM = 1.02
"""A hub feed for less current is tried where fewest drivers so loaded, times this, would do."""


def wire_forest(bench: Bench, tree: Tree, leads: dict[int, int]) -> tuple[list[Fed] | None, bool]:
    """
    The cheapest circuits along these trenches; None where there are too many lamps, or where none hold all.

    Also whether every set of lamps was looked at.

    Parameters
    ----------
    tree, leads
        Node upstream of each node, as ``short_forest`` finds them, and the lead of each lamp.
    """
    facts = bench.facts
    circuits: list[Fed] = []
    every = True
    for supply in bench.supplies:
        of_group: dict[str, list[int]] = {}
        for lamp in round_walk(bench, tree, leads, facts.roots[supply]):
            of_group.setdefault(facts.lamp_group[lamp], []).append(lamp)
        for lamps in of_group.values():
            if len(lamps) > MOST_LAMPS:
                return None, False
            wiring = _Wiring(bench, supply, tree, {lamp: leads[lamp] for lamp in lamps})
            found = wiring.cheapest(feeds_for(bench, supply, lamps))
            every &= wiring.every
            if found is None:
                return None, every
            circuits += found
    return circuits, every


def feeds_for(bench: Bench, supply: int, lamps: Sequence[int]) -> list[int]:
    """Feeds to try; of hub feeds those two of each kind for least current of which fewest drivers do."""
    facts = bench.facts
    chosen = []
    for mine in kinds_of_feed(bench, lamps):
        amps = ROOM * sum(facts.lamp_amps(i, facts.feeds[mine[0]].out_v, facts.feed_ac[mine[0]]) for i in lamps)
        most = {f: most_amps(bench, supply, f) for f in mine}
        fewest = math.ceil(amps / max(most.values()) - 1e-9)
        enough = [f for f in mine if amps <= fewest * most[f]]
        chosen += sorted(enough, key=lambda f: (facts.feeds[f].hub_a, f))[:2]
    return chosen


def kinds_of_feed(bench: Bench, lamps: Sequence[int]) -> list[list[int]]:
    """
    Feeds of one model at one tap that may serve all these lamps: those to try.

    Models that are cheapest by the watt, and the cheapest one; each at its highest tap, which asks for least copper.
    """
    facts = bench.facts
    of_kind: dict[int, dict[float, list[int]]] = {}
    for f in sorted(frozenset.intersection(*(bench.lamp_feeds[i] for i in lamps))):
        feed = facts.feeds[f]
        of_kind.setdefault(feed.model, {}).setdefault(feed.tap_v, []).append(f)
    kinds = [taps[max(taps)] for taps in of_kind.values()]
    by_watt = sorted(kinds, key=lambda mine: facts.feeds[mine[0]].price / facts.feeds[mine[0]].max_w)
    cheapest = min(kinds, key=lambda mine: facts.feeds[mine[0]].price, default=[])
    return by_watt[:MOST_FEEDS] if cheapest in by_watt[:MOST_FEEDS] else [*by_watt[: MOST_FEEDS - 1], cheapest]


def most_amps(bench: Bench, supply: int, f: int) -> float:
    """Most that the circuits of one driver draw together, in A."""
    facts, feed = bench.facts, bench.facts.feeds[f]
    most = min(feed.max_total_a, feed.max_w * facts.supply_loading[supply] / feed.out_v)
    circuits_a = (feed.outlets - feed.hub) * feed.max_a
    return min(most, circuits_a + min(feed.hub_a, feed.max_a) if feed.hub else circuits_a)


def along_tree(
    bench: Bench, supply: int, f: int, tree: Tree, leads: dict[int, int], lamps: Iterable[int]
) -> Fed | None:
    """The circuit of these lamps along the tree; None where it does not hold."""
    mine = {lamp: leads[lamp] for lamp in sorted(lamps)}
    nodes = sorted(bench.facts.lead_node[arc] for arc in mine.values())
    return bench.feed(supply, f, prune(tree, nodes), mine)


def hub_price(bench: Bench, supply: int, f: int, count: int) -> float:
    """What a hub beside a driver on this feed costs for so many circuits, but for the fuses that it spares."""
    feed = bench.facts.feeds[f]
    cables = count - (feed.outlets - feed.hub)
    return bench.hub_price(supply, cables) if feed.hub and cables >= 2 else 0.0


@dataclass(frozen=True)
class _Drivers:
    """The cheapest driver for each set of lamps on one feed: its price, the circuits on it."""

    price: np.ndarray
    fed: dict[int, Fed]
    chosen: list[np.ndarray]
    """By number of circuits, the first of them for each set."""
    count: np.ndarray


class _Wiring:
    def __init__(self, bench: Bench, supply: int, tree: Tree, leads: dict[int, int]) -> None:
        self.bench, self.supply, self.tree, self.leads = bench, supply, tree, leads
        self.lamps = sorted(leads)
        self.size = 1 << len(self.lamps)
        self.everything = self.size - 1
        self.every = True
        """Whether every set of lamps that holds was priced."""
        self.top = [self._top(node) for node in (bench.facts.lead_node[leads[i]] for i in self.lamps)]

    def _top(self, node: int) -> int:
        """The node right below the root on the way to a node."""
        while self.tree.get(node, -1) in self.tree:
            node = self.tree[node]
        return node

    def cheapest(self, feeds: Sequence[int]) -> list[Fed] | None:
        """The cheapest circuits with their drivers, each driver on one of these feeds; None where none hold all."""
        if not feeds:
            return None
        kinds = [self._drivers(f) for f in feeds]
        price = np.min([kind.price for kind in kinds], axis=0)
        which = np.argmin([kind.price for kind in kinds], axis=0)
        best = self._nothing()
        first = self._parted(price, best, best, range(1, self.size))
        if not math.isfinite(best[-1]):
            return None
        circuits: list[Fed] = []
        x = self.everything
        while x:
            driver = int(first[x])
            x ^= driver
            kind = kinds[int(which[driver])]
            count = int(kind.count[driver])
            while driver:
                mine = int(kind.chosen[count][driver])
                circuits.append(kind.fed[mine])
                driver ^= mine
                count -= 1
        return circuits

    def _parted(self, price: np.ndarray, rest: np.ndarray, least: np.ndarray, sets: Iterable[int]) -> np.ndarray:
        """
        For each of these sets the part that holds its first lamp, at the least ``price`` of it and of the ``rest``.

        ``least`` is told that sum; it may be ``rest``, since a set comes behind those within it.
        """
        first = np.zeros(self.size, dtype=np.int64)
        for x in sets:
            low = x & -x
            mine = subsets_of(x ^ low) | low
            sums = price[mine] + rest[x ^ mine]
            at = int(sums.argmin())
            least[x], first[x] = sums[at], mine[at]
        return first

    def _nothing(self) -> np.ndarray:
        """(sets,) prices before anything is priced: of no lamps nothing."""
        price = np.full(self.size, math.inf)
        price[0] = 0.0
        return price

    def _priced(self, f: int) -> dict[int, Fed]:
        """The sets of lamps that hold as one circuit, as many as may be priced."""
        bench = self.bench
        joined = bench.facts.feeds[f].terminal_cables == 1
        found: dict[int, Fed] = {}
        latest: list[int] = [0]
        while latest:
            larger = []
            for x in latest:
                top = next((self.top[i] for i in range(len(self.lamps)) if x >> i & 1), -1)
                for i in range(x.bit_length(), len(self.lamps)):
                    if joined and x and self.top[i] != top:
                        continue
                    y = x | 1 << i
                    if x and not all(y ^ (1 << k) in found for k in range(i) if x >> k & 1):
                        continue
                    mine = [self.lamps[k] for k in range(i + 1) if y >> k & 1]
                    fed = along_tree(bench, self.supply, f, self.tree, self.leads, mine)
                    if fed is not None:
                        found[y] = fed
                        larger.append(y)
                        if len(found) >= MOST_SETS:
                            self.every = False
                            return found
            latest = larger
        return found

    def _drivers(self, f: int) -> _Drivers:
        bench, facts, feed = self.bench, self.bench.facts, self.bench.facts.feeds[f]
        fed = self._priced(f)
        bench.effort.spend(3.0 ** len(self.lamps) / 1e4)
        price = np.full(self.size, math.inf)
        price[list(fed)] = [one.price for one in fed.values()]
        lamp_a = [facts.lamp_amps(i, feed.out_v, facts.feed_ac[f]) for i in self.lamps]
        amps = np.zeros(self.size)
        for i, each in enumerate(lamp_a):
            amps[1 << i : 2 << i] = amps[: 1 << i] + each
        may = np.flatnonzero(amps <= most_amps(bench, self.supply, f))[1:].tolist()  # but the empty set
        layers, chosen = [self._nothing()], [np.zeros(self.size, dtype=np.int64)]
        least, count = np.full(self.size, math.inf), np.zeros(self.size, dtype=np.int64)
        for k in range(1, min(feed.outlets, len(self.lamps)) + 1):
            layer = np.full(self.size, math.inf)
            first = self._parted(price, layers[-1], layer, may)
            layers.append(layer)
            chosen.append(first)
            total = layer + feed.price + hub_price(bench, self.supply, f, k)
            better = total < least
            least[better], count[better] = total[better], k
        return _Drivers(least, fed, chosen, count)


__all__ = ["MOST_LAMPS", "wire_forest"]
