"""The mains side, and what a year's use costs. In: Job, drivers wired up. Out: MainsSide, Running, as printed."""

from __future__ import annotations

import calendar
import math
from collections.abc import Sequence

from ..job import Driver, Job
from ..running import Watts, count_nights, output_watts
from . import model as m
from .starting import mains_inrush_a
from .wiring import WiredDriver

ELECTRICIAN = (
    "The mains side is a licensed electrician's: circuit, protective devices, timer and dimmer are theirs to choose."
)


def hours_of(year: int) -> int:
    return 24 * (366 if calendar.isleap(year) else 365)


def mains_side(
    job: Job, supplies: Sequence[str], plans: Sequence[m.DriverPlan], wired: Sequence[WiredDriver]
) -> m.MainsSide:
    """
    What each supply point that is used draws, all lamps fully on, drivers at their stated volts, copper hot.

    Parameters
    ----------
    supplies
        Names in the order of the survey.
    plans, wired
        The drivers, as printed and as solved, in one order.
    """
    points = []
    for name in supplies:
        here = [i for i, plan in enumerate(plans) if plan.supply == name]
        if not here:
            continue
        models = [job.drivers[plans[i].model] for i in here]
        watts = math.fsum(
            _output(job, model, wired[i], 100.0).output_w / model.efficiency
            for i, model in zip(here, models, strict=True)
        )
        va = math.fsum(wired[i].load_va * model.mains_va_per_va for i, model in zip(here, models, strict=True))
        setting = job.supply(name)
        points.append(
            m.MainsPoint(
                supply=name,
                watts=round(watts, 2),
                va=round(va, 2),
                amps=round(va / job.mains.volts, 3),
                timer_a=setting.timer_a,
                dimmer_va=setting.dimmer_va,
                inrush_a=mains_inrush_a(models),
                inrush_limit_a=setting.inrush_a,
            )
        )
    return m.MainsSide(volts=job.mains.volts, supplies=points, says=ELECTRICIAN)


def running(job: Job, plans: Sequence[m.DriverPlan], wired: Sequence[WiredDriver]) -> m.Running | None:
    """Energy and cost of the schedule's year; None where the job has no schedule."""
    schedule = job.schedule
    if schedule is None:
        return None
    nights = count_nights(schedule, job.place)
    hours = round(nights.hours, 2)
    off_hours = hours_of(schedule.year) - hours if schedule.standby else 0.0
    drivers: list[m.DriverRunning] = []
    kwh: list[tuple[float, float, float, float]] = []
    for plan, driver in zip(plans, wired, strict=True):
        model = job.drivers[plan.model]
        watts = _output(job, model, driver, schedule.dim_pct)
        idle_w = model.idle_w if schedule.standby else 0.0
        drivers.append(
            m.DriverRunning(
                id=plan.id,
                lamps_w=round(watts.lamps_w, 2),
                cable_w=round(watts.cable_w, 2),
                loss_w=round(watts.loss_w(model), 2),
                standby_w=round(idle_w, 2),
            )
        )
        on = (watts.lamps_w, watts.cable_w, watts.loss_w(model))
        kwh.append((on[0] * hours / 1000, on[1] * hours / 1000, on[2] * hours / 1000, idle_w * off_hours / 1000))
    lamps, cable, loss, standby = (round(math.fsum(part), 2) for part in zip(*kwh, strict=True))
    total = round(lamps + cable + loss + standby, 2)
    price = schedule.price_per_kwh
    return m.Running(
        year=schedule.year,
        nights=nights.count,
        hours=hours,
        on=schedule.on,
        off=schedule.off,
        dim_pct=schedule.dim_pct,
        lamps_kwh=lamps,
        cable_kwh=cable,
        drivers_kwh=loss,
        standby_kwh=standby,
        total_kwh=total,
        price_per_kwh=price,
        cost=None if price is None else round(total * price, 2),
        drivers=drivers,
        assumed=sorted({plan.model for plan in plans if job.drivers[plan.model].assumes_input}),
    )


def schedule_rules(job: Job) -> list[m.Rule]:
    """What decided the year's use, in words."""
    schedule = job.schedule
    if schedule is None:
        return []
    sun = f", dusk and dawn {schedule.dusk_deg:g}° below the horizon" if schedule.uses_sun else ""
    level = "not dimmed" if schedule.dim_pct == 100 else f"dimmed to {schedule.dim_pct:g} %"
    return [m.Rule(name="schedule", value=f"{schedule.on} to {schedule.off}{sun}; {level}; year {schedule.year}")]


def _output(job: Job, model: Driver, driver: WiredDriver, dim_pct: float) -> Watts:
    trees = [one.tree for one in driver.circuits]
    return output_watts(model, trees, driver.taps, job.voltage, dim_pct)
