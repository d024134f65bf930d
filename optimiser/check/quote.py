"""The quote once more, from the plan's parts and the job's rates. In: Index. Out: cases.

From counts of its own, in decimal fractions; halves of a cent may fall either way.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from decimal import Decimal

from ..job.quote import Quote as Rates
from ..plan.model import Quote
from .index import Index
from .limits import CENT
from .report import Book

Key = tuple[str, str, str]
_LIMIT = "quote"
_HOUR = 0.005 + 1e-7
_METRE = 0.001
_LEAST_H = Decimal("0.00501")


def judge_quote(index: Index, book: Book) -> None:
    rates, printed = index.job.quote, index.plan.quote
    if (rates is None) != (printed is None):
        text = (
            f"quote: {'none' if printed is None else 'one'} printed, the job has {'no' if rates is None else ''} rates"
        )
        book.claim(_LIMIT, "quote", False, " ".join(text.split()))
    if rates is None or printed is None:
        return
    own = _own(index, rates)
    found: Counter[Key] = Counter((item.part, item.kind, item.of) for item in printed.items)
    for key, (_, _, hours, _) in list(own.items()):
        if hours is not None and hours <= _LEAST_H and key not in found:
            del own[key]  # rounded to nothing
    wanted = Counter(own.keys())
    same, odd = found == wanted, sorted((found - wanted) + (wanted - found))
    text = f"quote: items printed and items of the plan differ: {', '.join(' '.join(key).strip() for key in odd)}"
    if not book.claim(_LIMIT, "quote", same, text):
        return
    share = 1 - _exact(rates.margin_pct) / 100
    for item in printed.items:
        where = " ".join(f"{item.part} {item.kind} {item.of}".split())
        quantity, unit, hours, cost = own[item.part, item.kind, item.of]
        book.same(_LIMIT, where, "quantity", item.quantity, float(quantity), "m", _METRE)
        text = f"{where}: unit {item.unit!r} and hours {item.hours} are printed, {unit!r} and {hours} belong there"
        book.claim(_LIMIT, where, item.unit == unit and (item.hours is None) == (hours is None), text)
        if item.hours is not None and hours is not None:
            book.same(_LIMIT, where, "hours", item.hours, float(hours), "h", _HOUR)
            cost = _exact(item.hours) * _exact(rates.hour_cost)  # from the printed hours: they are what is charged
        book.same(_LIMIT, where, "cost", item.cost, float(cost), "", CENT / 2)
        book.same(_LIMIT, where, "price", item.price, float(_exact(item.cost) / share), "", CENT / 2)
    _judge_sums(printed, rates, book)
    lacking = sorted({index.type_name(lamp) for lamp in index.plan.lamps} - set(rates.lamps))
    text = (
        f"quote: lamps without a price are {', '.join(lacking) or 'none'}, printed are {', '.join(printed.not_priced)}"
    )
    book.claim(_LIMIT, "quote", printed.not_priced == lacking, text)


def _judge_sums(printed: Quote, rates: Rates, book: Book) -> None:
    for what, said, wanted in (
        ("hour_cost", printed.hour_cost, rates.hour_cost),
        ("margin_pct", printed.margin_pct, rates.margin_pct),
        ("tax_pct", printed.tax_pct, rates.tax_pct),
        ("tax_name", printed.tax_name, rates.tax_name),
        ("whole", printed.whole, rates.whole),
    ):
        book.claim(_LIMIT, "quote", said == wanted, f"quote: {what} {said!r} printed, {wanted!r} in the job")
    items = printed.items
    for what, value, exact, tol in (
        ("hours", printed.hours, sum((_exact(item.hours or 0.0) for item in items), Decimal()), 1e-6),
        ("cost", printed.cost, sum((_exact(item.cost) for item in items), Decimal()), 1e-6),
        ("net", printed.net, sum((_exact(item.price) for item in items), Decimal()), 1e-6),
        ("tax", printed.tax, _exact(printed.net) * _exact(rates.tax_pct) / 100, CENT / 2),
        ("total", printed.total, _exact(printed.net) + _exact(printed.tax), 1e-6),
    ):
        book.same(_LIMIT, "quote", what, value, float(exact), "", tol)
    money = [item.cost for item in items] + [item.price for item in items]
    for amount in (*money, printed.cost, printed.net, printed.tax, printed.total):
        ok = abs(amount * 100 - round(amount * 100)) <= 1e-6 * max(1.0, amount) and amount >= 0
        book.claim(_LIMIT, "quote", ok, f"quote: {amount!r} is no sum of money in whole cents")


def _exact(value: float) -> Decimal:
    return Decimal(repr(value))


def _own(index: Index, rates: Rates) -> dict[Key, tuple[Decimal, str, Decimal | None, Decimal]]:
    """Quantity, unit, hours and cost of every item that the quote must have."""
    plan, job = index.plan, index.job
    amounts: dict[Key, list[Decimal]] = {}
    units: dict[Key, str] = {}

    def put(kind: str, of: str, quantity: float, cost: float, unit: str = "") -> None:
        key = ("material", kind, of)
        units[key] = unit
        there = amounts.setdefault(key, [Decimal(), Decimal()])
        there[0] += _exact(quantity)
        there[1] += _exact(cost)

    if rates.whole:
        for reel in plan.reels:
            put("cable", reel.cable, reel.reel_m * reel.count, reel.price, "m")
    else:
        for cable in plan.cables:
            put("cable", cable.cable, cable.cut_m, cable.price, "m")
    kits = Counter(joint.kit for joint in plan.joints if joint.kit is not None)
    kits.update(lamp.extension_kit for lamp in plan.lamps if lamp.extension_kit is not None)
    for name, count in kits.items():
        kit = job.joints.kits.get(name)
        if kit is None:  # judged where the joint or the extension is
            continue
        while rates.whole and count % kit.pack:
            count += 1
        amounts["material", "kit", name] = [Decimal(count), count * _exact(kit.price)]
    for driver in plan.drivers:
        put("driver", driver.model, 1, driver.price)
    for supply in {driver.supply for driver in plan.drivers}:
        if job.supply(supply).price > 0:
            put("supply", supply, 1, job.supply(supply).price)
    for circuit in plan.circuits:
        if circuit.fuse_a is not None:
            put("fuse", f"{circuit.fuse_a:g} A", 1, circuit.fuse_price)
    for lamp in plan.lamps:
        if index.type_name(lamp) in rates.lamps:
            put("lamp", index.type_name(lamp), 1, rates.lamps[index.type_name(lamp)])
        if lamp.extension_m > 0:
            put("flex", "", lamp.extension_m, 0, "m")
    if ("material", "flex", "") in amounts:
        flex = amounts["material", "flex", ""]
        flex[1] = flex[0] * _exact(job.joints.extension_per_m)
    own: dict[Key, tuple[Decimal, str, Decimal | None, Decimal]] = {
        key: (quantity, units.get(key, ""), None, cost) for key, (quantity, cost) in amounts.items()
    }
    for kind, of, minutes, quantity, unit in _work(index, rates):
        hours = quantity * _exact(minutes) / 60
        if hours > 0:
            own["labour", kind, of] = (quantity, unit, hours, Decimal())
    for name, cost in rates.extras.items():
        own["extra", "extra", name] = (Decimal(1), "", None, _exact(cost))
    return own


def _work(index: Index, rates: Rates) -> list[tuple[str, str, float, Decimal, str]]:
    """Kind, of what, minutes for each, how many, unit."""
    plan = index.plan
    dug: dict[str, Decimal] = {}
    pulls = 0
    for trench in plan.trenches:
        if trench.sleeve is None:
            dug[trench.ground] = dug.get(trench.ground, Decimal()) + _exact(trench.length_m)
        else:
            pulls += len(trench.cables)
    work = [
        ("trench", ground, rates.grounds.get(ground, rates.trench_min_per_m), length_m, "m")
        for ground, length_m in dug.items()
    ]
    joints = len(plan.joints) + sum(lamp.extension_kit is not None for lamp in plan.lamps)
    return [
        *work,
        ("crossing", "", rates.crossing_min, Decimal(_passages(index)), ""),
        ("pull", "", rates.pull_min, Decimal(pulls), ""),
        ("lay", "", rates.cable_min_per_m, sum((_exact(cable.cut_m) for cable in plan.cables), Decimal()), "m"),
        ("joint", "", rates.joint_min, Decimal(joints), ""),
        ("lamp", "", rates.lamp_min, Decimal(len(plan.lamps)), ""),
        ("driver", "", rates.driver_min, Decimal(len(plan.drivers)), ""),
        ("circuit", "", rates.circuit_min, Decimal(len(plan.circuits)), ""),
        ("fixed", "", 60.0, _exact(rates.fixed_hours), "h"),
    ]


def _passages(index: Index) -> int:
    """Passages of trenches into other ground, at each end of a trench: those between grounds free to cross are none."""
    meeting: defaultdict[tuple[float, float], list[str]] = defaultdict(list)
    for trench in index.plan.trenches:
        for x, y, *_ in (trench.route[0], trench.route[-1]):
            if trench.sleeve is None and trench.ground not in meeting[x, y]:
                meeting[x, y].append(trench.ground)
    count = 0
    for grounds in meeting.values():
        free = [name for name in grounds if index.job.grounds[name].crossing == 0]
        # All that may be crossed freely are one ground here: from it, or from the first, into each of the others.
        count += len(grounds) - max(len(free), 1)
    return count
