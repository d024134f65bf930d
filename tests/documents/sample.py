"""Plans made by hand for the papers' tests: a small courtyard, and a park of any size. Names and prices are invented.

The electrics are only plausible (currents added up, drops of linear loads): these plans are drawn and listed here,
never checked.
"""

from __future__ import annotations

import itertools
import math
from collections import defaultdict
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from functools import cache
from typing import Any

import networkx as nx

from optimiser.plan.cut_list import pack_cuts
from optimiser.plan.model import Plan

XY = tuple[float, float]
CABLES = {"garden 4": ("4 mm²", 4.0, 0.0107, 32.0, 2.9), "garden 2.5": ("2.5 mm²", 2.5, 0.0172, 25.0, 1.9)}


@dataclass
class Circuit:
    """``pieces``: (from, to, route, cable), from the driver on; ``lamps``: name → (place, joint)."""

    pieces: list[tuple[str, str, list[XY], str]]
    lamps: dict[str, tuple[XY, str]]
    fuse_a: float | None = 5.0


@dataclass
class Driver:
    supply: str
    circuits: list[Circuit]
    model: str = "Slim 100 dc"


@dataclass
class Scene:
    title: str
    supplies: dict[str, XY]
    drivers: list[Driver]
    zones: list[dict[str, Any]] = field(default_factory=list)
    sleeves: dict[str, list[XY]] = field(default_factory=dict)
    trees: dict[str, tuple[float, float, float]] = field(default_factory=dict)
    mains: dict[str, list[XY]] = field(default_factory=dict)
    pegs: dict[str, XY] = field(default_factory=dict)
    warnings: list[str] = field(default_factory=list)
    ground_of: dict[XY, str] = field(default_factory=dict)


def length(route: Sequence[XY]) -> float:
    return sum(math.dist(a, b) for a, b in itertools.pairwise(route))


def zone(
    name: str, ground: str, *rings: list[XY], no_dig: bool = False, water: bool = False, of: str = "survey"
) -> dict[str, Any]:
    return {
        "name": name,
        "ground": ground,
        "no_dig": no_dig,
        "water": water,
        "of": of,
        "keep_off_m": 0.1,
        "rings": list(rings),
    }


def disc(x: float, y: float, radius: float, sides: int) -> list[XY]:
    turns = [2 * math.pi * i / sides for i in range(sides)]
    return [(round(x + radius * math.cos(t), 3), round(y + radius * math.sin(t), 3)) for t in turns]


def tree_zones(name: str, x: float, y: float, stem_mm: float) -> list[dict[str, Any]]:
    root_m = min(15.0, max(2.0, 12 * stem_mm / 1000))
    strip_m = stem_mm / 2000 + 1.0
    return [
        zone(f"{name} root", "root", disc(x, y, root_m, 32), of="root"),
        zone(f"{name} trunk", "trunk strip", disc(x, y, strip_m, 16), no_dig=True, of="trunk"),
    ]


def quote_of(cables: list[Any], lamps: list[Any], drivers: list[Any]) -> dict[str, Any]:
    """Some items of each part, at a margin of a fifth of the price and a tax of a tenth on it."""
    items = []

    def put(part: str, kind: str, of: str, quantity: float, unit: str, hours: float | None, cost: float) -> None:
        items.append(
            {"part": part, "kind": kind, "of": of, "quantity": quantity, "unit": unit, "hours": hours,
             "cost": round(cost, 2), "price": round(cost * 1.25, 2)}
        )  # fmt: skip

    for name in CABLES:
        mine = [cable for cable in cables if cable["cable"] == name]
        if mine:
            cut_m = round(sum(cable["cut_m"] for cable in mine), 1)
            put("material", "cable", name, cut_m, "m", None, sum(cable["price"] for cable in mine))
    for model in dict.fromkeys(driver["model"] for driver in drivers):
        count = sum(driver["model"] == model for driver in drivers)
        put("material", "driver", model, count, "", None, 89.0 * count)
    hours = round(len(lamps) / 4, 2)
    put("labour", "lamp", "", len(lamps), "", hours, 41.7 * hours)
    put("extra", "extra", "skip for the soil", 1, "", None, 77.3)
    net = round(sum(item["price"] for item in items), 2)
    tax = round(net / 10, 2)
    return {
        "items": items, "hours": hours, "hour_cost": 41.7, "cost": round(sum(item["cost"] for item in items), 2),
        "margin_pct": 20.0, "net": net, "tax_name": "VAT", "tax_pct": 10.0, "tax": tax, "total": round(net + tax, 2),
        "whole": False, "not_priced": ["spike"],
    }  # fmt: skip


