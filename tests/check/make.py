"""Tiny plans made by hand. In: a sketch of places and connections. Out: the plan as plain data, with its numbers.

The numbers come from here alone: prices by the rules of account written out once more, volts by sweeping currents and
drops until they settle (the check uses Newton's method on nodal equations). What the tests assert of single numbers is
worked out beside them.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from itertools import pairwise
from typing import Any

from shapely import get_coordinates

from optimiser.job import Job
from optimiser.plan.model import Plan
from optimiser.survey.model import Survey

Data = dict[str, Any]
DIGEST = "sha256:0"

# Loop resistance of a metre at 20 °C in ohm, class 5: twice the IEC 60228 value of one core.
LOOP_20 = {0.75: 2 * 0.0260, 1.5: 2 * 0.0133, 2.5: 2 * 0.00798, 4.0: 2 * 0.00495}


def warm(celsius: float) -> float:
    return 1 + 0.00393 * (celsius - 20)


@dataclass
class Sketch:
    """What is connected to what, where. Tuples in the order of the names in the comments."""

    job: Job
    survey: Survey
    drivers: list[tuple[str, str, str, float]]  # id, supply, model, tap_v
    circuits: list[tuple[str, str, int, float | None, float | None]]  # id, driver, outlet, fuse_a, breaker_a
    joints: list[tuple[str, str, tuple[float, ...], str | None, str | None]]  # id, circuit, place, kit, post
    cables: list[tuple[str, str, str, str, str, list[tuple[float, ...]], str | None]]  # id, circuit, from, to, cable ..
    trenches: list[
        tuple[str, str, list[tuple[float, ...]], list[str], str | None, bool, int]
    ]  # .. sleeve, stub, borders
    lamps: list[tuple[str, str, float, float]]  # id, joint, lead_price, extension_m
    cuts: list[tuple[str, float, list[str]]]
    warnings: list[str] = field(default_factory=list)
    quote: Data | None = None


def span(route: list[tuple[float, ...]]) -> float:
    return sum(math.dist(a, b) for a, b in pairwise(route))


def up(metres: float) -> float:
    return math.ceil(round(metres * 10, 6)) / 10


def make(sketch: Sketch) -> Data:
    """The whole plan as plain data, ready to be spoiled."""
    job, survey = sketch.job, sketch.survey
    places = {supply.name: supply.place for supply in survey.supplies}
    surveyed = {lamp.name: lamp for lamp in survey.lamps}
    posts = {joint[0] for joint in sketch.joints if joint[4]}
    joint_ids = {joint[0] for joint in sketch.joints}
    drivers_at = {driver[0]: driver[1] for driver in sketch.drivers}
    run_ends = {(c[6], end) for c in sketch.cables if c[6] for end in (c[2], c[3])}
    uncut = {
        (run, end) for run, end in run_ends if sum(c[6] == run and end in (c[2], c[3]) for c in sketch.cables) == 2
    }
    plan: Data = {
        "tool": {"name": "lampspur", "version": "0"},
        "job": {"title": job.title, "digest": DIGEST, "files": ["job.toml", "survey.csv"], "overrides": {}},
        "currency": job.currency,
        "prices_are_invented": job.prices_are_invented,
        "seed": 1,
        "effort": 1.0,
        "work": 1.0,
        "outcome": "effort_spent",
        "bound_says": None,
        "bound_parts": None,
        "graph": {
            "nodes": 9,
            "edges": 9,
            "base_nodes": 9,
            "base_edges": 9,
            "refinements": 0,
            "last_gain_pct": None,
        },
        "rules": [],
        "warnings": sketch.warnings,
        "quote": sketch.quote,
    }

    plan["trenches"] = []
    for name, ground, route, cables, sleeve, stub, borders in sketch.trenches:
        length_m = round(span(route), 3)
        if sleeve is None:
            kind = job.grounds[ground]
            price, depth_mm = length_m * (kind.per_m or 0) + borders * kind.crossing / 2, kind.depth_mm
        else:
            price = len(cables) * next(s for s in survey.sleeves if s.name == sleeve).pull_price
            depth_mm = 0.0
        plan["trenches"].append(
            {
                "id": name,
                "ground": ground,
                "route": route,
                "length_m": length_m,
                "depth_mm": depth_mm,
                "cables": cables,
                "sleeve": sleeve,
                "price": round(price, 2),
                "stub": stub,
                "borders": borders,
            }
        )

    ohm20: dict[str, float] = {}
    contact: dict[str, float] = {}
    share: dict[str, float] = {}
    plan["cables"] = []
    for name, circuit, frm, to, cable, route, run in sketch.cables:
        route_m = round(span(route), 3)
        made_off = [end for end in (frm, to) if (run, end) not in uncut]
        ends_m = sum(job.driver_end_m(drivers_at[e]) if e in drivers_at else job.slack.joint_end_m for e in made_off)
        cut_m = up(route_m * (1 + job.slack.per_cent / 100) + ends_m)
        sun_m = sum(
            t["length_m"] for t in plan["trenches"] if name in t["cables"] and not t["sleeve"] and not t["depth_mm"]
        )
        size = job.cables[cable].mm2 or 0.0
        ohm20[name] = cut_m * LOOP_20[size]
        contact[name] = sum(job.joints.end_ohm for end in made_off if end in joint_ids and end not in posts)
        share[name] = sun_m / route_m
        plan["cables"].append(
            {
                "id": name,
                "circuit": circuit,
                "from": frm,
                "to": to,
                "cable": cable,
                "route": route,
                "route_m": route_m,
                "cut_m": cut_m,
                "price": round(cut_m * job.cables[cable].price_per_m, 2),
                "run": run,
                "sun_m": round(sun_m, 3),
            }
        )

    plan["joints"] = []
    for name, circuit, place, kit, post in sketch.joints:
        ending = [c for c in sketch.cables if name in (c[2], c[3])]
        leads = [lamp[0] for lamp in sketch.lamps if lamp[1] == name]
        kits = job.joints.kits
        plan["joints"].append(
            {
                "id": name,
                "x": place[0],
                "y": place[1],
                "z": place[2] if len(place) == 3 else None,
                "circuit": circuit,
                "ways": len(ending) + len(leads),
                "hub": sum(c[2] == name for c in ending) > 1 or len(leads) > 1,
                "cables": [c[0] for c in ending],
                "leads": leads,
                "kit": kit,
                "post": post,
                "end_ohm": 0.0 if post else job.joints.end_ohm,
                "price": kits[kit].price + kits[kit].labour if kit else 0.0,
            }
        )

    plan["lamps"] = []
    for name, joint, lead_price, extension_m in sketch.lamps:
        lamp, kind = surveyed[name], job.lamps[surveyed[name].type]
        post = joint in posts
        ohm20[name] = 0.0 if post else (kind.lead_m + extension_m) * LOOP_20[kind.lead_mm2]
        contact[name] = 0.0 if post else job.joints.end_ohm * (3 if extension_m else 1)
        place = next(j[2] for j in sketch.joints if j[0] == joint)
        spare = min(kit.price + kit.labour for kit in job.joints.kits.values())
        plan["lamps"].append(
            {
                "id": name,
                "joint": joint,
                "lead_m": 0.0 if post else kind.lead_m,
                "watts": kind.watts,
                "x": lamp.place[0],
                "y": lamp.place[1],
                "z": lamp.place[2] if survey.has_heights else None,
                "type": lamp.type,
                "group": lamp.group,
                "lead_route": [] if post else [lamp.place[:2], place[:2]],
                "lead_price": lead_price,
                "extension_m": extension_m,
                "extension_price": round(extension_m * job.joints.extension_per_m + spare, 2) if extension_m else 0.0,
            }
        )

    plan["mains"] = {"volts": job.mains.volts, "supplies": [], "says": "Work for a licensed electrician."}
    plan["running"] = None if job.schedule is None else {"drivers": [], **dict.fromkeys(ENERGY, 0.0)}
    electrics(sketch, plan, ohm20, contact, share)
    if job.schedule is not None:
        close_year(job, plan["running"], {driver["model"] for driver in plan["drivers"]})

    plan["cuts"] = []
    cut_m = {cable["id"]: cable["cut_m"] for cable in plan["cables"]}
    for cable, reel_m, pieces in sketch.cuts:
        left_m = round(reel_m - sum(cut_m[piece] for piece in pieces), 3)
        plan["cuts"].append({"cable": cable, "reel_m": reel_m, "pieces": pieces, "left_m": left_m})
    plan["reels"] = []
    for key in dict.fromkeys((cut[0], cut[1]) for cut in sketch.cuts):
        count = sum((cut[0], cut[1]) == key for cut in sketch.cuts)
        price = round(count * key[1] * job.cables[key[0]].price_per_m, 2)
        plan["reels"].append({"cable": key[0], "reel_m": key[1], "count": count, "price": price, "proven_least": True})
    plan["cables_used"] = {
        name: {
            "size": job.cables[name].size,
            "mm2": job.cables[name].mm2,
            "ohm_per_m": round(LOOP_20[job.cables[name].mm2 or 0] * warm(job.voltage.hot_c), 6),
            "rating_a": job.cables[name].rating,
            "price_m": job.cables[name].price_per_m,
        }
        for name in sorted({cable["cable"] for cable in plan["cables"]})
    }
    plan["site"] = {
        "base_ground": job.base_ground,
        "zones": [
            {
                "name": zone.name,
                "ground": zone.ground,
                "no_dig": job.grounds[zone.ground].no_dig,
                "water": job.grounds[zone.ground].is_water,
                "of": zone.of,
                "keep_off_m": zone.keep_off_m,
                "rings": [[(round(x, 3), round(y, 3)) for x, y in get_coordinates(zone.polygon.exterior)]],
            }
            for zone in survey.zones
        ],
        "sleeves": [
            {"name": s.name, "route": [p[:2] for p in s.route], "capacity": s.capacity} for s in survey.sleeves
        ],
        "trees": [{"name": t.name, "x": t.place[0], "y": t.place[1], "stem_mm": t.stem_mm} for t in survey.trees],
        "supplies": [
            {"name": s.name, "x": s.place[0], "y": s.place[1], "z": s.place[2], "price": job.supply(s.name).price}
            for s in survey.supplies
        ],
        "pegs": [],
        "mains": [{"name": m.name, "route": [p[:2] for p in m.route]} for m in survey.mains],
    }
    for driver in plan["drivers"]:
        driver["x"], driver["y"] = places[driver["supply"]][:2]
    cost = {
        "trench": sum(t["price"] for t in plan["trenches"]) + sum(lamp["lead_price"] for lamp in plan["lamps"]),
        "cable": sum(cable["price"] for cable in plan["cables"]),
        "joints": sum(j["price"] for j in plan["joints"]) + sum(lamp["extension_price"] for lamp in plan["lamps"]),
        "drivers": sum(driver["price"] for driver in plan["drivers"]),
        "supplies": sum(job.supply(name).price for name in {driver[1] for driver in sketch.drivers}),
        "fuses": sum(circuit["fuse_price"] for circuit in plan["circuits"]),
    }
    plan["cost"] = {key: round(value, 2) for key, value in cost.items()}
    plan["cost"]["total"] = round(sum(cost.values()), 2)
    plan["bound"] = round(plan["cost"]["total"] * 0.9, 2)
    plan["gap"] = round(1 - plan["bound"] / plan["cost"]["total"], 6)
    return plan


def electrics(
    sketch: Sketch, plan: Data, ohm20: dict[str, float], contact: dict[str, float], share: dict[str, float]
) -> None:
    job, voltage = sketch.job, sketch.job.voltage
    surveyed = {lamp.name: lamp for lamp in sketch.survey.lamps}
    types = {name: job.lamps[lamp.type] for name, lamp in surveyed.items()}
    hot = {
        name: ohm * ((1 - share.get(name, 0)) * warm(voltage.hot_c) + share.get(name, 0) * warm(voltage.sun_c))
        + contact[name]
        for name, ohm in ohm20.items()
    }
    cold = {name: ohm * warm(voltage.cold_c) + contact[name] for name, ohm in ohm20.items()}
    fault = {name: ohm * warm(voltage.fault_c) + contact[name] for name, ohm in ohm20.items()}
    up_from = {cable[3]: cable for cable in sketch.cables}
    joint_circuit = {joint[0]: joint[1] for joint in sketch.joints}
    circuit_of = {lamp[0]: joint_circuit[lamp[1]] for lamp in sketch.lamps}

    def path(joint: str) -> list[str]:
        names = []
        while joint in up_from:
            names.append(up_from[joint][0])
            joint = up_from[joint][2]
        return names

    paths = {lamp[0]: path(lamp[1]) for lamp in sketch.lamps}
    joint_of = {lamp[0]: lamp[1] for lamp in sketch.lamps}

    plan["drivers"], plan["circuits"] = [], []
    for driver_id, supply, model_name, tap_v in sketch.drivers:
        model = job.drivers[model_name]
        circuits = [circuit for circuit in sketch.circuits if circuit[1] == driver_id]
        lamps = [lamp for lamp in circuit_of if circuit_of[lamp] in {circuit[0] for circuit in circuits}]
        wound = model.kind == "wound"
        regulation = (model.regulation_pct or 0) / 100
        inner = regulation * tap_v**2 / model.rated_w if wound else 0.0
        emf = tap_v * (1 + regulation) if wound else tap_v
        lowest = emf * (1 + model.mains_low_pct / 100) if wound else tap_v * (1 - model.tol_pct / 100)
        highest = emf * (1 + model.mains_high_pct / 100) if wound else tap_v * (1 + model.tol_pct / 100)

        def amps_of(lamp: str, volts: float, ac: bool = model.ac, level: float = 1.0, chopped: float = 1.0) -> float:
            kind = types[lamp]
            if kind.load == "power":
                return level * kind.watts / volts / (kind.factor if ac else 1)
            return (
                level * kind.watts / kind.volts / (kind.factor if ac else 1)
                if kind.load == "current"
                else chopped * volts * kind.watts / kind.volts**2
            )

        def sweep(
            source: float,
            ohm: dict[str, float],
            on: list[str],
            inner: float = inner,
            level: float = 1.0,
            chopped: float = 1.0,
        ) -> tuple[float, dict[str, float], dict[str, float]]:
            """Terminal volts, volts of each lamp, amps of each cable."""
            volts = dict.fromkeys(on, source)
            for _ in range(200):
                amps = {lamp: amps_of(lamp, volts[lamp], level=level, chopped=chopped) for lamp in on}
                piece = {cable[0]: sum(amps[x] for x in on if cable[0] in paths[x]) for cable in sketch.cables}
                out = source - inner * sum(amps.values())
                volts = {
                    lamp: out - sum(piece[name] * ohm[name] for name in paths[lamp]) - amps[lamp] * ohm[lamp]
                    for lamp in on
                }
            return out, volts, piece

        def watts_at(
            level: float, emf: float = emf, lamps: list[str] = lamps, ac: bool = model.ac
        ) -> tuple[float, float]:
            """In the lamps and in copper, all on; resistances are on for that part of the time."""
            lamps_w = copper_w = 0.0
            for weight, chopped in ((level, 1.0), (1 - level, 0.0)):
                _, volts, piece = sweep(emf, hot, lamps, level=level, chopped=chopped)
                amps = {lamp: amps_of(lamp, volts[lamp], level=level, chopped=chopped) for lamp in lamps}
                real = {lamp: types[lamp].factor if ac and types[lamp].load != "resistance" else 1 for lamp in lamps}
                lamps_w += weight * sum(volts[lamp] * amps[lamp] * real[lamp] for lamp in lamps)
                copper_w += weight * sum(amps[lamp] ** 2 * hot[lamp] for lamp in lamps)
                copper_w += weight * sum(piece[cable[0]] ** 2 * hot[cable[0]] for cable in sketch.cables)
            return lamps_w, copper_w

        out_v, volts, piece = sweep(emf, hot, lamps)
        _, low, _ = sweep(lowest, hot, lamps)
        load_w = out_v * sum(amps_of(lamp, volts[lamp]) for lamp in lamps)
        more = 1 + job.rules.growth / 100
        grown_out_v, grown, _ = sweep(emf, hot, lamps, level=more, chopped=more)
        _, grown_low, _ = sweep(lowest, hot, lamps, level=more, chopped=more)
        grown_a = {lamp: amps_of(lamp, grown[lamp], level=more, chopped=more) for lamp in lamps}
        spares = job.rules.growth > 0
        efficiency = (model.efficiency_pct or 85) / 100
        add_mains(
            job,
            plan["mains"]["supplies"],
            supply,
            model.inrush_a,
            sum(watts_at(1.0)) / efficiency,
            load_w / efficiency / 0.9,
        )
        if job.schedule is not None:
            add_driver(plan["running"], driver_id, *watts_at(job.schedule.dim_pct / 100), efficiency, model.idle_w)
        groups = {surveyed[lamp].group for lamp in lamps}
        plan["drivers"].append(
            {
                "id": driver_id,
                "supply": supply,
                "model": model_name,
                "tap_v": tap_v,
                "load_w": round(load_w, 3),
                "load_pct": round(100 * load_w / model.rated_w, 2),
                "grown_w": round(grown_out_v * sum(grown_a.values()), 3) if spares else None,
                "start_a": started([types[lamp].inrush_a for lamp in lamps], model.start_a),
                "start_uf": started([types[lamp].input_uf for lamp in lamps], model.start_uf),
                "dim_group": min(groups) if len(groups) == 1 and min(groups) else None,
                "price": model.price,
            }
        )
        for cable in plan["cables"]:
            if any(cable["id"] in paths[lamp] for lamp in lamps):
                cable["amps"] = round(piece[cable["id"]], 3)
                cable["drop_v"] = round(piece[cable["id"]] * hot[cable["id"]], 3)
        for name, _, outlet, fuse_a, breaker_a in circuits:
            own = [lamp for lamp in lamps if circuit_of[lamp] == name]
            shorts = [sum(fault[k] for k in paths[lamp]) + fault[lamp] for lamp in own]
            short_a = lowest / (max(shorts) + inner)
            if model.mode == "hold":
                short_a = min(short_a, model.current_limit_a)
            plan["circuits"].append(
                {
                    "id": name,
                    "driver": driver_id,
                    "outlet": outlet,
                    "fuse_a": fuse_a,
                    "breaker_a": breaker_a,
                    "amps": round(sum(amps_of(lamp, volts[lamp]) for lamp in own), 3),
                    "lamps": own,
                    "short_a": round(short_a, 3) if fuse_a or breaker_a else None,
                    "tap_v": tap_v,
                    "out_v": round(out_v, 3),
                    "fuse_price": job.fuses.price if fuse_a else 0.0,
                    "dim_group": surveyed[own[0]].group or None,
                    "protected_by": "see the test",
                    "grown_amps": round(sum(grown_a[lamp] for lamp in own), 3) if spares else None,
                }
            )
        for lamp in plan["lamps"]:
            name = lamp["id"]
            if name not in lamps:
                continue
            kind = types[name]
            joint_v = out_v - sum(piece[k] * hot[k] for k in path(joint_of[name]))
            active = kind.factor if model.ac else 1.0  # only that part of the current is sure to lower the volts
            high = sweep(highest, cold, [name], level=active)[1][name]
            drop = (out_v if voltage.drop_from == "driver" else kind.volts) - volts[name]
            lamp |= {
                "amps": round(amps_of(name, volts[name]), 3),
                "volts": round(volts[name], 3),
                "drop_pct": round(100 * drop / kind.volts, 2),
                "margin_v": round(min(low[name] - kind.window[0], kind.window[1] - high), 3),
                "low_v": round(low[name], 3),
                "high_v": round(high, 3),
                "joint_v": round(joint_v, 3),
                "grown_v": round(grown[name], 3) if spares else None,
                "grown_low_v": round(grown_low[name], 3) if spares else None,
            }


HOURS = 1825.0
"""Of the sites' schedule: 18:00 to 23:00, 5 h on each of 365 nights."""
ENERGY = ("lamps_kwh", "cable_kwh", "drivers_kwh", "standby_kwh")


