"""Counts and sizes: outlets, drivers, taps, dim groups, ways, kits, posts, gauges. In: Index. Out: cases."""

from __future__ import annotations

import math
from collections import defaultdict

from ..job import Kit
from ..plan.model import DriverPlan, JointPlan
from .index import Index
from .report import Book


def judge_counts(index: Index, book: Book) -> None:
    for driver in index.plan.drivers:
        _judge_outlets(index, driver, book)
        _judge_taps(index, driver, book)
        _judge_groups(index, driver, book)
    _judge_supplies(index, book)
    for lamp in index.plan.lamps:
        _judge_kind(index, lamp.id, book)
    for joint in index.plan.joints:
        _judge_joint(index, joint, book)
    _judge_gauges(index, book)


def _judge_outlets(index: Index, driver: DriverPlan, book: Book) -> None:
    model = index.model_of(driver.id)
    seen: dict[int, str] = {}
    for circuit in index.circuits_of[driver.id]:
        ok = 1 <= circuit.outlet <= model.outlets
        text = f"{circuit.id}: outlet {circuit.outlet} of {driver.id}, whose model has {model.outlets}"
        book.claim("outlets", circuit.id, ok, text, value=circuit.outlet, allowed=model.outlets)
        other = seen.setdefault(circuit.outlet, circuit.id)
        text = f"outlet {circuit.outlet} of {driver.id} feeds both {other} and {circuit.id}"
        book.claim("outlets", circuit.id, other == circuit.id, text)
        leaving = [k for k in index.cables_of[circuit.id] if k.from_ == driver.id]
        what = "cables at its outlet"
        book.at_most("outlet cables", circuit.id, what, len(leaving), model.terminal_cables, "#", 0)
        for cable in leaving:
            area = index.job.cables[cable.cable].area_mm2
            book.at_most("outlet conductor", cable.id, "conductor at the outlet", area, model.terminal_mm2, "mm²", 1e-9)


def _judge_taps(index: Index, driver: DriverPlan, book: Book) -> None:
    model = index.model_of(driver.id)
    circuits = index.circuits_of[driver.id]
    offered = ", ".join(f"{tap:g}" for tap in model.taps_v)
    for where, tap_v in [(driver.id, driver.tap_v), *((c.id, c.tap_v) for c in circuits)]:
        ok = any(math.isclose(tap_v, tap, abs_tol=1e-6) for tap in model.taps_v)
        text = f"{where}: tap of {tap_v:g} V, the model {driver.model} offers {offered} V"
        book.claim("taps", where, ok, text, value=tap_v, allowed=offered)
    used = {circuit.tap_v for circuit in circuits}
    ok = len(used) <= 1 or model.tap_per_outlet
    book.claim("taps", driver.id, ok, f"{driver.id} uses {len(used)} taps, its model has one for all outlets")
    ok = not used or max(used) == driver.tap_v
    book.claim("taps", driver.id, ok, f"{driver.id}: tap {driver.tap_v:g} V is not the highest of its circuits' taps")


def _judge_groups(index: Index, driver: DriverPlan, book: Book) -> None:
    model = index.model_of(driver.id)
    groups: set[str] = set()
    for circuit in index.circuits_of[driver.id]:
        lamps = [lamp for joint in index.joints_of[circuit.id] for lamp in index.lamps_at[joint.id]]
        own = {index.surveyed[lamp.id].group for lamp in lamps}
        named = ", ".join(sorted(group or "no group" for group in own))
        text = f"circuit {circuit.id} feeds more than one dim group: {named}"
        book.claim("dim groups", circuit.id, len(own) <= 1, text)
        printed = circuit.dim_group or ""
        ok = len(own) != 1 or printed in own
        text = f"circuit {circuit.id} says dim group {printed!r}, its lamps are of {named}"
        book.claim("dim groups", circuit.id, ok, text)
        groups |= own
    named = ", ".join(sorted(group or "no group" for group in groups))
    ok = len(groups) <= 1 or model.independent_outlets
    book.claim("dim groups", driver.id, ok, f"driver {driver.id} serves more than one dim group: {named}")
    printed = driver.dim_group or ""
    ok = printed in groups if len(groups) == 1 else not printed or printed in groups
    book.claim("dim groups", driver.id, ok, f"driver {driver.id} says dim group {printed!r}, its lamps are of {named}")


def _judge_supplies(index: Index, book: Book) -> None:
    mounted: dict[str, int] = defaultdict(int)
    for driver in index.plan.drivers:
        mounted[driver.supply] += 1
    count, asked = len(index.plan.drivers), index.plan.drivers_asked
    text = f"{asked} drivers were asked for, the plan has {count}"
    book.claim("drivers asked", "the job", asked is None or asked == count, text, value=count, allowed=asked)
    for name, count in mounted.items():
        most = index.job.supply(name).max_drivers
        book.at_most("drivers at supply", name, "drivers", count, most, "#", 0)


