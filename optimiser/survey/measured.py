"""What each row says about its place. In: Table. Out: Rows, numbers read and names looked up, and every Problem.

A place may be given by x and y, by latitude and longitude, by tapes from other points (``from1``, ``dist1`` …), by
chainage and offset from a line between two others, or by several of these at once. Knows no geometry.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterator
from dataclasses import dataclass, field

from ..problems import Problem, nearest
from .numbers import decimal_comma, read_metres, read_number
from .points import NAMED, fold
from .table import MOST_TIES, Cells, Table

_KIND_WORDS = {"supply": "supply point", "corner": "corner", "": "point"}
_LEFT, _RIGHT = {"left", "l"}, {"right", "r"}
_DEGREES = re.compile(
    r"([NSEW]?)\s*([-+]?\d{1,3})\s*°\s*(\d{1,2})\s*['′’]\s*(?:(\d{1,2}(?:[.,]\d+)?)\s*(?:\"|″|”|''|′′))?\s*([NSEW]?)",
    re.IGNORECASE,
)


@dataclass(frozen=True)
class Tape:
    """A taped distance, in m, from the row with index ``to``."""

    to: int
    metres: float
    column: str


@dataclass
class Row:
    """One row's ways of saying where it is; indices are places in the table."""

    cells: Cells
    xy: tuple[float, float] | None = None
    position: tuple[float, float] | None = None
    """Longitude, latitude in degrees."""
    accuracy_m: float | None = None
    tapes: list[Tape] = field(default_factory=list)
    base: tuple[int, int] | None = None
    chainage_m: float = 0.0
    offset_m: float = 0.0
    """To the left."""
    side: int = 0
    """+1 left, -1 right of the way from the first tape's point to the second's; 0 not said."""
    level_from: int | None = None
    rise_m: float = 0.0
    z: float | None = None
    whole: bool = True
    """False where something of it could not be read."""

    @property
    def named(self) -> str:
        """How a sentence calls it: ``peg B``, ``lamp L5``."""
        kind = self.cells["kind"].casefold()
        if kind == "corner":
            return f"corner {self.cells['point']}".strip() + f" of {self.cells['of']}"
        return f"{_KIND_WORDS.get(kind, kind)} {self.cells['point'] or self.cells['of']}"


