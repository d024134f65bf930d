"""Limits of a job that contradict one another: found before the search, each said once, with field, value and mend."""

from __future__ import annotations

import math
import random
import shutil
from pathlib import Path

import pytest
from hypothesis import HealthCheck, assume, given, settings
from hypothesis import strategies as st
from typer.testing import CliRunner

from cli import app
from optimiser.contradictions import contradictions
from optimiser.ground import build_ground
from optimiser.problems import BadInput
from optimiser.search.construct import construct
from optimiser.search.effort import Effort
from optimiser.search.facts import gather_facts
from optimiser.search.state import Bench
from tests.properties.random_jobs import Files, folder_of, random_files

TERRACE = Path(__file__).parents[1] / "cases" / "terrace"

# What changes in the terrace's job (old, new; old empty: added at the end), and the words for it: place, found, mend.
# One lamp of 4 W at 12 V; cables of 1.5 and 2.5 mm² (16 and 25 A); a driver of 60 W that limits at 6.5 A and hiccups.
BAD: dict[str, tuple[list[tuple[str, str]], str, str, str]] = {
    "limit larger than every cable": (
        [("limit_a = 6.5", "limit_a = 30")],
        'job.toml:21:drivers."60 W".limit_a',
        "found 30 A, and nothing protects a circuit of lamp type 'spike': the driver's limit of 30 A is above the 25 A "
        "of the weakest cable",
        "write the maker's limit",
    ),
    "smallest fuse larger than every cable": (
        [('limit_mode = "hiccup", short_rms_a = 2.5', 'limit_mode = "none"'), ("", "[fuses]\nratings_a = [30, 40]")],
        "job.toml:26:fuses.ratings_a",
        "found 30 A as the smallest, and the thickest cable (2 x 2.5) carries 25 A, while 60 W does not limit below it",
        "write a smaller fuse, or add a thicker cable",
    ),
    # 20 m of 0.75 mm² (2 x 26.0 ohm/km, class 5) at 40 °C: 1.04 x 1.0786 + 0.002 = 1.1237 ohm, times 4 W / 12 V.
    "drop below what the lead takes": (
        [("window_v = [10, 15]", "window_v = [10, 15], lead_m = 20"), ("", '[voltage]\nmax_drop = "2 %"')],
        "job.toml:26:voltage.max_drop",
        "found 2 %, which leaves 0.240 V, and the lead alone of lamp type 'spike' takes 0.375 V",
        "write a greater drop, or a shorter or thicker lead",
    ),
    "drop from nominal that no tap gives": (
        [("taps_v = [12]", "taps_v = [11.5], volts = 12"), ("", '[voltage]\nmax_drop = "2 %"\ndrop_from = "nominal"')],
        "job.toml:26:voltage.max_drop",
        "found 2 % from the nominal 12 V, which asks for 11.760 V at a lamp of type 'spike', and the best tap it may "
        "have gives 11.500 V at the terminals",
        "write a greater drop, or add a driver with a higher tap",
    ),
    "window no tap meets": (
        [("window_v = [10, 15]", "window_v = [11.9, 12.1]")],
        "job.toml:14:lamps.spike.window_v",
        "found 11.9 V to 12.1 V, and no tap keeps a lamp inside: 60 W at 12 V gives 11.76 V to 12.24 V",
        "write the maker's real window",
    ),
    "lamp no driver carries": (
        [("watts = 4", "watts = 50")],
        "job.toml:14:lamps.spike.watts",
        "found 50, and one such lamp draws 50.00 W at the least, and 60 W may be loaded with 48.00 W",
        "add a larger driver",
    ),
    "lamp beyond a circuit's amps": (
        [("", "[rules]\nmax_circuit_a = 0.3")],
        "job.toml:14:lamps.spike.watts",
        "found 4, and one such lamp draws 0.33 A at the least, and rules.max_circuit_a is 0.30 A",
        "add a larger driver",
    ),
    "growth no driver carries": (
        [("watts = 4", "watts = 30"), ("", '[rules]\ngrowth = "80 %"')],
        "job.toml:26:rules.growth",
        "found 80 %, with which one lamp of type 'spike' draws 54.00 W at the least, and 60 W may be loaded with "
        "48.00 W",
        "write less spare load",
    ),
    "growth the lead does not allow": (
        [
            ("window_v = [10, 15]", "window_v = [10, 15], lead_m = 20"),
            ("", "[voltage]\nmax_drop = 4\n[rules]\ngrowth = 50"),
        ],
        "job.toml:28:rules.growth",
        "found 50 %, and voltage.max_drop leaves 0.480 V, and the lead alone of lamp type 'spike' takes 0.562 V",
        "write less spare load; else write a greater drop",
    ),
    "inrush no driver starts": (
        [("watts = 4", "watts = 4, inrush_a = 12"), ("price = 75", "start_a = 10, price = 75")],
        "job.toml:14:lamps.spike.inrush_a",
        "found 12, and a lamp of type 'spike' asks for 12 A at its start, where 60 W, which starts most, starts 10 A",
        "add a driver that starts it (drivers.NAME.start_a)",
    ),
    "capacitance with spare load": (
        [
            ("watts = 4", "watts = 4, input_uf = 900"),
            ("price = 75", "start_uf = 1000, price = 75"),
            ("", "[rules]\ngrowth = 25"),
        ],
        "job.toml:26:rules.growth",
        "found 25 %, and a lamp of type 'spike' asks for 1125 µF at its start, where 60 W, which starts most, starts "
        "1000 µF",
        "write less spare load, or add a driver that starts it (drivers.NAME.start_uf)",
    ),
    "timer that no driver may be on": (
        [("", "[mains]\nvolts = 230\n[supplies.S1]\ntimer_a = 0.02")],
        "job.toml:28:supplies.S1.timer_a",
        # 4 W over 0.85 and 0.9 are 5.23 VA; 0.02 A x 230 V are 4.6 VA
        "found 0.02 A, and one lamp of type 'spike' makes a driver draw 5.2 VA of the mains where supply point S1 "
        "gives 4.6 VA, and no other gives more",
        "write a larger timer or dimmer",
    ),
    "inrush no timer switches": (
        [("price = 75", "inrush_a = 40, price = 75"), ("", "[supplies.S1]\ninrush_a = 30")],
        "job.toml:26:supplies.S1.inrush_a",
        "found 30 A, and every driver draws 40 A or more when switched on",
        "write a timer, relay or dimmer that switches more",
    ),
    "ground hotter than any copper may be": (
        [("", "[rules]\nground_c = 70")],
        "job.toml:26:rules.ground_c",
        "found 70 °C, and no cable may be hotter than 60 °C: none could carry anything",
        "write the ground's real temperature",
    ),
    "post too small for any cable": (
        [("window_v = [10, 15]", "window_v = [10, 15], terminals = true, terminal_mm2 = 1")],
        "job.toml:14:lamps.spike.terminal_mm2",
        "found 1 mm², and the thinnest cable (2 x 1.5) has 1.5 mm²",
        "add a thinner cable",
    ),
    "outlet too small for any cable": (
        [("price = 75", "terminal_mm2 = 1, price = 75")],
        'job.toml:21:drivers."60 W".terminal_mm2',
        "found 1 mm², and the thinnest cable (2 x 1.5) has 1.5 mm²",
        "add a thinner cable",
    ),
    "kit too small for any cable": (
        [("max_ways = 4", "max_ways = 4, max_mm2 = 1")],
        "job.toml:23:joints.kits",
        "holds no kit that takes the 0.75 mm² lead of lamp type 'spike' and any cable",
        "add a kit for these sizes",
    ),
}


