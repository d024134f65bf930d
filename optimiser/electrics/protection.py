"""What protects a circuit, and what would. In: driver, amps, ratings, faults, leads, fuses. Out: Protection.

Rule A: the driver's own limit is no more than any cable may carry. Rule B: a device (the breaker built into the outlet,
or a fuse) that carries the load, is no more than any cable may carry, and is opened by a short at every far end. Leads
are protected by the driver's limit, by a driver that gives up into a short (hiccup, foldback, latch) with a stated
r.m.s. current, or by rule B's device when it opens before the lead overheats: (open_factor x rating)² x open_s <=
(115 mm²)², the adiabatic rule of IEC 60364-4-43 with k = 115 for copper in PVC.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike

from ..job import Driver, Fuses

K_COPPER_PVC = 115.0
"""k of copper in PVC in I²t = k²S², in A s½/mm²."""
_GIVES_UP = ("hiccup", "foldback", "latch")

Lead = tuple[float, float]
"""Conductor in mm² and rating in A."""


@dataclass(frozen=True)
class Protection:
    """
    What protects a circuit.

    ``rule`` is "A" or "B" (None where nothing does); ``fuse_a`` and ``breaker_a`` the device where one is needed;
    ``short_a`` the least fault current at any far end where a device has to see it, else None; ``sentence`` says it for
    the papers, ``why_not`` what stands in the way (empty where ``ok``).
    """

    ok: bool
    rule: Literal["A", "B"] | None = None
    fuse_a: float | None = None
    breaker_a: float | None = None
    short_a: float | None = None
    sentence: str = ""
    why_not: str = ""


def protect(
    driver: Driver,
    amps: float,
    cable_ratings: Sequence[float],
    short_a_far_ends: ArrayLike,
    leads: Sequence[Lead],
    fuses: Fuses,
    *,
    with_spare: bool = False,
) -> Protection:
    """
    Choose what protects one circuit: the driver's own limit, else the built-in breaker, else the smallest fuse.

    Parameters
    ----------
    driver
        What feeds it; its limits are the same at every tap.
    amps
        At its outlet, all on, in A.
    cable_ratings
        Rating of each of its cables in A, already multiplied for bunching. Empty where lamps hang on the driver itself.
    short_a_far_ends
        Fault current at the far ends of its cables and leads, in A (``circuit.far_end_short_a``; nearer nodes besides
        do no harm, their faults are larger).
    leads
        (mm², rating in A) of each lead; extensions count by their thinner conductor.
    fuses
        Ratings to be had, and the factors.
    with_spare
        Whether ``amps`` hold the job's spare load: the sentences say so.

    Notes
    -----
    A breaker built into the outlet is there whatever protects the circuit, and must carry its load.

    All fuses cost the same, so the smallest that satisfies everything is as cheap as any and opens first.
    """
    drawn = f"the circuit draws {amps:.2f} A" + (" with its spare load" if with_spare else "")
    if driver.breaker_a is not None and amps > fuses.load_factor * driver.breaker_a:
        share = f"{100 * fuses.load_factor:g} % of the {driver.breaker_a:g} A breaker built into the outlet"
        return Protection(False, why_not=f"{drawn}, more than {share}, which is there whatever protects the circuit")
    weakest = min(cable_ratings, default=math.inf)
    lead = min((rating for _, rating in leads), default=math.inf)
    limit = driver.current_limit_a
    limit_guards_cables = limit <= weakest
    if limit_guards_cables and _driver_guards_leads(driver, lead):
        return Protection(True, "A", sentence=_sentence_a(driver, weakest, lead))

    short_a = float(np.min(np.asarray(short_a_far_ends, np.float64), initial=math.inf))
    why_not: list[str] = []
    if driver.mode not in ("hold", "none"):
        why_not.append(f"it cannot be a device: a fuse behind a {driver.mode} driver may never open")
    else:
        devices = [("breaker", driver.breaker_a)] if driver.breaker_a is not None else []
        devices += [("fuse", rating) for rating in sorted(fuses.ratings_a)]
        for kind, rating in devices:
            fault = _device_fault(driver, rating, amps, drawn, weakest, short_a, leads, fuses)
            if not fault:
                return Protection(
                    True,
                    "B",
                    fuse_a=rating if kind == "fuse" else None,
                    breaker_a=rating if kind == "breaker" else None,
                    short_a=short_a,
                    sentence=_sentence_b(kind, rating, drawn, weakest, short_a, leads, driver, fuses),
                )
            # Of the fuses too small for the load, only the fact that all are is worth a word.
            if amps <= fuses.load_factor * rating or rating == devices[-1][1]:
                why_not.append(f"a {rating:g} A {kind} will not do: {fault}")
    own = (
        f"the driver's limit of {limit:.3g} A is above the {weakest:g} A of the weakest cable"
        if not limit_guards_cables
        else f"the driver does not protect a lead of {lead:g} A"
        + (f" (its limit is {limit:.3g} A)" if math.isfinite(limit) else "")
    )
    if math.isinf(limit):
        own = "the driver has no current limit of its own"
    return Protection(False, why_not="; ".join([own, *why_not[:2]]))


def opens_before_lead_overheats(rating_a: float, mm2: float, fuses: Fuses) -> bool:
    """Whether a device of this rating opens into a short before a lead of this size is too hot."""
    return (fuses.open_factor * rating_a) ** 2 * fuses.open_s <= (K_COPPER_PVC * mm2) ** 2


def _driver_guards_leads(driver: Driver, lead_rating_a: float) -> bool:
    return driver.current_limit_a <= lead_rating_a or _gives_up_below(driver, lead_rating_a)


def _gives_up_below(driver: Driver, lead_rating_a: float) -> bool:
    return driver.mode in _GIVES_UP and driver.short_rms_a is not None and driver.short_rms_a <= lead_rating_a


def _device_fault(
    driver: Driver,
    rating: float,
    amps: float,
    drawn: str,
    weakest: float,
    short_a: float,
    leads: Sequence[Lead],
    fuses: Fuses,
) -> str:
    """Why a device of this rating does not protect the circuit: a clause, empty where it does."""
    least_a = fuses.open_factor * rating
    if amps > fuses.load_factor * rating:
        return f"{drawn}, more than {100 * fuses.load_factor:g} % of it"
    if rating > weakest:
        return f"the weakest cable carries {weakest:g} A"
    if driver.current_limit_a < least_a:
        return f"it opens at {least_a:g} A and the driver limits at {driver.current_limit_a:.3g} A"
    if short_a < least_a:
        return f"it opens at {least_a:g} A and a short at the worst far end draws {short_a:.2f} A"
    for mm2, lead_rating in leads:
        if not (_driver_guards_leads(driver, lead_rating) or opens_before_lead_overheats(rating, mm2, fuses)):
            return f"it opens too late for a lead of {mm2:g} mm²"
    return ""


def _sentence_a(driver: Driver, weakest: float, lead: float) -> str:
    limit = driver.current_limit_a
    if math.isinf(weakest):
        cables = f"Rule A: no cable needs a fuse behind the driver's limit of {limit:.3g} A"
    else:
        cables = f"Rule A: the driver limits at {limit:.3g} A and every cable carries at least {weakest:g} A"
    if math.isinf(lead):
        return f"{cables}; no fuse is needed."
    if limit <= lead:
        return f"{cables}, every lead {lead:g} A; no fuse is needed."
    return (
        f"{cables}; into a short it gives up ({driver.mode}, {driver.short_rms_a:g} A r.m.s.), which every lead "
        f"({lead:g} A) stands; no fuse is needed."
    )


def _sentence_b(
    kind: str,
    rating: float,
    drawn: str,
    weakest: float,
    short_a: float,
    leads: Sequence[Lead],
    driver: Driver,
    fuses: Fuses,
) -> str:
    device = f"a {rating:g} A fuse" if kind == "fuse" else f"the {rating:g} A breaker built into the outlet"
    cables = "" if math.isinf(weakest) else f", every cable carries at least {weakest:g} A"
    short = f"{math.floor(short_a * 10) / 10:g} A" if math.isfinite(short_a) else "any current"
    text = (
        f"Rule B: {device}; {drawn} (at most {100 * fuses.load_factor:g} % of it)"
        f"{cables}, and a short at any far end draws at least {short}, enough to open it "
        f"({fuses.open_factor:g} x {rating:g} A = {fuses.open_factor * rating:g} A)"
    )
    late = [mm2 for mm2, lead_rating in leads if not _driver_guards_leads(driver, lead_rating)]
    if late:
        text += f"; it opens before a lead of {min(late):g} mm² is too hot"
    return text + "."
