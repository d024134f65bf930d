"""What is certain of the lamps' volts within the job's tolerances. In: Job, drivers wired up. Out: Sure, by lamp."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from ..electrics.tolerance import Tolerance, lamp_chances, lamp_limits
from ..electrics.variants import Variants, solve_variants
from ..job import Driver, Job
from ..problems import CircuitCollapses
from . import model as m
from .wiring import WiredDriver


@dataclass(frozen=True)
class Sure:
    """Of one lamp, rounded outwards; None where nothing can be guaranteed."""

    low_v: float | None
    high_v: float | None
    margin_v: float | None
    drop_pct: float | None
    outside_pct: float | None
    """None in a draft: chances decide nothing."""


def certainty(job: Job, seed: int) -> m.Certainty | None:
    """What the figures rest on; None where the job does not ask for them."""
    given = job.tolerance
    if given.plan == "off":
        return None
    voltage = job.strayed_voltage()
    return m.Certainty(
        held=given.plan == "hold",
        cable_pct=given.cable_pct,
        length_pct=given.length_pct,
        contact_pct=given.contact_pct,
        load_pct=given.load_pct,
        source_pct=given.source_pct,
        hot_c=voltage.hot_c,
        sun_c=voltage.sun_c,
        cold_c=voltage.cold_c,
        samples=given.samples,
        seed=seed,
    )


def sure_lamps(
    job: Job, models: Sequence[Driver], wired: Sequence[WiredDriver], seed: int, *, draft: bool
) -> dict[int, Sure]:
    """
    By position in the survey; empty where the job does not ask for it.

    Parameters
    ----------
    models, wired
        Model and solved circuits of each driver.
    seed
        Of the samples; each driver has samples of its own.
    draft
        Leave out the chances.
    """
    given, voltage = job.tolerance, job.strayed_voltage()
    if given.plan == "off":
        return {}
    tolerance = Tolerance(given.cable_pct, given.length_pct, given.contact_pct, given.load_pct)
    found: dict[int, Sure] = {}
    for d, (stated, driver) in enumerate(zip(models, wired, strict=True)):
        model, trees = job.strayed_driver(stated), [one.tree for one in driver.circuits]
        try:
            limits = lamp_limits(model, trees, driver.taps, voltage, tolerance)
        except CircuitCollapses:
            limits = None
        heavy = solve_variants(
            model,
            trees,
            driver.taps,
            Variants(
                1,
                buried_c=voltage.hot_c,
                sun_c=voltage.sun_c,
                copper=_most(given.cable_pct) * _most(given.length_pct),
                contact=_most(given.contact_pct),
                load=_most(given.load_pct),
            ),
        )
        chances = (
            None
            if draft
            else lamp_chances(
                model, trees, driver.taps, voltage, tolerance, samples=given.samples, seed=1000 * seed + d
            )
        )
        at = 0
        for c, one in enumerate(driver.circuits):
            for k, lamp in enumerate(one.lamps):
                kind = one.tree.lamp_types[k]
                from_v = heavy.out_v[0, c] if voltage.drop_from == "driver" else kind.volts
                low_v = None if limits is None else _floor(limits[c].low_v[k])
                high_v = None if limits is None else _ceil(limits[c].high_v[k])
                window_low, window_high = kind.window
                found[lamp] = Sure(
                    low_v=low_v,
                    high_v=high_v,
                    margin_v=None
                    if low_v is None or high_v is None
                    else round(min(low_v - window_low, window_high - high_v), 3),
                    drop_pct=_rounded(100 * (from_v - heavy.lamp_v[0, at]) / kind.volts),
                    outside_pct=None if chances is None else round(100 * float(chances[c].outside[k]), 2),
                )
                at += 1
    return found


def _most(span: tuple[float, float]) -> float:
    return 1 + span[1] / 100


def _floor(volts: float) -> float | None:
    return math.floor(volts * 1000 + 1e-6) / 1000 if math.isfinite(volts) else None


def _ceil(volts: float) -> float | None:
    return math.ceil(volts * 1000 - 1e-6) / 1000 if math.isfinite(volts) else None


def _rounded(pct: float) -> float | None:
    return round(float(pct), 2) if math.isfinite(pct) else None
