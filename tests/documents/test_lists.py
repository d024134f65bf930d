"""Cut list, summary and cautions: complete, adding up, safe to open, never wider than a terminal."""

from __future__ import annotations

import csv
import io
import re

import pytest

from optimiser.documents.cautions import cautions
from optimiser.documents.cut_list import cut_list_csv, safe
from optimiser.documents.drawing import draw_plan
from optimiser.documents.lists import terminals_table
from optimiser.documents.summary import summary
from optimiser.documents.words import columns_of, drop_of, fitted, listed, money, number, plain
from tests.documents.sample import NASTY, courtyard, many_circuits, one_lamp, park, with_names


def rows_of(text: str) -> list[list[str]]:
    assert text.startswith("\ufeff")
    return list(csv.reader(io.StringIO(text.removeprefix("\ufeff"), newline="")))


@pytest.mark.parametrize("plan", [courtyard(), park()], ids=["courtyard", "park"])
def test_every_piece_is_cut_once_and_reels_add_up(plan) -> None:  # type: ignore[no-untyped-def]
    rows = rows_of(cut_list_csv(plan))
    gap = rows.index([])
    pieces = rows[1:gap]
    assert sorted(row[3] for row in pieces) == sorted(cable.id for cable in plan.cables)
    left: dict[str, float] = {}
    for reel, _, reel_m, _, _, _, cut_m, left_m, _ in pieces:
        left[reel] = round(left.get(reel, float(reel_m)) - float(cut_m), 1)
        assert left[reel] == float(left_m) >= 0
    assert list(left.values()) == pytest.approx([cut.left_m for cut in plan.cuts])
    bought = [row for row in rows[gap + 2 :] if row and row[0] == "buy"]
    assert [int(row[3]) for row in bought] == [reels.count for reels in plan.reels]
    assert sum(int(row[3]) for row in bought) == len(left)


def test_lines_end_as_spreadsheets_expect() -> None:
    text = cut_list_csv(courtyard())
    assert "\n" not in text.replace("\r\n", "")


@pytest.mark.parametrize("nasty", [*NASTY, "=HYPERLINK(1)", "+1", "-1", "@x", "\t=1", '"; DROP'], ids=ascii)
def test_no_cell_is_a_formula(nasty: str) -> None:
    plan = with_names(courtyard(), lambda name: nasty + name)
    for row in rows_of(cut_list_csv(plan)):
        for cell in row:
            assert not re.match(r"\s*[=+@-]", cell), cell
            assert not re.search(r"[\x00-\x1f]", cell)


def test_safe_leaves_ordinary_names_alone() -> None:
    assert [safe(name) for name in ("K05", "2.5 mm²", "=1", "'tis", "")] == ["K05", "2.5 mm²", "'=1", "''tis", ""]


def test_runs_are_named_so_that_nobody_cuts_them() -> None:
    plan = courtyard()
    data = plan.model_dump(by_alias=True)
    data["cables"][1]["run"] = data["cables"][2]["run"] = "R1"
    rows = rows_of(cut_list_csv(type(plan).model_validate(data)))
    assert sorted(row[3] for row in rows if len(row) > 8 and row[8] == "R1") == ["K02", "K03"]


@pytest.mark.parametrize(
    "plan", [courtyard(), park(), many_circuits(), one_lamp()], ids=lambda plan: plan.job.title[:9]
)
def test_summary_fits_a_terminal_and_answers(plan) -> None:  # type: ignore[no-untyped-def]
    text = summary(plan, out="plans/here")
    assert max(columns_of(line) for line in text.splitlines()) <= 80
    for needed in ("Cost", "total", "How sure", "Tightest lamp", "Trench", "Cable", "plans/here", "cut_list.csv"):
        assert needed in text
    worst = min(plan.lamps, key=lambda lamp: lamp.margin_v)
    assert f"{worst.id} gets {worst.volts:.2f} V" in text
    for driver in plan.drivers:
        assert driver.id in text
    assert "prices are invented" in text
    assert text.endswith("\n")
    assert not text.endswith("\n\n")


@pytest.mark.parametrize("nasty", NASTY, ids=ascii)
def test_summary_stays_narrow_whatever_the_names(nasty: str) -> None:
    text = summary(with_names(courtyard(), lambda name: nasty + name), out=None)
    assert max(columns_of(line) for line in text.splitlines()) <= 80
    assert "\x1b" not in text
    assert "\x07" not in text


