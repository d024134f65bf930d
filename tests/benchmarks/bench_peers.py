"""The search beside others on the same ground graph, each given as long as the search took.

``python -m tests.benchmarks.bench_peers [case or number of lamps ...] [--effort E]`` prints cost and time as ratios
to the tool's own. Every layout is built into a plan and judged by the independent check; one that does not pass is no
result.

- *networkx* (Kou; Mehlhorn) and *steinerpy* know trenches only. Each gives a Steiner tree over supply points (at their
  price), trenches with the thinnest cable, and leads; the tool's own construction then hangs the lamps on that tree
  alone and chooses drivers, circuits and gauges. That is more than those packages do, and in their favour.
- *plain CP-SAT* is one model of the whole design on the whole graph (``search/design_model.py``), with two workers
  and no hint. It is given the drivers and the gauges of the tool's own plan, so that it need not choose among models.
- *by hand* are the two rules of ``by_hand.py`` with the ways cheapest to dig.
"""

from __future__ import annotations

import argparse
import dataclasses
import logging
import random
import time
from collections.abc import Callable, Iterable
from typing import Any

import numpy as np

from optimiser.check import check_plan
from optimiser.ground import Ground, build_ground
from optimiser.ground.graph import GroundGraph
from optimiser.job_folder import JobFolder, open_job
from optimiser.make_plan import Options, make_plan
from optimiser.plan.build import build_plan
from optimiser.plan.laying import CannotLay
from optimiser.plan.model import Plan
from optimiser.search.construct import construct, straighten_all
from optimiser.search.design_model import _Model
from optimiser.search.design_problem import DriverRoom, Problem, Slot
from optimiser.search.effort import Effort
from optimiser.search.facts import gather_facts
from optimiser.search.find import to_layout
from optimiser.search.layout import Layout
from optimiser.search.state import Bench, State
from optimiser.search.union_graph import union_graph

from .compare_by_hand import CASES, best_by_hand
from .make_site import make_site
from .results import Table

STARTS = 6
"""Constructions tried on a given tree; the cheapest counts."""


class NoResult(Exception):
    """Why there is no layout to compare."""


def judged(folder: JobFolder, ground: Ground, layout: Layout) -> float:
    """Price of a layout that the check passes."""
    try:
        plan = build_plan(folder, ground, layout, draft=True)
    except CannotLay as error:
        raise NoResult(str(error)) from None
    found = check_plan(plan, folder.job, folder.survey, folder.digest).violations
    if found:
        raise NoResult(found[0].sentence)
    return plan.cost.total


def net_of(folder: JobFolder, ground: Ground) -> tuple[Any, list[int], float]:
    """networkx graph of trenches, leads and supply points, its terminals, and the toll that keeps lamps leaves."""
    import networkx as nx

    facts = gather_facts(folder.job, folder.survey, ground.graph)
    graph = ground.graph
    n, root = graph.num_nodes, graph.num_nodes + graph.num_lamps
    thin = facts.slack * min(cable.price_m for cable in facts.cables)
    weight = graph.trench_price + graph.pull_price + graph.length_m * thin
    toll = float(weight.sum())
    net = nx.Graph()
    net.add_weighted_edges_from(zip(*graph.ends.T.tolist(), weight.tolist(), strict=True))
    net.add_weighted_edges_from((arc.node, n + arc.lamp, arc.price + toll) for arc in graph.leads)
    net.add_weighted_edges_from(
        (root, int(node), facts.supply_price[s] + 1e-6) for s, node in enumerate(graph.supply_node)
    )
    return net, [root, *range(n, n + graph.num_lamps)], toll


