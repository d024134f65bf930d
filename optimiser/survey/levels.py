"""Heights from levels. In: Rows, some with a rise from another point. Out: z of each row that has one, and Problems.

A rise is counted from the point it was levelled from, up; a fall has a minus. Where no point of the file has a z, the
first point that others were levelled from lies at 0.
"""

from __future__ import annotations

from collections import deque

from ..problems import Problem
from .measured import Rows


def read_levels(rows: Rows) -> tuple[dict[int, float], list[Problem], list[str]]:
    """Heights in m by index, rounded to mm; problems; notes."""
    heights = {index: row.z for index, row in enumerate(rows) if row.z is not None}
    above: dict[int, list[int]] = {}
    for index, row in enumerate(rows):
        if row.level_from is not None:
            above.setdefault(row.level_from, []).append(index)
    if not above:
        return heights, [], []
    notes: list[str] = []
    roots = [index for index in above if rows.rows[index].level_from is None]
    if not heights and roots:
        heights[roots[0]] = 0.0
        notes.append(f"heights count from {rows.rows[roots[0]].named}: no z was given")
    queue = deque(index for index in above if index in heights)
    while queue:
        index = queue.popleft()
        for other in above.get(index, ()):
            if other not in heights:
                heights[other] = round(heights[index] + rows.rows[other].rise_m, 3)
                queue.append(other)
    return heights, _hanging(rows, heights), notes


def _hanging(rows: Rows, heights: dict[int, float]) -> list[Problem]:
    """
    Rows whose levels lead to no z: one problem for all that lead to the same point.

    None where that point's own level or z cannot be read, which is said there: they mend together.
    """
    unread = {problem.line for problem in rows.problems if problem.field in ("level_from", "rise")}
    unread |= {row.cells.row for row in rows if row.cells["z"] and row.z is None}
    hanging: dict[tuple[int, bool], list[int]] = {}
    for index, row in enumerate(rows):
        if row.level_from is None or index in heights:
            continue
        way = [index]
        while (then := rows.rows[way[-1]].level_from) is not None and then not in way:
            way.append(then)
        # All that lead into one circle are told of by its first row.
        end = way[-1] if then is None else min(way[way.index(then) :])
        if rows.rows[end].cells.row not in unread:
            hanging.setdefault((end, then is not None), []).append(index)
    problems = []
    for (end, circle), found in hanging.items():
        others = f", as {len(found) - 1} more are" if len(found) > 1 else ""
        named = rows.rows[end].named
        if circle:
            words, mend = f"is levelled in a circle, by way of {named}{others}", "level it from a peg with a z"
        else:
            words, mend = f"is levelled from {named}, which has no z{others}", f"write the z of {named}"
        problems.append(Problem(rows.file, rows.rows[found[0]].cells.row, "level_from", words, mend))
    return problems
