"""What one circuit costs and whether it holds. In: a tree on the ground graph, a feed, a palette. Out: Fed, or None.

A tree is a mapping node -> parent node from the supply's node outwards, and a lead arc for each lamp. The gauges are
chosen by dynamic programming on currents at estimated voltages; then the constant-power state is solved by sweeping
the tree (backward for currents, forward for volts) and every limit is judged on that state. The published verdict is
the electrics stage's own: this one only has to be quick and never laxer.
"""

from __future__ import annotations

import math
import operator
from collections.abc import Iterable
from dataclasses import dataclass, fields
from functools import cached_property
from typing import Any, NamedTuple

import numpy as np

from .facts import KEEP_A, KEEP_V, LOAD_POWER, Facts, Feed
from .forks import pass_forks
from .gauges import PieceTree, choose_gauges, choose_gauges_exactly
from .trace import Traced, trace
from .tree import Tree
from .ways import Ways

SAG = 1.3
"""Few circuits draw more than this times what their lamps draw at the terminals' volts: fuses beyond are not tried."""

NEAR_LOW = 1.3
"""Where the window leaves this times the drop allowed, the lowest source is not tried: the drop rule binds first."""


@dataclass(frozen=True, eq=False)
class Fed:
    """One circuit, priced and found sound."""

    supply: int
    feed: int
    palette: tuple[int, ...]
    tree: Tree
    leads: dict[int, int]
    """lamp -> lead arc."""
    edges: tuple[int, ...]
    pieces: tuple[tuple[int, tuple[int, ...]], ...]
    """(cable, nodes from the driver's side)."""
    amps: float
    load_w: float
    start: tuple[float, float]
    """Inrush in A and input capacitance in µF of its lamps."""
    price: float
    """Cable, joints, fuse, sleeves' pulls and leads; trench and driver apart."""
    fuse_a: float | None
    margin_v: float
    group: str

    def __getstate__(self) -> dict[str, Any]:
        """Without what is worked out when first asked for: sets made anew may list their members in another order."""
        return {f.name: self.__dict__[f.name] for f in fields(self)}

    @cached_property
    def edge_set(self) -> frozenset[int]:
        """Its edges, each once."""
        return frozenset(self.edges)

    @cached_property
    def edge_array(self) -> np.ndarray:
        """Its edges, to count cables with."""
        return np.array(self.edges, dtype=np.intp)


def key_of(supply: int, feed: int, palette: tuple[int, ...], tree: Tree, leads: dict[int, int]) -> tuple[object, ...]:
    """What a circuit's price depends on, hashable."""
    return supply, feed, palette, frozenset(tree.items()), frozenset(leads.items())


def feed_circuit(
    facts: Facts,
    ways: Ways,
    supply: int,
    feed_idx: int,
    palette: tuple[int, ...],
    tree: Tree,
    leads: dict[int, int],
    *,
    exactly: bool = False,
) -> Fed | None:
    """
    Price a circuit with its best gauges and protection, or None where it cannot hold.

    Parameters
    ----------
    facts, ways
        Look-ups of the job.
    supply, feed_idx, palette
        Where it starts, on what, with which cables.
    tree, leads
        The arborescence on graph nodes and the lead arc of each lamp.
    exactly
        Settle the currents and choose gauges without rounding: slower, for layouts worth finishing.
    """
    traced = trace(facts, ways, facts.roots[supply], tree, leads)
    if traced is None:
        return None
    thin = min(palette, key=lambda k: facts.cables[k].price_m)
    passed = pass_forks(facts, ways, traced, facts.cables[thin].price_m)
    best = None
    if passed is not None:
        best = feed_traced(facts, supply, feed_idx, palette, tree, passed, None, leads, exactly=exactly)
        if best is not None and all(cable == thin for cable, _ in best.pieces):
            return best
    # Without a fork passed, or with thicker cable than was reckoned with: joints at all forks may be cheaper.
    joined = feed_traced(facts, supply, feed_idx, palette, tree, traced, None, leads, exactly=exactly)
    return best if joined is None or (best is not None and best.price <= joined.price) else joined


