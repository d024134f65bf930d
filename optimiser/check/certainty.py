"""What is said to be certain of the lamps' volts, once more. In: Index, Wires. Out: cases on corners and chances.

The corners, for a network of one source or of circuits on one core:

* constant powers and currents only: all resistances and loads at their highest, the source at its lowest, is the worst
  for every lamp;
* resistances only: as well, but branches that are not on the lamp's own way are at their lowest, since what hangs
  beyond them then draws more;
* both: neither is sure to be the worst. The printed volts must be no higher than at any corner tried here, and no lower
  than where each resistance draws the current of the greatest volts that any lamp can have.

On ac, loads of a power factor below 1 count with their VA in phase for the lowest volts: no waveform leaves less.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from ..job import Driver
from ..plan.model import CircuitPlan, DriverPlan, LampPlan
from .electrics import Network, Source, Wires, active_draws_of, draws_of, lay_network, sag_ohm, source_of, warmed
from .index import Index
from .limits import VOLT
from .nodal import Floats, Ints, Loads, lone_volts, solve_nodes, solve_samples
from .report import Book

_MOST_ROUNDS = 60
_STILL_V = 1e-9
_MILLION_STEPS = 200
"""What the check's own samples of one driver may take, in millions of multiplications for each factoring."""
_Z = 4.0
"""Half-widths of both shares' intervals: that they miss each other by chance is rarer than one in ten million."""


def judge_certainty(index: Index, wires: Wires, book: Book) -> None:
    plan, job = index.plan, index.job
    given, voltage, printed = job.tolerance, job.strayed_voltage(), plan.certainty
    asked = given.plan != "off"
    if not asked or printed is None:
        bare = printed is None and all(
            value is None
            for lamp in plan.lamps
            for value in (lamp.sure_low_v, lamp.sure_high_v, lamp.sure_margin_v, lamp.sure_drop_pct, lamp.outside_pct)
        )
        text = "what is certain is printed, the job does not ask for it" if not asked else "what is certain is missing"
        book.claim("certainty", "plan", bare and not asked, text)
        return
    for name, said, own in (
        ("held", printed.held, given.plan == "hold"),
        ("samples", printed.samples, given.samples),
        ("seed", printed.seed, plan.seed),
        ("source_pct", printed.source_pct, given.source_pct),
        *((f"{kind}_pct", getattr(printed, f"{kind}_pct"), getattr(given, f"{kind}_pct")) for kind in _SPANS),
        *((name, getattr(printed, name), getattr(voltage, name)) for name in ("hot_c", "sun_c", "cold_c")),
    ):
        book.claim("certainty", name, said == own, f"{name} is printed as {said}, the job says {own}")
    if printed.without is not None:
        cost = printed.without.cost
        text = f"without tolerances {cost:.2f} is said to be the least, and {plan.cost.total:.2f} is less"
        book.claim("certainty", "without", printed.held and cost <= plan.cost.total, text)
        other = printed.without
        sane = cost > 0 and 0 < other.effort <= plan.effort and 0 <= other.outside <= len(plan.lamps)
        sane = sane and 0 <= other.outside_pct <= 100
        book.claim("certainty", "without", sane, "what is said of the plan without tolerances cannot be so")
    for number, driver in enumerate(plan.drivers):
        if index.circuits_of[driver.id]:
            _Driver(index, wires, driver, number).judge(book)
    if all(lamp.outside_pct is None for lamp in plan.lamps):
        book.note("No chances of leaving a window are printed, so none were judged.")


_SPANS = ("cable", "length", "contact", "load")


@dataclass(frozen=True)
class _Draws:
    """(k,) each: by numbers, and of their active currents."""

    full: tuple[Floats, Floats, Floats]
    active: tuple[Floats, Floats, Floats]