def make_plan(scene: Scene) -> Plan:
    """Fill in what a Plan holds beyond places: ids, trenches out of shared segments, sums."""
    drivers, circuits, joints, cables, lamps = [], [], [], [], []
    segment_cables: dict[tuple[XY, XY], list[str]] = defaultdict(list)
    direction: dict[tuple[XY, XY], tuple[XY, XY]] = {}
    for d, driver in enumerate(scene.drivers, 1):
        driver_id = f"D{d}"
        load_w = 0.0
        for outlet, circuit in enumerate(driver.circuits, 1):
            circuit_id = f"C{len(circuits) + 1}"
            below: dict[str, float] = defaultdict(float)
            for _, joint in circuit.lamps.values():
                below[joint] += 0.5
            for from_, to, _, _ in reversed(circuit.pieces):
                below[from_] += below[to]
            volts = {"driver": 12.0}
            at: dict[str, XY] = {}
            meets: dict[str, list[str]] = defaultdict(list)
            for from_, to, route, name in circuit.pieces:
                cable_id = f"K{len(cables) + 1:02d}"
                route_m = round(length(route), 3)
                cut_m = math.ceil((route_m * 1.03 + 0.8) * 10 - 1e-6) / 10
                drop_v = round(below[to] * cut_m * CABLES[name][2], 3)
                volts[to] = volts[from_] - drop_v
                at[to] = route[-1]
                meets[to].append(cable_id)
                meets[from_].append(cable_id)
                cables.append(
                    {
                        "id": cable_id,
                        "circuit": circuit_id,
                        "from": driver_id if from_ == "driver" else from_,
                        "to": to,
                        "cable": name,
                        "route": route,
                        "route_m": route_m,
                        "cut_m": cut_m,
                        "amps": round(below[to], 3),
                        "drop_v": drop_v,
                        "price": round(cut_m * CABLES[name][4], 2),
                    }
                )
                for a, b in itertools.pairwise(route):
                    key = (min(a, b), max(a, b))
                    direction.setdefault(key, (a, b))
                    segment_cables[key].append(cable_id)
            for joint, place in at.items():
                leads = [name for name, (_, where) in circuit.lamps.items() if where == joint]
                ways = len(meets[joint]) + len(leads)
                joints.append(
                    {
                        "id": joint,
                        "x": place[0],
                        "y": place[1],
                        "circuit": circuit_id,
                        "ways": ways,
                        "hub": ways > 3 or len(meets[joint]) > 2,
                        "cables": meets[joint],
                        "leads": leads,
                        "kit": "three ways",
                        "end_ohm": 0.002,
                        "price": 9.5,
                    }
                )
            for name, (place, joint) in circuit.lamps.items():
                lamp_v = round(volts[joint] - 0.03, 3)
                lamps.append(
                    {
                        "id": name,
                        "joint": joint,
                        "lead_m": 1.0,
                        "watts": 6.0,
                        "amps": 0.5,
                        "volts": lamp_v,
                        "drop_pct": round((12 - lamp_v) / 0.12, 2),
                        "margin_v": round(lamp_v - 0.25 - 10.8, 3),
                        "x": place[0],
                        "y": place[1],
                        "type": "spike",
                        "group": "",
                        "low_v": round(lamp_v - 0.25, 3),
                        "high_v": 12.2,
                        "lead_route": [place, at[joint]],
                        "lead_price": round(math.dist(place, at[joint]) * 8, 2),
                        "joint_v": round(volts[joint], 3),
                    }
                )
            amps = round(0.5 * len(circuit.lamps), 3)
            load_w += amps * 12
            circuits.append(
                {
                    "id": circuit_id,
                    "driver": driver_id,
                    "outlet": outlet,
                    "fuse_a": circuit.fuse_a,
                    "amps": amps,
                    "lamps": list(circuit.lamps),
                    "short_a": 24.6 if circuit.fuse_a else None,
                    "tap_v": 12.0,
                    "out_v": 12.0,
                    "fuse_price": 3.0,
                    "dim_group": None,
                    "protected_by": "fuse 5 A: load 2.5 A, cable 25 A, a short draws 24.6 A",
                }
            )
        x, y = scene.supplies[driver.supply]
        drivers.append(
            {
                "id": driver_id,
                "supply": driver.supply,
                "model": driver.model,
                "tap_v": 12.0,
                "load_w": round(load_w, 2),
                "load_pct": round(load_w / 1.5, 1),
                "dim_group": None,
                "x": x,
                "y": y,
                "price": 89.0,
            }
        )
    sleeve_of = {
        (min(a, b), max(a, b)): name for name, route in scene.sleeves.items() for a, b in itertools.pairwise(route)
    }
    trenches = []
    for key, through in segment_cables.items():
        a, b = direction[key]
        middle = ((a[0] + b[0]) / 2, (a[1] + b[1]) / 2)
        sleeve = sleeve_of.get(key)
        ground = next(
            (
                z["ground"]
                for z in scene.zones
                if not z["no_dig"] and z["of"] == "survey" and inside(middle, z["rings"][0])
            ),
            "lawn",
        )
        trenches.append(
            {
                "id": f"T{len(trenches) + 1:02d}",
                "ground": ground,
                "route": [a, b],
                "length_m": round(math.dist(a, b), 3),
                "depth_mm": 200,
                "cables": through,
                "sleeve": sleeve,
                "price": 0.0 if sleeve else round(math.dist(a, b) * 12, 2),
            }
        )
    cuts, reels = [], []
    for name in CABLES:
        pieces = [(cable["id"], cable["cut_m"]) for cable in cables if cable["cable"] == name]
        price = CABLES[name][4]
        packing = pack_cuts(pieces, [(50.0, 50 * price), (100.0, 95 * price)])
        cuts += [
            {"cable": name, "reel_m": reel.reel_m, "pieces": list(reel.pieces), "left_m": reel.left_m}
            for reel in packing.reels
        ]
        for reel_m in (50.0, 100.0):
            count = sum(reel.reel_m == reel_m for reel in packing.reels)
            total = sum(reel.price for reel in packing.reels if reel.reel_m == reel_m)
            if count:
                reels.append(
                    {
                        "cable": name,
                        "reel_m": reel_m,
                        "count": count,
                        "price": round(total, 2),
                        "proven_least": packing.proven,
                    }
                )
    cost = {
        "trench": round(sum(t["price"] for t in trenches) + sum(lamp["lead_price"] for lamp in lamps), 2),
        "cable": round(sum(c["price"] for c in cables), 2),
        "joints": round(sum(j["price"] for j in joints), 2),
        "drivers": 89.0 * len(drivers),
        "supplies": 40.0 * len({d["supply"] for d in drivers}),
        "fuses": 3.0 * sum(c["fuse_a"] is not None for c in circuits),
    }
    total = round(sum(cost.values()), 2)
    return Plan.model_validate(
        {
            "tool": {"name": "lampspur", "version": "0.0"},
            "job": {"title": scene.title, "digest": "3f1c" * 16, "files": ["job.toml", "survey.csv"]},
            "currency": "EUR",
            "prices_are_invented": True,
            "seed": 1,
            "effort": 1.0,
            "work": 1.0,
            "outcome": "effort_spent",
            "cost": {"total": total, **cost},
            "bound": round(0.9 * total, 2),
            "gap": 0.1,
            "bound_says": "trenches and the cheapest cable on this ground graph",
            "drivers": drivers,
            "circuits": circuits,
            "joints": joints,
            "cables": cables,
            "trenches": trenches,
            "lamps": lamps,
            "cuts": cuts,
            "reels": reels,
            "cables_used": {
                n: {"size": s, "mm2": a, "ohm_per_m": o, "rating_a": r, "price_m": p}
                for n, (s, a, o, r, p) in CABLES.items()
            },
            "site": {
                "base_ground": "lawn",
                "zones": scene.zones,
                "sleeves": [{"name": n, "route": r, "capacity": 3} for n, r in scene.sleeves.items()],
                "trees": [{"name": n, "x": x, "y": y, "stem_mm": s} for n, (x, y, s) in scene.trees.items()],
                "supplies": [{"name": n, "x": x, "y": y, "price": 40.0} for n, (x, y) in scene.supplies.items()],
                "pegs": [{"name": n, "x": x, "y": y} for n, (x, y) in scene.pegs.items()],
                "mains": [{"name": n, "route": r} for n, r in scene.mains.items()],
            },
            "graph": {
                "nodes": 812,
                "edges": 4210,
                "base_nodes": 700,
                "base_edges": 3600,
                "refinements": 3,
                "last_gain_pct": 0.02,
            },
            "quote": quote_of(cables, lamps, drivers),
            "rules": [{"name": "max_drop", "value": "10 % from the driver"}],
            "warnings": scene.warnings,
        }
    )


