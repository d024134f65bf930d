"""Whether a plan's parts fit together, before papers are made of it. In: Plan. Out: nothing, or BadInput.

``plan.json`` may have been changed by hand. Its shape is checked where it is read; here, that whatever names something
names something that is there, that every circuit is a tree on its driver, that numbers are finite, and that all places
lie on one site.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterable, Iterator
from statistics import median
from typing import Any

from ..plan.model import Plan
from ..problems import BadInput, Problem
from .words import plain

_MEND = "make the plan anew with lampspur plan"
_WIDEST_M = 20_000.0
"""From the middle of the places to any of them: surveys wider than 5 km are refused where they are read."""


def refuse_unsound(plan: Plan, file: str) -> None:
    """
    Raise where papers could not be made.

    Raises
    ------
    BadInput
        With every fault found, by its place in the file.
    """
    faults = [
        *_references(plan),
        *_routes(plan),
        *_numbers(dumped := plan.model_dump(by_alias=True), ""),
        *_far_places(dumped),
    ]
    if not faults:
        faults = list(_loops(plan))
    if faults:
        raise BadInput([Problem(file, 0, place, found, _MEND) for place, found in dict.fromkeys(faults)])


Fault = tuple[str, str]


def _references(plan: Plan) -> Iterator[Fault]:
    drivers = {one.id for one in plan.drivers}
    circuits = {one.id for one in plan.circuits}
    joints = {one.id for one in plan.joints}
    cables = {one.id for one in plan.cables}
    lamps = {one.id for one in plan.lamps}
    for name in ("drivers", "circuits", "joints", "cables", "trenches", "lamps"):
        for id_, count in Counter(one.id for one in getattr(plan, name)).items():
            if count > 1:
                yield name, f"found the id '{plain(id_)}' {count} times"
    for id_ in sorted(drivers & joints):
        yield "joints", f"found the id '{plain(id_)}', which a driver has"
    if not plan.drivers or not plan.lamps:
        yield ("lamps" if plan.drivers else "drivers"), "is empty"

    def missing(place: str, names: Iterable[str], known: set[str], what: str) -> Iterator[Fault]:
        for name in names:
            if name not in known:
                yield place, f"found '{plain(name)}', which is no {what} of the plan"

    for i, circuit in enumerate(plan.circuits):
        yield from missing(f"circuits[{i}].driver", [circuit.driver], drivers, "driver")
        yield from missing(f"circuits[{i}].lamps", circuit.lamps, lamps, "lamp")
    for i, joint in enumerate(plan.joints):
        yield from missing(f"joints[{i}].circuit", [joint.circuit], circuits, "circuit")
        yield from missing(f"joints[{i}].cables", joint.cables, cables, "cable")
        yield from missing(f"joints[{i}].leads", joint.leads, lamps, "lamp")
    for i, cable in enumerate(plan.cables):
        yield from missing(f"cables[{i}].circuit", [cable.circuit], circuits, "circuit")
        yield from missing(f"cables[{i}].from", [cable.from_], joints | drivers, "joint or driver")
        yield from missing(f"cables[{i}].to", [cable.to], joints, "joint")
    for i, trench in enumerate(plan.trenches):
        yield from missing(f"trenches[{i}].cables", trench.cables, cables, "cable")
    on_circuits = {lamp for circuit in plan.circuits for lamp in circuit.lamps}
    for i, lamp in enumerate(plan.lamps):
        yield from missing(f"lamps[{i}].joint", [lamp.joint], joints | drivers, "joint or driver")
        yield from missing(f"lamps[{i}].id", [lamp.id], on_circuits, "lamp of any circuit")
    for i, cut in enumerate(plan.cuts):
        yield from missing(f"cuts[{i}].pieces", cut.pieces, cables, "cable")


def _routes(plan: Plan) -> Iterator[Fault]:
    routes: list[tuple[str, int, int]] = []
    for name, items in (("cables", plan.cables), ("trenches", plan.trenches)):
        routes += [(f"{name}[{i}].route", len(item.route), 2) for i, item in enumerate(items)]  # type: ignore[attr-defined]
    for name, lines in (("sleeves", plan.site.sleeves), ("mains", plan.site.mains)):
        routes += [(f"site.{name}[{i}].route", len(line.route), 2) for i, line in enumerate(lines)]  # type: ignore[attr-defined]
    for i, zone in enumerate(plan.site.zones):
        routes.append((f"site.zones[{i}].rings", len(zone.rings), 1))
        routes += [(f"site.zones[{i}].rings[{k}]", len(ring), 3) for k, ring in enumerate(zone.rings)]
    for place, count, least in routes:
        if count < least:
            yield place, f"found {count} of at least {least}"


def _numbers(value: Any, place: str) -> Iterator[Fault]:
    if isinstance(value, dict):
        for key, item in value.items():
            yield from _numbers(item, f"{place}.{key}" if place else str(key))
    elif isinstance(value, list | tuple):
        for i, item in enumerate(value):
            yield from _numbers(item, f"{place}[{i}]")
    elif isinstance(value, float) and not math.isfinite(value):
        yield place, f"found {value}, which is no finite number"


def _far_places(dumped: dict[str, Any]) -> Iterator[Fault]:
    """Coordinates far from all others. A country's grid begins where it likes, so the distance from 0 says nothing."""
    for axis in (0, 1):
        found = [(place, value) for place, of, value in _coordinates(dumped, "") if of == axis and math.isfinite(value)]
        if not found:
            continue
        middle = median(value for _, value in found)
        for place, value in found:
            if abs(value - middle) > _WIDEST_M:
                away = f"{abs(value - middle) / 1000:,.0f} km from the middle of the others"
                yield place, f"found {value:.12g}, {away}, which is no place on the site"


def _coordinates(value: Any, place: str) -> Iterator[tuple[str, int, float]]:
    """Every x and y of what is drawn: its place in the file, 0 or 1, its value."""
    if isinstance(value, dict):
        for key, item in value.items():
            inner = f"{place}.{key}" if place else str(key)
            if inner == "site.position":
                continue  # ties the axes to the Earth, wherever its job chose to
            if key in ("x", "y"):
                yield inner, int(key == "y"), item
            else:
                yield from _coordinates(item, inner)
    elif isinstance(value, list | tuple):
        for i, item in enumerate(value):
            if isinstance(item, float) and i < 2 and ("route" in place or "rings" in place):
                yield f"{place}[{i}]", i, item
            else:
                yield from _coordinates(item, f"{place}[{i}]")


def _loops(plan: Plan) -> Iterator[Fault]:
    """Cables of each circuit reach every joint once, from the circuit's driver on."""
    into = Counter(cable.to for cable in plan.cables)
    for joint in plan.joints:
        if into[joint.id] != 1:
            yield "cables", f"found {into[joint.id]} cables that end at joint '{plain(joint.id)}'"
    circuit_of = {joint.id: joint.circuit for joint in plan.joints}
    driver_of = {circuit.id: circuit.driver for circuit in plan.circuits}
    above = {cable.to: cable for cable in plan.cables}
    for start in plan.cables:
        cable, seen = start, set()
        while cable.from_ in above and cable.id not in seen and cable.circuit == start.circuit:
            seen.add(cable.id)
            cable = above[cable.from_]
        if cable.from_ != driver_of[start.circuit] or circuit_of[start.to] != start.circuit:
            yield "cables", f"found '{plain(start.id)}', which does not hang on the driver of its circuit"
