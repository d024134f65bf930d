"""Random jobs small enough to try every layout, and a plain enumeration of them. In: a seed. Out: TinyJob; the
optimum.

The enumeration shares no code with the search. It tries every split of the lamps into circuits, every supply point,
driver model and tap of each, every lead, every set of joints (at most one without a lead, and that one only where
cables fork), every tree over them, every simple way of every cable along the graph, whatever else lies in its trench,
every gauge, every protection, with method "tap" every choice of what goes through uncut, and every packing of
circuits into drivers. Each circuit's constant-power state is settled by plain iteration. Sources do not stray
(tolerance 0, mains as stated) and all copper is at 20 °C; a wound driver is taken with the circuit alone on it, which
is kinder than the truth, so that the optimum found is never above the true one.
"""

from __future__ import annotations

import io
import itertools
import math
import random
from dataclasses import dataclass, field

import numpy as np

from optimiser.ground.graph import GroundGraph, LeadArc, NodeKind
from optimiser.read_job import read_job
from optimiser.search.facts import Facts, gather_facts
from optimiser.survey.model import Lamp, SupplyPoint, Survey

LEAD_OHM = 2 * 0.026  # 1 m of 0.75 mm² class 5 at 20 °C, both cores (IEC 60228: 26.0 ohm/km)
FUSES = (1.0, 2.0, 3.0, 5.0, 7.5, 10.0)


@dataclass(frozen=True)
class Gauge:
    mm2: float
    price_m: float
    core_ohm_km: float
    rating_a: float


@dataclass(frozen=True)
class Box:
    """A driver model."""

    taps_v: tuple[float, ...]
    rated_w: float
    outlets: int
    outlet_a: float
    terminal_cables: int
    limit_a: float
    mode: str
    breaker_a: float | None
    price: float
    wound_pct: float
    independent: bool


@dataclass
class TinyJob:
    num_nodes: int
    edges: list[tuple[int, int, float, float, float]]
    """(u, v, length m, trench price, pull price)."""
    may_joint: list[bool]
    post: dict[int, int]
    """Node -> lamp whose post it is."""
    leads: list[tuple[int, int, float]]
    """(lamp, node, price)."""
    watts: list[float]
    load: list[str]
    group: list[str]
    supplies: list[tuple[int, float, int, float]]
    """(node, price, most drivers, loading)."""
    boxes: list[Box]
    gauges: list[Gauge]
    kits: list[tuple[int, float]]
    slack: float
    joint_end_m: float
    driver_end_m: float
    max_drop_pct: float
    drop_from: str
    fuse_price: float
    tap: bool
    num_drivers: int | None
    end_ohm: float = 0.002
    ways: dict[tuple[int, int], list[tuple[float, float, int]]] = field(default_factory=dict)

    @property
    def num_lamps(self) -> int:
        return len(self.watts)