def write(folder: Path, changes: list[tuple[str, str]]) -> None:
    folder.mkdir()
    shutil.copy(TERRACE / "survey.csv", folder / "survey.csv")
    text = (TERRACE / "job.toml").read_text(encoding="utf-8")
    for old, new in changes:
        assert text.count(old) == 1 or not old
        text = text.replace(old, new) if old else text + new + "\n"
    (folder / "job.toml").write_text(text, encoding="utf-8")


@pytest.mark.parametrize("name", BAD)
def test_a_contradiction_is_said_once_before_the_search(name: str, tmp_path: Path) -> None:
    changes, place, found, mend = BAD[name]
    write(tmp_path / "job", changes)
    out = tmp_path / "plan"
    # An effort that would take an hour: nothing is searched.
    result = CliRunner().invoke(app, ["plan", str(tmp_path / "job"), "--out", str(out), "--effort", "100"])
    assert result.exit_code == 2, result.output
    assert not out.exists()
    assert result.stdout == ""
    first, second, last = result.stderr.rstrip().split("\n")
    assert first.endswith(f"{place}: {found}") or f"{place}: {found}; " in first, first
    assert second.strip().startswith(f"mend: {mend}"), second
    assert last == "1 problem; nothing was written."


# The same numbers, just good: nothing is refused.
GOOD: dict[str, list[tuple[str, str]]] = {
    "the case itself": [],
    "limit as large as the best cable": [("limit_a = 6.5", "limit_a = 25")],
    "a driver that protects needs no fuse": [("", "[fuses]\nratings_a = [30, 40]")],
    # 0.375 V are 3.13 % of 12 V
    "drop above what the lead takes": [
        ("window_v = [10, 15]", "window_v = [10, 15], lead_m = 20"),
        ("", "[voltage]\nmax_drop = 3.2"),
    ],
    "window the tolerance just meets": [("window_v = [10, 15]", "window_v = [11.76, 12.24]")],
    "lamp that just fits": [("watts = 4", "watts = 48")],
    "growth that just fits": [("watts = 4", "watts = 30"), ("", "[rules]\ngrowth = 60")],
    "inrush that just starts": [
        ("watts = 4", "watts = 4, inrush_a = 8"),
        ("price = 75", "start_a = 10, price = 75"),
        ("", "[rules]\ngrowth = 25"),
    ],
    "a lamp type that nobody surveyed": [
        ("[cables]", "[lamps.giant]\nwatts = 900\nvolts = 12\ninrush_a = 99\n[cables]"),
        ("price = 75", "start_a = 10, price = 75"),
    ],
    "timer that takes one lamp": [("", "[supplies.S1]\ntimer_a = 0.023")],
    "timer that switches one driver": [
        ("price = 75", "inrush_a = 40, price = 75"),
        ("", "[supplies.S1]\ninrush_a = 40"),
    ],
    "warm ground": [("", "[rules]\nground_c = 57")],
}


