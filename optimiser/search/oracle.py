"""The cheapest circuit for a few lamps, proven. In: Bench, supply point, feed, lamps. Out: Oracle.

The circuit is solved *optimistically*: every lamp draws the least it can (``least_draw``), so that no circuit that
holds is left out, and what comes out first is a lower bound. Each result is then judged by the full load flow
(``circuit``); where it does not hold, the next cheapest is tried. So the answer is an interval: ``price_bound`` to the
price of ``fed``, and it is proven when the two meet. Lengths are cut as they will be cut, in whole 0.1 m: nothing is
rounded down for the bound.

The limit on the price starts just above what relaxed parts prove and grows until a circuit is found, because the work
grows with how far above it looks: where voltage binds, pricing the drop (``oracle_priced``) spares most of that.
Everything below the last limit that was searched without a find is excluded.

Space: every joint where one may stand, every way of every cable between joints, a gauge change in any joint, cables
that pass joints unjoined. Not in it: two cables of this circuit in one trench (they pay for it twice). ``proven``
and ``price_bound`` speak of that space.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace

import numpy as np

from .circuit import Fed, protections
from .effort import Allowance, OutOfWork
from .oracle_labels import Solution, solve_part
from .oracle_part import Draw, Part, Region, circuit_part, least_draw, likely_draw, region_of
from .oracle_priced import Priced, price_drop, work_of
from .oracle_relaxed import Relaxed
from .oracle_runs import find_runs
from .pieces import feed_pieces, graph_pieces
from .state import Bench

STEPS = (1.0005, 1.002, 1.006, 1.012, 1.025, 1.04, 1.06, 1.09, 1.13, 1.2, 1.3, 1.5, 2.0, 4.0)
"""Limits tried, as multiples of the relaxed bound; then none."""

PRICED_ENDS, PRICED_ROUNDS = 5, 15
"""Lamps from which drop is priced, for fewer have few labels anyway; sets of prices the work must suffice for."""

MAX_ENDS = 12
"""Most lamps of one call: tables grow threefold with each."""

CLOSE = 0.005
"""Prices nearer than this are the same, in money."""


@dataclass(frozen=True)
class Oracle:
    """
    What is known about the cheapest circuit.

    ``price_bound``: no circuit of these lamps on this feed costs less, trench still to be opened included, drivers not;
    infinite when none holds at all, or none below the limit given. ``fed``: the cheapest one found that holds, and
    ``price``, what it costs by the same count. ``proven``: it is the cheapest, or there is none within the limit.
    """

    price_bound: float
    fed: Fed | None
    price: float
    proven: bool


def price_of(bench: Bench, fed: Fed, use: np.ndarray) -> float:
    """Price of a circuit with the trenches that ``use`` does not hold yet."""
    edges = sorted(set(fed.edges))
    return fed.price + math.fsum(bench.facts.trench[e] for e in edges if use[e] <= 0)


def cheapest_circuit(
    bench: Bench,
    supply: int,
    feed: int,
    lamps: Sequence[int],
    use: np.ndarray | None = None,
    *,
    palette: tuple[int, ...] | None = None,
    limit_price: float = math.inf,
    spend: float = math.inf,
    nodes: Collection[int] | None = None,
) -> Oracle:
    """
    The cheapest circuit that feeds ``lamps`` from one outlet.

    The search always names ``use`` and ``palette``. Tests and benchmarks leave them out: there the oracle is the
    yardstick, and answers for a whole job whose gauges are free.

    Parameters
    ----------
    bench, supply, feed
        Where it starts and on what driver and tap.
    lamps
        At most ``MAX_ENDS``.
    use
        (m,) cables of other circuits in each edge: open trench costs nothing more. None: nothing is open.
    palette
        Gauges it may use; None for any set the job allows.
    limit_price
        Only cheaper circuits are of interest.
    spend
        Most work, in the units of ``Effort``; when it ends first, the bound reached so far is returned.
    nodes
        Graph nodes it may use; None for all. Bound and proof then speak of these nodes only.

    Raises
    ------
    ValueError
        For no lamps or more than ``MAX_ENDS``.
    """
    if not 0 < len(lamps) <= MAX_ENDS:
        raise ValueError(f"the oracle takes 1 to {MAX_ENDS} lamps, not {len(lamps)}")
    if use is None:
        use = np.zeros(bench.facts.graph.num_edges, dtype=np.int16)
    asked = _Asked(bench, supply, feed, tuple(lamps), use, spend, nodes)
    if palette is not None:
        return asked.on(palette, limit_price)
    facts = bench.facts
    most_gauges = len(facts.palettes[0])
    if len(bench.all_cables) <= most_gauges:
        return asked.on(bench.all_cables, limit_price)
    # All cables at once bounds every palette; often its answer keeps to few gauges and is the answer.
    free = asked.on(bench.all_cables, limit_price)
    if free.fed is None:
        return free
    gauges = {cable for cable, _ in free.fed.pieces}
    fitting = next((palette for palette in facts.palettes if gauges <= set(palette)), None)
    if free.proven and fitting is not None:
        return replace(free, fed=replace(free.fed, palette=fitting))
    best: Oracle | None = None
    bound = math.inf
    for mine in facts.palettes:
        limit = limit_price if best is None else min(limit_price, best.price)
        found = asked.on(mine, limit)
        bound = min(bound, found.price_bound)
        if found.fed is not None and (best is None or found.price < best.price):
            best = found
    bound = max(bound, free.price_bound) if _all_palettes(bench) else free.price_bound
    if best is None:
        return Oracle(bound, None, math.inf, bound >= limit_price)
    return replace(best, price_bound=min(bound, best.price), proven=bound >= best.price - CLOSE)


def _all_palettes(bench: Bench) -> bool:
    """Whether the job's palettes are all there are (long lists are thinned)."""
    size = len(bench.facts.palettes[0])
    return len(bench.facts.palettes) == math.comb(len(bench.all_cables), size)


