"""Take a CSV as spreadsheets write it. In: bytes. Out: Table.

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
from dataclasses import replace

from ..problems import BadInput, Problem
from .table import COLUMNS, Table, fold_column, table_of

_SEPARATORS = {",": "comma", ";": "semicolon", "\t": "tab"}


def read_table(data: bytes, file: str) -> Table:
    """
    Cells of a survey file.

    Raises
    ------
    BadInput
        The file is no text, is empty, or its header lacks columns that a survey needs.
    """
    text = _decode(data, file)
    separator = _separator_of(text)
    return replace(table_of(_records(text, file), file, separator), comma_splits=separator == ",")


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

    def score(separator: str, line: str) -> int:
        names = next(csv.reader([line], delimiter=separator), [])
        return sum(fold_column(name) in COLUMNS for name in names)

    for line in [head, *text.splitlines()[:20]]:  # a title may stand above the header
        best = max(_SEPARATORS, key=lambda separator: score(separator, line))
        if score(best, line) > 1:
            return best
    return max(_SEPARATORS, key=lambda separator: score(separator, head))


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
