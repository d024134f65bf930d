"""What the check found, as records. In: single cases, judged one by one. Out: Report, one line for every limit.

A limit that is broken has a line for each place that breaks it; a limit that holds has one line, its tightest case.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace

from .limits import LIMITS

Value = float | str | None
Say = str | Callable[[], str]


@dataclass(frozen=True)
class Finding:
    """
    One limit at one place. ``margin``: how far inside it is, negative outside; None where it has no size.

    ``cases``: how many places the limit was judged at; where it holds, this is the tightest of them.
    """

    limit: str
    where: str
    value: Value
    allowed: Value
    margin: float | None
    ok: bool
    sentence: str
    cases: int = 1


@dataclass(frozen=True)
class Report:
    """All limits in the order of ``limits.LIMITS``; ``notes``: what the check cannot prove or was told to overlook."""

    lines: list[Finding]
    notes: list[str]

    @property
    def violations(self) -> list[Finding]:
        return [line for line in self.lines if not line.ok]

    @property
    def holds(self) -> bool:
        return not self.violations


@dataclass
class _Entry:
    num_cases: int = 0
    tightest: Finding | None = None
    broken: list[Finding] = field(default_factory=list)


def number(value: float, unit: str) -> str:
    """A value as it stands in a sentence: millivolts, milliamperes and millimetres for V, A and m, cents for money."""
    digits = {"V": 3, "A": 3, "m": 3, "": 2, "W": 2, "%": 2, "mm²": 2, "mm": 0, "ohm": 5, "#": 0}.get(unit, 3)
    text = f"{value:.{digits}f}"
    return text if unit in ("", "#") else f"{text} {unit}"


class Book:
    """Collects cases. Sentences of cases that are neither broken nor tightest are never written."""

    def __init__(self) -> None:
        self._entries = {limit: _Entry() for limit in LIMITS}
        self.notes: list[str] = []

    def _enter(self, limit: str, ok: bool, margin: float | None, make: Callable[[], Finding]) -> bool:
        entry = self._entries[limit]
        entry.num_cases += 1
        if not ok:
            entry.broken.append(make())
        elif margin is not None:
            tight = entry.tightest
            if tight is None or tight.margin is None or margin < tight.margin:
                entry.tightest = make()
        return ok

    def claim(self, limit: str, where: str, ok: bool, say: Say, *, value: Value = None, allowed: Value = None) -> bool:
        """A case that is so or not so; ``say`` is the sentence where it is not."""
        if ok:
            return self._enter(limit, True, None, lambda: Finding(limit, where, value, allowed, None, True, ""))
        text = say if isinstance(say, str) else say()
        return self._enter(limit, False, None, lambda: Finding(limit, where, value, allowed, None, False, text))

    def at_most(self, limit: str, where: str, what: str, value: float, allowed: float, unit: str, tol: float) -> bool:
        """``value`` may exceed ``allowed`` by no more than the rounding ``tol``."""
        margin = allowed - value
        return self._size(limit, where, what, value, "at most", allowed, margin, unit, margin >= -tol)

    def at_least(self, limit: str, where: str, what: str, value: float, allowed: float, unit: str, tol: float) -> bool:
        """``value`` may fall short of ``allowed`` by no more than the rounding ``tol``."""
        margin = value - allowed
        return self._size(limit, where, what, value, "at least", allowed, margin, unit, margin >= -tol)

    def same(self, limit: str, where: str, what: str, printed: float, own: float, unit: str, tol: float) -> bool:
        """The plan prints a number; the check's own may differ by rounding ``tol`` only."""
        off = abs(printed - own)
        ok = off <= tol + 1e-9

        def make() -> Finding:
            verdict = "agrees" if ok else f"is off by {number(off, unit)}"
            text = f"{where}: {what} is printed as {number(printed, unit)}, computed {number(own, unit)}: {verdict}"
            return Finding(limit, where, printed, own, tol - off, ok, text)

        return self._enter(limit, ok, tol - off, make)

    def _size(
        self,
        limit: str,
        where: str,
        what: str,
        value: float,
        word: str,
        allowed: float,
        margin: float,
        unit: str,
        ok: bool,
    ) -> bool:
        def make() -> Finding:
            ending = f"margin {number(margin, unit)}" if ok else f"beyond by {number(-margin, unit)}"
            text = f"{where}: {what} {number(value, unit)}, {word} {number(allowed, unit)}, {ending}"
            return Finding(limit, where, value, allowed, margin, ok, text)

        return self._enter(limit, ok, margin, make)

    def note(self, text: str) -> None:
        self.notes.append(text)

    def close(self) -> Report:
        """One line a limit, or one for each break of it."""
        lines: list[Finding] = []
        for limit, entry in self._entries.items():
            if entry.broken:
                lines += [replace(one, cases=entry.num_cases) for one in entry.broken]
            elif entry.tightest is not None:
                lines.append(replace(entry.tightest, cases=entry.num_cases))
            else:
                text = f"{LIMITS[limit]}: {entry.num_cases or 'nothing here'} to judge"
                text += ", all good" if entry.num_cases else ""
                lines.append(Finding(limit, "", None, None, None, True, text, entry.num_cases))
        return Report(lines, self.notes)