def tiny_job(seed: int, lamps: int | None = None) -> TinyJob:
    """A random job of 3 to 5 lamps on at most 8 nodes; outlets, loads, drop, fuses and terminals bind now and then."""
    rng = random.Random(seed)
    lamps = lamps or rng.choice((3, 3, 3, 3, 4))
    n = rng.randint(5, 8) if lamps == 3 else rng.randint(5, 6)
    two = rng.random() < 0.5
    xy = [(rng.uniform(0, 14), rng.uniform(0, 10)) for _ in range(n)]
    pairs = sorted(itertools.combinations(range(n), 2), key=lambda p: math.dist(xy[p[0]], xy[p[1]]))
    group = list(range(n))
    chosen = []
    for u, v in pairs:
        if group[u] != group[v]:
            old, new = group[u], group[v]
            group = [new if g == old else g for g in group]
            chosen.append((u, v))
    chosen += [p for p in pairs if p not in chosen][: rng.randint(1, 3 if lamps == 3 else 2)]
    per_m = rng.choice((0.3, 2.0, 8.0))
    edges = []
    for u, v in chosen:
        length = round(max(0.5, math.dist(xy[u], xy[v])) * rng.uniform(1, 1.2), 2)
        trench = round(length * per_m * rng.choice((1, 1, 1, 2, 0)), 2)
        edges.append((u, v, length, trench, rng.choice((0.0, 0.0, 0.0, 1.5))))
    first = 2 if two else 1
    may_joint = [v >= first and rng.random() < 0.9 for v in range(n)]
    places = [v for v in range(first, n) if may_joint[v]]
    if not places:
        may_joint[first] = True
        places = [first]
    post: dict[int, int] = {}
    leads: list[tuple[int, int, float]] = []
    for lamp in range(lamps):
        if rng.random() < 0.15 and len(places) > 2:
            node = places.pop()
            post[node] = lamp
            leads.append((lamp, node, 0.0))
    for lamp in range(lamps):
        if lamp in post.values():
            continue
        for node in rng.sample(places, min(len(places), rng.choice((1, 2, 2)))):
            leads.append((lamp, node, round(rng.uniform(0, 3), 2)))
    boxes = []
    for _ in range(rng.choice((1, 2))):
        wound = rng.random() < 0.2
        mode = "none" if wound else rng.choice(("hiccup", "hiccup", "hold"))
        rated = rng.choice((15.0, 25.0, 40.0, 100.0))
        boxes.append(
            Box(
                taps_v=rng.choice(((12.0,), (12.0, 13.0))),
                rated_w=rated,
                outlets=rng.choice((1, 1, 2, 3)),
                outlet_a=rng.choice((1.0, 1.6, 2.5, 8.0)),
                terminal_cables=rng.choice((1, 1, 2)),
                limit_a=rng.choice((5.0, 9.0)) if mode == "hiccup" else rng.choice((9.0, 40.0)),
                mode=mode,
                breaker_a=3.0 if mode != "hiccup" and rng.random() < 0.3 else None,
                price=rng.choice((0.0, 8.0, 20.0, 45.0)),
                wound_pct=rng.choice((0.0, 6.0)) if wound else -1.0,
                independent=rng.random() < 0.3,
            )
        )
    groups = ["", "b"] if rng.random() < 0.25 else [""]
    return TinyJob(
        num_nodes=n,
        edges=edges,
        may_joint=may_joint,
        post=post,
        leads=sorted(leads),
        watts=[rng.choice((3.0, 5.0, 8.0, 14.0)) for _ in range(lamps)],
        load=[rng.choice(("power", "power", "current", "resistance")) for _ in range(lamps)],
        group=[rng.choice(groups) for _ in range(lamps)],
        supplies=[
            (v, rng.choice((0.0, 5.0, 20.0)), rng.choice((1, 2, 3)), rng.choice((1.0, 1.0, 0.7))) for v in range(first)
        ],
        boxes=boxes,
        gauges=[
            Gauge(1.5, round(rng.uniform(0.8, 1.5), 2), 13.3, rng.choice((6.0, 12.0))),
            Gauge(4.0, round(rng.uniform(2.0, 3.5), 2), 4.95, 24.0),
        ],
        kits=rng.choice(
            ([(2, 6.0), (4, 9.0), (6, 14.0)], [(3, 7.0), (5, 11.0)], [(4, 5.0)], [(2, 5.0), (3, 5.5), (4, 20.0)])
        ),
        slack=1 + rng.choice((0, 3, 5)) / 100,
        joint_end_m=rng.choice((0.0, 0.4, 1.0)),
        driver_end_m=rng.choice((0.0, 1.2)),
        max_drop_pct=rng.choice((1.5, 2.5, 4.0, 10.0, 10.0)),
        drop_from=rng.choice(("driver", "nominal")),
        fuse_price=2.5,
        tap=rng.random() < 0.3,
        num_drivers=rng.choice((None, None, None, None, 1, 2)),
    )


