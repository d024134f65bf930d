"""Read job.toml. In: its bytes, and values given on the command line. Out: Job, or every Problem of it at once.

The models of ``job`` find most faults; this module says them in the trade's words, with the line in the file, and
adds the rules that hold between tables. Values from the command line are judged like the file's, as file
``command line``.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Mapping
from pathlib import PurePath
from typing import Any, Literal, NamedTuple, get_args, get_origin

from pydantic import ValidationError
from pydantic.fields import FieldInfo

from .job import TRUNK_STRIP, Job, Model, item_model
from .problems import BadInput, Problem, nearest
from .toml_lines import KeyPath, find_lines, join_key, line_of, read_statements, split_key

COMMAND_LINE = "command line"
_BY_KIND = {"depth_mm", "joints", "leads", "no_dig", "keep_off_m"}  # what a ground's kind sets
_IN_BRACES = re.compile(r"([\w-]+(?:\.[\w-]+)*)\s*=([^\"'\[\]{},=]*+(?:,\d+(?=\s*[,}]))?)(?=\s*[,}])")
"""Key and bare value in an inline table; a comma right before a digit is taken for a decimal one."""
_LEAST_LENGTH_MM = 20.0  # what is less, and may be a size in mm², is not taken for a length


def read_job(data: bytes, file: str, overrides: Mapping[str, object] = {}) -> Job:
    """
    Read a job file.

    Parameters
    ----------
    data, file
        Its bytes, and the name to show in problems.
    overrides
        Values that replace the file's, by dotted key, such as ``{"voltage.max_drop": "5 %"}``; None takes the key
        out.

    Raises
    ------
    BadInput
        With every problem of the file and of the overrides.
    """
    tables, lines = parse_toml(data, file)
    problems: list[Problem] = []
    given: list[KeyPath] = []
    for dotted, value in overrides.items():
        path = split_key(dotted)
        fault = _override(tables, path, value)
        if fault is None:
            given.append(path)
        else:
            problems.append(Problem(COMMAND_LINE, 0, dotted, *fault))
    where = Places(file, lines, given)
    job: Job | None = None
    try:
        job = Job.model_validate(_with_tuples(tables), strict=True)  # strict: "12" and true are no numbers
    except ValidationError as error:
        problems += _problems_of(error, tables, where)
    problems += _cross_check(tables, where)
    if problems or job is None:
        raise BadInput(problems)
    return job


def locate(data: bytes, file: str, overrides: Mapping[str, object] = {}) -> Places:
    """Where each key of a job stands, for problems found later; the job must be one that ``read_job`` read."""
    return Places(file, parse_toml(data, file)[1], [split_key(dotted) for dotted in overrides])


def parse_toml(data: bytes, file: str) -> tuple[dict[str, Any], dict[KeyPath, int]]:
    """Tables of a TOML file and the line of each key; BadInput where it is no TOML."""
    try:
        text = data.decode("utf-8-sig").replace("\r\n", "\n")
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1
        found = f"found byte 0x{data[error.start]:02x}, which is not UTF-8"
        raise BadInput([Problem(file, line, "", found, "save the file as UTF-8 text")]) from None
    try:
        tables = tomllib.loads(text)
        if not tables:
            raise BadInput([Problem(file, 0, "", "is empty", "write the job's settings, as in the README")])
        return tables, find_lines(text)
    except tomllib.TOMLDecodeError as error:
        raise BadInput(_syntax_problems(text, file, str(error))) from None
    except RecursionError:
        raise BadInput([Problem(file, 0, "", "is nested too deeply", "write plain tables, as in the README")]) from None


def _syntax_problems(text: str, file: str, message: str) -> list[Problem]:
    """What is wrong with the TOML: every value that is none, and what stopped the parser if that is another thing."""
    problems = _value_problems(text, file)
    place = re.search(r"at line (\d+)", message)
    line = int(place[1]) if place else len(text.split("\n"))
    twice = re.search(r"overwrite|twice|mutate|already", message, re.IGNORECASE) is not None
    if twice or all(problem.line != line for problem in problems):
        problems.append(_syntax_problem(text, file, message, line, twice))
    return problems


def _value_problems(text: str, file: str) -> list[Problem]:
    """Numbers with a comma, words and times without quotes and the like in all lines; the parser stops at the first."""
    problems: list[Problem] = []
    for line, table, statement in read_statements(text):
        key, equals, value = (part.strip() for part in statement.partition("="))
        if not equals or _is_toml(statement):
            continue
        path = (*table, *split_key(key))
        if value.startswith("{"):
            bare = re.sub(r"\"[^\"]*\"|'[^']*'", "''", value)  # what stands in quotes is no key
            faults = [
                ((*path, *split_key(inner[1])), _value_fault(inner[2].strip())) for inner in _IN_BRACES.finditer(bare)
            ]
        else:
            faults = [(path, _value_fault(value))]
        problems += [Problem(file, line, join_key(place), *fault) for place, fault in faults if fault is not None]
    return problems


def _is_toml(statement: str) -> bool:
    try:
        tomllib.loads(statement)
    except (tomllib.TOMLDecodeError, RecursionError):
        return False
    return True


def _value_fault(value: str) -> tuple[str, str] | None:
    """(found, mend) of a value that is no TOML and plainly meant as something; None of any other."""
    value = _cut(value)
    if re.fullmatch(r"[-+]?\d+,\d+", value):
        return f"found '{value}', which is not a number", f"write {value.replace(',', '.')}"
    if value in ("true", "false", "nan", "inf"):
        return None
    if value.lower() in ("true", "false"):
        return f"found {value}, which TOML writes small", f"write {value.lower()}"
    if not value:
        return "has no value", "write the value behind the equals sign, or remove the line"
    if re.fullmatch(r"\d{1,2}:\d{2}|[^\W\d][^\"'#\[\]{}]*", value):
        return f"found {value} without quotes", f'write "{value}"'
    return None


def _cut(text: str) -> str:
    return text if len(text) <= 60 else text[:57] + "..."


def _syntax_problem(text: str, file: str, message: str, line: int, twice: bool) -> Problem:
    """Say what stopped the parser, as near as its line tells."""
    rows = text.split("\n")
    shown = _cut(rows[line - 1].strip()) if line <= len(rows) else ""
    if twice:
        # tomllib names a key that is there twice at the place where it stops reading, which may be the next line
        return Problem(
            file, line, "", f"found '{shown}', which gives a key or table a second time", "keep one of the two"
        )
    if "Unclosed" in message:
        return Problem(file, line, "", "stands below a list or table that is not closed", "close it with ] or } above")
    if "Illegal character '\\n'" in message:
        return Problem(file, line, "", f"found '{shown}', whose text is not closed", "end the text with a quote")
    if shown.startswith("[") and not shown.endswith("]") and "=" not in shown:
        return Problem(file, line, "", f"found '{shown}', a table that is not closed", "end it with ]")
    if shown and "=" not in shown and not shown.startswith(("[", "#")):
        return Problem(
            file, line, "", f"found '{shown}', which is neither [table] nor key = value", "write key = value"
        )
    reason = re.sub(r"\s*\(at .*\)$", "", message)
    found = f"found '{shown}', which is not TOML ({reason})" if shown else f"is not TOML ({reason})"
    return Problem(file, line, "", found, "write it as key = value, with text in quotes and lists in [ ]")


def _with_tuples(value: Any) -> Any:
    """The same tables with lists as tuples, as the models hold them."""
    if isinstance(value, dict):
        return {key: _with_tuples(item) for key, item in value.items()}
    return tuple(map(_with_tuples, value)) if isinstance(value, list | tuple) else value


class Places(NamedTuple):
    """From a key's path to the file and line to show."""

    file: str
    lines: dict[KeyPath, int]
    given: list[KeyPath]
    """Paths given on the command line."""

    def problem(self, path: KeyPath, found: str, mend: str) -> Problem:
        if any(path[: len(prefix)] == prefix for prefix in self.given):
            return Problem(COMMAND_LINE, 0, join_key(path), found, mend)
        return Problem(self.file, line_of(path, self.lines), join_key(path), found, mend)


