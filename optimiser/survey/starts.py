"""Where each taped point lies about, and on which side. In: Rows, places known. Out: places to adjust from, Problems.

A point is placed once two of the points it is taped from are: where circles round them meet. Tapes count both ways, so
a peg may be found from lamps. Of all meetings the one that the other tapes agree with most is taken; where its mirror
image agrees as well, ``side`` decides, and where there is no ``side`` the question is put.
"""

from __future__ import annotations

import math
import re
from collections import deque
from collections.abc import Sequence
from itertools import combinations

from ..problems import Problem
from .measured import Row, Rows

XY = tuple[float, float]
_MOST_PAIRS = 15
_COLUMN_OF_PLACE = re.compile(r"(?:from|dist|base)\d|chainage|offset")
_EXPLAINED = 30  # points without a place that are each told why
_NEAR = 3.0  # standard errors within which tapes agree, circles touch, and two misfits are alike


class Starts:
    """
    Places found one after another.

    ``places`` holds x, y by index of the row, for those known at the start and those found.
    """

    def __init__(self, rows: Rows, known: dict[int, XY], sigma_of: Sequence[dict[int, float]]) -> None:
        self.rows = rows
        self.places = dict(known)
        self.problems: list[Problem] = []
        self.notes: list[str] = []
        self.stuck: set[int] = set()
        """Points that nothing places."""
        self._ties: list[dict[int, list[tuple[float, float]]]] = [{} for _ in rows.rows]
        self._failed: set[int] = set()
        self._waits: set[int] = set()
        self._misread = {problem.line for problem in rows.problems if _COLUMN_OF_PLACE.fullmatch(problem.field)}
        for index, row in enumerate(rows):
            for number, tape in enumerate(row.tapes):
                entry = (tape.metres, sigma_of[index][number])
                self._ties[index].setdefault(tape.to, []).append(entry)
                self._ties[tape.to].setdefault(index, []).append(entry)
        self._waiting = [index for index, row in enumerate(rows) if self._is_sought(index, row)]
        self._take_an_axis(rows)
        self._find()

    def _is_sought(self, index: int, row: Row) -> bool:
        return index not in self.places and bool(row.base or self._ties[index])

    def _take_an_axis(self, rows: Rows) -> None:
        """Where fewer than two places are known, a tape between two pegs gives the grid: the x axis runs along it."""
        self.axis: tuple[int, int] | None = None
        if len(self.places) > 1 or not self._waiting:
            return
        taped = [index for index, ties in enumerate(self._ties) if ties]
        pegs = [index for index in taped if rows.rows[index].cells["kind"].casefold() == "peg"]
        origin = next(iter(self.places), None)
        if origin is None:
            origin = next((index for index in pegs if any(other in pegs for other in self._ties[index])), None)
        other = next((index for index in pegs if origin is not None and index in self._ties[origin]), None)
        if origin is None or other is None:
            return
        x, y = self.places.setdefault(origin, (0.0, 0.0))
        metres = self._ties[origin][other][0][0]
        self.places[other] = (x + metres, y)
        self.axis = origin, other
        names = rows.rows[origin].named, rows.rows[other].named
        self.notes.append(f"x runs from {names[0]} at {x:g}, {y:g} to {names[1]}: no other places were given")
        self._waiting = [index for index in self._waiting if index not in self.places]

    def _find(self) -> None:
        """Place point after point: those whose own references are all there first, then those with enough of them."""
        ready: deque[int] = deque()
        enough: deque[int] = deque()
        sought = set(self._waiting)

        def look(index: int) -> None:
            row = self.rows.rows[index]
            own = {tape.to for tape in row.tapes} | set(row.base or ())
            if all(other in self.places for other in own) and (row.base or len(own) > 1):
                ready.append(index)
            if (row.base and all(other in self.places for other in row.base)) or self._known(index) > 1:
                enough.append(index)

        after: dict[int, list[int]] = {}
        for index in self._waiting:
            for other in self.rows.rows[index].base or ():
                after.setdefault(other, []).append(index)
            look(index)
        while ready or enough:
            index = ready.popleft() if ready else enough.popleft()
            if index not in sought or index in self._failed:
                continue
            place = self._place(index)
            if place is None:
                self._failed.add(index)
                continue
            self.places[index] = place
            sought.discard(index)
            for other in [*self._ties[index], *after.get(index, ())]:
                if other in sought:
                    look(other)
        self._explain([index for index in self._waiting if index in sought and index not in self._failed])

    def _known(self, index: int) -> int:
        return sum(other in self.places for other in self._ties[index])

    def _complain(self, index: int, column: str, found: str, mend: str) -> None:
        self.problems.append(Problem(self.rows.file, self.rows.rows[index].cells.row, column, found, mend))

    def _place(self, index: int) -> XY | None:
        """Where a point lies; None where its tapes do not say, which is then complained of."""
        row = self.rows.rows[index]
        if row.base and all(other in self.places for other in row.base):
            a, b = (self.places[other] for other in row.base)
            length = math.dist(a, b)
            if length < 0.01:
                names = " and ".join(self.rows.rows[other].named for other in row.base)
                self._complain(index, "base2", f"found a baseline of no length: {names} are one place", "name others")
                return None
            u = ((b[0] - a[0]) / length, (b[1] - a[1]) / length)
            return (
                a[0] + row.chainage_m * u[0] - row.offset_m * u[1],
                a[1] + row.chainage_m * u[1] + row.offset_m * u[0],
            )
        circles = [
            (other, metres, sigma)
            for other, tapes in self._ties[index].items()
            if other in self.places
            for metres, sigma in tapes
        ]
        return self._meeting(index, row, circles)

    def _meeting(self, index: int, row: Row, circles: list[tuple[int, float, float]]) -> XY | None:
        centres = [self.places[other] for other, _, _ in circles]
        metres = [m for _, m, _ in circles]
        sigmas = [sigma for _, _, sigma in circles]

        def misfit(place: XY) -> float:
            return sum(
                abs(math.dist(place, centre) - m) / sigma
                for centre, m, sigma in zip(centres, metres, sigmas, strict=True)
            )

        found: list[XY] = []
        pairs = [(i, j) for i, j in combinations(range(len(circles)), 2) if math.dist(centres[i], centres[j]) > 0.01]
        for i, j in pairs[:_MOST_PAIRS]:
            found += meet(centres[i], metres[i], centres[j], metres[j], _NEAR * (sigmas[i] + sigmas[j]))
        if not pairs:
            mend = "tape it from a second point that lies elsewhere"
            self._complain(index, "from2", "has tapes from one place only, which do not say where it is", mend)
            return None
        if not found:
            self._cannot_meet(index, circles, pairs[0])
            return None
        least, best = min((misfit(place), place) for place in found)
        mirrored = _mirror(best, centres)
        slack = max(0.05, _NEAR * max(sigmas))
        if math.dist(best, mirrored) > 2 * slack and misfit(mirrored) < least + _NEAR:
            return self._choose(index, row, best, mirrored)
        if row.side and len(row.tapes) > 1:
            side = self._side(row, best)
            if side and side != row.side and math.dist(best, mirrored) > 2 * slack:
                said = "left" if row.side > 0 else "right"
                found_text = f"found {said}, and the tapes say that it lies on the other side"
                self._complain(index, "side", found_text, "correct the side, or measure the tapes again")
                return None
        return best

    def _side(self, row: Row, place: XY) -> int:
        a, b = (self.places.get(tape.to) for tape in row.tapes[:2])
        if a is None or b is None:
            return 0
        turn = (b[0] - a[0]) * (place[1] - a[1]) - (b[1] - a[1]) * (place[0] - a[0])
        return 0 if turn == 0 else 1 if turn > 0 else -1

    def _choose(self, index: int, row: Row, one: XY, other: XY) -> XY | None:
        """Of two mirror solutions the one on the side stated."""
        if row.side and len(row.tapes) > 1 and self._side(row, one):
            return one if self._side(row, one) == row.side else other
        one, other = sorted((one, other), key=lambda place: self._side(row, place), reverse=True)
        if row.cells.row in self._misread:
            return None  # the tape that would decide is there and cannot be read, which is said already
        if not self._failed.isdisjoint(self._ties[index]):
            self._waits.add(index)
            return None  # the tape that would decide goes to a point without a place, of which it is said already
        names = [self.rows.rows[tape.to].named for tape in row.tapes[:2]]
        way = f" of the way from {names[0]} to {names[1]}" if len(names) == 2 else ""
        texts = [f"{x:.2f}, {y:.2f}" for x, y in (one, other)]
        found = f"is empty, and {row.named} may be at {texts[0]} or at {texts[1]}"
        mend = f"write left or right{way} (left is the first), or tape it from a third point off that line"
        self._complain(index, "side", found, mend)
        return None

    def _cannot_meet(self, index: int, circles: Sequence[tuple[int, float, float]], pair: tuple[int, int]) -> None:
        (a, one, _), (b, two, _) = (circles[k] for k in pair)
        names = [self.rows.rows[other].named for other in (a, b)]
        base = math.dist(self.places[a], self.places[b])
        head = f"found {one:.2f} m from {names[0]} and {two:.2f} m from {names[1]}, which cannot meet: "
        if one + two < base:
            why = f"these are {base:.2f} m apart, {base - one - two:.2f} m more than the two tapes together"
        else:
            longer, shorter = max(one, two), min(one, two)
            over = longer - shorter - base
            why = f"{longer:.2f} m is {over:.2f} m more than {shorter:.2f} m and the {base:.2f} m between"
        column = self.rows.rows[index].tapes[0].column if self.rows.rows[index].tapes else ""
        self._complain(index, column, head + why, "measure both again, and look whether the pegs are the right ones")

    def _explain(self, left: Sequence[int]) -> None:
        """Points that nothing places: too few tapes, or tapes that go round in a circle."""
        stuck = set(left)
        self.stuck = stuck | self._waits
        if len(left) > _EXPLAINED:
            row = self.rows.rows[left[_EXPLAINED]]
            found = f"and {len(left) - _EXPLAINED} more points from here on hang on each other, or on those above"
            self.problems.append(Problem(self.rows.file, row.cells.row, "from1", found, "mend those above first"))
        for index in left[:_EXPLAINED]:
            row = self.rows.rows[index]
            if row.cells["x"] or row.cells["y"]:
                continue  # its place is given, and what is wrong with it is said
            if row.cells.row in self._misread:
                continue  # what it was measured from is there and cannot be read, which is said already
            own = list(dict.fromkeys([*(tape.to for tape in row.tapes), *(row.base or ())]))
            if not own:
                continue  # it says nothing itself of its place: 'x is empty'
            waits = [other for other in own if other in stuck]
            if len(own) < 2 and not row.base:
                column = "from2"
                found = f"is empty: {row.named} has a tape from {self.rows.rows[own[0]].named} only"
                mend = "tape it from a second point, or give its chainage and offset"
            elif waits:
                column = "base1" if row.base else "from1"
                ring = self._ring(index, stuck)
                names = [self.rows.rows[other].named for other in ring]
                if len(names) > 1:
                    found = f"is measured in a circle: {' from '.join([*names[:4], *['…'] * (len(names) > 4)])}"
                    mend = f"measure {names[0]} from two points whose places are known"
                else:
                    found = f"hangs on {self.rows.rows[waits[0]].named}, which has no place"
                    mend = "mend that point first"
            elif len(self.places) < 2:
                column, found = (
                    "from1",
                    "is measured from points that have no place, and no two points of the survey have",
                )
                mend = "write x and y of two pegs, or a tape between two pegs"
            else:
                nowhere = next((other for other in own if other not in self.places), own[0])
                column = "base1" if row.base else "from1"
                found = f"is measured from {self.rows.rows[nowhere].named}, which has no place"
                mend = "write its x and y, or measure it"
            self._complain(index, column, found, mend)

    def _ring(self, index: int, stuck: set[int]) -> list[int]:
        """The circle of points, each measured from the next, that a stuck point stands in; itself alone if in none."""
        way, seen = [index], {index: 0}
        while True:
            row = self.rows.rows[way[-1]]
            own = [*(tape.to for tape in row.tapes), *(row.base or ())]
            then = next((other for other in own if other in stuck), None)
            if then is None:
                return [index]
            if then in seen:
                return [*way, then] if seen[then] == 0 else [index]
            seen[then] = len(way)
            way.append(then)


