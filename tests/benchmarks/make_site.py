"""Large grounds from a seed: a park, a campus or a resort with 50 to 2,000 lamps. In: lamps, seed. Out: a job folder.

``python -m tests.benchmarks.make_site LAMPS FOLDER [--kind park|campus|resort] [--seed N]`` writes ``job.toml`` and
``survey.csv``. Winding paths divide the ground into plots; a plot holds a building, a pond, beds or a lawn with trees.
Lamps stand in rows along paths and round what there is to light, a supply point at every few buildings and on pillars
beside the paths. The sites stand for no real place, and all prices are invented.
"""

from __future__ import annotations

import argparse
import math
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import shapely
from shapely import LineString, Point, Polygon

from optimiser.job_folder import JobFolder

from .plain_ground import folder_of

AREA_M2 = 140.0
"""Ground for each lamp."""
PLOT_M = 46.0
LAMPS_PER_SUPPLY = 22
LEAST_APART_M = 1.3

# share of plots with building, pond, beds, trees; share of main ways that are paved
KINDS = {
    "park": ((0.08, 0.22, 0.30, 0.40), 0.3),
    "campus": ((0.50, 0.05, 0.20, 0.25), 0.8),
    "resort": ((0.30, 0.25, 0.30, 0.15), 0.5),
}

_JOB = """# A {kind} of {lamps} lamps made from seed {seed}. It stands for no real place; all prices are invented.
title = "{title}"
currency = "EUR"
prices_are_invented = true

[voltage]
max_drop = "10 %"
drop_from = "nominal"

[grounds]
lawn = {{ per_m = 8 }}
bed = {{ per_m = 6 }}
gravel = {{ per_m = 13, crossing = 4 }}
paving = {{ per_m = 36, crossing = 14 }}
root = {{ per_m = 16 }}
pond = {{}}
building = {{ kind = "no_dig", keep_off_m = 0.1 }}

[lamps]
post = {{ watts = 8, volts = 24, window_v = [20, 28], terminals = true, terminal_mm2 = 6, lead_m = 0 }}
bollard = {{ watts = 5, volts = 12, window_v = [10, 15], lead_m = 1.0, lead_mm2 = 0.75 }}
spike = {{ watts = 4, volts = 12, window_v = [10, 15], lead_m = 1.2 }}
uplight = {{ watts = 6, volts = 12, window_v = [10, 15], lead_m = 2.5 }}

[cables]
"2 x 1.5" = {{ mm2 = 1.5, price_per_m = 1.15, reels_m = [100, 500] }}
"2 x 2.5" = {{ mm2 = 2.5, price_per_m = 1.80, reels_m = [100, 500] }}
"2 x 4" = {{ mm2 = 4, price_per_m = 2.75, reels_m = [100, 250] }}
"2 x 6" = {{ mm2 = 6, price_per_m = 3.90, reels_m = [100] }}

[drivers."12 V 60 W"]
taps_v = [12, 13, 14]
rated_w = 60
limit_a = 6.5
limit_mode = "hiccup"
short_rms_a = 2.5
price = 76

[drivers."12 V 150 W"]
taps_v = [12, 13, 14]
rated_w = 150
limit_a = 15
limit_mode = "hiccup"
short_rms_a = 5
price = 148

[drivers."12 V 300 W"]
taps_v = [12, 13, 14]
rated_w = 300
outlets = 4
outlet_a = 8
limit_a = 34
limit_mode = "hold"
breaker_a = 10
price = 245

[drivers."24 V 100 W"]
taps_v = [24]
rated_w = 100
limit_a = 5.5
limit_mode = "hiccup"
short_rms_a = 2.5
price = 104

[drivers."24 V 240 W"]
taps_v = [24]
rated_w = 240
outlets = 2
outlet_a = 6
limit_a = 13
limit_mode = "hiccup"
short_rms_a = 5
price = 188

[joints.kits]
"2 way" = {{ max_ways = 2, price = 6, labour = 4 }}
"4 way" = {{ max_ways = 4, price = 8, labour = 6 }}
"6 way" = {{ max_ways = 6, price = 12, labour = 8 }}

[fuses]
price = 5

[rules]
max_gauges = 3
"""