class _Asked:
    """One question, with its budget of work."""

    def __init__(
        self,
        bench: Bench,
        supply: int,
        feed: int,
        lamps: tuple[int, ...],
        use: np.ndarray,
        spend: float,
        nodes: Collection[int] | None,
    ) -> None:
        self.bench, self.supply, self.feed, self.lamps, self.use = bench, supply, feed, lamps, use
        self.allowance = Allowance(bench.effort, spend)
        self.region: Region = region_of(bench, nodes, use)
        self.drop_prices: np.ndarray | None = None
        """Good ones of the last answer, for the next."""

    def on(self, palette: tuple[int, ...], limit_price: float) -> Oracle:
        """The answer for one set of gauges."""
        facts = self.bench.facts
        feed = facts.feeds[self.feed]
        nothing = Oracle(math.inf, None, math.inf, True)
        if not all(feed.serves[facts.lamp_type[lamp]] for lamp in self.lamps):
            return nothing
        if len({facts.lamp_group[lamp] for lamp in self.lamps}) > 1:
            return nothing
        draw = least_draw(facts, self.feed, self.lamps)
        amps = sum(draw.amps)
        max_w = feed.max_w * facts.supply_loading[self.supply]
        if amps > min(feed.max_a, feed.max_total_a) or feed.out_v * amps > max_w:
            return nothing
        parts = [part for part in self._parts(palette, draw, amps) if part is not None]
        bound, best, best_price = math.inf, None, math.inf
        for part in sorted(parts, key=lambda p: (p.root_price[1], p.min_rating_a)):
            low, fed, price = self._solve(part, palette, min(limit_price, best_price))
            bound = min(bound, low)
            if fed is not None and price < best_price - 1e-9:
                best, best_price = fed, price
        proven = bound >= min(best_price, limit_price) - CLOSE
        return Oracle(float(min(bound, best_price)), best, best_price, bool(proven))

    def _parts(self, palette: tuple[int, ...], draw: Draw, amps: float) -> list[Part | None]:
        bench, facts = self.bench, self.bench.facts
        feed = facts.feeds[self.feed]
        leads = dict.fromkeys(self.lamps, 0)
        return [
            circuit_part(
                bench,
                self.region,
                self.supply,
                self.feed,
                self.lamps,
                draw,
                palette,
                min_rating_a=min_rating,
                fuse_price=fuse_price,
                max_fault_ohm=max_fault,
            )
            for min_rating, _, fuse_price, max_fault in protections(facts, feed, amps, leads)
        ]

    def _solve(self, part: Part, palette: tuple[int, ...], limit_price: float) -> tuple[float, Fed | None, float]:
        """Lower bound, cheapest circuit found, its price; for one way to protect it."""
        relaxed = Relaxed(part)
        bound = relaxed.bound
        try:
            self.allowance.spend(relaxed.work)
        except OutOfWork:
            return bound, None, math.inf
        if bound >= limit_price:
            return bound, None, math.inf
        priced: Priced | None = None
        if part.num_ends >= PRICED_ENDS and self.allowance.left > PRICED_ROUNDS * work_of(part):
            try:
                priced = price_drop(part, limit_price, self.allowance, self.drop_prices)
                self.drop_prices = priced.lam
                bound = max(bound, priced.bound)
                if bound >= limit_price:
                    return bound, None, math.inf
                self._complete(priced)
            except OutOfWork:
                return bound, None, math.inf
        best: Fed | None = None
        best_price = math.inf
        for limit in [*(bound * s for s in STEPS if bound > 0), math.inf]:
            limit = min(limit, limit_price, best_price)
            try:
                solutions = self._all_within(part, relaxed, limit, priced)
            except OutOfWork:
                return bound, best, best_price
            if solutions:
                bound = max(bound, solutions[0].price)
                best, best_price = self._first_that_holds(part, palette, solutions, best, best_price)
                if best is not None or limit >= limit_price:
                    break
            elif limit >= min(limit_price, best_price):
                bound = max(bound, limit)
                break
            else:
                bound = max(bound, limit)
        if best is not None and best_price > bound + CLOSE:
            best, best_price = self._settle(part, palette, relaxed, priced, best, best_price)
        return (bound if best is not None or bound < limit_price else max(bound, limit_price)), best, best_price

    def _complete(self, priced: Priced) -> None:
        self.allowance.spend(work_of(priced.part))
        priced.complete()

    def _all_within(self, part: Part, relaxed: Relaxed, limit: float, priced: Priced | None) -> list[Solution]:
        runs = find_runs(part, relaxed, limit, self.allowance, priced)
        return solve_part(part, relaxed, runs, limit, self.allowance, priced)

    def _first_that_holds(
        self, part: Part, palette: tuple[int, ...], solutions: list[Solution], best: Fed | None, best_price: float
    ) -> tuple[Fed | None, float]:
        """Judge solutions by the full load flow until the next could be no cheaper."""
        for solution in solutions[:40]:
            if solution.price >= best_price - 1e-9:
                break
            fed = self._fed(part, palette, solution)
            if fed is None:
                continue
            price = price_of(self.bench, fed, self.use)
            if price < best_price - 1e-9:
                best, best_price = fed, price
        return best, best_price

    def _fed(self, part: Part, palette: tuple[int, ...], solution: Solution) -> Fed | None:
        walks, above = graph_pieces(part, solution)
        leads, at_piece = {}, {}
        for lamp, places, chosen, piece in zip(self.lamps, part.places, solution.place, solution.at_piece, strict=True):
            leads[lamp] = places[chosen].ref
            at_piece[lamp] = piece
        return feed_pieces(self.bench, self.supply, self.feed, palette, walks, above, leads, at_piece)

    def _settle(
        self,
        part: Part,
        palette: tuple[int, ...],
        relaxed: Relaxed,
        priced: Priced | None,
        best: Fed,
        best_price: float,
    ) -> tuple[Fed, float]:
        """Look once more at currents as they really are: cheaper circuits that hold, for the interval's upper end."""
        facts = self.bench.facts
        for share in (0.4, 0.8):
            draw = likely_draw(facts, self.feed, self.lamps, share)
            again = circuit_part(
                self.bench,
                self.region,
                self.supply,
                self.feed,
                self.lamps,
                draw,
                palette,
                min_rating_a=part.min_rating_a,
                fuse_price=part.root_price[1],
                max_fault_ohm=part.fault_headroom_ohm,
            )
            if again is None:
                continue
            try:
                tables = None
                if priced is not None:
                    self.allowance.spend(work_of(again))
                    tables = Priced(again, priced.lam)
                    self._complete(tables)
                solutions = self._all_within(again, relaxed, best_price, tables)
            except OutOfWork:
                break
            found, price = self._first_that_holds(again, palette, solutions, best, best_price)
            if found is not None:
                best, best_price = found, price
        return best, best_price


__all__ = ["MAX_ENDS", "Oracle", "cheapest_circuit", "price_of"]