def facts_of(tiny: TinyJob) -> Facts:
    """The job as the search's own look-ups."""
    text = io.StringIO()
    text.write(
        'title = "tiny"\nbase_ground = "lawn"\n'
        f'[voltage]\nmax_drop = {tiny.max_drop_pct}\ndrop_from = "{tiny.drop_from}"\n'
        "hot_c = 20\nsun_c = 20\ncold_c = 20\nfault_c = 20\n"
        f"[slack]\nper_cent = {round((tiny.slack - 1) * 100)}\njoint_end_m = {tiny.joint_end_m}\n"
        f"driver_end_m = {tiny.driver_end_m}\n[grounds.lawn]\nper_m = 1\n[fuses]\nprice = {tiny.fuse_price}\n"
        f'ratings_a = {list(FUSES)}\n[joints]\nend_ohm = {tiny.end_ohm}\nmethod = "{"tap" if tiny.tap else "cut"}"\n'
    )
    for i, (ways, price) in enumerate(tiny.kits):
        text.write(f"[joints.kits.k{i}]\nmax_ways = {ways}\nmax_mm2 = 6\nmin_mm2 = 0.5\nprice = {price}\n")
    for i, gauge in enumerate(tiny.gauges):
        text.write(
            f"[cables.c{i}]\nmm2 = {gauge.mm2}\nohm_per_km = {gauge.core_ohm_km}\nprice_per_m = {gauge.price_m}\n"
            f"rating_a = {gauge.rating_a}\nreels_m = [1000]\n"
        )
    for i, box in enumerate(tiny.boxes):
        text.write(
            f"[drivers.d{i}]\ntaps_v = {list(box.taps_v)}\nvolts = 12\nrated_w = {box.rated_w}\nloading_pct = 100\n"
        )
        if box.wound_pct >= 0:
            text.write(f'kind = "wound"\nregulation_pct = {box.wound_pct}\nmains_low_pct = 0\nmains_high_pct = 0\n')
        else:
            text.write(f'tol_pct = 0\nlimit_a = {box.limit_a}\nlimit_mode = "{box.mode}"\n')
            if box.mode == "hiccup":
                text.write("short_rms_a = 1\n")
        if box.breaker_a is not None:
            text.write(f"breaker_a = {box.breaker_a}\n")
        text.write(
            f"outlets = {box.outlets}\noutlet_a = {box.outlet_a}\nterminal_cables = {box.terminal_cables}\n"
            f"independent_outlets = {str(box.independent).lower()}\nprice = {box.price}\n"
        )
    for i, watts in enumerate(tiny.watts):
        posted = i in tiny.post.values()
        text.write(
            f'[lamps.l{i}]\nwatts = {watts}\nvolts = 12\nsupply = "either"\npower_factor = 1\nload = "{tiny.load[i]}"\n'
            f"window_v = [6, 17]\nlead_m = {0 if posted else 1}\nlead_mm2 = 0.75\nterminals = {str(posted).lower()}\n"
        )
    for i, (_, price, most, loading) in enumerate(tiny.supplies):
        text.write(f"[supplies.S{i}]\nprice = {price}\nmax_drivers = {most}\nloading_pct = {loading * 100}\n")
    job = read_job(text.getvalue().encode(), "job.toml", {})
    survey = Survey(
        lamps=tuple(Lamp(f"L{i}", f"l{i}", (float(i), 0.0, 0.0), tiny.group[i]) for i in range(tiny.num_lamps)),
        supplies=tuple(SupplyPoint(f"S{i}", (0.0, 0.0, 0.0)) for i in range(len(tiny.supplies))),
        zones=(),
    )
    n, m = tiny.num_nodes, len(tiny.edges)
    kind = np.full(n, NodeKind.JOINT_PLACE, dtype=np.int64)
    for v, *_ in tiny.supplies:
        kind[v] = NodeKind.SUPPLY
    graph = GroundGraph(
        xyz=np.column_stack([np.arange(n, dtype=float), np.zeros(n), np.zeros(n)]),
        kind=kind,
        may_joint=np.array([may or v in tiny.post for v, may in enumerate(tiny.may_joint)]),
        post_lamp=np.array([tiny.post.get(v, -1) for v in range(n)]),
        ends=np.array([sorted(e[:2]) for e in tiny.edges], dtype=np.int64),
        length_m=np.array([e[2] for e in tiny.edges]),
        sun_m=np.zeros(m),
        trench_price=np.array([e[3] for e in tiny.edges]),
        pull_price=np.array([e[4] for e in tiny.edges]),
        capacity=np.full(m, 1000),
        sleeve=np.full(m, -1),
        stub=np.zeros(m, dtype=bool),
        supply_node=np.array([v for v, *_ in tiny.supplies]),
        leads=tuple(LeadArc(lamp, node, 0.0 if node in tiny.post else 0.5, price) for lamp, node, price in tiny.leads),
        num_lamps=tiny.num_lamps,
    )
    return gather_facts(job, survey, graph)


