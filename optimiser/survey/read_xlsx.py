"""Take a workbook (XLSX). In: bytes. Out: Table, from the sheet named ``survey`` or else the first one that is shown.

Cells are read as the values last computed in them. Numbers become texts with a decimal point.
"""

from __future__ import annotations

import io
import zipfile
from collections.abc import Iterator
from dataclasses import replace
from pathlib import PurePath
from typing import Any

from ..problems import BadInput, Problem
from .table import MOST_ROWS, Table, table_of

_MOST_COLUMNS = 200
_MOST_UNPACKED = 400_000_000
_MEND = "save it anew from the spreadsheet as XLSX, or as CSV UTF-8"


def read_xlsx(data: bytes, file: str) -> Table:
    """
    Rows of a workbook.

    Raises
    ------
    BadInput
        It is no workbook, or its sheet has not the columns of a survey.
    """
    import warnings

    import openpyxl

    _refuse_what_swells(data, file)
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # of styles and extensions that are not read
            book = openpyxl.load_workbook(io.BytesIO(data), read_only=True, data_only=True, keep_links=False)
            sheets = [sheet for sheet in book.worksheets if getattr(sheet, "sheet_state", "visible") == "visible"]
            named = [sheet for sheet in sheets if sheet.title.strip().casefold() == "survey"]
            if not sheets:
                raise BadInput([Problem(file, 0, "", "has no sheet of cells that is shown", _MEND)])
            sheet = (named or sheets)[0]
            records = list(_records(sheet, file))
    except BadInput:
        raise
    except Exception as error:  # the library's own faults on a broken file are of many sorts
        reason = str(error).split("\n")[0][:100] or type(error).__name__
        raise BadInput([Problem(file, 0, "", f"cannot be read as a workbook ({reason})", _MEND)]) from None
    table = table_of(records, file)
    others = [other.title for other in sheets if other is not sheet]
    if others:
        name = PurePath(file).name
        notes = (*table.notes, f"{name}: sheet '{sheet.title}' is read, {len(others)} more are not ({others[0]} …)")
        table = replace(table, notes=notes)
    return table


def _refuse_what_swells(data: bytes, file: str) -> None:
    """A small file may unpack to more than memory holds."""
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as packed:
            size = sum(item.file_size for item in packed.infolist())
    except (zipfile.BadZipFile, ValueError, OSError, NotImplementedError):
        raise BadInput([Problem(file, 0, "", "is not a workbook, or is cut short", _MEND)]) from None
    if size > _MOST_UNPACKED:
        found = f"unpacks to {size // 1_000_000} MB"
        raise BadInput([Problem(file, 0, "", found, "keep the points of one site, and nothing else, in it")])


def _records(sheet: Any, file: str) -> Iterator[tuple[int, list[str]]]:
    sheet.reset_dimensions()  # what the file says of its size may be wrong
    for row, values in enumerate(sheet.iter_rows(values_only=True, max_col=_MOST_COLUMNS), start=1):
        if row > MOST_ROWS:
            found = f"has more than {MOST_ROWS} rows"
            raise BadInput([Problem(file, row, "", found, "keep the points of one site, and nothing else, in it")])
        yield row, [_text(value) for value in values]


def _text(value: Any) -> str:
    if value is None:
        return ""
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, float):
        return str(int(value)) if value.is_integer() and abs(value) < 1e15 else repr(value)
    return str(value)[:500]
