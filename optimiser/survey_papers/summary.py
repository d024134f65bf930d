"""What a terminal shows of a survey. In: Look. Out: lines of at most 80 columns.

First what was understood, then how it was measured, what looks wrong, what must be mended, and where the files are.
"""

from __future__ import annotations

import itertools
import math
import textwrap
from collections import Counter
from collections.abc import Sequence
from pathlib import Path, PurePath

from ..documents.words import counted, fitted, listed, number, plain
from ..earth_grid import Position
from ..survey.points import fold
from ..survey.zones import name_grounds
from .look import Look

WIDTH = 80
_MOST = 20
_WORDS = {"supply": "supply points", "corner": "zone corners", "sleeve": "sleeve points", "mains": "mains points"}


def summary(look: Look, files: Sequence[Path]) -> str:
    """Blocks of lines, ended by a newline; ``files`` are those that were written."""
    blocks = [[plain(look.title), f"Survey {PurePath(look.file).name}"], _points(look)]
    blocks += [block for block in (_zones(look), _lines(look), _measured(look), _wrong(look), _mend(look)) if block]
    if files:
        blocks.append(["Written to", f"  {files[0].parent}", *_wrapped(", ".join(path.name for path in files), "  ")])
    return "\n\n".join("\n".join(block) for block in blocks) + "\n"


def _wrapped(text: str, indent: str, first: str | None = None) -> list[str]:
    lead = indent if first is None else first
    return textwrap.wrap(plain(text), WIDTH, initial_indent=lead, subsequent_indent=indent, break_on_hyphens=False)


def _points(look: Look) -> list[str]:
    lines = ["Points"]
    kinds = Counter(point.kind for point in look.points.points)
    for kind in ("lamp", "supply", "corner", "sleeve", "tree", "peg", "mains"):
        if not kinds[kind]:
            continue
        names = [point.name for point in look.points.points if point.kind == kind]
        if kind == "lamp":
            types = Counter(point.of for point in look.points.points if point.kind == kind)
            more = ", ".join(f"{name} {count}" for name, count in types.most_common(8))
            more += " …" if len(types) > 8 else ""
        elif kind == "corner":
            more = f"in {counted(len({fold(p.of) for p in look.points.points if p.kind == kind}), 'zone')}"
        elif kind in ("sleeve", "mains"):
            more = f"in {counted(len({fold(p.of) for p in look.points.points if p.kind == kind}), 'line')}"
        else:
            more = ", ".join(names[:8]) + (" …" if len(names) > 8 else "")
        lines += _wrapped(more, " " * 26, f"  {_WORDS.get(kind, kind + 's'):<16}{kinds[kind]:>5,}   ")
    whole = [point for point in look.points.points if point.whole]
    if whole:
        xs, ys = [point.x for point in whole], [point.y for point in whole]
        sizes = f"{number(max(xs) - min(xs), 1)} × {number(max(ys) - min(ys), 1)} m"
        spans = f"x {min(xs):.1f} to {max(xs):.1f}, y {min(ys):.1f} to {max(ys):.1f}"
        lines.append(f"  They span {sizes}: {spans}.")
    zs = [point.z for point in whole if point.z is not None]
    if zs:
        lines.append(f"  Heights from {min(zs):.2f} to {max(zs):.2f} m.")
    return lines


def _zones(look: Look) -> list[str]:
    if not look.outlines:
        return []
    grounds = {}
    if look.job is not None:
        grounds = {fold(zone.name): zone.ground for zone in name_grounds(look.outlines, look.job, "")[0]}
    lines = ["Zones                        ground                   area   corners"]
    for name, corners, polygon in look.outlines[:_MOST]:
        ground = grounds.get(fold(name), "not known" if look.job else "")
        lines.append(f"  {fitted(name, 24)}   {fitted(ground, 16)} {number(polygon.area, 1):>9} m² {len(corners):>7}")
    if len(look.outlines) > _MOST:
        lines.append(f"  … and {len(look.outlines) - _MOST} more")
    return lines


def _lines(look: Look) -> list[str]:
    lines = []
    for word, chains in (("Sleeves", look.sleeves), ("Mains lines", look.mains)):
        for k, (name, chain) in enumerate(chains[:_MOST]):
            metres = sum(math.dist((a.x, a.y), (b.x, b.y)) for a, b in itertools.pairwise(chain))
            if k == 0:
                lines.append(word)
            lines.append(f"  {fitted(name, 24)}   {number(metres, 1):>9} m")
    return lines