def inside(point: XY, ring: Sequence[XY]) -> bool:
    x, y = point
    hit = False
    for (x0, y0), (x1, y1) in zip(ring, [*ring[1:], ring[0]], strict=True):
        if (y0 > y) != (y1 > y) and x < x0 + (y - y0) * (x1 - x0) / (y1 - y0):
            hit = not hit
    return hit


@cache
def courtyard() -> Plan:
    """14 lamps, 2 drivers, 3 circuits, a pond, paving with a sleeve, beds, two trees, a mains line."""
    pond = [(8.2, 9.0), (10.0, 8.2), (12.2, 8.6), (13.4, 10.0), (12.6, 11.8), (10.4, 12.4), (8.6, 11.2)]
    trees = {"apple": (4.5, 14.5, 220.0), "pear": (18.6, 14.6, 180.0)}
    zones = [
        zone("bed west", "bed", [(0.5, 1.0), (2.2, 1.0), (2.2, 11.5), (0.5, 11.5)]),
        zone("bed east", "bed", [(20.0, 2.0), (21.8, 2.0), (21.8, 12.0), (20.0, 12.0)]),
        zone("terrace", "paving", [(5.0, 0.0), (17.0, 0.0), (17.0, 3.2), (5.0, 3.2)]),
        zone("path", "gravel", [(10.2, 3.2), (11.8, 3.2), (11.8, 7.6), (10.2, 7.6)]),
        zone("pond", "pond", pond, no_dig=True, water=True),
        zone("house", "house", [(0.0, -4.0), (22.0, -4.0), (22.0, -0.4), (0.0, -0.4)], no_dig=True),
    ]
    for name, (x, y, stem_mm) in trees.items():
        zones += tree_zones(name, x, y, stem_mm)
    first = Circuit(
        pieces=[
            ("driver", "J01", [(3.0, -0.4), (3.0, 0.6), (2.6, 3.0)], "garden 4"),
            ("J01", "J02", [(2.6, 3.0), (2.6, 6.0)], "garden 4"),
            ("J02", "J03", [(2.6, 6.0), (2.6, 9.2)], "garden 2.5"),
            ("J03", "J04", [(2.6, 9.2), (2.8, 12.0)], "garden 2.5"),
        ],
        lamps={
            "L01": ((2.0, 2.6), "J01"),
            "L02": ((1.9, 6.2), "J02"),
            "L03": ((1.9, 9.4), "J03"),
            "L04": ((3.3, 12.4), "J04"),
            "L05": ((2.2, 12.3), "J04"),
        },
    )
    second = Circuit(
        pieces=[
            ("driver", "J05", [(3.0, -0.4), (3.0, 0.6), (2.6, 3.0), (2.6, 6.0), (7.2, 7.4)], "garden 4"),
            ("J05", "J06", [(7.2, 7.4), (7.4, 11.8)], "garden 2.5"),
            ("J06", "J07", [(7.4, 11.8), (10.2, 13.2)], "garden 2.5"),
            ("J05", "J08", [(7.2, 7.4), (9.8, 7.0)], "garden 2.5"),
        ],
        lamps={
            "L06": ((7.7, 8.0), "J05"),
            "L07": ((7.9, 12.1), "J06"),
            "L08": ((10.4, 13.7), "J07"),
            "L09": ((9.6, 6.4), "J08"),
        },
    )
    third = Circuit(
        pieces=[
            ("driver", "J09", [(18.5, -0.4), (18.4, 0.8), (17.2, 1.6), (4.8, 1.6), (4.4, 4.4)], "garden 4"),
            ("driver", "J10", [(18.5, -0.4), (18.4, 0.8), (19.4, 4.0)], "garden 4"),
            ("J10", "J11", [(19.4, 4.0), (19.5, 8.4)], "garden 2.5"),
            ("J11", "J12", [(19.5, 8.4), (16.2, 10.4)], "garden 2.5"),
        ],
        lamps={
            "L10": ((5.0, 4.8), "J09"),
            "L11": ((20.2, 4.3), "J10"),
            "L12": ((20.3, 8.2), "J11"),
            "L13": ((15.6, 10.0), "J12"),
            "L14": ((16.4, 11.2), "J12"),
        },
        fuse_a=None,
    )
    return make_plan(
        Scene(
            title="Courtyard of the old mill",
            supplies={"S1 kitchen": (3.0, -0.4), "S2 barn": (18.5, -0.4), "S3 gate": (21.0, 15.5)},
            drivers=[Driver("S1 kitchen", [first, second]), Driver("S2 barn", [third], "Slim 60 dc")],
            zones=zones,
            sleeves={"under terrace": [(17.2, 1.6), (4.8, 1.6)]},
            trees=trees,
            mains={"gate supply": [(21.9, -0.4), (22.4, 8.0), (21.2, 15.5)]},
            pegs={"P1": (0.0, 0.0), "P2": (22.0, 0.0)},
            warnings=[
                "T09 crosses the root ground of apple: dig by hand, cut no root over 25 mm.",
                "Driver Slim 100 dc states no limit_a; 1.5 × its rated amps was taken.",
            ],
        )
    )


