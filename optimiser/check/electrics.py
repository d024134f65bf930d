"""Volts and amps of every driver once more, and the limits on them. In: Index. Out: cases, and Wires."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np

from ..conductors import ohm_per_m
from ..job import Cable, Driver
from ..plan.model import CablePlan, CircuitPlan, DriverPlan, LampPlan
from .bands import judge_bands, prints_bands
from .index import Index
from .limits import AMP, VOLT
from .nodal import Floats, Loads, lone_volts, solve_nodes
from .report import Book

COPPER_PER_K = 0.00393
"""Temperature coefficient of copper at 20 °C (IEC 60287-1-1)."""


def warmed(temperature_c: float) -> float:
    """Resistance at this temperature over that at 20 °C."""
    return 1.0 + COPPER_PER_K * (temperature_c - 20.0)


def loop_ohm_20(cable: Cable) -> float:
    """Both cores of one metre at 20 °C, in ohm."""
    if cable.ohm_per_km is not None:
        return cable.ohm_per_km * 2 / 1000
    return 2 * ohm_per_m(cable.mm2, cable.conductor, awg=cable.awg, tinned=cable.tinned)


@dataclass
class Wires:
    """Resistances of the plan's pieces and leads, and where they hang."""

    index: Index
    contact_ohm: dict[str, float] = field(default_factory=dict)
    """By cable or lamp: the ends made off in joint kits."""
    copper20_ohm: dict[str, float] = field(default_factory=dict)
    """By cable or lamp: its copper at 20 °C."""
    sun_share: dict[str, float] = field(default_factory=dict)
    """By cable: share of its route on the surface."""
    amps: dict[str, float] = field(default_factory=dict)
    """By circuit, all on: filled by ``judge_electrics`` where there is an operating point."""
    spare_amps: dict[str, float] = field(default_factory=dict)
    """The same with the job's spare load; empty where it asks for none."""

    def hot_ohm(self, name: str) -> float:
        """Buried copper and leads at ``hot_c``, what lies on the surface at ``sun_c``."""
        voltage, sun = self.index.job.voltage, self.sun_share.get(name, 0.0)
        warm = (1 - sun) * warmed(voltage.hot_c) + sun * warmed(voltage.sun_c)
        return self.copper20_ohm[name] * warm + self.contact_ohm[name]

    def at_ohm(self, name: str, temperature_c: float) -> float:
        return self.copper20_ohm[name] * warmed(temperature_c) + self.contact_ohm[name]

    def paths_ohm(self, circuit: CircuitPlan, temperature_c: float) -> dict[str, float]:
        """Resistance from the outlet to each joint and to each lamp's end of its lead, by id."""
        reach = {circuit.driver: 0.0}
        for cable in self.index.cables_of[circuit.id]:
            reach[cable.to] = reach[cable.from_] + self.at_ohm(cable.id, temperature_c)
        for joint in self.index.joints_of[circuit.id]:
            for lamp in self.index.lamps_at[joint.id]:
                reach[lamp.id] = reach[joint.id] + self.at_ohm(lamp.id, temperature_c)
        return reach


def lay_wires(index: Index) -> Wires:
    wires = Wires(index)
    job = index.job
    for joint in index.plan.joints:
        for lamp in index.lamps_at[joint.id]:
            kind = index.type_of(lamp)
            if joint.post is not None:
                wires.contact_ohm[lamp.id] = wires.copper20_ohm[lamp.id] = 0.0
                continue
            length_m = kind.lead_m + lamp.extension_m
            wires.copper20_ohm[lamp.id] = 2 * length_m * ohm_per_m(kind.lead_mm2, 5)
            ends = 3 if lamp.extension_m > 0 else 1
            wires.contact_ohm[lamp.id] = ends * job.joints.end_ohm
    for cable in index.plan.cables:
        wires.copper20_ohm[cable.id] = cable.cut_m * loop_ohm_20(job.cables[cable.cable])
        made_off = [end for end in (cable.from_, cable.to) if (cable.id, end) not in index.uncut]
        kits = sum(end in index.joints and index.joints[end].post is None for end in made_off)
        wires.contact_ohm[cable.id] = kits * job.joints.end_ohm
        wires.sun_share[cable.id] = min(max(cable.sun_m / cable.route_m, 0.0), 1.0) if cable.route_m > 0 else 0.0
    return wires


