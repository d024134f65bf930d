"""Random circuits small enough to enumerate, and their plain enumeration. In: a seed. Out: TinyCircuit, the optimum.

The enumeration shares no code with the search: it reads nothing but the numbers drawn here, tries every lead, every
set of joints (at most ``MOST_EXTRA`` without a lamp), every tree over them, every way along the graph and every gauge,
and settles each circuit's constant-power state by plain iteration. Whether two cables may lie in one trench is the
caller's choice. All copper is at 20 °C, so loop resistances are twice the core's; the lead's core is IEC 60228's 26.0
ohm/km for 0.75 mm² class 5.
"""

from __future__ import annotations

import io
import itertools
import math
import random
from dataclasses import dataclass

import numpy as np

from optimiser.ground.graph import GroundGraph, LeadArc, NodeKind
from optimiser.read_job import read_job
from optimiser.search.effort import Effort
from optimiser.search.facts import Facts, gather_facts
from optimiser.search.state import Bench
from optimiser.survey.model import Lamp, SupplyPoint, Survey

LEAD_CORE_OHM_M = 0.026
KEEP_V = 0.004  # what the search keeps inside every limit, see its facts
MOST_EXTRA = 2


@dataclass(frozen=True)
class Gauge:
    mm2: float
    price_m: float
    core_ohm_km: float
    rating_a: float


@dataclass
class TinyCircuit:
    """One supply point (node 0), one driver of one outlet, two gauges, two or three kits."""

    num_nodes: int
    edges: list[tuple[int, int, float, float, float]]
    """(u, v, length m, trench price, pull price)."""
    may_joint: list[bool]
    leads: list[tuple[int, int, float]]
    """(lamp, node, price)."""
    watts: list[float]
    gauges: list[Gauge]
    kits: list[tuple[int, float, float]]
    """(ways, largest mm2, price with labour)."""
    slack: float
    joint_end_m: float
    driver_end_m: float
    end_ohm: float
    terminal_cables: int
    max_drop_pct: float
    limit_a: float
    hold: bool
    fuse_price: float
    fuse_ratings: tuple[float, ...] = (1, 2, 3, 4, 5, 7.5, 10)

    @property
    def num_lamps(self) -> int:
        return len(self.watts)


def tiny_circuit(seed: int, lamps: int | None = None) -> TinyCircuit:
    """A random circuit of 2 to 4 lamps on at most 8 nodes; volts, fuses, joints and terminals bind now and then."""
    rng = random.Random(seed)
    lamps = lamps or rng.choice((2, 2, 3, 3, 3, 4))
    n = rng.randint(5, 8) if lamps < 4 else 5
    xy = [(rng.uniform(0, 14), rng.uniform(0, 10)) for _ in range(n)]
    pairs = sorted(itertools.combinations(range(n), 2), key=lambda p: math.dist(xy[p[0]], xy[p[1]]))
    group = list(range(n))
    chosen = []
    for u, v in pairs:  # a tree of short edges, then some more short ones
        if group[u] != group[v]:
            old, new = group[u], group[v]
            group = [new if g == old else g for g in group]
            chosen.append((u, v))
    more = [p for p in pairs if p not in chosen][: rng.randint(1, 4)]
    per_m = rng.choice((0.5, 3.0, 8.0))
    edges = []
    for u, v in chosen + more:
        length = round(max(0.5, math.dist(xy[u], xy[v])) * rng.uniform(1, 1.2), 2)
        trench = round(length * per_m * rng.choice((1, 1, 1, 2, 0)), 2)
        edges.append((u, v, length, trench, rng.choice((0.0, 0.0, 0.0, 1.5))))
    may_joint = [False] + [rng.random() < 0.85 for _ in range(n - 1)]
    places = [v for v in range(1, n) if may_joint[v]]
    if not places:
        may_joint[1] = True
        places = [1]
    leads = []
    for lamp in range(lamps):
        for node in rng.sample(places, min(len(places), rng.choice((1, 1, 2)))):
            leads.append((lamp, node, round(rng.uniform(0, 3), 2)))
    hold = rng.random() < 0.4
    thick_kit = rng.random() < 0.3
    return TinyCircuit(
        num_nodes=n,
        edges=edges,
        may_joint=may_joint,
        leads=leads,
        watts=[rng.choice((3.0, 5.0, 8.0, 12.0)) for _ in range(lamps)],
        gauges=[
            Gauge(1.5, round(rng.uniform(0.8, 1.5), 2), 13.3, 12.0),
            Gauge(4.0, round(rng.uniform(2.0, 3.5), 2), 4.95, 24.0),
        ],
        kits=[(2, 2.5 if thick_kit else 6.0, 6.0), (3, 6.0, 9.0), (rng.choice((3, 4)), 6.0, 11.0)],
        slack=1 + rng.choice((0, 3, 5)) / 100,
        joint_end_m=0.4,
        driver_end_m=rng.choice((0.0, 1.2)),
        end_ohm=0.002,
        terminal_cables=rng.choice((1, 1, 2)),
        max_drop_pct=rng.choice((1.5, 2.5, 4.0, 6.0, 10.0)),
        limit_a=rng.choice((9.0, 30.0)) if hold else 9.0,
        hold=hold,
        fuse_price=2.5,
    )


