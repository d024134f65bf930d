"""Every setting of a job: its unit, its default, its sentence. In: parsed TOML tables. Out: Job, frozen models.

Each field is declared once here; validation, the documentation of keys (``lampspur schema --job``) and the wording of
errors are all drawn from it. Units: metres, volts, amperes, watts, mm², °C, and the job's currency for every price.
The reader that turns ``job.toml`` into this model, and its faults into ``Problem`` records, is ``read_job.py``; what
concerns the mains and the hours of use is in ``schedule.py``.

Where a default is a rule of the trade rather than a choice of ours, the sentence says where it comes from;
"common practice, no source" marks those that come from nowhere in print.
"""

from __future__ import annotations

import math
import re
import sys
from typing import Annotated, Any, Literal, Self

from pydantic import AfterValidator, BeforeValidator, Field, model_validator

from .. import conductors
from .alternatives import Alternative
from .base import Factor, Model, NonNegative, PerCent, Positive, Price
from .measuring import Dxf, GridPosition, Measuring
from .quote import Quote
from .schedule import Mains, Place, Schedule
from .tolerances import Tolerances

TRUNK_STRIP = "trunk strip"
"""Name of the ground round every trunk; it is added to ``Job.grounds`` and is the job's own, not the contractor's."""


def _per_cent(value: Any) -> Any:
    """Read ``"10 %"``, ``10`` or ``"off"`` as per cent; ``None`` stands for off."""
    if isinstance(value, str):
        if value.strip().lower() == "off":
            return None
        match = re.fullmatch(r"\s*([0-9]+(?:[.,][0-9]+)?)\s*%?\s*", value)
        if match is None:
            raise ValueError('is not a number of per cent; write "10 %" or "off"')
        value = float(match[1].replace(",", "."))
    if isinstance(value, int | float) and not isinstance(value, bool) and 0 < value < 1:
        raise ValueError(f"is below one per cent; for {value * 100:g} per cent write {value * 100:g}")
    return value


def _spare(value: Any) -> Any:
    """Per cent of spare load: as ``_per_cent``, off being none."""
    value = _per_cent(value)
    return 0.0 if value is None else value


PerCentOrOff = Annotated[Annotated[float, Field(gt=0, lt=100, allow_inf_nan=False)] | None, BeforeValidator(_per_cent)]


Spare = Annotated[float, Field(ge=0, le=200, allow_inf_nan=False), BeforeValidator(_spare)]


def _window(value: tuple[float, float]) -> tuple[float, float]:
    low, high = value
    if low >= high:
        raise ValueError(f"runs from {low:g} V to {high:g} V, upside down; write the lowest volts first")
    return value


def _lead_size(value: float) -> float:
    if not conductors.is_known(value, None, 5, False):
        raise ValueError("is no size in the tables of IEC 60228; write 0.5, 0.75, 1, 1.5, 2.5 or 4")
    return value


Window = Annotated[tuple[Positive, Positive], AfterValidator(_window)]
LeadSize = Annotated[Positive, AfterValidator(_lead_size)]


class Voltage(Model):
    """How far the voltage may fall, and at which copper temperatures that is judged."""

    max_drop: PerCentOrOff = Field(
        10.0, description='greatest drop, in per cent of the lamp\'s nominal volts, or "off"'
    )
    drop_from: Literal["driver", "nominal"] = Field(
        "driver",
        description="drop counts from the driver's terminals at this load, or from the lamp's nominal volts",
    )
    hot_c: float = Field(40.0, ge=20, le=90, description="copper of buried cable for the low limit and drop, in °C")
    sun_c: float = Field(60.0, ge=20, le=90, description="copper of cable lying on the surface (depth 0), in °C")
    cold_c: float = Field(-10.0, ge=-40, le=20, description="copper for the high limit, in °C")
    fault_c: float = Field(70.0, ge=20, le=160, description="copper for fault current (PVC's highest), in °C")


GroundKind = Literal["lawn", "bed", "gravel", "mulch", "paving", "drive", "root", "no_dig", "pond", "pool", "fountain"]

