"""A job file to start from. In: the survey of a folder. Out: TOML text in which every value to fill in has a comment.

What is to be filled in stands on lines that begin with ``#>``; as long as one of them is needed and left, reading the
job names it. Sentences and units are those of the job's own models.
"""

from __future__ import annotations

import json
import re
from collections import Counter
from collections.abc import Iterable
from pathlib import Path

from ..job import Cable, Driver, Dxf, Ground, GroundKind, Kit, LampType, Measuring, Model, SleeveSetting
from ..job.describe import unit_of
from ..job_folder import JOB_FILE, read_file
from ..problems import BadInput, Problem
from ..survey import points_of, reduce_file
from ..survey.points import Points, fold
from ..survey.readers import READERS

_KINDS: tuple[str, ...] = GroundKind.__args__  # type: ignore[attr-defined]
_CLOSED = ("no_dig", "pond", "pool", "fountain")
_HEAD = """\
# A job for lampspur, started from {survey}.
#
# Lines that begin with "#>" are for you: write the value, and take the "#> " away.
# `lampspur survey` in this folder draws the survey, and lists what is still missing here;
# `lampspur schema --job` prints every key with its unit and its default.

title = {title}
survey = {survey_text}
#> currency = "EUR"             # printed beside every price
"""


def find_survey(folder: Path) -> Path:
    """
    The one survey file in a folder.

    Raises
    ------
    BadInput
        There is none, or there are several and none is called ``survey``.
    """
    found = sorted(path for path in folder.glob("*") if path.is_file() and path.suffix.casefold() in READERS)
    named = [path for path in found if path.stem.casefold() == "survey"]
    if len(named) == 1 or len(found) == 1:
        return (named or found)[0]
    ends = ", ".join(READERS)
    if not found:
        what, mend = "holds no survey", f"put one there ({ends}), or name it with --survey"
    else:
        what = f"holds {len(found)} files that may be the survey ({', '.join(path.name for path in found[:4])})"
        mend = "name one with --survey"
    raise BadInput([Problem(str(folder), 0, "", what, mend)])


def new_job_text(survey: Path, title: str) -> str:
    """
    Text of ``job.toml`` for a survey.

    Raises
    ------
    BadInput
        The survey cannot be read at all.
    """
    data = read_file(survey, "name a file that is there")
    head = _HEAD.format(survey=survey.name, survey_text=json.dumps(survey.name), title=_text(title))
    if survey.suffix.casefold() == ".dxf":
        blocks = [*_dxf(data, str(survey)), *_rest(["spike"], [], [], [], True)]
    else:
        points = points_of(reduce_file(data, str(survey), Measuring(), Dxf()), str(survey))
        blocks = _rest(
            _owners(points, "lamp") or ["spike"], _owners(points, "corner"), _owners(points, "sleeve"),
            [point.name for point in points.points if point.kind == "supply"],
            any(point.kind == "tree" for point in points.points),
        )  # fmt: skip
    return head + "\n" + "\n\n".join("\n".join(block) for block in blocks) + "\n"


def _owners(points: Points, kind: str) -> list[str]:
    names = {fold(point.of): point.of for point in reversed(points.points) if point.kind == kind and point.of}
    return list(reversed(names.values()))


def _rest(
    lamps: Iterable[str], zones: Iterable[str], sleeves: Iterable[str], supplies: Iterable[str], trees: bool
) -> list[list[str]]:
    grounds = {"lawn": None}
    others: list[str] = []
    for name in zones:
        bare = re.sub(r"[\s\d_-]+$", "", name).casefold()
        if bare in _KINDS:
            grounds.setdefault(bare)
        else:
            others.append(name)
    if trees:
        grounds.setdefault("root")
    blocks = [["# The ground: what a metre of trench costs in each. Where no zone lies, there is lawn."]]
    for kind in grounds:
        lines = [f"[grounds.{_key(kind)}]"]
        if kind not in _CLOSED:
            lines.append(_line("per_m", Ground))
        blocks.append(lines)
    if others:
        blocks.append(
            ["# For zones that may not be dug, such as a house or a wall: no cable crosses them.", "[grounds.no_dig]"]
        )
    for name in others:
        blocks.append([
            f"[zones.{_key(name)}]",
            '#> ground = "…"                # no_dig, or a ground such as lawn; add what is missing',
        ])  # fmt: skip
    for name in sleeves:
        blocks.append(
            [
                f"[sleeves.{_key(name)}]",
                f"{_line('capacity', SleeveSetting)}; or write bore_mm, its inner diameter, instead",
            ]
        )
    for name in lamps:
        blocks.append([f"[lamps.{_key(name)}]", *_needed(LampType)])
    for size in ("1.5", "2.5", "4"):
        blocks.append([f'[cables."2 x {size}"]', f"mm2 = {size}", _line("price_per_m", Cable)])
    driver = "[drivers.driver]              # name it as its maker does; add more"
    blocks.append([driver, *_needed(Driver), _line("limit_a", Driver, optional=True)])
    blocks.append(['[joints.kits."4 way"]', "max_ways = 4", _line("price", Kit), _line("labour", Kit, optional=True)])
    for name in supplies:
        blocks.append([f"[supplies.{_key(name)}]", "price = 0                     # what it costs to use it at all"])
    return blocks


def _dxf(data: bytes, file: str) -> list[list[str]]:
    from ..survey.read_dxf import layers_and_blocks

    layers, inserted = layers_and_blocks(data, file)
    kinds = "lamp, supply, zone, sleeve, tree, peg, mains or ignore"
    lines = [
        "# What the drawing's layers hold; those left out are not read.",
        "[dxf]",
        _line("units", Dxf, optional=True),
    ]
    blocks = [lines, ["[dxf.layers]", f"# kind: {kinds}; of: lamp type, or name of the zones, sleeves or lines"]]
    blocks[1] += _drawn(layers, "zone")
    if inserted:
        blocks.append(
            ["[dxf.blocks]", "# kind: lamp (if not said), supply, tree, peg or ignore", *_drawn(inserted, "lamp")]
        )
    return blocks


def _drawn(counts: Counter[str], kind: str) -> list[str]:
    return [
        f'#> {_key(name)} = {{ kind = "{kind}", of = "…" }}    # {count} in the drawing'
        for name, count in counts.most_common(60)
    ]


def _text(value: str) -> str:
    return json.dumps(value, ensure_ascii=False)


def _key(name: str) -> str:
    return name if re.fullmatch(r"[A-Za-z0-9_-]+", name) else _text(name)


def _needed(model: type[Model]) -> list[str]:
    return [_line(key, model) for key, field in model.model_fields.items() if field.is_required()]


def _line(key: str, model: type[Model], *, optional: bool = False) -> str:
    """A line to fill in: the key, an example or nothing, and what it is."""
    sentence = model.model_fields[key].description or ""
    unit = unit_of(key)
    example = {"taps_v": "[ ]"}.get(key, "")
    lead = f"#> {key} = {example}"
    may = "may stay out: " if optional else ""
    told = not unit or f"in {unit}" in sentence
    return f"{lead:<32}# {may}{sentence}{'' if told else f' ({unit})'}"


def job_path(folder: Path) -> Path:
    """
    Where the job file goes.

    Raises
    ------
    BadInput
        There is one already.
    """
    path = folder / JOB_FILE
    if path.exists():
        raise BadInput([Problem(str(path), 0, "", "is there already", "edit it, or name another folder")])
    return path
