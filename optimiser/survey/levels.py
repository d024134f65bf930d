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
    problems = []
    for index, row in enumerate(rows):
        if row.level_from is None or index in heights:
            continue
        end, seen = index, {index}
        while (then := rows.rows[end].level_from) is not None and then not in seen:
            seen.add(then)
            end = then
        if then is not None:
            found, mend = f"is levelled in a circle, by way of {rows.rows[end].named}", "level it from a peg with a z"
        else:
            found, mend = f"hangs on {rows.rows[end].named}, which has no z", f"write the z of {rows.rows[end].named}"
        problems.append(Problem(rows.file, row.cells.row, "level_from", found, mend))
    return heights, problems, notes
