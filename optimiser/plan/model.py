"""The plan as published: the shape of ``plan.json``. In: rounded values. Out: Plan, and its JSON Schema.

Lengths and coordinates are whole millimetres, voltages whole millivolts, currents whole milliamperes, money whole cents
of the job's currency; ``cut_m`` whole decimetres. Keys are fixed; keys may be added, never dropped or renamed.
"""

from __future__ import annotations

from typing import Literal

from pydantic import BaseModel, ConfigDict, Field, JsonValue

XY = tuple[float, float] | tuple[float, float, float]
"""x, y and, where heights were measured, z; in metres."""

Outcome = Literal["proved_best", "within_gap", "effort_spent", "stopped_by_time", "stopped_by_user"]


class Part(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, populate_by_name=True)


class Tool(Part):
    name: str = Field(max_length=40)
    version: str = Field(max_length=40)


class JobRef(Part):
    title: str = Field(max_length=200, description="as long as a job's may be")
    digest: str = Field(description="sha256 of job.toml, survey and overrides")
    files: list[str] = Field(description="copies in the plan's folder: the job file first, then the survey")
    overrides: dict[str, JsonValue] = Field(
        default_factory=dict, description="values instead of the job file's, by dotted key; null takes the key out"
    )


class Cost(Part):
    total: float
    trench: float = Field(description="trenches, sleeves' pulls and leads")
    cable: float
    joints: float
    drivers: float
    supplies: float
    fuses: float


class DriverPlan(Part):
    id: str
    supply: str
    model: str
    tap_v: float
    load_w: float = Field(description="sum of out_v x amps of its circuits, in W (VA for wound)")
    load_pct: float = Field(description="load_w over rated output, in per cent")
    grown_w: float | None = Field(None, description="load_w with the job's spare load (rules.growth); null without")
    start_a: float | None = Field(
        None, description="inrush of its lamps together; null unless all of them and the driver state it"
    )
    start_uf: float | None = Field(None, description="input capacitance of its lamps together, in µF; null likewise")
    dim_group: str | None
    x: float
    y: float
    price: float
    kind: Literal["electronic", "wound"] | None = None
    output: Literal["dc", "ac"] | None = None
    rated_w: float | None = Field(None, description="rated output, in W (VA for wound)")


Band = tuple[float, float]
"""Least and most of what a sound installation shows."""


class CircuitPlan(Part):
    id: str
    driver: str
    outlet: int = Field(description="counts from 1")
    fuse_a: float | None = Field(description="null where the driver's own limit protects")
    breaker_a: float | None = Field(None, description="the outlet's built-in breaker, where that protects")
    amps: float
    lamps: list[str]
    short_a: float | None = Field(
        description="least fault current at any far end; null where the driver's limit protects"
    )
    tap_v: float
    out_v: float = Field(description="at the terminals, all lamps on")
    fuse_price: float
    dim_group: str | None
    grown_amps: float | None = Field(None, description="amps with the job's spare load; null without")
    protected_by: str = Field(description="one sentence: which rule protects cables and leads, with its figures")
    idle_band_v: Band | None = Field(None, description="at the terminals with nothing connected, source at either end")
    out_band_v: Band | None = Field(
        None, description="at the terminals, all on: source lowest or highest, copper hot or cold, in V"
    )
    amps_band: Band | None = Field(None, description="amps of the circuit in the same four cases")


class JointPlan(Part):
    id: str
    x: float
    y: float
    z: float | None = None
    circuit: str
    ways: int
    hub: bool
    cables: list[str]
    leads: list[str]
    kit: str | None = Field(description="null in a post's own terminals")
    post: str | None = Field(None, description="the lamp whose terminals it is")
    end_ohm: float = Field(description="added to the loop by each cable or lead end made off here, in ohm")
    price: float
    volts: float | None = Field(None, description="all on, driver at its stated volts, hot copper")
    drop_band_v: Band | None = Field(
        None, description="volts at the terminals less volts here, all on: source lowest or highest, copper hot or cold"
    )


class CablePlan(Part):
    id: str
    circuit: str
    from_: str = Field(alias="from", description="driver or joint")
    to: str
    cable: str
    route: list[XY]
    route_m: float
    cut_m: float
    amps: float
    drop_v: float = Field(description="along this piece, its own ends included, hot, all lamps on")
    price: float
    run: str | None = Field(None, description="pieces of one run are one uncut length")
    sun_m: float = Field(0.0, description="metres of the route lying on the surface")


class TrenchPlan(Part):
    id: str
    ground: str
    route: list[XY]
    length_m: float
    depth_mm: float
    cables: list[str]
    sleeve: str | None
    price: float
    stub: bool = Field(False, description="the straight way out of a supply point, a post or a sleeve's end")
    borders: int = Field(0, description="how many of its points pay half a crossing")


