"""README and help say what is there: commands, options, keys, columns, exit codes, and output that is real."""

from __future__ import annotations

import contextlib
import re
import shlex
import shutil
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner

import cli
from cli import app
from optimiser.documents.words import PARTS
from optimiser.job import Job, Quote, Schedule, describe_keys
from optimiser.read_job import read_job
from optimiser.survey.points import KINDS
from optimiser.survey.table import NEEDED, OPTIONAL, TIES
from tests.brief_search import brief_search

ROOT = Path(__file__).resolve().parents[1]
README = (ROOT / "README.md").read_text(encoding="utf-8")
COMMANDS = ["plan", "compare", "check", "papers", "survey", "new", "schema"]
HELP = {command: CliRunner().invoke(app, [command, "--help"]).stdout for command in COMMANDS}


def examples(command: str) -> list[str]:
    """Command lines under the help's ``Example:``."""
    return [line.strip() for line in HELP[command].split("Example:")[1].splitlines() if line.strip()]


@pytest.mark.parametrize("command", COMMANDS)
def test_each_command_has_a_sentence_an_example_and_a_place_in_the_readme(command: str) -> None:
    assert re.search(r"Usage:.*?\n\n  [A-Z][^.]+\.", HELP[command], flags=re.S)
    assert all(line.startswith(f"lampspur {command} ") for line in examples(command))
    assert f"`lampspur {command} " in README


@pytest.mark.parametrize("command", COMMANDS)
def test_what_holds_without_an_option_is_said_in_words(command: str) -> None:
    """As "Default: the job's.", once, and not as "[default: (the job's)]"."""
    assert "[default" not in HELP[command]
    assert not re.search(r"Default: [^.]*Default:|\.\s*\.", HELP[command].split("Example:")[0])


def test_options_are_told_as_they_are_typed() -> None:
    assert "--size A4|A3|Letter" in HELP["papers"]
    for command in ("plan", "compare", "papers"):
        assert "Default: '" in HELP[command]  # where its folder goes


def test_there_are_no_other_commands() -> None:
    listed = CliRunner().invoke(app, ["--help"]).stdout.split("Commands:\n")[1].split("\n\n")[0]
    assert [line.split()[0] for line in listed.splitlines()] == COMMANDS


def test_every_option_that_the_readme_names_is_there() -> None:
    own = re.sub(r"```.*?```", "", README, flags=re.S)  # shell blocks hold other programs' options too
    named = set(re.findall(r"`(?:lampspur \w+ )?(--[a-z-]+)", own))
    assert {"--max-drop", "--drivers", "--seed", "--effort", "--time-limit", "--out"} <= named
    for option in named:
        assert option in "".join(HELP.values())


