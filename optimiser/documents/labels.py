"""Where each label stands: none over another, few over lines, near what they name. In: Label, Ink. Out: Placed.

Each label has a fan of candidate places round its anchors, from close by to far off with a leader line, priced by the
ink under them and their distance. Labels are placed one by one, the hardest first, each in the cheapest place still
free; then each in turn is taken up and placed again while that helps; last, those that stand badly may push one or two
others out of a better place, if all together then stand better. All in millimetres on the sheet; deterministic.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from functools import cache

import numpy as np
from numpy.typing import NDArray

from .sheet import Box
from .svg import Point

Floats = NDArray[np.float64]

_CELL_MM = 0.4
_PAD_MM = 0.35  # between two labels
_RINGS_MM = (0.0, 0.9, 2.0, 3.4, 5.2, 7.5, 10.5, 14.0, 18.0, 23.0, 30.0, 40.0, 55.0, 75.0, 100.0, 140.0, 200.0, 280.0)
_NEAR, _FAR = (np.array([ring for ring in _RINGS_MM if (ring < 20) == near]) for near in (True, False))
_TURNS = 24
_TURN = 2 * np.pi * np.arange(_TURNS) / _TURNS
_ROUND = np.stack([np.cos(_TURN), -np.sin(_TURN)], axis=1)  # to the places round a box: of a square, not a circle
_ROUND /= np.abs(_ROUND).max(axis=1, keepdims=True)
_LEADER_FROM_MM = 2.4
_PASSES = 4
_REGRET = 1.5  # a label stands badly that costs so much more than alone on the sheet
_TRIES = 8  # better places for which others may be pushed out
_PUSHED = 2  # others at most
_PUSHES = 500  # pushes in all: a sheet of 1,720 labels takes a third of the time, and leaves out 248, not 235
_LOOKED_AT = 200
_CROSSING = 1.5  # price of a leader's point under a label
_SQUARE_MM = 16.0


@dataclass(frozen=True)
class Label:
    """
    A box that names a thing.

    Attributes
    ----------
    key
        What it names, e.g. ``lamp L07``; unique.
    anchors
        Points of the thing; the label may stand by any of them.
    gap
        Distance kept from the anchor: what the symbol there covers.
    rank
        Lower ranks are placed first.
    over
        Whether it may stand right on its anchor (names of zones).
    pull
        Price of a millimetre of distance.
    """

    key: str
    width: float
    height: float
    anchors: tuple[Point, ...]
    gap: float
    rank: int
    over: bool = False
    pull: float = 1.0

    def with_anchors(self, anchors: tuple[Point, ...]) -> Label:
        return replace(self, anchors=anchors)


@dataclass(frozen=True)
class Placed:
    label: Label
    left: float
    top: float
    anchor: Point
    leader: tuple[Point, Point] | None

    @property
    def box(self) -> Box:
        return Box(self.left, self.top, self.label.width, self.label.height)


class Ink:
    """What is drawn already, as a grid of weights; sums over boxes cost nothing (summed-area table)."""

    def __init__(self, area: Box) -> None:
        self.area = area
        self._grid: Floats = np.zeros((math.ceil(area.height / _CELL_MM) + 1, math.ceil(area.width / _CELL_MM) + 1))
        self._sums: Floats | None = None

    def line(self, route: Sequence[Point], weight: float) -> None:
        """A thin line; weight for each cell it passes."""
        for a, b in itertools.pairwise(route):
            steps = max(1, math.ceil(math.dist(a, b) / _CELL_MM))
            t = (np.arange(steps) + 0.5) / steps
            self._add(a[0] + (b[0] - a[0]) * t, a[1] + (b[1] - a[1]) * t, weight)

    def disc(self, centre: Point, radius: float, weight: float) -> None:
        reach = np.arange(-radius, radius + _CELL_MM / 2, _CELL_MM)
        dx, dy = np.meshgrid(reach, reach)
        inside = dx**2 + dy**2 <= radius**2 + 1e-9
        self._add(centre[0] + dx[inside], centre[1] + dy[inside], weight)

    def _add(self, x: Floats, y: Floats, weight: float) -> None:
        column = np.floor((x - self.area.left) / _CELL_MM).astype(np.int64)
        row = np.floor((y - self.area.top) / _CELL_MM).astype(np.int64)
        ok = (column >= 0) & (row >= 0) & (row < self._grid.shape[0]) & (column < self._grid.shape[1])
        np.add.at(self._grid, (row[ok], column[ok]), weight)
        self._sums = None

    def under(self, boxes: Floats) -> Floats:
        """Sum of weights under each of (n, 4) boxes left, top, right, bottom."""
        if self._sums is None:
            self._sums = np.zeros((self._grid.shape[0] + 1, self._grid.shape[1] + 1))
            self._sums[1:, 1:] = self._grid.cumsum(axis=0).cumsum(axis=1)
        last_row, last_column = self._sums.shape[0] - 1, self._sums.shape[1] - 1
        left = np.clip(np.floor((boxes[:, 0] - self.area.left) / _CELL_MM), 0, last_column).astype(np.int64)
        top = np.clip(np.floor((boxes[:, 1] - self.area.top) / _CELL_MM), 0, last_row).astype(np.int64)
        right = np.clip(np.ceil((boxes[:, 2] - self.area.left) / _CELL_MM), 0, last_column).astype(np.int64)
        bottom = np.clip(np.ceil((boxes[:, 3] - self.area.top) / _CELL_MM), 0, last_row).astype(np.int64)
        s = self._sums
        return np.asarray(s[bottom, right] - s[top, right] - s[bottom, left] + s[top, left])


@dataclass
class _Fan:
    """Candidates of one label: boxes (n, 4), price without other labels (n,), anchors (n, 2), whether led (n,)."""

    boxes: Floats
    price: Floats
    anchors: Floats
    led: NDArray[np.bool_]


def place_labels(labels: Sequence[Label], ink: Ink) -> tuple[list[Placed], list[Label]]:
    """
    Place as many labels as the area holds.

    Returns
    -------
    placed
        No two boxes overlap, all lie inside the ink's area; in the order given.
    left_out
        Labels for which no free place was found (only where the sheet is full).
    """
    fans = [_fan(label, ink) for label in labels]
    order = sorted(
        range(len(labels)), key=lambda i: (labels[i].rank, -labels[i].width * labels[i].height, labels[i].key)
    )
    taken = _Taken(len(labels))
    chosen: dict[int, int] = {}
    prices: dict[int, float] = {}
    for turn in range(_PASSES):
        moved = False
        for i in order:
            if chosen.get(i) == 0 and not fans[i].led[0] and not taken.crossings(fans[i], 0):
                prices[i] = float(fans[i].price[0])  # it has the best of all its places
                continue
            before = chosen.pop(i, None)
            taken.clear(i)
            best = _best_free(fans[i], taken)
            if best is None:
                continue
            chosen[i], prices[i] = best
            taken.put(i, fans[i], chosen[i])
            moved |= chosen[i] != before
        if turn and not moved:
            break
        order = sorted(order, key=lambda i: (labels[i].rank, -prices.get(i, math.inf)))  # the worst off choose first
    _push(fans, taken, chosen, prices)
    placed = [_placed(labels[i], fans[i], chosen[i]) for i in sorted(chosen)]
    return placed, [label for i, label in enumerate(labels) if i not in chosen]


def _push(fans: Sequence[_Fan], taken: _Taken, chosen: dict[int, int], prices: dict[int, float]) -> None:
    """Give badly placed labels, and those without a place, better places that others leave for theirs; worst first."""
    left = _PUSHES
    for _ in range(2):
        regret = {
            i: prices[i] - float(fan.price[0]) if i in chosen else math.inf
            for i, fan in enumerate(fans)
            if len(fan.price)
        }
        badly = sorted((i for i in regret if regret[i] > _REGRET), key=lambda i: (-regret[i], i))
        moved = False
        for i in badly[:left]:
            moved |= _push_for(i, fans, taken, chosen, prices)
        left -= len(badly)
        if not moved or left <= 0:
            return


def _push_for(i: int, fans: Sequence[_Fan], taken: _Taken, chosen: dict[int, int], prices: dict[int, float]) -> bool:
    """The first of the label's better places that is worth it; nothing is changed where there is none."""
    old = prices[i] if i in chosen else math.inf
    tried = 0
    for candidate in range(len(fans[i].price)):
        if tried >= _TRIES or fans[i].price[candidate] >= old - 0.5:
            return False
        others = taken.overlapping(fans[i].boxes[candidate], but=i)
        if not 0 < len(others) <= _PUSHED:
            continue
        tried += 1
        # the others cost at least what they would with nothing but this label on the sheet: most tries end here
        most = old + sum(prices[j] for j in others) - 0.5
        beside = {j: _least_beside(fans[j], fans[i].boxes[candidate]) for j in others}
        least = float(fans[i].price[candidate]) + sum(beside.values())
        if least >= most:
            continue
        before = {j: chosen[j] for j in (i, *others) if j in chosen}
        for j in before:
            taken.clear(j)
        price = float(fans[i].price[candidate]) + _CROSSING * taken.crossings(fans[i], candidate)
        taken.put(i, fans[i], candidate)
        found = {i: (candidate, price)}
        least += price - float(fans[i].price[candidate])
        for j in others:
            below = most - least + beside[j]  # dearer than that is no gain
            if least >= most or (best := _best_free(fans[j], taken, below)) is None:
                break
            taken.put(j, fans[j], best[0])
            found[j] = best
            least += best[1] - beside[j]
        else:
            if sum(price for _, price in found.values()) < most:
                for j, (at, price) in found.items():
                    chosen[j], prices[j] = at, price
                return True
        for j in found:
            taken.clear(j)
        for j, at in before.items():
            taken.put(j, fans[j], at)
    return False


