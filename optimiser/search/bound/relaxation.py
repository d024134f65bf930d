"""The linear relaxation whose value no layout undercuts. In: Facts, Loads. Out: Relaxation: columns and fixed rows.

Proof that every layout gives a solution that costs no more than the layout does:

Columns. ``y`` of an arc: the arc belongs to a chosen arborescence of opened trench. ``xc``, ``xs`` of an arc: cables
laid along it that go on unjoined, that start at a joint at its tail. ``xr``: cables that start at a driver. ``z``:
joints, by size class; each is the far end of exactly one cable (a circuit is a tree of joints). ``stack``: cables
from a joint to another joint at the same place. ``lead``: a lamp's lead to a joint. ``u``: supply point used; ``d``:
drivers of a model (and, unless the model mixes them, of a dim group); ``q``, ``r``: circuits and cables that leave
them; ``a``: a lamp fed by them.

Take a layout. Count its cables on each arc in the direction away from the driver, its joints in the smallest class
that has their ways, its leads, drivers and so on. A joint of one cable on and no lead (a change of gauge, a straight
joint) is taken for a cable that goes on; that only saves money. The directed routes of the cables join every lamp to
a driver, so they hold an arborescence from an artificial root over the used supply points to all lamps; choose one
whose leaves are lamps: that is ``y``, and ``y <= xc + xs + xr`` on every arc. Then

* trench: each arc of the arborescence lies in an opened edge, no edge twice;
* cable: each cable is cut at least (1 + slack) x route + an end at each side, at no less than the cheapest price a
  metre of a cable that any circuit's protection allows; pulls are paid for each cable. With method "tap" an end in a
  joint may be uncut: it is counted only for the joint at the end of a line, which has no cable on;
* joints: the price of the cheapest kit with at least so many ways, whatever the sizes. A class is all numbers of ways
  with the same price, so ``items`` (leads and cables on) lie between the class's least and most;
* at a node, cables in = cables that go on + joints; at a joint, items as said;
* trench: what enters a node leaves it (its leaves are lamps), and it enters at most once;
* drivers: loads, amps, outlets, terminals, supply points' limits as the job states them, with loads at their least.

Directed cuts (rows that are added while solving, see ``cuts.py``): for a set W of nodes without the root and with a
lamp, (y) some trench of the arborescence or lead enters W; (x) some cable, joint or lead of that lamp's circuit does;
(n) as many as the circuits that its lamps need, since each of them enters W and no two share a cable or a joint.
"""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np

from ..facts import Facts
from .loads import Loads

if TYPE_CHECKING:
    from scipy.sparse import csc_matrix

INF = math.inf


@dataclass
class Relaxation:
    """
    Columns (cost, bounds, what arcs they are in the two cut graphs) and fixed rows.

    Nodes of both cut graphs: ground nodes, then lamps, then the root; the cable graph has joints and drivers' places
    behind them. A column is an arc from ``y_tail`` to ``y_head`` of the trench graph, from ``x_tail`` to ``x_head``
    of the cable graph, or neither (-1). ``lamp`` >= 0: the column is an arc in that lamp's cable cuts only;
    ``counted``: in cuts (n) only.
    """

    num_nodes: int
    num_lamps: int
    size: int
    cost: np.ndarray
    low: np.ndarray
    high: np.ndarray
    y_tail: np.ndarray
    y_head: np.ndarray
    x_tail: np.ndarray
    x_head: np.ndarray
    lamp: np.ndarray
    counted: np.ndarray
    arc: np.ndarray
    """Directed arc that a column belongs to (edge, or edge + m for the way back), else -1."""
    is_trench: np.ndarray
    rows: csc_matrix
    row_low: np.ndarray
    row_high: np.ndarray
    link_row: np.ndarray
    """(2m,) fixed row that ties an arc's trench to its cables."""
    part: np.ndarray
    """Part of the price that each column's cost belongs to, an index of ``PARTS``."""
    names: dict[str, np.ndarray] = field(default_factory=dict)
    """Columns of each family."""

    @property
    def root(self) -> int:
        return self.num_nodes + self.num_lamps

    @property
    def whole(self) -> list[np.ndarray]:
        """Columns that are whole numbers in any layout, those first that settle most."""
        return [self.names[name] for name in ("u", "drivers of a model", "d", "circuits of a driver", "q")]