def bench_of(tiny: TinyCircuit) -> tuple[Facts, Bench]:
    """The circuit as the search's own look-ups."""
    text = io.StringIO()
    text.write(
        'title = "tiny"\nbase_ground = "lawn"\n'
        f"[voltage]\nmax_drop = {tiny.max_drop_pct}\nhot_c = 20\nsun_c = 20\ncold_c = 20\nfault_c = 20\n"
        f"[slack]\nper_cent = {round((tiny.slack - 1) * 100)}\njoint_end_m = {tiny.joint_end_m}\n"
        f"driver_end_m = {tiny.driver_end_m}\n[grounds.lawn]\nper_m = 1\n[fuses]\nprice = {tiny.fuse_price}\n"
        f"ratings_a = {list(tiny.fuse_ratings)}\n[joints]\nend_ohm = {tiny.end_ohm}\n"
    )
    for i, (ways, most, price) in enumerate(tiny.kits):
        text.write(f"[joints.kits.k{i}]\nmax_ways = {ways}\nmax_mm2 = {most}\nmin_mm2 = 0.5\nprice = {price}\n")
    for i, gauge in enumerate(tiny.gauges):
        text.write(
            f"[cables.c{i}]\nmm2 = {gauge.mm2}\nohm_per_km = {gauge.core_ohm_km}\nprice_per_m = {gauge.price_m}\n"
            f"rating_a = {gauge.rating_a}\nreels_m = [1000]\n"
        )
    mode = "hold" if tiny.hold else "hiccup"
    text.write(
        f"[drivers.box]\ntaps_v = [12]\nrated_w = 100\nloading_pct = 100\ntol_pct = 0\nlimit_a = {tiny.limit_a}\n"
        f'limit_mode = "{mode}"\nshort_rms_a = 1\nterminal_cables = {tiny.terminal_cables}\nprice = 0\n'
    )
    for i, watts in enumerate(tiny.watts):
        text.write(f"[lamps.l{i}]\nwatts = {watts}\nvolts = 12\nwindow_v = [6, 15]\nlead_m = 1\nlead_mm2 = 0.75\n")
    job = read_job(text.getvalue().encode(), "job.toml", {})
    survey = Survey(
        lamps=tuple(Lamp(f"L{i}", f"l{i}", (float(i), 0.0, 0.0)) for i in range(tiny.num_lamps)),
        supplies=(SupplyPoint("S", (0.0, 0.0, 0.0)),),
        zones=(),
    )
    n, m = tiny.num_nodes, len(tiny.edges)
    kind = np.full(n, NodeKind.JOINT_PLACE, dtype=np.int64)
    kind[0] = NodeKind.SUPPLY
    graph = GroundGraph(
        xyz=np.column_stack([np.arange(n, dtype=float), np.zeros(n), np.zeros(n)]),
        kind=kind,
        may_joint=np.array(tiny.may_joint),
        post_lamp=np.full(n, -1),
        ends=np.array([sorted(e[:2]) for e in tiny.edges], dtype=np.int64),
        length_m=np.array([e[2] for e in tiny.edges]),
        sun_m=np.zeros(m),
        trench_price=np.array([e[3] for e in tiny.edges]),
        pull_price=np.array([e[4] for e in tiny.edges]),
        capacity=np.full(m, 1000),
        sleeve=np.full(m, -1),
        stub=np.zeros(m, dtype=bool),
        supply_node=np.array([0]),
        leads=tuple(LeadArc(lamp, node, 0.5, price) for lamp, node, price in sorted(tiny.leads)),
        num_lamps=tiny.num_lamps,
    )
    facts = gather_facts(job, survey, graph)
    return facts, Bench(facts, Effort(math.inf))


def enumerate_circuit(tiny: TinyCircuit, *, share: bool) -> float:
    """Price of the cheapest circuit that holds, else infinite. ``share``: two cables may lie in one trench."""
    ways = _simple_ways(tiny)
    best = math.inf
    by_lamp = [[(node, price) for lamp, node, price in tiny.leads if lamp == i] for i in range(tiny.num_lamps)]
    for hung in itertools.product(*by_lamp):
        at = [node for node, _ in hung]
        lamp_joints = sorted(set(at))
        spare = [v for v in range(1, tiny.num_nodes) if tiny.may_joint[v] and v not in lamp_joints]
        leads_price = sum(price for _, price in hung)
        for size in range(min(MOST_EXTRA, len(spare)) + 1):
            for extra in itertools.combinations(spare, size):
                joints = lamp_joints + list(extra)
                for parents in itertools.product([0, *joints], repeat=len(joints)):
                    best = _try_tree(tiny, ways, at, joints, parents, leads_price, best, share)
    return best