# depth in mm, joints, leads, no-dig, keep-off in m. Depths: trade.md's covers, common practice, no source.
GROUND_KINDS: dict[str, tuple[float, bool, bool, bool, float]] = {
    "lawn": (200, True, True, False, 0.0),
    "bed": (300, True, True, False, 0.0),
    "gravel": (200, True, True, False, 0.0),
    "mulch": (50, True, True, False, 0.0),
    "paving": (150, False, False, False, 0.0),
    "drive": (450, False, False, False, 0.0),
    "root": (50, True, True, False, 0.0),
    "no_dig": (0, False, False, True, 0.1),
    "pond": (0, False, False, True, 0.3),
    "pool": (0, False, False, True, 3.5),
    "fountain": (0, False, False, True, 3.5),
}
WATER_CLEARANCES_M = {  # lamp, joint, cable, driver. From memory (trade.md marks them so); the job may change each.
    "pool": (3.0, 3.5, 3.5, 3.5),
    "fountain": (3.0, 3.5, 3.5, 3.5),
    "pond": (0.0, 0.5, 0.3, 2.0),
}


class Ground(Model):
    """What a surface is, and what opening it costs."""

    kind: GroundKind = Field(description="sort of ground, from which the other defaults follow")
    per_m: Price | None = Field(None, description="price of a metre of trench; needed unless no_dig")
    crossing: Price = Field(0.0, description="sum for crossing once: half where a trench enters, half where it leaves")
    depth_mm: NonNegative = Field(description="depth of the trench, in mm; 0 lies on the surface")
    joints: bool = Field(description="whether a joint may stand here")
    leads: bool = Field(description="whether the lead of a lamp that stands elsewhere may cross it")
    lead_per_m: Price | None = Field(None, description="price of a metre of lead laid here; default: per_m")
    no_dig: bool = Field(description="whether no cable may cross it")
    keep_off_m: NonNegative = Field(description="distance that trenches keep from its border, in m (no-dig only)")
    lamp_clear_m: NonNegative = Field(0.0, description="least distance of a lamp from it, in m (water)")
    joint_clear_m: NonNegative = Field(0.0, description="least distance of a joint from it, in m (water)")
    driver_clear_m: NonNegative = Field(0.0, description="least distance of a driver from it, in m (water)")

    @model_validator(mode="before")
    @classmethod
    def _fill_from_kind(cls, data: Any) -> Any:
        if not isinstance(data, dict) or data.get("kind") not in GROUND_KINDS:
            return data
        depth, joints, leads, no_dig, keep_off = GROUND_KINDS[data["kind"]]
        if data.get("no_dig") is True and not no_dig:  # the contractor closes ground of another kind
            joints, leads, keep_off = False, False, GROUND_KINDS["no_dig"][4]
        filled = {"depth_mm": depth, "joints": joints, "leads": leads, "no_dig": no_dig, "keep_off_m": keep_off}
        if data["kind"] in WATER_CLEARANCES_M:
            lamp, joint, cable, driver = WATER_CLEARANCES_M[data["kind"]]
            filled |= {"keep_off_m": cable, "lamp_clear_m": lamp, "joint_clear_m": joint, "driver_clear_m": driver}
        return filled | data

    @model_validator(mode="after")
    def _has_price(self) -> Self:
        if not self.no_dig and self.per_m is None:
            raise ValueError("has no per_m; write what a metre of trench costs here")
        if self.no_dig and self.joints:
            raise ValueError("is no_dig, so joints cannot stand on it; remove joints = true")
        return self

    @property
    def is_water(self) -> bool:
        return self.kind in WATER_CLEARANCES_M

    @property
    def lead_price_per_m(self) -> float:
        return self.lead_per_m if self.lead_per_m is not None else (self.per_m or 0.0)


class ZoneSetting(Model):
    """What a surveyed zone is."""

    ground: str = Field(description="a name under [grounds]")
    keep_off_m: NonNegative | None = Field(
        None, description="distance that trenches keep from it; default: its ground's"
    )


class SleeveSetting(Model):
    """An existing duct."""

    capacity: int | None = Field(None, ge=1, description="how many cables it may still take")
    bore_mm: Positive | None = Field(None, description="inner diameter; 40 % of its area may be filled with cable")
    pull_price: Price = Field(0.0, description="price of pulling one cable through")
    holds_mains: bool = Field(False, description="whether a mains cable lies in it: then it is not used")

    @model_validator(mode="after")
    def _has_capacity(self) -> Self:
        if self.capacity is None and self.bore_mm is None and not self.holds_mains:
            raise ValueError("has neither capacity nor bore_mm; write how many cables it may take")
        return self


