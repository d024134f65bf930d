"""Layouts offered to one another, so that a report never contradicts itself. In: layouts known. Out: the cheapest.

A search finds what it finds. So a layout found for one job may hold for another as well and be cheaper than what was
found there: that of a tighter limit for a looser one, that of a curve's point for the job as it is. Before anything is
told, each job is offered all that was found for others. What it takes is judged in full by that job's own check.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

from ..ground import Ground, build_ground
from ..job_folder import JobFolder
from ..make_plan import Made, plan_of
from ..problems import BadInput
from ..search.warm import Warm, carry, layout_on, with_places
from .common_ground import surface_of
from .verdict import CENT

PRINTED = 0.01
"""Coarser than the last digit of any volt or per cent in a plan."""


@dataclass(frozen=True, eq=False)
class Known:
    """A layout that holds for a job. ``of_all`` is offered to jobs with other prices too, where it takes longer."""

    folder: JobFolder
    made: Made
    of_all: bool = True

    @property
    def cost(self) -> float:
        return self.made.plan.cost.total

    @cached_property
    def warm(self) -> Warm:
        return carry(self.folder.job, self.folder.survey, self.made.ground.graph, self.made.layout)


class Exchange:
    """Offers layouts to jobs; remembers what is slow to find out."""

    def __init__(self) -> None:
        self._ground_of: list[tuple[object, Ground | None]] = []

    def cheaper(
        self, folder: JobFolder, num_drivers: int | None, cost: float | None, pool: Sequence[Known]
    ) -> Made | None:
        """The cheapest of these layouts that holds for this job and costs less than ``cost`` (None: whatever)."""
        least = math.inf if cost is None else cost
        best: Made | None = None
        surface = surface_of(folder)
        for known in sorted(pool, key=lambda one: one.cost):
            if num_drivers is not None and len(known.made.layout.drivers) != num_drivers:
                continue
            if _breaks(folder, known):
                continue
            same_ground = surface == surface_of(known.folder)
            if same_ground and _same_prices(folder, known):
                if known.cost >= least - CENT:
                    continue
            elif not known.of_all:
                continue
            made = self._offered(folder, num_drivers, known, same_ground=same_ground, surface=surface)
            if made is not None and made.plan.cost.total < least - CENT:
                best, least = made, made.plan.cost.total
        return best

    def _offered(
        self, folder: JobFolder, num_drivers: int | None, known: Known, *, same_ground: bool, surface: object
    ) -> Made | None:
        """The layout as one of this job; None where it does not hold."""
        if not _has_all(folder, known):
            return None
        ground: Ground | None = known.made.ground
        if not same_ground:
            ground = self._ground(folder, surface)
            if ground is None:
                return None
            ground = with_places(ground, [known.warm])
        assert ground is not None
        layout = layout_on(folder.job, folder.survey, ground.graph, known.warm)
        plan = None if layout is None else plan_of(folder, ground, layout, num_drivers)
        return None if layout is None or plan is None else Made(plan, ground, layout)

    def _ground(self, folder: JobFolder, surface: object) -> Ground | None:
        for known, ground in self._ground_of:
            if known == surface:
                return ground
        try:
            made = build_ground(folder.job, folder.survey)
        except BadInput:
            made = None
        self._ground_of.append((surface, made))
        return made


def _has_all(folder: JobFolder, known: Known) -> bool:
    """Whether the job has the names of all that the layout is made of."""
    warm = known.warm
    cables = {cable for circuit in warm.circuits for cable, _ in circuit.pieces}
    supplies = {point.name for point in folder.survey.supplies}
    return all(
        circuit.model in folder.job.drivers and circuit.supply in supplies for circuit in warm.circuits
    ) and cables.issubset(folder.job.cables)


def _breaks(folder: JobFolder, known: Known) -> bool:
    """
    Whether the figures of its own plan show that the layout breaks the drop limit or a window's low end of this job.

    That spares building and checking most of those that do not hold. True only where the figures are this job's too.
    """
    job, own = folder.job, known.folder.job
    plan = known.made.plan
    if job.voltage.model_copy(update={"max_drop": None}) != own.voltage.model_copy(update={"max_drop": None}):
        return False
    for name in {lamp.type for lamp in plan.lamps}:
        one, other = job.lamps.get(name), own.lamps[name]
        if one is None or one.model_copy(update={"window_v": other.window_v}) != other:
            return False
    if any(job.drivers.get(driver.model) != own.drivers[driver.model] for driver in plan.drivers):
        return False
    most = job.voltage.max_drop
    if most is not None and max(lamp.drop_pct for lamp in plan.lamps) > most + 2 * PRINTED:
        return True
    return any(lamp.low_v < job.lamps[lamp.type].window[0] - 2 * PRINTED for lamp in plan.lamps)


def _same_prices(folder: JobFolder, known: Known) -> bool:
    """Whether the layout costs in this job what it costs in its own, the ground apart."""
    job, own, warm = folder.job, known.folder.job, known.warm
    if (job.joints, job.fuses, job.slack) != (own.joints, own.fuses, own.slack) or not _has_all(folder, known):
        return False
    cables = {cable for circuit in warm.circuits for cable, _ in circuit.pieces}
    return (
        all(job.cables[name] == own.cables[name] for name in cables)
        and all(job.drivers[model].price == own.drivers[model].price for _, model, _ in warm.drivers)
        and all(job.supply(name).price == own.supply(name).price for name, _, _ in warm.drivers)
    )