class LampPlan(Part):
    id: str
    joint: str
    lead_m: float = Field(description="length of the whole made lead")
    watts: float
    amps: float
    volts: float = Field(description="at the lamp's end of its lead, all on, driver at its stated volts, hot copper")
    drop_pct: float
    margin_v: float = Field(
        description="least distance from its window in the worst cases of section 3 (low_v, high_v)"
    )
    x: float
    y: float
    z: float | None = None
    type: str
    group: str
    low_v: float = Field(description="all on, source at its lowest, hot copper")
    high_v: float = Field(description="alone on, source at its highest, cold copper")
    lead_route: list[XY]
    lead_price: float
    joint_v: float = Field(description="at its joint, all on, hot copper")
    extension_m: float = 0.0
    extension_price: float = 0.0
    extension_kit: str | None = Field(None, description="kit of the joint between lead and extension")
    grown_v: float | None = Field(None, description="volts with the job's spare load; null without")
    grown_low_v: float | None = Field(None, description="low_v with the job's spare load; null without")
    sure_low_v: float | None = Field(
        None, description="guaranteed lowest volts within the job's tolerances, whichever lamps are on; null unasked"
    )
    sure_high_v: float | None = Field(None, description="guaranteed highest, likewise")
    sure_margin_v: float | None = Field(None, description="least distance of the two from its window, negative beyond")
    sure_drop_pct: float | None = Field(
        None, description="drop with every resistance and load at its highest, driver at its stated volts"
    )
    outside_pct: float | None = Field(None, description="share of the samples in which it leaves its window, per cent")


class CutPlan(Part):
    cable: str
    reel_m: float
    pieces: list[str]
    left_m: float


class Reels(Part):
    """Whole reels to buy of one cable."""

    cable: str
    reel_m: float
    count: int
    price: float
    proven_least: bool


class SiteZone(Part):
    name: str
    ground: str
    no_dig: bool
    water: bool
    of: str
    keep_off_m: float
    rings: list[list[tuple[float, float]]] = Field(description="outer ring first, then holes")


class SiteSleeve(Part):
    name: str
    route: list[XY]
    capacity: int


class SiteTree(Part):
    name: str
    x: float
    y: float
    stem_mm: float


class SitePoint(Part):
    name: str
    x: float
    y: float
    z: float | None = None
    price: float = 0.0


class SiteCorner(Part):
    """A corner of something that stands fast, as measured."""

    name: str
    of: str = Field(description="the zone whose corner it is")
    x: float
    y: float
    z: float | None = None


class SiteLine(Part):
    name: str
    route: list[XY]


class SitePosition(Part):
    """Where the plan's x and y lie on Earth: a place of both, and a direction (``optimiser/earth_grid.py``)."""

    latitude: float = Field(ge=-90, le=90, description="of the place x, y: degrees on WGS 84")
    longitude: float = Field(ge=-180, le=180)
    x: float
    y: float
    y_bearing: float = Field(
        ge=-360, le=360, description="of the y axis at that place, in degrees from true north, clockwise"
    )


class Site(Part):
    base_ground: str
    zones: list[SiteZone]
    sleeves: list[SiteSleeve]
    trees: list[SiteTree]
    supplies: list[SitePoint]
    pegs: list[SitePoint]
    mains: list[SiteLine]
    fixed: list[SiteCorner] = Field(
        default_factory=list, description="corners of no-dig zones that are no water, fit to measure from"
    )
    position: SitePosition | None = Field(None, description="null where neither survey nor job tells it")


class CableUsed(Part):
    size: str
    mm2: float
    ohm_per_m: float = Field(description="loop resistance of a metre at hot_c, in ohm")
    rating_a: float
    price_m: float


class KitUsed(Part):
    """A joint kit of the job."""

    max_ways: int
    price: float = Field(description="of one kit, without labour")
    labour: float
    pack: int = Field(1, description="how many are sold together")


class GraphFacts(Part):
    nodes: int = Field(ge=0)
    edges: int = Field(ge=0)
    base_nodes: int = Field(ge=0)
    base_edges: int = Field(ge=0)
    refinements: int = Field(ge=0)
    last_gain_pct: float | None = Field(
        description="what the last refinement of the ground graph gained, in per cent of cost"
    )


class Rule(Part):
    """A limit or default that decided something here, as printed on the papers."""

    name: str
    value: str


class MainsPoint(Part):
    """What the drivers at one supply point draw, all lamps fully on."""

    supply: str
    watts: float
    va: float
    amps: float
    timer_a: float | None = Field(description="rating of its timer, relay or contactor; null where the job states none")
    dimmer_va: float | None = Field(description="rating of its mains dimmer; null where the job states none")
    inrush_a: float | None = Field(None, description="inrush of its drivers together; null unless all of them state it")
    inrush_limit_a: float | None = Field(
        None, description="greatest inrush its timer, relay or dimmer switches on; null where the job states none"
    )


