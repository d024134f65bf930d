"""Take a CSV as spreadsheets write it. In: bytes. Out: Table, its cells as text by column name, and what was left out.

UTF-8 with or without byte-order mark, UTF-16 with one; separated by comma, semicolon or tab (a first line ``sep=;`` is
taken away); quoted fields; columns in any order, their names in any case and spacing; blank rows anywhere. Rows are
numbered as the spreadsheet shows them: the file's first row is row 1, blank rows count.
"""

from __future__ import annotations

import codecs
import csv
import io
import re
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import PurePath

from ..problems import BadInput, Problem, nearest

NEEDED = ("point", "kind", "of", "x", "y")
OPTIONAL = ("z", "group", "ring", "stem_mm", "note")
_SEPARATORS = {",": "comma", ";": "semicolon", "\t": "tab"}


@dataclass(frozen=True)
class Cells:
    """One row: the text of each known column (missing columns are empty)."""

    row: int
    texts: dict[str, str]

    def __getitem__(self, column: str) -> str:
        return self.texts.get(column, "")


@dataclass(frozen=True)
class Table:
    rows: tuple[Cells, ...]
    separator: str
    problems: tuple[Problem, ...] = ()
    """Rows that do not fit the header; such rows are left out."""
    notes: tuple[str, ...] = ()


def clean(text: str) -> str:
    """Text without outer space, inner space as single plain spaces, invisible marks removed."""
    return re.sub(r"\s+", " ", re.sub("[\u200b\u200e\u200f\u2060\ufeff]", "", text)).strip()


def read_table(data: bytes, file: str) -> Table:
    """
    Cells of a survey file.

    Raises
    ------
    BadInput
        The file is no text, is empty, or its header lacks columns that a survey needs.
    """
    records = list(_records(_decode(data, file), file))
    filled = [(row, [clean(cell) for cell in record]) for row, record in records if any(map(clean, record))]
    if not filled:
        raise BadInput(
            [Problem(file, 0, "", "is empty", "write the header point,kind,of,x,y and a row for each point")]
        )
    (header_row, names), *body = filled
    columns, notes = _columns(names, header_row, file)
    if not body:
        raise BadInput([Problem(file, header_row, "", "has no rows below the header", "write a row for each point")])
    rows: list[Cells] = []
    problems: list[Problem] = []
    separator = _separator_of(_decode(data, file))
    for row, record in body:
        if any(record[len(names) :]):
            found = f"has {len(record)} fields where the header has {len(names)}"
            mend = "write decimals with a point, and names with a comma in quotes"
            if separator != ",":
                mend = f"put texts that hold a {_SEPARATORS[separator]} in quotes"
            problems.append(Problem(file, row, "", found, mend))
            continue
        texts = {column: record[place] for column, place in columns.items() if place < len(record)}
        if any(texts.values()):
            rows.append(Cells(row, texts))
    return Table(tuple(rows), separator, tuple(problems), tuple(notes))


def _decode(data: bytes, file: str) -> str:
    encoding = "utf-16" if data.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)) else "utf-8-sig"
    mend = "save it from the spreadsheet as CSV UTF-8"
    try:
        text = data.decode(encoding)
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1 if encoding == "utf-8-sig" else 0
        found = f"found byte 0x{data[error.start]:02x}, which is not {encoding[:-4].upper() if line else 'UTF-16'}"
        raise BadInput([Problem(file, line, "", found, mend)]) from None
    if "\0" in text:
        raise BadInput([Problem(file, 0, "", "holds NUL characters, so it is not a text file", mend)])
    return text


def _first_line(text: str) -> str:
    return next((line for line in text.splitlines() if line.strip(" \t,;")), "")


def _separator_of(text: str) -> str:
    """The separator under which the header shows most of the columns we know."""
    head = _first_line(text)
    said = re.fullmatch(r"\"?sep=(.)\"?", head.strip(), re.IGNORECASE)
    if said or head.casefold().startswith("sep="):  # 'sep=\t' loses its tab to strip()
        separator = said[1] if said else "\t"
        return separator if separator in _SEPARATORS else ","
    known = {_fold(name) for name in (*NEEDED, *OPTIONAL)}

    def score(separator: str) -> int:
        names = next(csv.reader([head], delimiter=separator), [])
        return sum(_fold(name) in known for name in names)

    return max(_SEPARATORS, key=score)


def _records(text: str, file: str) -> Iterator[tuple[int, list[str]]]:
    separator = _separator_of(text)
    if (
        _first_line(text).casefold().lstrip('"').startswith("sep=")
    ):  # an instruction to the spreadsheet, no row of its own
        text = re.sub(r"^\s*[^\r\n]*(\r\n|\r|\n|$)", "", text, count=1)
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=separator, strict=True)
    row = 0
    try:
        for row, record in enumerate(reader, start=1):
            yield row, record
    except csv.Error as error:
        found = f"is not readable from this row on ({error})"
        raise BadInput(
            [Problem(file, row + 1, "", found, "close every quoted field with a quote, doubling quotes inside")]
        ) from None


def _fold(name: str) -> str:
    return re.sub(r"[\s_-]", "", clean(name)).casefold()


def _columns(names: list[str], row: int, file: str) -> tuple[dict[str, int], list[str]]:
    """Place of each known column; a note for those that are not used."""
    known = {_fold(name): name for name in (*NEEDED, *OPTIONAL)}
    places: dict[str, int] = {}
    problems: list[Problem] = []
    others: list[str] = []
    for place, name in enumerate(names):
        column = known.get(_fold(name))
        if column is None:
            others += [name] if name else []
        elif column in places:
            problems.append(Problem(file, row, column, "stands twice in the header", "keep one of the two columns"))
        else:
            places[column] = place
    missing = [column for column in NEEDED if column not in places]
    if len(missing) == len(NEEDED):
        found = "has none of the columns point, kind, of, x, y in its first row"
        raise BadInput([Problem(file, row, "", found, "write the header point,kind,of,x,y above the points")])
    for column in missing:
        near = nearest(column, others) if len(column) > 1 else None
        mend = (
            f"rename the column '{near}' to '{column}'"
            if near
            else f"add a column '{column}' (empty where a kind needs none)"
        )
        problems.append(Problem(file, row, column, "is not in the header", mend))
    if problems:
        raise BadInput(problems)
    notes = [f"{PurePath(file).name}: column '{name}' is not used" for name in others]
    return places, notes
