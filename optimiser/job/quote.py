"""What work and material cost, and what the customer pays. In: parsed TOML tables. Out: Quote, frozen.

Nothing in the layout depends on it: the search goes by the prices of ``[grounds]`` and its like, the quote by the hours
of this table.
"""

from __future__ import annotations

from typing import Annotated

from pydantic import Field

from .base import Model, NonNegative, Price

Margin = Annotated[float, Field(ge=0, lt=100, allow_inf_nan=False)]


class Quote(Model):
    """Rates and times. Times are those of one worker; for two, write the sum of both."""

    hour_cost: Price = Field(description="what an hour of work costs, before margin")
    trench_min_per_m: NonNegative = Field(
        description="minutes to dig and fill a metre of trench, in grounds that quote.grounds does not name"
    )
    grounds: dict[str, NonNegative] = Field(
        default_factory=dict, description="minutes for a metre of trench in these grounds, by name"
    )
    crossing_min: NonNegative = Field(
        0.0,
        description="minutes to open and mend the border where a trench passes into another ground and either has a "
        "crossing price (grounds.NAME.crossing)",
    )
    pull_min: NonNegative = Field(0.0, description="minutes to pull one cable through a sleeve")
    cable_min_per_m: NonNegative = Field(description="minutes to lay a metre of cable")
    joint_min: NonNegative = Field(description="minutes to make a joint, in a kit or in a post")
    lamp_min: NonNegative = Field(description="minutes to set and aim a lamp, its lead laid")
    driver_min: NonNegative = Field(
        0.0, description="minutes to mount a driver; default none, as drivers.NAME.price has it mounted"
    )
    circuit_min: NonNegative = Field(0.0, description="minutes to test and measure a circuit")
    fixed_hours: NonNegative = Field(0.0, description="hours besides: travel, setting out, clearing up")
    whole: bool = Field(
        False, description="whether whole reels and packs are charged as they are bought, or what is used of them"
    )
    lamps: dict[str, Price] = Field(
        default_factory=dict, description="cost of one lamp, by lamp type; lamps not named are not in the quote"
    )
    extras: dict[str, Price] = Field(default_factory=dict, description="costs besides, by what they are for")
    margin_pct: Margin = Field(
        description="part of the price before tax that is not cost, in per cent: price = cost / (1 - margin)"
    )
    tax_pct: NonNegative = Field(le=100, description="tax on the price, in per cent; 0 where there is none")
    tax_name: str = Field("tax", min_length=1, max_length=20, description="what that tax is called")
