"""Whether the reader is warned of what he must be. In: Index, Lines. Out: cases.

A warning counts where it names the thing it is about; how it is worded is not judged.
"""

from __future__ import annotations

from shapely import LineString

from .index import Index
from .report import Book
from .routes import Lines

SHALLOW_MM, HEAVY_PCT = 150, 70
"""Trenches less deep, and drivers loaded more whose lamps' start nobody states, want a word."""


def judge_warnings(index: Index, lines: Lines, book: Book) -> None:
    job, plan = index.job, index.plan
    said = [warning.lower() for warning in plan.warnings]

    def warns(where: str, of: str, *words: str) -> None:
        found = any(all(word.lower() in text for word in words) for text in said)
        book.claim("warnings", where, found, f"{of}, and no warning says so")

    dug = [(trench, job.grounds[trench.ground].kind) for trench in plan.trenches if trench.sleeve is None]
    if any(kind == "root" for _, kind in dug):
        warns("roots", "trenches lie in root ground", "root")
    if any(trench.depth_mm < SHALLOW_MM and kind not in ("root", "mulch") for trench, kind in dug):
        warns("depth", f"trenches are less than {SHALLOW_MM} mm deep", f"{SHALLOW_MM} mm")
    for mains in index.survey.mains:
        line = LineString([place[:2] for place in mains.route])
        if any(cable.intersects(line) for cable in lines.cables.values()):
            warns(mains.name, f"cables cross mains line {mains.name}", "mains", mains.name)
    for driver in plan.drivers:
        model = index.model_of(driver.id)
        if model.kind == "electronic" and model.limit_a is None and model.mode != "none":
            warns(driver.id, f"the job states no limit_a for the {driver.model}", driver.model, "limit_a")
        if driver.load_pct > HEAVY_PCT and driver.start_a is None and driver.start_uf is None:
            of = f"{driver.id} carries {driver.load_pct:.0f} % and nobody states what its lamps draw at the start"
            warns(driver.id, of, driver.model, driver.supply, "start")


__all__ = ["judge_warnings"]