def feed_traced(
    facts: Facts,
    supply: int,
    feed_idx: int,
    palette: tuple[int, ...],
    tree: Tree,
    traced: Traced,
    walks: tuple[tuple[int, ...], ...] | None,
    leads: dict[int, int],
    *,
    exactly: bool = False,
) -> Fed | None:
    """
    ``feed_circuit`` of pieces already cut; ``walks`` holds the nodes of each (None: ``traced`` does).

    Pieces may pass a node twice or lie side by side: what is priced is the pieces, ``tree`` is only handed on.
    """
    feed = facts.feeds[feed_idx]
    types = {facts.lamp_type[lamp] for lamp in leads}
    for t in types:
        if not feed.serves[t]:
            return None
    if traced.root_kids > feed.terminal_cables:
        return None
    groups = {facts.lamp_group[lamp] for lamp in leads}
    if len(groups) != 1:
        return None
    flow = _Flow(facts, feed_idx, traced, leads)
    max_w = feed.max_w * facts.supply_loading[supply]
    least_amps = flow.total_amps(feed.out_v)
    if least_amps > min(feed.max_a, feed.max_total_a) or feed.out_v * least_amps > max_w:
        return None
    start = start_of(facts, leads)
    if start[0] > feed.max_start[0] or start[1] > feed.max_start[1]:
        return None

    best: tuple[float, _Gauges, float | None] | None = None
    for min_rating, fuse_a, fuse_price, max_fault_ohm in protections(facts, feed, least_amps, leads):
        if fuse_a is not None and best is not None and best[2] is not None:
            continue  # a smaller fuse does
        found = _best_gauges(facts, feed, supply, palette, traced, flow, min_rating, max_fault_ohm, exactly)
        if found is None:
            continue
        if found.amps > min(feed.max_a, feed.max_total_a) or found.load_w > max_w:
            continue
        by_device = max_fault_ohm < math.inf  # then the least rating is a fuse's or breaker's
        if by_device and found.amps > facts.fuse_load * min_rating - KEEP_A:
            continue
        if best is None or found.price + fuse_price < best[0]:
            best = (found.price + fuse_price, found, fuse_a)
    if best is None:
        return None
    price, gauges, fuse_a = best
    cables = gauges.cables
    joints = _joints_price(facts, traced, cables)
    if joints is None:
        return None
    price += joints
    if facts.has_pulls:
        for edge in traced.edges:
            price += facts.pull[edge]
    lead_price = facts.lead_price
    for arc in leads.values():
        price += lead_price[arc]
    return Fed(
        supply=supply,
        feed=feed_idx,
        palette=palette,
        tree=tree,
        leads=leads,
        edges=tuple(traced.edges),
        pieces=tuple(zip(cables, traced.walks if walks is None else walks, strict=True)),
        amps=gauges.amps,
        load_w=gauges.load_w,
        start=start,
        price=price,
        fuse_a=fuse_a,
        margin_v=gauges.margin_v,
        group=next(iter(groups)),
    )


def start_of(facts: Facts, lamps: Iterable[int]) -> tuple[float, float]:
    """Inrush in A and input capacitance in µF of these lamps together."""
    if not facts.states_start:
        return 0.0, 0.0
    stated = [facts.lamp_start[lamp] for lamp in lamps]
    return math.fsum(amps for amps, _ in stated), math.fsum(farads for _, farads in stated)


