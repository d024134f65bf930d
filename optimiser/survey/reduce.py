"""From what was measured to x and y. In: Table, Measuring. Out: Reduced: the table with x, y, z, and how good.

A table with nothing but x and y (and z) goes through unchanged. Otherwise: degrees to a local grid, rises to heights,
tapes along slopes to the level, a first place for each taped point, then one adjustment of everything.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace

import numpy as np

from ..earth_grid import Degrees, Position, to_metres
from ..job import Measuring
from ..problems import Problem
from .adjust import BLUNDER, adjust
from .levels import read_levels
from .local_grid import RADIUS_OVER_SIGMA, fit_to_grid
from .measured import Row, Rows
from .network import Adjustment, Observation, Sort
from .starts import XY, Starts
from .table import Table

_STRAY = 0.001  # a sum of squares that chance gives once in a thousand surveys


@dataclass(frozen=True)
class Placed:
    """How one row got its place, and its standard errors in m (NaN where they could not be told)."""

    how: str
    """``grid``, ``receiver``, ``tapes`` or ``offset``."""
    x: float
    y: float
    sx_m: float = 0.0
    sy_m: float = 0.0

    @property
    def error_m(self) -> float:
        """Radius of the circle that holds the point in 68 of 100 cases, about: 1.51 x the mean standard error."""
        return RADIUS_OVER_SIGMA * math.sqrt((self.sx_m**2 + self.sy_m**2) / 2)


@dataclass(frozen=True)
class Taped:
    """One tape after the adjustment, in m."""

    to: int
    """Index of the row it is written in."""
    source: int
    measured_m: float
    """Brought to the level where both heights are known."""
    adjusted_m: float
    """What it should have been: of one left out or suspected what all others make of it, of the others without that."""
    sigma_m: float
    ratio: float
    """Measured less adjusted over its standard error; NaN where nothing checks it."""
    verdict: str
    """``""``, ``left out`` or ``suspect``."""


@dataclass(frozen=True)
class Reduced:
    table: Table
    problems: tuple[Problem, ...] = ()
    notes: tuple[str, ...] = ()
    """Faults that the measurements show, and what was assumed."""
    placed: dict[int, Placed] = field(default_factory=dict)
    """By index of the row; empty where the table has nothing but x and y."""
    tapes: tuple[Taped, ...] = ()
    names: tuple[str, ...] = ()
    """Of each row, as sentences call it."""
    position: Position | None = None
    """Where the grid of x and y lies on Earth, where rows have degrees."""
    num_redundant: int = 0
    s0: float = math.nan
    lost_rows: frozenset[int] = frozenset()
    """Row numbers whose place is missing for a reason that is said already."""
    unlevelled: frozenset[int] = frozenset()
    """Row numbers whose height is missing for such a reason."""
    num_sloping: int = 0
    """Tapes taken as held along the slope, since both of their ends have a height."""


def reduce(table: Table, file: str, measuring: Measuring) -> Reduced:
    """Places for all rows, as far as they can be found."""
    columns = ("from1", "base1", "latitude", "longitude", "level_from", "rise", "accuracy_m", "chainage", "offset")
    more = [*columns, *(f"{name}{tie}" for name in ("from", "dist") for tie in range(1, 7)), "base2"]
    if not any(cells.texts.get(column) for cells in table.rows for column in more):
        return Reduced(table)
    rows = Rows(table, file)
    problems = list(rows.problems)
    heights, faults, notes = read_levels(rows)
    problems += faults
    places, position, faults, more_notes = _on_one_grid(rows, measuring)
    problems += faults
    notes += more_notes
    level, faults = _level_tapes(rows, heights)
    problems += faults
    sigmas = [{k: _tape_sigma(tape.metres, measuring) for k, tape in enumerate(row.tapes)} for row in rows]
    starts = Starts(rows, places, sigmas)
    problems += starts.problems
    notes += starts.notes
    solved = _solve(rows, places, starts, level, sigmas, measuring)
    notes += _words(rows, solved, measuring)
    placed = _placed(rows, solved)
    lost = {problem.line for problem in problems} | {rows.rows[index].cells.row for index in starts.stuck}
    unlevelled = {row.cells.row for i, row in enumerate(rows) if i not in heights and _was_levelled(row)}
    return Reduced(
        _filled(table, rows, placed, heights), tuple(problems), tuple(notes), placed, tuple(solved.tapes),
        tuple(row.named for row in rows), position, solved.result.num_redundant, solved.result.s0, frozenset(lost),
        frozenset(unlevelled), len(level),
    )  # fmt: skip


def _was_levelled(row: Row) -> bool:
    return bool(row.cells["level_from"] or row.cells["rise"])


def _tape_sigma(metres: float, measuring: Measuring) -> float:
    return measuring.tape_m + measuring.tape_pct / 100 * metres


def _radius(row: Row, measuring: Measuring) -> float:
    return row.accuracy_m if row.accuracy_m is not None else measuring.receiver_m


# --- grids


def _on_one_grid(rows: Rows, measuring: Measuring) -> tuple[dict[int, XY], Position | None, list[Problem], list[str]]:
    """
    Put the rows that have x and y or degrees on one grid: that of x and y, where there is one.

    Returns
    -------
    places, position, problems, notes
        ``position`` is where that grid lies on Earth.
    """
    places = {index: row.xy for index, row in enumerate(rows) if row.xy is not None}
    by_degrees = [(index, row) for index, row in enumerate(rows) if row.position is not None]
    if not by_degrees:
        return places, None, [], []
    pegs = [row for _, row in by_degrees if row.cells["kind"].casefold() == "peg"]
    origin: Degrees | None = (pegs or [by_degrees[0][1]])[0].position
    assert origin is not None
    position = Position(*origin)
    metres = to_metres([row.position for _, row in by_degrees if row.position is not None], origin)
    metres[~np.isfinite(metres)] = 1e8
    both = [k for k, (index, _) in enumerate(by_degrees) if index in places]
    notes: list[str] = []
    if places:
        apart = max((math.dist(metres[i], metres[j]) for i in both for j in both[:1]), default=0.0)
        if len(both) < 2 or apart < 0.5:
            index, row = next(((i, r) for i, r in by_degrees if i not in places), by_degrees[0])
            other = rows.rows[next(iter(places))]
            found = f"is in degrees, while {other.named} has x and y, and fewer than two points have both"
            mend = "write x and y as well for two points far apart that have degrees, or place them all in one way"
            fault = Problem(rows.file, row.cells.row, "latitude", found, mend)
            return places, None, [fault] * (len(both) < len(by_degrees)), []
        targets = np.array([places[by_degrees[k][0]] for k in both])
        turn, shift = fit_to_grid(metres[both], targets)
        metres = metres @ turn.T + shift
        angle = math.degrees(math.atan2(turn[1, 0], turn[0, 0]))
        position = Position(*origin, round(float(shift[0]), 3), round(float(shift[1]), 3), round(angle, 7))
        off = np.hypot(*(metres[both] - targets).T)
        radii = [_radius(by_degrees[k][1], measuring) for k in both]
        worst = int(np.argmax(off / radii))
        notes.append(
            f"degrees were turned by {angle:.1f}° onto the grid of x and y over {len(both)} points known in both"
        )
        if off[worst] > 2.5 * radii[worst]:
            name = by_degrees[both[worst]][1].named
            notes.append(
                f"the position of {name} lies {off[worst]:.2f} m from its x and y, more than its {radii[worst]:g} m: "
                "look at both again"
            )
    for (index, _), place in zip(by_degrees, metres, strict=True):
        places.setdefault(index, (float(place[0]), float(place[1])))
    return places, position, [], notes


def _level_tapes(rows: Rows, heights: dict[int, float]) -> tuple[dict[tuple[int, int], float], list[Problem]]:
    """Level distance of each tape whose ends both have a height, by row and its number there."""
    level: dict[tuple[int, int], float] = {}
    problems = []
    for index, row in enumerate(rows):
        for number, tape in enumerate(row.tapes):
            if index not in heights or tape.to not in heights:
                continue
            rise = heights[index] - heights[tape.to]
            if abs(rise) >= tape.metres:
                found = (
                    f"found {tape.metres:g} m to {rows.rows[tape.to].named}, which lies {abs(rise):g} m higher or lower"
                )
                problems.append(Problem(rows.file, row.cells.row, tape.column, found, "correct the tape or the height"))
                continue
            level[index, number] = math.sqrt(tape.metres**2 - rise**2)
    return level, problems


# --- adjustment


@dataclass
class _Solved:
    result: Adjustment
    tapes: list[Taped]
    slot_of: dict[int, int]
    """Place in the adjustment by index of the row."""
    observations: list[Observation]
    index_of: list[int]
    axis: bool


def _solve(
    rows: Rows, known: dict[int, XY], starts: Starts, level: dict[tuple[int, int], float],
    sigmas: list[dict[int, float]], measuring: Measuring,
) -> _Solved:  # fmt: skip
    index_of = sorted(starts.places)
    slot_of = {index: slot for slot, index in enumerate(index_of)}
    start = np.array([starts.places[index] for index in index_of], dtype=float).reshape(-1, 2)
    free = np.array([_is_free(rows.rows[index], index, known, starts) for index in index_of], dtype=bool)
    observations: list[Observation] = []
    taped: list[tuple[int, int, int]] = []  # observation, row, number of the tape
    for index in index_of:
        row, slot = rows.rows[index], slot_of[index]
        if free[slot] and index in known:
            radius_m = row.accuracy_m if row.xy is not None else _radius(row, measuring)
            sigma = (radius_m or measuring.receiver_m) / RADIUS_OVER_SIGMA
            for sort, value in zip((Sort.X, Sort.Y), known[index], strict=True):
                observations.append(Observation(sort, slot, value, sigma))
        for number, tape in enumerate(row.tapes):
            if tape.to in slot_of:
                taped.append((len(observations), index, number))
                metres = level.get((index, number), tape.metres)
                observations.append(Observation(Sort.DISTANCE, slot, metres, sigmas[index][number], slot_of[tape.to]))
        if row.base and all(other in slot_of for other in row.base):
            a, b = (slot_of[other] for other in row.base)
            for sort, value in ((Sort.CHAINAGE, row.chainage_m), (Sort.OFFSET, row.offset_m)):
                observations.append(Observation(sort, slot, value, measuring.offset_m, a, b))
    if starts.axis is not None:  # the x axis runs through the second peg: a statement, not a measurement
        slot = slot_of[starts.axis[1]]
        observations.append(Observation(Sort.Y, slot, float(start[slot_of[starts.axis[0]], 1]), 1e-5))
    result = adjust(start, free, observations)
    suspects = {m for group in result.unresolved for m in group}
    suspects |= {m for m in range(len(observations)) if result.group_of[m] == -1 and abs(result.ratios[m]) > BLUNDER}
    tapes = []
    for m, index, number in taped:
        verdict = "left out" if m in result.left_out else "suspect" if m in suspects else ""
        measured = observations[m].value
        tapes.append(
            Taped(
                index, rows.rows[index].tapes[number].to, measured, measured + float(result.misclosures[m]),
                observations[m].sigma, float(result.misclosure_ratios[m]), verdict,
            )
        )  # fmt: skip
    return _Solved(result, tapes, slot_of, observations, index_of, starts.axis is not None)


def _is_free(row: Row, index: int, known: dict[int, XY], starts: Starts) -> bool:
    if starts.axis is not None and index == starts.axis[0]:
        return False
    return index not in known or row.xy is None or row.accuracy_m is not None


def _placed(rows: Rows, solved: _Solved) -> dict[int, Placed]:
    result = solved.result
    loose = {int(result.group_of[m]) for group in result.unresolved for m in group}
    strayed = {group: _strayed(result, group) for group in loose}
    placed: dict[int, Placed] = {}
    for index, slot in solved.slot_of.items():
        row = rows.rows[index]
        how = "tapes" if row.tapes else "offset" if row.base else "receiver" if row.position else "tapes"
        if row.xy is not None:
            how = "grid"
        factor = strayed.get(int(result.groups[slot]), 1.0) if slot in result.doubted else 1.0
        sx, sy = (factor * _root(float(result.cofactors[slot, axis, axis])) for axis in (0, 1))
        x, y = (round(float(value), 3) + 0.0 for value in result.places[slot])
        placed[index] = Placed(how, x, y, sx, sy)
    return placed


def _root(variance: float) -> float:
    """Standard error of a variance that may be a little below 0 by rounding; NaN stays NaN."""
    return variance if math.isnan(variance) else math.sqrt(max(0.0, variance))


def _strayed(result: Adjustment, group: int) -> float:
    """By how much more than stated the measurements of a group stray; at least 1."""
    members = (result.group_of == group) & (result.redundancy > 0)
    redundant = float(result.redundancy[members].sum())
    chi2 = float(((result.residuals[members] / result.sigmas[members]) ** 2).sum())
    return max(1.0, math.sqrt(chi2 / redundant)) if redundant > 0.5 else 1.0


# --- words


def _words(rows: Rows, solved: _Solved, measuring: Measuring) -> list[str]:
    """Every measurement that is probably wrong, and whether all of them stray more than stated."""
    result, notes = solved.result, []
    for m in result.left_out:
        error, others = result.error_of(m), _others(solved, m)
        notes.append(
            f"{_what(rows, solved, m)} disagrees with {others} by {abs(error):.2f} m (too {_way(error)}) "
            "and was left out: measure it again"
        )
    for group in result.unresolved:
        first, *rest = group
        error = result.error_of(first)
        also = [f"{_what(rows, solved, m)} is {_too(result.error_of(m))}" for m in rest[:3]]
        also += ["another"] * (len(rest) > 3)
        notes.append(
            f"{_what(rows, solved, first)} disagrees with {_others(solved, first)} by {abs(error):.2f} m: "
            f"measure it again (if it is right, {'; or '.join(also)})"
        )
    for tape in solved.tapes:
        if tape.verdict == "suspect" and all(
            rows.rows[end].xy is not None and rows.rows[end].accuracy_m is None for end in (tape.to, tape.source)
        ):
            off = tape.measured_m - tape.adjusted_m
            names = f"{rows.rows[tape.source].named} to {rows.rows[tape.to].named}"
            notes.append(
                f"the {tape.measured_m:.2f} m from {names} is {_too(off)} for their x and y: "
                "measure it again, or correct these"
            )
    if not notes and result.num_redundant >= 3:
        from scipy.special import chdtrc

        if float(chdtrc(result.num_redundant, result.num_redundant * result.s0**2)) < _STRAY:
            notes.append(
                f"the measurements stray {result.s0:.1f} x as much as [measuring] says "
                f"(tape_m {measuring.tape_m:g}): they are worse than stated, or a peg has moved"
            )
    if not result.converged:
        notes.append("the adjustment did not settle: measure the points with the largest errors again")
    return notes


def _way(error: float) -> str:
    return "long" if error > 0 else "short"


def _too(error: float) -> str:
    return f"{abs(error):.2f} m too {_way(error)}"


def _what(rows: Rows, solved: _Solved, m: int) -> str:
    """A measurement in words: ``the 7.42 m from peg B to lamp L5``."""
    seen = solved.observations[m]
    to = rows.rows[solved.index_of[seen.i]].named
    if seen.sort is Sort.DISTANCE:
        return f"the {seen.value:.2f} m from {rows.rows[solved.index_of[seen.a]].named} to {to}"
    if seen.sort in (Sort.CHAINAGE, Sort.OFFSET):
        return f"the {seen.sort.name.lower()} of {abs(seen.value):.2f} m of {to}"
    return f"the {'x' if seen.sort is Sort.X else 'y'} of {to}"


def _others(solved: _Solved, m: int) -> str:
    """The measurements that check one: those to the same point."""
    end = solved.observations[m].i
    count = sum(end in (o.i, o.a) for k, o in enumerate(solved.observations) if k != m)
    words = {1: "the other one", 2: "the other two", 3: "the other three", 4: "the other four"}
    return words.get(count, f"the other {count}")


# --- the table, filled in


def _filled(table: Table, rows: Rows, placed: dict[int, Placed], heights: dict[int, float]) -> Table:
    """The table with x, y and z as texts of its own style; what has them keeps them as they are."""

    def text(value: float) -> str:
        plain = f"{value:.3f}"
        return plain.replace(".", ",") if rows.comma else plain

    filled = []
    for index, cells in enumerate(table.rows):
        texts = dict(cells.texts)
        where = placed.get(index)
        if where is not None and rows.rows[index].xy is None and not (texts.get("x") or texts.get("y")):
            texts["x"], texts["y"] = text(where.x), text(where.y)
        if not texts.get("z") and index in heights:
            texts["z"] = text(heights[index])
        filled.append(replace(cells, texts=texts))
    return replace(table, rows=tuple(filled))
