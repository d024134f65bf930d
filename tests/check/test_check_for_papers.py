"""What a plan holds for its papers is judged too: a made plan passes, and any of it spoiled is found."""

from __future__ import annotations

import copy
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from optimiser.check import check_plan
from optimiser.job_folder import JobFolder, open_job
from optimiser.make_plan import Options, make_plan
from optimiser.plan.model import Plan
from tests.brief_search import brief_search

CASES = Path(__file__).resolve().parents[2] / "cases"
Data = dict[str, Any]


@pytest.fixture(scope="module", autouse=True)
def one_round() -> Iterator[None]:
    """Whatever is planned here is planned briefly."""
    with brief_search():
        yield


@pytest.fixture(scope="module")
def terrace() -> tuple[JobFolder, Data]:
    folder = open_job(CASES / "terrace")
    return folder, make_plan(folder, Options(effort=0.01)).model_dump(by_alias=True)


def broken(folder: JobFolder, data: Data) -> set[str]:
    report = check_plan(Plan.model_validate(data), folder.job, folder.survey, folder.digest)
    return {finding.limit for finding in report.violations}


def test_a_made_plan_holds_and_was_judged(terrace: tuple[JobFolder, Data]) -> None:
    folder, data = terrace
    report = check_plan(Plan.model_validate(data), folder.job, folder.survey, folder.digest)
    assert not report.violations
    assert "printed bands" in {finding.limit for finding in report.lines}


def test_a_plan_without_them_holds_too(terrace: tuple[JobFolder, Data]) -> None:
    folder, data = terrace
    data = copy.deepcopy(data)
    for joint in data["joints"]:
        del joint["volts"], joint["drop_band_v"]
    for circuit in data["circuits"]:
        del circuit["idle_band_v"], circuit["out_band_v"], circuit["amps_band"]
    for driver in data["drivers"]:
        del driver["kind"], driver["output"], driver["rated_w"]
    del data["kits_used"], data["site"]["fixed"]
    assert not broken(folder, data)


@pytest.mark.parametrize(
    ("path", "by", "limit"),
    [
        (("joints", 0, "volts"), 0.01, "printed volts"),
        (("joints", 0, "drop_band_v", 0), 0.01, "printed bands"),
        (("joints", 0, "drop_band_v", 1), -0.01, "printed bands"),
        (("circuits", 0, "idle_band_v", 1), 0.01, "printed bands"),
        (("circuits", 0, "out_band_v", 0), 0.01, "printed bands"),
        (("circuits", 0, "amps_band", 1), 0.01, "printed bands"),
        (("drivers", 0, "rated_w"), 10.0, "copies"),
        (("site", "fixed", 0, "x"), 0.01, "copies"),
    ],
    ids=str,
)
def test_a_number_changed_is_found(
    terrace: tuple[JobFolder, Data], path: tuple[str | int, ...], by: float, limit: str
) -> None:
    folder, data = terrace
    data = copy.deepcopy(data)
    at: Any = data
    for key in path[:-1]:
        if isinstance(at[key], tuple):
            at[key] = list(at[key])
        at = at[key]
    at[path[-1]] += by
    assert limit in broken(folder, data)


@pytest.mark.parametrize("change", [{"price": 99.0}, {"labour": 99.0}, {"pack": 7}, {"max_ways": 12}], ids=str)
def test_a_kit_that_is_not_the_job_s_is_found(terrace: tuple[JobFolder, Data], change: Data) -> None:
    folder, data = terrace
    data = copy.deepcopy(data)
    name = next(iter(data["kits_used"]))
    data["kits_used"][name] |= change
    assert broken(folder, data) == {"copies"}


def test_bands_of_a_wound_transformer_pass() -> None:
    """Its taps share a core, which the check solves by coupled sources and the plan by one resistance before all."""
    text = (CASES / "courtyard" / "job.toml").read_text(encoding="utf-8")
    assert "wound 160 VA" in text
    folder = open_job(CASES / "courtyard")
    only = {name: model for name, model in folder.job.drivers.items() if model.kind == "wound"}
    folder = type(folder)(**{**vars(folder), "job": folder.job.model_copy(update={"drivers": only})})
    plan = make_plan(folder, Options(effort=0.01))
    assert {(driver.kind, driver.output) for driver in plan.drivers} == {("wound", "ac")}
    report = check_plan(plan, folder.job, folder.survey, folder.digest)
    assert not report.violations
    assert any(circuit.out_band_v for circuit in plan.circuits)


def test_what_papers_print_besides_is_found_when_spoiled(terrace: tuple[JobFolder, Data]) -> None:
    folder, data = terrace
    name = next(iter(data["bound_parts"]))
    for path, value, limit in (
        (("lamps", 0, "extension_kit"), "another kit", "extensions"),
        (("joints", 0, "z"), 5.0, "heights"),
        (("lamps", 0, "z"), 5.0, "heights"),
        (("bound_parts", name), data["bound_parts"][name] + 50.0, "bound"),
    ):
        spoiled = copy.deepcopy(data)
        at: Any = spoiled
        for key in path[:-1]:
            at = at[key]
        at[path[-1]] = value
        assert limit in broken(folder, spoiled), path


@pytest.mark.parametrize(
    ("files", "holds"),
    [
        (["job.toml", "survey.csv"], True),
        ([], True),  # the plan carries no copies: then it is judged by --job alone
        (["job.toml"], False),
        (["survey.csv", "job.toml"], False),
        (["job.toml", "survey.csv", "survey.csv"], False),
        (["job.toml", "survey.csv", "notes.txt"], False),  # a new plan would replace it
    ],
    ids=str,
)
def test_the_plan_lists_its_job_and_its_survey_and_no_more(
    terrace: tuple[JobFolder, Data], files: list[str], holds: bool
) -> None:
    folder, data = terrace
    data = copy.deepcopy(data)
    data["job"]["files"] = files
    assert broken(folder, data) == (set() if holds else {"copies"})


def test_a_bound_on_the_open_ground_is_held_to_the_other(terrace: tuple[JobFolder, Data]) -> None:
    """What holds wherever trenches run holds on the ground graph too."""
    folder, data = terrace
    cost, bound = data["cost"]["total"], data["bound"]
    assert data["open_bound"] is None and data["open_gap"] is None

    def with_open(open_bound: float | None, open_gap: float | None, **more: Any) -> set[str]:
        return broken(folder, copy.deepcopy(data) | {"open_bound": open_bound, "open_gap": open_gap} | more)

    less = round(0.97 * bound, 2)
    gap = round((cost - less) / cost, 5)
    assert not with_open(less, gap)
    assert not with_open(bound, data["gap"])
    assert with_open(round(bound + 0.01, 2), round((cost - bound - 0.01) / cost, 5)) == {"bound"}
    assert with_open(less, gap + 0.01) == {"bound"}
    assert with_open(less, None) == {"bound"}
    assert with_open(-1.0, round((cost + 1) / cost, 5)) == {"bound"}
    assert "bound" in with_open(less, gap, bound=None, gap=None)