def started(stated: list[float | None], allowed: float | None) -> float | None:
    """What lamps draw at their start, where all of them and their driver say it."""
    known = [value for value in stated if value is not None]
    return sum(known) if allowed is not None and len(known) == len(stated) else None


def add_mains(job: Job, points: list[Data], supply: str, inrush_a: float | None, watts: float, va: float) -> None:
    """Put one driver to what its supply point draws."""
    setting = job.supply(supply)
    here = [point for point in points if point["supply"] == supply]
    if not here:
        rated = {"timer_a": setting.timer_a, "dimmer_va": setting.dimmer_va, "inrush_limit_a": setting.inrush_a}
        rated["inrush_a"] = 0.0
        here = [{"supply": supply, "watts": 0.0, "va": 0.0, "amps": 0.0, **rated}]
        points += here
    here[0]["watts"] = round(here[0]["watts"] + watts, 3)
    here[0]["va"] = round(here[0]["va"] + va, 3)
    known = here[0]["inrush_a"] is not None and inrush_a is not None
    here[0]["inrush_a"] = here[0]["inrush_a"] + inrush_a if known else None
    here[0]["amps"] = round(here[0]["va"] / job.mains.volts, 4)


def add_driver(run: Data, driver: str, lamps_w: float, copper_w: float, efficiency: float, idle_w: float) -> None:
    """Put one driver to the year's use; 8760 h less ``HOURS`` are standby."""
    loss_w = (lamps_w + copper_w) * (1 - efficiency) / efficiency
    watts = {"lamps_w": lamps_w, "cable_w": copper_w, "loss_w": loss_w, "standby_w": idle_w}
    run["drivers"].append({"id": driver, **{key: round(value, 3) for key, value in watts.items()}})
    for key, value, hours in zip(ENERGY, watts.values(), (HOURS, HOURS, HOURS, 8760 - HOURS), strict=True):
        run[key] += value * hours / 1000


def close_year(job: Job, run: Data, models: set[str]) -> None:
    schedule = job.schedule
    assert schedule is not None and (schedule.on, schedule.off) == ("18:00", "23:00")
    run |= {key: round(run[key], 3) for key in ENERGY}
    run["total_kwh"] = round(sum(run[key] for key in ENERGY), 3)
    price = schedule.price_per_kwh
    run |= {
        "year": 2025,
        "nights": 365,
        "hours": HOURS,
        "on": "18:00",
        "off": "23:00",
        "dim_pct": schedule.dim_pct,
        "price_per_kwh": price,
        "cost": None if price is None else round(run["total_kwh"] * price, 2),
        "assumed": sorted(models),
    }


def whole(data: Data) -> Plan:
    """Plain data as a Plan, by way of its JSON shape."""
    return Plan.model_validate(data)
