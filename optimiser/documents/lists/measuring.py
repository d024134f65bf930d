"""What is measured, and what it must show: before lamps are joined, at the terminals, at each joint. In: Plan.

Sealed lamps have no terminals, so volts are read at the joint. The plan holds for each joint the least and the most
drop from the driver's terminals that a sound circuit shows, source and copper anywhere within the job's limits; the
joint must then read what the driver reads at that moment less a drop within that band, whatever the mains does.
"""

from __future__ import annotations

from dataclasses import replace

from ...plan.model import Band, CircuitPlan, LampPlan, Plan
from ..summary import protection
from ..tables import Cell, Column, Part, Table
from ..words import isolated, number, outwards

BEFORE = (
    Column("circuit", "circuit", 0.8),
    Column("driver", "driver", 0.8),
    Column("outlet", "outlet", 0.7),
    Column("pieces", "pieces", 2.8),
    Column("", "continuity, both cores", 1.2, to_fill=True),
    Column("", "polarity", 1, to_fill=True),
    Column("", "insulation, MΩ", 1.1, to_fill=True),
    Column("", "by, date", 1.2, to_fill=True),
)
TERMINALS = (
    Column("circuit", "circuit", 0.8),
    Column("driver", "driver", 0.8),
    Column("outlet", "outlet", 0.7),
    Column("dim_group", "dim group", 0),
    Column("protection", "protection", 2.2),
    Column("idle_low_v", "idle, V", 0, 2),
    Column("idle_high_v", "", 0, 2),
    Column("idle_band", "idle, V", 1.25),
    Column("", "mains, V", 0.85, to_fill=True),
    Column("", "driver idle, V", 0.85, to_fill=True),
    Column("out_v", "loaded, V", 0, 2),
    Column("out_low_v", "", 0, 2),
    Column("out_high_v", "", 0, 2),
    Column("out_band", "loaded, V", 1.25),
    Column("", "driver loaded, V", 0.85, to_fill=True),
    Column("amps", "amps", 0, 2),
    Column("amps_low", "", 0, 2),
    Column("amps_high", "", 0, 2),
    Column("amps_band", "amps", 1.25),
    Column("", "amps by clamp", 0.85, to_fill=True),
)
JOINT_VOLTS = (
    Column("circuit", "circuit", 0),
    Column("joint", "joint", 0.8),
    Column("lamps", "lamps", 1.6),
    Column("joint_v", "joint, V", 0.75, 2),
    Column("lamp_v", "lamp, V", 1.25),
    Column("least_drop_v", "least drop, V", 0.75, 2),
    Column("most_drop_v", "most drop, V", 0.75, 2),
    Column("", "driver now, V", 0.85, to_fill=True),
    Column("", "joint now, V", 0.85, to_fill=True),
    Column("", "driver − joint, V", 0.85, to_fill=True),
    Column("", "in band", 0.55, to_fill=True),
    Column("", "photo", 0.55, to_fill=True),
    Column("", "built otherwise", 1.5, to_fill=True),
)


def before_table(plan: Plan) -> Table:
    """Tests of the cables alone, one row for each circuit."""
    rows = tuple(
        (circuit.id, circuit.driver, circuit.outlet,
         ", ".join(cable.id for cable in plan.cables if cable.circuit == circuit.id), None, None, None, None)
        for circuit in plan.circuits
    )  # fmt: skip
    before = (
        "With no lamp and no driver joined to the cables: continuity of both cores to every end; polarity at every "
        "end; insulation between the cores, and from the cores to earth, with 250 V dc, at least 0.5 MΩ. Never with "
        "lamps or drivers joined: the test voltage destroys them.",
    )
    return Table("tests_before", "Tests before lamps are joined", BEFORE, (Part("", rows),), before, wide=True,
                 follows=True)  # fmt: skip