class TreeRule(Model):
    """How trees are kept whole: strip round the trunk, root ground beyond it."""

    rule: Literal["careful", "strict"] = Field(
        "careful", description='"careful" digs root ground by hand, "strict" keeps out of it'
    )
    strip_m: NonNegative = Field(1.0, description="no trench and no joint nearer to the trunk's face (NJUG Vol. 4)")
    root_factor: Positive = Field(12.0, description="root radius over stem diameter (BS 5837, AS 4970)")
    root_min_m: NonNegative = Field(2.0, description="least root radius (AS 4970)")
    root_max_m: Positive = Field(15.0, description="greatest root radius (AS 4970, BS 5837)")

    @model_validator(mode="after")
    def _has_span(self) -> Self:
        if self.root_min_m > self.root_max_m:
            raise ValueError("has root_min_m above root_max_m; write the smaller in root_min_m")
        return self


class LampType(Model):
    """One kind of luminaire."""

    watts: Positive = Field(description="power at nominal volts, in W")
    volts: Positive = Field(description="nominal voltage, in V")
    supply: Literal["dc", "ac", "either"] = Field("dc", description="what it runs on")
    load: Literal["power", "current", "resistance"] = Field(
        "power", description="what stays constant when its voltage changes: LED with own converter = power"
    )
    power_factor: float | None = Field(
        None,
        gt=0,
        le=1,
        description="on ac, watts over VA; default 1 for resistance, 0.6 else (from memory); not used on dc",
    )
    window_v: Window | None = Field(None, description="lowest and highest volts it may run at; default nominal ± 10 %")
    lead_m: NonNegative = Field(1.0, description="length of its made lead (common practice, no source)")
    lead_mm2: LeadSize = Field(0.75, description="conductor of its lead, class 5")
    lead_rating_a: Positive | None = Field(
        None, description="rating of its lead; default from the flexible-cable table"
    )
    aim_reserve_m: NonNegative = Field(0.3, description="part of the lead kept slack for aiming after dark")
    exit_height_m: NonNegative = Field(0.1, description="height of the lead's exit above ground")
    terminals: bool = Field(False, description="a post with terminals: cable loops in and out, no lead, no kit")
    terminal_mm2: Positive = Field(4.0, description="thickest conductor its terminals take (posts only)")
    submersible: bool = Field(False, description="may stand in water")
    inrush_a: NonNegative | None = Field(
        None, description="peak current it draws when switched on, in A, by its maker; against drivers.NAME.start_a"
    )
    input_uf: NonNegative | None = Field(
        None, description="capacitance of its input, in µF, by its maker; against drivers.NAME.start_uf"
    )

    @property
    def window(self) -> tuple[float, float]:
        """Lowest and highest volts."""
        return self.window_v or (0.9 * self.volts, 1.1 * self.volts)

    @property
    def factor(self) -> float:
        """Power factor on ac."""
        if self.power_factor is not None:
            return self.power_factor
        return 1.0 if self.load == "resistance" else 0.6

    @property
    def lead_rating(self) -> float:
        return self.lead_rating_a or conductors.default_lead_rating_a(self.lead_mm2)

    def lead_ohm(self, temperature_c: float, extension_m: float = 0.0) -> float:
        """Loop resistance of the whole made lead, in ohm."""
        return 2 * (self.lead_m + extension_m) * conductors.ohm_per_m(self.lead_mm2, 5, temperature_c=temperature_c)


