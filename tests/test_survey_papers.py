"""``lampspur survey`` and ``lampspur new``, as a user types them: words, files, exit codes."""

from __future__ import annotations

import csv
import json
import re
import shutil
from pathlib import Path
from xml.etree import ElementTree

import pytest
from typer.testing import CliRunner, Result

from cli import app
from optimiser.documents.marks import SUPPLY_MM
from optimiser.documents.svg import text_width
from optimiser.job_folder import open_job
from optimiser.make_plan import make_plan
from optimiser.problems import BadInput
from optimiser.survey_papers.drawing import draw_survey
from optimiser.survey_papers.look import look_at
from tests.brief_search import brief_search

TERRACE = Path(__file__).parents[1] / "cases" / "terrace"


def run(*args: object) -> Result:
    return CliRunner().invoke(app, [str(arg) for arg in args])


@pytest.fixture
def job(tmp_path: Path) -> Path:
    folder = tmp_path / "terrace"
    folder.mkdir()
    for name in ("job.toml", "survey.csv"):
        shutil.copy(TERRACE / name, folder / name)
    return folder


def add(job: Path, *rows: str) -> None:
    with (job / "survey.csv").open("a", encoding="utf-8") as file:
        file.writelines(row + "\n" for row in rows)


def test_a_case_is_understood_and_nothing_is_wrong(job: Path) -> None:
    """Counts and areas by hand from the file: 6 lamps, house 12 x 3.2 m."""
    result = run("survey", job)
    assert (result.exit_code, result.stderr) == (0, "")
    assert re.search(r"lamps +6   spike 6\n", result.stdout)
    assert re.search(r"zone corners +\d+   in 5 zones\n", result.stdout)
    assert re.search(r"house +house +38\.4 m² +4\n", result.stdout)
    assert "Nothing looks wrong" in result.stdout
    assert all(len(line) <= 80 for line in result.stdout.splitlines() if not line.startswith("  /"))
    drawn = [one.text or "" for one in ElementTree.parse(job / "survey" / "survey.svg").iter()]
    assert "bed 3, 9.9 m²" in drawn and not any(
        "  " in text for text in drawn if text.strip()
    )  # two spaces show as one
    assert sorted(path.name for path in (job / "survey").iterdir()) == ["points.csv", "survey.svg"]


def test_a_lead_too_short_for_any_joint_is_told_before_a_plan_is_asked_for(job: Path) -> None:
    """A lamp in the middle of paving, 1.50 m from its near edge: told in the words that `plan` refuses it with."""
    add(job, "L07,lamp,spike,5.00,-2.30")
    result = run("survey", job)
    assert result.exit_code == 1
    told = (
        "the lead of lamp L07 (1 m) is 1.35 m too short for the nearest ground that a joint may stand on, 1.50 m away"
    )
    assert told in result.stdout and "1 problem to mend before a plan can be made" in result.stdout
    refused = run("plan", job, "--effort", 0.02, "--out", job / "plan")
    assert refused.exit_code == 2
    (problem,) = look_at(job).problems
    assert refused.stderr.endswith(f"{problem}\n1 problem; nothing was written.\n")
    # With a sleeve's worth of flex it reaches, and nothing is said.
    text = (job / "job.toml").read_text(encoding="utf-8")
    (job / "job.toml").write_text(text + "\n[joints]\nextension_m = 1.5\n", encoding="utf-8")
    assert run("survey", job, "--replace").exit_code == 0


def test_points_without_a_place_are_counted_and_not_called_unchecked(job: Path) -> None:
    """Three tapes stand there; that they check nothing would be said of a survey without any."""
    survey = job / "survey.csv"
    rows = [line + ("," * 7 if i else ",from1,dist1,from2,dist2,from3,dist3,side") for i, line in
            enumerate(survey.read_text(encoding="utf-8").splitlines())]  # fmt: skip
    rows += ["P3,peg,,,,P1,10,P2,10,,,", "L07,lamp,spike,,,P1,8,P2,9,P3,11,"]
    survey.write_text("\n".join(rows) + "\n", encoding="utf-8")
    result = run("survey", job)
    assert result.exit_code == 1
    assert re.search(r"without a place as yet +2   not drawn", result.stdout)
    assert "No measurement checks another" not in result.stdout
    assert "1 problem to mend" in result.stdout


