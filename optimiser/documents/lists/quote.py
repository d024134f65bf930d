"""The quote, for the office with costs and margin, for the customer without. In: Plan with a quote. Out: Table.

It is no list that goes to site, and stands in no other paper.
"""

from __future__ import annotations

from ...plan.model import Plan, Quote, QuoteItem
from ..tables import Cell, Column, Part, Table
from ..words import INVENTED, isolated, listed, number

_PARTS = (("material", "Material"), ("labour", "Labour"), ("extra", "Besides"))
_ITEM = (
    Column("part", "", 0),
    Column("item", "item", 3),
    Column("quantity", "quantity", 1, 1),
    Column("unit", "", 0.5),
    Column("hours", "hours", 0.8, 2),
)
_COST = (Column("cost", "cost", 1, 2),)
_PRICE = (Column("price", "price", 1, 2), Column("currency", "", 0.6))


def quote_table(plan: Plan) -> Table:
    """For the office: what each item costs, and its price."""
    quote = _of(plan)
    sums: list[tuple[str, float | None, float]] = [
        ("before tax", quote.cost, quote.net),
        (_tax(quote), None, quote.tax),
        ("total", None, quote.total),
    ]
    rows = [("Sums", words, None, "", None, cost, price, plan.currency) for words, cost, price in sums]
    hours = f"{number(quote.hours, 2)} hours at {number(quote.hour_cost, 2)}"
    margin = f"Margin {quote.margin_pct:g} % of the price before tax: {number(quote.net - quote.cost, 2)}."
    after = (f"Labour: {hours}. {margin}", *_notes(plan, quote))
    parts = _parts(plan, quote, with_cost=True)
    return Table("quote", "Quote, with costs", (*_ITEM, *_COST, *_PRICE), (*parts, Part("Sums", tuple(rows))),
                 ("For the office: not to be handed to the customer.",), after)  # fmt: skip


def customer_quote_table(plan: Plan) -> Table:
    """For the customer: prices alone."""
    quote = _of(plan)
    sums = (("before tax", quote.net), (_tax(quote), quote.tax), ("total", quote.total))
    rows = tuple(("Sums", words, None, "", None, price, plan.currency) for words, price in sums)
    parts = _parts(plan, quote, with_cost=False)
    return Table("quote_customer", "Quote", (*_ITEM, *_PRICE), (*parts, Part("Sums", rows)), (), _notes(plan, quote))


def _of(plan: Plan) -> Quote:
    if plan.quote is None:
        raise ValueError("the plan has no quote: its job states no rates")
    return plan.quote


def _tax(quote: Quote) -> str:
    return f"{isolated(quote.tax_name)} {quote.tax_pct:g} %"


def _parts(plan: Plan, quote: Quote, *, with_cost: bool) -> list[Part]:
    parts = []
    for key, title in _PARTS:
        rows: list[tuple[Cell, ...]] = []
        for item in quote.items:
            if item.part == key:
                cost: tuple[Cell, ...] = (item.cost,) if with_cost else ()
                quantity = None if item.part == "extra" or item.kind == "fixed" else _count(item)
                unit = "" if quantity is None else item.unit
                rows.append((title, _words(item), quantity, unit, item.hours, *cost, item.price, plan.currency))
        if rows:
            parts.append(Part(title, tuple(rows)))
    return parts


def _count(item: QuoteItem) -> float | int:
    return int(item.quantity) if not item.unit and item.quantity == int(item.quantity) else item.quantity


def _words(item: QuoteItem) -> str:
    name = isolated(item.of)
    return {
        ("material", "cable"): f"cable {name}",
        ("material", "kit"): f"joint kit {name}",
        ("material", "driver"): f"driver {name}",
        ("material", "fuse"): f"fuse {name} with holder",
        ("material", "flex"): "flex to extend leads",
        ("material", "supply"): f"supply point {name}",
        ("material", "lamp"): f"lamp {name}",
        ("labour", "trench"): f"dig and fill trenches: {name}",
        ("labour", "crossing"): "open and mend borders of grounds",
        ("labour", "pull"): "pull cables through sleeves",
        ("labour", "lay"): "lay cables",
        ("labour", "joint"): "make joints",
        ("labour", "lamp"): "set and aim lamps",
        ("labour", "driver"): "mount drivers",
        ("labour", "circuit"): "test and measure circuits",
        ("labour", "fixed"): "travel, setting out, clearing up",
    }.get((item.part, item.kind), name)


def _notes(plan: Plan, quote: Quote) -> tuple[str, ...]:
    notes = ["Reckoned from the plan: what is found in the ground may ask for more."]
    notes.append("Not included: mains work, which is for a licensed electrician.")
    if quote.not_priced:
        notes.append(f"Not included: the lamps {listed(isolated(name) for name in quote.not_priced)} themselves.")
    if quote.whole:
        notes.append("Cable and kits are charged in whole reels and packs.")
    if plan.prices_are_invented:
        notes.append(INVENTED)
    return tuple(notes)