class Cable(Model):
    """A two-core copper cable by its conductor size."""

    mm2: Positive | None = Field(None, description="conductor size, in mm²")
    awg: int | None = Field(None, ge=0, le=18, description="or its American wire gauge")
    conductor: Literal[1, 2, 5] = Field(5, description="IEC 60228 class; AWG sizes ignore it")
    tinned: bool = Field(False, description="whether its copper is tinned")
    ohm_per_km: Positive | None = Field(None, description="resistance of one core at 20 °C, where it differs")
    price_per_m: Price = Field(description="price of a metre")
    rating_a: Positive | None = Field(
        None, description="current rating; default from the tables named in conductors.py"
    )
    rated_c: float = Field(
        30.0, ge=0, le=60, description="temperature round it for which its rating holds, in °C (from memory)"
    )
    max_c: float | None = Field(
        None,
        ge=40,
        le=180,
        description="hottest its copper may be, in °C; default that of the rating's table: 60, above 4 mm² 70 "
        "(BS 7671 4F3A and 4D1A, 33 CFR 183.425); 70 (PVC) where rating_a is given",
    )
    reels_m: tuple[Positive, ...] = Field((50.0, 100.0), min_length=1, description="stock lengths of its reels, in m")
    reel_prices: tuple[Price, ...] | None = Field(None, description="price of each reel; default length x price_per_m")
    od_mm: Positive | None = Field(None, description="outer diameter, for sleeves given by their bore")

    @model_validator(mode="after")
    def _has_size(self) -> Self:
        if (self.mm2 is None) == (self.awg is None):
            raise ValueError("needs mm2 or awg, one of them; write the conductor size")
        if self.ohm_per_km is None and not conductors.is_known(self.mm2, self.awg, self.conductor, self.tinned):
            raise ValueError("has no resistance in the tables for this size; write ohm_per_km")
        if self.rating_a is None and conductors.default_rating_a(self.mm2, self.awg) is None:
            raise ValueError("has no rating in the tables for this size; write rating_a")
        if self.reel_prices is not None and len(self.reel_prices) != len(self.reels_m):
            raise ValueError("has not one price for each length in reels_m; write as many reel_prices as reels_m")
        if self.hottest_c <= self.rated_c:
            raise ValueError(
                f"may be {self.hottest_c:g} °C hot and is rated in surroundings of {self.rated_c:g} °C; "
                "write a higher max_c or a lower rated_c"
            )
        return self

    @property
    def hottest_c(self) -> float:
        """Hottest its copper may be in service, in °C."""
        if self.max_c is not None:
            return self.max_c
        from_60 = self.rating_a is None and (self.awg is not None or (self.mm2 or 0.0) <= 4)
        return 60.0 if from_60 else 70.0

    def derating(self, around_c: float | None) -> float:
        """
        Factor on the rating in surroundings of this temperature; 1 where none is given or they are cooler than rated.

        Copper heats by current squared, and what its surroundings take goes with the difference of temperatures: the
        factor is √((hottest - around) / (hottest - rated)): the form of IEC 60287-1-1 (from memory) where all heat is
        the copper's. 0 where the surroundings alone are too hot.
        """
        if around_c is None or around_c <= self.rated_c:
            return 1.0
        return math.sqrt(max(0.0, self.hottest_c - around_c) / (self.hottest_c - self.rated_c))

    @property
    def area_mm2(self) -> float:
        return self.mm2 if self.mm2 is not None else conductors.awg_mm2(self.awg or 0)

    @property
    def size(self) -> str:
        """How the trade writes it: ``2.5 mm²`` or ``AWG 12``."""
        return f"{self.mm2:g} mm²" if self.mm2 is not None else f"AWG {self.awg}"

    @property
    def rating(self) -> float:
        return self.rating_a or conductors.default_rating_a(self.mm2, self.awg) or 0.0

    @property
    def longest_reel_m(self) -> float:
        return max(self.reels_m)

    def loop_ohm_per_m(self, temperature_c: float) -> float:
        """Resistance of both cores of one metre, in ohm."""
        if self.ohm_per_km is not None:
            return 2e-3 * self.ohm_per_km * conductors.temperature_factor(temperature_c)
        return 2 * conductors.ohm_per_m(
            self.mm2, self.conductor, awg=self.awg, tinned=self.tinned, temperature_c=temperature_c
        )