def _override(tables: dict[str, Any], path: KeyPath, value: object) -> tuple[str, str] | None:
    """Put a value into the tables; (found, mend) where it has no place there."""
    table: Any = tables
    model: type[Model] | None = Job
    named = False
    for part in path[:-1]:
        if not isinstance(table, dict):
            return f"found '{part}', which is not below a table of the job", "write a key of the job file"
        if part not in table:
            if named and model is not None and any(field.is_required() for field in model.model_fields.values()):
                near = nearest(str(part), table)
                mend = f"did you mean '{near}'?" if near else "write a name that the job file has"
                return f"found '{part}', which the job file does not have", mend
            table[part] = {}
        table = table[part]
        if named:
            named = False
        elif model is not None:
            field = model.model_fields.get(str(part))
            model, named = item_model(field.annotation) if field else (None, False)
    if not isinstance(table, dict):
        return "is not below a table of the job", "write a key of the job file"
    if value is None:
        return _removal(table, path)
    table[path[-1]] = value
    return None


def _removal(table: dict[str, Any], path: KeyPath) -> tuple[str, str] | None:
    """Take a key out of its table; (found, mend) where it is not there."""
    if path[-1] in table:
        del table[path[-1]]
        return None
    near = nearest(str(path[-1]), map(str, table))
    mend = f"did you mean '{near}'?" if near else "write a name that the job file has"
    return f"found '{path[-1]}', which the job file does not have", mend