class Rows:
    """All rows of a table, with the names that other rows may refer to."""

    def __init__(self, table: Table, file: str) -> None:
        self.file = file
        self.comma = decimal_comma(table)
        self.problems: list[Problem] = []
        self._by_name: dict[str, list[int]] = {}
        self._written: dict[str, str] = {}
        self._kinds = [cells["kind"].casefold() for cells in table.rows]
        self._near: dict[str, str | None] = {}
        for index, cells in enumerate(table.rows):
            if cells["point"]:
                self._by_name.setdefault(fold(cells["point"]), []).append(index)
                self._written.setdefault(fold(cells["point"]), cells["point"])
        self.rows = [self._read(index, cells) for index, cells in enumerate(table.rows)]

    def __iter__(self) -> Iterator[Row]:
        return iter(self.rows)

    def __len__(self) -> int:
        return len(self.rows)

    def complain(self, row: Row, column: str, found: str, mend: str) -> None:
        row.whole = False
        self.problems.append(Problem(self.file, row.cells.row, column, found, mend))

    def _read(self, index: int, cells: Cells) -> Row:
        row = Row(cells)
        x, y = (read_metres(cells[column], self.comma, needed=False)[0] for column in ("x", "y"))
        row.xy = None if x is None or y is None else (x, y)
        row.z = read_number(cells["z"], self.comma)[0] if cells["z"] else None
        row.accuracy_m = self._number(row, "accuracy_m")
        if row.accuracy_m is not None and row.accuracy_m <= 0:
            self.complain(row, "accuracy_m", f"found {cells['accuracy_m']}, which is not above 0", "write metres")
            row.accuracy_m = None
        self._read_position(row)
        self._read_tapes(row, index)
        self._read_base(row, index)
        self._read_level(row, index)
        if row.tapes or row.base:
            self._read_side(row)
        return row

    def _number(self, row: Row, column: str, *, needed: bool = False) -> float | None:
        text = row.cells[column]
        if not text:
            if needed:
                self.complain(row, column, "is empty", "write the measured metres")
            return None
        value, fault = read_number(text, self.comma)
        if fault:
            self.complain(row, column, *fault)
        return value

    def _read_position(self, row: Row) -> None:
        texts = [row.cells[column] for column in ("longitude", "latitude")]
        if not any(texts):
            return
        values: list[float] = []
        for column, text, most in zip(("longitude", "latitude"), texts, (180, 90), strict=True):
            if not text:
                self.complain(row, column, "is empty", f"write the {column} too, in degrees")
                continue
            value = _degrees(text)
            if value is None:
                value = self._number(row, column)
            if value is not None and abs(value) > most:
                mend = "write degrees" if abs(value) > 180 else "are latitude and longitude changed over?"
                self.complain(row, column, f"found {text}, which is no {column}", mend)
            elif value is not None:
                values.append(value)
        if len(values) == 2:
            row.position = values[0], values[1]

    def _refer(self, row: Row, index: int, column: str) -> int | None:
        """Index of the row that a column names."""
        name = row.cells[column]
        if not name:
            self.complain(row, column, "is empty", "write the name of the point it was measured from")
            return None
        there = self._by_name.get(fold(name), [])
        if len(there) > 1:  # corners and the like need no name of their own: the peg, the lamp is meant
            there = [k for k in there if self._kinds[k] in NAMED] or there
        if len(there) == 1:
            if there[0] == index:
                self.complain(row, column, f"found '{name}', the point itself", "name another point")
                return None
            return there[0]
        if not there:
            if name not in self._near:
                few = len(self._near) < 20  # a look among many names takes its time
                self._near[name] = nearest(name, list(self._by_name)[:2000]) if few else None
            near = self._near[name]
            mend = (
                f"did you mean '{self._written[near]}'?"
                if near
                else "write the name of a peg or another point of the survey"
            )
            self.complain(row, column, f"found '{name}', which is no point of the survey", mend)
            return None
        self.complain(row, column, f"found '{name}', which {len(there)} points are called", "give each its own name")
        return None

    def _read_tapes(self, row: Row, index: int) -> None:
        for tie in range(1, MOST_TIES + 1):
            source, column = f"from{tie}", f"dist{tie}"
            if not row.cells[source] and not row.cells[column]:
                continue
            to = self._refer(row, index, source)
            metres = self._number(row, column, needed=True)
            if metres is not None and metres <= 0:
                self.complain(row, column, f"found {row.cells[column]}, which is not above 0", "write the taped metres")
            elif metres is not None and to is not None:
                row.tapes.append(Tape(to, metres, column))

    def _read_base(self, row: Row, index: int) -> None:
        columns = ("base1", "base2", "chainage", "offset")
        if not any(row.cells[column] for column in columns):
            return
        ends = [self._refer(row, index, column) for column in columns[:2]]
        along, across = (self._number(row, column, needed=True) for column in columns[2:])
        if ends[0] is not None and ends[0] == ends[1]:
            found = f"found '{row.cells['base2']}' at both ends of the baseline"
            self.complain(row, "base2", found, "name the point at its other end")
        elif None not in ends and along is not None and across is not None:
            row.base = ends[0], ends[1]  # type: ignore[assignment]
            row.chainage_m, row.offset_m = along, across

    def _read_side(self, row: Row) -> None:
        text = row.cells["side"].casefold()
        if not text:
            return
        if text not in _LEFT | _RIGHT:
            line = "from base1 to base2" if row.base else "from from1 to from2"
            self.complain(row, "side", f"found '{row.cells['side']}'", f"write left or right of the way {line}")
            return
        row.side = 1 if text in _LEFT else -1
        if row.base:
            if row.offset_m < 0:
                found = f"found '{row.cells['side']}' beside a negative offset"
                self.complain(row, "side", found, "write the offset without its minus, or leave side empty")
            row.offset_m *= row.side

    def _read_level(self, row: Row, index: int) -> None:
        if not row.cells["level_from"] and not row.cells["rise"]:
            return
        to = self._refer(row, index, "level_from")
        rise = self._number(row, "rise", needed=True)
        if row.cells["z"]:
            self.complain(row, "rise", "is given beside z", "keep one of the two")
        elif to is not None and rise is not None and math.isfinite(rise):
            row.level_from, row.rise_m = to, rise


def _degrees(text: str) -> float | None:
    """Degrees of ``47°22'36.8"N``; None where it is not written so."""
    match = _DEGREES.fullmatch(text.strip())
    if match is None:
        return None
    degrees, minutes, seconds = float(match[2]), float(match[3]), float((match[4] or "0").replace(",", "."))
    if minutes >= 60 or seconds >= 60:
        return None
    size = abs(degrees) + minutes / 60 + seconds / 3600
    return -size if match[2].startswith("-") or (match[1] + match[5]).upper() in ("S", "W") else size