class Driver(Model):
    """A model of extra-low-voltage source. SELV only: isolating; outputs never paralleled or earthed."""

    kind: Literal["electronic", "wound"] = Field("electronic", description="electronic driver or wound transformer")
    output: Literal["dc", "ac"] | None = Field(None, description="default dc for electronic, ac for wound")
    taps_v: tuple[Positive, ...] = Field(
        min_length=1, description="its output voltages; wound: at rated load and mains"
    )
    volts: Positive | None = Field(None, description="nominal volts of the lamps it is for; default its lowest tap")
    rated_w: Positive = Field(description="rated output, in W (VA for wound)")
    loading_pct: float | None = Field(None, gt=0, le=100, description="loading limit; default 80 electronic, 90 wound")
    tol_pct: float = Field(2.0, ge=0, lt=20, description="how far an electronic driver's volts may stray, in per cent")
    regulation_pct: NonNegative | None = Field(None, lt=50, description="wound: rise from rated load to no load")
    mains_low_pct: float = Field(-6.0, gt=-50, le=0, description="wound: lowest mains against rated (from memory)")
    mains_high_pct: float = Field(10.0, ge=0, lt=50, description="wound: highest mains against rated (from memory)")
    outlets: int = Field(1, ge=1, le=32, description="pairs of output terminals")
    outlet_a: Positive | None = Field(None, description="greatest amps of one outlet; default 25 or its rated amps")
    terminal_cables: int = Field(1, ge=1, le=8, description="cables an outlet takes")
    terminal_mm2: Positive = Field(6.0, description="thickest conductor an outlet takes")
    limit_a: Positive | None = Field(None, description="current at which it limits; default 1.5 x rated amps")
    limit_mode: Literal["hold", "hiccup", "foldback", "latch", "none"] | None = Field(
        None, description="what it does on overload; default hold for electronic, none for wound"
    )
    short_rms_a: Positive | None = Field(
        None, description="stated r.m.s. current into a short (hiccup, foldback, latch)"
    )
    breaker_a: Positive | None = Field(
        None, description="rating of the breaker built into each outlet, if any; it carries fuses.load_factor of it"
    )
    start_a: Positive | None = Field(
        None, description="greatest sum of its lamps' inrush_a that it starts, in A, by its maker"
    )
    start_uf: Positive | None = Field(
        None, description="greatest sum of its lamps' input_uf that it starts, in µF, by its maker"
    )
    inrush_a: NonNegative | None = Field(
        None, description="peak current it draws from the mains when switched on, in A, by its maker"
    )
    tap_per_outlet: bool = Field(False, description="whether each outlet may be set to a tap of its own")
    independent_outlets: bool = Field(False, description="whether each outlet may serve a dim group of its own")
    dims_by_voltage: bool = Field(False, description="dims by lowering volts: refused for lamps with own converter")
    efficiency_pct: PerCent | None = Field(
        None, description="output over input while lamps are on, in per cent; default 85 (common practice, no source)"
    )
    standby_w: NonNegative | None = Field(
        None,
        description="drawn from the mains while lamps are off; default 0.5 electronic (EU 2019/2020, from memory), "
        "3 % of its VA wound (common practice, no source)",
    )
    input_power_factor: float = Field(
        0.9, gt=0, le=1, description="of its mains input, the load's own apart (common practice, no source)"
    )
    price: Price = Field(description="price of one, mounted")

    @model_validator(mode="after")
    def _is_whole(self) -> Self:
        if self.kind == "wound" and self.regulation_pct is None:
            raise ValueError("is wound and has no regulation_pct; write the rise from rated load to no load")
        if self.kind == "electronic" and self.regulation_pct:
            raise ValueError("is electronic, which holds its voltage; remove regulation_pct")
        return self

    @property
    def ac(self) -> bool:
        return (self.output or ("ac" if self.kind == "wound" else "dc")) == "ac"

    @property
    def nominal_v(self) -> float:
        return self.volts or min(self.taps_v)

    @property
    def mode(self) -> str:
        return self.limit_mode or ("none" if self.kind == "wound" else "hold")

    @property
    def rated_a(self) -> float:
        """Rated amps at its highest tap: no tap may draw more from it (trade rule for multi-tap units)."""
        return self.rated_w / max(self.taps_v)

    @property
    def current_limit_a(self) -> float:
        """Current at which it limits, in A; infinite where it has no limit of its own."""
        if self.mode == "none":
            return math.inf
        return self.limit_a or 1.5 * self.rated_w / min(self.taps_v)

    def limit_assumed(self, name: str) -> str:
        """A sentence where its limit is not stated and one is taken; empty elsewhere."""
        if self.mode == "none" or self.limit_a is not None:
            return ""
        amps = f"{self.current_limit_a:.3g} A"
        return f"driver '{name}' has no limit_a: {amps} is taken, 1.5 x its rated amps; ask its maker"

    @property
    def max_load_w(self) -> float:
        """Rated output times the loading limit, in W or VA (before a supply point's derating)."""
        return self.rated_w * (self.loading_pct or (90.0 if self.kind == "wound" else 80.0)) / 100

    @property
    def max_outlet_a(self) -> float:
        return self.outlet_a or min(25.0, self.rated_w / min(self.taps_v))

    @property
    def idle_w(self) -> float:
        """Watts from the mains while its lamps are off."""
        if self.standby_w is not None:
            return self.standby_w
        return 0.03 * self.rated_w if self.kind == "wound" else 0.5

    @property
    def efficiency(self) -> float:
        """Output over input while lamps are on."""
        return (self.efficiency_pct or 85.0) / 100

    @property
    def mains_va_per_va(self) -> float:
        """Apparent power of the mains input for each VA of output."""
        return 1 / (self.efficiency * self.input_power_factor)

    @property
    def assumes_input(self) -> bool:
        """Whether efficiency or standby watts are ours, for want of the maker's."""
        return self.efficiency_pct is None or self.standby_w is None


