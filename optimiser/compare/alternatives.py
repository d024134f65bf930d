"""What is compared. In: a job folder, what the command line asks for. Out: Variants, each a job of its own.

An override that names nothing is the job file's fault, and is told with the line of its alternative.
"""

from __future__ import annotations

import copy
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from ..job import TRUNK_STRIP, Alternative, Job, item_model
from ..job_folder import JOB_FILE, JobFolder, open_job
from ..problems import BadInput, Problem, nearest
from ..read_job import COMMAND_LINE, parse_toml
from ..toml_lines import KeyPath, join_key, line_of, split_key

AS_IT_STANDS = "as it stands"


@dataclass(frozen=True)
class Variant:
    """One alternative, ready to be planned. ``problems`` hold what makes its survey or ground unusable."""

    name: str
    folder: JobFolder
    num_drivers: int | None
    changes: tuple[str, ...] = ()
    """What the job file changes in it, in short; those of the command line say so by their names."""


def list_variants(path: Path, num_drivers: Sequence[int] = (), max_drops: Sequence[str] = ()) -> list[Variant]:
    """
    The alternatives that the command line asks for, then the job's own.

    With fewer than two of them, or none from the command line, the job as it stands comes first.

    Raises
    ------
    BadInput
        Job or survey cannot be used, an override names nothing or cannot be used, or two alternatives have one name.
    """
    base = open_job(path)
    job_path = Path(path) / JOB_FILE if Path(path).is_dir() else Path(path)
    tables, lines = parse_toml(base.files[JOB_FILE], str(job_path))
    problems: list[Problem] = []
    asked: list[tuple[str, int | None, dict[str, object]]] = [(drivers_name(n), n, {}) for n in num_drivers]
    asked += [(drop_name(drop), None, {"voltage.max_drop": drop}) for drop in max_drops]
    variants = []
    for name, count, overrides in asked:
        try:
            variants.append(Variant(name, open_job(path, overrides) if overrides else base, count))
        except BadInput as error:
            problems += error.problems
    names = [name for name, _, _ in asked]
    for name in dict.fromkeys(names):
        if names.count(name) > 1:
            mend = "ask for each alternative once"
            problems.append(Problem(COMMAND_LINE, 0, "", f"found '{name}' {names.count(name)} times", mend))
    for i, alternative in enumerate(base.job.alternatives):
        left_out = frozenset(_table_and_name(dotted) for dotted in alternative.without)
        place = _Place(str(job_path), lines, i, alternative.name, left_out)
        if any(_same(alternative.name, name) for name in [*names, AS_IT_STANDS]):
            found = f"found '{alternative.name}', which is the name of another alternative already"
            problems.append(place.problem(("name",), found, "give it another name"))
            continue
        try:
            overrides = _expanded(base, tables, alternative, place)
            folder = open_job(path, overrides) if overrides else base
            changes = changes_of(overrides, alternative.num_drivers)
            variants.append(Variant(alternative.name, folder, alternative.num_drivers, changes))
        except BadInput as error:
            problems += [place.moved(problem) for problem in error.problems]
    if problems:
        raise BadInput(problems)
    if not asked or len(variants) < 2:
        variants.insert(0, Variant(AS_IT_STANDS, base, None))
    return variants


def changes_of(overrides: Mapping[str, object], num_drivers: int | None) -> tuple[str, ...]:
    """What is changed, in short: values that several names share are told once."""
    shared: dict[tuple[str, str, str], list[str]] = {}
    said = [] if num_drivers is None else [drivers_name(num_drivers)]
    for key, value in overrides.items():
        table, *rest = map(str, split_key(key))
        if value is None or (table == "supplies" and rest[1:] == ["use"] and value is False):
            said.append(f"without {table}.{rest[0]}")
        elif len(rest) > 1:
            shared.setdefault((table, ".".join(rest[1:]), _shown(value)), []).append(rest[0])
        elif rest and isinstance(value, dict):
            said.append(f"{table} {rest[0]}: {', '.join(f'{name} = {_shown(one)}' for name, one in value.items())}")
        else:
            said.append(f"{'.'.join([table, *rest])} = {_shown(value)}")
    return (*(f"{table} {', '.join(names)}: {of} = {value}" for (table, of, value), names in shared.items()), *said)


def _shown(value: object) -> str:
    return value if isinstance(value, str) else json.dumps(value, ensure_ascii=False, default=str)


def drivers_name(count: int) -> str:
    return f"{count} driver{'' if count == 1 else 's'}"


def drop_name(drop: str) -> str:
    text = drop.strip()
    return "drop rule off" if text.lower() == "off" else f"drop {text.rstrip('%').strip()} %"


def _same(a: str, b: str) -> bool:
    return " ".join(a.split()).casefold() == " ".join(b.split()).casefold()


@dataclass(frozen=True)
class _Place:
    """Where an alternative stands in the job file."""

    file: str
    lines: dict[KeyPath, int]
    index: int
    name: str
    left_out: frozenset[KeyPath] = frozenset()
    """What it is without: table and name."""

    def problem(self, path: KeyPath, found: str, mend: str) -> Problem:
        line = line_of(("alternatives", self.index, *path), self.lines)
        return Problem(self.file, line, join_key(("alternatives", *path)), found, mend)

    def moved(self, problem: Problem) -> Problem:
        """A fault of an override, told where the alternative stands."""
        if problem.file != COMMAND_LINE:  # the job opens without it: the fault is the alternative's
            where = f"{Path(problem.file).name}{f':{problem.line}' if problem.line else ''}"
            if problem.field:
                where += f", {problem.field}"
            found = f"'{self.name}' does not go with {where}: {problem.found}"
            line = line_of(("alternatives", self.index, "name"), self.lines)
            return Problem(self.file, line, "alternatives", found, problem.mend)
        path = ("overrides", *split_key(problem.field))
        field = f"alternatives.overrides.{problem.field}"
        if split_key(problem.field)[:2] in self.left_out:
            path, field = ("without",), "alternatives.without"
        line = line_of(("alternatives", self.index, *path), self.lines)
        return Problem(self.file, line, field, problem.found, problem.mend)