class _Flow:
    """The constant-power state of one traced tree, swept to convergence."""

    def __init__(self, facts: Facts, feed_idx: int, traced: Traced, leads: dict[int, int]) -> None:
        self.facts = facts
        self.ac = facts.feed_ac[feed_idx]
        self.above = traced.above
        self.lamps: list[int] = []
        self.piece: list[int] = []
        """Piece at whose far end each lamp hangs."""
        self.lead_ohm: list[float] = []
        """Loop resistance of each lamp's lead with its ends, hot."""
        self.fault_lead_ohm: list[tuple[int, float]] = []
        lead_ohm = facts.lead_ohm
        for piece, lamps in enumerate(traced.lamps):
            for lamp in lamps:
                hot, fault = lead_ohm[leads[lamp]]
                self.lamps.append(lamp)
                self.piece.append(piece)
                self.lead_ohm.append(hot)
                self.fault_lead_ohm.append((piece, fault))
        self.types = [facts.lamp_type[lamp] for lamp in self.lamps]
        self.watts = [facts.lamp_watts[lamp] for lamp in self.lamps]
        self.only_power = all(facts.type_load[t] == LOAD_POWER for t in set(self.types))
        self.factor = [facts.type_factor_ac[t] for t in self.types] if self.ac else [1.0] * len(self.types)

    def lamp_amps(self, volts: list[float]) -> list[float]:
        """Current that each lamp draws at its voltage, in A."""
        if self.only_power:
            return [w / (v * f) for w, v, f in zip(self.watts, volts, self.factor, strict=True)]
        facts, ac = self.facts, self.ac
        return [facts.lamp_amps(lamp, v, ac) for lamp, v in zip(self.lamps, volts, strict=True)]

    def total_amps(self, volts: float) -> float:
        """Current of all lamps at this voltage, in A: the least they can draw for constant power."""
        return sum(self.lamp_amps([volts] * len(self.lamps)))

    def piece_amps(self, lamp_amps: list[float]) -> list[float]:
        """Current in each piece, in A."""
        above = self.above
        amps = [0.0] * (len(above) + 1)  # the last one is the driver's: what has no piece above adds up there
        for piece, drawn in zip(self.piece, lamp_amps, strict=True):
            amps[piece] += drawn
        for piece in range(len(above) - 1, 0, -1):
            amps[above[piece]] += amps[piece]
        amps.pop()
        return amps

    def solve(
        self, source_v: float, ohm: list[float], start: list[float]
    ) -> tuple[list[float], list[float], list[float]] | None:
        """Volts at each lamp, lamp amps and piece amps; None past collapse. ``start`` holds first guesses of volts."""
        above, at_piece, lead_ohm = self.above, self.piece, self.lead_ohm
        volts = start
        at_joint = [source_v] * (len(above) + 1)  # the last one is the driver's
        for _ in range(200):
            drawn = self.lamp_amps(volts)
            amps = self.piece_amps(drawn)
            for piece, up in enumerate(above):
                at_joint[piece] = at_joint[up] - ohm[piece] * amps[piece]
            new = [at_joint[piece] - r * i for piece, r, i in zip(at_piece, lead_ohm, drawn, strict=True)]
            if min(new) < 0.3 * source_v:
                return None
            moved = max(map(abs, map(operator.sub, new, volts)))
            volts = new
            if moved < 1e-6:
                return volts, drawn, amps
        return None


def protections(
    facts: Facts, feed: Feed, amps: float, leads: dict[int, int]
) -> list[tuple[float, float | None, float, float]]:
    """Ways to protect: (least cable rating, fuse, its price, greatest fault loop ohm); see the rules of account."""
    if feed.hub:  # one for all cables of the hub
        amps = feed.hub_a
    types = {facts.lamp_type[lamp] for lamp in leads}
    lead_kinds = {facts.type_lead[t] for t in types}
    found: list[tuple[float, float | None, float, float]] = []
    safe_without = all(
        feed.limit_a <= rating or (feed.limit_mode in ("hiccup", "foldback", "latch") and feed.short_rms_a <= rating)
        for _, rating in lead_kinds
    )
    if feed.limit_a < math.inf and safe_without:
        found.append((feed.limit_a, None, 0.0, math.inf))
    if feed.limit_mode in ("hold", "none"):
        devices: list[tuple[float, float | None, float]] = []
        if feed.breaker_a is not None:
            devices.append((feed.breaker_a, None, 0.0))
        devices += [(rating, rating, facts.fuse_price) for rating in facts.fuse_ratings]
        for rating, fuse_a, price in devices:
            if amps > facts.fuse_load * rating - KEEP_A or feed.limit_a < facts.open_factor * rating:
                continue
            opens_in_time = all(
                feed.limit_a <= lead_a or (facts.open_factor * rating) ** 2 * facts.open_s <= (115 * mm2) ** 2
                for mm2, lead_a in lead_kinds
            )
            if not opens_in_time:
                continue
            max_ohm = feed.source_low_v / (facts.open_factor * rating * 1.0005) - feed.internal_ohm - feed.hub_ohm
            if max_ohm > 0:
                found.append((rating, fuse_a, price, max_ohm))
                if fuse_a is not None and SAG * amps <= facts.fuse_load * rating:
                    break  # a larger fuse is never easier to open nor kinder to cables
    return found


