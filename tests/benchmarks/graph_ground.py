"""A ground graph given as nodes and edges, for public graph instances. In: edges with prices. Out: Job, Survey, Ground.

Nothing of the search is changed: only what it is given. Nodes get places that keep their distances as well as a plane
can (classical scaling), since some moves look at what lies near; a no-dig zone over everything keeps the refinement
from adding places, for which a graph without a ground has no prices. Lamps hang on their node by a lead of no price.
Voltage, kits and drivers never bind.
"""

from __future__ import annotations

import io
from dataclasses import dataclass

import numpy as np
from shapely import Polygon

from optimiser.ground import Ground
from optimiser.ground.graph import GroundGraph, LeadArc, NodeKind
from optimiser.ground.zones import Land
from optimiser.job import Job
from optimiser.read_job import read_job
from optimiser.search.find import Found, Options, find_layout
from optimiser.search.layout import Layout
from optimiser.survey.model import Lamp, SupplyPoint, Survey, Zone

AMPS = 0.01
"""Current of one unit of demand, in A: so little that no voltage limit can bind."""
SPARE_A = 0.004
"""The search keeps 2 mA inside an outlet's amps."""
PENALTY_EDGE = 1000.0
"""Trench price of a blind edge at the root: the search takes its penalties' size from trench and driver prices."""


@dataclass(frozen=True)
class GraphProblem:
    """
    A rooted problem on a graph.

    Attributes
    ----------
    num_nodes
        Nodes 0 … n - 1.
    ends
        (m, 2) nodes of each edge.
    trench
        (m,) price of using an edge at all, once.
    length
        (m,) price of a cable of level 0 in it, for each cable.
    root
        Node of the supply point.
    demand
        Demand of each node that must be joined, by node.
    levels
        (capacity, price factor) of each cable; one cable without limit where None is given.
    outlet
        Most demand below one edge at the root.
    toll
        Price for each cable in each edge, whatever its level.
    """

    num_nodes: int
    ends: np.ndarray
    trench: np.ndarray
    length: np.ndarray
    root: int
    demand: dict[int, int]
    levels: tuple[tuple[float, float], ...] = ((np.inf, 1.0),)
    outlet: float = np.inf
    toll: float = 0.0
    scale_m: float = 1.0
    """Metres of cable that stand for one unit of ``length``: cables are cut to 0.1 m."""


def as_garden(problem: GraphProblem) -> tuple[Job, Survey, Ground]:
    """The problem as the search's own input."""
    nodes = sorted(problem.demand)
    job = read_job(_job_text(problem).encode(), "job.toml", {})
    xy = _places(problem)
    low, high = xy.min(axis=0) - 10, xy.max(axis=0) + 10
    cover = Polygon([(low[0], low[1]), (high[0], low[1]), (high[0], high[1]), (low[0], high[1])])
    survey = Survey(
        lamps=tuple(Lamp(f"L{v}", f"d{problem.demand[v]}", (*xy[v].tolist(), 0.0)) for v in nodes),
        supplies=(SupplyPoint("S", (*xy[problem.root].tolist(), 0.0)),),
        zones=(Zone("all", "solid", cover, 0.0),),
    )
    blind = problem.num_nodes
    ends = np.vstack([np.sort(problem.ends, axis=1), [[problem.root, blind]]])
    m, n = len(ends), problem.num_nodes + 1
    kind = np.full(n, NodeKind.FOOT, dtype=np.int64)
    kind[problem.root] = NodeKind.SUPPLY
    may_joint = np.ones(n, dtype=bool)
    may_joint[problem.root] = may_joint[blind] = False
    graph = GroundGraph(
        xyz=np.column_stack([np.vstack([xy, xy[problem.root] + 1]), np.zeros(n)]),
        kind=kind,
        may_joint=may_joint,
        post_lamp=np.full(n, -1),
        ends=ends.astype(np.int64),
        length_m=np.append(problem.length * problem.scale_m, 1.0),
        sun_m=np.zeros(m),
        trench_price=np.append(problem.trench, PENALTY_EDGE).astype(float),
        pull_price=np.append(np.full(m - 1, problem.toll), 0.0),
        capacity=np.full(m, 1_000_000),
        sleeve=np.full(m, -1),
        stub=np.zeros(m, dtype=bool),
        supply_node=np.array([problem.root]),
        leads=tuple(LeadArc(i, v, 0.0, 0.0) for i, v in enumerate(nodes)),
        num_lamps=len(nodes),
    )
    return job, survey, Ground(graph, Land(job, survey), n, m)


def find(problem: GraphProblem, effort: float, seed: int = 1) -> tuple[Layout, Found]:
    """Search it with the tool's own search."""
    job, survey, ground = as_garden(problem)
    found = find_layout(job, survey, ground, Options(effort=effort, seed=seed), _confirm, _Silent(), lambda: False)
    if isinstance(found, frozenset):
        raise RuntimeError(f"no layout found; {len(found)} lamps left out")
    assert found.ground.graph.num_edges == ground.graph.num_edges, "the graph must stay as it was given"
    return found.layout, found