@dataclass(frozen=True)
class Shape:
    """A circuit but for its gauges: least price, then what its electrics need."""

    least: float
    fixed: float
    """Leads, kits and pulls."""
    up: tuple[int, ...]
    """For each piece the piece above, -1 at the driver; pieces in an order from the driver."""
    metres: tuple[float, ...]
    hung: tuple[tuple[int, ...], ...]
    posted: tuple[bool, ...]


@dataclass(frozen=True)
class Fed:
    price: float
    amps: float
    load_w: float


def _simple_ways(tiny: TinyJob) -> dict[tuple[int, int], list[tuple[float, float, int]]]:
    """All simple ways between nodes: (length, pulls, edges as bits)."""
    near: dict[int, list[tuple[int, int]]] = {}
    for e, (u, v, *_) in enumerate(tiny.edges):
        near.setdefault(u, []).append((v, e))
        near.setdefault(v, []).append((u, e))
    ways: dict[tuple[int, int], list[tuple[float, float, int]]] = {}

    def walk(start: int, node: int, seen: tuple[int, ...], length: float, pulls: float, bits: int) -> None:
        if node != start:
            ways.setdefault((start, node), []).append((length, pulls, bits))
        for other, e in near.get(node, ()):
            if other not in seen:
                walk(start, other, (*seen, other), length + tiny.edges[e][2], pulls + tiny.edges[e][4], bits | 1 << e)

    for v in range(tiny.num_nodes):
        walk(v, v, (v,), 0.0, 0.0, 0)
    return ways


