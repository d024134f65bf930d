"""Cells where none belongs, and rows shifted by a decimal comma. In: Table. Out: Problems by number of the row.

In a text separated by commas, ``-12,5`` without quotes is two cells, and all behind it stand one column too far to the
right. Where the last columns are empty the row still fits the header: only what the cells hold shows it.

Files without rows of their own (GeoJSON, DXF) cannot shift, and give all features the same properties: they are not
looked at.
"""

from __future__ import annotations

import itertools
import re
from collections.abc import Iterator, Sequence

from ..problems import Problem
from .table import NUMBERS, OFFSETS, TIES, Cells, Table

ONLY_FOR = {"group": "lamp", "ring": "corner", "stem_mm": "tree"}
"""Columns that one kind uses."""
_NAMED_BY_OF = ("lamp", "corner", "sleeve", "mains")
_WHOLE = re.compile(r"[-+\u2212]?\d+")
_NUMBER = re.compile(r"[-+\u2212]?\d+(?:\.\d+)?")
_DECIMAL = re.compile(r"[-+\u2212]?\d*\.\d+")
_UNSHIFT = (
    "the row looks shifted by a decimal comma: write decimals with a point, put a number that has a comma in quotes, "
    "or separate the columns with semicolons"
)


def stray_cells(table: Table, file: str) -> dict[int, list[Problem]]:
    """Problems of cells that their row's kind does not use, and of groups that seem to be part of a number."""
    found: dict[int, list[Problem]] = {}
    if table.labels:
        return found
    for cells in table.rows:
        shifted = table.comma_splits and _looks_shifted(cells)
        for column in _unused(cells):
            said = f"found '{cells[column]}' in a row of kind {cells['kind'].casefold()}, which has no {column}"
            mend = _UNSHIFT if shifted else "leave it empty, or correct the kind"
            found.setdefault(cells.row, []).append(Problem(file, cells.row, column, said, mend))
    if table.comma_splits:
        for cells in _shifted_groups([cells for cells in table.rows if cells.row not in found]):
            said = f"found '{cells['group']}' behind a whole number, where other rows have decimals"
            mend = f"{_UNSHIFT}; if it is a group, give it another name, such as 'group {cells['group']}'"
            found[cells.row] = [Problem(file, cells.row, "group", said, mend)]
    return found


def _unused(cells: Cells) -> Iterator[str]:
    """Filled columns that say nothing for the row's kind; a ring or stem of 0 is none, words in ``of`` are notes."""
    kind = cells["kind"].casefold()
    if kind not in (*_NAMED_BY_OF, "supply", "tree", "peg"):
        return
    for column, user in ONLY_FOR.items():
        text = cells[column]
        if text and kind != user and not (column != "group" and re.fullmatch(r"0+(?:[.,]0+)?", text)):
            yield column
    if kind not in _NAMED_BY_OF and _NUMBER.fullmatch(cells["of"]):
        yield "of"
    if _NUMBER.fullmatch(cells["side"]) and not any(cells[column] for column in (*TIES, *OFFSETS)):
        yield "side"


def _pairs(cells: Cells) -> Iterator[tuple[str, str]]:
    """Neighbouring columns, in the file's order, that may hold the two halves of a number."""
    for before, after in itertools.pairwise(cells.texts):
        if before in NUMBERS and _WHOLE.fullmatch(cells[before]) and _NUMBER.fullmatch(cells[after]):
            yield before, after


def _looks_shifted(cells: Cells) -> bool:
    """Whether a number stands behind a whole one where none belongs: ``9,-12,5`` for ``9,-12.5``."""
    strange = {*_unused(cells), "group", "of", "side"}
    return any(after in strange for _, after in _pairs(cells))


def _shifted_groups(rows: Sequence[Cells]) -> list[Cells]:
    """Lamps whose group is a number behind a whole one, where most rows have decimals there and no such groups."""
    lamps = [cells for cells in rows if cells["kind"].casefold() == "lamp" and _NUMBER.fullmatch(cells["group"])]
    before = {pair[0] for cells in lamps for pair in _pairs(cells) if pair[1] == "group"}
    shifted = [cells for cells in lamps if any(pair[1] == "group" for pair in _pairs(cells))]
    if not shifted or len(shifted) < len(lamps) or len(before) != 1:
        return []
    column = before.pop()
    others = [cells[column] for cells in rows if cells[column] and cells not in shifted]
    decimals = sum(_DECIMAL.fullmatch(text) is not None for text in others)
    return shifted if len(others) > len(shifted) and decimals > len(others) / 2 else []