def _measured(look: Look) -> list[str]:
    reduced = look.reduced
    if not reduced.placed:
        return []
    lines = ["How they were measured"]
    hows = Counter(placed.how for placed in reduced.placed.values())
    for how, words in (
        ("grid", "by x and y"), ("tapes", "by tape"), ("offset", "by chainage and offset"),
        ("receiver", "by latitude and longitude"),
    ):  # fmt: skip
        errors = [p.error_m for p in reduced.placed.values() if p.how == how and not math.isnan(p.error_m)]
        known = [error for error in errors if error > 0.0005]
        ends = dict.fromkeys(f"{error:.2f}" for error in (min(known), max(known))) if known else {}
        within = f"   known to {' … '.join(ends)} m" if known else ""
        if hows[how]:
            lines.append(f"  {words:<28}{hows[how]:>6,}{within}")
    num_without = len(reduced.names) - len(reduced.placed)
    if num_without:
        lines.append(f"  {'without a place as yet':<28}{num_without:>6,}   not drawn; see what is to be mended")
    if reduced.num_sloping:
        lines += _wrapped(
            f"{counted(reduced.num_sloping, 'tape')} between two heights: taken as held along the slope and brought "
            "to the level.",
            "  ",
        )
    if reduced.num_redundant > 0:
        lines += _wrapped(
            f"{counted(reduced.num_redundant, 'measurement')} more than needed; they stray {reduced.s0:.1f} times as "
            "much as [measuring] of the job says (standard error of unit weight"
            f"{', with the suspected ones' if any(tape.verdict == 'suspect' for tape in reduced.tapes) else ''}).",
            "  ",
        )
    elif not num_without:
        lines += _wrapped("No measurement checks another: a wrong tape would not show.", "  ")
    if reduced.position is not None:
        lines += _wrapped(_where(reduced.position), "  ")
    weak = sorted(
        ((p.error_m, look.reduced.names[k]) for k, p in reduced.placed.items() if p.how != "grid"),
        key=lambda one: (-(math.inf if math.isnan(one[0]) else one[0]), one[1]),
    )[:3]
    if weak:
        shown = [f"{name} ({'not known' if math.isnan(error) else f'{error:.2f} m'})" for error, name in weak]
        lines += _wrapped(f"Least sure: {listed(shown)}.", "  ")
    off = sorted((t for t in reduced.tapes if not math.isnan(t.ratio)), key=lambda t: -abs(t.ratio))[:3]
    if off and abs(off[0].measured_m - off[0].adjusted_m) >= 0.005:
        lines.append("  Largest misclosures")
        for tape in off:
            way = f"{reduced.names[tape.source]} to {reduced.names[tape.to]}"
            miss = tape.measured_m - tape.adjusted_m
            lines.append(f"    {fitted(way, 40)} {tape.measured_m:>8.2f} m {miss:>+7.2f} m   {tape.verdict}".rstrip())
    return lines


def _where(position: Position) -> str:
    origin = f"latitude {position.latitude:.7f}, longitude {position.longitude:.7f}"
    if (position.x_m, position.y_m, position.y_bearing) == (0, 0, 0):
        return f"x is east and y north of {origin}."
    bearing = f"{position.y_bearing % 360:.2f}°"
    return f"x {position.x_m:.2f}, y {position.y_m:.2f} is {origin}; y runs at {bearing} from true north, clockwise."


def _wrong(look: Look) -> list[str]:
    sentences = [finding.words for finding in look.findings] + list(look.notes)
    if not sentences:
        return [] if look.problems else ["Nothing looks wrong"]
    lines = [f"{counted(len(sentences), 'thing')} to look at"]
    for k, words in enumerate(sentences[:40], start=1):
        lines += _wrapped(words + ("" if words.endswith((".", "?")) else "."), "     ", f" {k:>2}  ")
    if len(sentences) > 40:
        lines.append(f"     … and {len(sentences) - 40} more")
    return lines


def _mend(look: Look) -> list[str]:
    if not look.problems:
        return [] if look.has_job_file else ["No job file yet: lampspur new starts one from this survey."]
    lines = [f"{counted(len(look.problems), 'problem')} to mend before a plan can be made"]
    for problem in look.problems[:_MOST]:
        lines += [f"  {line}" for line in str(problem).splitlines()]
    if len(look.problems) > _MOST:
        lines.append(f"  … and {len(look.problems) - _MOST} more")
    return lines