PARTS = ("trench", "leads", "cable", "joints", "drivers", "supplies", "fuses")
TRENCH, LEADS, CABLE, JOINTS, DRIVERS, SUPPLIES, FUSES = range(7)


class Builder:
    """Collects columns family by family, and rows entry by entry."""

    def __init__(self) -> None:
        self.columns: list[dict[str, np.ndarray]] = []
        self.count = 0
        self.row_low: list[float] = []
        self.row_high: list[float] = []
        self.entry_rows: list[np.ndarray] = []
        self.entry_cols: list[np.ndarray] = []
        self.entry_values: list[np.ndarray] = []
        self.names: dict[str, np.ndarray] = {}

    def add(self, name: str, count: int, part: int, **given: Any) -> np.ndarray:
        defaults: dict[str, float] = {
            "cost": 0.0, "low": 0.0, "high": INF, "y_tail": -1, "y_head": -1, "x_tail": -1, "x_head": -1,
            "lamp": -1, "counted": 0, "arc": -1, "is_trench": 0, "part": part,
        }  # fmt: skip
        self.columns.append({key: np.broadcast_to(given.get(key, value), (count,)) for key, value in defaults.items()})
        idx = np.arange(self.count, self.count + count)
        self.count += count
        self.names[name] = idx
        return idx

    def new_rows(self, count: int, low: float, high: float) -> np.ndarray:
        first = len(self.row_low)
        self.row_low += [low] * count
        self.row_high += [high] * count
        return np.arange(first, first + count)

    def put(self, rows: object, cols: object, values: object) -> None:
        r, c, v = np.broadcast_arrays(np.asarray(rows), np.asarray(cols), np.asarray(values, dtype=float))
        self.entry_rows.append(r.ravel())
        self.entry_cols.append(c.ravel())
        self.entry_values.append(v.ravel())


def joint_classes(facts: Facts) -> list[tuple[float, int, int]]:
    """(price, fewest ways, most ways) of each class of joints; kits that take no cable of the job are left out."""
    areas = [cable.area_mm2 for cable in facts.cables]
    kits = [k for k in facts.kits if any(k[2] <= area <= k[3] for area in areas)]
    classes: list[tuple[float, int, int]] = []
    for ways in range(2, max((k[1] for k in kits), default=1) + 1):
        price = min(k[0] for k in kits if k[1] >= ways)
        if classes and classes[-1][0] == price:
            classes[-1] = (price, classes[-1][1], ways)
        else:
            classes.append((price, ways, ways))
    return classes


def joint_places(
    facts: Facts, loads: Loads
) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray, np.ndarray, list[tuple[float, int, int]]]:
    """
    Joints that may stand: node, price with its cables' far end, most items, whether a post, whether cables may go on.

    At each node the end of a line (one lead, where a class holds no more) and one that may go on, which starts as the
    smallest such class; the larger classes are returned last.
    """
    graph = facts.graph
    end = facts.joint_end_m * loads.cable_m
    leads_at: dict[int, int] = {}
    for arc in graph.leads:
        leads_at[arc.node] = leads_at.get(arc.node, 0) + 1
    classes = joint_classes(facts)
    end_class = classes[0] if classes and classes[0][2] == 2 else None
    on_classes = classes[1:] if end_class else classes
    rows: list[tuple[int, float, int, bool, bool]] = []
    for v in range(graph.num_nodes):
        if graph.post_lamp[v] >= 0:
            options = [(0.0, 2, True)]
        elif graph.may_joint[v]:
            options = [(end_class[0], 1, False)] if end_class and leads_at.get(v, 0) else []
            options += [(on_classes[0][0], on_classes[0][2] - 1, True)] if on_classes else []
        else:
            continue
        for price, most_items, goes_on in options:
            # With method "tap" only the joint at a line's end surely has a cut end.
            with_end = price + (end if facts.cuts_at_joints or not goes_on else 0.0)
            rows.append((v, with_end, most_items, bool(graph.post_lamp[v] >= 0), goes_on))
    node, price_of, most, post, on = zip(*rows, strict=True) if rows else ((), (), (), (), ())
    return (
        np.array(node, dtype=np.int64),
        np.array(price_of, dtype=float),
        np.array(most, dtype=float),
        np.array(post, dtype=bool),
        np.array(on, dtype=bool),
        on_classes,
    )