def test_a_lamp_far_from_all_else_is_told_once_and_warned_of_in_the_plan(job: Path) -> None:
    """A digit too many in y: the plan would dig all the way there, and its total would be the only sign."""
    survey = job / "survey.csv"
    text = survey.read_text(encoding="utf-8")
    assert "L03,lamp,spike,9.75,-4.60" in text
    survey.write_text(text.replace("9.75,-4.60", "9.75,-46.0"), encoding="utf-8")
    said = (
        "lamp L03 is 35 m from the next point of the survey: look whether it stands there"  # from corner e6: 3.15, 35
    )
    assert " ".join(run("survey", job).stdout.split()).count(said) == 1
    assert open_job(job).survey.notes == (said,)
    survey.write_text(text, encoding="utf-8")
    assert not any("next point" in note for note in open_job(job).survey.notes)


def test_names_of_supply_points_stand_clear_of_their_signs(job: Path) -> None:
    look = look_at(job)
    svg, reach = draw_survey(look), 1.3 * SUPPLY_MM
    signs = re.findall(r"<title>(S\d)</title><path d=\"M([\d.]+) ([\d.]+)", svg)
    assert signs
    for name, left, middle in signs:
        x, y = float(left) + reach, float(middle)
        at = re.findall(rf'<text x="([\d.]+)" y="([\d.]+)"[^>]*>{name}<', svg)[0]
        wide = text_width(name, 2.2, bold=True)
        across = max(float(at[0]) - x, x - float(at[0]) - wide)
        down = max(float(at[1]) - 2.2 - y, y - float(at[1]))
        assert max(across, down) > reach + 0.15, name


def test_the_points_written_are_the_same_survey(job: Path, tmp_path: Path) -> None:
    assert run("survey", job, "--out", tmp_path / "out").exit_code == 0
    before = open_job(job).survey
    shutil.copy(tmp_path / "out/points.csv", job / "survey.csv")
    assert open_job(job).survey == before


def test_tapes_between_two_heights_are_said_to_be_along_the_slope(job: Path) -> None:
    rows = (job / "survey.csv").read_text(encoding="utf-8").splitlines()
    levels = ["z,from1,dist1"] + ["0,,"] * (len(rows) - 1)
    (job / "survey.csv").write_text("\n".join(map(",".join, zip(rows, levels, strict=True))) + "\n", encoding="utf-8")
    assert "slope" not in run("survey", job).stdout
    add(job, "P3,peg,,12,-9,3,P2,9.49")  # 9 m level, 3 m down
    result = run("survey", job, "--replace")
    assert "1 tape between two heights: taken as held along the slope and brought to the" in result.stdout


def test_points_of_a_geojson_whose_features_share_all_properties_are_a_survey(tmp_path: Path) -> None:
    def feature(kind: str, name: str, place: list[float]) -> dict[str, object]:
        more = {"of": "spike", "group": "a", "ring": "1", "stem_mm": 300}
        geometry = {"type": "Point", "coordinates": place}
        return {"type": "Feature", "geometry": geometry, "properties": {"kind": kind, "name": name, **more}}

    features = [
        feature("supply", "S", [8.5, 47.4]),
        feature("lamp", "L", [8.5001, 47.4]),
        feature("tree", "T", [8.5, 47.4001]),
    ]
    text = json.dumps({"type": "FeatureCollection", "features": features})
    (tmp_path / "site.geojson").write_text(text, encoding="utf-8")
    assert run("survey", tmp_path / "site.geojson", "--out", tmp_path / "out").exit_code == 0
    result = run("survey", tmp_path / "out/points.csv", "--out", tmp_path / "again")
    assert (result.exit_code, result.stderr) == (0, "")


def test_papers_are_not_replaced_unasked(job: Path) -> None:
    assert run("survey", job).exit_code == 0
    again = run("survey", job)
    assert again.exit_code == 2 and "survey.svg: is there already" in again.stderr
    assert run("survey", job, "--replace").exit_code == 0