# --- pydantic's errors in our words


def _problems_of(error: ValidationError, tables: dict[str, Any], where: Places) -> list[Problem]:
    errors = error.errors(include_url=False)
    kindless = {err["loc"][:2] for err in errors if err["loc"][0] == "grounds" and err["loc"][2:] == ("kind",)}
    problems: list[Problem] = []
    for err in errors:
        path: KeyPath = tuple(err["loc"])
        if path[:2] in kindless and path[2:] and path[2] in _BY_KIND and err["type"] == "missing":
            continue  # they follow from the kind, which is named already
        if path[:2] in (("grounds", TRUNK_STRIP), ("grounds", "root")) and path[1] not in tables.get("grounds", {}):
            continue  # ours, drawn from the base ground, whose own fault is named already
        if err["type"] == "too_short" and len(err["input"]) >= err["ctx"]["min_length"]:
            continue  # only what is good in a list was counted, and what is not is named already
        if path and path[-1] == "[key]":
            path = path[:-1]
        found, mend = _words(path, dict(err))
        problems.append(where.problem(path, found, mend))
    return problems


def _model_at(path: KeyPath) -> tuple[type[Model], FieldInfo | None]:
    """The model that holds the path's last key, and that key's field; None at a name of a named table."""
    model: type[Model] = Job
    field: FieldInfo | None = None
    inner: type[Model] | None = Job
    named = False
    for part in path:
        if named:  # this part is a name, the next a key
            named, field = False, None
            continue
        if inner is None:
            break  # a place in a list: the field is the list's
        if isinstance(part, int):
            continue  # a place in a list of tables
        model = inner
        field = model.model_fields.get(str(part))
        inner, named = item_model(field.annotation) if field else (None, False)
    return model, field


def show(value: object) -> str:
    """A value as a message shows it, short."""
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, dict):
        return "a table"
    text = "[" + ", ".join(map(show, value)) + "]" if isinstance(value, list | tuple) else str(value)
    text = text if len(text) <= 60 else text[:57] + "..."
    return f"'{text}'" if isinstance(value, str) else text


PAIRS = {"window_v", "cable_pct", "length_pct", "contact_pct", "load_pct"}
"""Keys that hold a lowest and a highest value."""


def _words(path: KeyPath, err: dict[str, Any]) -> tuple[str, str]:
    """Found and mend of one pydantic error."""
    sort, value, ctx = str(err["type"]), err.get("input"), err.get("ctx", {})
    model, field = _model_at(path)
    key = next((str(part) for part in reversed(path) if isinstance(part, str)), "")
    meaning = f" ({field.description})" if field is not None and field.description else ""
    found = f"found {show(value)}"
    inner, named = item_model(field.annotation) if field is not None else (None, False)
    if sort == "missing":
        if path and isinstance(path[-1], int):
            return "has too few values", f"write all of them{meaning}"
        if inner is not None:
            return "is missing", f"add [{join_key(path)}{'.NAME' if named else ''}]{meaning}"
        if field is not None and get_origin(field.annotation) is Literal:
            return "is missing", f"write {key}, one of {', '.join(map(str, get_args(field.annotation)))}"
        return "is missing", f"write {key} = ...{meaning}"
    if sort == "extra_forbidden":
        return "unknown key", _in_metres(key, value, model) or _mend_unknown(key, path, model)
    if sort == "value_error":
        said, _, mend = str(ctx.get("error", "")).partition("; ")
        whole_table = isinstance(value, dict)
        return said if whole_table else f"{found}, which {said}", mend or "correct it"
    for bound, word, write in (
        ("greater_than_equal", "below", "or more"), ("less_than_equal", "above", "or less"),
        ("greater_than", "not above", "more than"), ("less_than", "not below", "less than"),
    ):  # fmt: skip
        if sort == bound:
            limit = next(f"{ctx[name]:g}" for name in ("ge", "le", "gt", "lt") if name in ctx)
            ask = f"{write} {limit}" if write.endswith("than") else f"{limit} {write}"
            return f"{found}, which is {word} {limit}", f"write {ask}{meaning}"
    if sort == "literal_error":
        choices = re.findall(r"'([^']*)'|(\d+)", str(ctx.get("expected", "")))
        words = [text or digits for text, digits in choices]
        near = nearest(value, words) if isinstance(value, str) else None
        return (
            f"{found}, which is none of {', '.join(words)}",
            f"did you mean '{near}'?" if near else "write one of them",
        )
    if sort == "finite_number":
        return f"{found}, which is not a finite number", f"write a number{meaning}"
    if sort == "too_short":
        if named:
            return "is empty", f"add [{join_key(path)}.NAME]{meaning}"
        return f"{found}, which is empty", f"write at least one value{meaning}"
    if sort == "too_long":
        return f"{found}, which has too many values", f"write {ctx.get('max_length')} of them{meaning}"
    if sort == "string_too_short":
        return "is empty", f"write {key}{meaning}"
    if sort == "string_too_long":
        return f"{found}, which is longer than {ctx.get('max_length')} characters", f"write less{meaning}"
    if sort.startswith(("float", "int")):
        return _not_a_number(value, sort.startswith("int"), found, meaning)
    if sort.startswith("bool"):
        return f"{found}, which is neither true nor false", f"write true or false, without quotes{meaning}"
    if sort.startswith("string"):
        return f"{found}, which is not text", f'write it in quotes: "{show(value)}"'
    if sort in ("tuple_type", "list_type"):
        if key in PAIRS:
            return f"{found}, which is not a pair", f"write the lowest and the highest, as in [-5, 5]{meaning}"
        return f"{found}, which is not a list", f"write [{show(value)}]{meaning}"
    if sort in ("model_type", "model_attributes_type", "dict_type"):
        if len(path) > 1 and key in Job.model_fields:
            return f"{found}, where a table belongs", _mend_unknown(key, path, model)
        return f"{found}, where a table belongs", f"write [{join_key(path)}] and its keys below it"
    return f"{found}, which cannot be used", f"correct it{meaning}"


