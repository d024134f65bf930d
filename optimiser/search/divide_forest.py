"""Which lamps share a circuit and which circuits a driver, along given trenches. In: Bench, a forest. Out: circuits.

For more lamps than ``wire_forest`` looks at every set of. All trench is paid, whatever follows it.

1. Lamps are taken in the order of a walk round the tree, and that sequence is cut into drivers, each of them into
   circuits, at the least price by dynamic programming: each driver on whichever feed is cheapest, its hub counted
   (exact, but where one hub does not take the circuits that are cheapest by themselves).
2. Simulated annealing goes on from there: lamps change circuits, circuits are cut anew and change drivers, drivers
   change feeds or are given up. That is quick, for nothing is laid anew: a circuit's price hangs on its lamps alone.

Fewer drivers pay late: two must be emptied into others before the price of one is saved, which the moves of the whole
search, that lay ways anew at each step, seldom came to.
"""

from __future__ import annotations

import math
import random
from collections.abc import Callable, Sequence

from .circuit import Fed
from .facts import Facts
from .round_walk import round_walk
from .state import Bench, State
from .tree import Tree
from .wire_forest import along_tree, hub_price, kinds_of_feed, most_amps

Driver = tuple[int, tuple[int, ...]]
"""A feed, and the circuits on it as sets of lamps: bit i is the i-th lamp of the walk."""
Change = dict[int, Driver]
"""What becomes of drivers, by their place in the list; the place behind the last is a new one's."""

HOT, COLD = 0.16, 0.005
"""Temperatures at first and at last, as shares of what a layout's circuits and drivers cost for each lamp."""
MOVE_WORK = 0.05
RARER = 0.5
"""Lamps go mostly to a neighbour's circuit: rate at which those further along the walk are rarer."""
LEAST = 1e-9


def divide_forest(
    bench: Bench,
    rng: random.Random,
    tree: Tree,
    leads: dict[int, int],
    moves: int = 0,
    begun: State | None = None,
) -> list[Fed] | None:
    """
    Circuits along these trenches in the bench's palette; None where no cut of the walks holds all lamps.

    Parameters
    ----------
    tree, leads
        Node upstream of each node, as ``short_forest`` finds them, and the lead of each lamp.
    moves
        Steps of annealing; 0 for the cut of the walk alone.
    begun
        Circuits along the same trenches to go on from, where they are cheaper than the cut, or where that takes more
        drivers than a supply point does. Lamps that it misses stay so.
    """
    facts = bench.facts
    circuits: list[Fed] = []
    for supply in bench.supplies:
        of_kind: dict[tuple[str, frozenset[int]], list[int]] = {}
        for lamp in round_walk(bench, tree, leads, facts.roots[supply]):  # of other kinds: never on one circuit
            if begun is None or lamp not in begun.missing:
                of_kind.setdefault((facts.lamp_group[lamp], bench.lamp_feeds[lamp]), []).append(lamp)
        room = facts.supply_max_drivers[supply]
        if begun is not None:
            room = max(0, room - sum(at == supply for at, _, _ in begun.drivers))
        for walk in of_kind.values():
            division = _Division(bench, supply, tree, leads, walk)
            before = [] if begun is None else division.drivers_of(begun)
            drivers = division.cut_walk()
            worth = math.inf if drivers is None or len(drivers) > len(before) + room else division.price_of(drivers)
            if before and division.price_of(before) < worth:
                drivers = before
            if drivers is None:
                return None
            drivers = _anneal(division, drivers, rng, moves, len(before) + room)
            room = max(0, room + len(before) - len(drivers))
            circuits += division.circuits_of(drivers)
    return circuits


def needs_several_circuits(facts: Facts) -> bool:
    """
    Whether no circuit carries all lamps.

    Then which lamps share one hangs on the trenches, and these on that: where one circuit does, neither starts along
    short forests nor dividing on gained anything (gardens of 8 lamps of 7.5 W and of 12 of 5 W, courtyard; measured
    once, no command).
    """
    loading = max(facts.supply_loading)
    for f, feed in enumerate(facts.feeds):
        amps = sum(facts.lamp_amps(lamp, feed.out_v, facts.feed_ac[f]) for lamp in range(facts.num_lamps))
        if amps <= min(feed.max_a, feed.max_w * loading / feed.out_v):
            return False
    return True