WRONG = {
    "lamps together": (["L20,lamp,spike,2.45,-4.70"], "lamps L01 and L20 stand 5 cm apart"),
    "in the pond": (
        [f",corner,pond,{x},{y}" for x, y in ((20, -20), (26, -20), (26, -14), (20, -14))] + ["L20,lamp,spike,23,-17"],
        "lamp L20 stands 3.00 m inside 'pond' (water)",
    ),
    "in the house": (["L20,lamp,spike,6,1.6"], "lamp L20 stands 1.60 m inside 'house' (no-dig ground)"),
    "corner out of order": (
        [f"q{k},corner,bed 9,{x},{y}" for k, (x, y) in enumerate(((20, 0), (24, 0), (20, 3), (24, 3.5)))],
        "the edge of zone 'bed 9' crosses itself: q",
    ),
    "far supply": (["S9,supply,,90,-7"], "supply point S9 is 79 m from the nearest lamp"),
    "far lamp": (["L20,lamp,spike,6,-90"], "lamp L20 is 79 m from the next point"),
    "stem in cm": (["T1,tree,,20,-9,32"], "the stem of tree T1 measures 32 mm; is that in mm?"),
    "small zone": (
        [f",corner,bed 9,{x},{y}" for x, y in ((20, 0), (20.1, 0), (20.1, 0.1))],
        "zone 'bed 9' measures 0.005 m²",
    ),
}


@pytest.mark.parametrize("name", WRONG)
def test_what_looks_wrong_is_said(job: Path, name: str) -> None:
    rows, wanted = WRONG[name]
    path = job / "survey.csv"
    path.write_text(path.read_text(encoding="utf-8").replace("of,x,y", "of,x,y,stem_mm", 1), encoding="utf-8")
    add(job, *rows)
    result = run("survey", job)
    assert result.exit_code in (0, 1)
    assert wanted in re.sub(r"\s+", " ", result.stdout)
    drawn = (job / "survey/survey.svg").read_text(encoding="utf-8")
    assert ">To look at<" in drawn and 'stroke="#b3261e"' in drawn, "ringed in red"


def test_a_survey_in_centimetres_is_asked_about(job: Path) -> None:
    """All numbers whole, points tens of metres apart: told by the survey and where there is no layout for it."""
    survey = job / "survey.csv"
    text = re.sub(r"\d+\.\d\d", lambda m: str(round(100 * float(m[0]))), survey.read_text(encoding="utf-8"))
    survey.write_text(text, encoding="utf-8")
    words = "x and y are whole numbers, and points lie 95 m from the next (the median): are they in cm or mm?"
    assert words in re.sub(r"\s+", " ", run("survey", job).stdout)
    planned = run("plan", job, "--effort", 0.02, "--out", job / "plan")
    assert planned.exit_code == 3 and words in re.sub(r"\s+", " ", planned.stderr)


def test_names_that_a_spreadsheet_took_for_dates_are_asked_about_and_others_not(job: Path) -> None:
    add(job, "01-Feb,lamp,spike,3.00,-9.00", "1.2.14,lamp,spike,4.00,-9.00", "2026-03-04,lamp,spike,5.00,-9.00")
    words = re.sub(r"\s+", " ", run("survey", job).stdout)
    assert "the name '01-Feb' in row 40, and those of 1 more, may be a date that a spreadsheet made" in words


def test_lamps_on_one_spot_are_told_once(job: Path) -> None:
    add(job, "L20,lamp,spike,2.45,-4.65")
    assert run("survey", job).stdout.count("on one spot") == 1


def test_a_survey_that_cannot_be_planned_is_drawn_all_the_same(job: Path) -> None:
    add(job, "L20,lamp,spyke,3,-7")
    (job / "job.toml").write_text((job / "job.toml").read_text(encoding="utf-8").replace("per_m = 9", "per_m = -9"))
    result = run("survey", job)
    assert result.exit_code == 1
    assert "1 problem to mend before a plan can be made" in result.stdout, (
        "the job's; types are judged once it is mended"
    )
    assert "grounds.lawn.per_m: found -9" in result.stdout
    assert (job / "survey/survey.svg").exists()


