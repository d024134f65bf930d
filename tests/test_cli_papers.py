"""``lampspur papers`` as a user meets it: what it writes and prints, what it refuses, and what it leaves behind."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import tempfile
from fnmatch import fnmatchcase
from pathlib import Path
from typing import Any

import pytest
import typer.testing

import cli
from optimiser.documents.folder import RECORD_FILE, count_papers, write_plan_folder
from optimiser.documents.papers import PAPERS
from optimiser.documents.plan_file import plan_json
from optimiser.documents.summary import summary
from optimiser.problems import BadInput
from tests.documents.sample import courtyard, one_lamp

ROOT = Path(__file__).resolve().parent.parent
Tree = dict[str, bytes | None]


def tree(folder: Path) -> Tree:
    return {
        str(path.relative_to(folder)): path.read_bytes() if path.is_file() else None
        for path in sorted(folder.rglob("*"))
    }


def papers_in(folder: Path) -> set[str]:
    """Names of all that lies there but the record of digests, which must name the same."""
    record = (folder / RECORD_FILE).read_text(encoding="utf-8").splitlines()
    names = set(tree(folder)) - {RECORD_FILE}
    assert {line.split("  ")[1] for line in record} == names
    return names


def run(*args: str) -> Any:
    return typer.testing.CliRunner().invoke(cli.app, ["papers", *args])


@pytest.fixture
def site(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Return a working folder that holds a plan."""
    monkeypatch.chdir(tmp_path)
    write_plan_folder(courtyard(), {}, tmp_path / "plan", replace=False)
    return tmp_path


def refused(result: Any, *said: str) -> None:
    """Exit code 2, nothing on stdout, all of this on stderr."""
    for words in said:
        assert words in result.stderr
    assert result.stderr.endswith("nothing was written.\n")
    assert (result.exit_code, result.stdout) == (2, "")


def test_all_papers_go_beside_the_plan(site: Path) -> None:
    result = run("plan", "--date", "17 May")
    assert (result.exit_code, result.stderr) == (0, "")
    written = result.stdout.splitlines()
    assert len(written) == len(PAPERS)
    for path, paper in zip(written, PAPERS, strict=True):
        assert any(fnmatchcase(path, f"plan/papers/{name}") for name in (paper.file, paper.instead))
    assert papers_in(site / "plan" / "papers") == {Path(path).name for path in written}
    assert count_papers(site / "plan") == len(PAPERS)
    assert all(path.stat().st_size > 100 for path in (site / "plan" / "papers").iterdir())


def test_the_plan_may_be_named_by_its_file_and_papers_be_chosen(site: Path) -> None:
    result = run("plan/plan.json", "--only", "set-out-csv", "--only", "trench-list-csv", "--out", "van")
    assert result.exit_code == 0
    assert papers_in(site / "van") == {"set_out.csv", "trench_list.csv"}
    assert not (site / "plan" / "papers").exists()


def test_a_position_given_makes_geojson_of_the_standard_and_either_file_is_a_paper(site: Path) -> None:
    assert run("plan", "--only", "geojson").exit_code == 0
    assert papers_in(site / "plan" / "papers") == {"plan_local_metres.json"}
    assert run("plan", "--only", "geojson", "--replace", "--position", "-33.4569, -70.6483, 20").exit_code == 0
    assert papers_in(site / "plan" / "papers") == {"plan.geojson"}
    assert run("plan", "--only", "geojson", "--replace").exit_code == 0


def test_the_same_papers_are_written_again_byte_for_byte(site: Path) -> None:
    for out in ("a", "b"):
        assert run("plan", "--out", out, "--date", "x", "--only", "lists", "--only", "workbook").exit_code == 0
    assert tree(site / "a") == tree(site / "b")


def test_earlier_papers_are_replaced_only_when_asked(site: Path) -> None:
    assert run("plan", "--only", "set-out-csv").exit_code == 0
    before = tree(site)
    refused(run("plan", "--only", "joint-list-csv"), "holds papers already", "--replace")
    assert tree(site) == before
    assert run("plan", "--only", "joint-list-csv", "--replace").exit_code == 0
    assert papers_in(site / "plan" / "papers") == {"joint_list.csv"}