def _in_metres(key: str, value: object, model: type[Model]) -> str:
    """Mend of a length given in mm where the key wants metres: ``lead_mm = 1500``; empty where it is nothing such."""
    twin = key.removesuffix("mm") + "m"
    if not key.endswith("_mm") or twin not in model.model_fields:
        return ""
    if isinstance(value, bool) or not isinstance(value, int | float) or not abs(value) < 1e9:
        return ""
    if f"{key}2" in model.model_fields and abs(value) < _LEAST_LENGTH_MM:
        return ""  # lead_mm = 1.5 is a conductor's size: nearer to lead_mm2
    return f"write {twin} = {value / 1000:g}, in metres"


def _mend_unknown(key: str, path: KeyPath, model: type[Model]) -> str:
    if len(path) > 1 and key in Job.model_fields:
        return f"move {key} to the top of the file, above the first [table]"
    near = nearest(key, model.model_fields)
    if near:
        return f"did you mean '{near}'?"
    return f"remove it; known here: {', '.join(model.model_fields)}"


def _not_a_number(value: object, whole: bool, found: str, meaning: str) -> tuple[str, str]:
    if whole and isinstance(value, float):
        return f"{found}, which is not a whole number", f"write a whole number{meaning}"
    if isinstance(value, str):
        text = value.strip().replace(",", ".")
        if re.fullmatch(r"[-+]?\d+(\.\d+)?", text):
            quoted = "text in quotes" if text == value.strip() else "not a number"
            return f"{found}, which is {quoted}", f"write {text}"
    return f"{found}, which is not a number", f"write a {'whole ' if whole else ''}number{meaning}"


# --- rules between tables


def _tables_in(tables: dict[str, Any], key: str) -> dict[str, dict[str, Any]]:
    named = tables.get(key)
    if not isinstance(named, dict):
        return {}
    return {name: table for name, table in named.items() if isinstance(table, dict)}


