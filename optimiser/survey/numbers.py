"""Read one number as a spreadsheet writes it. In: the text of a cell. Out: the number, or what is wrong with it.

Decimals with a point or with a comma: the whole table tells which. Metres are kept to the millimetre.
"""

from __future__ import annotations

import math
import re

from .table import NUMBERS, Table

_NUMBER = re.compile(r"[-+]?(?:\d+(?:\.\d*)?|\.\d+)(?:[eE][-+]?\d+)?")
_WITH_COMMA = re.compile(r"[-+]?\d*,\d+")
_WITH_POINT = re.compile(r"[-+]?\d*\.\d+")

_BEYOND_M = 1e11  # no grid reaches so far, not even in millimetres

BEYOND_GRIDS, METRES = "which is farther off than any grid reaches", "write the measured metres"
"""Found and mend of a coordinate that is none."""

Fault = tuple[str, str]
"""Found and mend of a problem."""


def decimal_comma(table: Table) -> bool:
    """Whether the file writes decimals with a comma: most of its coordinates tell."""
    numbers = set(NUMBERS)
    texts = [text for cells in table.rows for column, text in cells.texts.items() if text and column in numbers]
    commas = [text for text in texts if "," in text and _WITH_COMMA.fullmatch(text)]
    points = sum("." in text and _WITH_POINT.fullmatch(text) is not None for text in texts)
    if table.separator == "," and not points and all(re.fullmatch(r"[-+]?\d{1,3},\d{3}", text) for text in commas):
        return False  # "1,234" among commas may as well be a thousand
    return len(commas) > points


def read_number(text: str, comma: bool) -> tuple[float | None, tuple[str, str] | None]:
    """The number, or (found, mend)."""
    plain = text.replace("\u2212", "-")
    if comma and _WITH_POINT.fullmatch(plain):
        found = f"found '{text}', with a decimal point where the other numbers have a comma"
        return None, (found, f"write {text.replace('.', ',')}")
    value = plain.replace(",", ".") if comma and plain.count(",") == 1 else plain
    if _NUMBER.fullmatch(value):
        number = float(value)
        if math.isfinite(number):
            return number, None
        return None, (f"found '{text}', which is not a finite number", "write the measured number")
    if re.fullmatch(r"[-+]?(nan|inf|infinity)", value, re.IGNORECASE):
        return None, (f"found '{text}', which is not a finite number", "write the measured number")
    return None, (f"found '{text}', which is not a number", _mend_number(plain, comma))


def _mend_number(text: str, comma: bool) -> str:
    mark = "," if comma else "."
    if not comma and _WITH_COMMA.fullmatch(text):
        return f"write {text.replace(',', '.')}"
    bare = re.sub(r"(?<=\d)[ '\u2019](?=\d{3})", "", text)
    bare = re.sub(r"\s*(m|metres?|meters?|mm)$", "", bare) if not bare.endswith("mm") else bare
    if re.fullmatch(r"[-+]?\d{1,3}(\.\d{3})+,\d+", bare):  # 1.234,5
        bare = bare.replace(".", "").replace(",", mark)
    elif re.fullmatch(r"[-+]?\d{1,3}(,\d{3})+\.\d+", bare):  # 1,234.5
        bare = bare.replace(",", "").replace(".", mark)
    if bare != text and re.fullmatch(rf"[-+]?\d+(?:[{mark}]\d+)?", bare):
        return f"write {bare}"
    return "write a number"


def read_metres(text: str, comma: bool, *, needed: bool) -> tuple[float | None, tuple[str, str] | None]:
    if not text:
        return None, ("is empty", METRES) if needed else None
    number, fault = read_number(text, comma)
    if number is not None and abs(number) > _BEYOND_M:
        shown = text if len(text) <= 30 else f"{number:g}"
        return None, (f"found '{shown}', {BEYOND_GRIDS}", METRES)
    return (None if number is None else round(number, 3) + 0.0), fault  # + 0.0 turns -0.0 into 0.0
