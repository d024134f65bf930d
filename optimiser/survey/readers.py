"""Which reader takes a survey's file. In: bytes, name, Dxf settings. Out: Table.

The one place that knows file formats: every reader is a function from bytes to a Table, and everything behind it sees
the Table only. A reader for another format is a module of its own and a line in ``READERS``.
"""

from __future__ import annotations

from pathlib import PurePath
from typing import Protocol

from ..job import Dxf
from ..problems import BadInput, Problem
from .read_csv import read_table
from .table import Table

MOST_BYTES = 32_000_000
"""Of a survey's file. A garden's has a few thousand; what is larger is something else, or more than the site."""


class Reader(Protocol):
    def __call__(self, data: bytes, file: str, dxf: Dxf) -> Table:
        """
        Rows of a file.

        Raises
        ------
        BadInput
            It cannot be read as what its name says.
        """


def _read_csv(data: bytes, file: str, dxf: Dxf) -> Table:
    del dxf
    return read_table(data, file)


def _read_xlsx(data: bytes, file: str, dxf: Dxf) -> Table:
    del dxf
    from .read_xlsx import read_xlsx

    return read_xlsx(data, file)


def _read_geojson(data: bytes, file: str, dxf: Dxf) -> Table:
    del dxf
    from .read_geojson import read_geojson

    return read_geojson(data, file)


def _read_dxf(data: bytes, file: str, dxf: Dxf) -> Table:
    from .read_dxf import read_dxf

    return read_dxf(data, file, dxf)


READERS: dict[str, Reader] = {
    ".csv": _read_csv,
    ".xlsx": _read_xlsx,
    ".geojson": _read_geojson,
    ".json": _read_geojson,
    ".dxf": _read_dxf,
}
"""By the end of the file's name; any other name is taken for a CSV."""

_SIGNS = (  # how files begin that are often given a wrong name
    (b"PK\x03\x04", ".xlsx"),
    (b"AutoCAD Binary DXF", ".dxf"),
)


def read_rows(data: bytes, file: str, dxf: Dxf) -> Table:
    """
    Rows of a survey, whatever its format.

    Raises
    ------
    BadInput
        The file is too large, or cannot be read.
    """
    if len(data) > MOST_BYTES:
        found = f"is larger than {MOST_BYTES // 1_000_000} MB"
        raise BadInput([Problem(file, 0, "", found, "keep the points of one site, and nothing else, in it")])
    if data[:4] == b"AC10":
        raise BadInput([Problem(file, 0, "", "is a DWG drawing", "save it as DXF")])
    if data[:8] == bytes.fromhex("d0cf11e0a1b11ae1"):
        found = "is a workbook of the old kind (XLS)"
        raise BadInput([Problem(file, 0, "", found, "save it as XLSX, or as CSV UTF-8")])
    suffix = next((end for sign, end in _SIGNS if data.startswith(sign)), PurePath(file).suffix.casefold())
    return READERS.get(suffix, _read_csv)(data, file, dxf)
