"""Random small jobs from files to plan: either a plan that the check confirms, or an answer in words; nothing else."""

from __future__ import annotations

import pytest
from hypothesis import HealthCheck, given, settings

from optimiser.check import check_plan
from optimiser.make_plan import Options, make_plan
from optimiser.problems import BadInput, NoFeasibleLayout
from tests.properties.random_jobs import Files, folder_of, random_files


def planned_or_answered(files: Files) -> None:
    answer: BadInput | NoFeasibleLayout | None = None
    try:
        folder = folder_of(files.job, files.survey)
        plan = make_plan(folder, Options(effort=0.02, seed=files.seed, num_drivers=files.num_drivers))
    except (BadInput, NoFeasibleLayout) as error:
        answer = error
    if isinstance(answer, BadInput):
        assert answer.problems
        assert all(problem.found and problem.mend for problem in answer.problems)
        return
    if isinstance(answer, NoFeasibleLayout):
        assert answer.obstacles
        assert all(obstacle.what for obstacle in answer.obstacles)
        return
    report = check_plan(plan, folder.job, folder.survey, folder.digest)
    assert not report.violations, [finding.sentence for finding in report.violations]
    assert plan.bound is not None
    assert plan.bound <= plan.cost.total


quietly = {"deadline": None, "suppress_health_check": list(HealthCheck), "derandomize": True}


@settings(max_examples=25, **quietly)  # type: ignore[arg-type]
@given(random_files())
def test_random_jobs_are_planned_or_answered(files: Files) -> None:
    planned_or_answered(files)


@pytest.mark.slow
@settings(max_examples=40, **quietly)  # type: ignore[arg-type]
@given(random_files())
def test_many_random_jobs_are_planned_or_answered(files: Files) -> None:
    planned_or_answered(files)
