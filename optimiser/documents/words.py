"""Numbers and names as people read them. In: values of the plan. Out: short texts, the same on every paper."""

from __future__ import annotations

import math
import unicodedata
from bisect import bisect_left
from collections.abc import Callable, Iterable
from functools import lru_cache
from typing import TYPE_CHECKING

PARTS = (
    ("trench", "trench and leads"),
    ("cable", "cable"),
    ("joints", "joints"),
    ("drivers", "drivers"),
    ("supplies", "supply points"),
    ("fuses", "fuses"),
)

if TYPE_CHECKING:  # what needs no plan, as the drawing of a survey, does not wait for its model
    from ..plan.model import Band, Plan
"""Parts of the cost in the order they are printed, with their names."""

INVENTED = "All prices are invented, for demonstration only."

OUTCOMES = {
    "proved_best": "proven: no layout on this ground graph is cheaper",
    "within_gap": "stopped when the gap was as small as asked",
    "effort_spent": "stopped when the effort was spent",
    "stopped_by_time": "stopped by the time limit; more time may find a cheaper layout",
    "stopped_by_user": "stopped by hand; more time may find a cheaper layout",
}


_TURNING = dict.fromkeys([*range(0x202A, 0x202F), 0x2066, 0x2067])  # they would reorder the numbers beside a name
FIRST_STRONG, POP = "\u2068", "\u2069"


@lru_cache(maxsize=1 << 14)
def plain(text: str) -> str:
    """One line without characters that a terminal, a spreadsheet or XML cannot hold, or that turn the text round."""
    joined = " ".join(text.translate(_TURNING).split())
    if joined.isprintable():
        return joined
    return "".join("\ufffd" if _unfit(char) else char for char in joined)


def isolated(name: str) -> str:
    """A name to be set among other words: written from right to left, it keeps them in their order (UAX #9, 2.4)."""
    name = plain(name).replace(FIRST_STRONG, "").replace(POP, "")
    if any(unicodedata.bidirectional(char) in {"R", "AL", "AN"} for char in name):
        return FIRST_STRONG + name + POP
    return name


def _unfit(char: str) -> bool:
    code = ord(char)
    return unicodedata.category(char) in {"Cc", "Cs"} or code & 0xFFFE == 0xFFFE


def columns_of(text: str) -> int:
    """How many columns of a terminal a text takes: two for wide characters, none for combining ones."""
    return sum(
        0 if unicodedata.combining(char) or char == "\u200d" else 2 if unicodedata.east_asian_width(char) in "WF" else 1
        for char in text
    )


def fitted(text: str, columns: int, *, right: bool = False) -> str:
    """Exactly this many columns: padded, or shortened with an ellipsis."""
    text = plain(text)
    if columns_of(text) > columns:
        kept, taken = 0, 0
        for char in text:
            taken += columns_of(char)
            if taken > columns - 1:
                break
            kept += 1
        text = text[:kept] + "…"
    padding = " " * (columns - columns_of(text))
    return padding + text if right else text + padding


def most_that_fit(most: int, fits: Callable[[int], bool]) -> int:
    """The greatest number from 1 to ``most`` that fits, else 0; where more never fits better. Asks few far greater."""
    beyond = 1
    while beyond < most and fits(beyond):
        beyond *= 2
    return bisect_left(range(1, min(beyond, most) + 1), True, key=lambda count: not fits(count))


def number(value: float, digits: int) -> str:
    """Fixed digits, a comma between thousands, never a minus before nought."""
    text = f"{value:,.{digits}f}"
    return text.removeprefix("-") if not text.strip("-0.") else text


def outwards(band: Band) -> Band:
    """
    The band to the hundredths that are printed, never narrower than it is.

    Examples
    --------
    >>> outwards((11.956, 13.992)), outwards((2.4, 2.6))
    ((11.95, 14.0), (2.4, 2.6))
    """
    low, high = (round(1000 * value) / 10 for value in band)  # thousandths in the plan
    return math.floor(low) / 100, math.ceil(high) / 100


def money(value: float, currency: str) -> str:
    """Sum with the job's currency behind it: ``1,284.10 EUR``."""
    return f"{number(value, 2)} {plain(currency)}".rstrip()


def metres(value: float) -> str:
    return f"{number(value, 1)} m"


def drop_of(drop_pct: float) -> str:
    """``drop 9.4 %``; ``2.3 % above nominal`` where drop counts from nominal volts and a lamp gets more."""
    if round(drop_pct, 1) < 0:
        return f"{number(-drop_pct, 1)} % above nominal"
    return f"drop {number(drop_pct, 1)} %"


def counted(count: int, thing: str) -> str:
    """``1 lamp``, ``2 lamps``."""
    return f"{count} {thing}{'' if count == 1 else 's'}"


def listed(names: Iterable[str]) -> str:
    """``a, b and c``."""
    names = list(names)
    return " and ".join([", ".join(names[:-1]), names[-1]] if len(names) > 1 else names)


def how_sure(plan: Plan) -> str:
    """What is known about the cost: the bound and gap in one sentence."""
    if plan.bound is None or plan.gap is None:
        return "How far the cost is from the least possible is not known: no bound was proven."
    if plan.open_bound is not None and plan.open_gap is not None:
        return _how_sure_of_both(plan, plan.bound, plan.gap, plan.open_bound, plan.open_gap)
    if plan.outcome == "proved_best":
        return f"Proven least cost: {plan.bound_says or 'no layout on this ground graph costs less'}."
    says = plan.bound_says or "no layout on this ground graph costs less than the bound"
    return (
        f"At least {money(plan.bound, plan.currency)} is needed, whatever the layout ({plain(says)}): "
        f"at most {number(100 * plan.gap, 1)} % could still be saved."
    )


def _how_sure_of_both(plan: Plan, bound: float, gap: float, open_bound: float, open_gap: float) -> str:
    """The bounds on the ground graph and on the open ground, and which is which."""
    says = f" ({plain(plan.bound_says)})" if plan.bound_says else ""
    on_graph, on_open = money(bound, plan.currency), money(open_bound, plan.currency)
    if open_bound >= bound:
        least = "Proven least cost" if plan.outcome == "proved_best" else f"At least {on_open} is needed"
        saved = "" if plan.outcome == "proved_best" else f": at most {number(100 * gap, 1)} % could still be saved"
        return f"{least}, wherever trenches run on this ground{says}{saved}."
    if plan.outcome == "proved_best":
        first = f"Proven least cost of all layouts whose trenches run along the lines that were searched{says}"
    else:
        first = (
            f"At least {on_graph} is needed along the lines that were searched, where trenches turn and fork at "
            f"finitely many places{says}: at most {number(100 * gap, 1)} % could still be saved there"
        )
    return (
        f"{first}. No layout at all on this ground, wherever its trenches run, costs less than {on_open}: at most "
        f"{number(100 * open_gap, 1)} % could be saved by any."
    )