def test_a_plan_is_replaced_with_its_papers_but_never_with_files_of_others(site: Path) -> None:
    assert run("plan", "--only", "set-out-csv").exit_code == 0
    (site / "plan" / "papers" / "photo.jpg").write_bytes(b"photo")
    before = tree(site)
    refused(run("plan", "--replace"), "holds photo.jpg, which is no paper", "choose another folder")
    with pytest.raises(Exception, match=r"also papers/photo\.jpg, which no plan wrote"):
        write_plan_folder(one_lamp(), {}, site / "plan", replace=True)
    assert tree(site) == before
    (site / "plan" / "papers" / "photo.jpg").unlink()
    write_plan_folder(one_lamp(), {}, site / "plan", replace=True)
    assert not (site / "plan" / "papers").exists()


def test_papers_that_were_changed_are_never_replaced(site: Path) -> None:
    """Volts typed into the workbook, and a sheet that only looks like one of the drawing's, are somebody's work."""
    assert run("plan", "--only", "workbook", "--only", "drawing-svg").exit_code == 0
    papers = site / "plan" / "papers"
    written = tree(papers)
    for name, words in (("lists.xlsx", "changed since being written"), ("drawing-99.svg", "which")):
        with (papers / name).open("ab") as file:
            file.write(b"11.62 V")
        before = tree(site)
        refused(run("plan", "--replace"), f"holds {name}, {words}", "choose another folder")
        with pytest.raises(BadInput, match=f"papers/{name}, {words}"):
            write_plan_folder(one_lamp(), {}, site / "plan", replace=True)
        assert tree(site) == before
        (papers / name).unlink()
    assert run("plan", "--only", "workbook", "--only", "drawing-svg", "--replace").exit_code == 0
    assert tree(papers) == written


@pytest.mark.parametrize("record", [None, b"no record\n", b"\xff"])
def test_papers_without_a_record_are_known_by_their_names(site: Path, record: bytes | None) -> None:
    assert run("plan", "--only", "set-out-csv").exit_code == 0
    kept = site / "plan" / "papers" / RECORD_FILE
    kept.unlink() if record is None else kept.write_bytes(record)
    assert run("plan", "--only", "workbook", "--replace").exit_code == 0
    assert papers_in(kept.parent) == {"lists.xlsx"}


@pytest.mark.parametrize(
    ("args", "said"),
    [
        (["--only", "list"], ["--only: found 'list', which is no paper", "did you mean 'lists'?"]),
        (["--position", "48.1"], ["--position: found '48.1', which is no position", "latitude,longitude in degrees"]),
        (["--position", "148.1,11.5"], ["found '148.1,11.5', which is no position"]),
        (["--position", "nan,11.5"], ["found 'nan,11.5', which is no position"]),
        (["--position", "48,1374,11,5762"], ["which is no position"]),
        (["--only", "zzz", "--only", "joint-lists"], ["found 'zzz'", "write one of cut-list-csv, plan", "2 problems"]),
        (["--font", "none.ttf"], ["none.ttf: cannot be read", "name a TrueType font"]),
        (["--font", "plan/plan.json"], ["plan.json: found no TrueType font in it"]),
        (["--out", "plan/plan.json"], ["plan.json: is a file", "choose another folder"]),
        (["--out", "plan"], ["which is no paper", "choose another folder"]),
        (["--out", "plan/plan.json/deeper"], ["cannot be written", "choose another folder"]),
    ],
    ids=str,
)
def test_what_cannot_be_done_is_said_and_nothing_is_written(site: Path, args: list[str], said: list[str]) -> None:
    before = tree(site)
    refused(run("plan", *args), *said)
    assert tree(site) == before


@pytest.mark.skipif(os.name != "posix" or os.geteuid() == 0, reason="root may write anywhere")
def test_a_folder_without_rights(site: Path) -> None:
    (site / "shut").mkdir(mode=0o500)
    refused(run("plan", "--out", "shut/papers"), "cannot be written")


def test_a_folder_without_a_plan(site: Path) -> None:
    (site / "empty").mkdir()
    refused(run("empty"), "empty/plan.json: found no such file", "name a plan's folder")
    refused(run("nowhere"), "found no such file")