@cache
def park(num_lamps: int = 120, supplies: int = 6) -> Plan:
    """Lamps along winding paths, ten to a circuit, every circuit's cable running along the path from its supply."""
    width, height = 170.0, 100.0
    graph: nx.Graph[XY] = nx.Graph()
    rows = supplies // 2
    per_row = num_lamps // rows
    spots: list[list[XY]] = []
    for row in range(rows):
        y0 = height * (row + 0.5) / rows
        line = []
        for i in range(per_row):
            x = 6 + (width - 12) * i / (per_row - 1)
            line.append((round(x, 3), round(y0 + 11 * math.sin(x / 17 + row), 3)))
        nx.add_path(graph, line)
        spots.append(line)
    for u, v in graph.edges:
        graph.edges[u, v]["weight"] = math.dist(u, v)
    points: dict[str, XY] = {}
    drivers: list[Driver] = []
    lamp = joint = 0
    for row, line in enumerate(spots):
        for half in range(2):
            part = line[half * per_row // 2 : (half + 1) * per_row // 2]
            middle = part[len(part) // 2]
            name = f"S{len(points) + 1}"
            points[name] = (round(middle[0] + 0.4, 3), round(middle[1] - 4.0, 3))
            graph.add_edge(points[name], middle, weight=4.0)
            circuits = []
            for side in (list(reversed(part[: len(part) // 2])), part[len(part) // 2 :]):
                for number, places in enumerate((side[: len(side) // 2], side[len(side) // 2 :])):
                    pieces: list[tuple[str, str, list[XY], str]] = []
                    lamps: dict[str, tuple[XY, str]] = {}
                    last, at = "driver", points[name]
                    for k, place in enumerate(places):
                        joint += 1
                        lamp += 1
                        here = f"J{joint:03d}"
                        cable = "garden 4" if k < 2 or number else "garden 2.5"
                        pieces.append((last, here, nx.shortest_path(graph, at, place, weight="weight"), cable))
                        offset = 0.7 if (lamp + row) % 2 else -0.7
                        lamps[f"L{lamp:03d}"] = ((round(place[0] + 0.2, 3), round(place[1] + offset, 3)), here)
                        last, at = here, place
                    circuits.append(Circuit(pieces, lamps))
            if row:  # two drivers side by side at the first two supply points
                drivers.append(Driver(name, circuits, "Wide 150 dc"))
            else:
                drivers += [Driver(name, circuits[:2], "Slim 80 dc"), Driver(name, circuits[2:], "Slim 80 dc")]
    zones = [
        zone(
            "river", "pond", [(0, -12), (60, -9), (120, -13), (175, -8), (175, -30), (0, -30)], no_dig=True, water=True
        ),
        zone("rose garden", "bed", [(20, 36), (52, 40), (50, 30), (24, 26)]),
        zone("playground", "mulch", [(70, 66), (92, 68), (94, 60), (72, 58)]),
        zone("square", "paving", [(120, 66), (146, 70), (150, 58), (122, 56)]),
        zone("lane", "drive", [(100, 0), (106, 0), (112, 100), (106, 100)]),
        zone("pavilion", "house", [(60, 92), (74, 92), (74, 100), (60, 100)], no_dig=True),
    ]
    trees = {f"oak {i + 1}": (12.0 + 21 * i, 50.0 + 30 * math.sin(2.3 * i) + 3, 250.0 + 60 * (i % 5)) for i in range(8)}
    for name, (x, y, stem_mm) in trees.items():
        zones += tree_zones(name, x, y, stem_mm)
    return make_plan(
        Scene(
            "Riverside park, walks and square",
            points,
            drivers,
            zones,
            trees=trees,
            pegs={"P1": (0.0, 0.0), "P2": (170.0, 0.0)},
            mains={"pump line": [(0, 5), (60, 4), (168, 3)]},
            warnings=[f"T{i:02d} lies in root ground: dig by hand." for i in range(9)],
        )
    )


@cache
def one_lamp() -> Plan:
    """The smallest plan: a lamp whose lead reaches the driver itself."""
    plan = make_plan(Scene("Doorstep", {"S1": (0.0, 0.0)}, [Driver("S1", [Circuit([], {}, None)], "Small 20 dc")]))
    data = plan.model_dump(by_alias=True)
    data["circuits"][0] |= {"lamps": ["L1"], "amps": 0.5}
    data["lamps"] = [
        {"id": "L1", "joint": "D1", "lead_m": 1.0, "watts": 6.0, "amps": 0.5, "volts": 11.97, "drop_pct": 0.25,
         "margin_v": 0.9, "x": 0.5, "y": 0.4, "type": "spike", "group": "", "low_v": 11.7, "high_v": 12.2,
         "lead_route": [(0.5, 0.4), (0.0, 0.0)], "lead_price": 0.0, "joint_v": 12.0}
    ]  # fmt: skip
    return Plan.model_validate(data)


@cache
def many_circuits(count: int = 60) -> Plan:
    """A lane with a lamp post every few metres, each on a circuit of its own; posts are joined inside."""
    circuits = []
    step = min(1.5, 85 / count)
    for i in range(count):
        x = round(2.0 + step * i, 3)
        route = [(0.0, 0.0), *((round(2.0 + step * k, 3), 0.5) for k in range(0, i, 7)), (x, 0.5)]
        circuits.append(Circuit([("driver", f"J{i + 1:03d}", list(dict.fromkeys(route)), "garden 4")],
                                {f"L{i + 1:03d}": ((x, 0.5), f"J{i + 1:03d}")}))  # fmt: skip
    plan = make_plan(Scene("Lane of posts", {"S1": (0.0, 0.0)}, [Driver("S1", circuits, "Rack 500 dc")]))
    data = plan.model_dump(by_alias=True)
    for joint in data["joints"]:
        joint |= {"post": joint["leads"][0], "kit": None, "price": 0.0}
    for lamp in data["lamps"]:
        lamp["lead_route"] = []
    return Plan.model_validate(data)


NASTY = [
    "<&>\"'",
    "]]><!--",
    "\U0001f4a1\U0001f469\u200d\U0001f527 ",
    "\u05de\u05e0\u05d5\u05e8\u05d4 \u0645\u0635\u0628\u0627\u062d ",
    "\u706f\u5177 ",
    "x" * 80,
    "bell\x07 null\x00 esc\x1b[31m ",
    "\ufffe\uffff",
    "a\u0301\u0302 ",
]


def with_names(plan: Plan, change: Callable[[str], str]) -> Plan:
    """The same plan with every name, id and sentence a job can choose changed."""
    data = plan.model_dump(by_alias=True)
    names: set[str] = {plan.site.base_ground}
    for part in (plan.drivers, plan.circuits, plan.joints, plan.cables, plan.trenches, plan.lamps):
        names |= {thing.id for thing in part}
    for part in (
        plan.site.zones,
        plan.site.sleeves,
        plan.site.trees,
        plan.site.supplies,
        plan.site.pegs,
        plan.site.mains,
    ):
        names |= {thing.name for thing in part}
    names |= (
        {zone.ground for zone in plan.site.zones} | set(plan.cables_used) | {driver.model for driver in plan.drivers}
    )
    names |= {*plan.warnings, plan.job.title, *plan.job.files}

    def walk(value: Any) -> Any:
        if isinstance(value, str):
            return change(value) if value in names else value
        if isinstance(value, dict):
            return {change(key) if key in plan.cables_used else key: walk(item) for key, item in value.items()}
        return [walk(item) for item in value] if isinstance(value, list | tuple) else value

    return Plan.model_validate({**walk(data), "currency": change(plan.currency)[:8]})


def on_a_slope(plan: Plan, rise: float = 0.5) -> Plan:
    """The same plan on ground that rises along x, with a place at every metre of its lines."""

    def up(x: float, y: float) -> tuple[float, float, float]:
        return round(x, 3), round(y, 3), round(rise * x, 3)

    def laid(route: Sequence[Sequence[float]]) -> list[tuple[float, ...]]:
        found: list[tuple[float, ...]] = []
        for (x1, y1, *_), (x2, y2, *_) in itertools.pairwise(route):
            count = max(1, math.ceil(math.dist((x1, y1), (x2, y2))))
            found += [up(x1 + (x2 - x1) * i / count, y1 + (y2 - y1) * i / count) for i in range(count)]
        return [*found, up(*route[-1][:2])]

    def high(items: Sequence[Any]) -> list[Any]:
        return [item.model_copy(update={"z": round(rise * item.x, 3)}) for item in items]

    site = plan.site.model_copy(update={"supplies": high(plan.site.supplies), "pegs": high(plan.site.pegs)})
    lines = {
        name: [line.model_copy(update={"route": laid(line.route)}) for line in items]
        for name, items in (("trenches", plan.trenches), ("cables", plan.cables))
    }
    return plan.model_copy(
        update={"site": site, "joints": high(plan.joints), "lamps": high(plan.lamps), **lines}, deep=True
    )