def _least_beside(fan: _Fan, box: Floats) -> float:
    """What a label costs at least where another stands in a (4,) box."""
    some = fan.boxes[:_LOOKED_AT].T
    free = (some[0] - _PAD_MM >= box[2]) | (some[2] + _PAD_MM <= box[0])
    free |= (some[1] - _PAD_MM >= box[3]) | (some[3] + _PAD_MM <= box[1])
    return float(fan.price[int(free.argmax()) if free.any() else some.shape[1] - 1])


def _fan(label: Label, ink: Ink) -> _Fan:
    anchors = np.array(label.anchors, dtype=np.float64)
    centres, reach, anchor_of = [], [], []
    if label.over:
        centres.append(anchors)
        reach.append(np.zeros(len(anchors)))
        anchor_of.append(np.arange(len(anchors)))
    clear = np.array([label.width / 2 + label.gap, label.height / 2 + label.gap])
    for rings, used in ((_NEAR, anchors), (_FAR, anchors[:1])):
        half = clear + rings[:, None]
        centres.append((used[None, :, None, :] + half[:, None, None, :] * _ROUND).reshape(-1, 2))
        reach.append(np.repeat(rings, len(used) * _TURNS))
        anchor_of.append(np.tile(np.repeat(np.arange(len(used)), _TURNS), len(rings)))
    centre = np.concatenate(centres)
    ring_of = np.concatenate(reach)
    chosen = anchors[np.concatenate(anchor_of)]
    half = np.array([label.width / 2, label.height / 2])
    boxes = np.concatenate([centre - half, centre + half], axis=1)
    area = ink.area
    inside = (
        (boxes[:, 0] >= area.left)
        & (boxes[:, 1] >= area.top)
        & (boxes[:, 2] <= area.right)
        & (boxes[:, 3] <= area.bottom)
    )
    boxes, ring_of, chosen = boxes[inside], ring_of[inside], chosen[inside]
    # right and above reads best; a label off to the side of its anchor better than one above or below it
    middle = (boxes[:, :2] + boxes[:, 2:]) / 2 - chosen
    lean = 0.25 * (middle[:, 0] < -0.1) + 0.2 * (middle[:, 1] > 0.1)
    led = ring_of >= _LEADER_FROM_MM
    later = 0.6 * np.minimum(np.concatenate(anchor_of)[inside], 4)  # the anchor named first is meant most
    price = ink.under(boxes) + label.pull * (ring_of + 2.0 * led) + lean + later
    order = np.argsort(price, kind="stable")
    return _Fan(boxes[order], price[order], chosen[order], led[order])


