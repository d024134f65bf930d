"""Heights that are hardly right. In: Points, zones, Job. Out: Doubts: sentences, each with its place.

Neighbours are the points that share a side of the Delaunay triangles over all measured heights, the same over which
the ground is drawn. Between two of them garden ground is seldom steeper than 1 in 1 (common practice, no source), but
for walls, and a wall that was surveyed as no-dig ground says so itself.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray

from ..job import Job
from .model import Zone
from .points import Point

_STEEP = 1.0
_LEAST_M = 0.5
"""Kerbs, single steps and banks of less are no matter, however steep."""
_ENOUGH = 5
"""Of fewer heights it cannot be said that most of them are steep."""
_SHOWN, _SOUGHT = 6, 100
"""Heights that are named, and that are sought one after the other: a survey with more of them is wrong as a whole."""
_BESIDE_M, _ACROSS_M = 0.05, 0.12
"""A line that runs so far within so little of a wall has the wall between its ends, or along it."""

Pairs = NDArray[np.int64]
Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Doubt:
    """A sentence, and the place it is about (none where it is about none)."""

    words: str
    place: tuple[float, float] | None = None


def doubtful_heights(points: Sequence[Point], zones: Sequence[Zone], job: Job | None) -> list[Doubt]:
    """Heights in another unit, single heights far above or below all round them, and steep ground between others."""
    measured = list({(p.x, p.y): p for p in points if p.whole and p.z is not None}.values())
    if len(measured) < 2:
        return []
    xyz = np.array([point.place for point in measured])
    pairs = _without_walls(_neighbours(xyz[:, :2]), xyz[:, :2], zones, job)
    up_m = np.diff(xyz[pairs, 2], axis=1)[:, 0]
    away_m = np.hypot(*np.moveaxis(np.diff(xyz[pairs, :2], axis=1)[:, 0], 1, 0))
    steep = (np.abs(up_m) > _STEEP * away_m) & (np.abs(up_m) >= _LEAST_M)
    if len(measured) >= _ENOUGH and 2 * steep.sum() > len(pairs):
        low, high = xyz[:, 2].min(), xyz[:, 2].max()
        words = "between most neighbouring points the ground would rise or fall by more than 1 in 1"
        return [Doubt(f"heights run from {low:g} to {high:g} m, and {words}: are they all in metres?")]
    alone, rest = _standing_alone(pairs, np.where(steep, np.sign(up_m), 0.0), up_m, len(measured))
    found = [_alone(measured, i, pairs, up_m, away_m, steep) for i in alone[:_SHOWN]]
    if len(alone) > _SHOWN:
        least = "at least " if len(alone) == _SOUGHT else ""
        found.append(Doubt(f"… and {least}{len(alone) - _SHOWN} more heights like these"))
    between = sorted(np.flatnonzero(steep & rest).tolist(), key=lambda k: -abs(up_m[k]) / away_m[k])
    return found + ([_between(measured, pairs[between], up_m[between], away_m[between])] if between else [])


def _neighbours(xy: Floats) -> Pairs:
    """(n, 2) positions of points that are neighbours; four places far outside let points on one line have some."""
    from scipy.spatial import Delaunay

    local = xy - xy.mean(axis=0)
    far = 1000 * (1.0 + np.abs(local).max()) * np.array([[-1.0, -0.9], [1.0, -1.1], [0.9, 1.0], [-1.1, 1.0]])
    corners = Delaunay(np.vstack([local, far])).simplices
    sides = np.sort(np.vstack([corners[:, [0, 1]], corners[:, [1, 2]], corners[:, [2, 0]]]), axis=1)
    return np.unique(sides[sides[:, 1] < len(xy)], axis=0).astype(np.int64)


def _without_walls(pairs: Pairs, xy: Floats, zones: Sequence[Zone], job: Job | None) -> Pairs:
    """Those pairs that no wall or building stands between."""
    if job is None or not len(pairs):
        return pairs
    grounds = {zone.name: job.grounds[zone.ground] for zone in zones if zone.of == "survey"}
    solid = [z.polygon for z in zones if z.name in grounds and grounds[z.name].no_dig and not grounds[z.name].is_water]
    walls = shapely.union_all(solid).buffer(_BESIDE_M)
    across_m = shapely.length(shapely.intersection(shapely.linestrings(xy[pairs]), walls))
    return pairs[across_m <= _ACROSS_M]


def _standing_alone(pairs: Pairs, sign: Floats, up_m: Floats, count: int) -> tuple[list[int], NDArray[np.bool_]]:
    """
    Points steeply above, or steeply below, more than half of their neighbours: the worst first; and which pairs remain.

    A wrong height makes its neighbours' look wrong too: each that is found is left out before the next is sought.
    """
    found: list[int] = []
    rest = np.ones(len(pairs), dtype=bool)
    while len(found) < _SOUGHT:
        all_sides = np.bincount(pairs[rest].ravel(), minlength=count)
        # The second of a pair with sign 1 stands above the first.
        signs = np.concatenate([-sign[rest], sign[rest]])
        ends = np.concatenate([pairs[rest, 0], pairs[rest, 1]])
        above, below = (np.bincount(ends[signs == one], minlength=count) for one in (1, -1))
        most = np.maximum(above, below)
        sizes = np.bincount(ends, weights=np.tile(np.abs(up_m[rest]), 2), minlength=count)
        wrong = (most >= 2) & (2 * most > all_sides)
        if not wrong.any():
            break
        worst = int(np.where(wrong, sizes / np.maximum(all_sides, 1), -1.0).argmax())
        found.append(worst)
        rest &= ~(pairs == worst).any(axis=1)
    return found, rest


def _alone(
    measured: Sequence[Point], i: int, pairs: Pairs, up_m: Floats, away_m: Floats, steep: NDArray[np.bool_]
) -> Doubt:
    beside = np.flatnonzero((pairs == i).any(axis=1) & steep)
    k = int(beside[away_m[beside].argmin()])
    other = int(pairs[k].sum()) - i
    up = float(up_m[k]) if pairs[k, 1] == i else -float(up_m[k])
    point = measured[i]
    words = (
        f"the height of {_name(point)} ({point.z:g} m, row {point.row}) is hardly right: {abs(up):.2f} m "
        f"{'above' if up > 0 else 'below'} {_name(measured[other])}, {away_m[k]:.2f} m from it; "
        "cables over it are reckoned too long: measure it again"
    )
    return Doubt(words, (point.x, point.y))


def _between(measured: Sequence[Point], pairs: Pairs, up_m: Floats, away_m: Floats) -> Doubt:
    shown = [
        f"{_name(measured[a])} and {_name(measured[b])} ({abs(up):.2f} m over {away:.2f} m)"
        for (a, b), up, away in zip(pairs[:_SHOWN].tolist(), up_m, away_m, strict=False)
    ]
    more = f" and {len(pairs) - _SHOWN} more" if len(pairs) > _SHOWN else ""
    first = measured[pairs[0, 0]]
    words = (
        f"steeper than 1 in 1 between {', '.join(shown)}{more}: right where a wall, steps or a bank lie between, else "
        "measure these heights again"
    )
    return Doubt(words, (first.x, first.y))


def _name(point: Point) -> str:
    if point.kind in ("corner", "sleeve", "mains"):
        word = "corner" if point.kind == "corner" else "point"
        return f"{word} {point.name or f'in row {point.row}'} of {point.of}"
    return f"{'supply point' if point.kind == 'supply' else point.kind} {point.name}"