@pytest.fixture(scope="module")
def shelf(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a folder that holds the cases, where commands of the papers may be run one after another."""
    folder = tmp_path_factory.mktemp("shelf")
    shutil.copytree(ROOT / "cases", folder / "cases")
    return folder


def lines_of_the_papers() -> list[str]:
    """Every command line of README and help, each once, in the order in which a reader meets them."""
    first = [
        re.sub(r"^.*/lampspur ", "lampspur ", line) for line in re.findall(r"^python3 .*/lampspur .*$", README, re.M)
    ]
    inline = re.findall(r"`(lampspur (?:plan|compare|check|papers|survey|new|schema)(?: [^`]+)?)` prints", README)
    return list(dict.fromkeys([*first, *inline, *(line for command in COMMANDS for line in examples(command))]))


def test_the_papers_hold_the_commands_expected() -> None:
    """So that the next test does not pass for want of commands."""
    assert lines_of_the_papers()[0] == "lampspur plan cases/courtyard --out courtyard-plan"
    assert len(lines_of_the_papers()) >= 6


@pytest.fixture(scope="module")
def planned(shelf: Path) -> str:
    """Return what the README's first command prints, at little effort; its plan stays on the shelf."""
    return ran(shelf, lines_of_the_papers()[0])


def ran(shelf: Path, line: str) -> str:
    """What a command line of the papers prints, run on the shelf at little effort, and briefly."""
    args = shlex.split(line.split(" > ")[0])[1:]
    searches = args[0] in ("plan", "compare")
    more = ["--effort", "0.02", "--processes", "1", "--replace"] if searches else []
    with contextlib.chdir(shelf), brief_search():
        result = CliRunner().invoke(app, args + more)
    assert (result.exit_code, result.stderr) == (0, ""), line
    return result.stdout


@pytest.mark.slow
def test_every_command_of_the_papers_runs(shelf: Path, planned: str) -> None:
    assert planned
    for line in lines_of_the_papers()[1:]:
        assert ran(shelf, line)


def test_the_readme_holds_two_commands_that_set_everything_up() -> None:
    set_up = re.findall(r"^python3 -m venv \.venv && .+$", README, flags=re.M)
    assert len(set_up) == 2
    assert "lampspur plan cases/" in set_up[0]
    assert set_up[1].endswith("pytest")


def test_ci_runs_the_readmes_test_command_by_the_letter() -> None:
    """CI takes the line from the README with awk; the same line is found here with the same rule."""
    script = (ROOT / ".ci/run").read_text(encoding="utf-8")
    assert "awk '/^<!-- the tests -->$/ { near = 1 } near && /^python3 / { print; exit }' README.md" in script
    after = README.split("\n<!-- the tests -->\n")[1]
    line = next(line for line in after.splitlines() if line.startswith("python3 "))
    assert line == "python3 -m venv .venv && .venv/bin/pip install -q -e '.[test]' && .venv/bin/pytest"
    for check in ("pytest -m slow", "ruff check .", "ruff format --check .", "/mypy"):
        assert check in script


def test_nothing_is_left_to_fill_in_and_every_file_named_is_there() -> None:
    assert "TODO" not in README
    for path in [*re.findall(r"\]\(([^)#:]+)\)", README), "LICENSE", "DEVELOPERS.md", "cases/terrace"]:
        assert (ROOT / path).exists(), path


def test_every_exit_code_is_in_readme_and_help() -> None:
    codes = [cli.OK, cli.FAILS, cli.BAD_INPUT, cli.INFEASIBLE, cli.FAULT, cli.STOPPED]
    table = README.split("| exit code |")[1].split("\n\n")[0]
    assert [int(code) for code in re.findall(r"^\| (\d+) \|", table, flags=re.M)] == codes
    listed = CliRunner().invoke(app, ["--help"]).stdout.split("Exit codes:")[1]
    assert [int(code) for code in re.findall(r"^    (\d+) ", listed, flags=re.M)] == codes


def session(command: str) -> str:
    """The block that the README shows below a command."""
    found = re.search(rf"`{re.escape(command)}`[^\n]*prints:\n\n```\n(.*?)```\n", README, flags=re.S)
    assert found is not None
    return found[1]


HEADINGS = ("Guesthouse courtyard", "Cost", "How sure", "Tightest lamp", "Trench", "Cable", "Written to")


def test_the_session_shown_has_the_shape_of_what_is_printed_now(shelf: Path, planned: str) -> None:
    """What does not hang on the plan found: the headings in their order, the parts of the cost, the check's words."""
    for text in (planned, session(lines_of_the_papers()[0])):
        lines = [re.sub(r" [\d,.]+ m.*", "", line) for line in text.splitlines()]
        assert [line for line in lines if line in HEADINGS] == list(HEADINGS)
        assert re.findall(r"^  ([a-z ]+?) +[\d,.]+ +\d+ %$", text, flags=re.M) == [name for _, name in PARTS]
    assert session("lampspur check courtyard-plan") == ran(shelf, "lampspur check courtyard-plan")


@pytest.mark.slow
def test_the_session_shown_is_what_this_version_prints(shelf: Path) -> None:
    """At full effort. Another processor may find another plan of about the cost; ``docs/refresh.py`` prints it anew."""
    line = lines_of_the_papers()[0]
    with contextlib.chdir(shelf):
        now = CliRunner().invoke(app, [*shlex.split(line)[1:], "--replace"]).stdout
    totals = [float(re.findall(r"total +([\d,.]+)", text)[0].replace(",", "")) for text in (now, session(line))]
    assert totals[0] == pytest.approx(totals[1], rel=0.01), "run python docs/refresh.py"
    assert f"Cost {totals[1]:,.2f} EUR" in (ROOT / "docs/courtyard.svg").read_text(encoding="utf-8")


def test_the_picture_is_small_enough_and_stands_alone() -> None:
    picture = (ROOT / "docs/courtyard.svg").read_text(encoding="utf-8")
    assert len(picture.encode()) < 300_000
    assert not re.search(r"<script|<image|<foreignObject|href=\"(?!#)|@import|url\((?!#|'#|\"#)", picture)


# --- keys and columns


def keys_of(shape: dict[str, Any], defs: dict[str, Any], before: str = "") -> list[str]:
    """Every dotted key of a JSON Schema that holds a value, NAME for names that the job gives."""
    if "$ref" in shape:
        return keys_of(defs[shape["$ref"].rsplit("/", 1)[1]], defs, before)
    if "properties" in shape:
        found = []
        for key, inner in shape["properties"].items():
            found += keys_of(inner, defs, f"{before}.{key}" if before else key)
        return found
    tables = [inner for inner in shape.get("anyOf", []) if "$ref" in inner]
    if tables:  # a table that need not be there
        return keys_of(tables[0], defs, before)
    if "$ref" in shape.get("items", {}):  # a list of tables
        return keys_of(shape["items"], defs, before)
    inner = shape.get("additionalProperties")
    if isinstance(inner, dict) and "$ref" in inner:
        return keys_of(inner, defs, f"{before}.NAME")
    return [before]


def test_the_table_of_keys_holds_every_key_of_the_job_and_no_other() -> None:
    """The keys as pydantic's own JSON Schema lists them, which the table is not drawn from."""
    shape = Job.model_json_schema()
    wanted = keys_of(shape, shape["$defs"])
    assert len(wanted) > 80
    table = CliRunner().invoke(app, ["schema", "--job"]).stdout
    assert table == describe_keys()
    rows = re.findall(r"^\| `([^`]+)` \|([^|]*)\|([^|]*)\|(.*)\|$", table, flags=re.M)
    assert sorted(row[0] for row in rows) == sorted(wanted)
    assert all(row[3].strip() for row in rows), "a key without a sentence"


def test_the_readme_names_every_table_of_the_job() -> None:
    held = README.split("| table | holds |")[1].split("\n\n")[0]
    for key in Job.model_fields:
        assert any(f"`{shown}`" in held for shown in (key, f"[{key}]", f"[[{key}]]")), key


def test_the_schedule_shown_is_one_that_a_job_may_have() -> None:
    shown = README.split("```toml\n")[1].split("```")[0]
    text = (ROOT / "cases/terrace/job.toml").read_text(encoding="utf-8") + shown
    job = read_job(text.encode(), "job.toml")
    assert job.schedule is not None and job.schedule.dim_pct == 60
    assert f"reckoned is {Schedule(on='dusk', off='dawn').year} or" in README


def test_the_quote_shown_is_one_that_a_job_may_have() -> None:
    shown = README.split("```toml\n")[2].split("```")[0]
    text = (ROOT / "cases/terrace/job.toml").read_text(encoding="utf-8") + shown
    job = read_job(text.encode(), "job.toml")
    assert job.quote is not None and job.quote.margin_pct == 20
    required = [key for key, field in Quote.model_fields.items() if field.is_required()]
    assert re.findall(r"^(\w+) = ", shown, flags=re.M) == [*required, "tax_name"] and len(required) == 7


def test_the_readme_names_every_column_and_kind_of_the_survey() -> None:
    held = README.split("| column |")[1].split("\n\n")[0]
    columns = [name for row in re.findall(r"^\| (`.*?) \|", held, flags=re.M) for name in re.findall(r"`(\w+)`", row)]
    assert columns == [name for name in (*NEEDED, *OPTIONAL) if name not in TIES[2:]]
    kinds = next(line for line in held.splitlines() if line.startswith("| `kind`"))
    assert set(KINDS) == set(re.findall(r"`(\w+)`", kinds)) - {"kind"}