class _Division:
    """One supply point's lamps of one dim group and the same feeds; circuits and drivers are priced once each."""

    def __init__(self, bench: Bench, supply: int, tree: Tree, leads: dict[int, int], walk: Sequence[int]) -> None:
        self.bench, self.supply, self.tree, self.leads, self.walk = bench, supply, tree, leads, list(walk)
        self.feeds: list[int] = []
        self.most_a: dict[int, float] = {}
        for kind in kinds_of_feed(bench, walk):
            for f in kind:
                self._allow(f)
        self._circuits: dict[tuple[int, int], Fed | None] = {}
        self._prices: dict[Driver, float] = {}

    def _allow(self, f: int) -> None:
        """Circuits may be put on this feed too."""
        if f not in self.most_a:
            self.feeds.append(f)
            self.most_a[f] = most_amps(self.bench, self.supply, f)

    def drivers_of(self, state: State) -> list[Driver]:
        """The drivers of these lamps in a layout."""
        place = {lamp: i for i, lamp in enumerate(self.walk)}
        found: list[Driver] = []
        for supply, _, members in state.drivers:
            mine = [fed for fed in (state.circuits[i] for i in members) if not place.keys().isdisjoint(fed.leads)]
            if supply == self.supply and mine:
                f = mine[0].feed
                self._allow(f)
                found.append((f, tuple(sum(1 << place[lamp] for lamp in fed.leads) for fed in mine)))
        return found

    def circuit(self, f: int, lamps: int) -> Fed | None:
        """The circuit of these lamps, a set of bits; None where it does not hold."""
        key = (f, lamps)
        if key not in self._circuits:
            mine = [self.walk[i] for i in bits(lamps)]
            self._circuits[key] = along_tree(self.bench, self.supply, f, self.tree, self.leads, mine)
        return self._circuits[key]

    def circuits_of(self, drivers: Sequence[Driver]) -> list[Fed]:
        """Their circuits that hold."""
        return [fed for f, those in drivers for x in those if (fed := self.circuit(f, x)) is not None]

    def price(self, driver: Driver) -> float:
        """A driver with its circuits and its hub; infinite where it does not hold them."""
        f, those = driver
        key = (f, tuple(sorted(those)))
        if key not in self._prices:
            self._prices[key] = self._worked_out(f, those) if those else 0.0
        return self._prices[key]

    def price_of(self, drivers: Sequence[Driver]) -> float:
        """All of them."""
        return sum(map(self.price, drivers))

    def _worked_out(self, f: int, those: Sequence[int]) -> float:
        circuits = self.circuits_of([(f, tuple(those))])
        if len(circuits) < len(those):
            return math.inf
        packed = self.bench.packing.share(circuits)
        if packed is None or len(packed) > 1:
            return math.inf
        of_hub = hub_price(self.bench, self.supply, f, len(those))
        return self.bench.facts.feeds[f].price + of_hub + sum(fed.price for fed in circuits)

    def is_packed_so(self, drivers: Sequence[Driver]) -> bool:
        """Whether a layout of these circuits has no more drivers: which share one is worked out anew by the layout."""
        packed = self.bench.packing.share(self.circuits_of(drivers))
        return packed is not None and len(packed) <= len(drivers)

    def cut_walk(self) -> list[Driver] | None:
        """The cheapest drivers each of which has lamps that follow each other, cut into circuits likewise."""
        count = len(self.walk)
        best: list[float] = [0.0] + [math.inf] * count
        last: list[tuple[int, Driver]] = [(0, (0, ()))] * (count + 1)
        for begin in range(count):
            if best[begin] == math.inf:
                continue
            for f in self.feeds:
                for driver in self._from(begin, f):
                    end = max(driver[1]).bit_length()
                    price = best[begin] + self.price(driver)
                    if price < best[end] - LEAST:
                        best[end], last[end] = price, (begin, driver)
        if best[count] == math.inf:
            return None
        drivers, at = [], count
        while at:
            at, driver = last[at]
            drivers.append(driver)
        return drivers

    def _from(self, begin: int, f: int) -> list[Driver]:
        """For each end and each number of circuits the cheapest ones that one driver on this feed may have."""
        drivers: list[Driver] = []
        layer: dict[int, tuple[float, float, tuple[int, ...]]] = {begin: (0.0, 0.0, ())}
        for _ in range(self.bench.facts.feeds[f].outlets):
            longer: dict[int, tuple[float, float, tuple[int, ...]]] = {}
            for at, (price, amps, cuts) in layer.items():
                for end in range(at + 1, len(self.walk) + 1):
                    lamps = (1 << end) - (1 << at)
                    fed = self.circuit(f, lamps)
                    if fed is None or amps + fed.amps > self.most_a[f]:
                        break
                    if end not in longer or price + fed.price < longer[end][0] - LEAST:
                        longer[end] = price + fed.price, amps + fed.amps, (*cuts, lamps)
            drivers += [(f, cuts) for _, _, cuts in longer.values()]
            layer = longer
        return drivers


def bits(lamps: int) -> list[int]:
    """
    Members of a set of bits, in order.

    Examples
    --------
    >>> bits(0b1101)
    [0, 2, 3]
    """
    return [i for i in range(lamps.bit_length()) if lamps >> i & 1]