def _judge_kind(index: Index, name: str, book: Book) -> None:
    lamp = index.lamps[name]
    driver = index.driver_of(index.circuit_of(lamp))
    kind = index.type_of(lamp)
    nominal_v = driver.volts if driver.volts is not None else min(driver.taps_v)
    why = ""
    if not math.isclose(kind.volts, nominal_v, rel_tol=1e-9):
        why = f"it is for {kind.volts:g} V, the driver for {nominal_v:g} V lamps"
    elif kind.supply != "either" and (kind.supply == "ac") != driver.ac:
        why = f"it runs on {kind.supply} only"
    elif driver.dims_by_voltage and kind.load == "power":
        why = "the driver dims by lowering its volts, the lamp has its own converter"
    book.claim("volts and kind", name, not why, f"lamp {name} hangs on a driver that is not its kind: {why}")


def kit_takes(kit: Kit, ways: int, areas: list[float]) -> bool:
    """Whether the kit takes so many ways and every conductor size, in mm²."""
    return ways <= kit.max_ways and all(kit.min_mm2 - 1e-9 <= area <= kit.max_mm2 + 1e-9 for area in areas)


def areas_at(index: Index, joint: JointPlan) -> list[float]:
    """Every conductor size that meets in a joint, in mm²."""
    cables = [index.job.cables[cable.cable].area_mm2 for cable in index.ends_at[joint.id]]
    return cables + [index.type_of(lamp).lead_mm2 for lamp in index.lamps_at[joint.id]]


def _judge_joint(index: Index, joint: JointPlan, book: Book) -> None:
    cables, leads = index.ends_at[joint.id], index.lamps_at[joint.id]
    ways = len(cables) + len(leads)
    text = f"{joint.id}: {joint.ways} ways printed, {len(cables)} cables and {len(leads)} leads meet"
    book.claim("ways", joint.id, joint.ways == ways, text, value=joint.ways, allowed=ways)
    leaving = sum(cable.from_ == joint.id for cable in cables)
    branches = leaving > 1 or len(leads) > 1
    said = "a hub" if joint.hub else "no hub"
    text = f"{joint.id} is called {said}, but {leaving} cables and {len(leads)} leads leave it"
    book.claim("hubs", joint.id, joint.hub == branches, text)
    if joint.post is not None:
        _judge_post(index, joint, book)
        return
    for lamp in leads:
        text = f"{lamp.id} has terminals of its own and no lead, but hangs on {joint.id}"
        book.claim("post terminals", joint.id, not index.type_of(lamp).terminals, text)
    areas = areas_at(index, joint)
    text = f"{joint.id} has neither a kit nor a post's terminals"
    if not book.claim("joint kits", joint.id, joint.kit is not None, text) or joint.kit is None:
        return
    kit = index.job.joints.kits[joint.kit]
    sizes = ", ".join(f"{area:g}" for area in sorted(set(areas)))
    text = (
        f"{joint.id}: {ways} ways of {sizes} mm² meet, kit {joint.kit!r} takes {kit.max_ways} ways of "
        f"{kit.min_mm2:g} to {kit.max_mm2:g} mm²"
    )
    book.claim("joint kits", joint.id, kit_takes(kit, ways, areas), text)


def _judge_post(index: Index, joint: JointPlan, book: Book) -> None:
    lamp, cables = index.lamps[joint.post or ""], index.ends_at[joint.id]
    kind = index.type_of(lamp)

    def so(ok: bool, text: str) -> None:
        book.claim("post terminals", joint.id, ok, f"{joint.id}: {text}")

    so(kind.terminals, f"lamp {lamp.id} is no post with terminals")
    so(joint.kit is None, f"kit {joint.kit!r} stands in the terminals of post {lamp.id}")
    alone = [other.id for other in index.lamps_at[joint.id]] == [lamp.id]
    so(alone, f"only post {lamp.id} itself may hang on its terminals")
    book.at_most("post terminals", joint.id, "cables in the post's terminals", len(cables), 2, "#", 0)
    for cable in cables:
        area = index.job.cables[cable.cable].area_mm2
        book.at_most("post terminals", joint.id, f"conductor of {cable.id}", area, kind.terminal_mm2, "mm²", 1e-9)


def _judge_gauges(index: Index, book: Book) -> None:
    job = index.job
    used = sorted({cable.cable for cable in index.plan.cables})
    sizes = {job.cables[name].size for name in used}
    book.at_most("gauges", "the job", "sizes of cable used", len(sizes), job.rules.max_gauges, "#", 0)
    for cable in index.plan.cables:
        if cable.sun_m < cable.route_m - 0.002:
            area = job.cables[cable.cable].area_mm2
            least = job.rules.min_buried_mm2
            book.at_least("buried conductor", cable.id, "conductor", area, least, "mm²", 1e-9)
