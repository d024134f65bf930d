"""What the report says of each thing that can be tapped. In: Plan. Out: facts, in the order in which they are drawn.

A fact points at others by its place in the list, never by a name: names are data, and two things may share one.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from typing import Any

from ..plan.model import Band, CablePlan, CircuitPlan, DriverPlan, JointPlan, LampPlan, Plan, TrenchPlan
from .summary import protection
from .words import drop_of, metres, number, outwards, plain

Key = tuple[str, str]
"""Kind and id: ``("lamp", "L01")``."""
KINDS = ("trench", "cable", "joint", "supply", "driver", "lamp", "circuit")


@dataclass(frozen=True)
class Row:
    """A line: what it is, then words or names; a name that has a fact of its own leads there."""

    label: str
    words: str = ""
    keys: tuple[Key, ...] = ()


@dataclass(frozen=True)
class Fact:
    """``marks``: what is lit on the map besides the thing itself."""

    key: Key
    rows: tuple[Row, ...]
    marks: tuple[Key, ...] = field(default=())


def facts_of(plan: Plan) -> list[Fact]:
    """A fact for each trench, cable, joint, supply point, driver, lamp and circuit."""
    maker = _Maker(plan)
    return [
        *(maker.trench(one) for one in plan.trenches),
        *(maker.cable(one) for one in plan.cables),
        *(maker.joint(one) for one in plan.joints),
        *(maker.supply(one.name) for one in plan.site.supplies),
        *(maker.driver(one) for one in plan.drivers),
        *(maker.lamp(one) for one in plan.lamps),
        *(maker.circuit(one) for one in plan.circuits),
    ]


def as_json(facts: Sequence[Fact]) -> list[dict[str, Any]]:
    """
    For the page's script: names as they are shown, references as places in the list.

    Row values are pairs of words and of the place of the fact they lead to, -1 where they lead nowhere.
    """
    place = {fact.key: i for i, fact in enumerate(facts)}
    return [
        {
            "kind": fact.key[0],
            "name": plain(fact.key[1]),
            "marks": [i, *(place[key] for key in fact.marks if key in place)],
            "rows": [
                [
                    row.label,
                    [[plain(name), place.get((kind, name), -1)] for kind, name in row.keys] or [[row.words, -1]],
                ]
                for row in fact.rows
            ],
        }
        for i, fact in enumerate(facts)
    ]


class _Maker:
    def __init__(self, plan: Plan) -> None:
        self.plan = plan
        self.circuit_of = {lamp: circuit for circuit in plan.circuits for lamp in circuit.lamps}
        self.joints = {joint.id for joint in plan.joints}
        self.drivers: dict[str, list[DriverPlan]] = defaultdict(list)
        for driver in plan.drivers:
            self.drivers[driver.supply].append(driver)
        self.trenches: dict[str, list[str]] = defaultdict(list)
        for trench in plan.trenches:
            for cable in trench.cables:
                self.trenches[cable].append(trench.id)

    def _end(self, name: str) -> Key:
        return ("joint" if name in self.joints else "driver", name)

    def trench(self, trench: TrenchPlan) -> Fact:
        what = f"sleeve {plain(trench.sleeve)}" if trench.sleeve is not None else plain(trench.ground)
        rows = [Row("ground" if trench.sleeve is None else "through", what)]
        if trench.sleeve is None:
            rows.append(Row("depth", f"{number(trench.depth_mm, 0)} mm"))
        rows += [Row("length", f"{number(trench.length_m, 2)} m"), _names("cables", "cable", trench.cables)]
        return Fact(("trench", trench.id), tuple(rows))

    def cable(self, cable: CablePlan) -> Fact:
        used = self.plan.cables_used.get(cable.cable)
        size = f", {plain(used.size)}" if used else ""
        rating = f" (rated {used.rating_a:g} A)" if used else ""
        return Fact(
            ("cable", cable.id),
            (
                Row("circuit", keys=(("circuit", cable.circuit),)),
                Row("from", keys=(self._end(cable.from_),)),
                Row("to", keys=(self._end(cable.to),)),
                Row("cable", f"{plain(cable.cable)}{size}"),
                Row("route", f"{number(cable.route_m, 2)} m"),
                Row("cut", metres(cable.cut_m)),
                Row("load", f"{number(cable.amps, 2)} A{rating}"),
                Row("drop along it", f"{number(cable.drop_v, 2)} V"),
                *((_names("lies in", "trench", self.trenches[cable.id]),) if self.trenches[cable.id] else ()),
            ),
        )

    def joint(self, joint: JointPlan) -> Fact:
        rows = [
            Row("circuit", keys=(("circuit", joint.circuit),)),
            Row("is", f"{'hub' if joint.hub else 'joint'} of {joint.ways} ways"),
        ]
        if joint.volts is not None:
            rows.append(Row("volts, all on", f"{number(joint.volts, 2)} V"))
        if joint.drop_band_v is not None:
            rows.append(Row("drop from the driver", _band(joint.drop_band_v, "V")))
        if joint.post is not None:
            rows.append(Row("made in", keys=(("lamp", joint.post),)))
        elif joint.kit is not None:
            rows.append(Row("kit", plain(joint.kit)))
        rows += [
            _names("cables", "cable", joint.cables),
            _names("lamps", "lamp", joint.leads),
            _place(joint.x, joint.y),
        ]
        return Fact(("joint", joint.id), tuple(rows))

    def supply(self, name: str) -> Fact:
        rows = [_names("drivers", "driver", [driver.id for driver in self.drivers[name]])]
        for point in self.plan.mains.supplies if self.plan.mains else ():
            if point.supply == name:
                rows.append(Row("from the mains", f"{number(point.watts, 1)} W, {number(point.va, 1)} VA, "
                                                  f"{number(point.amps, 2)} A"))  # fmt: skip
        place = next(point for point in self.plan.site.supplies if point.name == name)
        return Fact(("supply", name), (*rows, _place(place.x, place.y)))

    def driver(self, driver: DriverPlan) -> Fact:
        fed = [circuit.id for circuit in self.plan.circuits if circuit.driver == driver.id]
        unit = "VA" if driver.kind == "wound" else "W"
        rated = f" of {number(driver.rated_w, 0)} {unit}" if driver.rated_w else ""
        return Fact(
            ("driver", driver.id),
            (
                Row("at", keys=(("supply", driver.supply),)),
                Row("model", plain(driver.model)),
                Row("tap", f"{driver.tap_v:g} V{' ' + driver.output if driver.output else ''}"),
                Row("load", f"{number(driver.load_w, 1)}{rated or ' ' + unit} ({number(driver.load_pct, 0)} %)"),
                _names("circuits", "circuit", fed),
            ),
            (("supply", driver.supply),),
        )

    def lamp(self, lamp: LampPlan) -> Fact:
        circuit = self.circuit_of.get(lamp.id)
        rows = [
            Row("type", f"{plain(lamp.type)}, {lamp.watts:g} W"),
            Row("volts, all on", f"{number(lamp.volts, 2)} V ({drop_of(lamp.drop_pct)})"),
            Row("at worst", f"{number(lamp.low_v, 2)} to {number(lamp.high_v, 2)} V"),
            Row("inside its window by", f"{number(lamp.margin_v, 2)} V"),
            *((Row("with spare load", _volts(lamp.grown_low_v)),) if lamp.grown_low_v is not None else ()),
            Row("amps", f"{number(lamp.amps, 2)} A"),
            Row("joint", keys=(self._end(lamp.joint),)),
        ]
        if circuit is not None:
            rows += [Row("circuit", keys=(("circuit", circuit.id),)), Row("driver", keys=(("driver", circuit.driver),))]
        if lamp.lead_m:
            more = f", extended by {number(lamp.extension_m, 2)} m" if lamp.extension_m else ""
            rows.append(Row("lead", f"{number(lamp.lead_m, 2)} m{more}"))
        if lamp.group:
            rows.append(Row("dim group", plain(lamp.group)))
        return Fact(("lamp", lamp.id), (*rows, _place(lamp.x, lamp.y)))

    def circuit(self, circuit: CircuitPlan) -> Fact:
        cables = [cable.id for cable in self.plan.cables if cable.circuit == circuit.id]
        rows = [
            Row("driver", keys=(("driver", circuit.driver),)),
            Row("outlet", str(circuit.outlet)),
            Row("at the terminals", f"{number(circuit.out_v, 2)} V, {number(circuit.amps, 2)} A, all on"),
            Row("protection", protection(circuit)),
        ]
        if circuit.out_band_v is not None:
            rows.append(Row("may show", _band(circuit.out_band_v, "V")))
        rows += [_names("lamps", "lamp", circuit.lamps), _names("cables", "cable", cables)]
        marks = [("cable", id_) for id_ in cables] + [("lamp", id_) for id_ in circuit.lamps]
        return Fact(("circuit", circuit.id), tuple(rows), tuple(marks))


def _names(label: str, kind: str, ids: Iterable[str]) -> Row:
    keys = tuple((kind, id_) for id_ in ids)
    return Row(label, "" if keys else "none", keys)


def _volts(volts: float) -> str:
    return f"{number(volts, 2)} V at least"


def _band(band: Band, unit: str) -> str:
    low, high = outwards(band)
    return f"{number(low, 2)} to {number(high, 2)} {unit}"


def _place(x: float, y: float) -> Row:
    return Row("place", f"x\u00a0{number(x, 2)}\u00a0m, y\u00a0{number(y, 2)}\u00a0m")
