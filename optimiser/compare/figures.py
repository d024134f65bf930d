"""The figures of one plan. In: Plan, its job. Out: Figures, a column of the table."""

from __future__ import annotations

import math
from collections import defaultdict

from ..job import Job
from ..plan.model import Plan
from .model import DriverLine, Figures


def figures_of(plan: Plan, job: Job) -> Figures:
    """Everything is taken from the plan; the job tells lamps' nominal volts and what drivers may still take."""
    cable_m: dict[str, float] = defaultdict(float)
    for cable in plan.cables:
        cable_m[cable.cable] += cable.cut_m
    volts: dict[float, list[float]] = defaultdict(list)
    for lamp in plan.lamps:
        volts[job.lamps[lamp.type].volts].append(lamp.volts)
    every = [lamp.volts for lamp in plan.lamps]
    spare_w = sum(
        job.drivers[driver.model].max_load_w * job.supply(driver.supply).loading_pct / 100 - driver.load_w
        for driver in plan.drivers
    )
    run = plan.running
    return Figures(
        cost=plan.cost,
        outcome=plan.outcome,
        drivers=[
            DriverLine(
                id=driver.id,
                supply=driver.supply,
                model=driver.model,
                tap_v=driver.tap_v,
                load_w=driver.load_w,
                load_pct=driver.load_pct,
            )
            for driver in plan.drivers
        ],
        num_circuits=len(plan.circuits),
        trench_m=round(sum(trench.length_m for trench in plan.trenches if trench.sleeve is None), 3),
        cable_m={name: round(cable_m[name], 1) for name in job.cables if name in cable_m},
        lowest_v=min(every),
        highest_v=max(every),
        least_v=min(lamp.low_v for lamp in plan.lamps),
        most_v=max(lamp.high_v for lamp in plan.lamps),
        spread_v=round(max(max(these) - min(these) for these in volts.values()), 3),
        largest_drop_pct=max(lamp.drop_pct for lamp in plan.lamps),
        num_joints=sum(joint.kit is not None for joint in plan.joints),
        spare_w=round(math.fsum([spare_w]), 1),
        bound=plan.bound,
        gap=plan.gap,
        energy_kwh=run.total_kwh if run else None,
        loss_kwh=round(run.cable_kwh + run.drivers_kwh + run.standby_kwh, 2) if run else None,
        energy_cost=run.cost if run else None,
    )