def arcs_of(layout: Layout) -> list[tuple[int, int, int, int]]:
    """(edge, from, to, cable) of every cable in every edge."""
    return [
        (edge, piece.nodes[i], piece.nodes[i + 1], piece.cable)
        for circuit in layout.circuits
        for piece in circuit.pieces
        for i, edge in enumerate(piece.edges)
    ]


class _Silent:
    def stage(self, name: str) -> None: ...

    def best(self, cost: float) -> None: ...

    def bound(self, bound: float) -> None: ...


def _confirm(layout: Layout, ground: Ground) -> bool:
    """There is no plan to check: whoever calls judges the result by the published model's own rules."""
    return True


def _job_text(problem: GraphProblem) -> str:
    text = io.StringIO()
    text.write(
        'title = "graph"\nbase_ground = "lawn"\n'
        '[voltage]\nmax_drop = "off"\n'
        "[slack]\nper_cent = 0\njoint_end_m = 0\ndriver_end_m = 0\n"
        '[grounds.lawn]\nper_m = 1\n[grounds.solid]\nkind = "no_dig"\nkeep_off_m = 0\n'
        "[joints]\nend_ohm = 0\n[joints.kits.any]\nmax_ways = 12\nmax_mm2 = 16\nprice = 0\n"
        f"[rules]\nmax_gauges = {len(problem.levels)}\n"
    )
    outlet = "" if np.isinf(problem.outlet) else f"outlet_a = {problem.outlet * AMPS + SPARE_A!r}\n"
    text.write(
        "[drivers.box]\ntaps_v = [12]\nrated_w = 1000000\noutlets = 32\nprice = 0\nterminal_mm2 = 16\n"
        f"terminal_cables = 1\nlimit_a = 0.001\nlimit_mode = 'hiccup'\nshort_rms_a = 0.001\n{outlet}"
    )
    text.write("[supplies.S]\nprice = 0\nmax_drivers = 20\n")
    for i, (capacity, factor) in enumerate(problem.levels):
        rating = 80.0 if np.isinf(capacity) else capacity * AMPS + SPARE_A
        text.write(
            f"[cables.level{i}]\nmm2 = 16\nprice_per_m = {factor / problem.scale_m!r}\nreels_m = [10000000]\n"
            f"rating_a = {rating!r}\n"
        )
    for demand in sorted(set(problem.demand.values())):
        text.write(
            f"[lamps.d{demand}]\nload = 'current'\nwatts = {12 * AMPS * demand!r}\nvolts = 12\nwindow_v = [0.5, 30]\n"
        )
    return text.getvalue()


def _places(problem: GraphProblem) -> np.ndarray:
    """(n, 2) places whose distances are near those along the graph; only the moves' sense of nearness hangs on them."""
    from scipy.sparse import csr_matrix
    from scipy.sparse.csgraph import dijkstra

    n = problem.num_nodes
    price = problem.trench + problem.length + 1e-6
    i, j = problem.ends.T
    away = dijkstra(csr_matrix((price, (i, j)), shape=(n, n)), directed=False)
    away[np.isinf(away)] = away[np.isfinite(away)].max()
    centre = np.eye(n) - 1 / n
    values, vectors = np.linalg.eigh(-0.5 * centre @ away**2 @ centre)
    xy = vectors[:, -2:] * np.sqrt(np.maximum(values[-2:], 0))
    xy *= np.sign(xy[np.abs(xy).argmax(axis=0), [0, 1]])
    return np.asarray(np.round(xy, 3))


def tolls_needed(cost: np.ndarray, root: int) -> float:
    """
    The toll that makes passing a node unjoined never pay, in a complete graph with these costs.

    The published spanning tree models know no passing: every node that a link reaches is joined. In any layout whose
    cables all end at the next node there is one cable for each lamp, so a toll for each cable in each edge adds the
    same (toll x lamps) to all of them. A cable that passes v between u and w pays one toll more than the straight
    link u-w, or than a link of its own from the root to w, which is always allowed; a toll of the greatest min(c(u,
    w), c(root, w))
    - c(u, v) - c(v, w) therefore makes passing never cheaper, and no rule of the search need be touched.
    """
    n = len(cost)
    straight = np.minimum(cost, cost[root][None, :])
    detour = np.full((n, n), np.inf)
    for v in range(n):
        by = cost[:, v][:, None] + cost[v][None, :]
        by[v, :] = by[:, v] = np.inf
        detour = np.minimum(detour, by)
    excess = straight - detour
    np.fill_diagonal(excess, -np.inf)
    return float(max(0.0, excess.max())) + 0.01


def pairs_worth(cost: np.ndarray, root: int) -> np.ndarray:
    """
    (m, 2) links of a complete graph that an optimal tree may need.

    A link u-w no cheaper than both links from the root can be left out: whichever of the two hangs on the other hangs
    on the root for no more, which only lightens the rest.
    """
    i, j = np.triu_indices(len(cost), 1)
    keep = (i == root) | (j == root) | (cost[i, j] < np.maximum(cost[root, i], cost[root, j]))
    return np.column_stack([i[keep], j[keep]])