@dataclass
class _Site:
    """What has been placed so far."""

    rng: np.random.Generator
    side: float
    zones: list[tuple[str, str, list[tuple[float, float]]]] = field(default_factory=list)
    hard: list[Polygon] = field(default_factory=list)
    trees: list[tuple[float, float, int]] = field(default_factory=list)
    sleeves: list[tuple[tuple[float, float], tuple[float, float]]] = field(default_factory=list)
    clusters: list[list[tuple[float, float, str]]] = field(default_factory=list)
    """Rows of lamps that belong together."""
    walls: list[tuple[float, float]] = field(default_factory=list)
    pillars: list[tuple[float, float]] = field(default_factory=list)

    def zone(self, ground: str, ring: list[tuple[float, float]], *, hard: bool = True) -> None:
        ring = [(round(x, 2), round(y, 2)) for x, y in ring]
        self.zones.append((f"{ground} {len(self.zones) + 1}", ground, ring))
        if hard:
            self.hard.append(Polygon(ring))


def make_site(lamps: int, seed: int = 1, kind: str = "park") -> JobFolder:
    """The job folder of a site; see ``site_texts``."""
    return folder_of(*site_texts(lamps, seed, kind))


def site_texts(lamps: int, seed: int = 1, kind: str = "park") -> tuple[str, str]:
    """Texts of job file and survey; the same for the same arguments."""
    shares, paved = KINDS[kind]
    site = _Site(np.random.default_rng([lamps, seed, sorted(KINDS).index(kind)]), math.sqrt(AREA_M2 * lamps) + 20)
    _ways(site, paved)
    _plots(site, shares)
    placed = _lamps(site, lamps)
    supplies = _supplies(site, placed)
    rows = ["point,kind,of,x,y,ring,stem_mm"]
    for name, _, ring in site.zones:
        rows += [f",corner,{name},{x:.2f},{y:.2f},," for x, y in ring]
    for i, ends in enumerate(site.sleeves):
        rows += [f",sleeve,duct {i + 1},{x:.2f},{y:.2f},," for x, y in ends]
    rows += [f"T{i + 1},tree,,{x:.2f},{y:.2f},,{stem}" for i, (x, y, stem) in enumerate(site.trees)]
    rows += [f"S{i + 1},supply,,{x:.2f},{y:.2f},," for i, (x, y) in enumerate(supplies)]
    rows += [f"L{i + 1},lamp,{of},{x:.2f},{y:.2f},," for i, (x, y, of) in enumerate(placed)]
    title = f"{kind.capitalize()} of {lamps} lamps, seed {seed}"
    job = [_JOB.format(kind=kind, lamps=lamps, seed=seed, title=title), "[zones]"]
    job += [f'"{name}" = {{ ground = "{ground}" }}' for name, ground, _ in site.zones]
    if site.sleeves:
        job.append("\n[sleeves]")
        job += [f'"duct {i + 1}" = {{ capacity = 3, pull_price = 5 }}' for i in range(len(site.sleeves))]
    job.append("\n[supplies]")
    walls = len([at for at in supplies if at in set(site.walls)])
    job += [f"S{i + 1} = {{ price = {60 if i < walls else 140}, max_drivers = 8 }}" for i in range(len(supplies))]
    return "\n".join(job) + "\n", "\n".join(rows) + "\n"


