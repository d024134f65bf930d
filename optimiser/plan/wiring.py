"""The electrics of laid cables: resistances, states, protection. In: Laid, Layout, Job. Out: Wired, by driver and
circuit."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from ..electrics import CircuitTree, solve_driver
from ..electrics.circuit import CircuitState, DriverState, far_end_short_a, grown
from ..electrics.limits import Breach, driver_breaches
from ..electrics.protection import Protection, protect
from ..ground import Ground
from ..job import Driver, Job
from ..search.layout import Layout
from ..survey.model import Survey
from .digging import Dug
from .laying import Laid


@dataclass(frozen=True)
class Wired:
    """One circuit solved. Tree node 1 + i is the end of ``cables[i]``; lamps follow in ``lamps``' order."""

    cables: tuple[int, ...]
    """Positions in ``Laid.cables``."""
    lamps: tuple[int, ...]
    tree: CircuitTree
    state: CircuitState
    grown: CircuitState
    """With spare load; the same as ``state`` where the job asks for none."""
    protection: Protection
    ratings: np.ndarray


@dataclass(frozen=True)
class WiredDriver:
    circuits: tuple[Wired, ...]
    """In outlet order, as ``taps``, in V."""
    taps: tuple[float, ...]
    load_va: float
    grown_va: float
    """Load with spare load."""
    breaches: tuple[Breach, ...]


def wire(job: Job, survey: Survey, ground: Ground, layout: Layout, laid: Laid, dug: Sequence[Dug]) -> list[WiredDriver]:
    """Solve every driver of a layout with the lengths that are really cut."""
    factors = _bunching(job, laid, dug)
    models = list(job.drivers.values())
    drivers: list[WiredDriver] = []
    for use in layout.drivers:
        model = models[use.model]
        trees = [_tree(job, survey, ground, layout, laid, c) for c in use.circuits]
        taps = [layout.circuits[c].tap_v for c in use.circuits]
        state = solve_driver(model, [tree for tree, _, _ in trees], taps, job.voltage)
        spare = _with_spare(job, model, [tree for tree, _, _ in trees], taps) or state
        wired = []
        for (tree, cables, lamps), one, more, tap in zip(trees, state.circuits, spare.circuits, taps, strict=True):
            ratings = np.full(len(tree.parent), np.inf)
            ratings[1 : 1 + len(cables)] = [_rating(job, laid, i) * factors[i] for i in cables]
            short = far_end_short_a(model, tap, tree, job.voltage)
            leads = []
            for lamp in lamps:
                lamp_type = job.lamps[survey.lamps[lamp].type]
                if not lamp_type.terminals:
                    leads.append((lamp_type.lead_mm2, lamp_type.lead_rating))
            protection = protect(
                model,
                more.amps,
                ratings[1 : 1 + len(cables)].tolist(),
                short[1:],
                leads,
                job.fuses,
                with_spare=spare is not state,
            )
            wired.append(Wired(cables, lamps, tree, one, more, protection, ratings))
        breaches: list[Breach] = []
        for judged, factor in [(state, 1.0)] + [(spare, job.rules.grown)] * (spare is not state):
            breaches += driver_breaches(
                model,
                judged,
                [grown(w.tree, factor) for w in wired],
                taps,
                [w.ratings for w in wired],
                [w.protection for w in wired],
                job.supply(survey.supplies[use.supply].name),
                job.voltage,
                job.rules,
            )
        drivers.append(WiredDriver(tuple(wired), tuple(taps), state.load_va, spare.load_va, tuple(breaches)))
    return drivers


def _with_spare(job: Job, model: Driver, trees: Sequence[CircuitTree], taps: Sequence[float]) -> DriverState | None:
    """The driver's state with the job's spare load; None where the job asks for none."""
    if job.rules.grown == 1:
        return None
    return solve_driver(model, [grown(tree, job.rules.grown) for tree in trees], taps, job.voltage)


