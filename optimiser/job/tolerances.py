"""How far the data of a job may stray. In: parsed TOML tables. Out: Tolerances, frozen."""

from __future__ import annotations

from typing import Annotated, Literal, Self

from pydantic import AfterValidator, Field, model_validator

from .base import Model


def _span(value: tuple[float, float]) -> tuple[float, float]:
    low, high = value
    if not -100 < low <= 0 <= high:
        raise ValueError(f"runs from {low:g} to {high:g}; write the lowest per cent (0 or below), then the highest")
    return value


End = Annotated[float, Field(gt=-100, le=500, allow_inf_nan=False)]
Span = Annotated[tuple[End, End], AfterValidator(_span)]
"""Lowest and highest, in per cent of what is stated, such as (-5, 10)."""


class Tolerances(Model):
    """Between what the data lie for which lamps' volts are guaranteed."""

    plan: Literal["off", "show", "hold"] = Field(
        "off",
        description='"show" prints each lamp\'s guaranteed volts and its chance of leaving its window; "hold" keeps '
        "windows at the worst corner too, and the largest drop with all data at their heaviest (--tolerance)",
    )
    cable_pct: Span = Field(
        (-5.0, 0.0),
        description="resistance of a metre of cable or lead, lowest and highest; IEC 60228 states the highest, the "
        "lowest is common practice, no source",
    )
    length_pct: Span = Field((-3.0, 3.0), description="length of each piece and lead (common practice, no source)")
    contact_pct: Span = Field((-50.0, 100.0), description="joints.end_ohm of each end (common practice, no source)")
    load_pct: Span = Field(
        (-10.0, 10.0),
        description="watts of each lamp; highest that of IEC 62717 (from memory), lowest common practice, no source",
    )
    source_pct: float | None = Field(
        None,
        ge=0,
        lt=50,
        description="volts of each driver, either way, where that is more than its own tol_pct or mains band; default "
        "its own",
    )
    hot_c: float | None = Field(None, ge=20, le=90, description="hottest buried copper; default voltage.hot_c")
    sun_c: float | None = Field(None, ge=20, le=90, description="hottest copper on the surface; default voltage.sun_c")
    cold_c: float | None = Field(None, ge=-40, le=20, description="coldest copper; default voltage.cold_c")
    samples: int = Field(10_000, ge=100, le=1_000_000, description="samples for the chance of leaving a window")

    @model_validator(mode="after")
    def _is_warm(self) -> Self:
        if self.hot_c is not None and self.sun_c is not None and self.sun_c < self.hot_c:
            raise ValueError("has sun_c below hot_c; write the hotter one in sun_c")
        return self
