"""The folder: whole or not at all, and never a file lost that is not ours to lose."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
from pathlib import Path

import pytest

from optimiser.documents.folder import PLAN_RECORD_FILE, write_plan_folder
from optimiser.documents.plan_file import plan_json
from optimiser.plan.model import Plan
from optimiser.problems import BadInput
from optimiser.survey_papers.write import write_files
from tests.documents.sample import courtyard, one_lamp

FILES = {"job.toml": b"title = 'x'\n", "survey.csv": b"point,kind\r\n"}
NAMES = ("plan.json", "cut_list.csv", "plan.svg", "lists.pdf", "job.toml", "survey.csv")


def names(folder: Path) -> set[str]:
    return {path.name for path in folder.iterdir()}


@pytest.fixture(scope="module")
def earlier(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return the folder of a plan; to be copied, not to be changed."""
    out = tmp_path_factory.mktemp("earlier") / "plan"
    write_plan_folder(courtyard(), FILES, out, replace=False)
    return out


def test_writes_everything_and_reads_back(tmp_path: Path) -> None:
    plan = courtyard()
    out = tmp_path / "new" / "plan"
    written = write_plan_folder(plan, FILES, out, replace=False)
    assert written == [out / name for name in NAMES]
    assert names(out) == {path.name for path in written} | {PLAN_RECORD_FILE}
    assert names(out.parent) == {"plan"}
    assert (out / "survey.csv").read_bytes() == FILES["survey.csv"]
    assert Plan.model_validate_json((out / "plan.json").read_bytes()) == plan


def test_same_plan_same_bytes(tmp_path: Path) -> None:
    write_plan_folder(courtyard(), FILES, tmp_path / "a", replace=False)
    write_plan_folder(courtyard(), FILES, tmp_path / "b", replace=False)
    for name in names(tmp_path / "a"):
        assert (tmp_path / "a" / name).read_bytes() == (tmp_path / "b" / name).read_bytes()


def test_plan_json_is_orderly() -> None:
    text = plan_json(courtyard())
    data = json.loads(text)
    assert list(data)[:3] == ["tool", "job", "currency"]
    assert "from" in data["cables"][0]
    assert "from_" not in data["cables"][0]
    assert text.endswith("\n}\n")
    assert "-0.0," not in plan_json(courtyard().model_copy(update={"gap": -0.0}))
    assert "mm²" in text  # not escaped
    with pytest.raises(ValueError, match="JSON compliant"):
        plan_json(courtyard().model_copy(update={"effort": float("nan")}))


def test_an_earlier_plan_is_replaced_only_when_asked(earlier: Path, tmp_path: Path) -> None:
    out = tmp_path / "plan"
    shutil.copytree(earlier, out)
    with pytest.raises(BadInput, match="holds a plan already"):
        write_plan_folder(one_lamp(), FILES, out, replace=False)
    assert Plan.model_validate_json((out / "plan.json").read_bytes()) == courtyard()
    write_plan_folder(one_lamp(), {"job.toml": b""}, out, replace=True)
    assert Plan.model_validate_json((out / "plan.json").read_bytes()) == one_lamp()
    assert "survey.csv" not in names(out)  # nothing of the earlier plan stays behind
    assert names(tmp_path) == {"plan"}


@pytest.mark.parametrize("name", ["plan.svg", "cut_list.csv", "survey.csv", "plan.json"])
def test_a_file_that_was_changed_is_not_replaced(earlier: Path, tmp_path: Path, name: str) -> None:
    """A drawing corrected by hand, a cut ticked off: nothing of it is lost, until it is moved away."""
    out = tmp_path / "plan"
    shutil.copytree(earlier, out)
    edited = (out / name).read_bytes() + b"\n"
    (out / name).write_bytes(edited)
    before = {path.name: path.read_bytes() for path in out.iterdir()}
    with pytest.raises(BadInput) as refusal:
        write_plan_folder(one_lamp(), FILES, out, replace=True)
    assert str(refusal.value) == (
        f"{out}: holds {name}, changed since being written\n"
        "    mend: move that elsewhere to keep it, delete it, or choose another folder"
    )
    assert {path.name: path.read_bytes() for path in out.iterdir()} == before
    if name != "plan.json":  # without it the folder holds no plan
        (out / name).rename(tmp_path / name)
        write_plan_folder(one_lamp(), FILES, out, replace=True)
        assert (tmp_path / name).read_bytes() == edited
        write_plan_folder(courtyard(), FILES, out, replace=True)  # the new record is of the new files


def test_the_record_is_read_by_sha256sum(tmp_path: Path) -> None:
    """GNU coreutils, where it is installed, checks the folder by its record."""
    program = shutil.which("sha256sum")
    if program is None:
        pytest.skip("sha256sum is not installed")
    write_plan_folder(courtyard(), FILES, tmp_path / "plan", replace=False)
    checked = subprocess.run(
        [program, "--check", "--strict", PLAN_RECORD_FILE],
        cwd=tmp_path / "plan",
        capture_output=True,
        text=True,
        check=False,
    )
    assert (checked.returncode, checked.stdout) == (0, "".join(f"{name}: OK\n" for name in NAMES))