def meet(a: XY, one: float, b: XY, two: float, slack: float = 0.0) -> list[XY]:
    """
    Where two circles meet: two places, or one where they touch within ``slack``, or none.

    Examples
    --------
    >>> meet((0, 0), 13, (14, 0), 15)
    [(5.0, 12.0), (5.0, -12.0)]
    """
    base = math.dist(a, b)
    if base == 0:
        return []
    u = ((b[0] - a[0]) / base, (b[1] - a[1]) / base)
    along = (one * one - two * two + base * base) / (2 * base)
    square = one * one - along * along
    if square < 0:
        gap = base - one - two if one + two < base else max(one, two) - min(one, two) - base
        if gap > slack:
            return []
        # Between the two circles, in the line of the centres; both radii are stretched or cut alike.
        along = one + gap / 2 if one + two < base else (one - gap / 2 if one > two else -one - gap / 2)
        square = 0.0
    height = math.sqrt(square)
    foot = (a[0] + along * u[0], a[1] + along * u[1])
    if height == 0:
        return [foot]
    return [(foot[0] - height * u[1], foot[1] + height * u[0]), (foot[0] + height * u[1], foot[1] - height * u[0])]


def _mirror(place: XY, centres: Sequence[XY]) -> XY:
    """The place mirrored in the line that fits the centres best."""
    n = len(centres)
    x, y = sum(c[0] for c in centres) / n, sum(c[1] for c in centres) / n
    xx = sum((c[0] - x) ** 2 for c in centres)
    yy = sum((c[1] - y) ** 2 for c in centres)
    xy = sum((c[0] - x) * (c[1] - y) for c in centres)
    along = math.atan2(2 * xy, xx - yy) / 2  # of the line through the middle with the least sum of squares off it
    normal = (-math.sin(along), math.cos(along))
    away = (place[0] - x) * normal[0] + (place[1] - y) * normal[1]
    return place[0] - 2 * away * normal[0], place[1] - 2 * away * normal[1]
