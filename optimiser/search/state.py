"""A whole layout while it is being searched: circuits, what is dug, what it all costs. In: Fed circuits. Out: State.

A state is a value: moves make new ones. Costs are sums over drawn edges, so that a trench shared by several circuits is
counted once. Too few drivers, where a number is asked for, and supply points' limits are penalties here and hard when a
layout is published.
"""

from __future__ import annotations

import math
import random
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np

from .circuit import Fed, feed_circuit, key_of
from .drivers import Drivers
from .effort import Effort
from .facts import LEAST_HUB_M, Facts
from .span_prices import SpanPrices
from .tree import Tree
from .ways import Ways

UNDUG_SHARE = 0.05
"""Most of the graph's length that may have a trench price in a job in which cable is laid, not dug in."""


@dataclass(frozen=True, eq=False)
class State:
    """Circuits that feed all lamps but those in ``missing``."""

    circuits: tuple[Fed, ...]
    use: np.ndarray
    """(m,) cables in each edge."""
    drivers: tuple[tuple[int, int, tuple[int, ...]], ...]
    """(supply, model, circuit indices)."""
    price: float
    penalty: float
    missing: frozenset[int] = frozenset()

    @property
    def cost(self) -> float:
        """What the search minimises."""
        return self.price + self.penalty

    def has_hubs(self, facts: Facts) -> bool:
        """Whether any of its circuits is thought of as a cable of a hub beside a driver."""
        return any(facts.feeds[fed.feed].hub for fed in self.circuits)

    @property
    def is_whole(self) -> bool:
        """Whether it may be published: every lamp fed and no limit left to a penalty."""
        return not self.missing and self.penalty == 0


def lay(use: np.ndarray, fed: Fed, times: int) -> None:
    """Add a circuit's cables to the counts ``use`` (m,) of cables in each edge; -1 takes them away."""
    np.add.at(use, fed.edge_array, times)  # cables of one circuit may lie side by side


