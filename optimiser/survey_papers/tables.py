"""The reduced points, and every tape, as CSV. In: Look. Out: texts with CRLF, as spreadsheets write them.

The reduced points are a survey again: read in the place of the first one, they give the same plan.
"""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Iterable, Sequence

from ..survey.stray_cells import ONLY_FOR
from ..survey.table import Cells
from .look import Look

_HOW = {"grid": "x and y", "receiver": "latitude and longitude", "tapes": "tapes", "offset": "chainage and offset"}


def points_csv(look: Look) -> str:
    """``point,kind,of,x,y`` and what else the survey has; ``accuracy_m`` for points that were not given by x and y."""
    rows = look.reduced.table.rows
    columns = ["point", "kind", "of", "x", "y"]
    columns += [column for column in ("z", "group", "ring", "stem_mm") if any(cells[column] for cells in rows)]
    if look.reduced.placed:
        columns += ["accuracy_m", "note"]
    return _csv([columns, *(_row(look, index, cells, columns) for index, cells in enumerate(rows))])


def _row(look: Look, index: int, cells: Cells, columns: Sequence[str]) -> list[str]:
    kind = cells["kind"].casefold()
    texts = {
        column: _plain_number(cells[column]) if column in ("x", "y", "z", "stem_mm") else cells[column]
        for column in columns
        if ONLY_FOR.get(column, kind) == kind  # a GeoJSON has the same properties for all
    }
    placed = look.reduced.placed.get(index)
    if placed is not None:
        texts["note"] = _HOW[placed.how]
        known = not math.isnan(placed.error_m) and placed.error_m >= 0.0005
        texts["accuracy_m"] = f"{placed.error_m:.3f}" if known else ""
    return [texts.get(column, "") for column in columns]


def _plain_number(text: str) -> str:
    return text.replace(",", ".") if text.count(",") == 1 and "." not in text else text


def tapes_csv(look: Look) -> str:
    """
    Each tape with what the adjustment makes of it, in m; ``ratio`` is what it is off over the standard error of that.

    One left out or suspected is held against all others, these against one another without it.
    """
    names = [cells["point"] or cells["of"] for cells in look.reduced.table.rows]
    head = ["point", "from", "level_m", "adjusted_m", "off_m", "standard_error_m", "ratio", "verdict"]
    rows = [
        [
            names[tape.to], names[tape.source], f"{tape.measured_m:.3f}", f"{tape.adjusted_m:.3f}",
            f"{round(tape.measured_m - tape.adjusted_m, 3) + 0.0:.3f}", f"{tape.sigma_m:.3f}",
            "" if math.isnan(tape.ratio) else f"{abs(tape.ratio):.1f}", tape.verdict,
        ]
        for tape in look.reduced.tapes
    ]  # fmt: skip
    return _csv([head, *rows])


def _csv(rows: Iterable[Sequence[str]]) -> str:
    text = io.StringIO(newline="")
    csv.writer(text).writerows(rows)
    return text.getvalue()
