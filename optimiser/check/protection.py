"""Protection of circuits and leads once more, and the bound's arithmetic. In: Index, Wires. Out: cases."""

from __future__ import annotations

import math

from ..plan.model import CircuitPlan, Plan
from .electrics import Wires, derated_a, sag_ohm, source_of
from .index import Index
from .limits import AMP
from .report import Book

_K_COPPER_PVC = 115.0
"""A s^½ / mm², copper in PVC: I²t ≤ k²S² (from memory: IEC 60364-4-43)."""
_GIVES_UP = ("hiccup", "foldback", "latch")


def judge_protection(index: Index, wires: Wires, book: Book) -> None:
    for circuit in index.plan.circuits:
        device_a = _device(index, circuit, book)
        if device_a is None:
            _judge_limit(index, circuit, book)
        else:
            _judge_device(index, wires, circuit, device_a, book)
        _judge_leads(index, circuit, device_a, book)


def _device(index: Index, circuit: CircuitPlan, book: Book) -> float | None:
    """Rating of the fuse or breaker that the plan names, None where the driver's limit protects."""
    ratings, driver = index.job.fuses.ratings_a, index.driver_of(circuit)
    both = circuit.fuse_a is not None and circuit.breaker_a is not None
    book.claim("fuse ratings", circuit.id, not both, f"{circuit.id} names both a fuse and a breaker")
    if circuit.fuse_a is not None:
        ok = any(math.isclose(circuit.fuse_a, rating, abs_tol=1e-6) for rating in ratings)
        text = f"{circuit.id}: no fuse of {circuit.fuse_a:g} A is to be had"
        book.claim("fuse ratings", circuit.id, ok, text, value=circuit.fuse_a)
        return circuit.fuse_a
    if circuit.breaker_a is not None:
        ok = driver.breaker_a is not None and math.isclose(circuit.breaker_a, driver.breaker_a, abs_tol=1e-6)
        text = f"{circuit.id}: its driver's outlets have no breaker of {circuit.breaker_a:g} A"
        book.claim("fuse ratings", circuit.id, ok, text, value=circuit.breaker_a, allowed=driver.breaker_a)
        return circuit.breaker_a
    return None


def _judge_limit(index: Index, circuit: CircuitPlan, book: Book) -> None:
    """Rule A."""
    limit_a = index.driver_of(circuit).current_limit_a
    for cable in index.cables_of[circuit.id]:
        rating_a = derated_a(index, cable)
        if math.isinf(limit_a):
            text = f"{cable.id}: no fuse, and its driver has no limit of its own"
            book.claim("cable protection", cable.id, False, text, value=None, allowed=rating_a)
        else:
            book.at_most("cable protection", cable.id, "the driver's limit", limit_a, rating_a, "A", 1e-6)
    ok = circuit.short_a is None
    book.claim("printed shorts", circuit.id, ok, f"{circuit.id}: short_a is printed though the driver's limit protects")


def _judge_device(index: Index, wires: Wires, circuit: CircuitPlan, device_a: float, book: Book) -> None:
    """Rule B."""
    fuses, driver = index.job.fuses, index.driver_of(circuit)
    carried_a = wires.amps.get(circuit.id, circuit.amps)
    book.at_most("fuse load", circuit.id, "amps", carried_a, fuses.load_factor * device_a, "A", AMP)
    if circuit.id in wires.spare_amps:
        spare_a, where = wires.spare_amps[circuit.id], f"{circuit.id} with spare load"
        book.at_most("fuse load", where, "amps", spare_a, fuses.load_factor * device_a, "A", AMP)
    for cable in index.cables_of[circuit.id]:
        book.at_most("cable protection", cable.id, "the fuse", device_a, derated_a(index, cable), "A", 1e-6)
    text = f"{circuit.id}: a fuse behind a driver that {driver.mode}s may never open"
    book.claim("short opens", circuit.id, driver.mode in ("hold", "none"), text)
    needed_a, limit_a = fuses.open_factor * device_a, driver.current_limit_a
    if math.isfinite(limit_a):
        book.at_least("short opens", circuit.id, "the driver's limit", limit_a, needed_a, "A", 1e-6)
    reach = wires.paths_ohm(circuit, index.job.voltage.fault_c)
    emf_v = source_of(driver, circuit.tap_v).lowest_v
    own_ohm = sag_ohm(driver, circuit.tap_v, circuit.tap_v)
    least_a, least_at = math.inf, circuit.id
    for name, path_ohm in reach.items():
        if name == circuit.driver:
            continue
        amps = emf_v / max(path_ohm + own_ohm, 1e-9)
        if driver.mode == "hold":
            amps = min(amps, limit_a)
        book.at_least("short opens", circuit.id, f"short at {name}", amps, needed_a, "A", AMP)
        if amps < least_a:
            least_a, least_at = amps, name
    if book.claim("printed shorts", circuit.id, circuit.short_a is not None, f"{circuit.id}: short_a is missing"):
        what = f"short_a (at {least_at})"
        book.same("printed shorts", circuit.id, what, circuit.short_a or 0.0, least_a, "A", AMP)


