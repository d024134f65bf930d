"""The cheapest choice among circuits already priced. In: Bench, a pool of circuits. Out: State, or None.

Exact over the pool but for rounding to a thousandth of the currency: every lamp in just one chosen circuit, trench that
several chosen circuits share paid once, sleeves within their capacity, circuits packed into drivers, drivers and supply
points paid. Circuits are taken as they are: their trees, taps and gauges are not changed.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING

from .circuit import Fed, key_of
from .cp_solve import solve
from .state import Bench, State

if TYPE_CHECKING:
    from ortools.sat.python import cp_model

MOST_CIRCUITS = 1500
STEPS = 1000
"""Steps of one unit of currency, of one watt, of one ampere, of one microfarad."""


def choose_circuits(
    bench: Bench, pool: Sequence[Fed], incumbent: State, work: float, stop: Callable[[], bool] | None = None
) -> State | None:
    """
    The cheapest layout made of circuits of the pool and of the incumbent, where it is cheaper than the incumbent.

    Parameters
    ----------
    pool
        Circuits in the incumbent's palette; those of another are left out, for all of a layout share one. The first
        ``MOST_CIRCUITS`` count.
    incumbent
        A whole layout: where the search begins.
    work
        Most work to spend, in the units of ``Effort``.
    """
    from ortools.sat.python import cp_model

    if not incumbent.circuits or not incumbent.is_whole:
        return None
    circuits = _distinct(incumbent, pool)
    if len(circuits) == len(incumbent.circuits):
        return None
    model = cp_model.CpModel()
    own = set(range(len(incumbent.circuits)))
    take = [model.new_bool_var(f"take {j}") for j in range(len(circuits))]
    for j, var in enumerate(take):
        model.add_hint(var, j in own)
    of_lamp: dict[int, list[int]] = {}
    for j, fed in enumerate(circuits):
        for lamp in fed.leads:
            of_lamp.setdefault(lamp, []).append(j)
    for lamp in sorted(of_lamp):
        model.add_exactly_one(take[j] for j in of_lamp[lamp])

    money: list[cp_model.LinearExprT] = [_steps(fed.price) * var for fed, var in zip(circuits, take, strict=True)]
    money += _trench(bench, model, circuits, take, own)
    money += _drivers(bench, model, circuits, take, incumbent)
    model.minimize(cp_model.LinearExpr.sum(money))
    solved, spent = solve(model, work, stop)
    bench.effort.spend(spent)
    if solved is None:
        return None
    chosen = [fed for fed, var in zip(circuits, take, strict=True) if solved.value(var)]
    state = bench.compose(chosen)
    return state if state is not None and state.cost < incumbent.cost - 1e-6 else None


def _steps(price: float) -> int:
    return round(price * STEPS)


def _distinct(incumbent: State, pool: Sequence[Fed]) -> list[Fed]:
    palette = incumbent.circuits[0].palette
    seen: set[tuple[object, ...]] = set()
    circuits: list[Fed] = []
    for fed in [*incumbent.circuits, *pool]:
        key = key_of(fed.supply, fed.feed, fed.palette, fed.tree, fed.leads)
        if key not in seen and fed.palette == palette:
            seen.add(key)
            circuits.append(fed)
    return circuits[: max(MOST_CIRCUITS, len(incumbent.circuits))]


def _trench(
    bench: Bench,
    model: cp_model.CpModel,
    circuits: Sequence[Fed],
    take: Sequence[cp_model.IntVar],
    own: set[int],
) -> list[cp_model.LinearExprT]:
    """Edges that the same circuits use are dug together: one variable for them all."""
    facts = bench.facts
    users: dict[int, list[int]] = {}
    for j, fed in enumerate(circuits):
        for e in fed.edges:
            users.setdefault(e, []).append(j)
    price: dict[tuple[int, ...], float] = {}
    for e in sorted(users):
        who = tuple(users[e])
        price[who] = price.get(who, 0.0) + facts.trench[e]
        if facts.sleeve[e] >= 0 and len(who) > facts.capacity[e]:
            model.add(sum(take[j] for j in who) <= facts.capacity[e])
    money: list[cp_model.LinearExprT] = []
    for who, total in price.items():
        if total <= 0:
            continue
        if len(who) == 1:
            money.append(_steps(total) * take[who[0]])
            continue
        dug = model.new_bool_var("dug")
        for j in who:
            model.add_implication(take[j], dug)
        model.add_hint(dug, not own.isdisjoint(who))
        money.append(_steps(total) * dug)
    return money


def _drivers(
    bench: Bench,
    model: cp_model.CpModel,
    circuits: Sequence[Fed],
    take: Sequence[cp_model.IntVar],
    incumbent: State,
) -> list[cp_model.LinearExprT]:
    """Circuits that may share a driver are packed into a few drivers of their own kind; see ``Drivers.share``."""
    facts = bench.facts
    kinds: dict[tuple[int, int, float, float, float, str], list[int]] = {}
    for j, fed in enumerate(circuits):
        feed = facts.feeds[fed.feed]
        tap_v = -1.0 if feed.mixes_taps else feed.tap_v
        group = "" if feed.mixes_groups else fed.group
        kinds.setdefault((fed.supply, feed.model, tap_v, feed.load_share, feed.hub_a, group), []).append(j)
    at = {
        j: (d, supply, model_idx) for d, (supply, model_idx, members) in enumerate(incumbent.drivers) for j in members
    }
    money: list[cp_model.LinearExprT] = []
    count: dict[int, list[cp_model.LinearExprT]] = {}
    surge: dict[int, list[cp_model.LinearExprT]] = {}
    members_at: dict[int, list[int]] = {}
    for (supply, model_idx, *_), members in kinds.items():
        inrush = math.ceil(facts.model_inrush_a[model_idx] * STEPS - 1e-6)
        feed = facts.feeds[circuits[members[0]].feed]
        members_at.setdefault(supply, []).extend(members)
        if feed.outlets == 1:
            money += [_steps(feed.price) * take[j] for j in members]
            count.setdefault(supply, []).extend(take[j] for j in members)
            surge.setdefault(supply, []).extend(inrush * take[j] for j in members)
            continue
        in_use = sorted({at[j][0] for j in members if j in at})
        bins = min(len(members), len(in_use) + 2)
        watts = math.floor(feed.max_w * facts.supply_loading[supply] * STEPS)
        amps = math.floor(min(feed.max_total_a, 1e6) * STEPS)
        for_each: dict[int, list[cp_model.IntVar]] = {j: [] for j in members}
        for b in range(bins):
            used = model.new_bool_var("driver")
            model.add_hint(used, b < len(in_use))
            inside = []
            for j in members:
                var = model.new_bool_var("in driver")
                model.add_hint(var, j in at and b < len(in_use) and at[j][0] == in_use[b])
                for_each[j].append(var)
                inside.append(var)
            loads = [math.ceil(circuits[j].load_w * STEPS - 1e-6) for j in members]
            currents = [math.ceil(circuits[j].amps * STEPS - 1e-6) for j in members]
            model.add(sum(w * var for w, var in zip(loads, inside, strict=True)) <= watts * used)
            model.add(sum(a * var for a, var in zip(currents, inside, strict=True)) <= amps * used)
            for what, most_start in enumerate(feed.max_start):
                if most_start < math.inf:
                    starts = [math.ceil(circuits[j].start[what] * STEPS - 1e-6) for j in members]
                    most = math.floor(most_start * STEPS + 1e-6)
                    model.add(sum(a * var for a, var in zip(starts, inside, strict=True)) <= most * used)
            model.add(sum(inside) <= feed.outlets * used)
            money.append(_steps(feed.price) * used)
            count.setdefault(supply, []).append(used)
            surge.setdefault(supply, []).append(inrush * used)
        for j in members:
            model.add(sum(for_each[j]) == take[j])
    for supply in sorted(members_at):
        most = facts.supply_max_drivers[supply]
        if len(members_at[supply]) > most:
            model.add(sum(count[supply]) <= most)
        most_va = facts.supply_mains_va[supply]
        if most_va < math.inf:
            drawn = [
                math.ceil(circuits[j].load_w * facts.feed_mains[circuits[j].feed] * STEPS - 1e-6) * take[j]
                for j in members_at[supply]
            ]
            model.add(sum(drawn) <= math.floor(most_va * STEPS))
        if facts.supply_inrush_a[supply] < math.inf:
            model.add(sum(surge[supply]) <= math.floor(facts.supply_inrush_a[supply] * STEPS + 1e-6))
        if facts.supply_price[supply] > 0:
            used = model.new_bool_var("supply")
            for j in members_at[supply]:
                model.add_implication(take[j], used)
            model.add_hint(used, any(fed.supply == supply for fed in incumbent.circuits))
            money.append(_steps(facts.supply_price[supply]) * used)
    if bench.num_drivers is not None:
        model.add(sum(var for those in count.values() for var in those) == bench.num_drivers)
    return money