def test_a_number_beyond_all_measure_is_drawn_around(job: Path) -> None:
    add(job, "L20,lamp,spike,1e308,3")
    result = run("survey", job)
    assert result.exit_code == 1 and ":x: found '1e308', which is farther off than any grid" in result.stdout
    assert (job / "survey/survey.svg").exists()


def test_a_survey_without_a_job_and_one_that_cannot_be_read(tmp_path: Path) -> None:
    shutil.copy(TERRACE / "survey.csv", tmp_path / "points.csv")
    result = run("survey", tmp_path / "points.csv", "--out", tmp_path / "out")
    assert result.exit_code == 0 and "No job file yet: lampspur new starts one" in result.stdout
    (tmp_path / "bad.geojson").write_text("{", encoding="utf-8")
    result = run("survey", tmp_path / "bad.geojson", "--out", tmp_path / "none")
    assert result.exit_code == 2 and "bad.geojson:1: is not JSON from here on" in result.stderr
    assert not (tmp_path / "none").exists()


TAPED = """\
point,kind,of,x,y,from1,dist1,from2,dist2,from3,dist3
A,peg,,0,5
B,peg,,12,0
C,peg,,5,16
S1,supply,,1,1
L5,lamp,spike,,,A,5.00,B,8.912,C,11.00
L6,lamp,spike,,,A,5.00,B,8.602,C,11.01
"""


