"""Four small sites with a plan each. Distances are chosen so that lengths and prices can be done in the head."""

from __future__ import annotations

import math
from typing import Any

from shapely import Polygon, box

from optimiser.job import Job
from optimiser.survey.model import Lamp, MainsLine, Sleeve, SupplyPoint, Survey, Tree, Zone
from tests.check.make import Data, Sketch, make

KITS = {
    "two": {"max_ways": 2, "price": 6, "labour": 4},
    "three": {"max_ways": 3, "price": 8, "labour": 5},
    "five": {"max_ways": 5, "price": 12, "labour": 7},
}
CABLES = {
    "1.5": {"mm2": 1.5, "price_per_m": 1.2},
    "2.5": {"mm2": 2.5, "price_per_m": 2},
    "4": {"mm2": 4, "price_per_m": 3},
}


E60 = {"taps_v": [12], "rated_w": 60, "limit_a": 6, "limit_mode": "hiccup", "short_rms_a": 1, "price": 90}


def job(**more: Any) -> Job:
    settings: dict[str, Any] = {
        "title": "check",
        "currency": "EUR",
        "grounds": {"lawn": {"per_m": 10}},
        "lamps": {"spike": {"watts": 6, "volts": 12}},
        "cables": CABLES,
        "joints": {"kits": KITS},
        "drivers": {"e60": E60},
        "supplies": {"S1": {"price": 25}},
    }
    return Job.model_validate(settings | more)


def pond() -> tuple[Sketch, Data]:
    """
    One electronic driver, a chain of two lamps along y = 0, a pond beside it: rule A. On from six to eleven; what
    lamps and driver draw when switched on is stated.

    ::

        S1 ---K1 10 m--- J1 ---K2 10 m--- J2        pond: x 5 to 8, y 3 to 6
                         L1               L2        lamps 0.2 m off the trench
    """
    settings = job(
        grounds={"lawn": {"per_m": 10}, "pond": {}},
        schedule={"on": "18:00", "off": "23:00", "price_per_kwh": 0.4},
        lamps={"spike": {"watts": 6, "volts": 12, "inrush_a": 8, "input_uf": 150}},
        drivers={"e60": E60 | {"start_a": 16, "start_uf": 300, "inrush_a": 30}},
        supplies={"S1": {"price": 25, "inrush_a": 30}},
        quote=RATES,
    )
    survey = Survey(
        lamps=(Lamp("L1", "spike", (10, 0.2, 0)), Lamp("L2", "spike", (20, 0.2, 0))),
        supplies=(SupplyPoint("S1", (0, 0, 0)), SupplyPoint("S2", (30, 0, 0))),
        zones=(Zone("pond", "pond", box(5, 3, 8, 6), 0.3),),
    )
    sketch = Sketch(
        settings,
        survey,
        drivers=[("D1", "S1", "e60", 12.0)],
        circuits=[("C1", "D1", 1, None, None)],
        joints=[("J1", "C1", (10.0, 0.0), "three", None), ("J2", "C1", (20.0, 0.0), "two", None)],
        cables=[
            ("K1", "C1", "D1", "J1", "2.5", [(0.0, 0.0), (10.0, 0.0)], None),
            ("K2", "C1", "J1", "J2", "2.5", [(10.0, 0.0), (20.0, 0.0)], None),
        ],
        trenches=[
            ("T1", "lawn", [(0.0, 0.0), (10.0, 0.0)], ["K1"], None, False, 0),
            ("T2", "lawn", [(10.0, 0.0), (20.0, 0.0)], ["K2"], None, False, 0),
        ],
        # 0.2 m of lead on lawn at 10 a metre.
        lamps=[("L1", "J1", 2.0, 0.0), ("L2", "J2", 2.0, 0.0)],
        cuts=[("2.5", 50.0, ["K1", "K2"])],
        quote=quoted(),
    )
    return sketch, make(sketch)