@dataclass(frozen=True)
class Source:
    """EMF of a tap as stated, lowest and highest, in V."""

    stated_v: float
    lowest_v: float
    highest_v: float


def source_of(driver: Driver, tap_v: float) -> Source:
    if driver.kind == "electronic":
        return Source(tap_v, tap_v * (1 - driver.tol_pct / 100), tap_v * (1 + driver.tol_pct / 100))
    open_v = tap_v * (1 + (driver.regulation_pct or 0.0) / 100)
    return Source(open_v, open_v * (1 + driver.mains_low_pct / 100), open_v * (1 + driver.mains_high_pct / 100))


def sag_ohm(driver: Driver, tap_v: float, other_tap_v: float) -> float:
    """Volts that an ampere at one tap takes from another, in ohm: the regulation of a wound core; else 0."""
    if driver.kind == "electronic":
        return 0.0
    return (driver.regulation_pct or 0.0) / 100 * tap_v * other_tap_v / driver.rated_w


def judge_electrics(index: Index, wires: Wires, book: Book) -> None:
    for joint in index.plan.joints:
        own = 0.0 if joint.post is not None else index.job.joints.end_ohm
        text = f"{joint.id}: end_ohm {joint.end_ohm:g} printed, {own:g} in the job"
        book.claim(
            "copies", joint.id, math.isclose(joint.end_ohm, own, abs_tol=5e-7), text, value=joint.end_ohm, allowed=own
        )
    for driver in index.plan.drivers:
        if index.circuits_of[driver.id]:
            _judge_driver(index, wires, driver, book)


def draws_of(index: Index, lamp: LampPlan, driver: Driver) -> tuple[float, float, float]:
    """Power in W, amps in A, conductance in S that the lamp draws."""
    kind = index.type_of(lamp)
    asked = kind.watts / kind.factor if driver.ac else kind.watts  # VA on ac
    if kind.load == "power":
        return asked, 0.0, 0.0
    if kind.load == "current":
        return 0.0, asked / kind.volts, 0.0
    return 0.0, 0.0, kind.watts / kind.volts**2


def active_draws_of(index: Index, lamp: LampPlan, driver: Driver) -> tuple[float, float, float]:
    """
    The same without the part of the current that is out of phase with the volts.

    In the triangle of source, lamp and drop, only the active part of the drop lies along the lamp's volts; so no lamp
    alone has more volts than with that part as its whole current.
    """
    kind = index.type_of(lamp)
    power_w, amps, siemens = draws_of(index, lamp, driver)
    if driver.ac and kind.load != "resistance":
        power_w, amps = power_w * kind.factor, amps * kind.factor
    return power_w, amps, siemens


@dataclass
class Network:
    """Nodes of one driver: the outlet of each circuit, joints, and lamps' ends of their leads (posts: the joint)."""

    outlet: dict[str, int]
    joint: dict[str, int]
    lamp: dict[str, int]
    ends: list[tuple[int, int]]
    ohm: list[float]
    """Of each branch, for the low limit and the drop."""
    names: list[str]
    """Cable or lamp of each branch."""
    num_nodes: int


