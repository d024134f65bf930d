"""A column that no row fills, told once. In: Problems of single rows, Table. Out: the Problems, one for such a column.

A header without x or y is found where it is read, unless it has columns of another way to measure: then each row that
needs the column would be told of.
"""

from __future__ import annotations

from collections.abc import Container, Iterable, Sequence

from ..problems import Problem
from .table import Table

_FEW = 3
"""So many rows are better told of one by one."""
_MENDS = {
    "x": "write how far to the right each point lies, in metres (empty where tapes or degrees place it)",
    "y": "write how far up the plan each point lies, in metres (empty where tapes or degrees place it)",
    "latitude": "write the degrees of each point that has a longitude",
    "longitude": "write the degrees of each point that has a latitude",
}


def told_once(problems: Sequence[Problem], table: Table, filled_in: Container[int], file: str) -> list[Problem]:
    """Problems in their order; ``filled_in`` are positions in ``table.rows`` whose x and y were not written there."""
    found: dict[str, list[Problem]] = {}
    if table.labels:
        return list(problems)  # a file without rows has no columns
    for problem in problems:
        if problem.field in _MENDS and problem.found == "is empty":
            found.setdefault(problem.field, []).append(problem)
    for column, rows in found.items():
        if len(rows) > _FEW and not _is_written(table, column, () if column.startswith("l") else filled_in):
            there = any(column in cells.texts for index, cells in enumerate(table.rows) if index not in filled_in)
            what = "is empty in all rows" if there else "is not in the header"
            if len(rows) < len(table.rows):
                what += f", and {len(rows)} points (from row {rows[0].line} on) are placed in no other way"
            mend = _MENDS[column] if there else f"add a column '{column}': {_MENDS[column].removeprefix('write ')}"
            problems = _instead(problems, rows, Problem(file, 0 if there else table.header_row, column, what, mend))
    return list(problems)


def _is_written(table: Table, column: str, filled_in: Container[int]) -> bool:
    return any(cells[column] for index, cells in enumerate(table.rows) if index not in filled_in)


def _instead(problems: Iterable[Problem], rows: Sequence[Problem], one: Problem) -> list[Problem]:
    gone = {id(problem) for problem in rows}
    return [
        one if problem is rows[0] else problem for problem in problems if problem is rows[0] or id(problem) not in gone
    ]