def _judge_leads(index: Index, circuit: CircuitPlan, device_a: float | None, book: Book) -> None:
    fuses, driver = index.job.fuses, index.driver_of(circuit)
    for joint in index.joints_of[circuit.id]:
        for lamp in index.lamps_at[joint.id]:
            if joint.post is not None:
                continue
            kind = index.type_of(lamp)
            ways = [("the driver's limit", driver.current_limit_a, kind.lead_rating)]
            if driver.mode in _GIVES_UP and driver.short_rms_a is not None:
                ways.append(("the driver's r.m.s. current into a short", driver.short_rms_a, kind.lead_rating))
            if device_a is not None and driver.mode in ("hold", "none"):
                # The current whose heat the lead bears for as long as the fuse takes.
                borne_a = _K_COPPER_PVC * kind.lead_mm2 / math.sqrt(fuses.open_s)
                ways.append(("the current that opens the fuse", fuses.open_factor * device_a, borne_a))
            what, amps, allowed = max(ways, key=lambda way: way[2] - way[1])
            if math.isinf(amps):
                book.claim("lead protection", lamp.id, False, f"{lamp.id}: nothing protects its lead in a short")
            else:
                book.at_most("lead protection", lamp.id, f"{what}, into its lead,", amps, allowed, "A", 1e-6)


def judge_bound(index: Index, book: Book) -> None:
    plan = index.plan
    both = (plan.bound is None) == (plan.gap is None)
    book.claim("bound", "bound", both, "bound and gap must be null together")
    if plan.bound is None or plan.gap is None:
        ok = plan.outcome not in ("proved_best", "within_gap")
        book.claim("bound", "outcome", ok, f"outcome is {plan.outcome}, but no bound is printed")
        book.note("The plan states no bound: how far from the best it is remains open.")
        lone = plan.open_bound is None and plan.open_gap is None
        book.claim("bound", "open_bound", lone, "open_bound and open_gap must be null where bound is")
        return
    book.at_most("bound", "bound", "bound", plan.bound, plan.cost.total, "", 0.0051)
    book.at_least("bound", "bound", "bound", plan.bound, 0, "", 0)
    if plan.bound_parts is not None:
        total = math.fsum(plan.bound_parts.values())
        tol = 0.006 * (1 + len(plan.bound_parts))
        book.same("bound", "bound_parts", "sum of its parts", plan.bound, total, "", tol)
    own = (plan.cost.total - plan.bound) / plan.cost.total if plan.cost.total else 0.0
    tol = 0.000051 + 0.0051 / max(plan.cost.total, 1)
    _judge_open_bound(plan, plan.bound, tol, book)
    book.same("bound", "gap", "gap (a share, not per cent)", plan.gap, own, "share", tol)
    text = f"outcome is proved_best, but the bound {plan.bound:.2f} is below the cost {plan.cost.total:.2f}"
    ok = plan.outcome != "proved_best" or plan.cost.total - plan.bound <= 0.0051
    book.claim("bound", "outcome", ok, text)
    book.note("The bound is not proved here: the check compares it with the cost, and takes no part in its proof.")


def _judge_open_bound(plan: Plan, bound: float, tol: float, book: Book) -> None:
    """What holds wherever trenches run holds on the ground graph too: it is never above the bound there."""
    both = (plan.open_bound is None) == (plan.open_gap is None)
    book.claim("bound", "open_bound", both, "open_bound and open_gap must be null together")
    if plan.open_bound is None or plan.open_gap is None:
        return
    book.at_most("bound", "open_bound", "bound on the open ground", plan.open_bound, bound, "", 1e-9)
    book.at_least("bound", "open_bound", "bound on the open ground", plan.open_bound, 0, "", 0)
    own = (plan.cost.total - plan.open_bound) / plan.cost.total if plan.cost.total else 0.0
    book.same("bound", "open_gap", "gap on the open ground (a share, not per cent)", plan.open_gap, own, "share", tol)
