"""The lists agree with the plan: everything once, sums right, what is not known left empty."""

from __future__ import annotations

import csv
import io
import math
from typing import Any

import pytest

from optimiser.documents.lists import (
    LISTS,
    all_tables,
    before_table,
    crossing_table,
    cut_table,
    joint_table,
    joint_volts_table,
    purchase_table,
    terminals_table,
    trench_table,
)
from optimiser.documents.tables import Column, Part, Table, csv_of
from optimiser.plan.model import Plan
from tests.documents.sample import courtyard, many_circuits, on_a_slope, one_lamp, park

PLANS = [courtyard(), park(), many_circuits(12), one_lamp()]
every_plan = pytest.mark.parametrize("plan", PLANS, ids=lambda plan: plan.job.title[:9])


def column(table: Table, key: str) -> list[Any]:
    index = next(i for i, one in enumerate(table.columns) if one.key == key)
    return [row[index] for row in table.rows]


def changed(plan: Plan, change: dict[str, Any]) -> Plan:
    return Plan.model_validate({**plan.model_dump(by_alias=True), **change})


@every_plan
def test_lists_have_names_of_their_own_and_survive_every_plan(plan: Plan) -> None:
    tables = all_tables(plan)
    assert len({table.name for table in tables}) == len(LISTS)
    assert all(len(table.name) <= 31 for table in tables)  # names of sheets in XLSX


@every_plan
def test_csv_reads_back_as_the_table(plan: Plan) -> None:
    for table in all_tables(plan):
        rows = list(csv.reader(io.StringIO(csv_of(table).removeprefix("\ufeff"), newline="")))
        assert len(rows) == 1 + len(table.rows)
        kept = [i for i, one in enumerate(table.columns) if not one.to_fill]
        assert rows[0] == [table.columns[i].key for i in kept]
        assert len(set(rows[0])) == len(rows[0])
        for read, row in zip(rows[1:], table.rows, strict=True):
            for text, i in zip(read, kept, strict=True):
                cell = row[i]
                if isinstance(cell, int | float):
                    assert float(text) == pytest.approx(cell, abs=0.5 * 10 ** -table.columns[i].digits + 1e-9)


@every_plan
def test_pieces_come_off_their_reels_in_order(plan: Plan) -> None:
    table = cut_table(plan)
    assert sorted(column(table, "piece")) == sorted(cable.id for cable in plan.cables)
    for part, cut in zip(table.parts, plan.cuts, strict=True):
        assert [row[5] for row in part.rows] == cut.pieces
        assert part.rows[-1][10] == pytest.approx(cut.left_m)
        assert part.rows[0][10] == pytest.approx(cut.reel_m - part.rows[0][9])  # type: ignore[operator]


def test_pieces_of_one_run_name_each_other() -> None:
    data = courtyard().model_dump(by_alias=True)
    data["cables"][1]["run"] = data["cables"][2]["run"] = "R1"
    table = cut_table(Plan.model_validate(data))
    with_ = dict(zip(column(table, "piece"), column(table, "uncut_with"), strict=True))
    assert (with_["K02"], with_["K03"], with_["K04"]) == ("K03", "K02", "")


def test_the_lists_tell_where_a_run_is_not_to_be_cut() -> None:
    """A piece of a run holds no slack where the run goes on: cut off there, it would be too short."""
    data = courtyard().model_dump(by_alias=True)
    meet = next(
        (a["id"], b["id"], a["to"], a["cut_m"] + b["cut_m"])
        for a in data["cables"]
        for b in data["cables"]
        if a["to"] == b["from"]
    )
    for cable in data["cables"]:
        if cable["id"] in meet[:2]:
            cable["run"] = "R1"
    plan = Plan.model_validate(data)
    assert f"R1 of {meet[3]:.1f} m ({meet[0]}, {meet[1]})" in cut_table(plan).before[1]
    table = joint_table(plan)
    out = dict(zip(column(table, "joint"), column(table, "cables_out"), strict=True))
    assert [name for name, cell in out.items() if "uncut" in cell] == [meet[2]]
    assert any(f"{cell}".startswith(meet[1]) and cell.endswith("uncut") for cell in out[meet[2]].split(", "))
    assert table.after[0].startswith("Uncut:")
    assert len(cut_table(courtyard()).before) == 1
    assert not any("ncut" in text for text in joint_table(courtyard()).after)