class MainsSide(Part):
    volts: float = Field(description="nominal volts of the mains")
    supplies: list[MainsPoint]
    says: str = Field(description="whose work it is")


class DriverRunning(Part):
    """Mean watts of one driver at the schedule's dim level, and its standby."""

    id: str
    lamps_w: float
    cable_w: float = Field(description="in cables, leads and their ends, hot copper")
    loss_w: float = Field(description="in the driver itself")
    standby_w: float = Field(description="while lamps are off; 0 where a timer cuts the mains")


class Running(Part):
    """What the lamps take in a year by the job's schedule."""

    year: int
    nights: int = Field(description="nights on which lamps are on")
    hours: float = Field(description="hours they are on in all")
    on: str
    off: str
    dim_pct: float
    lamps_kwh: float
    cable_kwh: float
    drivers_kwh: float
    standby_kwh: float
    total_kwh: float = Field(description="sum of the four, at the meter")
    price_per_kwh: float | None
    cost: float | None = Field(description="total_kwh at the tariff; null where the job states none")
    drivers: list[DriverRunning]
    assumed: list[str] = Field(description="driver models whose efficiency or standby is a default")


class Without(Part):
    """The plan found without regard to tolerances, for comparison."""

    cost: float = Field(description="least cost found, in the same money as cost.total; never above it")
    effort: float = Field(description="effort of that search; beyond 40 lamps a quarter of the plan's own")
    outside: int = Field(description="lamps whose guaranteed volts leave their windows there")
    outside_pct: float = Field(description="greatest outside_pct of its lamps")


class Certainty(Part):
    """Within what the guaranteed volts hold, and how chances were sampled."""

    held: bool = Field(description="whether windows and drop are kept at the worst corner")
    cable_pct: Band
    length_pct: Band
    contact_pct: Band
    load_pct: Band
    source_pct: float | None = Field(description="null: each driver's own figures")
    hot_c: float
    sun_c: float
    cold_c: float
    samples: int
    seed: int = Field(ge=0)
    without: Without | None = Field(None, description="null unless held, or where the search was ended before it")


QuotePart = Literal["material", "labour", "extra"]


class QuoteItem(Part):
    """One line of the quote; ``of`` names the cable, kit, model, ground … that ``kind`` asks for."""

    part: QuotePart
    kind: str = Field(
        description="material: cable, kit, driver, fuse, flex, supply, lamp; labour: trench, crossing, pull, lay, "
        "joint, lamp, driver, circuit, fixed; extra"
    )
    of: str
    quantity: float
    unit: str = Field(description="m or h; empty for pieces")
    hours: float | None = Field(description="of labour, in whole hundredths; null for all else")
    cost: float
    price: float = Field(description="before tax: cost / (1 - margin)")


class Quote(Part):
    """What the customer pays, by the rates and times of the job."""

    items: list[QuoteItem]
    hours: float
    hour_cost: float
    cost: float = Field(description="sum of the items' costs")
    margin_pct: float
    net: float = Field(description="sum of the items' prices, before tax")
    tax_name: str
    tax_pct: float
    tax: float
    total: float
    whole: bool = Field(description="whether whole reels and packs are charged")
    not_priced: list[str] = Field(description="lamp types without a price: they are not in the quote")


class Plan(Part):
    tool: Tool
    job: JobRef
    currency: str = Field(max_length=8, description="as long as a job's may be")
    prices_are_invented: bool
    seed: int = Field(ge=0)
    effort: float = Field(ge=0)
    work: float = Field(ge=0, description="effort really spent, in the same unit")
    outcome: Outcome
    drivers_asked: int | None = Field(None, description="so many drivers were asked for; null: as many as is cheapest")
    cost: Cost
    bound: float | None
    gap: float | None
    bound_says: str | None = Field(None, description="what the bound is a bound of, in words")
    bound_parts: dict[str, float] | None = None
    open_bound: float | None = Field(
        None,
        description="no layout costs less wherever its trenches run, on the ground graph or off it; null where "
        "that was not asked for, or no bound within 5 % of the other was proven",
    )
    open_gap: float | None = Field(None, description="the same as gap, for open_bound; null together with it")
    drivers: list[DriverPlan]
    circuits: list[CircuitPlan]
    joints: list[JointPlan]
    cables: list[CablePlan]
    trenches: list[TrenchPlan]
    lamps: list[LampPlan]
    cuts: list[CutPlan]
    reels: list[Reels]
    cables_used: dict[str, CableUsed]
    kits_used: dict[str, KitUsed] = Field(default_factory=dict, description="joint kits that occur, by name")
    site: Site
    graph: GraphFacts
    rules: list[Rule]
    warnings: list[str]
    mains: MainsSide | None = None
    running: Running | None = Field(None, description="null where the job has no schedule")
    certainty: Certainty | None = Field(None, description="null where tolerances were not asked for")
    quote: Quote | None = Field(None, description="null where the job states no rates")
