"""Workbooks written by openpyxl: the same survey as from the CSV; and everything that is no workbook."""

from __future__ import annotations

import io
import zipfile
from typing import Any

import openpyxl
import pytest
from small_job import JOB, SURVEY, job
from small_job import survey as survey_of

from optimiser.problems import BadInput
from optimiser.survey import Survey, read_survey


def book(rows: list[list[Any]], title: str = "Sheet", *others: str) -> bytes:
    made = openpyxl.Workbook()
    made.active.title = title
    for row in rows:
        made.active.append(row)
    for other in others:
        made.create_sheet(other).append(["nothing", "here"])
    stream = io.BytesIO()
    made.save(stream)
    return stream.getvalue()


def cells(text: str) -> list[list[Any]]:
    """Cells of a CSV, numbers as numbers."""

    def value(cell: str) -> Any:
        try:
            return float(cell)
        except ValueError:
            return cell or None

    return [[value(cell) for cell in line.split(",")] for line in text.splitlines()]


def read(data: bytes, name: str = "survey.xlsx") -> Survey:
    return read_survey(data, name, job(JOB))


def complaint(data: bytes) -> str:
    with pytest.raises(BadInput) as caught:
        read(data)
    return str(caught.value)


def test_the_same_survey_as_from_the_csv() -> None:
    text = SURVEY + "".join(f",corner,bed 1,{x},{y}\n" for x, y in ((10, 1.25), (14, 1), (14, 5.5), (10, 5)))
    assert read(book(cells(text))) == survey_of(text)
    assert read(book([[], *cells(text)]), "wrong.csv").lamps[0].row == 4, (
        "known by its bytes; rows as they are numbered"
    )


def test_a_sheet_named_survey_is_taken_and_the_others_are_said() -> None:
    made = openpyxl.load_workbook(io.BytesIO(book([["title page"]], "Cover")))
    sheet = made.create_sheet("Survey")
    for row in cells(SURVEY):
        sheet.append(row)
    stream = io.BytesIO()
    made.save(stream)
    assert "survey.xlsx: sheet 'Survey' is read, 1 more are not (Cover …)" in read(stream.getvalue()).notes


def test_rows_are_named_as_the_spreadsheet_numbers_them() -> None:
    assert complaint(book([*cells(SURVEY), ["L3", "lamp", "spyke", 5, "abc"]])) == (
        "survey.xlsx:5:of: found 'spyke', which is no lamp type of the job\n    mend: did you mean 'spike'?\n"
        "survey.xlsx:5:y: found 'abc', which is not a number\n    mend: write a number"
    )


def test_what_is_no_workbook_is_named() -> None:
    mend = "\n    mend: save it anew from the spreadsheet as XLSX, or as CSV UTF-8"
    assert complaint(b"") == "survey.xlsx: is not a workbook, or is cut short" + mend
    assert complaint(book(cells(SURVEY))[:-400]) == "survey.xlsx: is not a workbook, or is cut short" + mend
    stream = io.BytesIO()
    with zipfile.ZipFile(stream, "w") as packed:
        packed.writestr("hello.txt", "hello")
    assert complaint(stream.getvalue()).startswith("survey.xlsx: cannot be read as a workbook (")
    assert complaint(bytes.fromhex("d0cf11e0a1b11ae1") + b"x" * 99).startswith(
        "survey.xlsx: is a workbook of the old kind"
    )
    assert complaint(book([])) == (
        "survey.xlsx: is empty\n    mend: write the header point,kind,of,x,y and a row for each point"
    )


def test_what_swells_is_refused_before_it_is_unpacked() -> None:
    """Half a GB of spaces packs to half a MB."""
    stream = io.BytesIO()
    with zipfile.ZipFile(stream, "w", zipfile.ZIP_DEFLATED) as packed, packed.open("xl/sheet.xml", "w") as sheet:
        for _ in range(500):
            sheet.write(b" " * 1_000_000)
    assert len(stream.getvalue()) < 1_000_000
    assert complaint(stream.getvalue()).startswith("survey.xlsx: unpacks to 500 MB")