def _tree(
    job: Job, survey: Survey, ground: Ground, layout: Layout, laid: Laid, circuit: int
) -> tuple[CircuitTree, tuple[int, ...], tuple[int, ...]]:
    """The circuit's resistances at 20 °C, its cables and its lamps in the order of the tree's nodes."""
    catalogue = list(job.cables.values())
    cables = tuple(i for i, cable in enumerate(laid.cables) if cable.circuit == circuit)
    node_of = {i: 1 + k for k, i in enumerate(cables)}
    parent, buried, sun, contact, lamp_at = [-1], [0.0], [0.0], [0.0], [-1]
    node_at = {}
    for i in cables:
        cable = laid.cables[i]
        parent.append(0 if cable.above < 0 else node_of[cable.above])
        node_at[cable.end] = node_of[i]
        ohm = catalogue[cable.cable].loop_ohm_per_m(20.0) * cable.cut_m
        share = cable.sun_m / cable.route_m if cable.route_m > 0 else 0.0
        buried.append(ohm * (1 - share))
        sun.append(ohm * share)
        ends = (0 if cable.start is None or cable.through_start or _at_post(job, survey, laid, cable.start) else 1) + (
            0 if cable.through_end or _at_post(job, survey, laid, cable.end) else 1
        )
        contact.append(ends * job.joints.end_ohm)
        lamp_at.append(-1)
    lamps: list[int] = []
    arc_of = dict(zip(layout.circuits[circuit].lamps, layout.circuits[circuit].leads, strict=True))
    for station, hung in laid.leads_at.items():
        if station[0] != circuit:
            continue
        for lamp in hung:
            lamp_type = job.lamps[survey.lamps[lamp].type]
            arc = ground.graph.leads[arc_of[lamp]]
            parent.append(node_at[station])
            post = lamp_type.terminals
            buried.append(0.0 if post else lamp_type.lead_ohm(20.0, arc.extension_m))
            sun.append(0.0)
            contact.append(0.0 if post else job.joints.end_ohm * (3 if arc.extension_m else 1))
            lamp_at.append(len(lamps))
            lamps.append(lamp)
    tree = CircuitTree(
        parent=np.array(parent),
        buried20_ohm=np.array(buried),
        sun20_ohm=np.array(sun),
        contact_ohm=np.array(contact),
        lamp=np.array(lamp_at),
        lamp_types=tuple(job.lamps[survey.lamps[lamp].type] for lamp in lamps),
    )
    return tree, cables, tuple(lamps)


def _at_post(job: Job, survey: Survey, laid: Laid, station: tuple[int, int, int]) -> bool:
    return any(job.lamps[survey.lamps[lamp].type].terminals for lamp in laid.leads_at.get(station, ()))


def _rating(job: Job, laid: Laid, cable: int) -> float:
    """Derated for hot ground, and for hot air where some of it lies on the surface."""
    piece = laid.cables[cable]
    setting = list(job.cables.values())[piece.cable]
    rating = setting.rating * setting.derating(job.rules.ground_c)
    if piece.sun_m > 0:
        rating *= min(1.0, setting.derating(job.rules.air_c) / max(setting.derating(job.rules.ground_c), 1e-12))
    return rating


def _bunching(job: Job, laid: Laid, dug: Sequence[Dug]) -> list[float]:
    """Rating factor of each cable by the most cables it lies with in a sleeve or a trench."""
    worst = [(1.0, 1.0)] * len(laid.cables)
    for trench in dug:
        table = job.rules.bunched if trench.sleeve >= 0 else job.rules.trench_bunched
        factor = table[min(len(trench.cables), len(table)) - 1]
        for i in trench.cables:
            sleeve, trenched = worst[i]
            worst[i] = (min(sleeve, factor), trenched) if trench.sleeve >= 0 else (sleeve, min(trenched, factor))
    return [sleeve * trenched for sleeve, trenched in worst]