def _ways(site: _Site, paved: float) -> None:
    """Winding ways in two directions, some paved, some gravel, with ducts under the paved ones."""
    count = max(1, round(site.side / PLOT_M) - 1)
    for across in (False, True):
        for i in range(count):
            base = site.side * (i + 1) / (count + 1)
            along = np.arange(0, site.side + 8, 8.0)
            swing, phase = site.rng.uniform(1, 5), site.rng.uniform(0, 6.28)
            bend = base + swing * np.sin(along / site.rng.uniform(18, 40) + phase)
            line = LineString(np.column_stack([bend, along] if across else [along, bend]))
            ground = "paving" if site.rng.random() < paved else "gravel"
            half = float(site.rng.choice([0.75, 1.0, 1.5]))
            shape = line.buffer(half, cap_style="flat", join_style="mitre")
            site.zone(ground, list(shape.exterior.coords)[:-1])
            post = site.rng.random() < 0.3
            for sign in (-1, 1):
                beside = line.offset_curve(sign * (half + 0.45))
                spacing = site.rng.uniform(4.5, 7.5)
                row = [
                    (*beside.interpolate(d).coords[0], "post" if post else "bollard")
                    for d in np.arange(site.rng.uniform(1, 4), beside.length, spacing)
                ]
                site.clusters += [row[at : at + 7] for at in range(0, len(row), 7)]
            if ground == "paving":
                for d in np.arange(12, line.length - 12, 30.0):
                    near, far = line.interpolate(d), line.interpolate(d + 0.5)
                    dx, dy = far.x - near.x, far.y - near.y
                    reach = (half + 0.5) / math.hypot(dx, dy)
                    one = (near.x - dy * reach, near.y + dx * reach)
                    two = (near.x + dy * reach, near.y - dx * reach)
                    site.sleeves.append((one, two))
            for d in np.arange(15, line.length, 55.0):
                site.pillars.append(line.offset_curve(half + 0.8).interpolate(d).coords[0])
    ways = shapely.union_all(site.hard)
    kept = []
    for one, two in site.sleeves:  # not where ways cross: there a duct would end in the next way
        ends = shapely.points([one, two])
        if not shapely.intersects(ways, ends.tolist()).any():
            kept.append((one, two))
    site.sleeves = kept


def _plots(site: _Site, shares: tuple[float, ...]) -> None:
    count = max(1, round(site.side / PLOT_M) - 1) + 1
    step = site.side / count
    for i in range(count):
        for j in range(count):
            x, y = (i + 0.5) * step, (j + 0.5) * step
            what = int(site.rng.choice(4, p=shares))
            (_building, _pond, _beds, _grove)[what](site, x, y, min(step, PLOT_M))


def _building(site: _Site, x: float, y: float, plot: float) -> None:
    half_x, half_y = plot * site.rng.uniform(0.14, 0.24), plot * site.rng.uniform(0.1, 0.2)
    x0, x1, y0, y1 = x - half_x, x + half_x, y - half_y, y + half_y
    ring = [(x0, y0), (x1, y0), (x1, y1), (x0, y1)]
    if site.rng.random() < 0.5:  # an L
        ring = [(x0, y0), (x1, y0), (x1, y), (x, y), (x, y1), (x0, y1)]
    site.zone("building", ring)
    wall = Polygon(ring).buffer(0.6, join_style="mitre").exterior
    row = [(*wall.interpolate(d).coords[0], "uplight") for d in np.arange(1, wall.length, site.rng.uniform(3, 5))]
    site.clusters += [row[at : at + 8] for at in range(0, len(row), 8)]
    edge = Polygon([(round(a, 2), round(b, 2)) for a, b in ring]).buffer(0.05, join_style="mitre").exterior
    site.walls += [edge.interpolate(edge.length * share).coords[0] for share in (0.05, 0.55)]


def _pond(site: _Site, x: float, y: float, plot: float) -> None:
    radius = plot * site.rng.uniform(0.12, 0.22)
    turns = np.linspace(0, 2 * np.pi, 15)[:-1]
    away = radius * site.rng.uniform(0.8, 1.15, len(turns))
    ring = list(zip((x + 1.3 * away * np.cos(turns)).tolist(), (y + away * np.sin(turns)).tolist(), strict=True))
    site.zone("pond", ring)
    shore = Polygon(ring).buffer(1.0).exterior
    row = [(*shore.interpolate(d).coords[0], "spike") for d in np.arange(0, shore.length, site.rng.uniform(2.5, 4))]
    site.clusters += [row[at : at + 8] for at in range(0, len(row), 8)]


def _beds(site: _Site, x: float, y: float, plot: float) -> None:
    for _ in range(int(site.rng.integers(2, 5))):
        u, v = x + plot * site.rng.uniform(-0.25, 0.25), y + plot * site.rng.uniform(-0.25, 0.25)
        w, h = site.rng.uniform(2, 7), site.rng.uniform(1.5, 4)
        site.zone("bed", [(u, v), (u + w, v), (u + w, v + h), (u, v + h)], hard=False)
        spots = [(u + w * a, v + h * b, "spike") for a, b in ((0.15, 0.3), (0.5, 0.7), (0.85, 0.3), (0.3, 0.8))]
        site.clusters.append(spots)