DATA = json.loads(plan_json(courtyard()))
SPOILED = {
    "no JSON": ("{", "found text that is no JSON"),
    "not UTF-8": (b"\xff\xfe", "not UTF-8"),
    "a list": ("[]", "found []"),
    "a number as a text": (json.dumps({**DATA, "seed": "one"}), "plan.json:seed: found 'one'"),
    "a key that is missing": (json.dumps({k: v for k, v in DATA.items() if k != "lamps"}), "lamps: is missing"),
    "a piece that is not there": (
        json.dumps({**DATA, "cuts": [{**DATA["cuts"][0], "pieces": ["K99"]}]}),
        "plan.json:cuts[0].pieces: found 'K99', which is no cable of the plan",
    ),
    "endless numbers": (plan_json(courtyard()).replace('"work": 1.0', '"work": 1e999'), "work: found inf"),
    "deep": ("[" * 100_000, "nested or long beyond reason"),
}


@pytest.mark.parametrize("name", SPOILED)
def test_a_spoiled_plan_is_refused(site: Path, name: str) -> None:
    content, said = SPOILED[name]
    (site / "plan" / "plan.json").write_bytes(content if isinstance(content, bytes) else content.encode())
    before = tree(site)
    refused(run("plan"), said)
    assert tree(site) == before


def test_a_failing_disk_leaves_the_earlier_papers(site: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    assert run("plan", "--only", "set-out-csv").exit_code == 0
    before = tree(site)

    def full(handle: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    refused(run("plan", "--replace", "--only", "joint-list-csv"), "No space left on device")
    monkeypatch.undo()
    assert tree(site) == before


def test_a_full_folder_of_temporary_files_is_named(site: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The letters of a PDF are laid there: not the papers' folder is full, and another one would not help."""
    full = site / "full"
    full.mkdir()
    write_bytes = Path.write_bytes

    def write(self: Path, data: bytes) -> int:
        if full in self.parents:
            raise OSError(28, "No space left on device")
        return write_bytes(self, data)

    monkeypatch.setattr(tempfile, "tempdir", str(full))
    monkeypatch.setattr(Path, "write_bytes", write)
    refused(run("plan", "--only", "labels"), f"{full}", "No space left on device", "TMPDIR")
    assert not (site / "plan" / "papers").exists()


_STOPPED_WHILE_WRITING = """
import os, pathlib, signal, sys
import cli

told = [getattr(signal, sys.argv.pop())]

def then(before):
    def wrapped(*args):
        if told:
            os.kill(os.getpid(), told.pop())
        return before(*args)
    return wrapped

os.fsync, pathlib.Path.write_bytes = then(os.fsync), then(pathlib.Path.write_bytes)
cli.main()
"""


@pytest.mark.parametrize(
    ("command", "name"), [("papers", "SIGINT"), ("papers", "SIGTERM"), ("survey", "SIGTERM"), ("new", "SIGTERM")]
)
def test_who_is_stopped_while_writing_writes_all(site: Path, command: str, name: str) -> None:
    """A supervisor's SIGTERM ended the program at once, and half of the files lay about."""
    terrace = str(ROOT / "cases/terrace")
    args = {
        "papers": ["plan", "--only", "set-out-csv", "--only", "joint-list-csv", "--out", "out"],
        "survey": [terrace, "--out", "out"],
        "new": ["out", "--survey", f"{terrace}/survey.csv"],
    }[command]
    done = subprocess.run(
        [sys.executable, "-c", _STOPPED_WHILE_WRITING, command, *args, name],
        env={**os.environ, "PYTHONPATH": str(ROOT)},
        capture_output=True,
        check=False,
    )
    assert (done.returncode, done.stderr) == (0, b"")
    assert not [path for path in tree(site) if ".new-" in path]
    assert len(list((site / "out").iterdir())) == {"papers": 3, "survey": 2, "new": 2}[command]


def test_names_of_papers_are_listed_without_a_plan() -> None:
    result = run("--list")
    assert (result.exit_code, result.stderr) == (0, "")
    assert [line.split()[0] for line in result.stdout.splitlines()] == [paper.name for paper in PAPERS]


def test_names_and_files_are_each_used_once() -> None:
    assert len({paper.name for paper in PAPERS}) == len({paper.file for paper in PAPERS}) == len(PAPERS)
    assert "plan.json" not in {paper.file for paper in PAPERS}
    everyday = {paper.file for paper in PAPERS if paper.everyday}
    assert everyday == {"cut_list.csv", "plan.svg", "lists.pdf"}
    written = summary(courtyard(), out="here").split("Written to")[1]
    assert all(file in written for file in everyday)
