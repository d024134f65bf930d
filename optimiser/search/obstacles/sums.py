"""What all lamps together ask for: watts, drivers, mains. In: Facts, Loads. Out: obstacles, with mends counted anew."""

from __future__ import annotations

import math

import numpy as np

from ...job import Job
from ...problems import Obstacle
from ...survey.model import Survey
from ..bound import Cluster, Loads, driver_clusters, driver_w, feed_watts
from ..facts import Facts
from .alone import spare_words


def too_much(job: Job, survey: Survey, facts: Facts, loads: Loads, num_drivers: int | None) -> list[Obstacle]:
    """More power than all drivers together may give, or a number of drivers that cannot be."""
    need = float(loads.watts[np.isfinite(loads.watts)].sum())
    best = max((model.max_w for model in loads.models.values()), default=0.0)
    places = [
        best * facts.supply_loading[s] for s in range(len(survey.supplies)) for _ in range(_most_drivers(facts, s))
    ]
    places.sort(reverse=True)
    give = sum(places if num_drivers is None else places[:num_drivers])
    obstacles = []
    if num_drivers is not None and num_drivers > len(places):
        obstacles.append(
            Obstacle(
                f"{num_drivers} drivers were asked for and the supply points take {len(places)}",
                "",
                ["fewer drivers", "more drivers at a supply point (supplies.NAME.max_drivers)"],
            )
        )
    if num_drivers is not None and num_drivers > facts.num_lamps:
        obstacles.append(
            Obstacle(
                f"{num_drivers} drivers were asked for and there are {facts.num_lamps} lamps", "", ["fewer drivers"]
            )
        )
    obstacles += _too_few_drivers(job, survey, facts, loads, len(places), num_drivers)
    if need > give and not obstacles:
        how_many = (
            f"{num_drivers} drivers" if num_drivers is not None else f"{len(places)} drivers the supply points take"
        )
        how_many = "one driver" if num_drivers == 1 else how_many
        spare = f" with {job.rules.growth:g} % spare load" if job.rules.growth else ""
        obstacles.append(
            Obstacle(
                f"the lamps need {need:.0f} W{spare} and {how_many} may be loaded with {give:.0f} W at most",
                f"The largest fitting driver may carry {best:.0f} W.",
                [
                    "more drivers"
                    if num_drivers is not None
                    else "more drivers at a supply point (supplies.NAME.max_drivers)",
                    "a larger driver in the job's list",
                    "another supply point",
                ],
            )
        )
    return obstacles + _too_much_mains(facts)


def _too_few_drivers(
    job: Job, survey: Survey, facts: Facts, loads: Loads, places: int, num_drivers: int | None
) -> list[Obstacle]:
    """More drivers needed than asked for, or than the supply points take: which lamps want them, and why."""
    clusters = driver_clusters(facts, loads)
    fewest = sum(cluster.fewest(facts, loads) for cluster in clusters)
    allowed = places if num_drivers is None else min(num_drivers, places)
    if fewest <= allowed:
        return []
    if num_drivers is not None and fewest > num_drivers:
        asked = f"{num_drivers} driver{'s were' if num_drivers > 1 else ' was'} asked for"
        room = "" if fewest <= places else ", and room for them (supplies.NAME.max_drivers, or another supply point)"
        mends = [f"at least {fewest} drivers{room}"]
    else:
        asked = f"the supply points take {places}"
        mends = [*_mends_places(survey, facts), "another supply point"]
    mends += _mends_clusters(job, facts, loads, clusters, allowed)
    return [
        Obstacle(
            f"the lamps need at least {fewest} drivers and {asked}",
            _why_so_many(job, survey, facts, loads, clusters),
            mends,
        )
    ]


def _mends_places(survey: Survey, facts: Facts) -> list[str]:
    """What lets a supply point take more drivers: whichever limit binds there."""
    by_inrush = [_most_drivers(facts, s) < facts.supply_max_drivers[s] for s in range(len(survey.supplies))]
    mends = [] if all(by_inrush) else ["more drivers at a supply point (supplies.NAME.max_drivers)"]
    if any(by_inrush):
        mends.append("a timer, relay or dimmer that switches a greater inrush (supplies.NAME.inrush_a)")
    return mends