def relax(facts: Facts, loads: Loads, *, num_drivers: int | None, least_drivers_price: float) -> Relaxation:
    """Build the relaxation of one job."""
    graph, b = facts.graph, Builder()
    n, m, lamps, supplies = graph.num_nodes, graph.num_edges, facts.num_lamps, len(facts.supply_price)
    root = n + lamps
    tail = np.concatenate([graph.ends[:, 0], graph.ends[:, 1]])
    head = np.concatenate([graph.ends[:, 1], graph.ends[:, 0]])
    trench = np.tile(graph.trench_price, 2)
    cable_m = loads.cable_m
    laid = np.tile(graph.length_m * facts.slack * cable_m + graph.pull_price, 2)
    arcs = np.arange(2 * m)
    end = facts.joint_end_m * cable_m
    cuts = facts.cuts_at_joints

    places = joint_places(facts, loads)
    j_node, j_price, j_most, j_post, j_on, on_classes = places
    num_joints = len(j_node)
    joints_of: dict[int, list[int]] = {}
    for j, v in enumerate(j_node.tolist()):
        joints_of.setdefault(v, []).append(j)
    at_joint = root + 1 + np.arange(num_joints)
    at_driver = root + 1 + num_joints + np.arange(supplies)
    size = root + 1 + num_joints + supplies

    y = b.add("y", 2 * m, TRENCH, cost=trench, high=1.0, y_tail=tail, y_head=head, arc=arcs, is_trench=1)
    xc = b.add("xc", 2 * m, CABLE, cost=laid, x_tail=tail, x_head=head, arc=arcs)
    by_tail = np.argsort(tail, kind="stable")
    first = np.searchsorted(tail[by_tail], np.arange(n + 1))
    on = np.flatnonzero(j_on)
    starts = [by_tail[first[v] : first[v + 1]] for v in j_node[on].tolist()]
    xs_arc = np.concatenate(starts) if starts else np.zeros(0, dtype=np.int64)
    xs_joint = np.repeat(on, [len(s) for s in starts]) if starts else np.zeros(0, dtype=np.int64)
    near_end = end if cuts else 0.0
    xs = b.add(
        "xs",
        len(xs_arc),
        CABLE,
        cost=laid[xs_arc] + near_end,
        x_tail=at_joint[xs_joint],
        x_head=head[xs_arc],
        arc=xs_arc,
    )
    z = b.add("z", num_joints, JOINTS, cost=j_price, x_tail=j_node, x_head=at_joint)
    stack = b.add("stack", len(on), CABLE, cost=near_end, x_tail=at_joint[on], x_head=j_node[on])
    r_starts = [by_tail[first[v] : first[v + 1]] for v in graph.supply_node.tolist()]
    xr_arc = np.concatenate(r_starts)
    xr_supply = np.repeat(np.arange(supplies), [len(s) for s in r_starts])
    xr = b.add(
        "xr", len(xr_arc), CABLE, cost=laid[xr_arc], x_tail=at_driver[xr_supply], x_head=head[xr_arc], arc=xr_arc
    )
    x0 = b.add("x0", supplies, CABLE, x_tail=at_driver, x_head=graph.supply_node)

    lead_arc, lead_joint = [], []
    for i, arc in enumerate(graph.leads):
        for j in joints_of.get(arc.node, ()):
            if not j_post[j] or graph.post_lamp[arc.node] == arc.lamp:
                lead_arc.append(i)
                lead_joint.append(j)
    la, lj = np.array(lead_arc, dtype=np.int64), np.array(lead_joint, dtype=np.int64)
    lead_price = np.array(facts.lead_price)
    lead_lamp = np.array([arc.lamp for arc in graph.leads], dtype=np.int64)
    lead = b.add(
        "lead", len(la), LEADS, cost=lead_price[la], high=1.0, y_tail=j_node[lj], y_head=n + lead_lamp[la],
        x_tail=at_joint[lj], x_head=n + lead_lamp[la],
    )  # fmt: skip

    # Nodes and joints.
    rows = b.new_rows(n, 0.0, 0.0)
    b.put(rows[head], xc, 1.0)
    b.put(rows[head[xs_arc]], xs, 1.0)
    b.put(rows[head[xr_arc]], xr, 1.0)
    b.put(rows[j_node[on]], stack, 1.0)
    b.put(rows[graph.supply_node], x0, 1.0)
    b.put(rows[tail], xc, -1.0)
    b.put(rows[j_node], z, -1.0)
    rows = b.new_rows(num_joints, 0.0, INF)  # items at most
    b.put(rows, z, j_most)
    b.put(rows[xs_joint], xs, -1.0)
    b.put(rows[on], stack, -1.0)
    b.put(rows[lj], lead, -1.0)
    grows = np.flatnonzero(j_on & ~j_post)
    larger_joints(b, z, rows, grows, on_classes)
    posts = np.flatnonzero(j_post)
    if len(posts):  # a post holds its own lamp and passes one cable on
        index = np.full(num_joints, -1)
        index[posts] = b.new_rows(len(posts), 0.0, 0.0)
        b.put(index[posts], z[posts], 1.0)
        mine = np.flatnonzero(j_post[lj])
        b.put(index[lj[mine]], lead[mine], -1.0)
        index[posts] = b.new_rows(len(posts), 0.0, INF)
        b.put(index[posts], z[posts], 1.0)
        mine = np.flatnonzero(j_post[xs_joint])
        b.put(index[xs_joint[mine]], xs[mine], -1.0)
    rows = b.new_rows(lamps, 1.0, 1.0)
    b.put(rows[lead_lamp[la]], lead, 1.0)

    # Trench.
    link = b.new_rows(2 * m, 0.0, INF)
    b.put(link, y, -1.0)
    b.put(link, xc, 1.0)
    b.put(link[xs_arc], xs, 1.0)
    b.put(link[xr_arc], xr, 1.0)
    u = b.add(
        "u",
        supplies,
        SUPPLIES,
        cost=np.asarray(facts.supply_price, dtype=float),
        high=1.0,
        y_tail=root,
        y_head=graph.supply_node,
    )
    rows = b.new_rows(n, 0.0, INF)  # what enters leaves
    b.put(rows[tail], y, 1.0)
    b.put(rows[head], y, -1.0)
    b.put(rows[j_node[lj]], lead, 1.0)
    add_drivers(facts, loads, b, u, xr, xr_supply, x0, root, at_driver, num_drivers, least_drivers_price)

    return finish(b, n, lamps, size, link)