def terminals_table(plan: Plan) -> Table:
    """What each outlet's terminals may show, idle and loaded, with boxes for what they do."""
    rows = tuple(
        (circuit.id, circuit.driver, circuit.outlet, isolated(circuit.dim_group or ""), protection(circuit),
         *_ends(circuit.idle_band_v), _band(circuit.idle_band_v), None, None, circuit.out_v,
         *_ends(circuit.out_band_v), _band(circuit.out_band_v), None, circuit.amps,
         *_ends(circuit.amps_band), _band(circuit.amps_band), None)
        for circuit in plan.circuits
    )  # fmt: skip
    columns: tuple[Column, ...] = TERMINALS
    if any(circuit.dim_group for circuit in plan.circuits):
        columns = tuple(replace(one, share=1.2) if one.key == "dim_group" else one for one in TERMINALS)
    outputs = {driver.output for driver in plan.drivers}
    meter = []
    if "ac" in outputs:
        meter.append("on ac a true-r.m.s. meter")
    if "dc" in outputs or None in outputs:
        meter.append("on dc a clamp made for dc")
    before = (
        "All lamps on for 15 minutes before anything is read. Use " + " and ".join(meter) + ". Bands hold from the "
        "lowest to the highest source and from the coldest to the hottest copper that the job names; add your meter's "
        "own error.",
    )
    return Table("terminals", "Measuring sheet: at the drivers", columns, (Part("", rows),), before, wide=True,
                 follows=True)  # fmt: skip


def joint_volts_table(plan: Plan) -> Table:
    """Volts predicted at every joint and its lamps, and the drop from the driver that a sound circuit shows there."""
    hung: dict[str, list[LampPlan]] = {}
    for lamp in plan.lamps:
        hung.setdefault(lamp.joint, []).append(lamp)
    parts = []
    for circuit in plan.circuits:
        rows: list[tuple[Cell, ...]] = []
        at_driver = [lamp for lamp in hung.get(circuit.driver, ()) if lamp.id in circuit.lamps]
        if at_driver:
            rows.append(_joint_row(circuit, circuit.driver, at_driver, circuit.out_v, (0.0, 0.0)))
        for joint in plan.joints:
            if joint.circuit == circuit.id:
                lamps = hung.get(joint.id, [])
                volts = joint.volts if joint.volts is not None else lamps[0].joint_v if lamps else None
                rows.append(_joint_row(circuit, joint.id, lamps, volts, joint.drop_band_v))
        title = f"Circuit {circuit.id}, driver {circuit.driver}: {number(circuit.out_v, 2)} V at its terminals, all on"
        parts.append(Part(title, tuple(rows)))
    before = (
        "Read the driver's terminals and the joint at the same time, all lamps on for 15 minutes. The joint must read "
        "what the driver reads at that moment less a drop between the least and the most. More drop than the most: a "
        "bad joint, a longer or thinner cable. Less than the least: a lamp that is off, or another circuit.",
        "Joint and lamp volts are predicted for the driver at its stated volts and hot copper. Sealed lamps have no "
        "terminals: theirs, at the lamp's end of its lead, cannot be read on site.",
    )
    after = (
        "Before back-filling: measure every joint, photograph it with its number, and write down what was built "
        "otherwise.",
    )
    return Table("joint_volts", "Measuring sheet: at the joints", JOINT_VOLTS, tuple(parts), before, after, wide=True,
                 follows=True)  # fmt: skip


def _joint_row(
    circuit: CircuitPlan, joint: str, lamps: list[LampPlan], volts: float | None, band: Band | None
) -> tuple[Cell, ...]:
    return (circuit.id, joint, ", ".join(isolated(lamp.id) for lamp in lamps), volts,
            ", ".join(number(lamp.volts, 2) for lamp in lamps), *_ends(band), None, None, None, None, None,
            None)  # fmt: skip


def _ends(band: Band | None) -> tuple[float | None, float | None]:
    return (None, None) if band is None else outwards(band)


def _band(band: Band | None) -> str:
    return "" if band is None else " to ".join(number(end, 2) for end in outwards(band))
