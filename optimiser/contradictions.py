"""Limits that contradict one another, whatever the layout. In: JobFolder. Out: every Problem, found before the search.

Each lamp type that was surveyed is taken alone, without cable, on each driver that fits it, as kindly as may be: the
least it can draw, the thickest cable the job allows, a short that any device sees. What fails even so fails in every
layout, and is said with the field that has to give. ``search.obstacles`` explains what depends on distances and sums.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass

from .electrics.protection import protect
from .electrics.sources import keeps_window, source_of
from .job import Cable, Driver, Job, LampType
from .job_folder import JobFolder
from .matching import fits
from .problems import Problem
from .read_job import locate

_CLOSE = 1e-9
"""Relative slack: what is equal but for rounding is no contradiction."""

Field = tuple[str, ...]
Found = tuple[Field, str, str]
"""Path of the field that has to give, what was found there and why it cannot be, and the mend."""


@dataclass(frozen=True)
class Feed:
    """A driver at one of its taps."""

    name: str
    driver: Driver
    tap_v: float

    @property
    def says(self) -> str:
        return f"{self.name} at {self.tap_v:g} V"


def contradictions(folder: JobFolder) -> list[Problem]:
    """Every contradiction of a job and its survey, at its line of the job file."""
    where = locate(folder.files["job.toml"], str(folder.path / folder.job_file), folder.overrides)
    used = list(dict.fromkeys(lamp.type for lamp in folder.survey.lamps))
    supplies = [supply.name for supply in folder.survey.supplies]
    return [where.problem(*found) for found in dict.fromkeys(find_contradictions(folder.job, used, supplies))]


def find_contradictions(job: Job, used: Sequence[str], supplies: Sequence[str]) -> list[Found]:
    """
    The same without places in a file.

    Parameters
    ----------
    used
        Names of the lamp types that were surveyed; others may be as they like.
    supplies
        Names of the surveyed supply points.
    """
    found = list(_too_hot(job))
    if found:  # nothing carries anything: the rest would only say so again
        return found
    for name in used:
        lamp_type = job.lamps[name]
        feeds = [
            Feed(model, driver, tap_v)
            for model, driver in job.drivers.items()
            if fits(lamp_type, driver)
            for tap_v in driver.taps_v
        ]
        if not feeds:  # the survey's reader refuses such lamps
            continue
        for rule in (_window, _lead_alone, _load, _start, _unprotected, _sizes, _mains):
            found += rule(job, name, lamp_type, feeds, supplies)
    found += _supplies(job, supplies)
    return found


def _too_hot(job: Job) -> Iterator[Found]:
    ground_c = job.rules.ground_c
    if all(cable.derating(ground_c) == 0 for cable in job.cables.values()):
        most_c = max(cable.hottest_c for cable in job.cables.values())
        found = f"found {ground_c:g} °C, and no cable may be hotter than {most_c:g} °C: none could carry anything"
        yield ("rules", "ground_c"), found, "write the ground's real temperature, or a cable with a higher max_c"


def _rating(job: Job, cable: Cable) -> float:
    return cable.rating * cable.derating(job.rules.ground_c)


def _best_cable(job: Job) -> tuple[str, float]:
    """The cable that carries most, and its amps, hot ground counted."""
    name = max(job.cables, key=lambda name: _rating(job, job.cables[name]))
    return name, _rating(job, job.cables[name])


def _because(job: Job, broken: Callable[[float], bool], otherwise: Field) -> tuple[Field, str]:
    """The field to blame, and its value: ``rules.growth`` where all would be well without spare load."""
    if job.rules.growth and not broken(1.0):
        return ("rules", "growth"), f"found {job.rules.growth:g} %"
    value: object = job
    for key in otherwise:
        value = value[key] if isinstance(value, dict) else getattr(value, key)
    return otherwise, "is not given" if value is None else f"found {_shown(value)}"


def _shown(value: object) -> str:
    if isinstance(value, tuple):
        return "[" + ", ".join(map(_shown, value)) + "]"
    return f"{value:g}" if isinstance(value, float | int) else str(value)


def _window(job: Job, name: str, lamp_type: LampType, feeds: Sequence[Feed], _: Sequence[str]) -> Iterator[Found]:
    """A window that no tap meets, even were a cable just as long as it should be."""
    if any(keeps_window(lamp_type, feed.driver, feed.tap_v) for feed in feeds):
        yield from _from_nominal(job, name, lamp_type, feeds)
        return
    low, high = lamp_type.window
    offers = []
    for feed in feeds:
        source = source_of(feed.driver, feed.tap_v)
        offers.append(f"{feed.says} gives {source.low_emf_v:.2f} V to {source.high_emf_v:.2f} V")
    path: Field = ("lamps", name, "window_v")
    found = f"found {low:g} V to {high:g} V, and no tap keeps a lamp inside: {'; '.join(offers)}"
    yield path, found, "write the maker's real window, or add a driver with a tap (taps_v) or tolerance that meets it"


def _from_nominal(job: Job, name: str, lamp_type: LampType, feeds: Sequence[Feed]) -> Iterator[Found]:
    """A drop counted from the nominal volts that even the terminals have."""
    if job.voltage.max_drop is None or job.voltage.drop_from == "driver":
        return
    least_v = lamp_type.volts - job.drop_limit_v(lamp_type)
    good = [feed for feed in feeds if keeps_window(lamp_type, feed.driver, feed.tap_v)]
    best = max(good, key=lambda feed: source_of(feed.driver, feed.tap_v).emf_v)
    most_v = source_of(best.driver, best.tap_v).emf_v
    if most_v < least_v * (1 - _CLOSE):
        found = (
            f"found {job.voltage.max_drop:g} % from the nominal {lamp_type.volts:g} V, which asks for {least_v:.3f} V "
            f"at a lamp of type '{name}', and the best tap it may have gives {most_v:.3f} V at the terminals"
        )
        yield ("voltage", "max_drop"), found, "write a greater drop, or add a driver with a higher tap (taps_v)"


def _least_amps(lamp_type: LampType, feed: Feed, grown: float) -> float:
    """The least a lamp can draw on a feed while it keeps its window, in A."""
    watts = lamp_type.watts * grown
    factor = lamp_type.factor if feed.driver.ac else 1.0
    if lamp_type.load == "power":
        return watts / factor / source_of(feed.driver, feed.tap_v).emf_v
    if lamp_type.load == "current":
        return watts / factor / lamp_type.volts
    return lamp_type.window[0] * watts / lamp_type.volts**2


def _least_va(lamp_type: LampType, feed: Feed, grown: float) -> float:
    """The least load it can be at the driver's terminals, in W or VA."""
    if lamp_type.load == "power":
        return lamp_type.watts * grown / (lamp_type.factor if feed.driver.ac else 1.0)
    return lamp_type.window[0] * _least_amps(lamp_type, feed, grown)