class Enumeration:
    """Tries everything; ``optimum`` is infinite where nothing holds."""

    def __init__(self, tiny: TinyJob) -> None:
        self.tiny = tiny
        self.ways = _simple_ways(tiny)
        self.cheapest_m = min(g.price_m for g in tiny.gauges)
        self.shapes: dict[tuple[tuple[int, ...], int, int], dict[int, list[Shape]]] = {}
        self.fed: dict[tuple[Shape, int, int, float], list[Fed]] = {}

    def shapes_of(self, lamps: tuple[int, ...], supply: int, terminals: int) -> dict[int, list[Shape]]:
        """Shapes of a circuit of these lamps, by the edges they lie in, cheapest first."""
        key = (lamps, supply, terminals)
        if key in self.shapes:
            return self.shapes[key]
        tiny = self.tiny
        found: dict[int, list[Shape]] = {}
        root = tiny.supplies[supply][0]
        options = [[(node, price) for lamp, node, price in tiny.leads if lamp == i] for i in lamps]
        for hung in itertools.product(*options):
            at = [node for node, _ in hung]
            own = sorted(set(at))
            spare = [v for v in range(tiny.num_nodes) if tiny.may_joint[v] and v not in own and v not in tiny.post]
            for extra in [(), *[(v,) for v in spare]]:
                joints = [*own, *extra]
                for parents in itertools.product([-1, *range(len(joints))], repeat=len(joints)):
                    self._lay(lamps, at, joints, parents, root, terminals, sum(p for _, p in hung), found)
        for shapes in found.values():
            shapes.sort(key=lambda s: s.least)
        self.shapes[key] = found
        return found

    def _lay(
        self,
        lamps: tuple[int, ...],
        at: list[int],
        joints: list[int],
        parents: tuple[int, ...],
        root: int,
        terminals: int,
        leads: float,
        found: dict[int, list[Shape]],
    ) -> None:
        tiny = self.tiny
        if parents.count(-1) > terminals:
            return
        order: list[int] = []
        while len(order) < len(joints):
            more = [j for j in range(len(joints)) if j not in order and (parents[j] == -1 or parents[j] in order)]
            if not more:
                return
            order += more
        hung = [tuple(lamp for lamp, node in zip(lamps, at, strict=True) if node == v) for v in joints]
        kits = 0.0
        for j, v in enumerate(joints):
            kids = parents.count(j)
            if not hung[j] and kids < 2:
                return
            if v in tiny.post:
                if hung[j] != (tiny.post[v],) or kids > 1:
                    return
                continue
            fitting = [price for ways, price in tiny.kits if ways >= 1 + kids + len(hung[j])]
            if not fitting:
                return
            kits += min(fitting)
        place = {j: i for i, j in enumerate(order)}
        up = tuple(place[parents[j]] if parents[j] >= 0 else -1 for j in order)
        choices = [self.ways.get((root if parents[j] == -1 else joints[parents[j]], joints[j]), []) for j in order]
        for laid in itertools.product(*choices):
            bits = 0
            for _, _, b in laid:
                bits |= b
            metres = tuple(length for length, _, _ in laid)
            fixed = leads + kits + sum(pulls for _, pulls, _ in laid)
            shape = Shape(
                least=fixed + sum(self._cables(up, metres, (0,) * len(up), least=True)),
                fixed=fixed,
                up=up,
                metres=metres,
                hung=tuple(hung[j] for j in order),
                posted=tuple(joints[j] in tiny.post for j in order),
            )
            found.setdefault(bits, []).append(shape)

    def _cut(self, metres: float, ends: float) -> float:
        return math.ceil(round((self.tiny.slack * metres + ends) * 10, 6)) / 10

    def _through(self, up: tuple[int, ...], gauges: tuple[int, ...]) -> list[dict[int, int]]:
        """Choices of what goes through uncut: piece -> the one below it of the same run."""
        if not self.tiny.tap:
            return [{}]
        options = []
        for i in range(len(up)):
            kids = [k for k, above in enumerate(up) if above == i and gauges[k] == gauges[i]]
            options.append([None, *kids])
        return [{i: k for i, k in enumerate(choice) if k is not None} for choice in itertools.product(*options)]

    def _cut_lengths(self, up: tuple[int, ...], metres: tuple[float, ...], through: dict[int, int]) -> list[float]:
        tiny, cuts = self.tiny, []
        uncut = set(through.values())
        for i, above in enumerate(up):
            ends = tiny.driver_end_m if above < 0 else (0.0 if i in uncut else tiny.joint_end_m)
            ends += 0.0 if i in through else tiny.joint_end_m
            cuts.append(self._cut(metres[i], ends))
        return cuts

    def _cables(
        self, up: tuple[int, ...], metres: tuple[float, ...], gauges: tuple[int, ...], least: bool
    ) -> list[float]:
        """Prices of the cables, cheapest over what goes through; ``least``: at the cheapest gauge."""
        price = [self.cheapest_m if least else self.tiny.gauges[g].price_m for g in gauges]
        best: list[float] = [math.inf]
        for through in self._through(up, gauges):
            mine = [cut * p for cut, p in zip(self._cut_lengths(up, metres, through), price, strict=True)]
            if sum(mine) < sum(best):
                best = mine
        return best

    def feeds(self, shape: Shape, box_idx: int, tap_v: float) -> list[Fed]:
        """The circuit with every gauge and protection that holds: those no other betters in price, amps and load."""
        key = (shape, box_idx, 0, tap_v)
        if key in self.fed:
            return self.fed[key]
        found: list[Fed] = []
        thickest = (len(self.tiny.gauges) - 1,) * len(shape.up)
        if not any(self._feed(shape, box_idx, tap_v, thickest, t) for t in self._through(shape.up, thickest)):
            self.fed[key] = []  # thinner copper only drops more, carries less and opens no fuse that thicker does not
            return []
        for gauges in itertools.product(range(len(self.tiny.gauges)), repeat=len(shape.up)):
            for through in self._through(shape.up, gauges):
                fed = self._feed(shape, box_idx, tap_v, gauges, through)
                if fed is not None:
                    found.append(fed)
        kept: list[Fed] = []
        for fed in sorted(found, key=lambda f: (f.price, f.amps, f.load_w)):
            if not any(k.amps <= fed.amps + 1e-12 and k.load_w <= fed.load_w + 1e-12 for k in kept):
                kept.append(fed)
        self.fed[key] = kept
        return kept

    def _feed(
        self, shape: Shape, box_idx: int, tap_v: float, gauges: tuple[int, ...], through: dict[int, int]
    ) -> Fed | None:
        tiny, box = self.tiny, self.tiny.boxes[box_idx]
        up, count = shape.up, len(shape.up)
        cuts = self._cut_lengths(up, shape.metres, through)
        uncut = set(through.values())
        ohm = []
        for i in range(count):
            ends = (0 if up[i] < 0 or i in uncut or shape.posted[up[i]] else 1) + (
                0 if i in through or shape.posted[i] else 1
            )
            ohm.append(cuts[i] * 2 * tiny.gauges[gauges[i]].core_ohm_km / 1000 + ends * tiny.end_ohm)
        lead_ohm = [0.0 if posted else LEAD_OHM + tiny.end_ohm for posted in shape.posted]
        emf_v, inner = tap_v, 0.0
        if box.wound_pct >= 0:
            emf_v, inner = tap_v * (1 + box.wound_pct / 100), box.wound_pct / 100 * tap_v**2 / box.rated_w
        volts = {lamp: emf_v for lamps in shape.hung for lamp in lamps}
        amps = [0.0] * count
        terminal_v = emf_v
        for _ in range(300):
            drawn = {lamp: self._amps(lamp, v) for lamp, v in volts.items()}
            amps = [sum(drawn[lamp] for lamp in lamps) for lamps in shape.hung]
            for i in range(count - 1, -1, -1):
                if up[i] >= 0:
                    amps[up[i]] += amps[i]
            total = sum(amps[i] for i in range(count) if up[i] < 0)
            terminal_v = emf_v - inner * total
            at = [0.0] * count
            new = {}
            for i in range(count):
                at[i] = (terminal_v if up[i] < 0 else at[up[i]]) - ohm[i] * amps[i]
                for lamp in shape.hung[i]:
                    new[lamp] = at[i] - lead_ohm[i] * drawn[lamp]
            if min(new.values()) < 3:
                return None
            moved = max(abs(new[lamp] - volts[lamp]) for lamp in new)
            volts = new
            if moved < 1e-9:
                break
        total = sum(amps[i] for i in range(count) if up[i] < 0)
        limit_v = 12 * tiny.max_drop_pct / 100
        base_v = terminal_v if tiny.drop_from == "driver" else 12.0
        if any(base_v - v > limit_v or v < 6 for v in volts.values()):
            return None
        if total > min(box.outlet_a, 0.8 * (box.breaker_a or math.inf)) or any(
            a > tiny.gauges[g].rating_a for a, g in zip(amps, gauges, strict=True)
        ):
            return None
        fuse = self._protect(shape, box, gauges, ohm, lead_ohm, emf_v, inner, total)
        if fuse is None:
            return None
        price = shape.fixed + fuse + sum(c * tiny.gauges[g].price_m for c, g in zip(cuts, gauges, strict=True))
        return Fed(price, total, terminal_v * total)

    def _amps(self, lamp: int, volts: float) -> float:
        watts = self.tiny.watts[lamp]
        return {"power": watts / volts, "current": watts / 12, "resistance": volts * watts / 144}[self.tiny.load[lamp]]

    def _protect(
        self,
        shape: Shape,
        box: Box,
        gauges: tuple[int, ...],
        ohm: list[float],
        lead_ohm: list[float],
        emf_v: float,
        inner: float,
        total: float,
    ) -> float | None:
        tiny = self.tiny
        ratings = [tiny.gauges[g].rating_a for g in gauges]
        limit_a = math.inf if box.mode == "none" else box.limit_a
        has_leads = any(lamps and not posted for lamps, posted in zip(shape.hung, shape.posted, strict=True))
        lead_held = not has_leads or limit_a <= 6
        if limit_a <= min(ratings) and (lead_held or box.mode == "hiccup"):
            return 0.0
        if box.mode == "hiccup":
            return None
        loop = [0.0] * len(ohm)
        worst = 0.0
        for i, above in enumerate(shape.up):
            loop[i] = ohm[i] + (loop[above] if above >= 0 else 0.0)
            worst = max(worst, loop[i] + (lead_ohm[i] if shape.hung[i] else 0.0))
        devices = [(rating, tiny.fuse_price) for rating in FUSES]
        if box.breaker_a is not None:
            devices.append((box.breaker_a, 0.0))
        prices = [
            price
            for rating, price in devices
            if total <= 0.8 * rating
            and rating <= min(ratings)
            and emf_v / (inner + worst) >= 3 * rating
            and limit_a >= 3 * rating
            and (lead_held or (3 * rating) ** 2 * 5 <= (115 * 0.75) ** 2)
        ]
        return min(prices) if prices else None

    def optimum(self) -> float:
        """Price of the cheapest layout."""
        tiny = self.tiny
        best = math.inf
        for split in sorted(_splits(list(range(tiny.num_lamps))), key=len):
            if any(len({tiny.group[lamp] for lamp in block}) > 1 for block in split):
                continue
            best = self._try_split([tuple(block) for block in split], best)
        return best

    def _try_split(self, split: list[tuple[int, ...]], best: float) -> float:
        tiny = self.tiny
        menus: list[list[tuple[float, int, int, int, float, Shape]]] = []
        for block in split:
            menu = []
            for supply in range(len(tiny.supplies)):
                for b, box in enumerate(tiny.boxes):
                    for bits, shapes in self.shapes_of(block, supply, box.terminal_cables).items():
                        for tap_v in box.taps_v:
                            menu += [(shape.least, bits, supply, b, tap_v, shape) for shape in shapes]
            menu.sort(key=lambda item: item[0])
            menus.append(menu)
        if not all(menus):
            return best
        rest = [sum(menu[0][0] for menu in menus[i:]) for i in range(len(menus) + 1)]

        def add(i: int, price: float, bits: int, taken: list[tuple[int, int, float, int, Fed]]) -> None:
            nonlocal best
            if i == len(menus):
                drivers = self._drivers(taken, split)
                if price + self._trench(bits) + drivers < best:
                    best = price + self._trench(bits) + drivers
                return
            for least, more, supply, b, tap_v, shape in menus[i]:
                if price + least + rest[i + 1] + self._trench(bits) >= best:
                    break
                opened = bits | more
                shown = {(s, box) for s, box, *_ in taken} | {(supply, b)}
                floor = sum(tiny.supplies[s][1] for s in {s for s, _ in shown}) + sum(
                    tiny.boxes[x].price for _, x in shown
                )
                if price + least + rest[i + 1] + self._trench(opened) + floor >= best:
                    continue
                for fed in self.feeds(shape, b, tap_v):
                    if price + fed.price + rest[i + 1] + self._trench(opened) + floor < best:
                        add(i + 1, price + fed.price, opened, [*taken, (supply, b, tap_v, i, fed)])

        add(0, 0.0, 0, [])
        return best

    def _trench(self, bits: int) -> float:
        return sum(edge[3] for e, edge in enumerate(self.tiny.edges) if bits >> e & 1)

    def _drivers(self, taken: list[tuple[int, int, float, int, Fed]], split: list[tuple[int, ...]]) -> float:
        """Least price of drivers and supply points for these circuits: every way to group them."""
        tiny = self.tiny
        best = math.inf
        for groups in _splits(list(range(len(taken)))):
            if tiny.num_drivers is not None and len(groups) != tiny.num_drivers:
                continue
            price = 0.0
            at: dict[int, int] = {}
            for group in groups:
                members = [taken[i] for i in group]
                supply, b = members[0][:2]
                box = tiny.boxes[b]
                at[supply] = at.get(supply, 0) + 1
                dims = {tiny.group[split[m[3]][0]] for m in members}
                most_a = box.rated_w / max(box.taps_v) if len(box.taps_v) > 1 or box.wound_pct >= 0 else math.inf
                if (
                    any(m[:3] != members[0][:3] for m in members)
                    or len(members) > box.outlets
                    or (len(dims) > 1 and not box.independent)
                    or sum(m[4].load_w for m in members) > box.rated_w * tiny.supplies[supply][3]
                    or sum(m[4].amps for m in members) > most_a
                ):
                    price = math.inf
                    break
                price += box.price
            if any(count > tiny.supplies[s][2] for s, count in at.items()):
                continue
            best = min(best, price + sum(tiny.supplies[s][1] for s in at))
        return best


def _splits(items: list[int]) -> list[list[list[int]]]:
    """All set partitions."""
    if not items:
        return [[]]
    head, *tail = items
    found = []
    for split in _splits(tail):
        found.append([[head], *split])
        for i in range(len(split)):
            found.append([*split[:i], [head, *split[i]], *split[i + 1 :]])
    return found
