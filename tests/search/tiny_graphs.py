"""Tiny jobs on ground graphs drawn at random, and a plain enumeration of their layouts. In: a seed. Out: the optimum.

The enumeration shares no code with the search, the bound or the electrics: it tries every split of the lamps into
circuits, every tree of trench lines of each, every lead, every gauge, with or without fuse, solves the volts by
sweeping, and prices all by the rules of account. It leaves out cables that pass a joint of their own circuit unjoined,
which can only be cheaper in rare layouts; so the search may find less than it, the bound must not exceed it.
"""

from __future__ import annotations

import itertools
import math
import random
from collections.abc import Iterator

import numpy as np

from optimiser.ground.graph import GroundGraph, LeadArc
from optimiser.job import Job
from optimiser.job_folder import JobFolder
from tests.properties.random_jobs import folder_of

JOB = """
title = "tiny"
[voltage]
max_drop = {drop}
[grounds]
lawn = {{ per_m = 10 }}
[lamps]
spike = {{ watts = {watts}, volts = 12, load = "{load}", window_v = [9, 14] }}
[cables]
thin = {{ mm2 = 1.5, price_per_m = {thin}, rating_a = 10, reels_m = [500] }}
thick = {{ mm2 = 4, price_per_m = {thick}, rating_a = 20, reels_m = [500] }}
[drivers]
box = {{ taps_v = [12], rated_w = {rated}, {limit}, outlets = {outlets}, price = {box} }}
[supplies]
S0 = {{ price = {s0} }}
S1 = {{ price = {s1} }}
[slack]
per_cent = 3
joint_end_m = 0.4
driver_end_m = 1.2
[fuses]
price = 6
ratings_a = [5]
[joints.kits]
two = {{ max_ways = 2, price = 5 }}
four = {{ max_ways = 4, price = 8 }}
"""
LOOP_40 = {0: 2 * 0.0133 * 1.0786, 1: 2 * 0.00495 * 1.0786}
"""Both cores of a metre at 40 °C, in ohm: IEC 60228 class 5 at 20 °C, alpha 0.00393."""
LOOP_70 = {0: 2 * 0.0133 * 1.1965, 1: 2 * 0.00495 * 1.1965}
LEAD_40, LEAD_70 = 2 * 0.026 * 1.0786, 2 * 0.026 * 1.1965
END_OHM = 0.002
SPARE_V = 0.008
"""The search keeps some thousandths of a volt inside every limit and rounds drops up: it is held to the cheapest of the
layouts with so much to spare, the bound to the cheapest of all."""


def tiny(seed: int) -> tuple[JobFolder, GroundGraph]:
    """Three lamps, one or two supply points, at most seven nodes and ten lines."""
    rng = random.Random(seed)
    limit = rng.choice(['limit_a = 5.5, limit_mode = "hold"', 'limit_a = 18, limit_mode = "hold"'])
    text = JOB.format(
        drop=rng.choice([2, 4, 10]),
        watts=rng.choice([3, 8, 14]),
        load=rng.choice(["power", "power", "current", "resistance"]),
        thin=rng.choice([0.5, 1.2]),
        thick=rng.choice([1.5, 4.0]),
        rated=rng.choice([25, 60]),
        limit=limit,
        outlets=rng.choice([1, 2]),
        box=rng.choice([20, 80]),
        s0=rng.choice([0, 30]),
        s1=rng.choice([0, 30]),
    )
    supplies = rng.randint(1, 2)
    rows = "".join(f"S{i},supply,,{30 * i},0\n" for i in range(supplies))
    rows += "".join(f"L{i},lamp,spike,{5 + 5 * i},5\n" for i in range(3))
    folder = folder_of(text, "point,kind,of,x,y\n" + rows)
    nodes = rng.randint(supplies + 3, 7)
    pairs = {(rng.randrange(i), i) for i in range(1, nodes)}
    others = [pair for pair in itertools.combinations(range(nodes), 2) if pair not in pairs]
    pairs |= set(rng.sample(others, min(len(others), 9 - len(pairs))))
    ends = np.array(sorted(pairs), dtype=np.int64)
    m = len(ends)
    length = np.array([round(rng.uniform(1, 12), 2) for _ in range(m)])
    places = range(supplies, nodes)
    leads = []
    for lamp in range(3):
        for node in sorted(rng.sample(list(places), rng.randint(1, 2))):
            leads.append(LeadArc(lamp, node, 0.3, round(rng.uniform(0, 5), 2)))
    graph = GroundGraph(
        xyz=np.array([(rng.uniform(0, 20), rng.uniform(0, 20), 0) for _ in range(nodes)]).round(3),
        kind=np.array([0] * supplies + [2] * (nodes - supplies)),
        may_joint=np.arange(nodes) >= supplies,
        post_lamp=np.full(nodes, -1),
        ends=ends,
        length_m=length,
        sun_m=np.zeros(m),
        trench_price=(length * np.array([rng.choice([0.0, 3.0, 12.0]) for _ in range(m)])).round(2),
        pull_price=np.zeros(m),
        capacity=np.full(m, 99),
        sleeve=np.full(m, -1),
        stub=np.zeros(m, dtype=bool),
        supply_node=np.arange(supplies),
        leads=tuple(leads),
        num_lamps=3,
    )
    return folder, graph