def _lead_alone(job: Job, name: str, lamp_type: LampType, feeds: Sequence[Feed], _: Sequence[str]) -> Iterator[Found]:
    """More drop in the lead than is allowed in all."""
    if job.voltage.max_drop is None or lamp_type.terminals:
        return
    ohm = lamp_type.lead_ohm(job.voltage.hot_c) + job.joints.end_ohm
    allowed_v = job.drop_limit_v(lamp_type)
    good = [feed for feed in feeds if keeps_window(lamp_type, feed.driver, feed.tap_v)]
    if job.voltage.drop_from == "nominal":
        top_v = max((source_of(feed.driver, feed.tap_v).emf_v for feed in good), default=0.0)
        allowed_v += max(0.0, top_v - lamp_type.volts)

    def taken_v(grown: float) -> float:
        return min((_least_amps(lamp_type, feed, grown) * ohm for feed in good), default=0.0)

    def broken(grown: float) -> bool:
        return taken_v(grown) > allowed_v * (1 + _CLOSE)

    if not broken(job.rules.grown):
        return
    path, value = _because(job, broken, ("voltage", "max_drop"))
    own = path[0] == "voltage"
    drop = f"{' %, which' if own else ', and voltage.max_drop'} leaves {allowed_v:.3f} V"
    found = f"{value}{drop}, and the lead alone of lamp type '{name}' takes {taken_v(job.rules.grown):.3f} V"
    mend = "write a greater drop, or a shorter or thicker lead if it has one (lead_m, lead_mm2)"
    yield path, found, mend if own else f"write less spare load; else {mend}"