def _why_so_many(job: Job, survey: Survey, facts: Facts, loads: Loads, clusters: list[Cluster]) -> str:
    """Dim groups, volts or load: sentences about whichever makes the drivers more than one."""
    groups = _groups(clusters)
    kinds = _kinds(job, facts, loads)
    mixed = [cluster for cluster in clusters if len(cluster.groups) > 1]
    says = []
    if len(groups) > 1 and not mixed:
        says.append(
            f"No driver of the job serves several of the dim groups at once (independent_outlets), so each of "
            f"{_listed([_group(group) for group in groups])} wants a driver of its own"
        )
        all_lamps = Cluster(tuple(part for cluster in clusters for part in cluster.parts))
        says += [
            f"The {list(job.drivers)[model]} would, but is not for {_lamps(survey, all_lamps.not_fed_by(model))}"
            for model in all_lamps.mixing(loads)
        ]
    says += [
        _who_mixes(job, survey, facts, loads, cluster)
        for cluster in mixed
        if cluster.fewest(facts, loads) > cluster.by_load(facts, loads)
    ]
    if len(kinds) > 1:
        says.append(f"Lamps on {_listed(kinds)} share no driver")
    heavy = [cluster for cluster in clusters if cluster.by_load(facts, loads) > 1]
    says += [
        f"{_who(job, survey, cluster, clusters)} load drivers with {_watts(cluster.watts)} at least{spare_words(job)}, "
        f"and none that fits may be loaded with more than {_watts(cluster.most_w(facts, loads))}: "
        f"{cluster.by_load(facts, loads)} drivers"
        for cluster in heavy
    ]
    if not heavy and not mixed and len(kinds) == 1:
        total_w, most_w = sum(c.watts for c in clusters), max(c.most_w(facts, loads) for c in clusters)
        if total_w <= most_w:
            says.append(
                f"The load is not the reason: all lamps together need {_watts(total_w)}, and one driver may be loaded "
                f"with {_watts(most_w)}"
            )
    return ". ".join(says) + "."


def _who_mixes(job: Job, survey: Survey, facts: Facts, loads: Loads, cluster: Cluster) -> str:
    """Which drivers serve several dim groups at once, what keeps them from serving all, and how many that takes."""
    limits = []
    for model in cluster.mixing(loads):
        outlets = loads.models[model].outlets
        facts_of_it = [
            f"{_watts(driver_w(facts, loads, model))} at most",
            f"{outlets} {'outlet' if outlets == 1 else 'outlets'}",
        ]
        if unfed := cluster.not_fed_by(model):
            facts_of_it.append(f"not for {_lamps(survey, unfed)}")
        limits.append(f"the {list(job.drivers)[model]} ({', '.join(facts_of_it)})")
    groups = [_group(group) for group in cluster.groups]
    one = len(limits) == 1
    return (
        f"Of the drivers that fit, only {_listed(limits)} {'serves' if one else 'serve'} several dim groups at once "
        f"(independent_outlets). {_listed(groups)[0].upper()}{_listed(groups)[1:]} together load drivers with "
        f"{_watts(cluster.watts)} at least{spare_words(job)}, and no outlet serves two of them: "
        f"{cluster.fewest(facts, loads)} drivers"
    )


def _mends_clusters(job: Job, facts: Facts, loads: Loads, clusters: list[Cluster], allowed: int) -> list[str]:
    """Changes of groups, drivers and lamps after which so many drivers could do, each counted anew."""
    groups = _groups(clusters)
    merged = driver_clusters(facts, loads, mixed=True)
    fewer = f"one dim group instead of {len(groups)}" if allowed == 1 else "fewer dim groups"
    mixing = "a driver whose outlets are independent (drivers.NAME.independent_outlets), with one for each dim group"
    mends = []
    heavy = [cluster for cluster in clusters if cluster.fewest(facts, loads) > 1]
    some_mix = any(len(cluster.groups) > 1 for cluster in heavy)
    if len(groups) > 1 and sum(cluster.fewest(facts, loads) for cluster in merged) <= allowed:
        mends += [fewer] if some_mix else [fewer, mixing]
    larger_w = _larger_driver_w(facts, loads, clusters, allowed)
    if larger_w is not None:
        kinds_of = sorted({_kind(job, cluster, clusters) for cluster in heavy})
        each = "" if len(kinds_of) == 1 else f" each on {_listed(kinds_of)}"
        larger = f"{mixing}{each}," if some_mix else f"a larger driver{each}: one"
        mends.append(f"{larger} that may be loaded with {_watts(larger_w)} or more (rated_w, loading_pct)")
    if not mends and len(groups) > 1:
        larger_w = _larger_driver_w(facts, loads, merged, allowed)
        if larger_w is not None:
            mends.append(
                f"{fewer}, or independent outlets, and with them a driver that may be loaded with {_watts(larger_w)} "
                "or more"
            )
    if len(_kinds(job, facts, loads)) > 1 and len(groups) <= allowed < len(clusters):
        mends.append("lamps of one voltage, all dc or all ac, and a driver that carries them")
    return mends