RATES = {
    "hour_cost": 60, "trench_min_per_m": 6, "cable_min_per_m": 1, "joint_min": 15, "lamp_min": 20, "circuit_min": 30,
    "fixed_hours": 1.5, "lamps": {"spike": 40}, "extras": {"skip": 50}, "margin_pct": 20, "tax_pct": 10,
    "tax_name": "VAT",
}  # fmt: skip


def quoted() -> Data:
    """The quote of the pond, reckoned by hand: prices are costs x 1.25, an hour costs as much as its minutes."""
    items = [
        ("material", "cable", "2.5", 23.0, "m", None, 46.00, 57.50),  # 11.9 m and 11.1 m at 2
        ("material", "kit", "two", 1, "", None, 6.00, 7.50),
        ("material", "kit", "three", 1, "", None, 8.00, 10.00),
        ("material", "driver", "e60", 1, "", None, 90.00, 112.50),
        ("material", "supply", "S1", 1, "", None, 25.00, 31.25),
        ("material", "lamp", "spike", 2, "", None, 80.00, 100.00),
        ("labour", "trench", "lawn", 20.0, "m", 2.00, 120.00, 150.00),  # 120 min
        ("labour", "lay", "", 23.0, "m", 0.38, 22.80, 28.50),  # 23 min
        ("labour", "joint", "", 2, "", 0.50, 30.00, 37.50),
        ("labour", "lamp", "", 2, "", 0.67, 40.20, 50.25),  # 40 min
        ("labour", "circuit", "", 1, "", 0.50, 30.00, 37.50),
        ("labour", "fixed", "", 1.5, "h", 1.50, 90.00, 112.50),
        ("extra", "extra", "skip", 1, "", None, 50.00, 62.50),
    ]
    keys = ("part", "kind", "of", "quantity", "unit", "hours", "cost", "price")
    return {
        "items": [dict(zip(keys, item, strict=True)) for item in items],
        "hours": 5.55, "hour_cost": 60.0, "cost": 638.00, "margin_pct": 20.0, "net": 797.50, "tax_name": "VAT",
        "tax_pct": 10.0, "tax": 79.75, "total": 877.25, "whole": False, "not_priced": [],
    }  # fmt: skip


def wound() -> tuple[Sketch, Data]:
    """
    A wound transformer with two circuits of one halogen lamp each, fused: rule B. All is linear. Dimmed to 40 %.
    A quarter of spare load.

    ::

        J1 ---K1 10 m--- S1 ---K2 10 m--- J2
    """
    settings = job(
        lamps={"halogen": {"watts": 20, "volts": 12, "supply": "ac", "load": "resistance", "window_v": [10.2, 14.5]}},
        drivers={
            "w150": {
                "kind": "wound",
                "taps_v": [12],
                "rated_w": 150,
                "regulation_pct": 8,
                "outlets": 3,
                "outlet_a": 8,
                "price": 120,
            }
        },
        fuses={"price": 4.5},
        schedule={"on": "18:00", "off": "23:00", "dim_pct": 40},
        rules={"growth": 25},
    )
    survey = Survey(
        lamps=(Lamp("L1", "halogen", (-10, 0.2, 0)), Lamp("L2", "halogen", (10, 0.2, 0))),
        supplies=(SupplyPoint("S1", (0, 0, 0)),),
    )
    sketch = Sketch(
        settings,
        survey,
        drivers=[("D1", "S1", "w150", 12.0)],
        circuits=[("C1", "D1", 1, 3.0, None), ("C2", "D1", 2, 3.0, None)],
        joints=[("J1", "C1", (-10.0, 0.0), "two", None), ("J2", "C2", (10.0, 0.0), "two", None)],
        cables=[
            ("K1", "C1", "D1", "J1", "2.5", [(0.0, 0.0), (-10.0, 0.0)], None),
            ("K2", "C2", "D1", "J2", "2.5", [(0.0, 0.0), (10.0, 0.0)], None),
        ],
        trenches=[
            ("T1", "lawn", [(-10.0, 0.0), (0.0, 0.0)], ["K1"], None, False, 0),
            ("T2", "lawn", [(0.0, 0.0), (10.0, 0.0)], ["K2"], None, False, 0),
        ],
        lamps=[("L1", "J1", 2.0, 0.0), ("L2", "J2", 2.0, 0.0)],
        cuts=[("2.5", 50.0, ["K1", "K2"])],
    )
    return sketch, make(sketch)


