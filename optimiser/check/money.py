"""Every price once more, from the job alone. In: Index, Land. Out: cases."""

from __future__ import annotations

import math

from ..plan.model import CablePlan
from .counts import areas_at, kit_takes
from .digging import borders_paid, ground_changes
from .index import Index
from .land import Land
from .limits import CENT, PLACE_M
from .report import Book


def judge_money(index: Index, land: Land, book: Book) -> None:
    _judge_whole_cents(index, book)
    _judge_trenches(index, land, book)
    for cable in index.plan.cables:
        _judge_cable(index, cable, book)
    _judge_joints(index, book)
    _judge_drivers(index, book)
    _judge_sums(index, book)


def _judge_whole_cents(index: Index, book: Book) -> None:
    plan = index.plan
    money = [(f"cost.{name}", value) for name, value in plan.cost.model_dump().items()]
    money += [(trench.id, trench.price) for trench in plan.trenches]
    money += [(cable.id, cable.price) for cable in plan.cables]
    money += [(joint.id, joint.price) for joint in plan.joints]
    money += [(driver.id, driver.price) for driver in plan.drivers]
    money += [(lamp.id, price) for lamp in plan.lamps for price in (lamp.lead_price, lamp.extension_price)]
    money += [(circuit.id, circuit.fuse_price) for circuit in plan.circuits]
    money += [(f"reels of {reel.cable}", reel.price) for reel in plan.reels]
    for where, value in money:
        ok = abs(value * 100 - round(value * 100)) <= 1e-6 * max(1.0, abs(value)) and value >= 0
        book.claim("whole cents", where, ok, f"{where}: {value!r} is no sum of money in whole cents", value=value)
    for cable in plan.cables:
        ok = abs(cable.cut_m * 10 - round(cable.cut_m * 10)) <= 1e-6
        book.claim("whole cents", cable.id, ok, f"{cable.id}: cut of {cable.cut_m!r} m is not in whole decimetres")


def _judge_trenches(index: Index, land: Land, book: Book) -> None:
    job = index.job
    pulls = {sleeve.name: sleeve.pull_price for sleeve in index.survey.sleeves}
    changes = ground_changes(index, land)
    for trench in index.plan.trenches:
        if trench.sleeve is not None:
            own = pulls[trench.sleeve] * len(trench.cables)
            text = f"{trench.id}: a sleeve pays no crossing"
            book.claim("trench prices", trench.id, trench.borders == 0, text, value=trench.borders, allowed=0)
            book.same("trench prices", trench.id, "price", trench.price, own, "", CENT)
            continue
        ground = job.grounds[trench.ground]
        if ground.no_dig:
            continue  # already found: it may not be dug
        per_m = ground.per_m or 0.0
        sure, possible = borders_paid(land, trench)
        sure = max(sure, min(changes[trench.id], possible))
        text = (
            f"{trench.id}: {trench.borders} of its points are said to pay half a crossing, "
            f"between {sure} and {possible} lie on a border of {trench.ground!r}"
        )
        # Where crossing costs nothing the number may be left out.
        ok = (sure if ground.crossing > 0 else 0) <= trench.borders <= possible
        book.claim("trench prices", trench.id, ok, text, value=trench.borders, allowed=sure)
        own = trench.length_m * per_m + trench.borders * ground.crossing / 2
        tol = max(2 * CENT, 0.0051 + 0.00051 * per_m)
        book.same("trench prices", trench.id, "price", trench.price, own, "", tol)


def _judge_cable(index: Index, cable: CablePlan, book: Book) -> None:
    job = index.job
    ends_m = 0.0
    for end in (cable.from_, cable.to):
        if (cable.id, end) in index.uncut:
            continue
        driver = index.drivers.get(end)
        ends_m += job.driver_end_m(driver.supply) if driver is not None else job.slack.joint_end_m
    # From the printed route: it is what the cut is made by, and is judged by itself.
    own = math.ceil((cable.route_m * (1 + job.slack.per_cent / 100) + ends_m) * 10 - 1e-6) / 10
    book.same("cuts", cable.id, "cut_m", cable.cut_m, own, "m", PLACE_M)
    price = cable.cut_m * job.cables[cable.cable].price_per_m
    book.same("cable prices", cable.id, "price", cable.price, price, "", CENT)


def _judge_joints(index: Index, book: Book) -> None:
    kits = index.job.joints.kits
    for joint in index.plan.joints:
        own = 0.0
        if joint.post is None:
            areas = areas_at(index, joint)
            takes = [kit.price + kit.labour for kit in kits.values() if kit_takes(kit, len(areas), areas)]
            if not takes:
                continue  # already found: no kit takes it
            own = min(takes)
            if joint.kit is not None:
                named = kits[joint.kit].price + kits[joint.kit].labour
                text = f"{joint.id}: kit {joint.kit!r} costs {named:.2f}, the cheapest that fits {own:.2f}"
                book.claim("joint prices", joint.id, named <= own + CENT, text, value=named, allowed=own)
        book.same("joint prices", joint.id, "price", joint.price, own, "", CENT)


def _judge_drivers(index: Index, book: Book) -> None:
    for driver in index.plan.drivers:
        book.same("driver prices", driver.id, "price", driver.price, index.model_of(driver.id).price, "", CENT)
    for circuit in index.plan.circuits:
        own = 0.0 if circuit.fuse_a is None else index.job.fuses.price
        book.same("fuse prices", circuit.id, "fuse_price", circuit.fuse_price, own, "", CENT)


def _judge_sums(index: Index, book: Book) -> None:
    plan, job = index.plan, index.job
    # Sums of whole cents are exact: only the last bits of floating point are forgiven.
    supplies = {driver.supply for driver in plan.drivers}
    parts = {
        "trench": sum(t.price for t in plan.trenches) + sum(lamp.lead_price for lamp in plan.lamps),
        "cable": sum(cable.price for cable in plan.cables),
        "joints": sum(joint.price for joint in plan.joints) + sum(lamp.extension_price for lamp in plan.lamps),
        "drivers": sum(driver.price for driver in plan.drivers),
        "supplies": sum(round(job.supply(name).price, 2) for name in supplies),
        "fuses": sum(circuit.fuse_price for circuit in plan.circuits),
    }
    printed = plan.cost.model_dump()
    for name, own in parts.items():
        book.same("cost", f"cost.{name}", "the sum of its items", printed[name], own, "", 1e-6 * max(1.0, abs(own)))
    total = sum(printed[name] for name in parts)
    book.same("cost", "cost.total", "the sum of its parts", plan.cost.total, total, "", 1e-6 * max(1.0, abs(total)))
