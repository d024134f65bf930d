"""The lists that go to site and to the shop, each from the plan alone. In: Plan. Out: Tables."""

from __future__ import annotations

from collections.abc import Callable

from ...plan.model import Plan
from ..tables import Table
from .cutting import cut_table
from .digging import crossing_table, trench_table
from .joints import joint_table
from .measuring import before_table, joint_volts_table, terminals_table
from .purchase import purchase_table
from .quote import customer_quote_table, quote_table
from .set_out import fixed_point_table, set_out_table

LISTS: tuple[Callable[[Plan], Table], ...] = (
    set_out_table,
    fixed_point_table,
    trench_table,
    crossing_table,
    cut_table,
    joint_table,
    before_table,
    terminals_table,
    joint_volts_table,
    purchase_table,
)
"""In the order in which they are needed on site; what the office buys comes last."""

__all__ = [
    "LISTS",
    "all_tables",
    "before_table",
    "crossing_table",
    "customer_quote_table",
    "cut_table",
    "fixed_point_table",
    "joint_table",
    "joint_volts_table",
    "purchase_table",
    "quote_table",
    "set_out_table",
    "terminals_table",
    "trench_table",
]


def all_tables(plan: Plan) -> list[Table]:
    """Every list of the plan, each with a name of its own."""
    return [make(plan) for make in LISTS]