def _try_tree(
    tiny: TinyCircuit,
    ways: dict[tuple[int, int], list[tuple[float, float, frozenset[int]]]],
    at: list[int],
    joints: list[int],
    parents: tuple[int, ...],
    leads_price: float,
    best: float,
    share: bool,
) -> float:
    up = dict(zip(joints, parents, strict=True))
    order = []
    for joint in joints:
        seen, node = set(), joint
        while node != 0:
            if node in seen:
                return best
            seen.add(node)
            node = up[node]
        order.append((len(seen), joint))
    order.sort()
    if sum(1 for p in parents if p == 0) > tiny.terminal_cables:
        return best
    kids = {j: sum(1 for p in parents if p == j) for j in joints}
    hung_here = {j: at.count(j) for j in joints}
    least_kits = 0.0
    for j in joints:
        if kids[j] == 0 and hung_here[j] == 0:
            return best
        ways_here = 1 + kids[j] + hung_here[j]
        fitting = [price for w, _, price in tiny.kits if w >= ways_here]
        if not fitting:
            return best
        least_kits += min(fitting)
    names = [j for _, j in order]
    laid: list[tuple[float, frozenset[int], int]] = []
    least_amps = {  # lamps draw least at 12 V: drops at those currents rule out early what cannot hold
        j: sum(w / 12 for w, node in zip(tiny.watts, at, strict=True) if j in _chain(up, node)) for j in names
    }
    drop_at = {0: 0.0}

    def lay(i: int, price: float) -> None:
        nonlocal best
        if price >= best - 1e-9:
            return
        if i == len(names):
            best = min(best, _price(tiny, at, names, up, laid, leads_price))
            return
        joint = names[i]
        open_edges = frozenset().union(*(other for _, other, _ in laid))
        for length, pulls, edges in ways[up[joint], joint]:
            if not share and edges & open_edges:
                continue
            opening = pulls + sum(tiny.edges[e][3] for e in edges - open_edges)
            ends = tiny.joint_end_m + (tiny.driver_end_m if up[joint] == 0 else tiny.joint_end_m)
            cut = math.ceil(round((tiny.slack * length + ends) * 10, 6)) / 10
            for g, gauge in enumerate(tiny.gauges):
                drop_at[joint] = drop_at[up[joint]] + cut * 2 * gauge.core_ohm_km / 1000 * least_amps[joint]
                if drop_at[joint] > 12 * tiny.max_drop_pct / 100:
                    continue
                laid.append((cut, edges, g))
                lay(i + 1, price + opening + cut * gauge.price_m)
                laid.pop()

    lay(0, leads_price + least_kits)
    return best


def _price(
    tiny: TinyCircuit,
    at: list[int],
    names: list[int],
    up: dict[int, int],
    laid: list[tuple[float, frozenset[int], int]],
    leads_price: float,
) -> float:
    """Price of one circuit in full; infinite where it does not hold."""
    total = leads_price
    gauge_of = {j: tiny.gauges[g] for j, (_, _, g) in zip(names, laid, strict=True)}
    for cut, edges, g in laid:
        total += cut * tiny.gauges[g].price_m + sum(tiny.edges[e][4] for e in edges)
    total += sum(tiny.edges[e][3] for e in frozenset().union(*(edges for _, edges, _ in laid)))
    for j in names:
        sizes = [gauge_of[j].mm2] + [gauge_of[k].mm2 for k in names if up[k] == j] + [0.75] * at.count(j)
        fitting = [price for ways, most, price in tiny.kits if ways >= len(sizes) and most >= max(sizes)]
        if not fitting:
            return math.inf
        total += min(fitting)
    ohm = {}
    for j, (cut, _, _) in zip(names, laid, strict=True):
        ends = 1 if up[j] == 0 else 2
        ohm[j] = cut * 2 * gauge_of[j].core_ohm_km / 1000 + ends * tiny.end_ohm
    lead_ohm = 2 * LEAD_CORE_OHM_M * 1.0 + tiny.end_ohm
    limit = 12 * tiny.max_drop_pct / 100 - KEEP_V
    volts = [12.0] * tiny.num_lamps
    for _ in range(300):
        drawn = [w / v for w, v in zip(tiny.watts, volts, strict=True)]
        below = {j: sum(i for i, node in zip(drawn, at, strict=True) if j in _chain(up, node)) for j in names}
        new = [
            12.0 - sum(ohm[j] * below[j] for j in _chain(up, node)) - lead_ohm * i
            for node, i in zip(at, drawn, strict=True)
        ]
        if min(new) < 4:
            return math.inf
        moved = max(abs(a - b) for a, b in zip(new, volts, strict=True))
        volts = new
        if moved < 1e-9:
            break
    if max(12.0 - v for v in volts) > limit:
        return math.inf
    drawn = [w / v for w, v in zip(tiny.watts, volts, strict=True)]
    flows = {j: sum(i for i, node in zip(drawn, at, strict=True) if j in _chain(up, node)) for j in names}
    if any(flows[j] > gauge_of[j].rating_a for j in names):
        return math.inf
    guard = _guard(tiny, names, up, gauge_of, ohm, at, sum(drawn), lead_ohm)
    return total + guard