class _Gauges(NamedTuple):
    """Cables of all pieces, and what follows from them."""

    cables: list[int]
    price: float
    amps: float
    load_w: float
    margin_v: float


def _best_gauges(
    facts: Facts,
    feed: Feed,
    supply: int,
    palette: tuple[int, ...],
    traced: Traced,
    flow: _Flow,
    min_rating: float,
    max_fault_ohm: float,
    exactly: bool,
) -> _Gauges | None:
    """The cheapest cables that hold, or None."""
    stated_v, lowest_v = feed.budget_v, feed.low_budget_v
    budgets = [min(stated_v[t], lowest_v[t]) for t in flow.types]
    low_case = any(lowest_v[t] < stated_v[t] for t in set(flow.types))
    source_v = feed.low_v if low_case else feed.out_v
    most = max(budgets)
    volts = [source_v - 0.7 * b for b in budgets]
    scale = 1.0
    drawn = flow.lamp_amps(volts)
    amps = flow.piece_amps(drawn)
    options = _options(facts, supply, palette, feed, traced, min_rating, amps)
    if options is None:
        return None
    by_device = max_fault_ohm < math.inf
    if by_device:
        least = [min([_fault_ohm(facts, option) for option in mine]) for mine in options]
        if _worst_fault_ohm(traced, flow, least) > max_fault_ohm:
            return None  # no cable is thick enough
    best: _Gauges | None = None
    for attempt in range(9 if exactly else 5):
        need = [-math.inf] * len(traced.above)
        for piece, lead_ohm, i, b in zip(flow.piece, flow.lead_ohm, drawn, budgets, strict=True):
            need_v = (most - b) * scale + lead_ohm * i
            if need_v > need[piece]:
                need[piece] = need_v
        tree = PieceTree(traced.above, options, amps, need, most * scale)
        chosen = (choose_gauges_exactly if exactly else choose_gauges)(tree)
        if chosen is None:
            # Currents at the estimate may be too high: try once with the least the lamps could draw.
            if attempt == 0:
                volts = [source_v - 0.4 * b for b in budgets]
                drawn = flow.lamp_amps(volts)
                amps = flow.piece_amps(drawn)
                continue
            break
        ohm = [mine[c][2] for mine, c in zip(options, chosen, strict=True)]
        state = flow.solve(source_v, ohm, volts)
        if state is None:
            scale *= 0.9
            continue
        fault = _worst_fault_ohm(traced, flow, _fault_ohms(facts, options, chosen)) if by_device else 0.0
        if fault > max_fault_ohm:  # thick enough for the drop, not to open the fuse or breaker
            opening = _gauges_that_open(facts, traced, flow, options, max_fault_ohm)
            if opening is None:
                return best
            chosen = [
                min(pair, key=lambda c: options[i][c][2]) for i, pair in enumerate(zip(chosen, opening, strict=True))
            ]
            ohm = [options[i][c][2] for i, c in enumerate(chosen)]
            state = flow.solve(source_v, ohm, state[0])
            fault = _worst_fault_ohm(traced, flow, _fault_ohms(facts, options, chosen))
            if state is None:
                scale *= 0.9
                continue
        new_volts, new_drawn, new_amps = state
        spent = max([(source_v - v) / b for v, b in zip(new_volts, budgets, strict=True)])
        fits = spent <= 1.0 and fault <= max_fault_ohm
        cables = [mine[c][0] for mine, c in zip(options, chosen, strict=True)]
        judged = None
        if fits:
            stated = flow.solve(feed.out_v, ohm, new_volts) if low_case else state
            judged = _judge(facts, feed, traced, flow, cables, ohm, stated, low_case)
        if judged is not None:
            price = sum([mine[c][1] for mine, c in zip(options, chosen, strict=True)])
            margin = min([b - (source_v - v) for v, b in zip(new_volts, budgets, strict=True)]) + KEEP_V
            if best is None or price < best.price - 1e-9:
                best = _Gauges(cables, price, *judged, margin)
            if not exactly or attempt >= 4:
                break
            if max(abs(a - b) for a, b in zip(amps, new_amps, strict=True)) < 1e-4:
                break
            volts, drawn, amps = new_volts, new_drawn, new_amps  # settle: choose again at the true currents
            continue
        volts, drawn, amps = new_volts, new_drawn, new_amps
        if best is not None:
            break
        if spent > 1.0:
            scale *= min(0.995, 1 / spent)
        else:
            scale *= 0.97
    return best