def paving() -> tuple[Sketch, Data]:
    """
    A house wall, a strip of paving with a sleeve under it, a post beyond; two circuits share the stub out of the wall.

    ::

        house | S1 . stub 0.1 m . ---- lawn ---- (4,0) == sleeve == (6,0) ---- J1 (10,0)
              |                                  (4,1) -- paving -- (6,1) ---- P (10,1), a post
        x = 0                                    paving: x 4 to 6
    """
    settings = job(
        grounds={
            "lawn": {"per_m": 10},
            "paving": {"per_m": 40, "crossing": 12},
            "house": {"kind": "no_dig"},
        },
        lamps={"spike": {"watts": 6, "volts": 12}, "post": {"watts": 8, "volts": 12, "terminals": True}},
        drivers={
            "e60": {
                "taps_v": [12],
                "rated_w": 60,
                "outlets": 2,
                "limit_a": 6,
                "limit_mode": "hiccup",
                "price": 90,
            }
        },
    )
    survey = Survey(
        lamps=(Lamp("L1", "spike", (10, -0.2, 0)), Lamp("P", "post", (10, 1, 0))),
        supplies=(SupplyPoint("S1", (0, 0, 0)),),
        zones=(
            Zone("house", "house", box(-6, -8, 0, 8), 0.1),
            Zone("paving", "paving", box(4, -9, 6, 9), 0.0),
        ),
        sleeves=(Sleeve("duct", ((4, 0, 0), (6, 0, 0)), 2, 3.0),),
    )
    sketch = Sketch(
        settings,
        survey,
        drivers=[("D1", "S1", "e60", 12.0)],
        circuits=[("C1", "D1", 1, None, None), ("C2", "D1", 2, None, None)],
        joints=[("J1", "C1", (10.0, 0.0), "two", None), ("J2", "C2", (10.0, 1.0), None, "P")],
        cables=[
            ("K1", "C1", "D1", "J1", "1.5", [(0.0, 0.0), (0.1, 0.0), (4.0, 0.0), (6.0, 0.0), (10.0, 0.0)], None),
            ("K2", "C2", "D1", "J2", "1.5", [(0.0, 0.0), (0.1, 0.0), (4.0, 1.0), (6.0, 1.0), (10.0, 1.0)], None),
        ],
        trenches=[
            ("T1", "lawn", [(0.0, 0.0), (0.1, 0.0)], ["K1", "K2"], None, True, 0),
            ("T2", "lawn", [(0.1, 0.0), (4.0, 0.0)], ["K1"], None, False, 1),
            ("T3", "lawn", [(4.0, 0.0), (6.0, 0.0)], ["K1"], "duct", False, 0),
            ("T4", "lawn", [(6.0, 0.0), (10.0, 0.0)], ["K1"], None, False, 1),
            ("T5", "lawn", [(0.1, 0.0), (4.0, 1.0)], ["K2"], None, False, 1),
            ("T6", "paving", [(4.0, 1.0), (6.0, 1.0)], ["K2"], None, False, 2),
            ("T7", "lawn", [(6.0, 1.0), (10.0, 1.0)], ["K2"], None, False, 1),
        ],
        lamps=[("L1", "J1", 2.0, 0.0), ("P", "J2", 0.0, 0.0)],
        cuts=[("1.5", 50.0, ["K1", "K2"])],
    )
    return sketch, make(sketch)


