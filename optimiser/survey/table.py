"""The rows that every reader of a survey ends in. In: rows of text cells. Out: Table, its cells by column name.

Columns stand in any order, their names in any case and spacing; blank rows anywhere. Rows are numbered as the
spreadsheet shows them: the file's first row is row 1, blank rows count. Files without rows of their own number their
features or entities, and say in ``labels`` what each of them is.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import PurePath

from ..problems import BadInput, Problem, nearest

MOST_TIES = 6
_LOOK = 20  # rows from the top in which a header is sought
MOST_ROWS = 200_000
NEEDED = ("point", "kind", "of", "x", "y")
TIES = tuple(name for tie in range(1, MOST_TIES + 1) for name in (f"from{tie}", f"dist{tie}"))
OFFSETS = ("base1", "base2", "chainage", "offset")
POSITIONS = ("latitude", "longitude")
OPTIONAL = (
    "z", "group", "ring", "stem_mm", "note", *TIES, "side", *OFFSETS, *POSITIONS, "accuracy_m", "level_from", "rise",
)  # fmt: skip
NUMBERS = ("x", "y", "z", "stem_mm", *TIES[1::2], "chainage", "offset", "latitude", "longitude", "accuracy_m", "rise")
_ALIASES = {"lat": "latitude", "lon": "longitude", "lng": "longitude", "long": "longitude", "accuracy": "accuracy_m"}
_METRES = {"x", "y", "z", *TIES[1::2], "chainage", "offset", "rise"}
_FEET = ("ft", "feet", "foot", "usft")
_UNITS = (*_FEET, "mm", "cm", "km", "in", "inch", "inches", "yd", "yards")
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
    labels: Mapping[int, str] = field(default_factory=dict)
    """What stands in the place of a row's number in messages, where the file has no rows: ``feature 3``."""
    header_row: int = 1
    comma_splits: bool = False
    """Whether a comma without quotes parts a number in two: a text separated by commas."""

    def place(self, problem: Problem) -> Problem:
        """The problem with the label of its row instead of the row's number, where the file has no rows."""
        label = self.labels.get(problem.line)
        if label is None:
            return problem
        found = re.sub(r", between rows [\d-]+ and [\d-]+", "", problem.found)
        found = re.sub(r"\brow (\d+)", lambda row: self.labels.get(int(row[1]), row[0]), found)
        return Problem(problem.file, 0, ", ".join(filter(None, (label, problem.field))), found, problem.mend)


_HEIGHT = re.compile(rf"(?:z|heights?|levels?|elevation|altitude)(?:[\W_].*|{'|'.join(_UNITS)})?", re.IGNORECASE)


def clean(text: str) -> str:
    """Text without outer space, inner space as single plain spaces, invisible marks removed."""
    if text.isascii() and text.isprintable() and "  " not in text:
        return text.strip()
    return re.sub(r"\s+", " ", re.sub("[\u200b\u200e\u200f\u2060\ufeff]", "", text)).strip()


def fold_column(name: str) -> str:
    return re.sub(r"[\s_-]", "", clean(name)).casefold()


COLUMNS = {fold_column(name): name for name in (*NEEDED, *OPTIONAL)} | _ALIASES
"""Name of each known column by its folded name, other usual names included."""


def table_of(records: Iterable[tuple[int, Sequence[str]]], file: str, separator: str = ",") -> Table:
    """
    Table of numbered rows of cells, the first that is not blank being the header.

    Raises
    ------
    BadInput
        There is no row, there are more than ``MOST_ROWS``, or the header lacks columns that a survey needs.
    """
    filled: list[tuple[int, list[str]]] = []
    for row, record in records:
        cells = [clean(cell) for cell in record]
        if any(cells):
            filled.append((row, cells))
        if row > MOST_ROWS:
            found = f"has more than {MOST_ROWS} rows"
            raise BadInput([Problem(file, row, "", found, "keep the points of one site, and nothing else, in it")])
    if not filled:
        raise BadInput(
            [Problem(file, 0, "", "is empty", "write the header point,kind,of,x,y and a row for each point")]
        )
    (header_row, names), *body = filled
    _refuse_rows_above(filled[:_LOOK], file)
    columns, notes = _columns(names, header_row, file)
    if not body:
        raise BadInput([Problem(file, header_row, "", "has no rows below the header", "write a row for each point")])
    rows: list[Cells] = []
    problems: list[Problem] = []
    for row, record in body:
        if any(record[len(names) :]):
            found = f"has {len(record)} fields where the header has {len(names)}"
            mend = "write decimals with a point, and names with a comma in quotes"
            if not all(re.fullmatch(r"[-+]?[\d.]*", cell) for cell in record[len(names) :]):
                mend = "give its last columns a head too (note, say), or put texts with a comma in quotes"
            if separator != ",":
                mend = f"give its last columns a head too, or put texts that hold a {_SEPARATORS[separator]} in quotes"
            problems.append(Problem(file, row, "", found, mend))
            continue
        texts = {column: record[place] for column, place in columns.items() if place < len(record)}
        if any(texts.values()):
            rows.append(Cells(row, texts))
    return Table(tuple(rows), separator, tuple(problems), tuple(notes), header_row=header_row)


