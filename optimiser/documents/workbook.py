"""All lists as one XLSX workbook. In: Tables. Out: bytes, the same every time.

Every text is written as text: no cell is a formula or a link, whatever its name begins with. Dates inside the file are
fixed.
"""

from __future__ import annotations

import datetime
import io
from collections.abc import Sequence

from .svg import text_width
from .tables import Column, Table
from .words import plain

_MADE = datetime.datetime(2000, 1, 1, tzinfo=datetime.UTC).replace(tzinfo=None)
_CELL_MOST = 32_000
"""A cell holds at most 32,767 characters (ECMA-376 leaves it open; the programs that read XLSX do not)."""


def workbook_of(tables: Sequence[Table], name: str, caution: str, notes: Sequence[str] = ()) -> bytes:
    """
    One sheet a table: one header row, fixed in view, filters, columns as wide as their words.

    Parameters
    ----------
    name
        Title of the job.
    caution
        Printed at the foot of every page of every sheet (at most 240 signs, as XLSX has it), and on a first sheet that
        says what the others are.
    notes
        More for that first sheet.
    """
    import xlsxwriter

    data = io.BytesIO()
    options = {"in_memory": True, "strings_to_formulas": False, "strings_to_urls": False, "strings_to_numbers": False}
    with xlsxwriter.Workbook(data, options) as book:
        book.set_properties({"title": plain(name)[:255], "created": _MADE})
        bold = book.add_format({"bold": True, "text_wrap": True, "valign": "top", "bottom": 1})
        texts = book.add_format({"text_wrap": True, "valign": "top", "num_format": "@"})
        box = book.add_format({"border": 1, "border_color": "#8A8A8A"})
        patterns = ["0", "0.0", "0.00", "0.000"]
        numbers = [book.add_format({"num_format": pattern, "valign": "top"}) for pattern in patterns]
        first = book.add_worksheet("lists")
        first.set_column(0, 0, 24)
        first.set_column(1, 1, 90)
        lines = [(name, ""), ("", caution), *(("", note) for note in notes)]
        lines += [(table.name, table.title) for table in tables]
        for line, pair in enumerate(lines):
            for side, words in enumerate(pair):
                first.write_string(line, side, plain(words)[:_CELL_MOST], bold if line == 0 else texts)
        for table in tables:
            sheet = book.add_worksheet(table.name[:31])
            sheet.freeze_panes(1, 0)
            sheet.set_landscape()
            sheet.set_paper(9)  # A4
            sheet.fit_to_pages(1, 0)
            sheet.repeat_rows(0)
            sheet.set_footer(f"&L&8{caution.replace('&', '&&')}")
            for k, column in enumerate(table.columns):
                sheet.write_string(0, k, column.key or column.head, bold)
                sheet.set_column(k, k, _width(table, k, column))
            for r, row in enumerate(table.rows, 1):
                for k, (cell, column) in enumerate(zip(row, table.columns, strict=True)):
                    if column.to_fill:
                        sheet.write_blank(r, k, None, box)
                    elif isinstance(cell, str):
                        sheet.write_string(r, k, plain(cell)[:_CELL_MOST], texts)
                    elif cell is not None:
                        sheet.write_number(r, k, cell, numbers[0 if isinstance(cell, int) else column.digits])
            if table.rows:
                sheet.autofilter(0, 0, len(table.rows), len(table.columns) - 1)
            for k, sentence in enumerate((*table.before, *table.after)):
                sheet.write_string(len(table.rows) + 2 + k, 0, plain(sentence)[:_CELL_MOST])
    return data.getvalue()


def _width(table: Table, k: int, column: Column) -> float:
    """In characters: what the words need, between 7 and 40."""
    texts = [str(row[k]) for row in table.rows if row[k] is not None]
    longest = max((text_width(text, 1.0) for text in [column.key or column.head, *texts]), default=0.0)
    return min(40.0, max(7.0, longest / 0.55 + 1.5))