def test_the_wrong_tape_is_named_and_every_tape_is_listed(tmp_path: Path) -> None:
    (tmp_path / "points.csv").write_text(TAPED, encoding="utf-8")
    result = run("survey", tmp_path / "points.csv")
    words = re.sub(r"\s+", " ", result.stdout)
    assert "the 8.91 m from peg B to lamp L5 disagrees with the other two by 0.31 m: measure it again" in words
    assert "2 measurements more than needed" in words
    with (tmp_path / "survey/tapes.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    assert [row["verdict"] for row in rows] == ["suspect"] * 3 + [""] * 3
    assert float(rows[1]["off_m"]) == pytest.approx(float(rows[1]["level_m"]) - float(rows[1]["adjusted_m"]), abs=2e-3)


# --- lampspur new

FILL = {
    "per_m": "8", "ground": '"no_dig"', "watts": "4", "volts": "12", "price_per_m": "1.4", "taps_v": "[12]",
    "rated_w": "60", "price": "75", "limit_a": "6", "labour": "5", "capacity": "2", "currency": '"EUR"',
}  # fmt: skip


def filled(text: str, but: str = "") -> str:
    """The job file with every line to fill in filled in."""

    def fill(line: str) -> str:
        found = re.match(r"#> (\w+) = [^#]*(# .*)$", line)
        if found is None or found[1] == but:
            return line
        return f"{found[1]} = {FILL[found[1]]} {found[2]}"

    return "\n".join(map(fill, text.splitlines())) + "\n"


def test_a_new_job_is_whole_once_every_comment_is_filled_in(tmp_path: Path) -> None:
    result = run("new", tmp_path / "garden", "--survey", TERRACE / "survey.csv")
    assert (result.exit_code, result.stderr) == (0, "")
    path = tmp_path / "garden/job.toml"
    text = path.read_text(encoding="utf-8")
    assert all(line.startswith(("#", "[")) or "=" in line or not line for line in text.splitlines())
    assert all("# " in line[2:] for line in text.splitlines() if line.startswith("#> ")), "each has its comment"
    with pytest.raises(BadInput) as caught:
        open_job(tmp_path / "garden")
    asked = {problem.field.rsplit(".", 1)[-1] for problem in caught.value.problems}
    assert {"watts", "volts", "price_per_m", "rated_w", "taps_v", "price"} <= asked

    path.write_text(filled(text), encoding="utf-8")
    opened = open_job(tmp_path / "garden")
    assert len(opened.survey.lamps) == 6 and opened.job.lamps["spike"].watts == 4
    path.write_text(filled(text, but="watts"), encoding="utf-8")
    with pytest.raises(BadInput, match=r"lamps\.spike\.watts: is missing"):
        open_job(tmp_path / "garden")


@pytest.mark.parametrize("room", ["capacity = 2", "bore_mm = 40", ""])
def test_a_new_job_says_what_a_sleeve_needs(tmp_path: Path, room: str) -> None:
    """Capacity or bore: the text says so, and a job with neither is refused."""
    survey = (TERRACE / "survey.csv").read_text(encoding="utf-8") + ",sleeve,pipe,3,-5\n,sleeve,pipe,6,-5\n"
    (tmp_path / "survey.csv").write_text(survey, encoding="utf-8")
    assert run("new", tmp_path).exit_code == 0
    path = tmp_path / "job.toml"
    text = path.read_text(encoding="utf-8")
    line = next(line for line in text.splitlines() if line.startswith("#> capacity"))
    assert line.endswith("# how many cables it may still take; or write bore_mm, its inner diameter, instead")
    text = filled(text.replace(line, room))
    path.write_text(text, encoding="utf-8")
    if room:
        assert [sleeve.name for sleeve in open_job(tmp_path).survey.sleeves] == ["pipe"]
    else:
        with pytest.raises(BadInput, match=r"sleeves\.pipe: has neither capacity nor bore_mm"):
            open_job(tmp_path)


def test_a_new_job_never_replaces_one(tmp_path: Path, job: Path) -> None:
    result = run("new", job)
    assert result.exit_code == 2 and "job.toml: is there already" in result.stderr
    result = run("new", tmp_path / "empty")
    assert result.exit_code == 2 and "holds no survey" in result.stderr and not (tmp_path / "empty").exists()
    (tmp_path / "two").mkdir()
    for name in ("a.csv", "b.csv"):
        shutil.copy(TERRACE / "survey.csv", tmp_path / "two" / name)
    assert "holds 2 files that may be the survey (a.csv, b.csv)" in run("new", tmp_path / "two").stderr
    assert run("new", tmp_path / "two", "--survey", tmp_path / "two/b.csv").exit_code == 0


def test_a_new_job_from_a_drawing_lists_its_layers_and_blocks(tmp_path: Path) -> None:
    import ezdxf

    doc = ezdxf.new("R2010", units=6)
    doc.blocks.new("SPOT 3")
    doc.modelspace().add_blockref("SPOT 3", (1, 1), dxfattribs={"layer": "E-LITE"})
    doc.modelspace().add_circle((5, 5), 2, dxfattribs={"layer": "L-POND"})
    doc.saveas(tmp_path / "garden.dxf")
    assert run("new", tmp_path).exit_code == 0
    text = (tmp_path / "job.toml").read_text(encoding="utf-8")
    assert '#> L-POND = { kind = "zone", of = "…" }    # 1 in the drawing' in text
    assert '#> "SPOT 3" = { kind = "lamp", of = "…" }    # 1 in the drawing' in text


# --- the same plan


def test_a_plan_does_not_depend_on_how_the_points_are_written(job: Path) -> None:
    """The terrace as a workbook, and with a tape that only checks its pegs: the same plan, the job's own data apart."""
    import openpyxl

    from optimiser.make_plan import Options

    def plan(folder: Path) -> str:
        with brief_search():
            found = make_plan(open_job(folder), Options(effort=0.02, processes=1))
        data = json.loads(found.model_dump_json(by_alias=True))
        data.pop("job")
        data.pop("warnings")
        return json.dumps(data, sort_keys=True)

    before = plan(job)
    book = openpyxl.Workbook()
    with (job / "survey.csv").open(encoding="utf-8", newline="") as file:
        for row in csv.reader(file):
            book.active.append([float(cell) if re.fullmatch(r"-?[\d.]+", cell) else cell for cell in row])
    book.save(job / "survey.xlsx")
    text = (job / "job.toml").read_text(encoding="utf-8")
    (job / "job.toml").write_text('survey = "survey.xlsx"\n' + text, encoding="utf-8")
    assert plan(job) == before
    (job / "job.toml").write_text(text, encoding="utf-8")
    lines = (job / "survey.csv").read_text(encoding="utf-8").splitlines()
    lines = [lines[0] + ",from1,dist1", *(line + (",P1,12.00" if line.startswith("P2") else "") for line in lines[1:])]
    (job / "survey.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
    assert plan(job) == before