def _judge(
    facts: Facts,
    feed: Feed,
    traced: Traced,
    flow: _Flow,
    cables: list[int],
    ohm: list[float],
    stated: tuple[list[float], list[float], list[float]] | None,
    low_case: bool,
) -> tuple[float, float] | None:
    """
    Most amps and load in W of a circuit with these cables; None where a case breaks that did not lead their choice.

    Gauges are chosen by the drop at the stated source, or at the lowest (``low_case``) where that binds more; here both
    are judged. A wound source behind less than its full load stands higher, where all but constant-power lamps draw
    more: with such lamps the circuit is judged besides as if it were alone on its driver.
    """
    if stated is None:
        return None
    types = flow.types
    cases = [(feed.out_v, feed.budget_v, stated)]
    if not low_case and any(feed.low_budget_v[t] < NEAR_LOW * feed.budget_v[t] for t in set(types)):
        low = flow.solve(feed.low_v, ohm, stated[0])
        if low is None or any(feed.low_v - v > feed.low_budget_v[t] for v, t in zip(low[0], types, strict=True)):
            return None
    if feed.internal_ohm > 0 and not flow.only_power:
        alone_v = feed.emf_v - feed.internal_ohm * sum(stated[1])
        alone = flow.solve(alone_v, ohm, stated[0])
        if alone is None:
            return None
        no_limit = (math.inf,) * len(feed.budget_v)
        cases.append((alone_v, feed.budget_v if facts.drop_from_driver else no_limit, alone))
    for source_v, budget, (volts, _, amps) in cases:
        for v, t in zip(volts, types, strict=True):
            if source_v - v > budget[t]:
                return None
        for k, factor, sun, i in zip(cables, traced.factor, traced.sun, amps, strict=True):
            if i > facts.cables[k].rating_a * (facts.sun_factor if sun > 0 else 1.0) * factor:
                return None
    return max(sum(drawn) for _, _, (_, drawn, _) in cases), max(v * sum(drawn) for v, _, (_, drawn, _) in cases)


def _options(
    facts: Facts,
    supply: int,
    palette: tuple[int, ...],
    feed: Feed,
    traced: Traced,
    min_rating: float,
    amps: list[float],
) -> list[list[tuple[int, float, float]]] | None:
    """Cables each piece may be, with price and hot loop ohm."""
    options: list[list[tuple[int, float, float]]] = []
    posts, known = facts.post, facts.gauge_options
    for i, above in enumerate(traced.above):
        far_post = posts[traced.far[i]]
        near_post = posts[traced.start[i]] if above >= 0 else -1
        ends = (far_post < 0) + (above >= 0 and near_post < 0)
        most_mm2 = math.inf if above >= 0 else feed.terminal_mm2
        for post in (far_post, near_post):
            if post >= 0:
                most_mm2 = min(most_mm2, facts.type_terminal_mm2[facts.lamp_type[post]])
        start_end_m = facts.start_end_m(supply, feed) if above < 0 else facts.joint_end_m
        length, sun, factor = traced.length[i], traced.sun[i], traced.factor[i]
        key = (length, sun, ends, start_end_m, most_mm2, palette)
        found = known.get(key)
        if found is None:
            if len(known) > 60_000:
                known.clear()
            found = known[key] = _piece_options(facts, palette, length, sun, ends, start_end_m, most_mm2)
        mine, rating = found
        need_a = max(min_rating, amps[i]) - 1e-9
        if not mine:
            return None
        if min(rating) * factor < need_a:
            mine = [option for option, a in zip(mine, rating, strict=True) if a * factor >= need_a]
            if not mine:
                return None
        options.append(mine)
    return options


