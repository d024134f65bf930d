"""What a comparison prints and writes: one answer, in text, tables, sheet and page, whole or not at all."""

from __future__ import annotations

import csv
import html
import io
import json
import re
import shutil
from collections import Counter
from collections.abc import Iterator
from pathlib import Path
from xml.etree import ElementTree

import pytest
import shapely
from typer.testing import CliRunner, Result

from cli import app
from optimiser.check import check_folder
from optimiser.check.read_plan import read_plan
from optimiser.compare.model import Comparison, Curve, CurvePoint
from optimiser.documents.compare_folder import write_sites
from optimiser.documents.curve_plot import BOTTOM, HEIGHT_MM, LEFT, LINE, WIDTH_MM, draw_curve
from optimiser.documents.svg import text_width
from optimiser.documents.words import columns_of
from optimiser.problems import BadInput
from tests.brief_search import brief_search

ALTERNATIVES = """
[[alternatives]]
name = "<b>=no & such"
overrides = { "voltage.max_drop" = 1, "voltage.drop_from" = "nominal" }
without = ["cables.2 x 2.5"]
"""


def run(*args: str | Path) -> Result:
    return CliRunner().invoke(app, ["compare", *map(str, args), "--effort", "0.02", "--processes", "1"])


@pytest.fixture(scope="module", autouse=True)
def one_round() -> Iterator[None]:
    """Whatever is planned here is planned briefly."""
    with brief_search():
        yield


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory, cases: Path) -> Path:
    folder = tmp_path_factory.mktemp("papers") / "terrace"
    shutil.copytree(cases / "terrace", folder)
    with (folder / "job.toml").open("a", encoding="utf-8") as file:
        file.write(ALTERNATIVES)
    return folder


@pytest.fixture(scope="module")
def printed(site: Path) -> Result:
    result = run(site, "--drivers", "1", "--drivers", "2", "--curves", "--limits", "--out", site.parent / "out")
    assert (result.exit_code, result.stderr) == (0, "")
    return result


@pytest.fixture(scope="module")
def out(site: Path, printed: Result) -> Path:
    return site.parent / "out"


def test_models_of_drivers_are_whole_in_the_text(cases: Path, tmp_path: Path) -> None:
    """Three columns are narrow: a model's name was cut off there, and it is what one compares."""
    folder = tmp_path / "terrace"
    shutil.copytree(cases / "terrace", folder)
    job = (folder / "job.toml").read_text(encoding="utf-8").replace('"60 W" =', '"sealed box 60 W" =')
    more = "\n".join(f'[[alternatives]]\nname = "{name}"\noverrides = {{ "voltage.max_drop" = {drop} }}\n'
                     for name, drop in (("nine", 9), ("eight", 8)))  # fmt: skip
    (folder / "job.toml").write_text(f"{job}\n{more}", encoding="utf-8")
    result = run(folder, "--out", tmp_path / "out")
    assert result.exit_code == 0
    lines = result.stdout.splitlines()
    [row] = [i for i, line in enumerate(lines) if "sealed box" in line]
    assert lines[row].startswith("  driver 1, loaded to ") and lines[row].count("sealed box 60 W") == 3
    assert re.fullmatch(r"( +at S1, \d+ %){3}", lines[row + 1])
    assert max(map(columns_of, result.stdout.splitlines())) <= 80


def test_the_text_answers_first_and_fits_a_terminal(printed: Result) -> None:
    lines = printed.stdout.splitlines()
    assert lines[3].startswith("Take '1 driver': at ")
    assert max(map(columns_of, lines)) <= 80
    assert "no layout possible" in printed.stdout and "certain: no layout of '2 drivers' costs less" in printed.stdout
    assert "Cost against the largest drop" in printed.stdout and "What each limit costs" in printed.stdout


def test_the_folder_holds_all_papers_and_a_plan_for_each_that_holds(out: Path) -> None:
    assert sorted(path.name for path in out.iterdir()) == [
        "1-1-driver", "2-2-drivers", "compare.html", "comparison.json", "comparison.sha256", "limits.csv",
        "lowest_volts.csv", "lowest_volts.svg", "max_drop.csv", "max_drop.svg", "side_by_side.svg", "table.csv",
    ]  # fmt: skip
    for name in ("1-1-driver", "2-2-drivers"):
        assert not check_folder(out / name).violations