class _Driver:
    def __init__(self, index: Index, wires: Wires, driver: DriverPlan, number: int) -> None:
        self.index, self.driver, self.number = index, driver, number
        self.job, self.given, self.voltage = index.job, index.job.tolerance, index.job.strayed_voltage()
        self.model: Driver = self.job.strayed_driver(index.model_of(driver.id))
        self.circuits: list[CircuitPlan] = index.circuits_of[driver.id]
        self.net: Network = lay_network(index, wires, self.circuits, driver.id)
        self.lamps = [lamp for c in self.circuits for j in index.joints_of[c.id] for lamp in index.lamps_at[j.id]]
        self.circuit_at = [self._position(lamp) for lamp in self.lamps]
        self.at: Ints = np.array([self.net.lamp[lamp.id] for lamp in self.lamps], dtype=np.int64)
        self.ends: Ints = np.array(self.net.ends, dtype=np.int64).reshape(-1, 2)
        taps = [circuit.tap_v for circuit in self.circuits]
        self.sources: list[Source] = [source_of(self.model, tap_v) for tap_v in taps]
        self.coupling = np.array([[sag_ohm(self.model, a, b) for b in taps] for a in taps])
        full, active = (
            np.array([draws(index, lamp, self.model) for lamp in self.lamps]).reshape(-1, 3).T
            for draws in (draws_of, active_draws_of)
        )
        self.draws = _Draws((full[0], full[1], full[2]), (active[0], active[1], active[2]))
        names = self.net.names
        self.copper20 = np.array([wires.copper20_ohm[name] for name in names])
        self.sun = np.array([wires.sun_share.get(name, 0.0) for name in names])
        self.contact = np.array([wires.contact_ohm[name] for name in names])
        self.on_way = np.zeros((len(self.lamps), len(names)), dtype=bool)
        branch_to = {int(below): i for i, (_, below) in enumerate(self.ends.tolist())}
        for k, node in enumerate(self.at.tolist()):
            while node in branch_to:
                branch = branch_to[node]
                self.on_way[k, branch] = True
                node = int(self.ends[branch, 0])
        self.high_ohm, self.low_ohm = self._ohm(1), self._ohm(0)

    def _position(self, lamp: LampPlan) -> int:
        return next(i for i, circuit in enumerate(self.circuits) if circuit.id == self.index.joints[lamp.joint].circuit)

    def _factor(self, *names: str, end: int) -> float:
        return math.prod(1 + float(getattr(self.given, f"{name}_pct")[end]) / 100 for name in names)

    def _ohm(self, end: int) -> Floats:
        """Every branch at its lowest (0) or highest (1)."""
        buried_c = self.voltage.hot_c if end else self.voltage.cold_c
        sun_c = self.voltage.sun_c if end else self.voltage.cold_c
        warm = (1 - self.sun) * warmed(buried_c) + self.sun * warmed(sun_c)
        copper = self.copper20 * warm * self._factor("cable", "length", end=end)
        return np.array(copper + self.contact * self._factor("contact", end=end))

    def _solve(self, ohm: Floats, draws: tuple[Floats, Floats, Floats], which: str) -> Floats | None:
        """Node volts, every source at the volts named."""
        emf_v = np.array([getattr(source, which) for source in self.sources])
        at = np.arange(len(self.circuits))
        found = solve_nodes(self.net.num_nodes, self.ends, ohm, Loads(self.at, *draws), at, emf_v, self.coupling)
        return None if found is None else found[0]

    def judge(self, book: Book) -> None:
        spare = 1 + self.job.rules.growth / 100
        for more in (1.0,) if spare == 1 else (1.0, spare):
            self._judge_low(more, book)
        self._judge_high(book)
        if any(lamp.outside_pct is not None for lamp in self.lamps):
            self._judge_chances(book)

    def _judge_low(self, more: float, book: Book) -> None:
        load = more * self._factor("load", end=1)
        full = self.draws.full
        most = (load * full[0], load * full[1], load * full[2])
        heavy = self._solve(self.high_ohm, most, "lowest_v")
        if heavy is None:
            for lamp in self.lamps:
                text = f"{lamp.id}: volts are guaranteed, and within its tolerances {self.driver.id} has none"
                book.claim("guaranteed volts", lamp.id, more > 1 or lamp.sure_low_v is None, text)
            text = f"{self.driver.id}: at the worst corner its lamps ask for more than its cables can carry"
            book.claim("guaranteed window", self.driver.id, self.given.plan != "hold", text)
            return
        stated = self._solve(self.high_ohm, most, "stated_v")
        self._judge_drop(stated, more, book)
        box = None
        for k, lamp in enumerate(self.lamps):
            beside = [j for j, c in enumerate(self.circuit_at) if c == self.circuit_at[k] or self.model.kind == "wound"]
            kinds = [self.index.type_of(self.lamps[j]) for j in beside]
            resistive = {kind.load == "resistance" for kind in kinds}
            own_v = float(heavy[self.at[k]])
            least_v = own_v
            if True in resistive:
                mixed = np.where(self.on_way[k], self.high_ohm, self.low_ohm)
                corner = self._solve(mixed, most, "lowest_v")
                own_v = -math.inf if corner is None else min(own_v, float(corner[self.at[k]]))
                least_v = own_v
                if len(resistive) == 2:
                    box = self._box(most) if box is None else box
                    least_v = float(box[self.at[k]])
            self._judge_lamp_low(lamp, least_v, own_v, more, book)

    def _judge_lamp_low(self, lamp: LampPlan, least_v: float, own_v: float, more: float, book: Book) -> None:
        judged_v = own_v
        if more == 1:
            said = lamp.sure_low_v
            if said is None:
                text = f"{lamp.id}: guaranteed low volts are missing, computed {own_v:.3f} V"
                book.claim("guaranteed volts", lamp.id, math.isnan(least_v), text)
                judged_v = least_v
            elif least_v == own_v:
                book.same("guaranteed volts", lamp.id, "sure_low_v", said, own_v, "V", VOLT)
            else:
                book.at_most("guaranteed volts", lamp.id, "sure_low_v", said, own_v, "V", VOLT)
                if not math.isnan(least_v):
                    book.at_least("guaranteed volts", lamp.id, "sure_low_v", said, least_v, "V", VOLT)
                judged_v = min(said, own_v)
        if self.given.plan == "hold":
            where = lamp.id if more == 1 else f"{lamp.id} with spare load"
            low_v = self.index.type_of(lamp).window[0]
            book.at_least("guaranteed window", where, "lowest at the worst corner", judged_v, low_v, "V", VOLT)

    def _judge_drop(self, stated: Floats | None, more: float, book: Book) -> None:
        for k, lamp in enumerate(self.lamps):
            kind = self.index.type_of(lamp)
            if stated is None:
                text = f"{lamp.id}: no drop exists with everything at its heaviest"
                book.claim("guaranteed volts", lamp.id, lamp.sure_drop_pct is None, text)
                continue
            from_v = float(stated[self.circuit_at[k]]) if self.voltage.drop_from == "driver" else kind.volts
            drop_v = from_v - float(stated[self.at[k]])
            if more == 1:
                said, tol = lamp.sure_drop_pct, 0.0051 + 100 * VOLT / kind.volts
                own = 100 * drop_v / kind.volts
                book.same(
                    "guaranteed volts", lamp.id, "sure_drop_pct", math.inf if said is None else said, own, "%", tol
                )
            if self.given.plan == "hold" and self.voltage.max_drop is not None:
                where = lamp.id if more == 1 else f"{lamp.id} with spare load"
                allowed_v = self.voltage.max_drop / 100 * kind.volts
                book.at_most("guaranteed drop", where, "drop at the worst corner", drop_v, allowed_v, "V", VOLT)

    def _box(self, most: tuple[Floats, Floats, Floats]) -> Floats:
        """(nodes,) volts that nothing within the tolerances undercuts; NaN where that cannot be shown."""
        load, active = self._factor("load", end=0), self.draws.active
        none, low_v = np.zeros(len(self.lamps)), np.zeros(self.net.num_nodes)
        for _ in range(_MOST_ROUNDS):
            drawn = load * (active[1] + active[2] * low_v[self.at])
            high_v = self._solve(self.low_ohm, (load * active[0], drawn, none), "highest_v")
            before, new = low_v, None
            if high_v is not None:
                new = self._solve(self.high_ohm, (most[0], most[1] + most[2] * high_v[self.at], none), "lowest_v")
            if new is None:
                return np.full(self.net.num_nodes, math.nan)
            low_v = new
            if np.abs(low_v - before).max() < _STILL_V:
                break
        return low_v

    def _judge_high(self, book: Book) -> None:
        load = self._factor("load", end=0)
        which = np.array(self.circuit_at, dtype=np.int64)
        emf_v = np.array([source.highest_v for source in self.sources])[which]
        ohm = self.on_way @ self.low_ohm + np.diag(self.coupling)[which]
        high = lone_volts(emf_v, ohm, *(load * part for part in self.draws.active))
        for lamp, own_v in zip(self.lamps, high.tolist(), strict=True):
            said = lamp.sure_high_v
            self._judge_margin(lamp, book)
            if said is None:
                if lamp.sure_low_v is not None:
                    text = f"{lamp.id}: guaranteed high volts are missing, computed {own_v:.3f} V"
                    book.claim("guaranteed volts", lamp.id, math.isnan(own_v), text)
            else:
                book.same("guaranteed volts", lamp.id, "sure_high_v", said, own_v, "V", VOLT)
            if self.given.plan == "hold":
                high_v = self.index.type_of(lamp).window[1]
                book.at_most("guaranteed window", lamp.id, "highest at the worst corner", own_v, high_v, "V", VOLT)

    def _judge_margin(self, lamp: LampPlan, book: Book) -> None:
        if lamp.sure_low_v is None or lamp.sure_high_v is None:
            text = f"{lamp.id}: a margin is printed, its volts are not guaranteed"
            book.claim("guaranteed volts", lamp.id, lamp.sure_margin_v is None, text)
            return
        low_v, high_v = self.index.type_of(lamp).window
        own, said = min(lamp.sure_low_v - low_v, high_v - lamp.sure_high_v), lamp.sure_margin_v
        book.same("guaranteed volts", lamp.id, "sure_margin_v", math.inf if said is None else said, own, "V", VOLT)

    def _judge_chances(self, book: Book) -> None:
        """Against samples of the check's own; and none at all where the guaranteed volts lie inside the window."""
        size = self.net.num_nodes + len(self.circuits)
        own_size = int(min(1000, max(200, 1e6 * _MILLION_STEPS / size**3)))
        own = self._sampled(own_size)
        for lamp, share in zip(self.lamps, own.tolist(), strict=True):
            low_v, high_v = self.index.type_of(lamp).window
            said = math.inf if lamp.outside_pct is None else lamp.outside_pct
            inside = lamp.sure_low_v is not None and lamp.sure_high_v is not None
            if inside and low_v <= (lamp.sure_low_v or 0.0) and (lamp.sure_high_v or 0.0) <= high_v:
                text = f"{lamp.id}: a chance of {said:g} % is printed, its guaranteed volts lie inside its window"
                book.claim("chances", lamp.id, said == 0, text)
                continue
            text = f"{lamp.id}: a chance of {said:g} % is printed, {100 * share:.2f} % of {own_size} own samples say so"
            near = 0 <= said <= 100 and _overlap(said / 100, self.given.samples, share, own_size)
            book.claim("chances", lamp.id, near, text, value=said, allowed=100 * share)

    def _sampled(self, size: int) -> Floats:
        """(lamps,) share of samples in which each lamp leaves its window."""
        rng = np.random.Generator(np.random.MT19937([self.index.plan.seed, self.number]))

        def factor(kind: str, *shape: int) -> Floats:
            low, high = getattr(self.given, f"{kind}_pct")
            return np.array(1 + (low + (high - low) * rng.random(shape)) / 100)

        warm, source = rng.random((size, 1)), rng.random((size, 1))
        cold_c = self.voltage.cold_c
        buried, sun = (
            1 + 0.00393 * (cold_c + warm * (c - cold_c) - 20) for c in (self.voltage.hot_c, self.voltage.sun_c)
        )
        branches, lamps = len(self.contact), len(self.lamps)
        copper = self.copper20 * ((1 - self.sun) * buried + self.sun * sun) * factor("cable", size, 1)
        ohm = copper * factor("length", size, branches) + self.contact * factor("contact", size, branches)
        load = factor("load", size, lamps)
        lowest, highest = (np.array([getattr(s, name) for s in self.sources]) for name in ("lowest_v", "highest_v"))
        emf_v = lowest + source * (highest - lowest)
        full = [load * part for part in self.draws.full]
        volts = solve_samples(self.net.num_nodes, self.ends, ohm, self.at, full, emf_v, self.coupling)[:, self.at]
        which = np.array(self.circuit_at, dtype=np.int64)
        way_ohm = ohm @ self.on_way.T + np.diag(self.coupling)[which]
        alone = lone_volts(emf_v[:, which], way_ohm, *(load * part for part in self.draws.active))
        window = np.array([self.index.type_of(lamp).window for lamp in self.lamps])
        inside = (volts >= window[:, 0]) & (alone <= window[:, 1])
        return np.array(1 - inside.mean(axis=0))


def _overlap(share: float, size: int, other: float, other_size: int) -> bool:
    """Whether Wilson's intervals of two shares touch (JASA 22 (1927), 209-212); rounding to 0.01 % forgiven."""

    def ends(p: float, n: int) -> tuple[float, float]:
        middle, half = p + _Z**2 / (2 * n), _Z * math.sqrt(p * (1 - p) / n + _Z**2 / (4 * n * n))
        return (middle - half) / (1 + _Z**2 / n), (middle + half) / (1 + _Z**2 / n)

    (low, high), (other_low, other_high) = ends(share, size), ends(other, other_size)
    return low <= other_high + 1e-4 and other_low <= high + 1e-4
