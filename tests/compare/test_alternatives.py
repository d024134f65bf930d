"""What is compared: overrides, names, and every way to get them wrong."""

from __future__ import annotations

from pathlib import Path

import pytest

from optimiser.compare.alternatives import list_variants
from optimiser.compare.sites import list_sites
from optimiser.problems import BadInput


@pytest.fixture
def garden(tmp_path: Path, cases: Path) -> Path:
    folder = tmp_path / "garden"
    folder.mkdir()
    for name in ("job.toml", "survey.csv"):
        (folder / name).write_bytes((cases / "courtyard" / name).read_bytes())
    return folder


def add(folder: Path, text: str) -> int:
    """Put text at the end of the job file; the line at which it begins."""
    path = folder / "job.toml"
    before = path.read_text(encoding="utf-8")
    path.write_text(before + text, encoding="utf-8")
    return before.count("\n") + 1


def complaint(folder: Path, *args: object) -> str:
    with pytest.raises(BadInput) as caught:
        list_variants(folder, *args)  # type: ignore[arg-type]
    return str(caught.value).replace(str(folder) + "/", "")


def test_alternatives_of_the_command_line_stand_alone_where_there_are_two(garden: Path) -> None:
    assert [v.name for v in list_variants(garden, [1, 2])] == ["1 driver", "2 drivers"]
    assert [v.num_drivers for v in list_variants(garden, [1, 2])] == [1, 2]
    assert [v.name for v in list_variants(garden, [2])] == ["as it stands", "2 drivers"]
    drops = list_variants(garden, (), ["5%", "off"])
    assert [v.name for v in drops] == ["drop 5 %", "drop rule off"]
    assert [v.folder.job.voltage.max_drop for v in drops] == [5.0, None]


def test_alternatives_of_the_job_change_values_of_any_table(garden: Path) -> None:
    add(
        garden,
        """
[[alternatives]]
name = "24 V"
overrides = { "lamps.*.volts" = 24, "lamps.*.window_v" = [20, 30], "drivers.*.taps_v" = [24] }
without = ["drivers.wound 160 VA", "cables.2 x 2.5"]

[[alternatives]]
name = "other"
num_drivers = 3
without = ["supplies.S2"]
overrides.cables."2 x 6" = { mm2 = 6, price_per_m = 4 }
overrides.cables."2 x 1.5".price_per_m = 2
overrides.zones."east wall".keep_off_m = 0.5
""",
    )
    base, volts, other = list_variants(garden)
    assert base.name == "as it stands" and not base.folder.overrides
    assert {kind.volts for kind in volts.folder.job.lamps.values()} == {24}
    assert {kind.window for kind in volts.folder.job.lamps.values()} == {(20, 30)}
    assert list(volts.folder.job.drivers) == ["60 W", "100 W", "150 W"]
    assert list(volts.folder.job.cables) == ["2 x 1.5", "2 x 4"]
    assert [point.name for point in other.folder.survey.supplies] == ["S1"]
    assert other.folder.job.cables["2 x 6"].mm2 == 6 and other.folder.job.cables["2 x 1.5"].price_per_m == 2
    assert other.folder.job.zones["east wall"].keep_off_m == 0.5 and other.num_drivers == 3
    assert len({base.folder.digest, volts.folder.digest, other.folder.digest}) == 3


def test_an_override_that_names_nothing_is_told_with_its_line_and_the_nearest_name(garden: Path) -> None:
    line = add(
        garden,
        """
[[alternatives]]
name = "a"
overrides = { voltage.max_dorp = 5, lamps.spik.watts = 3 }
without = ["drivers.60W"]
""",
    )
    at, without = f"job.toml:{line + 3}:alternatives.overrides", f"job.toml:{line + 4}:alternatives.without"
    assert complaint(garden) == (
        f"{at}.lamps.spik.watts: found 'spik', which the job file does not have\n    mend: did you mean 'spike'?\n"
        f"{at}.voltage.max_dorp: unknown key\n    mend: did you mean 'max_drop'?\n"
        f"{without}: found '60W', which the job file does not have\n    mend: did you mean '60 W'?"
    )


def test_a_supply_point_left_out_must_have_been_surveyed(garden: Path) -> None:
    add(garden, '\n[[alternatives]]\nname = "a"\nwithout = ["supplies.S9"]\n')
    assert "found 'S9', which was not surveyed\n    mend: write a name of the survey: S1, S2" in complaint(garden)


def test_a_star_stands_for_names_only(garden: Path) -> None:
    add(garden, '\n[[alternatives]]\nname = "a"\noverrides = { "voltage.*" = 3 }\nwithout = ["drivers"]\n')
    said = complaint(garden)
    assert "found '*' in voltage" in said and "write * for names, as in lamps.*.volts" in said
    assert "found 'drivers', which does not say what to leave out" in said