def _piece_options(
    facts: Facts,
    palette: tuple[int, ...],
    length: float,
    sun: float,
    ends: int,
    start_end_m: float,
    most_mm2: float,
) -> tuple[list[tuple[int, float, float]], list[float]]:
    """Cables up to a size that a piece may be, with price and hot loop ohm, whatever it carries; and their ratings."""
    mine: list[tuple[int, float, float]] = []
    rating: list[float] = []
    raw = facts.slack * length + facts.joint_end_m
    raw += start_end_m
    share = sun / length if length > 0 else 0.0
    for k in palette:
        cable = facts.cables[k]
        if cable.area_mm2 > most_mm2 + 1e-9:
            continue
        cut = math.ceil(raw * 10 - 1e-6) / 10
        joints, more_ends = 0, 0
        if cut > cable.reel_m:
            joints = math.ceil((cut - 2 * facts.joint_end_m) / (cable.reel_m - 2 * facts.joint_end_m) - 1e-9) - 1
            joints = max(joints, 1)
            cut += joints * (2 * facts.joint_end_m + 0.1)
            more_ends = 2 * joints
        ohm = cut * ((1 - share) * cable.hot_ohm + share * cable.sun_ohm) + (ends + more_ends) * facts.end_ohm
        price = cut * cable.price_m
        if joints:
            price += joints * facts.joint_price(2, cable.area_mm2, cable.area_mm2)
        mine.append((k, price, ohm))
        rating.append(cable.rating_a * (facts.sun_factor if sun > 0 else 1.0))
    return mine, rating


def _fault_ohm(facts: Facts, option: tuple[int, float, float]) -> float:
    """What a piece adds to a fault loop if it is this cable, in ohm; contacts are scaled too: on the safe side."""
    k, _, ohm = option
    cable = facts.cables[k]
    return ohm * cable.fault_ohm / min(cable.hot_ohm, cable.fault_ohm)


def _fault_ohms(facts: Facts, options: list[list[tuple[int, float, float]]], chosen: list[int]) -> list[float]:
    """What each piece adds to a fault loop as it is chosen, in ohm."""
    return [_fault_ohm(facts, mine[c]) for mine, c in zip(options, chosen, strict=True)]


def _worst_fault_ohm(traced: Traced, flow: _Flow, fault_ohms: list[float]) -> float:
    """Greatest fault loop resistance to any far end of a cable or lead, in ohm; ``fault_ohms`` has each piece's own."""
    reach = [0.0] * (len(fault_ohms) + 1)  # the last one is the driver's
    for i, (above, own) in enumerate(zip(traced.above, fault_ohms, strict=True)):
        reach[i] = own + reach[above]
    return max([*reach, *[reach[piece] + lead_ohm for piece, lead_ohm in flow.fault_lead_ohm]])


def _gauges_that_open(
    facts: Facts,
    traced: Traced,
    flow: _Flow,
    options: list[list[tuple[int, float, float]]],
    max_fault_ohm: float,
) -> list[int] | None:
    """The cheapest gauges with which a short at any far end opens the fuse: ohms are shared out like volts."""
    need = [0.0] * len(traced.above)
    for piece, lead_ohm in flow.fault_lead_ohm:
        need[piece] = max(need[piece], lead_ohm)
    ohms = [[(option[0], option[1], _fault_ohm(facts, option)) for option in mine] for mine in options]
    return choose_gauges_exactly(PieceTree(traced.above, ohms, [1.0] * len(ohms), need, max_fault_ohm))


def _joints_price(facts: Facts, traced: Traced, cables: list[int]) -> float | None:
    """Kits of all joints by their ways and sizes; None where no kit takes them, or a post more than two cables."""
    area = [facts.cables[k].area_mm2 for k in cables]
    sizes = [[mm2] for mm2 in area]
    for mm2, above in zip(area, traced.above, strict=True):
        if above >= 0:
            sizes[above].append(mm2)
    total = 0.0
    for meets, far, lamps in zip(sizes, traced.far, traced.lamps, strict=True):
        if facts.post[far] >= 0:
            if len(meets) > 2:
                return None
            continue
        for lamp in lamps:
            meets.append(facts.type_lead[facts.lamp_type[lamp]][0])
        price = facts.joint_price(len(meets), min(meets), max(meets))
        if price == math.inf:
            return None
        total += price
    return total