def _refuse_rows_above(first: Sequence[tuple[int, Sequence[str]]], file: str) -> None:
    """A title, or merged heads, above the header: rows before the first that has most of the columns needed."""
    known = [sum(COLUMNS.get(fold_column(name)) in NEEDED for name in set(names)) for _, names in first]
    below = next((k for k, count in enumerate(known) if count >= len(NEEDED) - 1), 0)
    if below and known[0] < 3:
        (row, _), (there, _) = first[0], first[below]
        found = f"is not the header, which stands in row {there}"
        raise BadInput([Problem(file, row, "", found, f"delete the rows above row {there}")])


def _columns(names: list[str], row: int, file: str) -> tuple[dict[str, int], list[str]]:
    """Place of each known column; a note for those that are not used."""
    places: dict[str, int] = {}
    problems: list[Problem] = []
    others: list[str] = []
    plain = {COLUMNS.get(fold_column(name)) for name in names}
    for place, name in enumerate(names):
        column = COLUMNS.get(fold_column(name))
        if column is None and _in_metres(name) not in plain:
            column = _in_metres(name)
        if column is None:
            others += [name] if name else []
        elif column in places:
            problems.append(Problem(file, row, column, "stands twice in the header", "keep one of the two columns"))
        else:
            places[column] = place
    missing = [column for column in NEEDED if column not in places]
    if len(missing) == len(NEEDED):
        found = "has none of the columns point, kind, of, x, y in its first row"
        mend = "write the header point,kind,of,x,y above the points"
        if len(names) == 1 and (parted := re.search(r"\bkind\b\s*([^\w\s])", names[0], re.IGNORECASE)):
            found, mend = f"has columns parted by '{parted[1]}'", "part them by commas, semicolons or tabs"
        raise BadInput([Problem(file, row, "", found, mend)])
    if any(column in places for column in ("from1", "base1", "latitude")):
        missing = [column for column in missing if column not in ("x", "y")]  # places are measured in another way
    problems += [Problem(file, row, column, *_missing_column(column, others)) for column in missing]
    if problems:
        raise BadInput(problems)
    level = not {"z", "level_from"} & places.keys()
    return places, [
        f"{PurePath(file).name}: column '{name}' is not used{_hint(name) if level else ''}" for name in others
    ]


def _hint(name: str) -> str:
    """What to say of a column that may hold heights, in a survey without any; it may be the lamps' own heights too."""
    if _HEIGHT.fullmatch(name) is None:
        return ""
    return ": are these heights of the ground? Without a column 'z', in metres, it is taken as level"


def _in_metres(name: str) -> str | None:
    """The column that a head names together with its unit, metres: ``X (m)``, ``x [m]``, ``dist1_m``."""
    head = re.fullmatch(r"(.+?)\s*(?:\(m\)|\[m\]|[ _]m)", clean(name), re.IGNORECASE)
    column = COLUMNS.get(fold_column(head[1])) if head else None
    return column if column in _METRES else None


def _missing_column(column: str, others: Sequence[str]) -> tuple[str, str]:
    """(found, mend) of a column that is not there, by the heads that are not used."""
    if len(column) > 1:
        near = nearest(column, others)
        mend = f"rename the column '{near}' to" if near else "add a column"
        return "is not in the header", f"{mend} '{column}'{'' if near else ' (empty where a kind needs none)'}"
    head = re.compile(rf"{column}(?:[\W_].*|{'|'.join(_UNITS)})", re.IGNORECASE)
    near = next((name for name in others if head.fullmatch(name)), None)
    if near is None:
        return "is not in the header", f"add a column '{column}' (empty where a kind needs none)"
    found = f"is not in the header, which has '{near}'"
    unit = re.sub(r"[\W_]+$", "", re.sub(rf"^{column}[\W_]*", "", near.casefold()))
    foot = unit in _FEET or near[1:].strip() in ("'", "’", "′")
    if foot:
        return found, f"the survey is in metres: write metres (1 ft = 0.3048 m), and rename the column to '{column}'"
    if unit in _UNITS:
        return found, f"the survey is in metres: write metres, and rename the column to '{column}'"
    return found, f"rename the column '{near}' to '{column}' if it holds metres"
