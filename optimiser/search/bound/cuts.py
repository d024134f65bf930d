"""Directed cuts that the last solution breaks. In: Program. Out: Cuts, most violated nodes first.

For each lamp a maximum flow from the root shows whether one whole unit reaches it, in the trench graph (capacities y,
u and leads) and in the cable graph (cables, joints, leads, and for the root's arcs what feeds that lamp). Where it
does not, the minimum cuts nearest the lamp and nearest the root are rows. *Creep*: every column gets a little
capacity more, so that among equal cuts the one with fewest arcs is found. *Nested*: a cut's arcs are then given
capacity 1, and the flow is asked again. For several circuits, lamps ask for their shares of one at once; the cut
found is a row where rounding its circuits up exceeds what crosses it.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from .loads import Loads
from .program import Cut, Program

SCALE = 1_000_000
CREEP = 20
BROKEN = 0.02


class Separator:
    """Finds cuts; holds what does not change between rounds."""

    def __init__(self, program: Program, loads: Loads, nested: int = 4) -> None:
        self.program, self.loads, self.nested = program, loads, nested

    def trench(self, lamps: list[int]) -> list[Cut]:
        """Cuts of the trench graph."""
        rx, value = self.program.relaxation, self.program.value
        cols = np.flatnonzero((rx.y_tail >= 0) & (value > 1e-7))
        flow = _Flow(rx.y_tail[cols], rx.y_head[cols], value[cols], rx.root, rx.size)
        found: list[Cut] = []
        for lamp in lamps:
            for inside in flow.cuts(rx.num_nodes + lamp, 1.0, self.nested):
                found.append(Cut("y", inside, -1, 1.0))
        return found

    def cable(self, lamps: list[int]) -> list[Cut]:
        """Cuts of the cable graph, one circuit each."""
        rx, value = self.program.relaxation, self.program.value
        shared = np.flatnonzero((rx.x_tail >= 0) & (rx.lamp < 0) & ~rx.counted & (value > 1e-7))
        own = np.flatnonzero((rx.lamp >= 0) & (value > 1e-7))
        found: list[Cut] = []
        drivers = np.unique(rx.x_head[np.flatnonzero(rx.counted)])
        tail = np.concatenate([rx.x_tail[shared], np.full(len(drivers), rx.root)])
        head = np.concatenate([rx.x_head[shared], drivers])
        cap = np.concatenate([value[shared], np.zeros(len(drivers))])
        flow = _Flow(tail, head, cap, rx.root, rx.size)
        place = {int(v): len(shared) + i for i, v in enumerate(drivers.tolist())}
        for lamp in lamps:
            fed = np.zeros(len(cap))
            for c in own[rx.lamp[own] == lamp].tolist():
                fed[place[int(rx.x_head[c])]] += value[c]
            for inside in flow.cuts(rx.num_nodes + lamp, 1.0, self.nested, fed):
                found.append(Cut("x", inside, lamp, 1.0))
        return found

    def circuits(self) -> list[Cut]:
        """Cuts of the cable graph that several circuits cross."""
        rx, value = self.program.relaxation, self.program.value
        cols = np.flatnonzero((rx.x_tail >= 0) & (rx.lamp < 0) & (value > 1e-7))
        found: list[Cut] = []
        seen: set[bytes] = set()
        lamps = np.arange(rx.num_lamps)
        clusters = np.unique(self.loads.cluster).tolist()
        options = [clusters, *([c] for c in clusters)] if len(clusters) > 1 else [clusters]
        for factor in (1.0, 1.25, 1.5, 2.0, 3.0):
            for chosen in options:
                asks = np.where(np.isin(self.loads.cluster, chosen), self.loads.share, 0.0) * factor
                flow = _Flow(
                    np.concatenate([rx.x_tail[cols], rx.num_nodes + lamps]),
                    np.concatenate([rx.x_head[cols], np.full(rx.num_lamps, rx.size)]),
                    np.concatenate([value[cols], asks]),
                    rx.root,
                    rx.size + 1,
                )
                for inside in flow.both(rx.size):
                    inside = inside[: rx.size]
                    within = np.flatnonzero(inside[rx.num_nodes : rx.num_nodes + rx.num_lamps])
                    mine = within[np.isin(self.loads.cluster[within], chosen)]
                    if not len(mine) or inside.tobytes() in seen:
                        continue
                    seen.add(inside.tobytes())
                    least = self.loads.least_circuits(within)
                    cut = Cut("n", inside, -1, float(least))
                    crossing = float(value[self.program.crossing(cut)].sum())
                    if least >= 2 and crossing < least - BROKEN:
                        found.append(cut)
        return found


class _Flow:
    def __init__(self, tail: np.ndarray, head: np.ndarray, cap: np.ndarray, root: int, size: int) -> None:
        from ortools.graph.python import max_flow

        used, inverse = np.unique(np.concatenate([tail, head, [root]]), return_inverse=True)
        self.used, self.size = used, size
        self.tail, self.head = inverse[: len(tail)], inverse[len(tail) : 2 * len(tail)]
        self.root = int(inverse[-1])
        self.cap = cap
        self._flow: Any = max_flow.SimpleMaxFlow()
        self._arcs = self._flow.add_arcs_with_capacity(
            self.tail.astype(np.int32), self.head.astype(np.int32), np.zeros(len(tail), dtype=np.int64)
        )
        self._index = {int(v): i for i, v in enumerate(used.tolist())}

    def _solve(self, cap: np.ndarray, sink: int) -> int:
        self._flow.set_arcs_capacity(self._arcs, np.round(cap * SCALE).astype(np.int64) + CREEP)
        self._flow.solve(self.root, sink)
        return int(self._flow.optimal_flow())

    def _inside(self, nodes: np.ndarray) -> np.ndarray:
        mask = np.zeros(self.size, dtype=bool)
        mask[self.used[nodes]] = True
        return mask

    def cuts(self, node: int, need: float, nested: int, more: np.ndarray | None = None) -> list[np.ndarray]:
        """Sets that hold the node and are entered by less than ``need``."""
        sink = self._index.get(node)
        if sink is None:
            mask = np.zeros(self.size, dtype=bool)
            mask[node] = True
            return [mask]
        cap = self.cap if more is None else self.cap + more
        cap = np.minimum(cap, need)
        found: list[np.ndarray] = []
        for _ in range(nested):
            total = self._solve(cap, sink)
            slack = CREEP * 40
            if total >= (need - BROKEN) * SCALE + slack:
                break
            near = np.asarray(self._flow.get_sink_side_min_cut())
            far = np.asarray(self._flow.get_source_side_min_cut())
            inside = self._inside(near)
            found.append(inside)
            outside = self._inside(far)
            wide = ~outside
            if wide.sum() != inside.sum():
                found.append(wide)
            local = np.zeros(len(self.used), dtype=bool)
            local[near] = True
            crossing = local[self.head] & ~local[self.tail]
            cap = np.where(crossing, need, cap)
        return found

    def both(self, node: int) -> list[np.ndarray]:
        """The minimum cuts nearest the sink and nearest the root."""
        sink = self._index[node]
        self._solve(self.cap, sink)
        near = self._inside(np.asarray(self._flow.get_sink_side_min_cut()))
        far = ~self._inside(np.asarray(self._flow.get_source_side_min_cut()))
        return [near, far]