def _cross_check(tables: dict[str, Any], where: Places) -> list[Problem]:
    """Rules between tables, on the raw values, so that they are judged whatever else is wrong."""
    problems: list[Problem] = []
    grounds = tables["grounds"] if isinstance(tables.get("grounds"), dict) else {}
    if TRUNK_STRIP in grounds:
        found = "is a name that the trees' own strip has"
        problems.append(where.problem(("grounds", TRUNK_STRIP), found, "give this ground another name"))
    base = tables.get("base_ground", "lawn")
    if grounds and isinstance(base, str) and base not in grounds:
        near = nearest(base, grounds)
        mend = f"did you mean '{near}'?" if near else f"write one of {', '.join(grounds)}, or add [grounds.{base}]"
        if "base_ground" not in tables:
            found, mend = (
                "is not given, and 'lawn' is not under [grounds]",
                f"write base_ground, one of {', '.join(grounds)}",
            )
        else:
            found = f"found '{base}', which is not under [grounds]"
        problems.append(where.problem(("base_ground",), found, mend))
    for zone, table in _tables_in(tables, "zones").items():
        name = table.get("ground")
        if isinstance(name, str) and name not in {*grounds, "root"}:
            near = nearest(name, grounds)
            mend = f"did you mean '{near}'?" if near else f"write one of {', '.join(grounds)}, or add [grounds.{name}]"
            problems.append(
                where.problem(("zones", zone, "ground"), f"found '{name}', which is not under [grounds]", mend)
            )
    problems += _unknown_in_quote(tables, grounds, where)
    problems += _thin_cables(tables, where)
    problems += _no_place(tables, where)
    problems += _names_twice(tables, where)
    survey = tables.get("survey", "")
    if (
        isinstance(survey, str)
        and survey
        and (PurePath(survey).name != survey or "\\" in survey or survey == "job.toml")
    ):
        found = f"found '{survey}', which is not the name of a file beside the job file"
        mend = f"put it beside the job file and write '{PurePath(survey.replace(chr(92), '/')).name}'"
        problems.append(
            where.problem(("survey",), found, mend if survey != "job.toml" else "name the survey's CSV file")
        )
    if survey == "" and "survey" in tables:
        problems.append(where.problem(("survey",), "is empty", "name the survey's CSV file"))
    return problems


def _unknown_in_quote(tables: dict[str, Any], grounds: dict[str, Any], where: Places) -> list[Problem]:
    """Rates for grounds and lamps that the job does not have."""
    quote = tables.get("quote")
    if not isinstance(quote, dict):
        return []
    lamps = tables["lamps"] if isinstance(tables.get("lamps"), dict) else {}
    problems = []
    for key, known in (("grounds", [*grounds, "root"]), ("lamps", list(lamps))):
        for name in quote[key] if isinstance(quote.get(key), dict) else ():
            if name not in known:
                near = nearest(name, known)
                mend = f"did you mean '{near}'?" if near else f"write one of {', '.join(known)}"
                problems.append(
                    where.problem(("quote", key, name), f"found '{name}', which is not under [{key}]", mend)
                )
    return problems


def _names_twice(tables: dict[str, Any], where: Places) -> list[Problem]:
    """Alternatives that could not be told apart."""
    listed = tables.get("alternatives")
    problems: list[Problem] = []
    seen: dict[str, str] = {}
    for i, table in enumerate(listed if isinstance(listed, list) else []):
        name = table.get("name") if isinstance(table, dict) else None
        if not isinstance(name, str):
            continue
        folded = " ".join(name.split()).casefold()
        if folded in seen:
            found = f"found {show(name)}, which another alternative is called already"
            problems.append(
                where.problem(("alternatives", i, "name"), found, "give each alternative a name of its own")
            )
        seen[folded] = name
    return problems


def _no_place(tables: dict[str, Any], where: Places) -> list[Problem]:
    """Dusk and dawn in a job that does not say where it is."""
    schedule = tables.get("schedule")
    if not isinstance(schedule, dict) or "place" in tables:
        return []
    asks = [
        key for key in ("on", "off") if isinstance(schedule.get(key), str) and re.search("dusk|dawn", schedule[key])
    ]
    mend = "add [place] with latitude, longitude and time_zone, or write a time of the clock"
    return [
        where.problem(("schedule", key), f"found {show(schedule[key])}, and the job does not say where it is", mend)
        for key in asks[:1]
    ]


def _thin_cables(tables: dict[str, Any], where: Places) -> list[Problem]:
    from .conductors import awg_mm2

    rules = tables.get("rules")
    least = rules.get("min_buried_mm2", 1.5) if isinstance(rules, dict) else 1.5
    if isinstance(least, bool) or not isinstance(least, int | float):
        return []
    problems: list[Problem] = []
    for name, table in _tables_in(tables, "cables").items():
        mm2, awg = table.get("mm2"), table.get("awg")
        if isinstance(mm2, int | float) and not isinstance(mm2, bool) and 0 < mm2 < least:
            key, size = "mm2", f"{mm2:g}"
        elif isinstance(awg, int) and not isinstance(awg, bool) and 0 <= awg <= 18 and awg_mm2(awg) < least - 0.005:
            key, size = "awg", f"{awg} ({awg_mm2(awg):.2f} mm²)"
        else:
            continue
        found = f"found {size}, thinner than the {least:g} mm² of rules.min_buried_mm2"
        problems.append(
            where.problem(("cables", name, key), found, "write a thicker cable, or lower rules.min_buried_mm2")
        )
    return problems