def _guard(
    tiny: TinyCircuit,
    names: list[int],
    up: dict[int, int],
    gauge_of: dict[int, Gauge],
    ohm: dict[int, float],
    at: list[int],
    amps: float,
    lead_ohm: float,
) -> float:
    """Price of protecting the circuit: nothing, a fuse, or infinite where neither does it."""
    thinnest = min(gauge_of[j].rating_a for j in names)
    lead_rating = 6.0  # of 0.75 mm² flexible cord
    if thinnest >= tiny.limit_a and (not tiny.hold or lead_rating >= tiny.limit_a):
        return 0.0
    if not tiny.hold:
        return math.inf
    worst = max(
        [sum(ohm[k] for k in _chain(up, j)) for j in names]
        + [sum(ohm[k] for k in _chain(up, node)) + lead_ohm for node in at]
    )
    for rating in tiny.fuse_ratings:
        if amps > 0.8 * rating - 0.002 or tiny.limit_a < 3 * rating or thinnest < rating:
            continue
        if tiny.limit_a > lead_rating and (3 * rating) ** 2 * 5 > (115 * 0.75) ** 2:
            continue
        if worst <= 12 / (3 * rating * 1.0005):
            return tiny.fuse_price
    return math.inf


def judge_circuit(
    tiny: TinyCircuit, pieces: list[tuple[int, tuple[int, ...]]], leads: list[tuple[int, float]]
) -> float:
    """
    Price of a circuit somebody else made; infinite where it does not hold.

    Parameters
    ----------
    pieces
        (gauge, nodes from the driver's side) of each.
    leads
        (node, price) of each lamp's lead.
    """
    at = [node for node, _ in leads]
    up = {nodes[-1]: nodes[0] for _, nodes in pieces}
    laid = []
    for g, nodes in pieces:
        edges = [
            e for u, v in itertools.pairwise(nodes) for e, edge in enumerate(tiny.edges) if set(edge[:2]) == {u, v}
        ]
        ends = tiny.joint_end_m + (tiny.driver_end_m if nodes[0] == 0 else tiny.joint_end_m)
        length = sum(tiny.edges[e][2] for e in edges)
        laid.append((math.ceil(round((tiny.slack * length + ends) * 10, 6)) / 10, frozenset(edges), g))
    joints = list(up)
    sound = len(up) == len(pieces) and all(tiny.may_joint[j] for j in joints) and set(at) <= set(joints)
    if not sound or sum(1 for p in up.values() if p == 0) > tiny.terminal_cables:
        return math.inf
    if not all((i, node, price) in tiny.leads for i, (node, price) in enumerate(leads)):
        return math.inf
    return _price(tiny, at, joints, up, laid, sum(price for _, price in leads))


def _chain(up: dict[int, int], node: int) -> list[int]:
    chain = []
    while node != 0:
        chain.append(node)
        node = up[node]
    return chain


def _simple_ways(tiny: TinyCircuit) -> dict[tuple[int, int], list[tuple[float, float, frozenset[int]]]]:
    """All simple ways between two nodes: (length, pulls, edges)."""
    near: list[list[tuple[int, int]]] = [[] for _ in range(tiny.num_nodes)]
    for e, (u, v, *_) in enumerate(tiny.edges):
        near[u].append((v, e))
        near[v].append((u, e))
    found: dict[tuple[int, int], list[tuple[float, float, frozenset[int]]]] = {}

    def walk(start: int, node: int, seen: set[int], edges: list[int]) -> None:
        if edges:
            length = sum(tiny.edges[e][2] for e in edges)
            pulls = sum(tiny.edges[e][4] for e in edges)
            found[start, node].append((length, pulls, frozenset(edges)))
        for other, e in near[node]:
            if other not in seen:
                walk(start, other, seen | {other}, [*edges, e])

    for u, v in itertools.product(range(tiny.num_nodes), repeat=2):
        found[u, v] = []
    for u in range(tiny.num_nodes):
        walk(u, u, {u}, [])
    return found