class Supply(Model):
    """A mains outlet where drivers may be mounted."""

    price: Price = Field(0.0, description="what it costs to use it at all")
    use: bool = Field(True, description="whether drivers may be mounted here at all")
    max_drivers: int = Field(4, ge=1, le=20, description="how many drivers may be mounted here")
    mount_height_m: float = Field(0.5, ge=0.3, le=5, description="height of the drivers (at least 0.3 m)")
    loading_pct: float = Field(
        100.0, gt=0, le=100, description="further derating of drivers here (hot or closed place)"
    )
    timer_a: Positive | None = Field(
        None, description="rating of the timer, relay or contactor in its mains; the drivers here may not draw more"
    )
    dimmer_va: Positive | None = Field(
        None, description="rating of the dimmer in its mains, in VA; the drivers here may not draw more"
    )
    inrush_a: Positive | None = Field(
        None,
        description="greatest peak current its timer, relay or dimmer switches on, in A; the sum of its drivers' "
        "inrush_a may not be more",
    )


class Kit(Model):
    """A weatherproof joint by the number of ways (cables + leads that meet)."""

    max_ways: int = Field(ge=2, le=12, description="most cables and leads it takes")
    min_mm2: Positive = Field(0.5, description="thinnest conductor it takes")
    max_mm2: Positive = Field(6.0, description="thickest conductor it takes")
    price: Price = Field(description="price of the kit")
    labour: Price = Field(0.0, description="labour to make it")
    pack: int = Field(1, ge=1, le=1000, description="how many are sold together; only the purchase list rounds up")

    @model_validator(mode="after")
    def _has_span(self) -> Self:
        if self.min_mm2 > self.max_mm2:
            raise ValueError("has min_mm2 above max_mm2; write the thinnest conductor in min_mm2")
        return self


class Joints(Model):
    kits: dict[str, Kit] = Field(min_length=1, description="joint kits by name")
    end_ohm: NonNegative = Field(
        0.002, description="resistance one cable or lead end adds to the loop, both cores, ohm"
    )
    method: Literal["cut", "tap"] = Field("cut", description='"tap" leaves the trunk uncut through a joint')
    tail_m: NonNegative = Field(0.15, description="part of a lead inside the joint")
    extension_m: NonNegative = Field(0.0, description="longest flex that may extend a lead; 0 allows none")
    extension_per_m: Price = Field(0.0, description="price of a metre of that flex, laid")


class Slack(Model):
    per_cent: NonNegative = Field(3.0, lt=50, description="added to every route")
    joint_end_m: NonNegative = Field(0.4, description="added at each end in a joint")
    driver_end_m: NonNegative | None = Field(
        None, description="added at the driver; default mount height + depth of the base ground + 0.5 m"
    )


class Fuses(Model):
    ratings_a: tuple[Positive, ...] = Field(
        (1, 2, 3, 4, 5, 7.5, 10, 15, 20, 25),
        min_length=1,
        description="ratings to be had, in A (ISO 8820-3 from memory)",
    )
    price: Price = Field(0.0, description="price of a fuse in its holder")
    load_factor: float = Field(0.8, gt=0, le=1, description="circuit amps over rating, at most")
    open_factor: float = Field(3.0, ge=1, description="a short must draw this many times the rating to open it")
    open_s: Positive = Field(
        5.0, description="time in which it opens at open_factor, in s (common practice, no source)"
    )


