"""The check as a whole. In: Plan, Job, Survey, digest. Out: Report. Nothing of search or ground graph is used."""

from __future__ import annotations

from typing import Any

from ..job import Job
from ..plan.model import Plan
from ..survey.model import Survey
from .certainty import judge_certainty
from .copies import judge_copies
from .counts import judge_counts
from .digging import judge_digging
from .electrics import judge_electrics, lay_wires
from .index import Index, build_index
from .joints import judge_places
from .land import lay_land
from .money import judge_money
from .protection import judge_bound, judge_protection
from .quote import judge_quote
from .reels import judge_reels
from .report import Book, Report
from .routes import judge_routes
from .running import judge_running
from .trees import judge_trees
from .warned import judge_warnings

_MOST, _LONG = 1e9, 1e15
_SEEDS = ("seed", "certainty.seed")
"""Any size will do."""
"""No length, price, volts or amps of a garden is larger."""


def check_plan(plan: Plan, job: Job, survey: Survey, digest: str) -> Report:
    """
    Judge a written plan by job and survey alone.

    Parameters
    ----------
    digest
        That of job, survey and overrides, ``sha256:…``; compared with the one the plan was made from.

    Returns
    -------
    Report
        Every limit, in order; see ``limits.LIMITS``. Raises nothing for a plan that is wrong, however wrong.
    """
    book = Book()
    text = f"the plan was made from another job or survey: digest {plan.job.digest}, this job's is {digest}"
    book.claim("digest", "job", plan.job.digest == digest, text, value=plan.job.digest, allowed=digest)
    for key, value in plan.job.overrides.items():
        says = f"{key} = {value}" if value is not None else f"{key} is left out"
        book.note(f"OVERRIDDEN on the command line: {says}; the plan is judged by this, not by the job's value.")
    if not _finite(plan, book):
        book.note("Nothing else was judged: numbers are not finite or beyond all measure.")
        return book.close()
    index = build_index(plan, job, survey, book)
    if index is None:
        book.note("Nothing else was judged: names lead nowhere.")
        return book.close()
    judge_trees(index, book)
    judge_counts(index, book)
    judge_copies(index, book)
    lines = judge_routes(index, book)
    land = lay_land(job, survey, _box(index))
    judge_digging(index, land, lines, book)
    judge_places(index, land, book)
    judge_warnings(index, lines, book)
    judge_money(index, land, book)
    judge_reels(index, book)
    judge_quote(index, book)
    if index.trees_hold:
        wires = lay_wires(index)
        judge_electrics(index, wires, book)
        judge_protection(index, wires, book)
        judge_running(index, wires, book)
        judge_certainty(index, wires, book)
    else:
        book.note("Volts, amps, protection and energy were not judged: a circuit is no tree.")
    judge_bound(index, book)
    book.note("Amps are judged with all lamps on and every driver at its stated volts.")
    book.note("How warnings, rules and other texts are worded is not judged.")
    book.note("That no fewer or cheaper reels would do is not judged.")
    return book.close()


def _finite(plan: Plan, book: Book) -> bool:
    bad: list[str] = []

    def walk(value: Any, path: str) -> None:
        if isinstance(value, dict):
            for key, inner in value.items():
                walk(inner, f"{path}.{key}" if path else str(key))
        elif isinstance(value, list | tuple):
            for i, inner in enumerate(value):
                walk(inner, f"{path}[{i}]")
        elif isinstance(value, float | int) and not abs(value) <= _MOST and path not in _SEEDS:  # nor is nan
            bad.append(f"{path}: found {value if abs(value) < _LONG else 'a number of very many digits'}")

    walk(plan.model_dump(by_alias=True), "")
    for text in bad:
        book.claim("finite numbers", text.split(":")[0], False, f"{text}, which is no number of this trade")
    if not bad:
        book.claim("finite numbers", "", True, "")
    return not bad


def _box(index: Index) -> tuple[float, float, float, float]:
    points = [point[:2] for cable in index.plan.cables for point in cable.route]
    points += [point[:2] for trench in index.plan.trenches for point in trench.route]
    points += [lamp.place[:2] for lamp in index.survey.lamps] + [supply.place[:2] for supply in index.survey.supplies]
    points += [(joint.x, joint.y) for joint in index.plan.joints]
    xs, ys = [point[0] for point in points], [point[1] for point in points]
    return min(xs), min(ys), max(xs), max(ys)