def on_tree(folder: JobFolder, ground: Ground, pairs: Iterable[tuple[int, int]]) -> float:
    """Price of the best of a few constructions on these edges and leads alone."""
    graph = ground.graph
    n = graph.num_nodes
    chosen = {(min(u, v), max(u, v)) for u, v in pairs}
    keep = np.array([(int(u), int(v)) in chosen for u, v in graph.ends])
    leads = tuple(arc for arc in graph.leads if (arc.node, n + arc.lamp) in chosen)
    fields = ("ends", "length_m", "sun_m", "trench_price", "pull_price", "capacity", "sleeve", "stub")
    thinned: dict[str, Any] = {name: getattr(graph, name)[keep] for name in fields}
    small: GroundGraph = dataclasses.replace(graph, leads=leads, **thinned)
    bench = Bench(gather_facts(folder.job, folder.survey, small), Effort(float("inf")))
    states = [
        straighten_all(bench, construct(bench, random.Random(seed), noise=0.1 * (seed > 0))) for seed in range(STARTS)
    ]
    whole = [state for state in states if state.is_whole]
    if not whole:
        raise NoResult("no layout on this tree holds")
    best = min(whole, key=lambda state: state.cost)
    return judged(folder, Ground(small, ground.land, n, small.num_edges), to_layout(bench.facts, best))


def by_networkx(folder: JobFolder, ground: Ground, method: str) -> float:
    from networkx.algorithms.approximation import steiner_tree

    net, terminals, _ = net_of(folder, ground)
    return on_tree(folder, ground, steiner_tree(net, terminals, method=method).edges)


def by_steinerpy(folder: JobFolder, ground: Ground, limit_s: float, *, exact: bool) -> float:
    try:
        from steinerpy import SteinerProblem  # type: ignore[import-not-found]
    except ImportError:
        raise NoResult("not installed: pip install steinerpy") from None
    net, terminals, _ = net_of(folder, ground)
    logging.disable(logging.WARNING)
    try:
        found = SteinerProblem(net, [terminals]).get_solution(time_limit=limit_s, exact=exact)
    except Exception as error:  # whatever a package of others raises is its result
        raise NoResult(f"{type(error).__name__}: {error}"[:90]) from None
    finally:
        logging.disable(logging.NOTSET)
    return on_tree(folder, ground, [(int(u), int(v)) for u, v in found.selected_edges])


def by_cp_sat(folder: JobFolder, ground: Ground, plan: Plan, limit_s: float) -> float:
    from ortools.sat.python import cp_model

    facts = gather_facts(folder.job, folder.survey, ground.graph)
    bench = Bench(facts, Effort(float("inf")))
    models, cables = list(folder.job.drivers), list(folder.job.cables)
    supplies = [supply.name for supply in folder.survey.supplies]
    names = [lamp.name for lamp in folder.survey.lamps]
    drivers: list[DriverRoom] = []
    at: dict[str, int] = {}
    for used in plan.drivers:
        supply = supplies.index(used.supply)
        feed = next(f for f in facts.feeds if f.model == models.index(used.model))
        at[used.id] = len(drivers)
        room = feed.max_w * facts.supply_loading[supply]
        drivers.append(DriverRoom(supply, feed.price, room, feed.max_total_a))
    slots = []
    for circuit in plan.circuits:
        driver = next(d for d in plan.drivers if d.id == circuit.driver)
        feed_idx = next(
            i
            for i, f in enumerate(facts.feeds)
            if f.model == models.index(driver.model) and abs(f.tap_v - circuit.tap_v) < 1e-9
        )
        group = facts.lamp_group[names.index(circuit.lamps[0])]
        slots.append(Slot(supplies.index(driver.supply), feed_idx, group, circuit.fuse_a, at[driver.id]))
    palette = tuple(sorted({cables.index(piece.cable) for piece in plan.cables}))
    graph = ground.graph
    nodes = set(range(graph.num_nodes))
    problem = Problem(
        lamps=list(range(facts.num_lamps)),
        leads={lamp: list(arcs) for lamp, arcs in enumerate(facts.leads_of)},
        ways=union_graph(facts, range(graph.num_edges), nodes, [0] * graph.num_edges),
        slots=slots,
        drivers=drivers,
        supply_price={s: facts.supply_price[s] for s in {slot.supply for slot in slots}},
        drivers_left=dict(enumerate(facts.supply_max_drivers)),
        palette=palette,
    )
    begin = time.perf_counter()
    built = _Model(bench, problem)
    left = limit_s - (time.perf_counter() - begin)
    solver = cp_model.CpSolver()
    solver.parameters.num_workers = 2
    solver.parameters.max_time_in_seconds = max(left, 1.0)
    status = solver.solve(built.model)
    if status not in (cp_model.OPTIMAL, cp_model.FEASIBLE):
        raise NoResult(f"none found; {len(built.model.proto.variables):,} variables")
    circuits = []
    for proposed in built.read(solver.value):
        slot = slots[proposed.slot]
        fed = bench.feed(slot.supply, slot.feed, proposed.tree, proposed.leads, palette)
        if fed is None:
            raise NoResult("its circuits do not hold")
        circuits.append(fed)
    state: State | None = bench.compose(circuits)
    if state is None or not state.is_whole:
        raise NoResult("its layout is not whole")
    return judged(folder, ground, to_layout(facts, state))