def lay_network(index: Index, wires: Wires, circuits: list[CircuitPlan], driver_id: str) -> Network:
    outlet = {circuit.id: i for i, circuit in enumerate(circuits)}
    count = len(outlet)
    joint: dict[str, int] = {}
    lamp_node: dict[str, int] = {}
    ends: list[tuple[int, int]] = []
    ohm: list[float] = []
    names: list[str] = []
    for circuit in circuits:
        for cable in index.cables_of[circuit.id]:
            joint[cable.to] = count
            names.append(cable.id)
            above = outlet[circuit.id] if cable.from_ == driver_id else joint[cable.from_]
            ends.append((above, count))
            ohm.append(wires.hot_ohm(cable.id))
            count += 1
        for place in index.joints_of[circuit.id]:
            for lamp in index.lamps_at[place.id]:
                if place.post is not None:
                    lamp_node[lamp.id] = joint[place.id]
                    continue
                ends.append((joint[place.id], count))
                ohm.append(wires.hot_ohm(lamp.id))
                names.append(lamp.id)
                lamp_node[lamp.id] = count
                count += 1
    return Network(outlet, joint, lamp_node, ends, ohm, names, count)


def _judge_driver(index: Index, wires: Wires, driver: DriverPlan, book: Book) -> None:
    model, circuits = index.model_of(driver.id), index.circuits_of[driver.id]
    net = lay_network(index, wires, circuits, driver.id)
    lamps = [lamp for c in circuits for j in index.joints_of[c.id] for lamp in index.lamps_at[j.id]]
    drawn = np.array([draws_of(index, lamp, model) for lamp in lamps]).reshape(-1, 3)
    active = np.array([active_draws_of(index, lamp, model) for lamp in lamps]).reshape(-1, 3)
    loads = Loads(
        np.array([net.lamp[lamp.id] for lamp in lamps], dtype=np.int64), drawn[:, 0], drawn[:, 1], drawn[:, 2]
    )
    _judge_start(index, driver, model, lamps, book)
    taps = [circuit.tap_v for circuit in circuits]
    sources = [source_of(model, tap_v) for tap_v in taps]
    coupling = np.array([[sag_ohm(model, a, b) for b in taps] for a in taps])
    at = np.arange(len(circuits))

    def solve(emf_v: list[float], ohm: list[float] = net.ohm, drawn: Loads = loads) -> tuple[Floats, Floats] | None:
        ends = np.array(net.ends, dtype=np.int64).reshape(-1, 2)
        return solve_nodes(net.num_nodes, ends, np.array(ohm), drawn, at, np.array(emf_v), coupling)

    stated_v, lowest_v = [s.stated_v for s in sources], [s.lowest_v for s in sources]
    stated, lowest = solve(stated_v), solve(lowest_v)
    text = f"{driver.id}: its lamps ask for more than its cables can carry at any volts"
    book.claim("collapse", driver.id, stated is not None and lowest is not None, text)
    if stated is None or lowest is None:
        return
    volts, amps = stated
    for i, circuit in enumerate(circuits):
        wires.amps[circuit.id] = float(amps[i])
        _judge_circuit(index, model, circuit, float(volts[i]), float(amps[i]), book)
        for cable in index.cables_of[circuit.id]:
            above = net.outlet[circuit.id] if cable.from_ == driver.id else net.joint[cable.from_]
            drop_v = float(volts[above] - volts[net.joint[cable.to]])
            _judge_piece(index, cable, drop_v, drop_v / max(wires.hot_ohm(cable.id), 1e-9), book)
        reach = wires.paths_ohm(circuit, index.job.voltage.cold_c)
        own = [(lamp, k) for k, lamp in enumerate(lamps) if index.joints[lamp.joint].circuit == circuit.id]
        which = np.array([k for _, k in own], dtype=np.int64)
        alone_ohm = np.array([reach[lamp.id] for lamp, _ in own]) + coupling[i, i]
        high = lone_volts(np.full(len(own), sources[i].highest_v), alone_ohm, *active[which].T)
        for (lamp, k), high_v in zip(own, high, strict=True):
            v, low_v = float(volts[loads.at[k]]), float(lowest[0][loads.at[k]])
            joint_v = float(volts[net.joint[lamp.joint]])
            current = float(drawn[k, 0] / v + drawn[k, 1] + drawn[k, 2] * v)
            _judge_lamp(index, lamp, float(volts[i]), v, joint_v, low_v, float(high_v), current, book)
        for joint in index.joints_of[circuit.id]:
            if joint.volts is not None:
                joint_v = float(volts[net.joint[joint.id]])
                book.same("printed volts", joint.id, "volts", joint.volts, joint_v, "V", VOLT)
    if any(prints_bands(index, circuit) for circuit in circuits):
        cold_ohm = [wires.at_ohm(name, index.job.voltage.cold_c) for name in net.names]
        highest_v = [s.highest_v for s in sources]
        cases = [lowest, solve(highest_v), solve([s.lowest_v for s in sources], cold_ohm), solve(highest_v, cold_ohm)]
        judge_bands(index, circuits, [(s.lowest_v, s.highest_v) for s in sources], cases, net.joint, book)
    _judge_load(index, driver, model, float((volts[at] * amps).sum()), float(amps.sum()), book)
    spare = index.job.rules.growth / 100
    if not spare:
        printed = [driver.grown_w, *(c.grown_amps for c in circuits)]
        printed += [volts for lamp in lamps for volts in (lamp.grown_v, lamp.grown_low_v)]
        text = f"{driver.id}: figures with spare load are printed, the job asks for none"
        book.claim("spare load", driver.id, all(value is None for value in printed), text)
        return
    more = Loads(loads.at, *((1 + spare) * part for part in (loads.power_w, loads.amps, loads.siemens)))
    stated, lowest = solve(stated_v, drawn=more), solve(lowest_v, drawn=more)
    text = f"{driver.id}: with its spare load the lamps ask for more than its cables can carry at any volts"
    if book.claim("collapse", driver.id, stated is not None and lowest is not None, text) and stated and lowest:
        _judge_spare(index, wires, driver, net, lamps, stated, lowest[0], book)


