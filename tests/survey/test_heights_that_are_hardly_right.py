"""Heights that cannot be meant: typos, other units, and walls that only look like them."""

from __future__ import annotations

from pathlib import Path

import pytest
from small_job import HEADER, JOB, survey

from optimiser.survey_papers.look import look_at


def slope(**changed: str) -> str:
    """Lamps on a grid of 3 m, on ground that falls by 1 in 10; ``changed`` heights by name."""
    rows = ["S1,supply,,0,0,,,,"]
    rows += [f"L{i}{k},lamp,spike,{3 * i + 1},{3 * k + 1},,,," for i in range(4) for k in range(4)]
    out = []
    for row in rows:
        cells = row.split(",")
        cells[5] = changed.get(cells[0], f"{-0.1 * float(cells[4]):.2f}")
        out.append(",".join(cells) + "\n")
    return HEADER + "".join(out)


def steep(text: str) -> list[str]:
    return [note for note in survey(text).notes if "height" in note]


def test_a_slope_is_nothing_to_look_at() -> None:
    assert steep(slope()) == []


@pytest.mark.parametrize(
    ("z", "says"),
    [("9.6", "10.00 m above lamp L"), ("99.6", "100.00 m above lamp L"), ("-40", "39.60 m below lamp L")],
)
def test_one_height_far_off_its_neighbours_is_named_alone(z: str, says: str) -> None:
    """L11 stands at y = 4 m, so its ground lies at -0.40 m, as that of L01 and L21, 3 m beside it."""
    (note,) = steep(slope(L11=z))
    assert note.startswith(f"the height of lamp L11 ({float(z):g} m, row 8) is hardly right: {says}"), note
    assert "3.00 m from it" in note
    assert note.endswith("measure it again")


def test_each_wrong_height_is_named_and_none_that_is_right() -> None:
    notes = steep(slope(L11="9.6", L12="-40", L33="20"))
    assert [note[len("the height of lamp ") :].split()[0] for note in notes] == ["L12", "L33", "L11"]


def test_many_wrong_heights_do_not_fill_the_page() -> None:
    wide = slope().splitlines(keepends=True)
    more = [f"P{i}{k},peg,,{40 + 4 * i},{4 * k},{20 if (i % 3, k % 3) == (1, 1) else 0},,,\n"
            for i in range(12) for k in range(9)]  # fmt: skip
    notes = steep("".join(wide + more))
    assert len(notes) == 7
    assert notes[-1] == "… and 6 more heights like these"


def test_centimetres_are_one_sentence() -> None:
    text = slope(**{f"L{i}{k}": str(-10 * (3 * k + 1)) for i in range(4) for k in range(4)})
    (note,) = steep(text)
    assert note == (
        "heights run from -100 to 0 m, and between most neighbouring points the ground would rise or fall by more "
        "than 1 in 1: are they all in metres?"
    )


def walled(ground: str) -> str:
    """The same slope, 2 m lower beyond a strip of 0.4 m whose four corners have heights."""
    lower = {f"L{i}{k}": f"{-2 - 0.1 * (3 * k + 1):.2f}" for i in range(4) for k in (2, 3)}
    corners = [("a", 0, 5.0, -0.5), ("b", 11, 5.0, -0.5), ("c", 11, 5.4, -2.5), ("d", 0, 5.4, -2.5)]
    rows = [f"{name},corner,{ground},{x},{y},{z},,,\n" for name, x, y, z in corners]
    return slope(**lower) + "".join(rows)


def test_a_wall_that_was_surveyed_says_itself_why_the_ground_is_steep() -> None:
    assert steep(walled("house")) == []


def test_steep_ground_without_a_wall_is_told_once() -> None:
    (note,) = steep(walled("bed"))
    assert note.startswith("steeper than 1 in 1 between corner ")
    assert "of bed (2.00 m over 0.40 m)" in note
    assert "right where a wall, steps or a bank lie between, else measure these heights again" in note


def test_steps_of_less_than_half_a_metre_are_no_matter() -> None:
    assert steep(slope() + "K1,peg,,5,5,-0.5,,,\nK2,peg,,5,5.1,-0.95,,,\n") == []


@pytest.mark.parametrize("rows", ["", "P1,peg,,0,0,1,,,\n", "P1,peg,,0,0,1,,,\nP2,peg,,9,9,2,,,\n"])
def test_few_heights_or_all_on_one_line(rows: str) -> None:
    text = HEADER + "S1,supply,,5,5,0,,,\nL1,lamp,spike,6,6,0,,,\n" + rows
    assert steep(text) == []


@pytest.mark.parametrize("head", ["height", "z (cm)", "z_mm", "Level", "elevation m"])
def test_heights_under_another_head_do_not_get_lost_unnoticed(head: str) -> None:
    hint = ": are these heights of the ground? Without a column 'z', in metres, it is taken as level"
    text = slope().replace(",z,", f",{head},", 1)
    assert f"survey.csv: column '{head}' is not used{hint}" in survey(text).notes
    with_z = "".join(f"{line},{'height' if line == HEADER.strip() else 3}\n" for line in slope().splitlines())
    assert "survey.csv: column 'height' is not used" in survey(with_z).notes


def test_the_look_at_a_survey_shows_the_place_and_says_it_once(tmp_path: Path) -> None:
    (tmp_path / "job.toml").write_text(JOB, encoding="utf-8")
    (tmp_path / "survey.csv").write_text(slope(L11="99.6"), encoding="utf-8")
    look = look_at(tmp_path)
    (finding,) = [one for one in look.findings if "height" in one.words]
    assert finding.place == (4.0, 4.0)
    assert not [note for note in look.notes if "height" in note]
    alone = look_at(tmp_path / "survey.csv")
    assert [one.place for one in alone.findings if "height" in one.words] == [(4.0, 4.0)]