# -- plain enumeration -----------------------------------------------------------------------------------------------


def trees(graph: GroundGraph, root: int, wanted: frozenset[int]) -> Iterator[tuple[tuple[int, ...], dict[int, int]]]:
    """Every tree of lines from the root whose ends are all wanted nodes: (lines, node -> parent)."""
    pairs = graph.ends.tolist()
    for count in range(1, graph.num_nodes):
        for lines in itertools.combinations(range(len(pairs)), count):
            parent = {root: -1}
            left = set(lines)
            grown = True
            while grown:
                grown = False
                for e in sorted(left):
                    u, v = pairs[e]
                    if (u in parent) != (v in parent):
                        parent[v if u in parent else u] = u if u in parent else v
                        left.discard(e)
                        grown = True
            if left:
                continue
            del parent[root]
            if wanted <= set(parent) and set(parent) - set(parent.values()) <= wanted:
                yield lines, parent


def lamp_amps(job: Job, volts: float) -> float:
    kind = job.lamps["spike"]
    if kind.load == "power":
        return kind.watts / volts
    return kind.watts / 12 if kind.load == "current" else volts * kind.watts / 144


def volts_of(
    job: Job, source: float, above: list[int], ohm: list[float], at: list[int], lead: float
) -> tuple[list[float], float]:
    """Volts of the lamps at pieces ``at``, and the amps of all; (nothing, inf) where the sweep does not settle."""
    volts = [source] * len(at)
    for _ in range(300):
        drawn = [lamp_amps(job, v) for v in volts]
        amps = [0.0] * len(above)
        for piece, i in zip(at, drawn, strict=True):
            while piece >= 0:
                amps[piece] += i
                piece = above[piece]
        ends: list[float] = []
        for piece, up in enumerate(above):
            ends.append((source if up < 0 else ends[up]) - ohm[piece] * amps[piece])
        new = [ends[piece] - lead * i for piece, i in zip(at, drawn, strict=True)]
        if min(new) < 1:
            return [], math.inf
        if max(abs(a - b) for a, b in zip(new, volts, strict=True)) < 1e-9:
            return new, sum(drawn)
        volts = new
    return [], math.inf