def test_table_and_json_say_the_same(out: Path) -> None:
    data = json.loads((out / "comparison.json").read_text(encoding="utf-8"))
    text = (out / "table.csv").read_bytes().decode("utf-8-sig")
    rows = {row[0]: row[1:] for row in csv.reader(io.StringIO(text))}
    assert rows["figure"] == ["1 driver", "2 drivers", "<b>=no & such"]
    assert rows["status"] == [row["status"] for row in data["alternatives"]]
    for i, result in enumerate(data["alternatives"]):
        figures = result["figures"]
        for part in ("total", "trench", "cable", "joints", "drivers"):
            assert rows[part][i] == ("" if figures is None else str(figures["cost"][part])), part
        assert rows["lowest_v"][i] == ("" if figures is None else str(figures["lowest_v"]))
    assert data["files"] == ["comparison.json", *(name for name in data["files"] if name != "comparison.json")]
    assert {path.relative_to(out).as_posix() for path in out.rglob("*") if path.is_file()} == set(data["files"])


def test_sheet_and_curves_are_svg_whose_ids_are_their_own(out: Path) -> None:
    for name in ("side_by_side.svg", "max_drop.svg", "lowest_volts.svg"):
        text = (out / name).read_text(encoding="utf-8")
        tree = ElementTree.fromstring(text)
        ids = Counter(element.get("id") for element in tree.iter() if element.get("id"))
        assert not [one for one, times in ids.items() if times > 1]
        assert set(re.findall(r"url\(#([^)]+)\)", text)) <= set(ids)
        assert not re.search(r'(?:href|src)="(?!#)', text)


def test_the_page_switches_without_script_or_network(out: Path) -> None:
    page = (out / "compare.html").read_text(encoding="utf-8")
    assert not re.search(r"<script|<link|<img|@import|(?:href|src)=\"(?!#)|url\((?!#)", page)
    assert "<b>=no" not in page and "&lt;b&gt;=no &amp; such" in page
    ids = Counter(re.findall(r'\bid="([^"]+)"', page))
    assert not [one for one, times in ids.items() if times > 1]
    assert set(re.findall(r"url\(#([^)]+)\)", page)) <= set(ids)
    for i in range(3):
        assert f'for="show-{i}"' in page and ids[f"show-{i}"] == ids[f"sheet-{i}"] == 1
        assert f"#show-{i}:checked ~ #sheet-{i}" in page
    assert page.count("checked>") == 1, "the recommended drawing is shown first"


def test_a_comparison_is_replaced_only_when_asked_and_only_when_it_is_ours(out: Path, site: Path) -> None:
    copy = site.parent / "again"
    shutil.copytree(out, copy)
    before = {path: path.read_bytes() for path in sorted(copy.rglob("*")) if path.is_file()}
    refused = run(site, "--drivers", "1", "--out", copy)
    assert refused.exit_code == 2 and "holds a comparison already" in refused.stderr
    (copy / "1-1-driver" / "notes.txt").write_text("mine")
    refused = run(site, "--drivers", "1", "--out", copy, "--replace")
    assert refused.exit_code == 2 and "1-1-driver/notes.txt, which no comparison wrote" in refused.stderr
    (copy / "1-1-driver" / "notes.txt").unlink()
    drawn = (copy / "1-1-driver" / "plan.svg").read_bytes()
    (copy / "1-1-driver" / "plan.svg").write_bytes(drawn + b"<!-- mine -->")
    refused = run(site, "--drivers", "1", "--out", copy, "--replace")
    assert refused.exit_code == 2 and "holds 1-1-driver/plan.svg, changed since being written" in refused.stderr
    (copy / "1-1-driver" / "plan.svg").write_bytes(drawn)
    tops = [path.name for path in before if path.parent == copy and path.name != "comparison.sha256"]
    assert {"side_by_side.svg", "compare.html", "comparison.json"} < set(tops)
    for name in tops:
        whole = (copy / name).read_bytes()
        (copy / name).write_bytes(whole + b" ")
        refused = run(site, "--drivers", "1", "--out", copy, "--replace")
        assert refused.exit_code == 2 and f"holds {name}, changed since being written" in refused.stderr
        (copy / name).write_bytes(whole)
    assert {path: path.read_bytes() for path in sorted(copy.rglob("*")) if path.is_file()} == before
    assert run(site, "--drivers", "1", "--out", copy, "--replace").exit_code == 0
    assert (copy / "1-as-it-stands").exists() or not (copy / "2-2-drivers").exists()