@every_plan
def test_every_joint_says_what_meets_there(plan: Plan) -> None:
    table = joint_table(plan)
    assert sorted(column(table, "joint")) == sorted(joint.id for joint in plan.joints)
    ways = {joint.id: joint.ways for joint in plan.joints}
    for row in table.rows:
        ends = sum(len([name for name in str(row[i]).split(", ") if name]) for i in (4, 5, 6))
        assert ends == ways[str(row[1])]


@every_plan
def test_trench_metres_add_up_by_ground(plan: Plan) -> None:
    table = trench_table(plan)
    assert sorted(column(table, "trench")) == sorted(trench.id for trench in plan.trenches)
    assert sum(column(table, "length_m")) == pytest.approx(sum(trench.length_m for trench in plan.trenches))
    for part in table.parts:
        assert f"{math.fsum(row[4] for row in part.rows):,.1f} m" in part.title  # type: ignore[misc]
    dug = sum(trench.length_m for trench in plan.trenches if trench.sleeve is None)
    assert f"To dig: {dug:,.1f} m" in table.after[0]


def test_trenches_of_a_few_millimetres_are_said_to_be_dug_with_their_neighbours() -> None:
    plan = courtyard()
    short = next(trench for trench in plan.trenches if trench.sleeve is None and not trench.stub)
    others = [trench for trench in plan.trenches if trench is not short]
    (x, y), z = short.route[0][:2], short.route[0][2:]
    tiny = short.model_copy(update={"route": [[x, y, *z], [x, y + 0.002, *z]], "length_m": 0.002})
    table = trench_table(plan.model_copy(update={"trenches": [*others, tiny]}))
    noted = [row[1] for part in table.parts for row in part.rows if "under 1 cm" in str(row[7])]
    assert noted == [short.id]
    assert not any("under 1 cm" in str(row[7]) for part in trench_table(plan).parts for row in part.rows)


def test_a_trench_list_on_a_slope_says_along_what_it_measures() -> None:
    says = "Lengths are along the ground, up and down; the tapes of the set-out are level."
    assert says in trench_table(on_a_slope(courtyard())).after
    assert says not in trench_table(courtyard()).after


def test_crossings_of_the_courtyard() -> None:
    """Worked out by hand from the sample's places: the sleeve's two ends; the mains line is crossed nowhere."""
    table = crossing_table(courtyard())
    assert [row[2] for row in table.rows if row[0] == "sleeve"] == ["into sleeve under terrace"] * 2
    assert {(row[4], row[5]) for row in table.rows if row[0] == "sleeve"} == {(17.2, 1.6), (4.8, 1.6)}
    assert not [row for row in table.rows if row[0] == "mains"]


def test_a_mains_line_across_a_trench_is_listed_where_it_is() -> None:
    """The trench runs from (2.6, 3) to (2.6, 6); a line along y = 4 meets it at (2.6, 4)."""
    data = courtyard().model_dump(by_alias=True)
    data["site"]["mains"] = [{"name": "pump", "route": [(0.0, 4.0), (5.0, 4.0)]}]
    rows = [row for row in crossing_table(Plan.model_validate(data)).rows if row[0] == "mains"]
    assert [(row[4], row[5]) for row in rows][:1] == [(2.6, 4.0)]
    assert "pump" in str(rows[0][2])


@every_plan
def test_what_is_bought_covers_what_is_used(plan: Plan) -> None:
    table = purchase_table(plan)
    reels = [row for row in table.rows if row[0] == "Cable"]
    assert sum(row[5] for row in reels) == len(plan.cuts)  # type: ignore[misc]
    assert sum(row[2] for row in reels) == pytest.approx(sum(cable.cut_m for cable in plan.cables))  # type: ignore[misc]
    assert sum(row[5] for row in table.rows if row[0] == "Drivers") == len(plan.drivers)  # type: ignore[misc]
    assert sum(row[5] for row in table.rows if row[0] == "Lamps") == len(plan.lamps)  # type: ignore[misc]
    fuses = [circuit for circuit in plan.circuits if circuit.fuse_a is not None]
    assert sum(row[5] for row in table.rows if row[0] == "Fuses") == len(fuses)  # type: ignore[misc]


