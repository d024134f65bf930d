"""What to buy, rounded up to what shops sell. In: Plan. Out: Table."""

from __future__ import annotations

import math
from collections import Counter, defaultdict

from ...plan.model import Plan
from ..tables import Cell, Column, Part, Table
from ..words import INVENTED, isolated, money

COLUMNS = (
    Column("group", "", 0),
    Column("item", "item", 2.6),
    Column("needed", "needed", 1, 1),
    Column("unit", "", 0.7),
    Column("sold_as", "sold as", 1.2),
    Column("buy", "buy", 0.6),
    Column("price_each", "price each", 1, 2),
    Column("price", "price", 1, 2),
    Column("currency", "", 0.7),
    Column("note", "", 0),
    Column("", "ordered", 0.7, to_fill=True),
    Column("", "on site", 0.7, to_fill=True),
)


def purchase_table(plan: Plan) -> Table:
    """
    Reels, drivers, joint kits, fuses, flex; then lamps, whose prices no job states.

    Whole reels and packs are bought where the layout's own cost counts metres and pieces, and labour is not bought: so
    the sum differs from the plan's cost.
    """
    groups = {
        "Cable": _reels(plan),
        "Drivers": _drivers(plan),
        "Joints": _kits(plan),
        "Fuses": _fuses(plan),
        "Flex to extend leads": _flex(plan),
        "Lamps": _lamps(plan),
    }
    parts = []
    for group, rows in groups.items():
        full = [(group, *row[:7], plan.currency if row[6] is not None else "", row[7], None, None) for row in rows]
        if full:
            parts.append(Part(group, tuple(full)))
    prices = [row[7] for part in parts for row in part.rows if isinstance(row[7], float)]
    total = round(math.fsum(prices), 2)
    after = [f"Sum of the prices above: {money(total, plan.currency)}."]
    missing = [row[1] for part in parts for row in part.rows if row[7] is None]
    if missing:
        after[0] += f" Without {', '.join(str(item) for item in missing)}: the job states no price for them."
    proven = all(reels.proven_least for reels in plan.reels)
    after.append(
        f"Whole reels: {'proven to be the cheapest purchase' if proven else 'the cheapest purchase found'} that all "
        "pieces can be cut from."
    )
    if plan.prices_are_invented:
        after.append(INVENTED)
    return Table("purchase_list", "Purchase list", COLUMNS, tuple(parts), after=tuple(after))


# rows: item, needed, unit, sold as, buy, price each, price, note
Row = tuple[Cell, ...]


def _reels(plan: Plan) -> list[Row]:
    cut_m: dict[tuple[str, float], float] = defaultdict(float)
    lengths = {cable.id: cable.cut_m for cable in plan.cables}
    for cut in plan.cuts:
        cut_m[cut.cable, cut.reel_m] += sum(lengths[piece] for piece in cut.pieces)
    rows: list[Row] = []
    for reels in plan.reels:
        if not reels.count:
            continue
        used = plan.cables_used.get(reels.cable)
        size = f", two-core copper {used.size}" if used else ""
        needed = round(cut_m[reels.cable, reels.reel_m], 1)
        each = round(reels.price / reels.count, 2)
        rows.append((f"{isolated(reels.cable)}{size}", needed, "m", f"reel of {reels.reel_m:g} m", reels.count, each,
                     round(reels.price, 2), ""))  # fmt: skip
    return rows


def _drivers(plan: Plan) -> list[Row]:
    models: dict[str, list[float]] = {}
    for driver in plan.drivers:
        models.setdefault(driver.model, []).append(driver.price)
    return [
        (name, len(prices), "", "piece", len(prices), prices[0], round(math.fsum(prices), 2), "")
        for name, prices in models.items()
    ]


def _kits(plan: Plan) -> list[Row]:
    needed = Counter(joint.kit for joint in plan.joints if joint.kit is not None)
    needed.update(lamp.extension_kit for lamp in plan.lamps if lamp.extension_kit is not None)
    rows: list[Row] = []
    for name, count in sorted(needed.items(), key=lambda item: str(item[0])):
        kit = plan.kits_used.get(str(name))
        pack = kit.pack if kit else 1
        packs = -(-count // pack)
        each = None if kit is None else round(kit.price * pack, 2)
        item, sold_as = f"joint kit {isolated(str(name))}", "piece" if pack == 1 else f"pack of {pack}"
        rows.append((item, count, "", sold_as, packs, each, None if each is None else round(packs * each, 2), ""))
    return rows


def _fuses(plan: Plan) -> list[Row]:
    ratings: dict[float, list[float]] = {}
    for circuit in plan.circuits:
        if circuit.fuse_a is not None:
            ratings.setdefault(circuit.fuse_a, []).append(circuit.fuse_price)
    return [
        (f"fuse {rating:g} A with holder", len(prices), "", "piece", len(prices), prices[0],
         round(math.fsum(prices), 2), "")
        for rating, prices in sorted(ratings.items())
    ]  # fmt: skip


def _flex(plan: Plan) -> list[Row]:
    total = round(math.fsum(lamp.extension_m for lamp in plan.lamps), 2)
    if total <= 0:
        return []
    return [("flex as the lamps' leads", total, "m", "metre", math.ceil(total), None, None, "")]


def _lamps(plan: Plan) -> list[Row]:
    types: dict[str, list[float]] = {}
    for lamp in plan.lamps:
        types.setdefault(lamp.type, []).append(lamp.watts)
    return [
        (f"lamp {isolated(name)}, {watts[0]:g} W", len(watts), "", "piece", len(watts), None, None, "")
        for name, watts in types.items()
    ]