def ring(x: float, y: float, radius: float, corners: int) -> Polygon:
    """A regular polygon drawn round the circle."""
    out = radius / math.cos(math.pi / corners)
    turn = 2 * math.pi / corners
    return Polygon([(x + out * math.cos(i * turn), y + out * math.sin(i * turn)) for i in range(corners)])


CORNERS = [(-20.0, -20.0), (-20.0, 20.0), (30.0, -20.0), (30.0, 20.0)]


def slope() -> tuple[Sketch, Data]:
    """
    A slope of 3 in 4: a tree, a mains line to cross, an uncut run, an extended lead, a fuse behind a holding driver.

    ::

        S1 (0,0,0) --K1-- J1 (8,0,6) --K2-- J2 (16,0,12)    lengths 10 and 10 along the slope, one run
        tree at (12,6): strip 1.2 m, root ground 4.8 m (32-gon); L2 stands 0.3 m beyond its lead's reach
    """
    settings = job(
        grounds={"lawn": {"per_m": 10}, "mulch": {"per_m": 5, "depth_mm": 0}},
        lamps={"spike": {"watts": 6, "volts": 12, "lead_m": 1.2}},
        drivers={"h100": {"taps_v": [12, 13], "volts": 12, "rated_w": 100, "limit_a": 30, "price": 95}},
        joints={"kits": KITS, "method": "tap", "extension_m": 1.0, "extension_per_m": 3.0},
        fuses={"price": 4.5},
    )
    lamps = (Lamp("L1", "spike", (8, 0.2, 6)), Lamp("L2", "spike", (16, 0.75, 12)))
    survey = Survey(
        lamps=lamps,
        supplies=(SupplyPoint("S1", (0, 0, 0)),),
        zones=(
            Zone("mulch", "mulch", box(12, -5, 30, 0.5), 0.0),
            Zone("oak roots", "root", ring(12, 6, 4.8, 32), 0.0, "root"),
            Zone("oak trunk", "trunk strip", ring(12, 6, 1.2, 16), 0.0, "trunk"),
        ),
        trees=(Tree("oak", (12, 6, 9), 400),),
        mains=(MainsLine("feed", ((4, -3, 3), (4, 3, 3))),),
        heights=tuple((x, y, 0.75 * x) for x, y in [(0, 0), (8, 0.2), (16, 0.75), *CORNERS]),
    )
    sketch = Sketch(
        settings,
        survey,
        drivers=[("D1", "S1", "h100", 13.0)],
        circuits=[("C1", "D1", 1, 3.0, None)],
        joints=[("J1", "C1", (8.0, 0.0, 6.0), "three", None), ("J2", "C1", (16.0, 0.0, 12.0), "two", None)],
        cables=[
            ("K1", "C1", "D1", "J1", "2.5", [(0.0, 0.0, 0.0), (8.0, 0.0, 6.0)], "R1"),
            ("K2", "C1", "J1", "J2", "2.5", [(8.0, 0.0, 6.0), (16.0, 0.0, 12.0)], "R1"),
        ],
        trenches=[
            ("T1", "lawn", [(0.0, 0.0, 0.0), (8.0, 0.0, 6.0)], ["K1"], None, False, 0),
            ("T2", "lawn", [(8.0, 0.0, 6.0), (12.0, 0.0, 9.0)], ["K2"], None, False, 1),
            ("T3", "mulch", [(12.0, 0.0, 9.0), (16.0, 0.0, 12.0)], ["K2"], None, False, 1),
        ],
        # L2: 0.5 m on mulch at 5, 0.25 m on lawn at 10; its lead reaches 1.2 - 0.3 - 0.1 - 0 - 0.15 = 0.65 m of 0.75 m.
        lamps=[("L1", "J1", 2.0, 0.0), ("L2", "J2", 5.0, 0.1)],
        cuts=[("2.5", 50.0, ["K1", "K2"])],
        warnings=["K1 crosses mains line feed", "trenches pass beside tree roots"],
    )
    return sketch, make(sketch)