def _anneal(division: _Division, drivers: list[Driver], rng: random.Random, moves: int, most: int) -> list[Driver]:
    """The cheapest drivers met on the way, never more than ``most``, or than there are."""
    most = max(most, len(drivers))
    current, prices = list(drivers), [division.price(driver) for driver in drivers]
    best, least = list(current), sum(prices)
    unit = least / max(1, len(division.walk))
    kinds, weights = list(_MOVES), list(_MOVES.values())
    for step in range(moves):
        if division.bench.effort.stopped:
            break
        division.bench.effort.spend(MOVE_WORK)
        heat = unit * HOT * (COLD / HOT) ** (step / moves)
        change = rng.choices(kinds, weights)[0](division, current, rng)
        if not change or max(change) >= most:
            continue
        new = {i: division.price(driver) for i, driver in change.items()}
        more = sum(new.values()) - sum(prices[i] for i in change if i < len(prices))
        if not (more <= 0 or rng.random() < math.exp(-more / heat)):
            continue
        current.append((0, ()))
        prices.append(0.0)
        for i, driver in change.items():
            current[i], prices[i] = driver, new[i]
        stay = [i for i, (_, those) in enumerate(current) if those]
        current, prices = [current[i] for i in stay], [prices[i] for i in stay]
        total = sum(prices)
        if total < least - LEAST and division.is_packed_so(current):
            best, least = list(current), total
    return best


def _some_circuit(current: Sequence[Driver], rng: random.Random) -> tuple[int, int]:
    """Places of a driver and of one of its circuits."""
    i = rng.randrange(len(current))
    return i, rng.randrange(len(current[i][1]))


def _with(driver: Driver, put: dict[int, int], *more: int) -> Driver:
    """The driver with some circuits replaced, and more; empty ones are none."""
    f, those = driver
    changed = [put.get(k, lamps) for k, lamps in enumerate(those)]
    return f, tuple(lamps for lamps in (*changed, *more) if lamps)


def _to_neighbour(division: _Division, current: list[Driver], rng: random.Random) -> Change:
    """A lamp to the circuit of a neighbour on the walk, or in exchange for that lamp."""
    i, k = _some_circuit(current, rng)
    lamps = current[i][1][k]
    lamp = rng.choice(bits(lamps))
    other = (lamp + rng.choice((-1, 1)) * (1 + int(rng.expovariate(RARER)))) % len(division.walk)
    if lamps >> other & 1:
        return {}
    j, m = next((j, m) for j, (_, those) in enumerate(current) for m, x in enumerate(those) if x >> other & 1)
    mine, its = lamps ^ 1 << lamp, current[j][1][m] | 1 << lamp
    if rng.random() < 0.4:
        mine, its = mine | 1 << other, its ^ 1 << other
    if i == j:
        return {i: _with(current[i], {k: mine, m: its})}
    return {i: _with(current[i], {k: mine}), j: _with(current[j], {m: its})}


def _cut_anew(division: _Division, current: list[Driver], rng: random.Random) -> Change:
    """Two circuits of a driver, or one alone, cut in two at another place, or joined."""
    i, k = _some_circuit(current, rng)
    m = rng.randrange(len(current[i][1]))
    inside = bits(current[i][1][k] | current[i][1][m])
    at = rng.randrange(len(inside))
    parts = [sum(1 << x for x in part) for part in (inside[:at], inside[at:])]
    return {i: _with(current[i], {k: 0, m: 0}, *parts)}


def _to_driver(division: _Division, current: list[Driver], rng: random.Random) -> Change:
    """A circuit to another driver, as it is or joined to a circuit there; or to a new one."""
    i, k = _some_circuit(current, rng)
    lamps = current[i][1][k]
    j = rng.randrange(len(current) + 1)
    if j == i:
        return {}
    rest = {i: _with(current[i], {k: 0})}
    if j == len(current):
        return {**rest, j: (rng.choice(division.feeds), (lamps,))}
    if rng.random() < 0.5:
        return {**rest, j: _with(current[j], {}, lamps)}
    m = rng.randrange(len(current[j][1]))
    return {**rest, j: _with(current[j], {m: current[j][1][m] | lamps})}


def _to_feed(division: _Division, current: list[Driver], rng: random.Random) -> Change:
    """A driver on another feed."""
    i = rng.randrange(len(current))
    return {i: (rng.choice(division.feeds), current[i][1])}


def _give_up(division: _Division, current: list[Driver], rng: random.Random) -> Change:
    """A driver's lamps, each to the circuit of the nearest other on the walk; drivers on whichever feed is cheapest."""
    if len(current) < 2:
        return {}
    gone = rng.randrange(len(current))
    of_lamp = {x: (i, k) for i, (_, those) in enumerate(current) for k, lamps in enumerate(those) for x in bits(lamps)}
    stay = [x for x, (i, _) in of_lamp.items() if i != gone]
    more: dict[int, dict[int, int]] = {}
    for lamp in (x for x, (i, _) in of_lamp.items() if i == gone):
        j, m = of_lamp[min(stay, key=lambda x: (abs(x - lamp), x))]
        mine = more.setdefault(j, {})
        mine[m] = mine.get(m, current[j][1][m]) | 1 << lamp
    change: Change = {gone: (current[gone][0], ())}
    for j, put in more.items():
        those = _with(current[j], put)[1]
        change[j] = min(((f, those) for f in division.feeds), key=division.price)
    return change


_MOVES: dict[Callable[[_Division, list[Driver], random.Random], Change], float] = {
    _to_neighbour: 0.5,
    _cut_anew: 0.2,
    _to_driver: 0.15,
    _to_feed: 0.08,
    _give_up: 0.07,
}
"""With how often each is tried."""


__all__ = ["divide_forest", "needs_several_circuits"]
