"""What circuits would cost with other lamps, by minimum spanning trees. In: Facts, Ways, sets of lamps. Out: prices.

Where nothing is dug a circuit costs about what the lightest tree over its lamps and its supply point does, and that is
known for hundreds of sets of lamps at once. Prices are of the thinnest cable by the cheapest ways: estimates, from
which moves choose what they price in full.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from .facts import Facts
from .ways import Ways


class SpanPrices:
    """Prices of ways between lamps and supply points, and what each change of a set of lamps adds."""

    def __init__(self, facts: Facts, ways: Ways, spend: Callable[[float], None]) -> None:
        """``spend`` is told the work done; ``ways`` are left at prices of the thinnest cable, nothing dug."""
        self._spend, self.num_lamps = spend, facts.num_lamps
        size = facts.num_lamps + len(facts.roots)
        self.way = np.zeros((size, size))
        """(lamps + supply points, as many) price of the cheapest way between two of them."""
        nodes = [facts.lead_node[arcs[0]] for arcs in facts.leads_of] + list(facts.roots)
        ways.set_cable(min(cable.price_m for cable in facts.cables))
        ways.set_open(np.zeros(facts.graph.num_edges, dtype=np.int16))
        for i, node in enumerate(nodes):
            spend(0.5 + facts.graph.num_nodes / 1200)
            self.way[i] = ways.from_sources([node])[0][nodes]
        self.way = np.minimum(self.way, self.way.T)
        self._known: dict[tuple[int, tuple[int, ...]], tuple[np.ndarray, np.ndarray, np.ndarray]] = {}

    def changes(self, supply: int, lamps: tuple[int, ...]) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """
        What changes of a circuit's lamps add to its price.

        Returns
        -------
        swap, take, give
            (lamps of the job, lamps of the circuit) one in for one out; (lamps of the job,) one more; (lamps of the
            circuit,) one less. Columns and entries of the circuit's lamps are in the order given.
        """
        key = supply, lamps
        known = self._known.get(key)
        if known is None:
            if len(self._known) > 2000:
                self._known.clear()
            known = self._known[key] = self._changes(supply, lamps)
        return known

    def _changes(self, supply: int, lamps: tuple[int, ...]) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        root, k, n = self.num_lamps + supply, len(lamps), self.num_lamps
        self._spend(0.5 + 0.02 * k + 3e-5 * n * k**3)
        own = np.array([root, *lamps])
        now = spanning_prices(self.way, own[None])[0]
        others = np.arange(n)
        take = spanning_prices(self.way, np.column_stack([np.tile(own, (n, 1)), others])) - now
        # With a lamp's place taken by another of the tree (the root), that lamp is gone.
        less = np.tile(own, (k, 1))
        less[np.arange(k), np.arange(k) + 1] = root
        give = spanning_prices(self.way, less) - now if k else np.zeros(0)
        sets = np.tile(own, (n, k, 1))
        sets[:, np.arange(k), np.arange(k) + 1] = others[:, None]
        swap = spanning_prices(self.way, sets.reshape(n * k, k + 1)).reshape(n, k) - now
        return swap, take, give


def spanning_prices(way: np.ndarray, sets: np.ndarray) -> np.ndarray:
    """
    Weight of the minimum spanning tree over each of several sets of nodes, by Prim's method on all at once.

    Parameters
    ----------
    way
        (n, n) symmetric prices.
    sets
        (sets, nodes) members of each set; one named twice counts once.

    Returns
    -------
    np.ndarray
        (sets,).
    """
    rows, size = np.arange(len(sets)), sets.shape[1]
    away = way[sets[:, 0, None], sets]
    away[:, 0] = np.inf
    inside = np.zeros(sets.shape, dtype=bool)
    inside[:, 0] = True
    total = np.zeros(len(sets))
    for _ in range(size - 1):
        nearest = away.argmin(axis=1)
        total += away[rows, nearest]
        inside[rows, nearest] = True
        away = np.minimum(away, way[sets[rows, nearest][:, None], sets])
        away[inside] = np.inf
    return total
