"""A list as data, before it is a sheet, a spreadsheet or a CSV file. In: columns and rows. Out: Table, CSV text.

CSV: UTF-8 with a byte-order mark, because spreadsheets otherwise read names in other scripts wrongly; commas between
cells, points in decimals, lines ended as RFC 4180 asks; one header row of keys with their units; no part titles, whose
facts stand in columns of their own.
"""

from __future__ import annotations

import csv
import io
from dataclasses import dataclass

from .words import number, plain

Cell = str | float | int | None


@dataclass(frozen=True)
class Column:
    """
    One column.

    Attributes
    ----------
    key
        Its name in CSV and XLSX, with the unit: ``cut_m``.
    head
        Its name on paper.
    share
        Its width over that of the others; 0 leaves it off the paper, because the part's title says it.
    digits
        After the decimal point of numbers.
    to_fill
        An empty box to write in; not in CSV.
    """

    key: str
    head: str
    share: float
    digits: int = 0
    to_fill: bool = False


@dataclass(frozen=True)
class Part:
    """Rows under one title."""

    title: str
    rows: tuple[tuple[Cell, ...], ...]


@dataclass(frozen=True)
class Table:
    """
    One list.

    Attributes
    ----------
    name
        For files: ``joint_list``.
    title
        For people: ``Joint list``.
    columns, parts
        Each row has a cell for every column; those to fill in are None.
    before, after
        Sentences above and below it on paper.
    wide
        Printed across: more columns than fit upright.
    follows
        May stand below the list before it on one sheet.
    """

    name: str
    title: str
    columns: tuple[Column, ...]
    parts: tuple[Part, ...]
    before: tuple[str, ...] = ()
    after: tuple[str, ...] = ()
    wide: bool = False
    follows: bool = False

    def __post_init__(self) -> None:
        for part in self.parts:
            for row in part.rows:
                if len(row) != len(self.columns):
                    raise ValueError(f"{self.name}: {len(row)} cells under {len(self.columns)} columns")

    @property
    def rows(self) -> list[tuple[Cell, ...]]:
        return [row for part in self.parts for row in part.rows]


def shown(cell: Cell, digits: int) -> str:
    """A cell as printed: nothing for None, numbers with their digits."""
    if cell is None:
        return ""
    if isinstance(cell, str):
        return plain(cell)
    return number(cell, 0 if isinstance(cell, int) else digits)


def csv_of(table: Table) -> str:
    """The whole table as text of a CSV file."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\r\n")
    kept = [i for i, column in enumerate(table.columns) if not column.to_fill]
    writer.writerow([table.columns[i].key for i in kept])
    for row in table.rows:
        writer.writerow([_csv_cell(row[i], table.columns[i].digits) for i in kept])
    return "\ufeff" + out.getvalue()


def safe(text: str) -> str:
    """A cell that no spreadsheet runs as a formula."""
    text = plain(text)
    return "'" + text if text[:1] in {"=", "+", "-", "@", "'"} else text


def _csv_cell(cell: Cell, digits: int) -> str:
    if cell is None:
        return ""
    if isinstance(cell, str):
        return safe(cell)
    return number(cell, 0 if isinstance(cell, int) else digits).replace(",", "")