def larger_joints(
    b: Builder, z: np.ndarray, rows: np.ndarray, grows: np.ndarray, on_classes: list[tuple[float, int, int]]
) -> None:
    """Steps from each class of joints to the next, which add to the items that ``rows`` allow the joints ``grows``."""
    for (low_price, _, low_ways), (high_price, _, high_ways) in itertools.pairwise(on_classes):
        step = b.add(f"step {high_ways}", len(grows), JOINTS, cost=high_price - low_price)
        b.put(rows[grows], step, float(high_ways - low_ways))
        steps = b.new_rows(len(grows), 0.0, INF)
        b.put(steps, z[grows], 1.0)
        b.put(steps, step, -1.0)


def finish(b: Builder, num_nodes: int, num_lamps: int, size: int, link: np.ndarray) -> Relaxation:
    """Put families together."""
    from scipy.sparse import csc_matrix

    matrix = csc_matrix(
        (np.concatenate(b.entry_values), (np.concatenate(b.entry_rows), np.concatenate(b.entry_cols))),
        shape=(len(b.row_low), b.count),
    )
    columns = {key: np.concatenate([c[key] for c in b.columns]) for key in b.columns[0]}
    whole = {
        key: columns[key].astype(np.int64) for key in ("y_tail", "y_head", "x_tail", "x_head", "lamp", "arc", "part")
    }
    return Relaxation(
        num_nodes=num_nodes,
        num_lamps=num_lamps,
        size=size,
        cost=columns["cost"].astype(float),
        low=columns["low"].astype(float),
        high=np.minimum(columns["high"].astype(float), 2.0 * num_lamps),
        counted=columns["counted"].astype(bool),
        is_trench=columns["is_trench"].astype(bool),
        rows=matrix,
        row_low=np.array(b.row_low),
        row_high=np.array(b.row_high),
        link_row=link,
        names=b.names,
        **whole,
    )


