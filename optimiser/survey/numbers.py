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

_FEET = re.compile(
    r"([-+]?)(?:(\d+(?:\.\d+)?)\s*(?:ft\.?|feet|foot|['\u2019\u2032]))?"
    r"\s*-?\s*(?:(\d+(?:\.\d+)?)\s*(?:in\.?|inch|inches|[\"\u201d\u2033]|''))?",
    re.IGNORECASE,
)
_MONTHS = (
    "jan|feb|mar|apr|may|jun|jul|aug|sep|oct|nov|dec"
    "|mai|m\u00e4r|okt|dez|mrt|mei|f\u00e9v|avr|juin|juil|ao\u00fb|d\u00e9c|ene|abr|ago|dic|gen|mag|giu|lug|set|ott"
)
_DATE = re.compile(
    rf"\d{{1,2}}[ .-]+(?:{_MONTHS})[a-z]*\.?(?:[ .-]+\d{{2,4}})?|(?:{_MONTHS})[a-z]*\.?[ .-]+\d{{1,4}}"
    r"|\d{1,2}[./]\d{1,2}[./]\d{2,4}.*|\d{4}-\d{2}-\d{2}.*|\d{1,2}:\d{2}(?::\d{2})?(?: ?[ap]m)?",
    re.IGNORECASE,
)

_BEYOND_M = 1e11  # no grid reaches so far, not even in millimetres

BEYOND_GRIDS, METRES = "which is farther off than any grid reaches", "write the measured metres"
"""Found and mend of a coordinate that is none."""

_NO_MEND = "write a number"

Fault = tuple[str, str]
"""Found and mend of a problem."""


def dated_name(name: str) -> bool:
    """Whether a name is what spreadsheets make of one like 1-2: names like 1.2.14 may be meant."""
    return _DATE.fullmatch(name) is not None and re.search(r"[^\W\d]|\d{4}", name) is not None


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
    return None, _not_a_number(text, plain, comma)


def _not_a_number(text: str, plain: str, comma: bool) -> Fault:
    """Found and mend of what a spreadsheet or a hand wrote instead of a number, as far as it is known."""
    if re.fullmatch("#+", plain):
        return f"found '{text}', which stood in too narrow a column", "widen the column, and save it again"
    if plain.startswith("#"):
        return f"found '{text}', an error of the spreadsheet's", "mend its formula, or write the number"
    if plain.startswith("="):
        return f"found '{text}', a formula", "save the values, not the formulas"
    if _DATE.fullmatch(plain):
        mend = "set the column to text, and write the number again: a spreadsheet takes some for dates"
        return f"found '{text}', a date or a time", mend
    mend = _mend_number(plain, comma)
    feet = _FEET.fullmatch(plain.replace(",", ".") if comma else plain)
    if mend == _NO_MEND and feet is not None and (feet[2] or feet[3]):
        metres = float(feet[2] or 0) * 0.3048 + float(feet[3] or 0) * 0.0254
        shown = f"{metres:.3f}".replace(".", "," if comma else ".")
        sign = feet[1].replace("+", "")
        return f"found '{text}', in feet or inches", f"the survey is metric: this is {sign}{shown} m"
    return f"found '{text}', which is not a number", mend


def _mend_number(text: str, comma: bool) -> str:
    mark = "," if comma else "."
    if not comma and _WITH_COMMA.fullmatch(text):
        return f"write {text.replace(',', '.')}"
    bare = re.sub(r"^[\u2010-\u2015]\s*", "-", text)  # dashes for a minus
    bare = re.sub(r"(?<=\d)\s*([.,])\s*(?=\d)", r"\1", bare)
    bare = re.sub(r"(?<=\d)[ '\u2019](?=\d{3})", "", bare)
    bare = re.sub(r"\s*(m|metres?|meters?|mm)$", "", bare) if not bare.endswith("mm") else bare
    if re.fullmatch(r"[-+]?\d{1,3}(\.\d{3})+,\d+", bare):  # 1.234,5
        bare = bare.replace(".", "").replace(",", mark)
    elif re.fullmatch(r"[-+]?\d{1,3}(,\d{3})+\.\d+", bare):  # 1,234.5
        bare = bare.replace(",", "").replace(".", mark)
    if bare != text and re.fullmatch(rf"[-+]?\d+(?:[{mark}]\d+)?", bare):
        return f"write {bare}"
    return _NO_MEND


def read_metres(text: str, comma: bool, *, needed: bool) -> tuple[float | None, tuple[str, str] | None]:
    if not text:
        return None, ("is empty", METRES) if needed else None
    number, fault = read_number(text, comma)
    if number is not None and abs(number) > _BEYOND_M:
        shown = text if len(text) <= 30 else f"{number:g}"
        return None, (f"found '{shown}', {BEYOND_GRIDS}", METRES)
    return (None if number is None else round(number, 3) + 0.0), fault  # + 0.0 turns -0.0 into 0.0