@pytest.mark.parametrize("second", ["wide", "Wide ", "WIDE"])
def test_two_alternatives_of_one_name_are_refused(garden: Path, second: str) -> None:
    line = add(garden, f'\n[[alternatives]]\nname = "wide"\n\n[[alternatives]]\nname = "{second}"\n')
    assert complaint(garden) == (
        f"job.toml:{line + 5}:alternatives.name: found '{second}', which another alternative is called already\n"
        "    mend: give each alternative a name of its own"
    )


def test_names_of_the_command_line_are_taken(garden: Path) -> None:
    assert complaint(garden, [1, 1]).startswith("command line: found '1 driver' 2 times")
    add(garden, '\n[[alternatives]]\nname = "1 driver"\n')
    assert "found '1 driver', which is the name of another alternative already" in complaint(garden, [1])


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ('[[alternatives]]\nnam = "x"\n', "did you mean 'name'?"),
        ("[[alternatives]]\nnum_drivers = 2\n", "alternatives.name: is missing"),
        ('[[alternatives]]\nname = " "\n', "is blank; write"),
        ('[[alternatives]]\nname = "x"\nnum_drivers = 0\n', "found 0, which is below 1"),
        ('[[alternatives]]\nname = "x"\nwithout = "drivers.60 W"\n', "which is not a list"),
    ],
)
def test_faults_of_an_alternative_itself(garden: Path, text: str, said: str) -> None:
    add(garden, "\n" + text)
    assert said.split(";")[0] in complaint(garden)


def test_a_job_without_any_supply_point_of_use(garden: Path) -> None:
    add(garden, '\n[[alternatives]]\nname = "a"\nwithout = ["supplies.S1", "supplies.S2"]\n')
    assert "no supply point is of use" in complaint(garden)


def test_many_sites_are_read_at_once_with_all_their_faults(tmp_path: Path, cases: Path) -> None:
    for name in ("terrace", "courtyard"):
        (tmp_path / name).mkdir()
        for file in ("job.toml", "survey.csv"):
            (tmp_path / name / file).write_bytes((cases / name / file).read_bytes())
    (tmp_path / "notes").mkdir()
    sites = list_sites(tmp_path, [1, 2])
    assert [(site.name, len(site.variants)) for site in sites] == [("courtyard", 2), ("terrace", 2)]
    for name in ("terrace", "courtyard"):
        (tmp_path / name / "job.toml").write_text("title = 3\n")
    with pytest.raises(BadInput) as caught:
        list_sites(tmp_path)
    files = {Path(problem.file).parent.name for problem in caught.value.problems}
    assert files >= {"terrace", "courtyard"}


def test_a_star_stands_for_the_grounds_of_the_job_file(garden: Path) -> None:
    """Root ground and the strip round trunks are there besides: every job without them was refused."""
    text = (garden / "job.toml").read_text(encoding="utf-8")
    assert "\nroot =" not in text
    add(garden, '\n[[alternatives]]\nname = "digger"\noverrides = { "grounds.*.depth_mm" = 400 }\n')
    grounds = list_variants(garden)[1].folder.job.grounds
    assert {name for name, ground in grounds.items() if ground.depth_mm != 400} == {"root", "trunk strip"}


def test_a_name_with_dots_needs_no_quotes_in_an_override(garden: Path) -> None:
    """Cables are called by their sizes: 2 x 2.5."""
    add(
        garden,
        """
[[alternatives]]
name = "thick"
overrides = { "cables.2 x 2.5.price_per_m" = 0.5, "lamps.*.watts" = 4 }
num_drivers = 2
without = ["supplies.S2", "cables.2 x 4"]
""",
    )
    _, thick = list_variants(garden)
    assert thick.folder.job.cables["2 x 2.5"].price_per_m == 0.5
    assert thick.changes == (
        "cables 2 x 2.5: price_per_m = 0.5", "lamps path, spike, uplight: watts = 4", "2 drivers",
        "without supplies.S2", "without cables.2 x 4",
    )  # fmt: skip


def test_what_does_not_go_with_the_survey_is_told_at_its_alternative(garden: Path) -> None:
    line = add(garden, '\n[[alternatives]]\nname = "taps"\noverrides = { "drivers.*.volts" = 40 }\n')
    said = complaint(garden)
    assert said.startswith(f"job.toml:{line + 2}:alternatives: 'taps' does not go with survey.csv:")
    assert "which no driver fits" in said


def test_a_surveyed_zone_that_the_job_file_does_not_list_can_be_changed(garden: Path) -> None:
    """It is of the ground whose name it has."""
    add(garden, '\n[[alternatives]]\nname = "far from the pond"\noverrides = { "zones.pond.keep_off_m" = 0.8 }\n')
    base, far = list_variants(garden)
    assert "pond" not in base.folder.job.zones
    assert (far.folder.job.zones["pond"].ground, far.folder.job.zones["pond"].keep_off_m) == ("pond", 0.8)
    assert far.changes == ("zones pond: ground = pond, keep_off_m = 0.8",)
