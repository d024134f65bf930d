"""The quote of a plan. In: Job, the plan's parts as printed. Out: Quote, or None where the job states no rates.

Money is rounded item by item, cost and price each to whole cents, so that sums are sums of what is printed. It is
reckoned in decimal fractions and halves are rounded up, as a person with a pocket calculator does: in binary ones 0.625
hours would be 0.62.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Iterable, Sequence
from decimal import ROUND_HALF_UP, Decimal

from ..job import Job
from ..job.quote import Quote
from . import model as m


def quote(
    job: Job,
    drivers: Sequence[m.DriverPlan],
    circuits: Sequence[m.CircuitPlan],
    joints: Sequence[m.JointPlan],
    cables: Sequence[m.CablePlan],
    trenches: Sequence[m.TrenchPlan],
    lamps: Sequence[m.LampPlan],
    reels: Sequence[m.Reels],
) -> m.Quote | None:
    """Items in the order of material, labour, extras; those of nothing are left out."""
    rates = job.quote
    if rates is None:
        return None
    book = _Book(rates)
    _cables(job, book, cables, reels)
    kits = [joint.kit for joint in joints if joint.kit is not None]
    kits += [lamp.extension_kit for lamp in lamps if lamp.extension_kit is not None]
    for name, kit in job.joints.kits.items():
        count = kits.count(name)
        if rates.whole:
            count = -(-count // kit.pack) * kit.pack
        book.material("kit", name, count, "", count * _exact(kit.price))
    for model in dict.fromkeys(driver.model for driver in drivers):
        prices = [driver.price for driver in drivers if driver.model == model]
        book.material("driver", model, len(prices), "", _sum(prices))
    for rating in sorted({circuit.fuse_a for circuit in circuits if circuit.fuse_a is not None}):
        prices = [circuit.fuse_price for circuit in circuits if circuit.fuse_a == rating]
        book.material("fuse", f"{rating:g} A", len(prices), "", _sum(prices))
    flex_m = math.fsum(lamp.extension_m for lamp in lamps)
    book.material("flex", "", flex_m, "m", _exact(round(flex_m, 3)) * _exact(job.joints.extension_per_m))
    for supply in dict.fromkeys(driver.supply for driver in drivers):
        price = job.supply(supply).price
        book.material("supply", supply, 1 if price else 0, "", _exact(price))
    types = [lamp.type for lamp in lamps]
    for name, price in rates.lamps.items():
        book.material("lamp", name, types.count(name), "", types.count(name) * _exact(price))
    _labour(job, book, drivers, circuits, joints, cables, trenches, lamps)
    for name, price in rates.extras.items():
        book.item("extra", "extra", name, 1, "", None, _exact(price))
    return book.quote(sorted(set(types) - set(rates.lamps)))


def _cables(job: Job, book: _Book, cables: Sequence[m.CablePlan], reels: Sequence[m.Reels]) -> None:
    for name in job.cables:
        if book.rates.whole:
            bought = [one for one in reels if one.cable == name]
            length_m, cost = sum(one.reel_m * one.count for one in bought), _sum(one.price for one in bought)
        else:
            used = [one for one in cables if one.cable == name]
            length_m, cost = math.fsum(one.cut_m for one in used), _sum(one.price for one in used)
        book.material("cable", name, length_m, "m", cost)


def _labour(
    job: Job,
    book: _Book,
    drivers: Sequence[m.DriverPlan],
    circuits: Sequence[m.CircuitPlan],
    joints: Sequence[m.JointPlan],
    cables: Sequence[m.CablePlan],
    trenches: Sequence[m.TrenchPlan],
    lamps: Sequence[m.LampPlan],
) -> None:
    rates = book.rates
    dug_m: dict[str, float] = defaultdict(float)
    for trench in trenches:
        if trench.sleeve is None:
            dug_m[trench.ground] += trench.length_m
    for ground in job.grounds:
        book.labour("trench", ground, dug_m[ground], "m", rates.grounds.get(ground, rates.trench_min_per_m))
    book.labour("crossing", "", _crossings(job, trenches), "", rates.crossing_min)
    pulled = sum(len(trench.cables) for trench in trenches if trench.sleeve is not None)
    book.labour("pull", "", pulled, "", rates.pull_min)
    book.labour("lay", "", math.fsum(cable.cut_m for cable in cables), "m", rates.cable_min_per_m)
    extended = sum(lamp.extension_kit is not None for lamp in lamps)
    book.labour("joint", "", len(joints) + extended, "", rates.joint_min)
    book.labour("lamp", "", len(lamps), "", rates.lamp_min)
    book.labour("driver", "", len(drivers), "", rates.driver_min)
    book.labour("circuit", "", len(circuits), "", rates.circuit_min)
    book.labour("fixed", "", rates.fixed_hours, "h", 60.0)


def _crossings(job: Job, trenches: Sequence[m.TrenchPlan]) -> int:
    """How often trenches pass between grounds one of which is priced for crossing; a fork on a border is one place."""
    grounds_at: dict[tuple[float, ...], set[str]] = defaultdict(set)
    for trench in trenches:
        if trench.sleeve is None:
            for place in (trench.route[0], trench.route[-1]):
                grounds_at[tuple(place[:2])].add(trench.ground)
    priced = {name for name, ground in job.grounds.items() if ground.crossing > 0}
    return sum(min(len(grounds) - 1, len(grounds & priced)) for grounds in grounds_at.values())


class _Book:
    def __init__(self, rates: Quote) -> None:
        self.rates = rates
        self.items: list[m.QuoteItem] = []

    def material(self, kind: str, of: str, quantity: float, unit: str, cost: Decimal) -> None:
        if quantity:
            self.item("material", kind, of, quantity, unit, None, cost)

    def labour(self, kind: str, of: str, quantity: float, unit: str, minutes: float) -> None:
        """Hours are rounded to hundredths before they are charged."""
        hours = _hundredths(_exact(round(quantity, 3)) * _exact(minutes) / 60)
        if hours:
            self.item("labour", kind, of, quantity, unit, hours, _exact(hours) * _exact(self.rates.hour_cost))

    def item(
        self, part: m.QuotePart, kind: str, of: str, quantity: float, unit: str, hours: float | None, cost: Decimal
    ) -> None:
        whole = _hundredths(cost)
        price = _hundredths(_exact(whole) / (1 - _exact(self.rates.margin_pct) / 100))
        self.items.append(
            m.QuoteItem(
                part=part,
                kind=kind,
                of=of,
                quantity=round(quantity, 3),
                unit=unit,
                hours=hours,
                cost=whole,
                price=price,
            )
        )

    def quote(self, not_priced: Sequence[str]) -> m.Quote:
        net = _hundredths(_sum(item.price for item in self.items))
        tax = _hundredths(_exact(net) * _exact(self.rates.tax_pct) / 100)
        return m.Quote(
            items=self.items,
            hours=_hundredths(_sum(item.hours or 0.0 for item in self.items)),
            hour_cost=self.rates.hour_cost,
            cost=_hundredths(_sum(item.cost for item in self.items)),
            margin_pct=self.rates.margin_pct,
            net=net,
            tax_name=self.rates.tax_name,
            tax_pct=self.rates.tax_pct,
            tax=tax,
            total=_hundredths(_sum((net, tax))),
            whole=self.rates.whole,
            not_priced=list(not_priced),
        )


def _exact(value: float) -> Decimal:
    """The number as it is printed."""
    return Decimal(repr(value))


def _sum(values: Iterable[float]) -> Decimal:
    return sum(map(_exact, values), Decimal())


def _hundredths(value: Decimal) -> float:
    """To whole cents, or hundredths of an hour, halves up."""
    return float(value.quantize(Decimal("0.01"), ROUND_HALF_UP))