def by_hand(folder: JobFolder, ground: Ground, method: Any) -> float:
    plan, why = best_by_hand(folder, ground, method, "cheapest")
    if plan is None:
        raise NoResult(why)
    return plan.cost.total


def first_layout(folder: JobFolder, ground: Ground) -> float:
    bench = Bench(gather_facts(folder.job, folder.survey, ground.graph), Effort(float("inf")))
    state = construct(bench, random.Random(1))
    if not state.is_whole:
        raise NoResult("not whole")
    return judged(folder, ground, to_layout(bench.facts, state))


def compare(table: Table, name: str, effort: float, processes: int) -> None:
    folder = make_site(int(name)) if name.isdigit() else open_job(CASES / name)
    ground = build_ground(folder.job, folder.survey)
    begin = time.perf_counter()
    plan = make_plan(folder, Options(effort=effort, processes=processes))
    seconds = time.perf_counter() - begin
    own = plan.cost.total
    table.line(
        f"{name}: {len(folder.survey.lamps)} lamps, {ground.graph.num_nodes} nodes, {ground.graph.num_edges} edges"
    )
    table.line(f"  {'':<34}{'cost':>10} {'x own':>7} {'seconds':>8} {'x own':>7}")
    table.line(f"  {'lampspur, whole (ground refined)':<34}{own:>10.2f} {1:>7.3f} {seconds:>8.1f} {1:>7.2f}")
    peers: list[tuple[str, Callable[[], float]]] = [
        ("lampspur, first layout", lambda: first_layout(folder, ground)),
        ("networkx Kou", lambda: by_networkx(folder, ground, "kou")),
        ("networkx Mehlhorn", lambda: by_networkx(folder, ground, "mehlhorn")),
        ("steinerpy, exact", lambda: by_steinerpy(folder, ground, seconds, exact=True)),
        ("steinerpy, heuristic", lambda: by_steinerpy(folder, ground, seconds, exact=False)),
        ("plain CP-SAT", lambda: by_cp_sat(folder, ground, plan, seconds)),
        ("by hand, chain", lambda: by_hand(folder, ground, "chain")),
        ("by hand, tree", lambda: by_hand(folder, ground, "tree")),
    ]
    for peer, run in peers:
        begin = time.perf_counter()
        try:
            cost = run()
            text = f"{cost:>10.2f} {cost / own:>7.3f}"
            why = ""
        except NoResult as error:
            text, why = f"{'none':>10} {'':>7}", f"  {error}"
        spent = time.perf_counter() - begin
        table.line(f"  {peer:<34}{text} {spent:>8.1f} {spent / seconds:>7.2f}{why}")


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("names", nargs="*", default=["courtyard", "orchard", "riverside"])
    parser.add_argument("--effort", type=float, default=1.0)
    parser.add_argument("--processes", type=int, default=2)
    args = parser.parse_args()
    table = Table("peers")
    for name in args.names or ["courtyard", "orchard", "riverside"]:
        compare(table, name, args.effort, args.processes)
    table.keep()


if __name__ == "__main__":
    main()
