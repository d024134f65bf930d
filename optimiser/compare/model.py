"""A comparison as published: the shape of ``comparison.json``. In: rounded values. Out: Comparison.

Units are those of ``plan.json``: metres, volts, watts, kWh, whole cents of the job's currency.
"""

from __future__ import annotations

from typing import Literal

from pydantic import Field, JsonValue

from ..plan.model import Cost, Part, Tool

Status = Literal["planned", "no_feasible_layout", "no_layout_found", "unusable", "stopped", "lost"]
"""``stopped`` before any layout was found; ``lost`` with the worker that was to plan it."""
Searched = Literal["whole", "stopped", "lost", "no_layout", "not_tried"]
"""How a search ended: ``stopped`` and ``lost`` are no findings, but there may be a layout all the same."""
Certainty = Literal["certain", "certain_on_its_own_graph", "too_close_to_call", "same_layout"]
"""``same_layout``: both are planned alike and cost the same, so there is nothing to call."""


class DriverLine(Part):
    id: str
    supply: str
    model: str
    tap_v: float
    load_w: float
    load_pct: float


class Figures(Part):
    """One column of the table: what a planned alternative comes to."""

    cost: Cost
    outcome: str = Field(description="as in plan.json")
    drivers: list[DriverLine]
    num_circuits: int
    trench_m: float = Field(description="dug, sleeves not counted")
    cable_m: dict[str, float] = Field(description="metres to cut, by cable")
    lowest_v: float = Field(description="at the dimmest lamp, all on, drivers at their stated volts")
    highest_v: float = Field(description="at the brightest lamp, likewise")
    least_v: float = Field(description="lowest any lamp gets at worst")
    most_v: float = Field(description="highest any lamp gets at worst")
    spread_v: float = Field(description="evenness: greatest difference between lamps of the same nominal volts, all on")
    largest_drop_pct: float
    num_joints: int = Field(description="joint kits, posts not counted")
    spare_w: float = Field(description="what the drivers may still take within their loading limits")
    bound: float | None = Field(description="no layout of this alternative on its own ground graph costs less")
    gap: float | None
    bound_on_common: float | None = Field(None, description="the same on the ground graph common to all alternatives")
    energy_kwh: float | None = Field(None, description="a year's use; null where the job has no schedule")
    loss_kwh: float | None = Field(None, description="of it in cable, leads, drivers and standby")
    energy_cost: float | None = Field(None, description="a year's, at the job's tariff")


class AlternativeResult(Part):
    name: str
    folder: str | None = Field(description="its plan's folder within the comparison; null where there is no plan")
    overrides: dict[str, JsonValue] = Field(description="values instead of the job's; null takes the key out")
    changes: list[str] = Field(description="what the job file changes in it, in short")
    drivers_asked: int | None
    status: Status
    why: list[str] = Field(description="what stands in the way, where there is no plan")
    figures: Figures | None


class Difference(Part):
    """The recommended alternative against another one."""

    other: str
    costs_more: float = Field(description="of the other over the recommended one, as planned")
    certainty: Certainty
    at_least: float | None = Field(description="proven least difference, where it is certain")
    could_save: float | None = Field(
        description="how much cheaper than the recommended one the other could still turn out, where not certain"
    )
    says: str


class CommonGround(Part):
    """The union of the ground graphs of the recommended alternative and those that share its ground."""

    alternatives: list[str] = Field(description="which share it; fewer than two: there is none")
    nodes: int | None
    edges: int | None
    says: str


class CurvePoint(Part):
    limit: float
    cost: float | None = Field(description="null where there is no layout that keeps the limit")
    searched: Searched
    reached: float | None = Field(description="what the layout really has: largest drop in per cent, or least volts")
    drivers: int | None
    cable_m: float | None


class Curve(Part):
    """Cost against one limit: no point costs more than a tighter one, or than the plan itself where that holds."""

    of: Literal["max_drop", "lowest_volts"]
    alternative: str
    unit: str
    points: list[CurvePoint] = Field(description="from the loosest limit to the tightest")
    knee: float | None = Field(description="the limit beyond which tightening costs more than before; null: no knee")
    says: str


class Relaxed(Part):
    """What one limit costs: the same job planned again without it."""

    what: str = Field(description="the change, as in: a largest drop of 11 % instead of 10 %")
    cost: float | None
    saving: float | None = Field(description="from the plan's cost to this one, never below 0; null: not known")
    searched: Searched


class Limits(Part):
    alternative: str
    cost: float = Field(description="of its plan: savings count from here")
    rows: list[Relaxed] = Field(description="by saving, greatest first")
    says: str


class Comparison(Part):
    tool: Tool
    title: str
    digest: str = Field(description="of job.toml and survey as they are, no override")
    currency: str
    prices_are_invented: bool
    seed: int
    effort: float
    alternatives: list[AlternativeResult]
    recommended: str | None
    says: str = Field(description="the recommendation in one sentence, with its reason")
    differences: list[Difference]
    common_ground: CommonGround | None
    doubts: list[str] = Field(
        default_factory=list,
        description="what to look at in survey and job, where an alternative has no layout: a slip may be the reason",
    )
    curves: list[Curve] = Field(default_factory=list)
    limits: Limits | None = None
