"""Jobs and surveys made by hand or from a seed, for the tests of the ground stage. Prices are invented."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

import numpy as np
import shapely
from shapely import Polygon

from optimiser.job import Job
from optimiser.survey.model import Lamp, MainsLine, Sleeve, SupplyPoint, Survey, Zone


def make_job(grounds: dict[str, dict[str, Any]] | None = None, **more: Any) -> Job:
    """A job with plain lawn at 10 a metre and whatever else is asked for."""
    every: dict[str, Any] = {
        "lawn": {"per_m": 10},
        "bed": {"per_m": 14},
        "paving": {"per_m": 40, "crossing": 30},
        "house": {"kind": "no_dig"},
        "pond": {},
        "root": {"per_m": 20},
        "trunk strip": {"kind": "no_dig", "keep_off_m": 0, "leads": True},
    }
    every.update(grounds or {})
    data: dict[str, Any] = {
        "title": "a test",
        "grounds": every,
        "lamps": {
            "spike": {"watts": 5, "volts": 12},
            "long": {"watts": 5, "volts": 12, "lead_m": 2.5},
            "post": {"watts": 10, "volts": 12, "terminals": True},
        },
        "cables": {"2.5": {"mm2": 2.5, "price_per_m": 2}},
        "drivers": {"100": {"taps_v": [12], "rated_w": 100, "price": 90}},
        "joints": {"kits": {"gel": {"max_ways": 3, "price": 6, "labour": 2}}},
    }
    data.update(more)
    return Job.model_validate(data)


def zone(name: str, ground: str, corners: Any, keep_off_m: float = 0.0, holes: Any = (), of: Any = "survey") -> Zone:
    return Zone(name, ground, Polygon(corners, holes), keep_off_m, of)


def box(name: str, ground: str, x0: float, y0: float, x1: float, y1: float, keep_off_m: float = 0.0) -> Zone:
    return zone(name, ground, [(x0, y0), (x1, y0), (x1, y1), (x0, y1)], keep_off_m)


def make_survey(
    lamps: Sequence[tuple[float, ...]], supplies: Sequence[tuple[float, ...]], zones: Sequence[Zone] = (), **more: Any
) -> Survey:
    """
    Lamps as (x, y) or (x, y, z), of type spike unless ``types`` says otherwise.

    With ``has_heights`` the z of lamps, supply points and pegs were measured.
    """
    types = more.pop("types", ["spike"] * len(lamps))

    def place(at: tuple[float, ...]) -> tuple[float, float, float]:
        return (float(at[0]), float(at[1]), float(at[2]) if len(at) > 2 else 0.0)

    if more.pop("has_heights", False):
        more["heights"] = tuple(map(place, [*lamps, *supplies, *(peg.place for peg in more.get("pegs", ()))]))
    named = enumerate(zip(lamps, types, strict=True))
    return Survey(
        lamps=tuple(Lamp(f"L{i + 1}", kind, place(at), row=i + 2) for i, (at, kind) in named),
        supplies=tuple(SupplyPoint(f"S{i + 1}", place(at), row=90 + i) for i, at in enumerate(supplies)),
        zones=tuple(zones),
        **more,
    )


def regular(x: float, y: float, inner_radius: float, corners: int) -> list[tuple[float, float]]:
    """A regular polygon drawn round a circle."""
    outer = inner_radius / math.cos(math.pi / corners)
    return [
        (x + outer * math.cos(2 * math.pi * k / corners), y + outer * math.sin(2 * math.pi * k / corners))
        for k in range(corners)
    ]


def tree_zones(name: str, x: float, y: float, stem_m: float) -> list[Zone]:
    """Trunk strip and root ground of a tree, as DEVELOPERS.md describes them."""
    root = min(max(12 * stem_m, 2.0), 15.0)
    return [
        Zone(f"{name} trunk", "trunk strip", Polygon(regular(x, y, stem_m / 2 + 1.0, 16)), 0.0, "trunk"),
        Zone(f"{name} root", "root", Polygon(regular(x, y, root, 32)), 0.0, "root"),
    ]


def random_site(num_lamps: int, seed: int) -> tuple[Job, Survey]:
    """A site of the size that suits so many lamps: house, ponds, paving, beds, trees, a sleeve, a mains line."""
    rng = np.random.default_rng(seed)
    side = 4.5 * math.sqrt(num_lamps) + 6
    zones = [box("house", "house", 0, side / 2, side / 5, side, 0.1)]
    for idx in range(1 + num_lamps // 30):
        x, y = rng.random(2) * side * 0.6 + side * 0.25
        zones.append(zone(f"pond {idx}", "pond", regular(round(x, 2), round(y, 2), 1.5 + rng.random(), 9), 0.3))
    y = round(side * 0.4, 2)
    zones.append(box("path", "paving", 0, y, side, y + 1.5))
    x = round(side * 0.7, 2)
    zones.append(box("path across", "paving", x, 0, x + 1.2, side))
    for idx in range(2 + num_lamps // 15):
        x, y = np.round(rng.random(2) * side * 0.8, 2)
        w, h = np.round(1 + rng.random(2) * 4, 2)
        zones.append(box(f"bed {idx}", "bed", x, y, x + w, y + h))
    for idx in range(num_lamps // 8):
        x, y = np.round(rng.random(2) * side, 2)
        zones += tree_zones(f"tree {idx}", float(x), float(y), round(0.1 + 0.3 * float(rng.random()), 2))
    mains_x = side * 0.3
    hard = [z.polygon.buffer(0.8) for z in zones if z.ground in ("house", "pond", "trunk strip", "paving")]
    barred = shapely.union_all([*hard, shapely.box(mains_x - 0.5, 0, mains_x + 0.5, side)])
    lamps: list[tuple[float, ...]] = []
    while len(lamps) < num_lamps:
        x, y = np.round(rng.random(2) * side, 2)
        if not shapely.contains_xy(barred, x, y) and all(math.hypot(x - a, y - b) > 1.5 for a, b in lamps):
            lamps.append((float(x), float(y)))
    supplies = [(round(side / 5, 2), round(side * 0.8, 2)), (side - 1.0, 1.0)]
    supplies += [(float(a), float(b)) for a, b in np.round(rng.random((num_lamps // 30, 2)) * side, 2)]
    wet = shapely.union_all([z.polygon for z in zones if z.ground in ("pond", "trunk strip")])
    supplies = [at for at in supplies if not shapely.contains_xy(wet, *at)]
    y = round(side * 0.4, 2)
    sleeves = (Sleeve("duct", ((side * 0.5, y - 0.2, 0.0), (side * 0.5, y + 1.7, 0.0)), 2, 3.0),)
    mains = (MainsLine("feed", ((mains_x, 0.0, 0.0), (mains_x, side, 0.0))),)
    return make_job(), make_survey(lamps, supplies, zones, sleeves=sleeves, mains=mains)