def test_folders_of_others_are_left_alone(tmp_path: Path) -> None:
    (tmp_path / "letters").mkdir()
    (tmp_path / "letters" / "dear.txt").write_text("dear")
    with pytest.raises(BadInput, match="holds files but no plan"):
        write_plan_folder(courtyard(), FILES, tmp_path / "letters", replace=True)
    (tmp_path / "file").write_text("x")
    with pytest.raises(BadInput, match="is a file"):
        write_plan_folder(courtyard(), FILES, tmp_path / "file", replace=True)
    out = tmp_path / "plan"
    write_plan_folder(courtyard(), FILES, out, replace=False)
    (out / "joint photo.jpg").write_bytes(b"photo")
    with pytest.raises(BadInput, match=r"joint photo\.jpg, which no plan wrote"):
        write_plan_folder(courtyard(), FILES, out, replace=True)
    assert (out / "joint photo.jpg").read_bytes() == b"photo"
    assert (tmp_path / "letters" / "dear.txt").read_text() == "dear"
    assert names(tmp_path) == {"letters", "file", "plan"}


def test_an_empty_folder_may_be_filled(tmp_path: Path) -> None:
    (tmp_path / "plan").mkdir()
    write_plan_folder(courtyard(), FILES, tmp_path / "plan", replace=False)
    assert "plan.json" in names(tmp_path / "plan")
    assert names(tmp_path) == {"plan"}


@pytest.mark.parametrize("name", ["plan.json", "../up.csv", "", "..", "a/b", "a\\b", "plan.svg", PLAN_RECORD_FILE])
def test_copies_cannot_leave_the_folder_or_cover_the_plan(tmp_path: Path, name: str) -> None:
    with pytest.raises(BadInput, match="cannot stand beside"):
        write_plan_folder(courtyard(), {name: b""}, tmp_path / "plan", replace=False)
    assert names(tmp_path) == set()


@pytest.mark.parametrize("failing", range(9))
@pytest.mark.parametrize("error", [OSError(28, "No space left on device"), KeyboardInterrupt()], ids=["disk", "ctrl-c"])
def test_a_failure_at_any_step_keeps_the_earlier_plan(
    earlier: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, failing: int, error: BaseException
) -> None:
    """Every write to disk and every rename fails in turn; the earlier plan is whole each time."""
    out = tmp_path / "plan"
    shutil.copytree(earlier, out)
    steps = 0
    real_fsync, real_rename = os.fsync, Path.rename

    def step() -> None:
        nonlocal steps
        steps += 1
        if steps == failing + 1:
            raise error

    def fsync(handle: int) -> None:
        step()
        real_fsync(handle)

    def rename(self: Path, to: Path) -> Path:
        step()
        return real_rename(self, to)

    monkeypatch.setattr(os, "fsync", fsync)
    monkeypatch.setattr(Path, "rename", rename)
    with pytest.raises((BadInput, KeyboardInterrupt)):
        write_plan_folder(one_lamp(), FILES, out, replace=True)
    monkeypatch.undo()
    assert Plan.model_validate_json((out / "plan.json").read_bytes()) == courtyard()
    assert names(tmp_path) == {"plan"}


def test_a_crash_between_the_renames_is_mended_by_the_next_write(earlier: Path, tmp_path: Path) -> None:
    out = tmp_path / "plan"
    shutil.copytree(earlier, out)
    out.rename(tmp_path / ".plan.previous")  # where a power cut would leave it
    with pytest.raises(BadInput, match="holds a plan already"):
        write_plan_folder(one_lamp(), FILES, out, replace=False)
    assert Plan.model_validate_json((out / "plan.json").read_bytes()) == courtyard()
    write_plan_folder(one_lamp(), FILES, out, replace=True)
    assert names(tmp_path) == {"plan"}


@pytest.mark.parametrize("survey", [False, True])
def test_a_full_disk_leaves_no_empty_folders(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, survey: bool) -> None:
    """Nothing was written, it is said: nor are the folders there that were made for it."""

    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    def write() -> None:
        if survey:
            write_files(out, {"points.csv": "point\n"}, replace=False)
        else:
            write_plan_folder(courtyard(), FILES, out, replace=False)

    (tmp_path / "mine").mkdir()
    out = tmp_path / "mine" / "deep" / "plan"
    monkeypatch.setattr(*((Path, "write_bytes") if survey else (os, "fsync")), full)
    with pytest.raises(BadInput, match="No space left on device"):
        write()
    monkeypatch.undo()
    assert names(tmp_path) == {"mine"}
    assert names(tmp_path / "mine") == set()


@pytest.mark.parametrize("replace", [False, True])
def test_of_two_plans_written_there_at_once_none_is_lost_unasked(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, replace: bool
) -> None:
    """Both found the folder free; the other one is done while ours is being written beside it."""
    out, real_fsync = tmp_path / "plan", os.fsync

    def fsync(handle: int) -> None:
        monkeypatch.undo()
        write_plan_folder(courtyard(), FILES, tmp_path / "other", replace=False)
        (tmp_path / "other").rename(out)
        real_fsync(handle)

    monkeypatch.setattr(os, "fsync", fsync)
    if replace:
        write_plan_folder(one_lamp(), FILES, out, replace=True)
    else:
        with pytest.raises(BadInput, match="holds a plan already"):
            write_plan_folder(one_lamp(), FILES, out, replace=False)
    there = Plan.model_validate_json((out / "plan.json").read_bytes())
    assert there == (one_lamp() if replace else courtyard())
    assert names(tmp_path) == {"plan"}


def test_what_cannot_be_written_is_bad_input(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("x")
    with pytest.raises(BadInput, match="cannot be written"):
        write_plan_folder(courtyard(), FILES, tmp_path / "file" / "plan", replace=False)


def test_links_are_followed_not_replaced(tmp_path: Path) -> None:
    (tmp_path / "real").mkdir()
    (tmp_path / "link").symlink_to(tmp_path / "real")
    write_plan_folder(courtyard(), FILES, tmp_path / "link", replace=False)
    assert (tmp_path / "link").is_symlink()
    assert "plan.json" in names(tmp_path / "real")
