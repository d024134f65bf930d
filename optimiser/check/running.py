"""The mains side and a year's use once more. In: Index, Wires. Out: cases on mains, nights, energy and its cost."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from ..job import Driver, Schedule
from ..plan.model import DriverPlan, MainsPoint, Running
from .electrics import Wires, draws_of, lay_network, sag_ohm, source_of
from .index import Index
from .limits import AMP, CENT, VOLT
from .nights import span_of
from .nodal import Loads, solve_nodes
from .report import Book

_WATT = 0.0051
_HOUR = 0.0051
_KWH = 0.0051


@dataclass(frozen=True)
class Flow:
    """Mean watts in lamps and in copper, apparent power at the terminals, and amps there."""

    lamps_w: float
    copper_w: float
    load_va: float
    amps: float

    @property
    def tol_w(self) -> float:
        """What millivolts of rounding may come to."""
        return _WATT + VOLT * self.amps


def judge_running(index: Index, wires: Wires, book: Book) -> None:
    _judge_mains(index, wires, book)
    _judge_year(index, wires, book)


def _flow(index: Index, wires: Wires, driver: DriverPlan, dim_pct: float, more: float = 1.0) -> Flow | None:
    """
    The state of one driver at a dim level, each lamp drawing so many times as much (``more``); None where it has no
    operating point.

    What copper takes is what leaves the terminals less what arrives at the lamps. Lamps of constant resistance are on
    for their share of the time, so that two states are weighed; the others draw their share all the time.
    """
    model, circuits = index.model_of(driver.id), index.circuits_of[driver.id]
    net = lay_network(index, wires, circuits, driver.id)
    lamps = [lamp for c in circuits for j in index.joints_of[c.id] for lamp in index.lamps_at[j.id]]
    kinds = [index.type_of(lamp) for lamp in lamps]
    power_w, amps, siemens = np.array([draws_of(index, lamp, model) for lamp in lamps]).reshape(-1, 3).T
    real = np.array([kind.factor if model.ac and kind.load != "resistance" else 1.0 for kind in kinds])
    at = np.array([net.lamp[lamp.id] for lamp in lamps], dtype=np.int64)
    taps = [circuit.tap_v for circuit in circuits]
    emf_v = np.array([source_of(model, tap_v).stated_v for tap_v in taps])
    coupling = np.array([[sag_ohm(model, a, b) for b in taps] for a in taps])
    outlets, ends = np.arange(len(circuits)), np.array(net.ends, dtype=np.int64).reshape(-1, 2)
    share, sums = dim_pct / 100, np.zeros(4)
    for weight, chopped in ((share, 1.0), (1 - share, 0.0)):
        if weight == 0:
            continue
        loads = Loads(at, more * share * power_w, more * share * amps, more * chopped * siemens)
        solved = solve_nodes(net.num_nodes, ends, np.array(net.ohm), loads, outlets, emf_v, coupling)
        if solved is None:
            return None
        volts, out_a = solved
        arrives = loads.power_w + loads.amps * volts[at] + loads.siemens * volts[at] ** 2
        leaves = float((volts[outlets] * out_a).sum())
        sums += weight * np.array([(arrives * real).sum(), leaves - arrives.sum(), leaves, out_a.sum()])
    return Flow(*sums.tolist())


def _efficiency(model: Driver) -> float:
    return 0.85 if model.efficiency_pct is None else model.efficiency_pct / 100


def _judge_mains(index: Index, wires: Wires, book: Book) -> None:
    job, mains = index.job, index.plan.mains
    used = {driver.supply for driver in index.plan.drivers}
    printed: dict[str, MainsPoint] = {}
    if mains is None:
        book.note("The plan prints no mains side; its limits were judged all the same.")
    else:
        book.same("mains side", "mains", "volts", mains.volts, job.mains.volts, "V", 1e-6)
        printed = {point.supply: point for point in mains.supplies}
        ok = sorted(used) == sorted(point.supply for point in mains.supplies)
        names = ", ".join(point.supply for point in mains.supplies)
        book.claim("mains side", "mains", ok, f"supply points printed are {names}, drivers stand at {sorted(used)}")
        ok = "licensed electrician" in mains.says
        book.claim("mains side", "mains", ok, "it is not said that the mains side is a licensed electrician's")
    for name in sorted(used):
        drivers = [driver for driver in index.plan.drivers if driver.supply == name]
        watts = va = tol = 0.0
        for driver in drivers:
            model, flow = index.model_of(driver.id), _flow(index, wires, driver, 100.0)
            if flow is None:
                return
            efficiency = _efficiency(model)
            watts += (flow.lamps_w + flow.copper_w) / efficiency
            va += flow.load_va / efficiency / model.input_power_factor
            tol += flow.tol_w / efficiency / model.input_power_factor
        amps, setting = va / job.mains.volts, job.supply(name)
        loads = [(name, va)]
        if job.rules.growth:
            loads.append((f"{name} with spare load", _spare_va(index, wires, drivers)))
        for where, drawn_va in loads:
            drawn_a = drawn_va / job.mains.volts
            if setting.timer_a is not None:
                book.at_most("timer", where, "amps from the mains", drawn_a, setting.timer_a, "A", AMP)
            if setting.dimmer_va is not None:
                book.at_most("dimmer", where, "load of its dimmer", drawn_va, setting.dimmer_va, "VA", tol)
        stated = [index.model_of(driver.id).inrush_a for driver in drivers]
        inrush_a = sum(value or 0.0 for value in stated)
        if setting.inrush_a is not None:
            book.at_most("inrush", name, "inrush of its drivers", inrush_a, setting.inrush_a, "A", 1e-6)
        if name not in printed:
            continue
        point = printed[name]
        book.same("mains side", name, "watts", point.watts, watts, "W", tol)
        book.same("mains side", name, "va", point.va, va, "VA", tol)
        book.same("mains side", name, "amps", point.amps, amps, "A", 0.00051 + tol / job.mains.volts)
        for what, said, own in (
            ("timer_a", point.timer_a, setting.timer_a),
            ("dimmer_va", point.dimmer_va, setting.dimmer_va),
            ("inrush_limit_a", point.inrush_limit_a, setting.inrush_a),
            ("inrush_a", point.inrush_a, None if None in stated else round(inrush_a, 3)),
        ):
            text = f"{name}: {what} {said} printed, {own} in the job"
            book.claim("mains side", name, said == own, text, value=said, allowed=own)


def _spare_va(index: Index, wires: Wires, drivers: list[DriverPlan]) -> float:
    """What drivers draw from the mains with the job's spare load, in VA; infinite where one cannot carry it."""
    total = 0.0
    for driver in drivers:
        model, flow = index.model_of(driver.id), _flow(index, wires, driver, 100.0, 1 + index.job.rules.growth / 100)
        if flow is None:
            return math.inf
        total += flow.load_va / _efficiency(model) / model.input_power_factor
    return total