@pytest.mark.parametrize("name", GOOD)
def test_what_is_just_good_is_no_contradiction(name: str, tmp_path: Path) -> None:
    from optimiser.job_folder import open_job

    write(tmp_path / "job", GOOD[name])
    folder = open_job(tmp_path / "job")
    assert contradictions(folder) == []


def test_a_value_of_the_command_line_is_named_as_such(tmp_path: Path) -> None:
    write(tmp_path / "job", [("window_v = [10, 15]", "window_v = [10, 15], lead_m = 20")])
    result = CliRunner().invoke(app, ["plan", str(tmp_path / "job"), "--max-drop", "2 %"])
    assert result.exit_code == 2
    assert result.stderr.startswith("command line:voltage.max_drop: found 2 %, which leaves 0.240 V")


@st.composite
def tight_files(draw: st.DrawFn) -> Files:
    """Random jobs with one number made so small or so large that it may contradict the rest."""
    files = draw(random_files(max_lamps=2))
    more = draw(
        st.sampled_from(
            [
                "\n[rules]\ngrowth = 190\n",
                "\n[rules]\nmax_circuit_a = 0.45\n",
                "\n[rules]\nground_c = 65\n",
                "\n[fuses]\nratings_a = [50]\n",
                '\n[voltage]\nmax_drop = 1\ndrop_from = "nominal"\n',
                "\n[voltage]\nmax_drop = 1\n[joints]\nend_ohm = 0.4\n",
            ]
        )
    )
    table = more.strip().split("\n")[0]
    head, _, tail = files.job.partition(table)
    rest = tail.split("\n[", 1)
    job = head + more + ("[" + rest[1] if len(rest) > 1 else "")
    return Files(job, files.survey, files.num_drivers, files.seed)


quietly = {"deadline": None, "suppress_health_check": list(HealthCheck), "derandomize": True}


@settings(max_examples=40, **quietly)  # type: ignore[arg-type]
@given(tight_files())
def test_what_is_called_a_contradiction_has_no_layout(files: Files) -> None:
    """The search knows nothing of contradictions: where one is found, it leaves lamps of that type out."""
    try:
        folder = folder_of(files.job, files.survey)
        problems = contradictions(folder)
        assume(problems)
        ground = build_ground(folder.job, folder.survey)
    except BadInput:
        assume(False)
    facts = gather_facts(folder.job, folder.survey, ground.graph)
    if all(facts.lamp_feeds):
        state = construct(Bench(facts, Effort(math.inf)), random.Random(1), noise=0.0)
        assert not state.is_whole, problems
