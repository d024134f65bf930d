"""Plans of the demo sites for tests that only look at them: each is made once in a run, whoever asks for it first."""

from __future__ import annotations

import os
import pickle
from functools import cache
from pathlib import Path

from optimiser.check.read_plan import read_plan
from optimiser.documents.plan_file import plan_json
from optimiser.job_folder import open_job
from optimiser.make_plan import Made, Options, make_whole
from optimiser.plan.model import Plan

CASES = Path(__file__).resolve().parents[1] / "cases"
EFFORT = 0.05


class Shared:
    """The folder of this run in which all its processes find the plans made so far; ``conftest.py`` names it."""

    folder: Path | None = None


def _file(name: str, ending: str) -> Path:
    """
    Where what was made of a demo site lies, made now where nobody has.

    Two processes that ask for the same plan at the same time both make it: by the promise of the same bytes that
    other tests hold them to, it does not matter whose is kept.
    """
    if Shared.folder is None:
        raise LookupError("a case's plan can be had in a test or a fixture, not while tests are collected")
    path = Shared.folder / f"case-{name}{ending}"
    if not path.exists():
        made = make_whole(open_job(CASES / name), Options(effort=EFFORT, processes=1))
        whole, plan = pickle.dumps(made), plan_json(made.plan).encode()
        for data, end in ((whole, ".pickle"), (plan, ".json")):
            own = Shared.folder / f"case-{name}.{os.getpid()}{end}"
            own.write_bytes(data)
            own.replace(Shared.folder / f"case-{name}{end}")
    return path


@cache
def case_plan(name: str) -> Plan:
    """
    The plan of a demo site with seed 1 at effort 0.05, by one process, as read from its ``plan.json``; not to be
    changed.
    """
    return read_plan(_file(name, ".json"))


@cache
def case_made(name: str) -> Made:
    """The same with the ground and the layout that it was drawn from; not to be changed."""
    made: Made = pickle.loads(_file(name, ".pickle").read_bytes())
    return made