def _larger_driver_w(facts: Facts, loads: Loads, clusters: list[Cluster], allowed: int) -> float | None:
    """The least that the job's largest driver must be good for, that so many do; None where none is large enough."""
    for least_w in sorted({c.watts / n for c in clusters for n in range(1, c.fewest(facts, loads) + 1)}):
        up_w = math.ceil(least_w * 10) / 10
        if sum(cluster.fewest(facts, loads, up_w) for cluster in clusters) <= allowed:
            return up_w
    return None


def _kinds(job: Job, facts: Facts, loads: Loads) -> list[str]:
    """Kinds of lamps that share no driver, whatever their dim groups."""
    clusters = driver_clusters(facts, loads, mixed=True)
    return list(dict.fromkeys(_kind(job, cluster, clusters) for cluster in clusters))


def _kind(job: Job, cluster: Cluster, clusters: list[Cluster]) -> str:
    """Volts and current of a cluster's drivers, or their names where another's lamps have the same."""

    def volts(one: Cluster) -> str:
        drivers = [list(job.drivers.values())[model] for model in sorted(one.models)]
        return " and ".join(dict.fromkeys(f"{d.nominal_v:g} V {'ac' if d.ac else 'dc'}" for d in drivers))

    said = volts(cluster)
    if any(volts(other) == said and other.models != cluster.models for other in clusters):
        return "driver " + " or ".join(list(job.drivers)[model] for model in sorted(cluster.models))
    return said


def _who(job: Job, survey: Survey, cluster: Cluster, clusters: list[Cluster]) -> str:
    """The lamps of one cluster, as far as need be to tell them from others'."""
    if len(clusters) == 1:
        return "The lamps"
    apart = [_listed([_group(group) for group in cluster.groups])] if len(_groups(clusters)) > 1 else []
    if len({_kind(job, c, clusters) for c in clusters}) > 1:
        apart.append(_kind(job, cluster, clusters))
    return f"Lamps {_lamps(survey, cluster.lamps)} ({', '.join(apart)})"


def _lamps(survey: Survey, lamps: list[int]) -> str:
    names = ", ".join(survey.lamps[lamp].name for lamp in lamps[:8])
    return names + (f" and {len(lamps) - 8} more" if len(lamps) > 8 else "")


def _groups(clusters: list[Cluster]) -> list[str]:
    return sorted({group for cluster in clusters for group in cluster.groups})


def _group(name: str) -> str:
    return f"'{name}'" if name else "the lamps without a group"


def _listed(words: list[str]) -> str:
    return " and ".join([", ".join(words[:-1]), words[-1]]) if len(words) > 1 else words[0]


def _watts(watts: float) -> str:
    return f"{round(watts, 1):g} W"


def _most_drivers(facts: Facts, supply: int) -> int:
    """Drivers that a supply point takes, and that its timer, relay or dimmer switches on at once."""
    least_a = min(facts.model_inrush_a.values(), default=0.0)
    most = facts.supply_max_drivers[supply]
    if least_a > 0 and facts.supply_inrush_a[supply] < math.inf:
        most = min(most, math.floor(facts.supply_inrush_a[supply] / least_a + 1e-9))
    return most


def _too_much_mains(facts: Facts) -> list[Obstacle]:
    """More apparent power than the timers and dimmers of all supply points take."""
    need_va = sum(
        min(feed_watts(facts, lamp, f) * facts.feed_mains[f] for f in facts.lamp_feeds[lamp])
        for lamp in range(facts.num_lamps)
        if facts.lamp_feeds[lamp]
    )
    give_va = sum(facts.supply_mains_va)
    if need_va <= give_va:
        return []
    return [
        Obstacle(
            f"the lamps need {need_va:.0f} VA of the mains and the timers and dimmers of all supply points take "
            f"{give_va:.0f} VA",
            "Efficiency and power factor of the drivers' inputs are counted.",
            [
                "a larger timer or dimmer (supplies.NAME.timer_a, supplies.NAME.dimmer_va)",
                "drivers with a better efficiency_pct or input_power_factor",
                "another supply point",
            ],
        )
    ]