def _judge_spare(
    index: Index,
    wires: Wires,
    driver: DriverPlan,
    net: Network,
    lamps: list[LampPlan],
    stated: tuple[Floats, Floats],
    lowest_v: Floats,
    book: Book,
) -> None:
    """Every limit of load once more, each lamp drawing more by the job's ``growth``."""
    job, model, (volts, amps) = index.job, index.model_of(driver.id), stated
    circuits = index.circuits_of[driver.id]
    at = [net.outlet[circuit.id] for circuit in circuits]
    for i, circuit in enumerate(circuits):
        wires.spare_amps[circuit.id] = float(amps[i])
        where = f"{circuit.id} with spare load"
        book.same("spare load", circuit.id, "grown_amps", _said(circuit.grown_amps), float(amps[i]), "A", AMP)
        book.at_most("outlet amps", where, "amps at its outlet", float(amps[i]), _outlet_a(index, model), "A", AMP)
        book.at_most("circuit amps", where, "amps", float(amps[i]), job.rules.max_circuit_a, "A", AMP)
        for cable in index.cables_of[circuit.id]:
            above = net.outlet[circuit.id] if cable.from_ == driver.id else net.joint[cable.from_]
            drop_v = float(volts[above] - volts[net.joint[cable.to]])
            carried_a = drop_v / max(wires.hot_ohm(cable.id), 1e-9)
            rating_a = derated_a(index, cable)
            book.at_most("cable rating", f"{cable.id} with spare load", "amps", carried_a, rating_a, "A", AMP)
    for lamp in lamps:
        kind, where = index.type_of(lamp), f"{lamp.id} with spare load"
        v, low_v = float(volts[net.lamp[lamp.id]]), float(lowest_v[net.lamp[lamp.id]])
        book.same("spare load", lamp.id, "grown_v", _said(lamp.grown_v), v, "V", VOLT)
        book.same("spare load", lamp.id, "grown_low_v", _said(lamp.grown_low_v), low_v, "V", VOLT)
        book.at_least("window low", where, "lowest", low_v, kind.window[0], "V", VOLT)
        if job.voltage.max_drop is not None:
            from_v, start = kind.volts, "its nominal volts"
            if job.voltage.drop_from == "driver":
                from_v, start = float(volts[net.outlet[index.circuit_of(lamp).id]]), "the driver's volts"
            allowed_v = job.voltage.max_drop / 100 * kind.volts
            book.at_most("drop", where, f"drop from {start}", from_v - v, allowed_v, "V", VOLT)
    load_w, total_a = float((volts[at] * amps).sum()), float(amps.sum())
    book.same("spare load", driver.id, "grown_w", _said(driver.grown_w), load_w, "W", 0.051 + VOLT * total_a)
    most_w = model.max_load_w * job.supply(driver.supply).loading_pct / 100
    where, tol_w = f"{driver.id} with spare load", 0.002 * total_a + 0.002 * driver.tap_v
    book.at_most("driver load", where, "load", load_w, most_w, "W", tol_w)
    book.at_most("rated amps", where, "amps", total_a, model.rated_w / max(model.taps_v), "A", AMP)