def cheapest_by_lines(
    folder: JobFolder, graph: GroundGraph, supply: int, lamps: tuple[int, ...], keep_v: float
) -> dict[tuple[int, ...], tuple[float, float]]:
    """For each set of lines a circuit of these lamps may use: its least price without trench, and its load in W."""
    job = folder.job
    driver, root = job.drivers["box"], int(graph.supply_node[supply])
    best: dict[tuple[int, ...], tuple[float, float]] = {}
    arcs = [[arc for arc in graph.leads if arc.lamp == lamp] for lamp in lamps]
    number = {pair: e for e, (u, v) in enumerate(graph.ends.tolist()) for pair in ((u, v), (v, u))}
    for chosen in itertools.product(*arcs):
        hung = [arc.node for arc in chosen]
        for lines, parent in trees(graph, root, frozenset(hung)):
            kids = {v: [c for c, up in parent.items() if up == v] for v in [root, *parent]}
            if len(kids[root]) > 1 or any(
                v in parent and v < len(graph.supply_node) and len(kids[v]) > 1 for v in kids
            ):
                continue
            joints = [v for v in parent if v in hung or len(kids[v]) > 1]
            joints.sort(key=lambda v: len(climb(parent, v)))
            ways = [1 + len(kids[v]) + hung.count(v) for v in joints]
            if max(ways) > 4:
                continue
            above, length = [], []
            for v in joints:
                up, metres = parent[v], graph.length_m[number[v, parent[v]]]
                while up != root and up not in joints:
                    metres += graph.length_m[number[up, parent[up]]]
                    up = parent[up]
                above.append(joints.index(up) if up != root else -1)
                length.append(metres)
            fixed = sum(arc.price for arc in chosen) + sum(5 if n == 2 else 8 for n in ways)
            at = [joints.index(node) for node in hung]
            cuts = [
                math.ceil((m * 1.03 + (1.2 if up < 0 else 0.4) + 0.4) * 10 - 1e-6) / 10
                for m, up in zip(length, above, strict=True)
            ]
            for gauges in itertools.product((0, 1), repeat=len(joints)):
                price = sum(c * job.cables[("thin", "thick")[g]].price_per_m for c, g in zip(cuts, gauges, strict=True))
                if lines in best and price + fixed >= best[lines][0]:
                    continue
                ends = [1 if up < 0 else 2 for up in above]
                hot = [c * LOOP_40[g] + n * END_OHM for c, g, n in zip(cuts, gauges, ends, strict=True)]
                volts, amps = volts_of(job, 12.0, above, hot, at, LEAD_40 + END_OHM)
                low, _ = volts_of(job, 12.0 * 0.98, above, hot, at, LEAD_40 + END_OHM)
                if not volts or not low or min(low) < 9 + keep_v:
                    continue
                if 12.0 - min(volts) > (job.voltage.max_drop or 0) / 100 * 12 - keep_v:
                    continue
                if 12.0 * amps > driver.max_load_w or amps > driver.max_outlet_a:
                    continue
                thinnest = min({0: 10, 1: 20}[g] for g in gauges)
                if driver.current_limit_a <= min(thinnest, 6):  # rule A; the lead of 0.75 mm² carries 6 A
                    guard = 0.0
                else:
                    reach: list[float] = []
                    for c, g, n, up in zip(cuts, gauges, ends, above, strict=True):
                        reach.append(c * LOOP_70[g] + n * END_OHM + (reach[up] if up >= 0 else 0.0))
                    far = max(reach[piece] + LEAD_70 + END_OHM for piece in at)
                    opens = min(driver.current_limit_a, 12.0 * 0.98 / far) >= 15 * (1 + keep_v / 2)
                    if not opens or amps > 4:  # 15 A for 5 s is less than the lead's (115 x 0.75)² in any case
                        continue
                    guard = 6.0
                whole = price + fixed + guard
                if lines not in best or whole < best[lines][0]:
                    best[lines] = (whole, 12.0 * amps)
    return best


def climb(parent: dict[int, int], node: int) -> list[int]:
    """Nodes from this one up to the root."""
    way = [node]
    while way[-1] in parent:
        way.append(parent[way[-1]])
    return way


def splits(items: tuple[int, ...]) -> Iterator[list[tuple[int, ...]]]:
    if not items:
        yield []
        return
    for size in range(len(items)):
        for others in itertools.combinations(items[1:], size):
            rest = tuple(i for i in items[1:] if i not in others)
            for split in splits(rest):
                yield [(items[0], *others), *split]


def fewest_boxes(loads: list[float], job: Job) -> int:
    driver = job.drivers["box"]
    for count in range(1, len(loads) + 1):
        for where in itertools.product(range(count), repeat=len(loads)):
            bins = [[w for w, b in zip(loads, where, strict=True) if b == k] for k in range(count)]
            if all(sum(b) <= driver.max_load_w and len(b) <= driver.outlets for b in bins):
                return count
    raise AssertionError


def optimum(folder: JobFolder, graph: GroundGraph, keep_v: float = 0.0) -> float:
    """Price of the cheapest layout with so many volts to spare inside every limit; infinite where there is none."""
    job = folder.job
    known: dict[tuple[int, tuple[int, ...]], dict[tuple[int, ...], tuple[float, float]]] = {}
    trench: list[float] = graph.trench_price.tolist()
    best = math.inf
    for split in splits((0, 1, 2)):
        for supplies in itertools.product(range(len(graph.supply_node)), repeat=len(split)):
            options = []
            for supply, lamps in zip(supplies, split, strict=True):
                if (supply, lamps) not in known:
                    known[supply, lamps] = cheapest_by_lines(folder, graph, supply, lamps, keep_v)
                options.append(list(known[supply, lamps].items()))
            fixed = sum(job.supply(folder.survey.supplies[s].name).price for s in set(supplies))
            least = fixed + len(set(supplies)) * job.drivers["box"].price
            for choice in itertools.product(*options):
                apart = sum([p for _, (p, _) in choice])
                if least + apart >= best:  # dearer without its trench already
                    continue
                lines = {e for used, _ in choice for e in used}
                price = fixed + apart + float(sum(trench[e] for e in lines))
                if price >= best:
                    continue
                boxes = sum(
                    fewest_boxes([c[1][1] for c, s in zip(choice, supplies, strict=True) if s == supply], job)
                    for supply in set(supplies)
                )
                best = min(best, price + boxes * job.drivers["box"].price)
    return best
