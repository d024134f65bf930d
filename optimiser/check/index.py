"""The plan by its names. In: Plan, Job, Survey. Out: Index, whose references all resolve, or None and why not.

Only what stands in ``from`` and ``to``, ``circuit``, ``driver`` and ``lamps.joint`` is taken for true; the lists that
say the same again (``joints.cables``, ``joints.leads``, ``circuits.lamps``) are compared.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterable
from dataclasses import dataclass, field

from ..job import Driver, Job, LampType
from ..plan.model import CablePlan, CircuitPlan, DriverPlan, JointPlan, LampPlan, Plan, TrenchPlan
from ..survey.model import Lamp, Survey
from .report import Book


@dataclass
class Index:
    """``trees_hold`` tells whether currents can be followed at all."""

    plan: Plan
    job: Job
    survey: Survey
    drivers: dict[str, DriverPlan]
    circuits: dict[str, CircuitPlan]
    joints: dict[str, JointPlan]
    cables: dict[str, CablePlan]
    lamps: dict[str, LampPlan]
    surveyed: dict[str, Lamp]
    circuits_of: dict[str, list[CircuitPlan]] = field(default_factory=lambda: defaultdict(list))
    joints_of: dict[str, list[JointPlan]] = field(default_factory=lambda: defaultdict(list))
    cables_of: dict[str, list[CablePlan]] = field(default_factory=lambda: defaultdict(list))
    """Cables of a circuit; from the outlet outwards where it is a tree."""
    ends_at: dict[str, list[CablePlan]] = field(default_factory=lambda: defaultdict(list))
    """Cables with an end at a joint."""
    lamps_at: dict[str, list[LampPlan]] = field(default_factory=lambda: defaultdict(list))
    trenches_of: dict[str, list[TrenchPlan]] = field(default_factory=lambda: defaultdict(list))
    uncut: set[tuple[str, str]] = field(default_factory=set)
    """(cable, joint) where the cable goes through the joint uncut."""
    beside: dict[str, set[str]] = field(default_factory=dict)
    """Cables that count as lying in a dug trench, by its id, where they are more than it lists."""
    trees_hold: bool = True

    def type_of(self, lamp: LampPlan) -> LampType:
        return self.job.lamps[self.surveyed[lamp.id].type]

    def type_name(self, lamp: LampPlan) -> str:
        return self.surveyed[lamp.id].type

    def model_of(self, driver_id: str) -> Driver:
        return self.job.drivers[self.drivers[driver_id].model]

    def driver_of(self, circuit: CircuitPlan) -> Driver:
        return self.model_of(circuit.driver)

    def circuit_of(self, lamp: LampPlan) -> CircuitPlan:
        return self.circuits[self.joints[lamp.joint].circuit]


def _unique(book: Book, what: str, ids: Iterable[str]) -> bool:
    counts = Counter(ids)
    twice = [name for name, count in counts.items() if count > 1]
    for name in counts:
        book.claim("unique ids", name, name not in twice, f"{what} {name}: the id is used {counts[name]} times")
    return not twice


def build_index(plan: Plan, job: Job, survey: Survey, book: Book) -> Index | None:
    """Resolve every reference. Returns None where some lead nowhere: then nothing else can be judged."""
    sound = all(
        [
            _unique(book, "driver", (d.id for d in plan.drivers)),
            _unique(book, "circuit", (c.id for c in plan.circuits)),
            _unique(book, "joint", (j.id for j in plan.joints)),
            _unique(book, "cable", (k.id for k in plan.cables)),
            _unique(book, "trench", (t.id for t in plan.trenches)),
        ]
    )
    both = {d.id for d in plan.drivers} & {j.id for j in plan.joints}
    for name in sorted(both):
        sound &= book.claim("unique ids", name, False, f"{name} names both a driver and a joint")
    sound &= _every_lamp_once(plan, survey, book)
    index = Index(
        plan,
        job,
        survey,
        {d.id: d for d in plan.drivers},
        {c.id: c for c in plan.circuits},
        {j.id: j for j in plan.joints},
        {k.id: k for k in plan.cables},
        {lamp.id: lamp for lamp in plan.lamps},
        {lamp.name: lamp for lamp in survey.lamps},
    )
    sound &= _known_names(index, book)
    sound &= _links(index, book)
    if not sound:
        return None
    for trench in plan.trenches:
        for name in trench.cables:
            index.trenches_of[name].append(trench)
    _mirrors(index, book)
    return index


def _every_lamp_once(plan: Plan, survey: Survey, book: Book) -> bool:
    counts = Counter(lamp.id for lamp in plan.lamps)
    known = {lamp.name for lamp in survey.lamps}
    sound = True
    for name in known:
        times = counts[name]
        found = "is not in the plan" if times == 0 else f"is in the plan {times} times"
        held = book.claim("every lamp once", name, times == 1, f"lamp {name} {found}", value=times, allowed=1)
        sound &= held or times == 0
    for name in counts.keys() - known:
        sound &= book.claim("every lamp once", name, False, f"lamp {name} is in the plan, but was not surveyed")
    return sound


def _known_names(index: Index, book: Book) -> bool:
    job, survey, plan = index.job, index.survey, index.plan
    supplies = {supply.name for supply in survey.supplies}
    sleeves = {sleeve.name for sleeve in survey.sleeves}
    rows: list[tuple[str, str, str, Iterable[str]]] = []
    rows += [(d.id, "supply point", d.supply, supplies) for d in plan.drivers]
    rows += [(d.id, "driver model", d.model, job.drivers) for d in plan.drivers]
    rows += [(k.id, "cable", k.cable, job.cables) for k in plan.cables]
    rows += [(j.id, "joint kit", j.kit, job.joints.kits) for j in plan.joints if j.kit is not None]
    rows += [(t.id, "ground", t.ground, job.grounds) for t in plan.trenches if t.sleeve is None]
    rows += [(t.id, "sleeve", t.sleeve, sleeves) for t in plan.trenches if t.sleeve is not None]
    rows += [("cuts", "cable", cut.cable, job.cables) for cut in plan.cuts]
    rows += [("reels", "cable", reel.cable, job.cables) for reel in plan.reels]
    held = [
        book.claim("known names", where, name in names, f"{where}: the job has no {what} {name!r}")
        for where, what, name, names in rows
    ]
    return all(held)


def _links(index: Index, book: Book) -> bool:
    """Follow each reference that is taken for true."""
    plan, sound = index.plan, True

    def goes(where: str, what: str, name: str, known: Iterable[str]) -> bool:
        return book.claim("references", where, name in known, f"{where}: {what} {name!r} is not in the plan")

    for circuit in plan.circuits:
        if goes(circuit.id, "driver", circuit.driver, index.drivers):
            index.circuits_of[circuit.driver].append(circuit)
        else:
            sound = False
    for joint in plan.joints:
        if goes(joint.id, "circuit", joint.circuit, index.circuits):
            index.joints_of[joint.circuit].append(joint)
        else:
            sound = False
        if joint.post is not None:
            sound &= goes(joint.id, "post", joint.post, index.lamps)
    ends = index.joints.keys() | index.drivers.keys()
    for cable in plan.cables:
        held = goes(cable.id, "circuit", cable.circuit, index.circuits)
        held &= goes(cable.id, "from", cable.from_, ends)
        held &= goes(cable.id, "to", cable.to, index.joints)
        if held:
            index.cables_of[cable.circuit].append(cable)
            for end in {cable.from_, cable.to} & index.joints.keys():
                index.ends_at[end].append(cable)
        sound &= held
    for lamp in plan.lamps:
        if lamp.joint in index.drivers:
            sound &= book.claim(
                "references", lamp.id, False, f"lamp {lamp.id} hangs on driver {lamp.joint} itself; it needs a joint"
            )
        elif goes(lamp.id, "joint", lamp.joint, index.joints):
            index.lamps_at[lamp.joint].append(lamp)
        else:
            sound = False
    for trench in plan.trenches:
        for name in trench.cables:
            sound &= goes(trench.id, "cable", name, index.cables)
    return sound


def _mirrors(index: Index, book: Book) -> None:
    """Lists that say again what a reference says."""

    def agree(where: str, what: str, printed: list[str], own: list[str]) -> None:
        ok = sorted(printed) == sorted(own)
        text = f"{where}: {what} lists {', '.join(printed) or 'none'}, but {', '.join(own) or 'none'} refer to it"
        book.claim("references", where, ok, text)

    for joint in index.plan.joints:
        agree(joint.id, "cables", joint.cables, [k.id for k in index.ends_at[joint.id]])
        agree(joint.id, "leads", joint.leads, [lamp.id for lamp in index.lamps_at[joint.id]])
    for circuit in index.plan.circuits:
        own = [lamp.id for joint in index.joints_of[circuit.id] for lamp in index.lamps_at[joint.id]]
        agree(circuit.id, "lamps", circuit.lamps, own)
    for trench in index.plan.trenches:
        ok = bool(trench.cables) and len(set(trench.cables)) == len(trench.cables)
        book.claim("references", trench.id, ok, f"{trench.id}: the trench holds no cable, or one twice")
    for driver in index.plan.drivers:
        ok = bool(index.circuits_of[driver.id])
        book.claim("references", driver.id, ok, f"driver {driver.id} feeds no circuit")
