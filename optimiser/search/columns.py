"""Price every subset of a few lamps as a circuit of its own, and part the lamps among circuits. In: lamps. Out: State.

One run of the relaxed tables gives, for every subset at once, a price that no circuit of it undercuts; the exact oracle
settles single subsets when they are asked for. ``part_lamps`` chooses circuits by those prices with CP-SAT, settles the
ones chosen, and chooses again until every chosen one is settled: few of the many subsets are ever settled.

Each circuit pays all its trench here (but what ``use`` holds open). Where the best circuits share trenches with each
other, the choice is only a start and its bound speaks of layouts that do not share: see ``choose_circuits`` for a
choice that counts shared trench once.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

import numpy as np

from .circuit import Fed
from .cp_solve import solve
from .oracle import Oracle, cheapest_circuit
from .oracle_part import circuit_part, least_draw, region_of
from .oracle_relaxed import Relaxed
from .state import Bench, State

MOST_LAMPS = 11
STEPS = 1000
"""Steps of one unit of currency, of one watt."""


@dataclass
class Columns:
    """
    Prices of all subsets of ``lamps`` on one feed at one supply point; a subset is a bit mask over ``lamps``.

    ``bound[mask]``: no circuit of these lamps costs less (in the oracle's space), infinite where none is possible.
    ``settle`` asks the oracle and sharpens it; ``settled`` holds the answers.
    """

    bench: Bench
    supply: int
    feed: int
    lamps: tuple[int, ...]
    use: np.ndarray
    palette: tuple[int, ...]
    bound: np.ndarray
    watts: np.ndarray
    """(2^n,) least load of each subset, in W or VA."""
    settled: dict[int, Oracle] = field(default_factory=dict)

    def members(self, mask: int) -> tuple[int, ...]:
        """The lamps of a subset."""
        return tuple(lamp for i, lamp in enumerate(self.lamps) if mask >> i & 1)

    def settle(self, mask: int, spend: float = math.inf) -> Oracle:
        """Ask the oracle for this subset, once."""
        if mask not in self.settled:
            found = cheapest_circuit(
                self.bench, self.supply, self.feed, self.members(mask), self.use, palette=self.palette, spend=spend
            )
            self.settled[mask] = found
            self.bound[mask] = min(max(self.bound[mask], found.price_bound), found.price)
        return self.settled[mask]


def price_subsets(
    bench: Bench,
    supply: int,
    feed: int,
    lamps: Sequence[int],
    use: np.ndarray | None = None,
    *,
    palette: tuple[int, ...] | None = None,
) -> Columns:
    """
    Bounds for all circuits of some of these lamps on one feed.

    Raises
    ------
    ValueError
        For more than ``MOST_LAMPS`` lamps.
    """
    if not 0 < len(lamps) <= MOST_LAMPS:
        raise ValueError(f"subsets are priced of 1 to {MOST_LAMPS} lamps, not {len(lamps)}")
    facts = bench.facts
    if use is None:
        use = np.zeros(facts.graph.num_edges, dtype=np.int16)
    palette = bench.palette if palette is None else palette
    lamps = tuple(lamps)
    size = 1 << len(lamps)
    draw = least_draw(facts, feed, lamps)
    amps, watts = np.zeros(size), np.zeros(size)
    groups: list[set[str]] = [set()]
    served = [True]
    for mask in range(1, size):
        low = mask & -mask
        i = low.bit_length() - 1
        rest = mask ^ low
        amps[mask] = amps[rest] + draw.amps[i]
        groups.append(groups[rest] | {facts.lamp_group[lamps[i]]})
        served.append(served[rest] and facts.feeds[feed].serves[facts.lamp_type[lamps[i]]])
    watts = facts.feeds[feed].out_v * amps
    part = circuit_part(
        bench,
        region_of(bench, None, use),
        supply,
        feed,
        lamps,
        draw,
        palette,
        min_rating_a=0.0,
        fuse_price=0.0,
        max_fault_ohm=math.inf,
    )
    bound = np.full(size, math.inf)
    if part is not None:
        relaxed = Relaxed(part)
        bench.effort.spend(relaxed.work)
        bound[1:] = relaxed.root_meet[1:, 1:].min(axis=0)
    f = facts.feeds[feed]
    max_w = f.max_w * facts.supply_loading[supply]
    bound[(amps > min(f.max_a, f.max_total_a)) | (watts > max_w)] = math.inf
    for mask in range(1, size):
        if len(groups[mask]) > 1 or not served[mask]:
            bound[mask] = math.inf
    bound[0] = math.inf
    return Columns(bench, supply, feed, lamps, use, palette, bound, watts)


@dataclass(frozen=True)
class Parted:
    """
    The lamps parted among circuits.

    ``bound``: no layout of these lamps whose circuits share no trench costs less, drivers by their loads and outlets
    included. ``state``: the chosen circuits composed; None where no choice holds.
    """

    bound: float
    state: State | None
    rounds: int


def part_lamps(
    columns: Sequence[Columns],
    *,
    work: float = 4000.0,
    most_rounds: int = 60,
    stop: Callable[[], bool] | None = None,
) -> Parted:
    """
    The cheapest choice of circuits over all columns (same lamps, several supply points and feeds).

    Parameters
    ----------
    work
        Most work of each choice and of each subset settled.
    most_rounds
        Choices made at most; when they end first, the best one that was settled whole is returned.
    """
    bench = columns[0].bench
    best: State | None = None
    bound = 0.0
    open_ones = True  # whether subsets for which nothing was found, though nothing excludes them, still count
    for done in range(1, most_rounds + 1):
        chosen, at_least = _choose(columns, work, stop, open_ones)
        if open_ones:
            bound = max(bound, at_least)
        if chosen is None:
            return Parted(bound, best, done)
        if open_ones and any(mask in columns[c].settled and columns[c].settled[mask].fed is None for c, mask in chosen):
            open_ones = False  # the bound ends here; what follows looks for a layout only
            continue
        unsettled = [(c, mask) for c, mask in chosen if mask not in columns[c].settled]
        for c, mask in unsettled:
            columns[c].settle(mask, work)
        feds = [columns[c].settled[mask].fed for c, mask in chosen]
        if all(fed is not None for fed in feds):
            whole: list[Fed] = [fed for fed in feds if fed is not None]
            state = bench.compose(whole)
            if state is not None and (best is None or state.cost < best.cost):
                best = state
        if not unsettled or (stop is not None and stop()):
            return Parted(bound, best, done)
    return Parted(bound, best, most_rounds)


def _choose(
    columns: Sequence[Columns], work: float, stop: Callable[[], bool] | None, open_ones: bool
) -> tuple[list[tuple[int, int]] | None, float]:
    """(column set, subset) of the cheapest parting by what is known now, and its bound."""
    from ortools.sat.python import cp_model

    bench = columns[0].bench
    facts = bench.facts
    model = cp_model.CpModel()
    take: dict[tuple[int, int], cp_model.IntVar] = {}
    money: list[cp_model.LinearExprT] = []
    of_lamp: list[list[cp_model.IntVar]] = [[] for _ in columns[0].lamps]
    for c, col in enumerate(columns):
        for mask in np.flatnonzero(np.isfinite(col.bound)).tolist():
            known = col.settled.get(mask)
            if known is not None and known.fed is None and not open_ones:
                continue
            var = model.new_bool_var(f"{c} {mask}")
            take[c, mask] = var
            money.append(math.floor(col.bound[mask] * STEPS) * var)
            for i in range(len(col.lamps)):
                if mask >> i & 1:
                    of_lamp[i].append(var)
    if not all(of_lamp):
        return None, math.inf
    for those in of_lamp:
        model.add_exactly_one(those)
    number: dict[tuple[int, int], list[cp_model.LinearExprT]] = {}
    for c, col in enumerate(columns):
        feed = facts.feeds[col.feed]
        mine = [(mask, var) for (d, mask), var in take.items() if d == c]
        if not mine:
            continue
        drivers = model.new_int_var(0, len(col.lamps), "drivers")
        number.setdefault((col.supply, feed.model), []).append(drivers)
        model.add(sum(var for _, var in mine) <= feed.outlets * drivers)
        max_w = math.ceil(feed.max_w * facts.supply_loading[col.supply] * STEPS)
        model.add(sum(math.floor(col.watts[mask] * STEPS) * var for mask, var in mine) <= max_w * drivers)
        money.append(math.floor(feed.price * STEPS) * drivers)
    for supply in sorted({s for s, _ in number}):
        here = [var for (s, _), those in number.items() if s == supply for var in those]
        model.add(sum(here) <= facts.supply_max_drivers[supply])
        if facts.supply_price[supply] > 0:
            used = model.new_bool_var("supply")
            model.add(sum(here) <= 100 * used)
            money.append(math.floor(facts.supply_price[supply] * STEPS) * used)
    model.minimize(cp_model.LinearExpr.sum(money))
    solved, spent = solve(model, work, stop)
    bench.effort.spend(spent)
    if solved is None:
        return None, 0.0
    return [key for key, var in take.items() if solved.value(var)], solved.bound / STEPS


__all__ = ["Columns", "MOST_LAMPS", "Parted", "part_lamps", "price_subsets"]