class Rules(Model):
    """Limits of the whole job."""

    max_gauges: int = Field(2, ge=1, le=8, description="how many sizes of cable one job may use")
    max_circuit_a: Positive = Field(25.0, description="most amps of a circuit (NEC 411)")
    min_buried_mm2: NonNegative = Field(1.5, description="thinnest conductor that may be buried")
    border_tolerance_m: NonNegative = Field(0.3, description="how far a point may lie inside a border: tapes err")
    mains_clear_m: NonNegative = Field(0.05, description="distance of cables from mains lines (AU segregation)")
    mains_joint_clear_m: NonNegative = Field(0.3, description="distance of joints from mains lines")
    bunched: tuple[Factor, ...] = Field(
        (1.0, 0.8, 0.7, 0.65, 0.6, 0.57),
        min_length=1,
        description="rating factor of cables in one sleeve by their number (from memory); the last holds for more",
    )
    trench_bunched: tuple[Factor, ...] = Field(
        (1.0,),
        min_length=1,
        description="the same for cables in one trench; default no derating (common practice, no source)",
    )
    ground_c: float | None = Field(
        None, ge=-20, le=80, description="ground at its hottest, in °C, for the ratings of cables; default as rated"
    )
    air_c: float | None = Field(
        None, ge=-20, le=80, description="air at its hottest, in °C, for cables on the surface; default as rated"
    )
    growth: Spare = Field(
        0.0,
        description="spare load of every circuit, in per cent: every limit that depends on load holds with all lamps "
        "drawing so much more",
    )
    aim_anywhere: bool = Field(
        False,
        description="whether each lead must reach its lamp, over ground that leads may cross, wherever within its "
        "aim reserve the lamp is moved to",
    )

    @property
    def grown(self) -> float:
        """Factor on what lamps draw, spare load included."""
        return 1 + self.growth / 100


def _price_in(table: Any, key: str) -> float | None:
    """A price in a table not yet validated; None where it is no price."""
    value = table.get(key) if isinstance(table, dict) else None
    if isinstance(value, bool) or not isinstance(value, int | float):
        return None
    return float(value) if 0 <= value <= sys.float_info.max else None


