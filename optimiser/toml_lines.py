"""Where each key of a TOML text stands, which tomllib does not keep. In: valid TOML. Out: path -> line, from 1.

And, for a text that is no TOML, its single statements, so that more than the first fault can be told.

Tables have the line of their header (or of the first header below them), keys their own; keys inside an inline table
are not listed, so that the longest known beginning of their path gives the inline table's line.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterator

KeyPath = tuple[str | int, ...]

_TOKEN = re.compile(
    r"""(?P<comment>\#[^\n]*)
      | (?P<text>\"{3}(?:\\.|[^\\])*?\"{3}|'{3}.*?'{3}|"(?:\\.|[^"\\\n])*"|'[^'\n]*')
      | (?P<newline>\n)
      | (?P<space>[^\S\n]+)
      | (?P<mark>[][{}=,.])
      | (?P<bare>[^][{}=,.\s"'\#]+)""",
    re.VERBOSE | re.DOTALL,
)


def split_key(dotted: str) -> KeyPath:
    """Path of a dotted key as TOML reads it (``lamps."spike 3".watts``); plainly split where it is no TOML key."""
    try:
        table = tomllib.loads(f"{dotted} = 0")
    except tomllib.TOMLDecodeError:
        return tuple(part.strip() for part in dotted.split("."))
    path: list[str] = []
    while isinstance(table, dict):
        (key, table), *_ = table.items()
        path.append(key)
    return tuple(path)


def join_key(path: KeyPath) -> str:
    """A path as a dotted key; list positions are left out, names that need quotes get them."""
    names = [part for part in path if isinstance(part, str)]
    return ".".join(part if re.fullmatch(r"[A-Za-z0-9_-]+", part) else f'"{part}"' for part in names)


def find_lines(text: str) -> dict[KeyPath, int]:
    """Line of every table header and ``key =`` outside inline tables."""
    lines: dict[KeyPath, int] = {}
    counts: dict[KeyPath, int] = {}
    table: KeyPath = ()
    line, depth = 1, 0
    statement, key, brackets = True, "", 0  # at a statement's start; its key so far; brackets of a header
    for token in _TOKEN.finditer(text):
        part = token[0]
        if token.lastgroup == "newline":
            line += 1
            if depth == 0:
                statement, key, brackets = True, "", 0
        elif token.lastgroup in ("comment", "space"):
            continue
        elif not statement:  # within a value
            depth += (part in "[{") - (part in "]}") if token.lastgroup == "mark" else 0
            line += part.count("\n")
        elif part == "[" and not key:
            brackets += 1
        elif part == "]":
            if not key:
                continue  # the second bracket of [[name]]
            table = _indexed(split_key(key), counts)
            if brackets == 2:
                counts[table] = counts.get(table, -1) + 1
                lines[(*table, counts[table])] = line
            for end in range(1, len(table) + 1):
                lines.setdefault(table[:end], line)
            if brackets == 1:
                lines[table] = line
            else:
                table = (*table, counts[table])
            key = ""
        elif part == "=":
            path = (*table, *split_key(key))
            for end in range(1, len(path) + 1):
                lines.setdefault(path[:end], line)
            statement = False
        else:
            key += part
    return lines


def read_statements(text: str) -> Iterator[tuple[int, KeyPath, str]]:
    """
    Line, table and text of each ``key = value`` that stands on one line, without its comment; the TOML may be faulty.

    Lists and texts over several lines are passed over. It ends at one that is never closed: what follows may be part
    of it.
    """
    table: KeyPath = ()
    depth, quotes = 0, ""  # brackets, or the three quotes, that are open
    for line, row in enumerate(text.split("\n"), start=1):
        if quotes:
            quotes = "" if quotes in row else quotes
            continue
        statement, opened = _without_comment(row)
        if depth:
            depth += opened
            continue
        header = re.match(r"""\[\[?((?:"[^"]*"|'[^']*'|[^]"'])*)""", statement)
        if header:
            table = split_key(header[1].strip())
            continue
        value = statement.partition("=")[2].strip()
        quotes = next((mark for mark in ('"""', "'''") if value.startswith(mark) and mark not in value[3:]), "")
        depth = 0 if quotes else max(0, opened)
        if statement and not depth and not quotes:
            yield line, table, statement


def _without_comment(row: str) -> tuple[str, int]:
    """A line without its comment, and how many more square brackets it opens than it closes."""
    opened = 0
    for token in _TOKEN.finditer(row):
        if token.lastgroup == "comment":
            return row[: token.start()].strip(), opened
        opened += (token[0] == "[") - (token[0] == "]")
    return row.strip(), opened


def _indexed(path: KeyPath, counts: dict[KeyPath, int]) -> KeyPath:
    """The path with the number of the latest item put behind every array of tables it passes."""
    walked: KeyPath = ()
    for place, part in enumerate(path):
        walked = (*walked, part)
        if walked in counts and place + 1 < len(path):
            walked = (*walked, counts[walked])
    return walked


def line_of(path: KeyPath, lines: dict[KeyPath, int]) -> int:
    """Line of the longest known beginning of a path; 0 where nothing of it stands in the file."""
    return next((lines[path[:end]] for end in range(len(path), 0, -1) if path[:end] in lines), 0)