def _grove(site: _Site, x: float, y: float, plot: float) -> None:
    for _ in range(int(site.rng.integers(3, 7))):
        u, v = x + plot * site.rng.uniform(-0.3, 0.3), y + plot * site.rng.uniform(-0.3, 0.3)
        stem = int(site.rng.integers(80, 450))
        if any(math.hypot(u - a, v - b) < 3.5 for a, b, _ in site.trees):
            continue
        site.trees.append((round(u, 2), round(v, 2), stem))
        site.hard.append(Point(u, v).buffer(stem / 2000 + 1.0))
        away = stem / 2000 + 1.35
        turns = site.rng.uniform(0, 6.28) + np.arange(3) * 2.1
        site.clusters.append([(u + away * math.cos(t), v + away * math.sin(t), "uplight") for t in turns])


def _lamps(site: _Site, lamps: int) -> list[tuple[float, float, str]]:
    """Whole clusters in random order until there are enough lamps; then the lamps sorted along the ground."""
    hard = shapely.union_all(site.hard).buffer(0.12)
    shapely.prepare(hard)
    placed: list[tuple[float, float, str]] = []
    cells: dict[tuple[int, int], list[tuple[float, float]]] = {}
    order = site.rng.permutation(len(site.clusters))
    for index in order:
        for x, y, of in site.clusters[index]:
            x, y = round(x, 2), round(y, 2)
            if not (1 <= x <= site.side - 1 and 1 <= y <= site.side - 1) or shapely.contains_xy(hard, x, y):
                continue
            cell = (int(x // 2), int(y // 2))
            around = (cells.get((cell[0] + a, cell[1] + b), ()) for a in (-1, 0, 1) for b in (-1, 0, 1))
            if any(math.hypot(x - u, y - v) < LEAST_APART_M for those in around for u, v in those):
                continue
            cells.setdefault(cell, []).append((x, y))
            placed.append((x, y, of))
        if len(placed) >= lamps:
            return placed[:lamps]
    raise ValueError(f"only {len(placed)} lamps find a place on this ground")


def _supplies(site: _Site, placed: list[tuple[float, float, str]]) -> list[tuple[float, float]]:
    """Enough supply points, each next one where lamps are farthest from those before; walls are listed first."""
    hard = shapely.union_all(site.hard)
    lamps = np.array([(x, y) for x, y, _ in placed])
    spots = [(round(x, 2), round(y, 2)) for x, y in [*site.walls, *site.pillars]]
    walls = set(spots[: len(site.walls)])
    spots = [
        at
        for at in dict.fromkeys(spots)
        if not shapely.contains_xy(hard, *at)
        and min(at) > 0
        and max(at) < site.side
        and np.hypot(*(lamps - at).T).min() > 0.4
    ]
    site.walls = [at for at in spots if at in walls]
    points = np.array(spots)
    away = np.full(len(lamps), np.inf)
    chosen: list[tuple[float, float]] = []
    each = np.hypot(points[:, None, 0] - lamps[None, :, 0], points[:, None, 1] - lamps[None, :, 1])
    most = np.minimum(each, 60.0)
    while len(chosen) < min(len(spots), 1 + len(placed) // LAMPS_PER_SUPPLY):
        left = np.minimum(most, away[None, :]).sum(axis=1)
        best = int(left.argmin())
        if spots[best] in chosen:
            break
        chosen.append(spots[best])
        away = np.minimum(away, most[best])
    return sorted(chosen, key=lambda at: at not in walls)


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("lamps", type=int)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--kind", choices=sorted(KINDS), default="park")
    parser.add_argument("--seed", type=int, default=1)
    args = parser.parse_args()
    job, survey = site_texts(args.lamps, args.seed, args.kind)
    args.folder.mkdir(parents=True, exist_ok=True)
    (args.folder / "job.toml").write_text(job, encoding="utf-8")
    (args.folder / "survey.csv").write_text(survey, encoding="utf-8")
    print(f"wrote {args.folder}/job.toml and survey.csv")


if __name__ == "__main__":
    main()