class Bench:
    """What the moves work with: look-ups, shortest ways, priced circuits, packed drivers, and the counted effort."""

    def __init__(
        self,
        facts: Facts,
        effort: Effort,
        num_drivers: int | None = None,
        supplies: tuple[int, ...] | None = None,
        model: int | None = None,
        *,
        keeps_max_drivers: bool = False,
        hubs: bool = False,
    ) -> None:
        self.facts = facts
        self.effort = effort
        self.num_drivers = num_drivers
        self.keeps_max_drivers = keeps_max_drivers
        """Whether more drivers than a supply point takes are no state at all, or one with a penalty."""
        self.supplies = tuple(range(len(facts.supply_price))) if supplies is None else supplies
        """Supply points at which circuits may start."""
        with_hub = {feed.model for feed in facts.feeds if feed.hub} if hubs else set()
        self.feeds = tuple(
            f
            for f, feed in enumerate(facts.feeds)
            if (model is None or feed.model == model) and (feed.hub > 0) == (feed.model in with_hub)
        )
        """Feeds that circuits may be put on: all, or those of one driver model; with hubs beside the drivers or not."""
        self.lamp_feeds = [frozenset(self.feeds).intersection(feeds) for feeds in facts.lamp_feeds]
        """Those of them that may serve each lamp."""
        middle = sorted(cable.price_m for cable in facts.cables)[len(facts.cables) // 2]
        self.ways = Ways(facts, middle)
        self.packing = Drivers(facts)
        self._model_price = {feed.model: feed.price for feed in facts.feeds}
        self.trench = np.asarray(facts.trench)
        length_m = facts.graph.length_m
        self.is_undug = float(length_m[self.trench > 0].sum()) <= UNDUG_SHARE * float(length_m.sum())
        """Whether nearly all cable is laid without a trench: then circuits cost each other nothing but room."""
        self.span_prices: SpanPrices | None = None
        """Estimates that moves between circuits have asked for."""
        self._dug_price = 0.0 if facts.laid is None else float(self.trench[facts.laid > 0].sum())
        """Trenches that are dug already: no matter of this layout's price."""
        self._capped = np.flatnonzero(np.asarray(facts.sleeve) >= 0)
        self._cap = np.asarray(facts.capacity)[self._capped]
        self._limits_inrush = any(most < math.inf for most in facts.supply_inrush_a)
        self._limits_mains = any(most < math.inf for most in facts.supply_mains_va)
        self._priced: dict[tuple[object, ...], Fed | None] = {}
        typical = float(self.trench.sum() / max(1, np.count_nonzero(self.trench)))
        dearest = max((feed.price for feed in facts.feeds), default=100.0)
        self.penalty_unit = max(1000.0, 1000 * typical + 10 * dearest)  # never free, even where nothing has a price
        self.near = facts.near
        self.barred = frozenset(i for i, post in enumerate(facts.post) if post >= 0)
        """Nodes no way may fork at: posts."""
        lead = min((mm2 for mm2, _ in facts.type_lead if mm2 < math.inf), default=1.5)
        thick = max(cable.area_mm2 for cable in facts.cables)
        self.joint_price_of_ways = [0.0, 0.0] + [
            next(
                (p for p, most, low, high in facts.kits if most >= ways and low <= lead and thick <= high),
                facts.kits[-1][0],
            )
            for ways in range(2, facts.max_ways + 2)
        ]
        """Price of a joint by its ways, for estimates; the true one depends on the sizes that meet."""
        self.reach: dict[int, float] = {}
        """How dear a way each bare lamp's next search looks at: twice what its last best place was estimated at."""
        self.reach_spare = 0.3 * max((feed.price for feed in facts.feeds), default=100.0)
        self.others: tuple[np.ndarray, ...] = ()
        """(m,) where other good layouts dig, for each: lamps may be hung anew along it."""
        self.lamp_ways: dict[int, np.ndarray] = {}
        """What ways from a lamp to all others cost, where moves have asked for them."""
        self.all_cables = tuple(range(len(facts.cables)))
        self.palette: tuple[int, ...] = self.all_cables

    def feed(
        self,
        supply: int,
        feed: int,
        tree: Tree,
        leads: dict[int, int],
        palette: tuple[int, ...] | None = None,
        *,
        exactly: bool = False,
    ) -> Fed | None:
        """``feed_circuit`` with a memory."""
        palette = self.palette if palette is None else palette
        key = (exactly, *key_of(supply, feed, palette, tree, leads))
        if key in self._priced:
            return self._priced[key]
        self.effort.spend(0.4 + 0.05 * len(leads) if not exactly else 2 + 0.3 * len(leads))
        fed = feed_circuit(self.facts, self.ways, supply, feed, palette, tree, leads, exactly=exactly)
        if len(self._priced) > 60_000:
            self._priced.clear()
        self._priced[key] = fed
        return fed

    def near_ways(self, sources: Sequence[int], limit: float) -> tuple[np.ndarray, np.ndarray]:
        """Cheapest ways from several nodes up to a price, as ``Ways.from_sources``: a short search, counted as one."""
        self.effort.spend(0.5 + self.facts.graph.num_nodes / 4000)
        return self.ways.from_sources(sources, limit)

    def use_of(self, circuits: Iterable[Fed]) -> np.ndarray:
        """(m,) cables in each edge, with those that are laid already."""
        laid = self.facts.laid
        use = np.zeros(self.facts.graph.num_edges, dtype=np.int16) if laid is None else laid.copy()
        for fed in circuits:
            lay(use, fed, 1)
        return use

    def prices_before(self) -> np.ndarray:
        """(m,) trench and cable in each edge before this layout's first circuit, at the cable that ways reckon with."""
        laid, graph = self.use_of(()), self.facts.graph
        price: np.ndarray = np.where(laid > 0, 0.0, graph.trench_price) + self.ways.laid_price
        price[laid >= graph.capacity] = math.inf
        return price

    def nearest_first(self, rng: random.Random, roots: Sequence[int], jitter: float) -> list[int]:
        """
        Lamps in the order a forest joins them in: by what their ways from the nearest root cost at present prices.

        Each way counts for up to 1 + ``jitter`` times as much. One search from all roots, which the caller answers for.
        """
        dist, _ = self.ways.from_sources(roots)
        away = [
            min(dist.item(self.facts.lead_node[arc]) for arc in arcs) * (1 + jitter * rng.random())
            for arcs in self.facts.leads_of
        ]
        return sorted(range(self.facts.num_lamps), key=away.__getitem__)

    def drivers_of(self, circuits: Sequence[Fed]) -> list[tuple[int, int, list[int]]] | None:
        """
        The fewest drivers these circuits need; None where a circuit fits none, or more are needed than are asked for.

        A layout of too many is no step towards one of few: it is no state at all, and lamps are left out instead.
        """
        drivers = self.packing.share(circuits)
        if drivers is not None and self.num_drivers is not None and len(drivers) > self.num_drivers:
            return None
        if drivers is not None and self.keeps_max_drivers and self._drivers_over(drivers):
            return None
        return drivers

    def _drivers_over(self, drivers: Sequence[tuple[int, int, list[int]]]) -> int:
        """How many drivers there are beyond what their supply points take."""
        count: dict[int, int] = {}
        for supply, _, _ in drivers:
            count[supply] = count.get(supply, 0) + 1
        return sum([max(0, n - self.facts.supply_max_drivers[s]) for s, n in count.items()])

    def compose(self, circuits: Sequence[Fed], missing: frozenset[int] = frozenset()) -> State | None:
        """A state of these circuits; None where drivers or sleeves cannot take them."""
        drivers = self.drivers_of(circuits)
        if drivers is None:
            return None
        use = self.use_of(circuits)
        if len(self._capped) and (use[self._capped] > self._cap).any():
            return None
        price, penalty = self._price(circuits, drivers, use)
        penalty += len(missing) * self.penalty_unit
        return State(tuple(circuits), use, tuple((s, m, tuple(c)) for s, m, c in drivers), price, penalty, missing)

    def _price(
        self, circuits: Sequence[Fed], drivers: Sequence[tuple[int, int, list[int]]], use: np.ndarray
    ) -> tuple[float, float]:
        price = float(self.trench[use > 0].sum()) - self._dug_price + sum(fed.price for fed in circuits)
        return price + self.drivers_price(circuits, drivers), self.drivers_penalty(circuits, drivers)

    def drivers_price(self, circuits: Sequence[Fed], drivers: Sequence[tuple[int, int, list[int]]]) -> float:
        """Drivers, the hubs beside them, and the supply points they use."""
        facts = self.facts
        total = sum([self._model_price[model] for _, model, _ in drivers])
        if facts.plain is not None:
            total += sum([self._hub_price(circuits[members[0]], len(members)) for _, _, members in drivers])
        return total + sum([facts.supply_price[s] for s in {supply for supply, _, _ in drivers}])

    def _hub_price(self, fed: Fed, count: int) -> float:
        """What a hub costs beside the driver of so many circuits like this one, if it needs one."""
        facts, feed = self.facts, self.facts.feeds[fed.feed]
        cables = count - (feed.outlets - feed.hub)
        if not feed.hub or cables < 2:
            return 0.0
        spared = 0.0 if fed.fuse_a is None else (cables - 1) * facts.fuse_price
        return self.hub_price(fed.supply, cables) - spared

    def hub_price(self, supply: int, cables: int) -> float:
        """What a hub beside a driver at this supply point costs for so many cables, that to the driver included."""
        facts = self.facts
        ends_m = facts.supply_end_m[supply] + facts.joint_end_m
        dearest = max(cable.price_m for cable in facts.cables)
        return self.joint_price_of_ways[cables + 1] + (facts.slack * LEAST_HUB_M + ends_m + 0.05) * dearest

    def drivers_penalty(self, circuits: Sequence[Fed], drivers: Sequence[tuple[int, int, list[int]]]) -> float:
        """For more drivers or more mains than a supply point takes, or another number than was asked for."""
        over: float = self._drivers_over(drivers)
        over += self._mains_over(circuits) + self._inrush_over(drivers)
        if self.num_drivers is not None:
            over += self.num_drivers - len(drivers)
        return over * self.penalty_unit

    def _mains_over(self, circuits: Sequence[Fed]) -> float:
        """How many times its timer or dimmer each overloaded supply point draws, in all."""
        facts = self.facts
        if not self._limits_mains:
            return 0.0
        drawn_va = [0.0] * len(facts.supply_mains_va)
        for fed in circuits:
            drawn_va[fed.supply] += fed.load_w * facts.feed_mains[fed.feed]
        return sum(va / most for va, most in zip(drawn_va, facts.supply_mains_va, strict=True) if va > most)

    def _inrush_over(self, drivers: Sequence[tuple[int, int, list[int]]]) -> float:
        """How many times the inrush that its timer, relay or dimmer takes each overloaded supply point draws."""
        facts = self.facts
        if not self._limits_inrush:
            return 0.0
        drawn_a = [0.0] * len(facts.supply_inrush_a)
        for supply, model, _ in drivers:
            drawn_a[supply] += facts.model_inrush_a[model]
        return sum(a / most for a, most in zip(drawn_a, facts.supply_inrush_a, strict=True) if a > most * (1 + 1e-9))