def _said(value: float | None) -> float:
    """A number that must be printed; one that is not is off by all measure."""
    return math.inf if value is None else value


def _judge_start(index: Index, driver: DriverPlan, model: Driver, lamps: list[LampPlan], book: Book) -> None:
    """What the lamps of a driver draw when switched on; those that do not state it count nothing."""
    kinds = [index.type_of(lamp) for lamp in lamps]
    more = 1 + index.job.rules.growth / 100
    for what, unit, stated, allowed, printed in (
        ("inrush of its lamps", "A", [kind.inrush_a for kind in kinds], model.start_a, driver.start_a),
        ("input capacitance of its lamps", "µF", [kind.input_uf for kind in kinds], model.start_uf, driver.start_uf),
    ):
        total = math.fsum(value for value in stated if value is not None)
        if allowed is not None:
            where = driver.id if more == 1 else f"{driver.id} with spare load"
            book.at_most("start", where, what, more * total, allowed, unit, 1e-6)
        own = None if allowed is None or None in stated else total
        if own is not None and printed is not None:
            book.same("printed loads", driver.id, what, printed, own, unit, 0.00051)
            continue
        text = f"{driver.id}: {what} is printed as {printed}, the job's types come to {own}"
        book.claim("printed loads", driver.id, own is None and printed is None, text, value=printed, allowed=own)


def _judge_circuit(index: Index, model: Driver, circuit: CircuitPlan, out_v: float, amps: float, book: Book) -> None:
    book.same("printed volts", circuit.id, "out_v", circuit.out_v, out_v, "V", VOLT)
    book.same("printed amps", circuit.id, "amps", circuit.amps, amps, "A", AMP)
    book.at_most("outlet amps", circuit.id, "amps at its outlet", amps, _outlet_a(index, model), "A", AMP)
    book.at_most("circuit amps", circuit.id, "amps", amps, index.job.rules.max_circuit_a, "A", AMP)


def _outlet_a(index: Index, model: Driver) -> float:
    """What an outlet gives, and the breaker built into it carries for good: it is there whatever else protects."""
    if model.breaker_a is None:
        return model.max_outlet_a
    return min(model.max_outlet_a, index.job.fuses.load_factor * model.breaker_a)


def _judge_piece(index: Index, cable: CablePlan, drop_v: float, amps: float, book: Book) -> None:
    book.same("printed drops", cable.id, "drop_v", cable.drop_v, drop_v, "V", VOLT)
    book.same("printed amps", cable.id, "amps", cable.amps, amps, "A", AMP)
    book.at_most("cable rating", cable.id, "amps", amps, derated_a(index, cable), "A", AMP)


