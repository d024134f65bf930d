"""The relaxation as a linear program that grows by rows and columns, and the bound its dual prices prove. In:
Relaxation. Out: Program.

Proof of ``prove``: for any prices of rows (of the right sign: >= 0 for rows bounded below, <= 0 for rows bounded
above), every solution x of all rows satisfies cost x >= sum price x bound + sum over columns of reduced cost x
column, and a column's share is at least the lesser of reduced cost x its two bounds. That holds whatever the solver's
tolerances, and for columns the program never saw. Only the rounding of sums of doubles is left, for which
``ROUNDING`` is taken off.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np

from .relaxation import Relaxation

ROUNDING = 1e-9
"""Part of the sum of all absolute terms that is taken off a bound for rounding."""


@dataclass
class Cut:
    """A directed cut: nodes inside (mask over cut-graph nodes), sort "y", "x" or "n", least crossing."""

    sort: str
    inside: np.ndarray
    lamp: int
    least: float
    key: bytes = b""


class _Arcs:
    """Columns of one cut graph by their arc: columns that no cut tells apart are looked at once."""

    def __init__(self, *keys: np.ndarray) -> None:
        table = np.stack(keys, axis=1)
        mine = np.flatnonzero((table[:, 0] >= 0) & (table[:, 1] >= 0))
        self.table, inverse = np.unique(table[mine], axis=0, return_inverse=True)
        self.of_column = np.full(len(table), -1)
        self.of_column[mine] = inverse.ravel()
        self.rows: list[list[int]] = [[] for _ in self.table]  # of the cuts that each arc enters
        self.columns = mine

    def entering(self, cut: Cut) -> np.ndarray:
        tail, head = self.table[:, 0], self.table[:, 1]
        enters: np.ndarray = cut.inside[head] & ~cut.inside[tail]
        if cut.sort != "y":
            lamp, counted = self.table[:, 2], self.table[:, 3]
            enters &= lamp < 0 if cut.sort == "n" else ((lamp < 0) | (lamp == cut.lamp)) & (counted == 0)
        return np.flatnonzero(enters)


class Program:
    """Rows: the fixed ones that some active column is in, then cuts. Columns: those activated."""

    def __init__(self, relaxation: Relaxation) -> None:
        import highspy

        class Quiet(highspy.Highs):
            """Silent from the start: the solver greets on standard output when its callbacks are set."""

            def enableCallbacks(self) -> None:  # noqa: N802
                self.setOptionValue("output_flag", False)
                super().enableCallbacks()  # type: ignore[no-untyped-call]

        self.relaxation = relaxation
        self.inf = highspy.kHighsInf
        self._h: Any = Quiet()  # type: ignore[no-untyped-call]
        self._h.setOptionValue("threads", 1)
        self._h.setOptionValue("parallel", "off")
        self._h.setOptionValue("presolve", "off")
        self._h.setOptionValue("solver", "simplex")
        rx = relaxation
        self.low, self.high = rx.low.copy(), rx.high.copy()
        self.column_of = np.full(len(rx.cost), -1)
        self.columns = np.zeros(0, dtype=np.int64)
        self.cuts: list[Cut] = []
        self._y_arcs = _Arcs(rx.y_tail, rx.y_head)
        self._x_arcs = _Arcs(rx.x_tail, rx.x_head, rx.lamp, rx.counted)
        self._entering: list[np.ndarray] = []
        self._known: set[bytes] = set()
        self._link_index = np.full(rx.rows.shape[0], -1)
        self._link_index[rx.link_row] = np.arange(len(rx.link_row))
        self.fixed = np.flatnonzero(self._link_index < 0)  # rows in the program from the start, in this order
        self.row_of = np.full(rx.rows.shape[0], -1)
        self.row_of[self.fixed] = np.arange(len(self.fixed))
        self.num_rows = 0
        self.cut_rows: list[int] = []
        self.iterations = 0
        for i in self.fixed.tolist():
            self._h.addRow(max(rx.row_low[i], -self.inf), min(rx.row_high[i], self.inf), 0, [], [])
            self.num_rows += 1
        self.dual = np.zeros(0)
        self.value = np.zeros(len(rx.cost))
        self.objective = math.nan

    def activate(self, wanted: np.ndarray) -> int:
        """Put columns (indices) into the program, with the rows that tie trench to cable where both are there."""
        rx = self.relaxation
        new = np.unique(wanted[self.column_of[wanted] < 0])
        if not len(new):
            return 0
        for arc in np.unique(rx.arc[new][rx.is_trench[new]]).tolist():
            row = int(rx.link_row[arc])
            if self.row_of[row] < 0:
                self.row_of[row] = self.num_rows
                mine = self._active_in_row(arc)
                cols = [int(self.column_of[c]) for c in mine]
                self._h.addRow(0.0, self.inf, len(cols), np.array(cols, dtype=np.int32), np.ones(len(cols)))
                self.num_rows += 1
        first = len(self.columns)
        self.column_of[new] = np.arange(first, first + len(new))
        self.columns = np.concatenate([self.columns, new])
        starts, filled = [], 0
        rows: list[np.ndarray] = []
        values: list[np.ndarray] = []
        of_y, of_x = self._y_arcs.of_column, self._x_arcs.of_column
        matrix = rx.rows
        for c in new.tolist():
            starts.append(filled)
            span = slice(matrix.indptr[c], matrix.indptr[c + 1])
            r = self.row_of[matrix.indices[span]]
            v = matrix.data[span]
            keep = (r >= 0) & (v != 0)
            mine = self._y_arcs.rows[of_y[c]] if of_y[c] >= 0 else []
            mine = mine + self._x_arcs.rows[of_x[c]] if of_x[c] >= 0 else mine
            rows.append(np.concatenate([r[keep], np.array(mine, dtype=np.int64)]))
            filled += len(rows[-1])
            values.append(np.concatenate([v[keep], np.ones(len(mine))]))
        flat_r = np.concatenate(rows).astype(np.int32)
        flat_v = np.concatenate(values)
        self._h.addCols(
            len(new),
            rx.cost[new],
            self.low[new],
            self.high[new],
            len(flat_r),
            np.array(starts, dtype=np.int32),
            flat_r,
            flat_v,
        )
        return len(new)

    def _active_in_row(self, arc: int) -> list[int]:
        """Active cable columns of an arc."""
        if not hasattr(self, "_cables_of"):
            rx = self.relaxation
            mine = np.flatnonzero((rx.arc >= 0) & ~rx.is_trench)
            order = mine[np.argsort(rx.arc[mine], kind="stable")]
            self._cables_of = (order, np.searchsorted(rx.arc[order], np.arange(len(rx.link_row) + 1)))
        order, first = self._cables_of
        return [c for c in order[first[arc] : first[arc + 1]].tolist() if self.column_of[c] >= 0]

    def cables_of(self, arc: int) -> np.ndarray:
        """All cable columns of an arc."""
        self._active_in_row(arc)
        order, first = self._cables_of
        return order[first[arc] : first[arc + 1]]

    def crossing(self, cut: Cut) -> np.ndarray:
        """Mask of the columns that enter the cut's set."""
        arcs = self._y_arcs if cut.sort == "y" else self._x_arcs
        mask = np.zeros(len(arcs.table) + 1, dtype=bool)
        mask[arcs.entering(cut)] = True
        of_columns: np.ndarray = mask[arcs.of_column]
        return of_columns

    def add_cut(self, cut: Cut) -> bool:
        """Add a row; False where it is there already."""
        cut.key = (
            cut.sort.encode() + str(cut.lamp if cut.sort == "x" else 0).encode() + np.packbits(cut.inside).tobytes()
        )
        if cut.key in self._known:
            return False
        self._known.add(cut.key)
        arcs = self._y_arcs if cut.sort == "y" else self._x_arcs
        entering = arcs.entering(cut)
        mask = np.zeros(len(arcs.table) + 1, dtype=bool)
        mask[entering] = True
        cols = self.column_of[self.columns[mask[arcs.of_column[self.columns]]]]
        for arc in entering.tolist():
            arcs.rows[arc].append(self.num_rows)
        self._entering.append(entering)
        self._h.addRow(cut.least, self.inf, len(cols), cols.astype(np.int32), np.ones(len(cols)))
        self.cuts.append(cut)
        self.cut_rows.append(self.num_rows)
        self.num_rows += 1
        return True

    def set_bounds(self, columns: np.ndarray, low: np.ndarray, high: np.ndarray) -> None:
        """Other bounds of columns, for a branch."""
        self.low[columns], self.high[columns] = low, high
        for c, lo, hi in zip(columns.tolist(), low.tolist(), high.tolist(), strict=True):
            if self.column_of[c] >= 0:
                self._h.changeColBounds(int(self.column_of[c]), lo, hi)

    def solve(self) -> str:
        """Solve; "optimal", "infeasible" or "failed"."""
        import highspy

        self._h.run()
        info = self._h.getInfo()
        self.iterations += int(info.simplex_iteration_count)
        status = self._h.getModelStatus()
        if status == highspy.HighsModelStatus.kInfeasible:
            return "infeasible"
        if status != highspy.HighsModelStatus.kOptimal:
            return "failed"
        solution = self._h.getSolution()
        self.value = np.zeros(len(self.relaxation.cost))
        self.value[self.columns] = np.array(solution.col_value)
        self.dual = np.array(solution.row_dual)
        self.objective = float(info.objective_function_value)
        return "optimal"

    def is_proven_infeasible(self) -> bool:
        """Whether the solver's ray of prices proves that no solution exists: a positive bound at cost 0."""
        ray = self._h.getDualRay()
        if not ray[1]:
            return False
        dual = np.array(ray[2])
        scale = float(np.abs(dual).max(initial=0.0))
        if scale == 0:
            return False
        none = np.zeros(len(self.relaxation.cost))
        return any(self._lagrange(sign * dual / scale, none)[0] > 1e-6 for sign in (1.0, -1.0))

    def prove(self, most: int = 400) -> tuple[float, np.ndarray]:
        """The bound that the last prices prove, and at most so many columns that are worth activating."""
        rx = self.relaxation
        total, rest = self._lagrange(self.dual, rx.cost)
        wanted = np.flatnonzero((rest < -1e-7) & (self.column_of < 0))
        if len(wanted) > most:
            wanted = wanted[np.argpartition(rest[wanted], most)[:most]]
        # A trench column needs cables of its arc beside it, and they it.
        arcs = np.unique(rx.arc[wanted][rx.arc[wanted] >= 0])
        if len(arcs):
            mask = np.zeros(len(rx.link_row), dtype=bool)
            mask[arcs] = True
            extra = np.flatnonzero((rx.arc >= 0) & mask[np.maximum(rx.arc, 0)] & (self.column_of < 0))
            extra = extra[(rest[extra] < 0.02 * (1 + rx.cost[extra])) | rx.is_trench[extra]]
            wanted = np.unique(np.concatenate([wanted, extra]))
        return total, wanted

    def _lagrange(self, dual: np.ndarray, cost: np.ndarray) -> tuple[float, np.ndarray]:
        """The bound that these prices of rows prove, and the reduced costs of all columns."""
        rx = self.relaxation
        there = self.row_of >= 0
        price = np.zeros(rx.rows.shape[0])
        price[there] = dual[self.row_of[there]]
        # Signs as the proof needs them.
        price = np.where(np.isinf(rx.row_high), np.maximum(price, 0.0), price)
        price = np.where(np.isinf(rx.row_low), np.minimum(price, 0.0), price)
        rest = cost.copy()
        terms, size = 0.0, 0.0
        price_y, price_x = np.zeros(len(self._y_arcs.table)), np.zeros(len(self._x_arcs.table))
        for cut, row, entering in zip(self.cuts, self.cut_rows, self._entering, strict=True):
            p = max(0.0, float(dual[row]))
            if p > 0:
                (price_y if cut.sort == "y" else price_x)[entering] += p
                terms += p * cut.least
                size += p * cut.least
        for arcs, sums in ((self._y_arcs, price_y), (self._x_arcs, price_x)):
            rest[arcs.columns] -= sums[arcs.of_column[arcs.columns]]
        rest -= rx.rows.T @ price
        num_arcs = len(rx.link_row)
        if num_arcs:
            # An arc whose trench the program never saw may have any price >= 0 on the row that ties it to its cables.
            free = self.row_of[rx.link_row] < 0
            cables = np.flatnonzero((rx.arc >= 0) & ~rx.is_trench)
            least = np.full(num_arcs, math.inf)
            np.minimum.at(least, rx.arc[cables], rest[cables])
            trenches = np.flatnonzero(rx.is_trench)
            want = np.zeros(num_arcs)
            want[rx.arc[trenches]] = np.maximum(0.0, -rest[trenches])
            tie = np.where(free, np.maximum(0.0, np.minimum(want, least)), 0.0)
            rest[trenches] += tie[rx.arc[trenches]]
            rest[cables] -= tie[rx.arc[cables]]
        used = price != 0
        products = price[used] * np.where(price >= 0, rx.row_low, rx.row_high)[used]
        share = np.minimum(rest * self.low, rest * self.high)
        size += (
            float(np.abs(products).sum()) + float(np.abs(share).sum()) + float(np.abs(cost * self.high).max(initial=0))
        )
        return terms + float(products.sum()) + float(share.sum()) - ROUNDING * size, rest

    def parts(self) -> np.ndarray:
        """The cost of the last solution by part."""
        return np.bincount(self.relaxation.part, weights=self.relaxation.cost * self.value, minlength=7)