def test_a_comparison_of_sites_is_not_replaced_where_a_file_of_it_was_changed(out: Path, tmp_path: Path) -> None:
    data = json.loads((out / "comparison.json").read_text(encoding="utf-8"))
    del data["files"]
    one = Comparison.model_validate(data)
    plans = [
        None if result.folder is None else (read_plan(out / result.folder / "plan.json"), {"job.toml": b"# job"})
        for result in one.alternatives
    ]
    sites = [("north", one, plans), ("south", one, plans)]
    write_sites(sites, tmp_path / "sites", replace=False)
    listed = json.loads((tmp_path / "sites/summary.json").read_text(encoding="utf-8"))["files"]
    there = {path.relative_to(tmp_path / "sites").as_posix() for path in (tmp_path / "sites").rglob("*")
             if path.is_file()}  # fmt: skip
    assert set(listed) == there
    for name in ("summary.csv", "north/compare.html", "south/comparison.json", "south/2-2-drivers/plan.svg"):
        file = tmp_path / "sites" / name
        whole = file.read_bytes()
        file.write_bytes(whole + b"\n")
        with pytest.raises(BadInput, match=f"holds {name}, changed since being written"):
            write_sites(sites, tmp_path / "sites", replace=True)
        file.write_bytes(whole)
    write_sites(sites, tmp_path / "sites", replace=True)


def test_faults_leave_nothing_behind(site: Path, tmp_path: Path) -> None:
    said = run(site, "--drivers", "1", "--drivers", "1", "--out", tmp_path / "x")
    assert said.exit_code == 2 and said.stderr.endswith("1 problem; nothing was written.\n")
    said = run(site, "--cluster", "nowhere", "--out", tmp_path / "x")
    assert said.exit_code == 2 and "where no scheduler answers" in said.stderr
    assert not list(tmp_path.iterdir())


def test_where_no_alternative_has_a_layout_that_is_the_answer(cases: Path, tmp_path: Path) -> None:
    shutil.copytree(cases / "terrace", tmp_path / "job")
    text = (tmp_path / "job/job.toml").read_text(encoding="utf-8")
    (tmp_path / "job/job.toml").write_text(
        text + '\n[voltage]\nmax_drop = 1\ndrop_from = "nominal"\n', encoding="utf-8"
    )
    said = run(tmp_path / "job", "--drivers", "1", "--drivers", "2", "--out", tmp_path / "out")
    assert said.exit_code == 3 and "None of the alternatives has a layout." in said.stdout
    assert said.stderr == "No layout of any alternative; nothing was written.\n"
    assert not [line for line in said.stdout.splitlines() if line.split()[-2:] == ["-", "-"]]  # rows that say nothing
    assert not (tmp_path / "out").exists()


def test_doubts_of_the_survey_are_told_once_where_there_is_no_layout(cases: Path, tmp_path: Path) -> None:
    """A lamp far from all else may be why the drop cannot be kept; `plan` tells so of one job."""
    shutil.copytree(cases / "terrace", tmp_path / "job")
    job, survey = tmp_path / "job/job.toml", tmp_path / "job/survey.csv"
    survey.write_text(survey.read_text(encoding="utf-8") + "L07,lamp,spike,5.00,-210.00\n", encoding="utf-8")
    before = job.read_text(encoding="utf-8")
    job.write_text(before + '\n[voltage]\nmax_drop = 2\ndrop_from = "nominal"\n', encoding="utf-8")
    said = run(tmp_path / "job", "--drivers", "1", "--drivers", "2", "--out", tmp_path / "out")
    assert said.exit_code == 3
    doubt = "lamp L07 is 199 m from the next point of the survey: look whether it stands there"
    plain = " ".join(said.stdout.split())
    assert plain.count(doubt) == 1
    assert f"To look at in the survey and the job, for a slip there may be the reason - {doubt}" in plain
    assert "\n  - lamp L07 is " in said.stdout and "\n    there" in said.stdout  # as warnings stand in a plan's summary
    assert max(map(columns_of, said.stdout.splitlines())) <= 80


