"""README and help say what is there: commands, options, files, the command that tests it all."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from typer.testing import CliRunner

from cli import app
from optimiser.job import describe_keys

ROOT = Path(__file__).parents[1]
README = (ROOT / "README.md").read_text(encoding="utf-8")
COMMANDS = ["plan", "check", "schema"]


@pytest.mark.parametrize("command", COMMANDS)
def test_each_command_has_a_sentence_an_example_and_a_place_in_the_readme(command: str) -> None:
    text = CliRunner().invoke(app, [command, "--help"]).stdout
    assert re.search(r"Usage:.*?\n\n  [A-Z][^.]+\.", text, flags=re.S)
    assert "Example:" in text
    assert f"lampspur {command}" in README


def test_every_option_that_the_readme_names_is_there() -> None:
    known = "".join(CliRunner().invoke(app, [command, "--help"]).stdout for command in COMMANDS)
    own = re.sub(r"```.*?```", "", README, flags=re.S)  # shell blocks hold other programs' options too
    for option in set(re.findall(r"`(?:lampspur \w+ )?(--[a-z-]+)", own)):
        assert option in known


def test_the_readme_holds_two_commands_that_set_everything_up() -> None:
    set_up = re.findall(r"^python3 -m venv \.venv && .+$", README, flags=re.M)
    assert len(set_up) == 2
    assert "lampspur plan cases/" in set_up[0]
    assert set_up[1].endswith("pytest")
    case = re.search(r"plan (cases/\w+)", set_up[0])
    assert case is not None
    assert (ROOT / case[1] / "job.toml").is_file()


def test_nothing_is_left_to_fill_in_and_every_file_named_is_there() -> None:
    assert "TODO" not in README
    for path in re.findall(r"\]\(([^)#:]+)\)", README):
        assert (ROOT / path).exists(), path


def test_the_session_shown_was_printed_by_this_program() -> None:
    """What does not hang on the plan found: every heading of the summary, in its order, and the check's last line."""
    shown = README.split("## A session")[1]
    at = [
        shown.index(heading)
        for heading in ("Cost\n", "How sure\n", "Tightest lamp\n", "Trench ", "Cable ", "Written to\n")
    ]
    assert at == sorted(at)
    assert re.search(r"The plan holds: \d+ findings, no violation\.", shown)


@pytest.mark.parametrize("key", ["voltage.max_drop", "rules.max_gauges", "slack.per_cent", "fuses.open_factor"])
def test_the_table_of_keys_holds_them(key: str) -> None:
    assert f"`{key}`" in describe_keys()