def test_summary_says_how_sure_it_is() -> None:
    plan = courtyard()
    assert plan.bound is not None
    text = " ".join(summary(plan, out=None).split())
    assert f"At least {plan.bound:,.2f} EUR is needed" in text
    assert "at most 10.0 % could still be saved" in text
    no_bound = plan.model_copy(update={"bound": None, "gap": None})
    assert "not known" in summary(no_bound, out=None)
    stopped = plan.model_copy(update={"outcome": "stopped_by_user"})
    assert "stopped by hand" in summary(stopped, out=None)
    best = plan.model_copy(update={"outcome": "proved_best", "gap": 0.0})
    assert "Proven least cost" in summary(best, out=None)


def test_summary_says_which_bound_is_which() -> None:
    plan = courtyard()
    assert plan.bound is not None
    open_bound = round(0.88 * plan.cost.total, 2)
    both = plan.model_copy(update={"open_bound": open_bound, "open_gap": 0.12})
    text = " ".join(summary(both, out=None).split())
    assert f"At least {plan.bound:,.2f} EUR is needed along the lines that were searched" in text
    assert "at most 10.0 % could still be saved there" in text
    assert f"wherever its trenches run, costs less than {open_bound:,.2f} EUR: at most 12.0 %" in text
    assert "whatever the layout" not in text
    best = both.model_copy(update={"outcome": "proved_best", "bound": plan.cost.total, "gap": 0.0})
    text = " ".join(summary(best, out=None).split())
    assert "Proven least cost of all layouts whose trenches run along the lines" in text
    assert f"costs less than {open_bound:,.2f} EUR" in text
    same = plan.model_copy(update={"open_bound": plan.bound, "open_gap": plan.gap})
    text = " ".join(summary(same, out=None).split())
    assert f"At least {plan.bound:,.2f} EUR is needed, wherever trenches run on this ground (" in text
    assert "at most 10.0 % could still be saved." in text


def test_dim_groups_are_told_wherever_the_drivers_are() -> None:
    """Whoever sets the dimmers must know which driver is which; and why there are so many drivers."""
    data = courtyard().model_dump(by_alias=True)
    for circuit in data["circuits"]:
        circuit["dim_group"] = f"group of {circuit['driver']}"
    plan = type(courtyard()).model_validate(data)
    drivers = [driver.id for driver in plan.drivers]
    groups = [circuit.dim_group for circuit in plan.circuits]
    text, drawn = summary(plan, out=None), draw_plan(plan)
    for driver in drivers:
        assert f"dim group group of {driver}" in text
        assert f"dim group group of {driver}" in drawn
    assert [row[3] for row in terminals_table(plan).rows] == groups
    assert "dim group" in [one.head for one in terminals_table(plan).columns if one.share]
    assert "dim group" not in summary(courtyard(), out=None) + draw_plan(courtyard())
    assert "dim group" not in [one.head for one in terminals_table(courtyard()).columns if one.share]


def test_summary_trench_and_cable_metres_add_up() -> None:
    plan = courtyard()
    text = summary(plan, out=None)
    dug = sum(trench.length_m for trench in plan.trenches if trench.sleeve is None)
    assert f"Trench {dug:.1f} m" in text
    assert f"Cable {sum(cable.cut_m for cable in plan.cables):.1f} m" in text


def test_cautions_say_what_design_and_trade_ask() -> None:
    """Promise 5 and the trade's rules; figures are common practice, no source."""
    said = " ".join(cautions(courtyard())).lower()
    for needed in (
        "licensed electrician", "30 ma", "residual-current", "buried", "local", "selv", "never joined", "never earthed",
        "roots", "heats without opening any fuse", "calculation", "measur", "ip44", "reached", "air",
    ):  # fmt: skip
        assert needed in said
    bare = " ".join(cautions(one_lamp()))
    assert "roots" not in bare
    assert "Mains lines" not in bare


def test_words() -> None:
    assert number(-0.004, 2) == "0.00"
    assert number(-0.006, 2) == "-0.01"
    assert money(1284.1, "EUR") == "1,284.10 EUR"
    assert money(5, "") == "5.00"
    assert plain("a\n b\x07\ud800") == "a b\ufffd\ufffd"
    assert (drop_of(9.44), drop_of(-0.04), drop_of(-7)) == ("drop 9.4 %", "drop 0.0 %", "7.0 % above nominal")
    assert listed(["a", "b", "c"]) == "a, b and c"
    assert listed(["a"]) == "a"
    assert columns_of(fitted("灯" * 20, 9)) == 9
    assert fitted("ab", 4, right=True) == "  ab"