class Job(Model):
    """One site and its settings."""

    title: str = Field(min_length=1, max_length=200, description="name of the job")
    currency: str = Field("", max_length=8, description="printed beside every price")
    survey: str = Field("survey.csv", description="the measured points beside job.toml: CSV, XLSX, GeoJSON or DXF")
    prices_are_invented: bool = Field(False, description="print on every paper that the prices are invented (demos)")
    voltage: Voltage = Field(default_factory=Voltage)
    base_ground: str = Field("lawn", description="the ground wherever no zone lies; a name under [grounds]")
    grounds: dict[str, Ground] = Field(min_length=1, description="grounds by name; a name that is a kind needs no kind")
    zones: dict[str, ZoneSetting] = Field(
        default_factory=dict, description="surveyed zones; one named like a ground (bed, bed 2) need not be listed"
    )
    sleeves: dict[str, SleeveSetting] = Field(default_factory=dict, description="surveyed sleeves")
    trees: TreeRule = Field(default_factory=TreeRule)
    lamps: dict[str, LampType] = Field(min_length=1, description="lamp types by name")
    cables: dict[str, Cable] = Field(min_length=1, description="cables by name")
    drivers: dict[str, Driver] = Field(min_length=1, description="driver models by name")
    supplies: dict[str, Supply] = Field(
        default_factory=dict, description="supply points; those not listed take defaults"
    )
    joints: Joints
    slack: Slack = Field(default_factory=Slack)
    fuses: Fuses = Field(default_factory=Fuses)
    rules: Rules = Field(default_factory=Rules)
    mains: Mains = Field(default_factory=Mains)
    measuring: Measuring = Field(default_factory=Measuring)
    dxf: Dxf = Field(default_factory=Dxf)
    position: GridPosition | None = Field(None, description="where a survey in x and y lies on Earth, for GeoJSON")
    place: Place | None = Field(None, description="where the job is; needed where the schedule says dusk or dawn")
    schedule: Schedule | None = Field(None, description="when the lamps are on, for what a year's use costs")
    tolerance: Tolerances = Field(default_factory=Tolerances)
    quote: Quote | None = Field(None, description="rates and times, for what the customer pays")
    alternatives: tuple[Alternative, ...] = Field((), description="what lampspur compare plans besides the job itself")

    @model_validator(mode="before")
    @classmethod
    def _complete_grounds(cls, data: Any) -> Any:
        """
        Let a ground's name stand for its kind, and add what trees need: root ground and the trunk strip.

        With ``trees.rule = "strict"`` every ground of kind root is no-dig, and no lead may cross it.
        """
        if not isinstance(data, dict) or not isinstance(data.get("grounds"), dict) or not data["grounds"]:
            return data
        grounds: dict[str, Any] = {}
        for name, table in data["grounds"].items():
            if isinstance(table, dict) and "kind" not in table and name in GROUND_KINDS:
                table = {"kind": name, **table}
            grounds[name] = table
        base_per_m = _price_in(grounds.get(data.get("base_ground", "lawn")), "per_m")
        if "root" not in grounds and base_per_m is not None:
            # Root ground is hand-dug or laid under mulch: twice the base price unless the job says otherwise.
            grounds["root"] = {"kind": "root", "per_m": 2 * base_per_m}
        trees = data.get("trees")
        if isinstance(trees, dict) and trees.get("rule") == "strict":
            for name, table in grounds.items():
                if isinstance(table, dict) and table.get("kind") == "root":
                    grounds[name] = {**table, "no_dig": True, "joints": False, "leads": False}
        if TRUNK_STRIP not in grounds:
            root = grounds.get("root")
            lead_per_m = _price_in(root, "lead_per_m")
            lead_per_m = _price_in(root, "per_m") if lead_per_m is None else lead_per_m
            grounds[TRUNK_STRIP] = {"kind": "no_dig", "keep_off_m": 0.0, "leads": True, "lead_per_m": lead_per_m or 0.0}
        return {**data, "grounds": grounds}

    def supply(self, name: str) -> Supply:
        return self.supplies.get(name) or Supply()

    def driver_end_m(self, supply: str) -> float:
        """Slack of a cable's end at a driver, in m."""
        if self.slack.driver_end_m is not None:
            return self.slack.driver_end_m
        depth_m = self.grounds[self.base_ground].depth_mm / 1000
        return round(self.supply(supply).mount_height_m + depth_m + 0.5, 3)

    def mains_limit_va(self, supply: str) -> float:
        """Most apparent power a supply point may draw from the mains, in VA; infinite where the job states none."""
        setting = self.supply(supply)
        timer_va = math.inf if setting.timer_a is None else setting.timer_a * self.mains.volts
        return min(timer_va, math.inf if setting.dimmer_va is None else setting.dimmer_va)

    def with_tolerance(self, plan: Literal["off", "show", "hold"]) -> Job:
        """The same job with another answer to what a plan does about tolerances."""
        return self.model_copy(update={"tolerance": self.tolerance.model_copy(update={"plan": plan})})

    def strayed_voltage(self) -> Voltage:
        """The temperatures between which tolerances hold: never narrower than those of ``voltage``."""
        own, given = self.voltage, self.tolerance
        hot_c, sun_c = max(own.hot_c, given.hot_c or -math.inf), max(own.sun_c, given.sun_c or -math.inf)
        cold_c = own.cold_c if given.cold_c is None else min(own.cold_c, given.cold_c)
        return own.model_copy(update={"hot_c": hot_c, "sun_c": sun_c, "cold_c": cold_c})

    def strayed_driver(self, driver: Driver) -> Driver:
        """The driver with its volts straying as ``tolerance.source_pct`` says: never less than by its own figures."""
        pct = self.tolerance.source_pct or 0.0
        return driver.model_copy(
            update={
                "tol_pct": max(driver.tol_pct, pct),
                "mains_low_pct": min(driver.mains_low_pct, -pct),
                "mains_high_pct": max(driver.mains_high_pct, pct),
            }
        )

    def drop_limit_v(self, lamp_type: LampType) -> float:
        """Greatest drop of this lamp type, in V; infinite when the drop rule is off."""
        return math.inf if self.voltage.max_drop is None else self.voltage.max_drop / 100 * lamp_type.volts