Cell = tuple[int, int]


class _Cells:
    """Which of many things lie in which squares of the sheet, so that only those nearby are looked at."""

    def __init__(self) -> None:
        self._at: dict[tuple[int, int], set[int]] = {}
        self._of: dict[int, list[tuple[int, int]]] = {}

    def clear(self, i: int) -> None:
        for cell in self._of.pop(i, ()):
            self._at[cell].discard(i)

    def put(self, i: int, cells: list[Cell]) -> None:
        """Note that thing i lies in these squares, each named once."""
        for cell in cells:
            self._at.setdefault(cell, set()).add(i)
        self._of[i] = cells

    def near(self, box: Floats) -> list[int]:
        """Those in squares that a (4,) box touches, in order."""
        found: set[int] = set()
        for cell in _squares(box):
            if cell in self._at:
                found |= self._at[cell]
        return sorted(found)


def _squares(box: Floats) -> list[Cell]:
    left, top, right, bottom = box.tolist()
    down = range(int(top // _SQUARE_MM), int(bottom // _SQUARE_MM) + 1)
    return [(x, y) for x in range(int(left // _SQUARE_MM), int(right // _SQUARE_MM) + 1) for y in down]


class _Taken:
    """Boxes and leaders that stand."""

    def __init__(self, count: int) -> None:
        self.boxes: Floats = np.full((4, count), np.nan)  # nowhere, where none stands: that overlaps nothing
        self.leaders: dict[int, Floats] = {}
        self._leader_cells = _Cells()

    def clear(self, i: int) -> None:
        self.boxes[:, i] = np.nan
        self._leader_cells.clear(i)
        self.leaders.pop(i, None)

    def put(self, i: int, fan: _Fan, candidate: int) -> None:
        self.boxes[:, i] = fan.boxes[candidate]
        if fan.led[candidate]:
            points = self.leaders[i] = _leader_points(fan.boxes[candidate], fan.anchors[candidate])
            cells = {(int(x // _SQUARE_MM), int(y // _SQUARE_MM)) for x, y in points.tolist()}
            self._leader_cells.put(i, sorted(cells))

    def boxes_by(self, box: Floats) -> Floats:
        """(4, n) boxes that overlap one, less their padding."""
        return np.asarray(self.boxes[:, self._hit(box)])

    def overlapping(self, box: Floats, *, but: int) -> list[int]:
        """Labels that a box would lie on, in order, but one."""
        wide = box + np.array([-_PAD_MM, -_PAD_MM, _PAD_MM, _PAD_MM])
        return [i for i in np.flatnonzero(self._hit(wide)).tolist() if i != but]

    def _hit(self, box: Floats) -> NDArray[np.bool_]:
        left, top, right, bottom = box.tolist()
        other = self.boxes
        return np.asarray((other[0] < right) & (other[2] > left) & (other[1] < bottom) & (other[3] > top))

    def crossings(self, fan: _Fan, candidate: int) -> int:
        """Points of leaders under a candidate's box, and of its own leader under boxes that stand."""
        box = fan.boxes[candidate]
        count = 0
        if near := self._leader_cells.near(box):
            count += int(_within(np.concatenate([self.leaders[i] for i in near]), box).sum())
        if fan.led[candidate]:
            points = _leader_points(box, fan.anchors[candidate])
            boxes = self.boxes_by(np.concatenate([points.min(axis=0), points.max(axis=0)]))
            count += int(_within(points[:, None], boxes).sum())
        return count


def _best_free(fan: _Fan, taken: _Taken, below: float = math.inf) -> tuple[int, float] | None:
    """
    Cheapest candidate that overlaps no label placed; leaders across labels and labels across leaders are dear.

    Only those that cost less than ``below`` by themselves are looked at.
    """
    best: tuple[float, int] | None = None
    for candidate in _free(fan.boxes[: int(np.searchsorted(fan.price, below))], taken, 40):
        price = float(fan.price[candidate])
        if best is not None and price >= best[0]:
            break
        price += _CROSSING * taken.crossings(fan, candidate)
        if best is None or price < best[0]:
            best = price, candidate
    return None if best is None else (best[1], best[0])


def _free(boxes: Floats, taken: _Taken, most: int) -> Iterator[int]:
    """The first few of the candidates, cheapest first, that overlap nothing taken."""
    count, start, size = 0, 0, 24
    while start < len(boxes):
        wide = boxes[start : start + size] + np.array([-_PAD_MM, -_PAD_MM, _PAD_MM, _PAD_MM])
        other = taken.boxes_by(np.concatenate([wide[:, :2].min(axis=0), wide[:, 2:].max(axis=0)]))
        hits = (wide[:, 0, None] < other[2]) & (wide[:, 2, None] > other[0])
        hits &= (wide[:, 1, None] < other[3]) & (wide[:, 3, None] > other[1])
        for candidate in np.flatnonzero(~hits.any(axis=1)).tolist():
            yield start + candidate
            count += 1
            if count >= most:
                return
        start, size = start + size, 96


def _within(points: Floats, box: Floats) -> NDArray[np.bool_]:
    """Whether each of (…, 2) points lies in a box, or in each of the boxes of a (4, n) array."""
    x, y = points[..., 0], points[..., 1]
    return np.asarray((x > box[0]) & (x < box[2]) & (y > box[1]) & (y < box[3]))


def _leader_ends(box: Floats, anchor: Floats) -> tuple[Floats, Floats]:
    """From the anchor to the nearest point of the box."""
    return anchor, np.clip(anchor, box[:2], box[2:])


def _leader_points(box: Floats, anchor: Floats) -> Floats:
    (x, y), (left, top, right, bottom) = anchor.tolist(), box.tolist()
    dx, dy = min(max(x, left), right) - x, min(max(y, top), bottom) - y
    shares = _shares(max(2, math.ceil(math.hypot(dx, dy) / 0.8)))
    return np.asarray(anchor + np.array([dx, dy]) * shares)


@cache
def _shares(steps: int) -> Floats:
    """(n, 1) middles of so many equal parts of a way."""
    return ((np.arange(steps) + 0.5) / steps)[:, None]


def _placed(label: Label, fan: _Fan, candidate: int) -> Placed:
    box, anchor = fan.boxes[candidate], fan.anchors[candidate]
    leader = None
    if fan.led[candidate]:
        start, end = _leader_ends(box, anchor)
        span = float(np.hypot(*(end - start)))
        start = start + (end - start) * min(0.8, label.gap * 0.8 / span)
        leader = ((float(start[0]), float(start[1])), (float(end[0]), float(end[1])))
    return Placed(label, float(box[0]), float(box[1]), (float(anchor[0]), float(anchor[1])), leader)