def _judge_year(index: Index, wires: Wires, book: Book) -> None:
    schedule, run = index.job.schedule, index.plan.running
    if schedule is None or run is None:
        text = "the job has a schedule and the plan no running" if run is None else "the job has no schedule"
        book.claim("energy", "running", schedule is None and run is None, text)
        return
    _judge_nights(index, schedule, run, book)
    ids = [driver.id for driver in index.plan.drivers]
    text = f"drivers {', '.join(d.id for d in run.drivers)} are printed, the plan has {', '.join(ids)}"
    if not book.claim("energy", "running", [d.id for d in run.drivers] == ids, text):
        return
    days = 366 if schedule.year % 4 == 0 else 365  # 1950 to 2050 hold no exception to that
    off_h = days * 24 - run.hours if schedule.standby else 0.0
    own, tol_w = {"lamps_kwh": 0.0, "cable_kwh": 0.0, "drivers_kwh": 0.0, "standby_kwh": 0.0}, 0.0
    for printed, driver in zip(run.drivers, index.plan.drivers, strict=True):
        model, flow = index.model_of(driver.id), _flow(index, wires, driver, schedule.dim_pct)
        if flow is None:
            return
        output_w = flow.lamps_w + flow.copper_w
        loss_w = output_w / _efficiency(model) - output_w
        default_w = 0.5 if model.kind == "electronic" else model.rated_w * 3 / 100
        idle_w = (default_w if model.standby_w is None else model.standby_w) if schedule.standby else 0.0
        tol_w += flow.tol_w
        for what, said, watts, tol in (
            ("lamps_w", printed.lamps_w, flow.lamps_w, flow.tol_w),
            ("cable_w", printed.cable_w, flow.copper_w, flow.tol_w),
            ("loss_w", printed.loss_w, loss_w, flow.tol_w),
            ("standby_w", printed.standby_w, idle_w, _WATT),
        ):
            book.same("energy", driver.id, what, said, watts, "W", tol)
        for key, watts, hours in (
            ("lamps_kwh", flow.lamps_w, run.hours),
            ("cable_kwh", flow.copper_w, run.hours),
            ("drivers_kwh", loss_w, run.hours),
            ("standby_kwh", idle_w, off_h),
        ):
            own[key] += watts * hours / 1000
    for key, kwh in own.items():
        tol = _KWH + (0.0 if key == "standby_kwh" else (tol_w - len(ids) * _WATT) * run.hours / 1000)
        book.same("energy", "running", key, getattr(run, key), kwh, "kWh", tol)
    total = run.lamps_kwh + run.cable_kwh + run.drivers_kwh + run.standby_kwh
    book.same("energy", "running", "total_kwh", run.total_kwh, total, "kWh", _KWH)
    models = {driver.model: index.model_of(driver.id) for driver in index.plan.drivers}
    lacking = sorted(name for name, model in models.items() if None in (model.efficiency_pct, model.standby_w))
    text = f"assumed are printed for {', '.join(run.assumed)}, the job states too little for {', '.join(lacking)}"
    book.claim("energy", "running", run.assumed == lacking, text)
    price = schedule.price_per_kwh
    ok = run.price_per_kwh == price and (run.cost is None) == (price is None)
    text = f"price_per_kwh {run.price_per_kwh} and cost {run.cost} are printed, the job's tariff is {price}"
    book.claim("running cost", "running", ok, text)
    if price is not None and run.cost is not None:
        book.same("running cost", "running", "cost", run.cost, run.total_kwh * price, "", CENT / 2)


def _judge_nights(index: Index, schedule: Schedule, run: Running, book: Book) -> None:
    for what, said, own in (
        ("year", run.year, schedule.year),
        ("on", run.on, schedule.on),
        ("off", run.off, schedule.off),
        ("dim_pct", run.dim_pct, schedule.dim_pct),
    ):
        text = f"running: {what} {said!r} printed, {own!r} in the job"
        book.claim("nights", "running", said == own, text, value=said, allowed=own)
    span = span_of(schedule, index.job.place)
    few, many = span.least_nights, span.most_nights
    text = f"running: {run.nights} nights printed, the schedule has {few}" + (f" to {many}" if many > few else "")
    book.claim("nights", "running", few <= run.nights <= many, text, value=run.nights, allowed=few)
    middle_h, half_h = (span.least_h + span.most_h) / 2, (span.most_h - span.least_h) / 2
    book.same("nights", "running", "hours", run.hours, middle_h, "h", half_h + _HOUR)
