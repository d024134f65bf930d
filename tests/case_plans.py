"""Plans of the demo sites for tests that only look at them: each is made once in a run, whoever asks for it first."""

from __future__ import annotations

import os
from functools import cache
from pathlib import Path

from optimiser.check.read_plan import read_plan
from optimiser.documents.plan_file import plan_json
from optimiser.job_folder import open_job
from optimiser.make_plan import Options, make_plan
from optimiser.plan.model import Plan

CASES = Path(__file__).resolve().parents[1] / "cases"
EFFORT = 0.05


class Shared:
    """The folder of this run in which all its processes find the plans made so far; ``conftest.py`` names it."""

    folder: Path | None = None


@cache
def case_plan(name: str) -> Plan:
    """
    The plan of a demo site with seed 1 at effort 0.05, by one process, as read from its ``plan.json``; not to be
    changed.

    Two processes that ask for the same plan at the same time both make it: by the promise of the same bytes that
    other tests hold them to, it does not matter whose is kept.
    """
    if Shared.folder is None:
        raise LookupError("a case's plan can be had in a test or a fixture, not while tests are collected")
    path = Shared.folder / f"case-{name}.json"
    if not path.exists():
        plan = make_plan(open_job(CASES / name), Options(effort=EFFORT, processes=1))
        own = path.with_suffix(f".{os.getpid()}")
        own.write_text(plan_json(plan), encoding="utf-8")
        own.replace(path)
    return read_plan(path)