def test_packs_are_rounded_up_and_sums_are_of_what_is_bought() -> None:
    """12 joints in packs of 5 at 2.50 a kit: 3 packs of 12.50. Reels and drivers as the plan says; 89.00 a driver."""
    kits = {"three ways": {"max_ways": 3, "price": 2.5, "labour": 4.0, "pack": 5}}
    plan = changed(courtyard(), {"kits_used": kits})
    assert len(plan.joints) == 12
    table = purchase_table(plan)
    kit = next(row for row in table.rows if row[0] == "Joints")
    assert kit[1:8] == ("joint kit three ways", 12, "", "pack of 5", 3, 12.5, 37.5)
    total = 37.5 + 2 * 89.0 + 2 * 3.0 + sum(reels.price for reels in plan.reels)
    assert table.after[0].startswith(f"Sum of the prices above: {total:,.2f} EUR.")


def test_prices_that_no_job_states_are_left_empty_and_named() -> None:
    table = purchase_table(courtyard())  # a plan without kits_used: the kits' own price is not known
    assert [row[7] for row in table.rows if row[0] in ("Joints", "Lamps")] == [None, None]
    assert "Without joint kit three ways, lamp spike, 6 W" in table.after[0]


@every_plan
def test_every_joint_and_lamp_has_a_place_on_the_measuring_sheet(plan: Plan) -> None:
    table = joint_volts_table(plan)
    at_driver = {lamp.joint for lamp in plan.lamps} & {driver.id for driver in plan.drivers}
    assert sorted(column(table, "joint")) == sorted([*(joint.id for joint in plan.joints), *at_driver])
    lamps = [name for cell in column(table, "lamps") for name in cell.split(", ") if name]
    assert sorted(lamps) == sorted(lamp.id for lamp in plan.lamps)
    volts = {lamp.id: f"{lamp.volts:.2f}" for lamp in plan.lamps}
    for names, shown in zip(column(table, "lamps"), column(table, "lamp_v"), strict=True):
        assert [volts[name] for name in names.split(", ") if name] == [v for v in shown.split(", ") if v]


def test_the_measuring_sheets_ask_for_what_the_trade_measures() -> None:
    """Common practice, no source: 250 V dc, 0.5 MΩ, all lamps on for 15 minutes, a photograph of each joint."""
    plan = courtyard()
    before, terminals, joints = before_table(plan), terminals_table(plan), joint_volts_table(plan)
    assert "250 V dc, at least 0.5 MΩ" in before.before[0]
    heads = [one.head for one in before.columns if one.to_fill]
    assert {"continuity, both cores", "polarity", "insulation, MΩ"} <= set(heads)
    heads = [one.head for one in terminals.columns if one.to_fill]
    assert heads == ["mains, V", "driver idle, V", "driver loaded, V", "amps by clamp"]
    assert "15 minutes" in terminals.before[0] and "clamp made for dc" in terminals.before[0]
    assert {"driver now, V", "joint now, V", "photo", "built otherwise"} <= {one.head for one in joints.columns}
    assert "Before back-filling" in joints.after[0]


def test_bands_are_printed_no_narrower_than_the_plan_states_them() -> None:
    """
    Hundredths on paper, thousandths in the plan: a sound circuit at the band's very end must not read as outside it.

    Rounded to the nearest, 13.992 V would be 13.99 V, and a joint at 0.554 V of drop a bad one (0.55 V).
    """
    data = courtyard().model_dump(by_alias=True)
    data["joints"][0] |= {"volts": 11.5, "drop_band_v": (0.418, 0.554)}
    data["circuits"][0] |= {"idle_band_v": (11.956, 13.992), "out_band_v": (11.76, 12.24), "amps_band": (2.4, 2.6)}
    data["drivers"][0] |= {"output": "ac"}
    plan = Plan.model_validate(data)
    assert joint_volts_table(plan).rows[0][3:7] == (11.5, joint_volts_table(plan).rows[0][4], 0.41, 0.56)
    assert column(terminals_table(plan), "idle_band") == ["11.95 to 14.00", "", ""]
    assert column(terminals_table(plan), "out_band") == ["11.76 to 12.24", "", ""]
    assert "true-r.m.s." in terminals_table(plan).before[0]


def test_a_table_refuses_rows_of_another_width() -> None:
    with pytest.raises(ValueError, match="2 cells under 1 columns"):
        Table("t", "T", (Column("a", "a", 1),), (Part("", (("x", "y"),)),))