def test_the_page_tells_the_doubts_of_the_survey_above_the_drawings(cases: Path, tmp_path: Path) -> None:
    """Of two alternatives one has no layout: the text told what looks wrong in the survey, and the page did not."""
    shutil.copytree(cases / "terrace", tmp_path / "job")
    job, survey = tmp_path / "job/job.toml", tmp_path / "job/survey.csv"
    survey.write_text(survey.read_text(encoding="utf-8") + "L<7>,lamp,spike,5.00,-110.00\n", encoding="utf-8")
    job.write_text(job.read_text(encoding="utf-8") + ALTERNATIVES, encoding="utf-8")
    assert run(tmp_path / "job", "--drivers", "1", "--out", tmp_path / "out").exit_code == 0
    doubts = json.loads((tmp_path / "out/comparison.json").read_text(encoding="utf-8"))["doubts"]
    assert [doubt.split(" m from")[0] for doubt in doubts] == ["lamp L<7> is 99"]
    page = (tmp_path / "out/compare.html").read_text(encoding="utf-8")
    before, told, after = re.split(r'<section class="doubts">(.*?)</section>', page, flags=re.DOTALL)
    assert re.findall("<li>(.*?)</li>", told) == [html.escape(doubt) for doubt in doubts]
    assert "<legend>Drawings" not in before and "<legend>Drawings" in after


def test_a_page_without_doubts_has_no_place_for_them(out: Path) -> None:
    assert json.loads((out / "comparison.json").read_text(encoding="utf-8"))["doubts"] == []
    assert "To look at" not in (out / "compare.html").read_text(encoding="utf-8")


@pytest.mark.slow
def test_many_sites_get_a_folder_each_and_a_summary(cases: Path, tmp_path: Path) -> None:
    for name in ("north", "south"):
        shutil.copytree(cases / "terrace", tmp_path / "sites" / name)
    said = run(tmp_path / "sites", "--drivers", "1", "--drivers", "2", "--out", tmp_path / "out")
    assert (said.exit_code, said.stderr) == (0, "")
    assert max(map(columns_of, said.stdout.splitlines())) <= 80
    data = json.loads((tmp_path / "out/summary.json").read_text(encoding="utf-8"))
    assert [row["site"] for row in data["sites"]] == ["north", "south"]
    for name in ("north", "south"):
        assert (tmp_path / "out" / name / "compare.html").is_file()
        assert not check_folder(tmp_path / "out" / name / "1-1-driver").violations
    costs = [row["cost"] for row in data["sites"]]
    assert f"{sum(costs):,.2f}" in next(line for line in said.stdout.splitlines() if line.startswith("total"))
    again = run(tmp_path / "sites", "--drivers", "1", "--out", tmp_path / "out", "--replace")
    assert again.exit_code == 0
    for name in ("north", "south"):  # and nothing is left of the earlier one
        assert not (tmp_path / "out" / name / "2-2-drivers").exists()


def test_the_comparison_as_json(site: Path, out: Path) -> None:
    said = run(site, "--drivers", "1", "--drivers", "2", "--json", "--out", site.parent / "third")
    data, written = json.loads(said.stdout), json.loads((out / "comparison.json").read_text(encoding="utf-8"))
    assert data["alternatives"] == written["alternatives"] and data["says"] == written["says"]


def test_a_curve_without_points_is_drawn_as_that() -> None:
    none = CurvePoint(limit=3, cost=None, searched="no_layout", reached=None, drivers=None, cable_m=None)
    curve = Curve(of="max_drop", alternative="a", unit="%", points=[none], knee=None, says="No point.")
    assert "No point." in draw_curve(curve, "EUR")


@pytest.mark.parametrize("knee", range(5))
@pytest.mark.parametrize("costs", [(600, 600, 640, 690, 700), (600, 650, 660, 665, 668), (600, 600, 600, 600, 900)])
def test_the_curve_does_not_strike_through_the_words_at_its_knee(costs: tuple[float, ...], knee: int) -> None:
    points = [CurvePoint(limit=10 - k, cost=cost, searched="whole", reached=None, drivers=1, cable_m=1.0)
              for k, cost in enumerate(costs)]  # fmt: skip
    svg = draw_curve(Curve(of="max_drop", alternative="a", unit="%", points=points, knee=10 - knee, says="."), "EUR")
    (x, y, words), *_ = re.findall(r'<text x="([\d.]+)" y="([\d.]+)"[^>]*>(knee: [^<]*)<', svg)
    line = re.findall(rf'points="([^"]*)"[^>]*stroke="{LINE}"', svg)[0]
    curve = shapely.LineString([tuple(map(float, spot.split(","))) for spot in line.split()])
    left, base = float(x), float(y)
    box = shapely.box(left, base - 2.3, left + text_width(words, 3.2, bold=True), base + 0.7)
    assert not curve.intersects(box)
    assert shapely.box(LEFT, 0, WIDTH_MM, HEIGHT_MM - BOTTOM).contains(box)
