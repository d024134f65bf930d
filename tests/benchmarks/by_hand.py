"""Two layouts as one would draw them by hand, to measure the search against. In: job, survey, ground. Out: Layout.

(a) ``chain``: from the supply point to the nearest lamp, from there to the nearest not yet joined, and so on.
(b) ``tree``: the shortest spanning tree over the lamps, entered at the lamp nearest to the supply point.

Common to both. Every lamp is joined at its cheapest joint place and goes to its nearest supply point. Distances go
round obstacles, along the ground graph. Chain or tree is split into the largest pieces that pass all limits, each in
one gauge, the thinnest that passes, at the lowest tap that lets it; every piece has its own cable from the driver.
Driver models are tried one by one and the cheapest set is taken; circuits of a driver with several outlets share it.
Where the job's number of gauges would be passed, each set of gauges it allows is tried. Distances are either the
shortest ways round obstacles, or the cheapest to dig: whoever knows that paving is dear goes round that as well.

Same drivers, fuses, kits and prices as the search has. Nothing here is used by the tool itself.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from typing import Literal

from optimiser.ground.graph import GroundGraph
from optimiser.job import Job
from optimiser.matching import fits
from optimiser.search.layout import Circuit, DriverUse, Layout, Piece
from optimiser.survey.model import Survey
from tests.benchmarks.hand_circuit import DoesNotPass, Fed, Site, Stop, Ways, Weight, cut_at_reels, judge

Method = Literal["chain", "tree"]


Tree = tuple[tuple[int, int], ...]
"""Stops of one circuit as (stop, stop before it), -1 for the first; each comes after the one before it."""


def lay_by_hand(
    job: Job, survey: Survey, graph: GroundGraph, method: Method, weight: Weight
) -> Iterator[Layout | DoesNotPass]:
    """Layouts by one method and one sort of way, one for each set of gauges that had to be tried."""
    thick = [cable.area_mm2 for cable in job.cables.values()]
    usable = [
        i for i in sorted(range(len(thick)), key=thick.__getitem__) if thick[i] >= job.rules.min_buried_mm2 - 1e-9
    ]
    stops, lead_of = find_stops(job, survey, graph)
    starts = [stop.node for stop in stops] + graph.supply_node.tolist()
    ways = Ways(graph, weight, min(cable.price_per_m for cable in job.cables.values()), starts)
    count = min(job.rules.max_gauges, len(usable))
    first = _one_layout(Site(job, survey, graph, ways, stops, lead_of, tuple(usable)), method)
    if isinstance(first, Layout) and len({p.cable for c in first.circuits for p in c.pieces}) <= count:
        yield first
        return
    if count == len(usable):
        yield first  # no other set of gauges to try
        return
    for gauges in itertools.combinations(usable, count):
        yield _one_layout(Site(job, survey, graph, ways, stops, lead_of, gauges), method)


def _one_layout(site: Site, method: Method) -> Layout | DoesNotPass:
    try:
        return lay(site, method)
    except DoesNotPass as failure:
        return failure


def find_stops(job: Job, survey: Survey, graph: GroundGraph) -> tuple[list[Stop], list[int]]:
    """Each lamp at its cheapest joint place; lamps that share one share the stop."""
    lead_of = [-1] * graph.num_lamps
    best = [(math.inf, math.inf)] * graph.num_lamps
    for index, arc in enumerate(graph.leads):
        price = (arc.price + arc.extension_price, arc.length_m)
        if price < best[arc.lamp]:
            best[arc.lamp], lead_of[arc.lamp] = price, index
    at: dict[int, list[int]] = {}
    for lamp, lead in enumerate(lead_of):
        at.setdefault(graph.leads[lead].node, []).append(lamp)
    most_ways = max(kit.max_ways for kit in job.joints.kits.values())
    stops = [
        Stop(node, tuple(lamps), 2 if graph.post_lamp[node] >= 0 else most_ways - len(lamps))
        for node, lamps in sorted(at.items())
    ]
    return stops, lead_of


def lay(site: Site, method: Method) -> Layout:
    """The layout of one method with one set of gauges."""
    drivers: list[DriverUse] = []
    circuits: list[Circuit] = []
    for supply, parts in sorted(group_stops(site).items()):
        left = site.job.supply(site.survey.supplies[supply].name).max_drivers
        for index, members in enumerate(parts):
            used = feed_group(site, supply, members, method, left - (len(parts) - index - 1))
            left -= len(used)
            for model, group in used:
                drivers.append(DriverUse(supply, model, tuple(range(len(circuits), len(circuits) + len(group)))))
                circuits += [fed.circuit for fed in group]
                for edge in (edge for fed in group for edge in fed.sleeves):
                    site.in_sleeve[edge] = site.in_sleeve.get(edge, 0) + 1
    return Layout(tuple(drivers), tuple(circuits))


def group_stops(site: Site) -> dict[int, list[list[int]]]:
    """Stops by their nearest supply point, then by the driver models their lamps fit and by dim group."""
    nodes = site.graph.supply_node.tolist()
    parts: dict[int, dict[tuple[tuple[int, ...], str], list[int]]] = {}
    for index, stop in enumerate(site.stops):
        far = [site.ways.distance(node, stop.node) for node in nodes]
        supply = min(range(len(nodes)), key=far.__getitem__)
        lamps = [site.survey.lamps[lamp] for lamp in stop.lamps]
        models = tuple(
            m for m, model in enumerate(site.models) if all(fits(site.job.lamps[lamp.type], model) for lamp in lamps)
        )
        if not models or len({lamp.group for lamp in lamps}) > 1:
            raise DoesNotPass(f"{lamps[0].name} shares its joint place with a lamp of another kind")
        parts.setdefault(supply, {}).setdefault((models, lamps[0].group), []).append(index)
    return {supply: [group[key] for key in sorted(group)] for supply, group in parts.items()}


def feed_group(
    site: Site, supply: int, members: list[int], method: Method, most_drivers: int
) -> list[tuple[int, list[Fed]]]:
    """Cheapest drivers with their circuits for one group at one supply point, over all models that fit."""
    best: tuple[float, list[tuple[int, list[Fed]]]] | None = None
    why = ""
    lamps = [site.job.lamps[site.survey.lamps[lamp].type] for stop in members for lamp in site.stops[stop].lamps]
    for model in (m for m, driver in enumerate(site.models) if all(fits(lamp, driver) for lamp in lamps)):
        try:
            used = share_drivers(site, supply, model, split(site, supply, model, members, method))
        except DoesNotPass as failure:
            why = why or str(failure)
            continue
        if len(used) > most_drivers:
            why = f"{site.survey.supplies[supply].name} takes no {len(used)} drivers more"
            continue
        price = sum(site.models[m].price + sum(fed_price(site, fed) for fed in group) for m, group in used)
        if best is None or price < best[0]:
            best = price, used
    if best is None:
        raise DoesNotPass(why)
    return best[1]


def fed_price(site: Site, fed: Fed) -> float:
    pulls = sum(float(site.graph.pull_price[edge]) for edge in fed.sleeves)
    return fed.cable_price + pulls + (site.job.fuses.price if fed.circuit.fuse_a is not None else 0.0)


def share_drivers(site: Site, supply: int, model: int, circuits: list[Fed]) -> list[tuple[int, list[Fed]]]:
    """Circuits onto as few drivers as first-fit finds; a driver left with one circuit may be of a cheaper model."""
    driver = site.models[model]
    derating = site.job.supply(site.survey.supplies[supply].name).loading_pct / 100
    shared: list[list[Fed]] = []
    for fed in sorted(circuits, key=lambda fed: (-fed.load_w, fed.circuit.lamps)):
        for group in shared:
            together = [*group, fed]
            one_tap = driver.tap_per_outlet or len({f.circuit.tap_v for f in together}) == 1
            if (
                one_tap
                and len(together) <= driver.outlets
                and sum(f.load_w for f in together) <= driver.max_load_w * derating
                and sum(f.amps for f in together) <= driver.rated_a
                and driver.kind == "electronic"  # circuits of a wound unit sag together: left one to a unit by hand
            ):
                group.append(fed)
                break
        else:
            shared.append([fed])
    used: list[tuple[int, list[Fed]]] = []
    for group in shared:
        choice = (driver.price, model, group)
        for other, cheaper in enumerate(site.models):
            if len(group) == 1 and cheaper.price < choice[0] and other != model:
                swapped = refeed(site, group[0], other)
                saved = fed_price(site, group[0]) - fed_price(site, swapped) if swapped else 0.0
                if swapped is not None and cheaper.price - saved < choice[0]:
                    choice = (cheaper.price - saved, other, [swapped])
        used.append((choice[1], choice[2]))
    return used


def split(site: Site, supply: int, model: int, members: list[int], method: Method) -> list[Fed]:
    """Split the chain or tree of a group into the largest pieces that pass on this driver model."""
    pieces = split_chain if method == "chain" else split_tree
    return pieces(site, supply, members, lambda tree, more: feed(site, supply, model, tree, more))


Feed = Callable[[Tree, Sequence[int]], Fed | None]


def split_chain(site: Site, supply: int, members: list[int], pass_on: Feed) -> list[Fed]:
    order, at = [], int(site.graph.supply_node[supply])
    left = set(members)
    while left:
        order.append(min(left, key=lambda stop: (site.ways.distance(at, site.stops[stop].node), stop)))
        left.remove(order[-1])
        at = site.stops[order[-1]].node
    done: list[Fed] = []
    while order:
        for size in range(len(order), 0, -1):
            chain = tuple((stop, order[i - 1] if i else -1) for i, stop in enumerate(order[:size]))
            fed = pass_on(chain, [edge for other in done for edge in other.sleeves])
            if fed is not None:
                done.append(fed)
                order = order[size:]
                break
        else:
            raise DoesNotPass(f"{_lamp_name(site, order[0])} passes on no cable")
    return done


def split_tree(site: Site, supply: int, members: list[int], pass_on: Feed) -> list[Fed]:
    before = spanning_tree(site, int(site.graph.supply_node[supply]), members)
    done: list[Fed] = []
    while before:
        below: dict[int, list[int]] = {stop: [] for stop in before}
        for stop, parent in before.items():
            if parent >= 0:
                below[parent].append(stop)

        def branch(top: int, below: dict[int, list[int]] = below) -> Tree:
            found = [(top, -1)]
            for stop, _ in found:
                found += [(child, stop) for child in below[stop]]
            return tuple(found)

        branches = sorted((branch(stop) for stop in before), key=lambda tree: (-len(tree), tree))
        for tree in branches:
            fed = pass_on(tree, [edge for other in done for edge in other.sleeves])
            if fed is not None:
                done.append(fed)
                for stop, _ in tree:
                    del before[stop]
                break
        else:
            raise DoesNotPass(f"{_lamp_name(site, branches[-1][0][0])} passes on no cable")
    return done


def spanning_tree(site: Site, supply_node: int, members: list[int]) -> dict[int, int]:
    """Stop -> the one before it (-1: the first), grown by the nearest stop (Prim); no joint beyond its largest kit."""
    first = min(members, key=lambda stop: (site.ways.distance(supply_node, site.stops[stop].node), stop))
    before, cables = {first: -1}, {first: 1}
    while len(before) < len(members):
        reach = [
            (site.ways.distance(site.stops[a].node, site.stops[b].node), a, b)
            for a in before
            if cables[a] < site.stops[a].most_cables
            for b in members
            if b not in before
        ]
        if not reach:
            raise DoesNotPass("no joint of the tree takes a further cable")
        _, a, b = min(reach)
        before[b], cables[b] = a, 1
        cables[a] += 1
    return before


def _lamp_name(site: Site, stop: int) -> str:
    return site.survey.lamps[site.stops[stop].lamps[0]].name


def feed(site: Site, supply: int, model: int, tree: Tree, sleeves: Sequence[int]) -> Fed | None:
    """The tree as a circuit of this model in the thinnest single gauge and lowest tap that pass, or None."""
    driver = site.models[model]
    lamps = [lamp for stop, _ in tree for lamp in site.stops[stop].lamps]
    watts = sum(site.job.lamps[site.survey.lamps[lamp].type].watts for lamp in lamps)
    derating = site.job.supply(site.survey.supplies[supply].name).loading_pct / 100
    steady = all(site.job.lamps[site.survey.lamps[lamp].type].load == "power" for lamp in lamps)
    if steady and watts > driver.max_load_w * derating:
        return None  # known before any cable is laid
    ways: list[tuple[list[int], list[int]]] = []
    used = list(sleeves)
    for stop, parent in tree:
        frm = site.stops[parent].node if parent >= 0 else int(site.graph.supply_node[supply])
        try:
            ways.append(site.ways.path(frm, site.stops[stop].node, site.full(used)))
        except DoesNotPass:
            return None
        used += [edge for edge in ways[-1][1] if site.graph.sleeve[edge] >= 0]
    for cable in site.gauges:
        for tap_v in sorted(driver.taps_v):
            fed = try_feed(site, supply, model, tap_v, cable, tree, ways, used)
            if fed is not None:
                return fed
    return None


def refeed(site: Site, fed: Fed, model: int) -> Fed | None:
    """The same circuit on another model, in the thinnest gauge that passes there."""
    circuit = fed.circuit
    if not all(fits(site.job.lamps[site.survey.lamps[lamp].type], site.models[model]) for lamp in circuit.lamps):
        return None
    for cable in site.gauges:
        for tap_v in sorted(site.models[model].taps_v):
            pieces = tuple(replace(piece, cable=cable) for piece in circuit.pieces)
            new = judge(site, replace(circuit, model=model, tap_v=tap_v, pieces=pieces, fuse_a=None), fed.sleeves)
            if new is not None:
                return new
    return None


def try_feed(
    site: Site,
    supply: int,
    model: int,
    tap_v: float,
    cable: int,
    tree: Tree,
    ways: list[tuple[list[int], list[int]]],
    sleeves: Sequence[int],
) -> Fed | None:
    pieces: list[Piece] = []
    for nodes, edges in ways:
        cut = list(cut_at_reels(site, cable, supply, nodes, edges, starts_at_driver=not pieces))
        if not cut:
            return None
        pieces += cut
    lamps = tuple(sorted(lamp for stop, _ in tree for lamp in site.stops[stop].lamps))
    leads = tuple(site.lead_of[lamp] for lamp in lamps)
    return judge(site, Circuit(supply, model, tap_v, lamps, leads, tuple(pieces), None), sleeves)