def derated_a(index: Index, cable: CablePlan) -> float:
    """
    Rating of a piece, in A: the job's, less in hot ground, in hot air where some of it lies on the surface, and for
    the most cables beside it in any sleeve and in any trench (trenches listed in one place count together).
    """
    rules, setting = index.job.rules, index.job.cables[cable.cable]
    rating = setting.rating
    around = [rules.ground_c] if cable.sun_m <= 0 else [rules.ground_c, rules.air_c]
    hottest_c = max([c for c in around if c is not None], default=setting.rated_c)
    if hottest_c > setting.rated_c:
        # I² R is what the surroundings take: in proportion to how much hotter the copper may be than they are.
        spare_k, rated_k = max(setting.hottest_c - hottest_c, 0.0), setting.hottest_c - setting.rated_c
        rating *= (spare_k / rated_k) ** 0.5
    for factors, bundled in ((rules.bunched, True), (rules.trench_bunched, False)):
        passed = [t for t in index.trenches_of[cable.id] if (t.sleeve is not None) == bundled]
        counts = [len(index.beside.get(t.id, t.cables)) for t in passed]
        if counts:
            rating *= factors[min(max(counts), len(factors)) - 1]
    return rating


def _judge_lamp(
    index: Index,
    lamp: LampPlan,
    out_v: float,
    volts: float,
    joint_v: float,
    low_v: float,
    high_v: float,
    amps: float,
    book: Book,
) -> None:
    voltage, kind = index.job.voltage, index.type_of(lamp)
    low, high = kind.window
    book.at_least("window low", lamp.id, "lowest", low_v, low, "V", VOLT)
    if not book.claim("collapse", lamp.id, not math.isnan(high_v), f"{lamp.id} has no operating point even alone"):
        return
    book.at_most("window high", lamp.id, "highest", high_v, high, "V", VOLT)
    drop_v = (out_v if voltage.drop_from == "driver" else kind.volts) - volts
    if voltage.max_drop is not None:
        allowed = voltage.max_drop / 100 * kind.volts
        start = "the driver's volts" if voltage.drop_from == "driver" else "its nominal volts"
        book.at_most("drop", lamp.id, f"drop from {start}", drop_v, allowed, "V", VOLT)
    for what, printed, own in (
        ("volts", lamp.volts, volts),
        ("joint_v", lamp.joint_v, joint_v),
        ("low_v", lamp.low_v, low_v),
        ("high_v", lamp.high_v, high_v),
    ):
        book.same("printed volts", lamp.id, what, printed, own, "V", VOLT)
    book.same("printed amps", lamp.id, "amps", lamp.amps, amps, "A", AMP)
    pct_tol = 0.0051 + 100 * VOLT / kind.volts  # printed to 0.01 %
    book.same("printed drops", lamp.id, "drop_pct", lamp.drop_pct, 100 * drop_v / kind.volts, "%", pct_tol)
    book.same("printed margins", lamp.id, "margin_v", lamp.margin_v, min(low_v - low, high - high_v), "V", VOLT)


def _judge_load(index: Index, driver: DriverPlan, model: Driver, load_w: float, amps: float, book: Book) -> None:
    supply_pct = index.job.supply(driver.supply).loading_pct
    tol_w = 0.051 + VOLT * amps
    most_w = model.max_load_w * supply_pct / 100
    book.at_most("driver load", driver.id, "load", load_w, most_w, "W", 0.002 * amps + 0.002 * driver.tap_v)
    book.at_most("rated amps", driver.id, "amps", amps, model.rated_w / max(model.taps_v), "A", AMP)
    book.same("printed loads", driver.id, "load_w", driver.load_w, load_w, "W", tol_w)
    pct_tol = 0.051 + 100 * tol_w / model.rated_w
    book.same("printed loads", driver.id, "load_pct", driver.load_pct, 100 * load_w / model.rated_w, "%", pct_tol)