def _expanded(base: JobFolder, tables: Mapping[str, Any], alternative: Alternative, place: _Place) -> dict[str, object]:
    """Overrides by full dotted key: tables opened, ``*`` put for every name, what is left out as None."""
    job, overrides, without = base.job, alternative.overrides, alternative.without
    flat: dict[str, object] = {}
    problems: list[Problem] = []
    zones = [zone for zone in base.survey.zones if zone.of == "survey" and zone.name not in job.zones]
    unlisted: dict[str | int, str] = {zone.name: zone.ground for zone in zones}
    for path, value in _leaves((), overrides, job):
        try:
            for one in _named(tables, path):
                if one[0] == "zones" and len(one) == 3 and one[1] in unlisted:  # of the ground whose name it has
                    whole = flat.setdefault(join_key(one[:2]), {"ground": unlisted[one[1]]})
                    assert isinstance(whole, dict)
                    whole[one[2]] = _with_lists(copy.deepcopy(value))
                    continue
                flat[join_key(one)] = _with_lists(copy.deepcopy(value))
        except LookupError:
            found = f"found '*' in {join_key(path)}, which is no table of names"
            problems.append(place.problem(("overrides", *path), found, "write * for names, as in lamps.*.volts"))
    for dotted in without:
        table, name = _table_and_name(dotted)
        if not name:
            found = f"found '{dotted}', which does not say what to leave out"
            like = nearest(table, Job.model_fields) or "drivers"
            problems.append(place.problem(("without",), found, f'write a table and a name, as in "{like}.NAME"'))
        elif table == "supplies":  # a supply point comes from the survey: it stays, out of use
            flat[join_key((table, name, "use"))] = False
        else:
            flat[join_key((table, name))] = None
    surveyed = {
        "supplies": [point.name for point in base.survey.supplies],
        "sleeves": [sleeve.name for sleeve in base.survey.sleeves],
        "zones": [zone.name for zone in base.survey.zones if zone.of == "survey"],
    }
    for key in flat:
        path = split_key(key)
        names = surveyed.get(str(path[0]))
        if names is not None and len(path) > 1 and path[1] not in names:
            near = nearest(str(path[1]), names)
            mend = f"did you mean '{near}'?" if near else f"write a name of the survey: {', '.join(names) or 'none'}"
            found = f"found '{path[1]}', which was not surveyed"
            where = ("without",) if path[:2] in place.left_out else ("overrides", *path)
            problems.append(place.problem(where, found, mend))
    if problems:
        raise BadInput(problems)
    return flat


def _table_and_name(dotted: str) -> tuple[str, str]:
    """A name may hold dots: only the first one parts."""
    table, _, name = dotted.partition(".")
    return table.strip(), name.strip().strip("\"'")


def _leaves(before: KeyPath, table: Mapping[str, Any], job: Job) -> list[tuple[KeyPath, Any]]:
    """Keys with their values; a table is opened unless it stands for a new name, which is taken whole."""
    found: list[tuple[KeyPath, Any]] = []
    for key, value in table.items():
        path = (*before, key) if before else _with_dots(job, split_key(key))  # names within tables may hold dots
        if isinstance(value, Mapping) and not _is_new_name(job, path, value):
            found += _leaves(path, value, job)
        else:
            found.append((path, value))
    return found


def _with_dots(job: Job, path: KeyPath) -> KeyPath:
    """A dotted key whose name of the job holds dots itself, unquoted: cables.2 x 2.5.price_per_m."""
    table = getattr(job, str(path[0]), None)
    if not isinstance(table, dict) or len(path) < 3 or path[1] in table:
        return path
    for end in range(len(path), 2, -1):
        name = ".".join(map(str, path[1:end]))
        if name in table:
            return path[0], name, *path[end:]
    return path


def _is_new_name(job: Job, path: KeyPath, value: Mapping[str, Any]) -> bool:
    """Whether a table adds something to the job: under a new name, with all that such a thing needs."""
    table = getattr(job, str(path[0]), None)
    if len(path) != 2 or not isinstance(table, dict) or path[1] in table or path[1] == "*":
        return False
    model, _ = item_model(Job.model_fields[str(path[0])].annotation)
    needed = {key for key, field in model.model_fields.items() if field.is_required()} if model is not None else set()
    if path[0] == "grounds":
        needed = {"kind"}  # from which the rest follows
    return bool(needed) and needed <= value.keys()


def _named(tables: Mapping[str, Any], path: KeyPath) -> list[KeyPath]:
    """The path, or one for each name of the job file where it has a ``*``: not for grounds that are there besides."""
    if "*" not in path:
        return [path]
    table = tables.get(str(path[0]))
    if path.index("*") != 1 or not isinstance(table, dict) or not table:
        raise LookupError
    if not all(isinstance(one, dict) for one in table.values()):
        raise LookupError
    return [(path[0], name, *path[2:]) for name in table if name != TRUNK_STRIP]


def _with_lists(value: object) -> object:
    """Lists where the models hold tuples: as JSON gives them back."""
    if isinstance(value, dict):
        return {key: _with_lists(item) for key, item in value.items()}
    return [_with_lists(item) for item in value] if isinstance(value, list | tuple) else value