def add_drivers(
    facts: Facts,
    loads: Loads,
    b: Builder,
    u: np.ndarray,
    xr: np.ndarray,
    xr_supply: np.ndarray,
    x0: np.ndarray,
    root: int,
    at_driver: np.ndarray,
    num_drivers: int | None,
    least_drivers_price: float,
) -> None:
    """Drivers, circuits and which lamp hangs on what: columns d, q, r, a and their rows."""
    supplies = len(facts.supply_price)
    groups = sorted(set(facts.lamp_group))
    group_of = np.array([groups.index(g) for g in facts.lamp_group])
    kinds: list[tuple[int, int, int]] = []  # (supply, way, dim group) of circuits
    driver_of: list[int] = []
    drivers: list[tuple[int, int]] = []
    index: dict[tuple[int, int, int], int] = {}
    for s in range(supplies):
        for w, way in enumerate(loads.ways):
            for g in range(len(groups)):
                if not np.isfinite(way.amps[s, group_of == g]).any():
                    continue
                key = (s, way.model, -1 if loads.models[way.model].mixes_groups else g)
                if key not in index:
                    index[key] = len(drivers)
                    drivers.append((s, way.model))
                kinds.append((s, w, g))
                driver_of.append(index[key])
    models = [loads.models[model] for _, model in drivers]
    d_supply = np.array([s for s, _ in drivers], dtype=np.int64)
    d = b.add("d", len(drivers), DRIVERS, cost=np.array([model.price for model in models]))
    k_supply = np.array([s for s, _, _ in kinds], dtype=np.int64)
    k_driver = np.array(driver_of, dtype=np.int64)
    q = b.add("q", len(kinds), FUSES, cost=np.array([loads.ways[w].price for _, w, _ in kinds]))
    r = b.add(
        "r", len(kinds), CABLE, cost=np.asarray(facts.supply_end_m)[k_supply] * loads.cable_m,
        x_tail=root, x_head=at_driver[k_supply], counted=1,
    )  # fmt: skip

    a_lamp, a_kind, a_amps, a_watts, a_part = [], [], [], [], []
    for k, (s, w, g) in enumerate(kinds):
        way = loads.ways[w]
        for lamp in np.flatnonzero(np.isfinite(way.amps[s]) & (group_of == g)).tolist():
            a_lamp.append(lamp)
            a_kind.append(k)
            a_amps.append(way.amps[s, lamp])
            a_watts.append(way.watts[s, lamp])
            a_part.append(way.share[s, lamp])
    al, ak = np.array(a_lamp, dtype=np.int64), np.array(a_kind, dtype=np.int64)
    a = b.add("a", len(al), CABLE, high=1.0, x_tail=root, x_head=at_driver[k_supply[ak]], lamp=al)

    # Sums that are whole numbers too: branching on them settles what many columns alike would settle one by one.
    used_models = sorted({model for _, model in drivers})
    of_model = b.add("drivers of a model", len(used_models), DRIVERS)
    rows = b.new_rows(len(used_models), 0.0, 0.0)
    b.put(rows, of_model, -1.0)
    b.put(rows[[used_models.index(model) for _, model in drivers]], d, 1.0)
    circuits_of = b.add("circuits of a driver", len(drivers), FUSES)
    rows = b.new_rows(len(drivers), 0.0, 0.0)
    b.put(rows, circuits_of, -1.0)
    b.put(rows[k_driver], q, 1.0)
    rows = b.new_rows(supplies, 0.0, 0.0)  # cables that leave the drivers start somewhere
    b.put(rows[k_supply], r, 1.0)
    b.put(rows[xr_supply], xr, -1.0)
    b.put(rows, x0, -1.0)
    rows = b.new_rows(facts.num_lamps, 1.0, 1.0)  # each lamp is fed once
    b.put(rows[al], a, 1.0)
    pairs, which = np.unique(al * len(drivers) + k_driver[ak], return_inverse=True)
    rows = b.new_rows(len(pairs), 0.0, INF)  # by a driver that is there
    b.put(rows, d[pairs % len(drivers)], 1.0)
    b.put(rows[which], a, -1.0)
    rows = b.new_rows(len(al), 0.0, INF)  # on a circuit that is there
    b.put(rows, q[ak], 1.0)
    b.put(rows, a, -1.0)
    pairs, which = np.unique(al * supplies + k_supply[ak], return_inverse=True)
    rows = b.new_rows(len(pairs), 0.0, INF)  # from a supply point that is used
    b.put(rows, u[pairs % supplies], 1.0)
    b.put(rows[which], a, -1.0)
    rows = b.new_rows(len(kinds), 0.0, INF)  # shares of circuits
    b.put(rows, q, 1.0)
    b.put(rows[ak], a, -np.array(a_part))
    rows = b.new_rows(len(drivers), 0.0, INF)  # load
    allowed = np.array(
        [model.max_w * facts.supply_loading[s] for model, s in zip(models, d_supply.tolist(), strict=True)]
    )
    b.put(rows, d, allowed)
    b.put(rows[k_driver[ak]], a, -np.array(a_watts))
    most_a = np.array([model.max_total_a for model in models])
    limited = np.flatnonzero(np.isfinite(most_a))
    if len(limited):
        index_of = np.full(len(drivers), -1)
        index_of[limited] = b.new_rows(len(limited), 0.0, INF)  # amps
        b.put(index_of[limited], d[limited], most_a[limited] + 1e-9)
        mine = np.flatnonzero(index_of[k_driver[ak]] >= 0)
        b.put(index_of[k_driver[ak[mine]]], a[mine], -np.array(a_amps)[mine])
    rows = b.new_rows(len(drivers), 0.0, INF)  # outlets
    b.put(rows, d, np.array([model.outlets for model in models]))
    b.put(rows[k_driver], q, -1.0)
    rows = b.new_rows(len(drivers), 0.0, INF)  # each driver has a circuit
    b.put(rows, d, -1.0)
    b.put(rows[k_driver], q, 1.0)
    terminals = np.array([models[i].terminal_cables for i in driver_of])
    rows = b.new_rows(len(kinds), 0.0, INF)  # cables of a circuit
    b.put(rows, r, 1.0)
    b.put(rows, q, -1.0)
    rows = b.new_rows(len(kinds), 0.0, INF)
    b.put(rows, q, terminals)
    b.put(rows, r, -1.0)
    rows = b.new_rows(supplies, 0.0, INF)  # drivers at a supply point
    b.put(rows, u, np.array(facts.supply_max_drivers))
    b.put(rows[d_supply], d, -1.0)
    rows = b.new_rows(supplies, 0.0, INF)  # a supply point that is used has one
    b.put(rows, u, -1.0)
    b.put(rows[d_supply], d, 1.0)
    row = b.new_rows(1, least_drivers_price, INF)
    b.put(np.full(len(drivers), row[0]), d, np.array([model.price for model in models]))
    if num_drivers is not None:
        row = b.new_rows(1, float(num_drivers), float(num_drivers))
        b.put(np.full(len(drivers), row[0]), d, 1.0)
    row = b.new_rows(1, float(loads.least_circuits(np.arange(facts.num_lamps))), INF)
    b.put(np.full(len(kinds), row[0]), q, 1.0)