def _load(job: Job, name: str, lamp_type: LampType, feeds: Sequence[Feed], supplies: Sequence[str]) -> Iterator[Found]:
    """One lamp that no driver, outlet, circuit or cable carries."""
    loading = max((job.supply(supply).loading_pct for supply in supplies), default=100.0) / 100
    cable, cable_a = _best_cable(job)

    def limits(feed: Feed, grown: float) -> list[tuple[float, float, str, str]]:
        """Drawn, allowed, unit, and what allows it."""
        amps, driver = _least_amps(lamp_type, feed, grown), feed.driver
        return [
            (_least_va(lamp_type, feed, grown), driver.max_load_w * loading, "W", f"{feed.name} may be loaded with"),
            (amps, driver.max_outlet_a, "A", f"an outlet of {feed.name} gives"),
            (amps, driver.rated_a, "A", f"{feed.name} is rated for"),
            (amps, job.rules.max_circuit_a, "A", "rules.max_circuit_a is"),
            (amps, cable_a, "A", f"the cable {cable} carries"),
        ]

    def worst(feed: Feed, grown: float) -> tuple[float, float, str, str]:
        return max(limits(feed, grown), key=lambda limit: limit[0] / limit[1])

    def kindest(grown: float) -> tuple[float, float, str, str]:
        return min((worst(feed, grown) for feed in feeds), key=lambda limit: limit[0] / limit[1])

    def broken(grown: float) -> bool:
        drawn, allowed, *_ = kindest(grown)
        return drawn > allowed * (1 + _CLOSE)

    if not broken(job.rules.grown):
        return
    drawn, allowed, unit, what = kindest(job.rules.grown)
    path, value = _because(job, broken, ("lamps", name, "watts"))
    spare = f"with which one lamp of type '{name}' draws" if path[0] == "rules" else "and one such lamp draws"
    found = f"{value}, {spare} {drawn:.2f} {unit} at the least, and {what} {allowed:.2f} {unit}"
    mend = "add a larger driver, or a thicker cable where that is what carries too little"
    yield path, found, mend if path[0] == "lamps" else f"write less spare load, or {mend}"


def _start(job: Job, name: str, lamp_type: LampType, feeds: Sequence[Feed], _: Sequence[str]) -> Iterator[Found]:
    """One lamp that no driver starts."""
    for key, limit, unit in (("inrush_a", "start_a", "A"), ("input_uf", "start_uf", "µF")):
        stated: float = getattr(lamp_type, key) or 0.0
        allowed = {feed.name: getattr(feed.driver, limit) or math.inf for feed in feeds}
        best = max(allowed, key=lambda model: allowed[model])

        def broken(grown: float, stated: float = stated, most: float = allowed[best]) -> bool:
            return stated * grown > most * (1 + _CLOSE)

        if broken(job.rules.grown):
            path, value = _because(job, broken, ("lamps", name, key))
            less = "write less spare load, or " if path[0] == "rules" else ""
            found = (
                f"{value}, and a lamp of type '{name}' asks for {stated * job.rules.grown:g} {unit} at its start, "
                f"where {best}, which starts most, starts {allowed[best]:g} {unit}"
            )
            yield path, found, f"{less}add a driver that starts it (drivers.NAME.{limit})"


def _unprotected(job: Job, name: str, lamp_type: LampType, feeds: Sequence[Feed], _: Sequence[str]) -> Iterator[Found]:
    """A circuit of one lamp that nothing protects, even on the thickest cable and with every short seen."""
    cable, cable_a = _best_cable(job)
    leads = [] if lamp_type.terminals else [(lamp_type.lead_mm2, lamp_type.lead_rating)]
    reasons: dict[str, str] = {}
    for feed in feeds:
        amps = _least_amps(lamp_type, feed, 1.0)
        guard = protect(feed.driver, amps, [cable_a], [math.inf], leads, job.fuses)
        if guard.ok:
            return
        reasons.setdefault(feed.name, guard.why_not)
    for model, why in reasons.items():
        driver = job.drivers[model]
        smallest = min([*job.fuses.ratings_a, *([driver.breaker_a] if driver.breaker_a else [])])
        if driver.current_limit_a > cable_a and driver.mode in ("hold", "none") and smallest > cable_a:
            found = (
                f"found {smallest:g} A as the smallest, and the thickest cable ({cable}) carries {cable_a:.4g} A, "
                f"while {model} does not limit below it"
            )
            yield ("fuses", "ratings_a"), found, "write a smaller fuse, or add a thicker cable"
            continue
        if driver.limit_a is not None:
            value = f"found {driver.limit_a:g} A"
        elif driver.mode == "none":
            value = 'is not there (limit_mode "none")'
        else:
            value = f"is not given, and {driver.current_limit_a:.4g} A (1.5 x its rated amps) is taken"
        found = f"{value}, and nothing protects a circuit of lamp type '{name}': {why}"
        mend = "write the maker's limit, or a driver that gives up into a short (limit_mode, short_rms_a)"
        yield (
            ("drivers", model, "limit_a"),
            found,
            f"{mend}, another fuse (fuses.ratings_a), or a thicker cable or lead",
        )


def _sizes(job: Job, name: str, lamp_type: LampType, feeds: Sequence[Feed], _: Sequence[str]) -> Iterator[Found]:
    """Terminals and joint kits that no cable of the job goes into."""
    thin = min(job.cables, key=lambda cable: job.cables[cable].area_mm2)
    thin_mm2 = job.cables[thin].area_mm2 - 1e-9
    if lamp_type.terminals and lamp_type.terminal_mm2 < thin_mm2:
        found = f"found {lamp_type.terminal_mm2:g} mm², and the thinnest cable ({thin}) has {thin_mm2:.4g} mm²"
        yield ("lamps", name, "terminal_mm2"), found, "add a thinner cable, or write what the post's terminals take"
    if not lamp_type.terminals and not any(
        kit.min_mm2 <= min(lamp_type.lead_mm2, cable.area_mm2) and cable.area_mm2 <= kit.max_mm2
        for kit in job.joints.kits.values()
        for cable in job.cables.values()
    ):
        found = f"holds no kit that takes the {lamp_type.lead_mm2:g} mm² lead of lamp type '{name}' and any cable"
        yield ("joints", "kits"), found, "add a kit for these sizes (min_mm2, max_mm2)"
    best = max(feeds, key=lambda feed: feed.driver.terminal_mm2)
    if best.driver.terminal_mm2 < thin_mm2:
        found = f"found {best.driver.terminal_mm2:g} mm², and the thinnest cable ({thin}) has {thin_mm2:.4g} mm²"
        yield ("drivers", best.name, "terminal_mm2"), found, "add a thinner cable, or write what its outlets take"


def _mains(job: Job, name: str, lamp_type: LampType, feeds: Sequence[Feed], supplies: Sequence[str]) -> Iterator[Found]:
    """A timer or dimmer at every supply point that not even one lamp may be on."""
    if not supplies:
        return
    best = max(supplies, key=job.mains_limit_va)
    most_va = job.mains_limit_va(best)

    def least_va(grown: float) -> float:
        return min(_least_va(lamp_type, feed, grown) * feed.driver.mains_va_per_va for feed in feeds)

    def broken(grown: float) -> bool:
        return least_va(grown) > most_va * (1 + _CLOSE)

    if not broken(job.rules.grown):
        return
    setting = job.supply(best)
    by_timer = setting.dimmer_va is None or setting.dimmer_va > most_va
    key, unit = ("timer_a", "A") if by_timer else ("dimmer_va", "VA")
    path, value = _because(job, broken, ("supplies", best, key))
    unit = " " + unit if path[0] == "supplies" else ""
    found = (
        f"{value}{unit}, and one lamp of type '{name}' makes a driver draw {least_va(job.rules.grown):.1f} VA of the "
        f"mains where supply point {best} gives {most_va:.1f} VA, and no other gives more"
    )
    yield path, found, "write a larger timer or dimmer, or add a supply point without one"


def _supplies(job: Job, supplies: Sequence[str]) -> Iterator[Found]:
    """Inrush of any one driver beyond what every supply point switches on."""
    least_a = min(driver.inrush_a or 0.0 for driver in job.drivers.values())
    limits = {supply: job.supply(supply).inrush_a or math.inf for supply in supplies}
    if limits and max(limits.values()) < least_a * (1 - _CLOSE):
        best = max(limits, key=lambda supply: limits[supply])
        found = f"found {limits[best]:g} A, and every driver draws {least_a:g} A or more when switched on"
        mend = "write a timer, relay or dimmer that switches more, or add a driver that draws less (inrush_a)"
        yield ("supplies", best, "inrush_a"), found, mend
