"""Fewest drivers, and their least price. In: Facts, Loads. Out: a count, a price.

Lamps are grouped by what may feed them and, where no model mixes dim groups, by dim group; groups that share a model
are taken together. So no two of these clusters have a driver in common, and their counts and prices add up.

* Count: each cluster's least load over what its largest driver may carry, rounded up.
* Price: the drivers' allowed loads must add up to the cluster's least load: an unbounded knapsack cover, solved
  exactly over whole watts with loads rounded down and allowances rounded up. Where a number of drivers is asked for,
  so many of the cheapest model is a bound too.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np

from ..facts import Facts
from .loads import Loads, gather_loads


class Cluster(NamedTuple):
    """Lamps that share no driver with others: models that may feed them, dim group, least load in W or VA, lamps."""

    models: set[int]
    group: str
    watts: float
    lamps: list[int]

    def most_w(self, facts: Facts, loads: Loads) -> float:
        """What the largest of its drivers may be loaded with where it may be loaded most."""
        return max(loads.models[model].max_w for model in self.models) * max(facts.supply_loading)

    def fewest(self, facts: Facts, loads: Loads, at_least_w: float = 0.0) -> int:
        """Fewest drivers that carry it; with ``at_least_w``, had the job a driver that may be loaded with so much."""
        return max(1, math.ceil(self.watts / max(self.most_w(facts, loads), at_least_w) - 1e-9))


def driver_clusters(facts: Facts, loads: Loads, *, mixed: bool = False) -> list[Cluster]:
    """Every cluster; lamps that nothing feeds are left out. ``mixed``: as if any driver served all dim groups."""
    mixed = mixed or any(model.mixes_groups for model in loads.models.values())
    alike: dict[tuple[tuple[int, ...], str], list[int]] = {}
    for lamp in range(facts.num_lamps):
        models = tuple(sorted({way.model for way in loads.ways if np.isfinite(way.amps[:, lamp]).any()}))
        if models:
            alike.setdefault((models, "" if mixed else facts.lamp_group[lamp]), []).append(lamp)
    clusters: list[Cluster] = []
    for (models, group), lamps in sorted(alike.items()):
        joined = Cluster(set(models), group, float(loads.watts[lamps].sum()), lamps)
        for other in [c for c in clusters if c.group == group and c.models & joined.models]:
            clusters.remove(other)
            joined = Cluster(
                joined.models | other.models, group, joined.watts + other.watts, sorted(joined.lamps + other.lamps)
            )
        clusters.append(joined)
    return clusters


def fewest_drivers(facts: Facts) -> int:
    """No layout has fewer drivers."""
    loads = gather_loads(facts)
    return sum(cluster.fewest(facts, loads) for cluster in driver_clusters(facts, loads))


def drivers_bound(facts: Facts, loads: Loads, num_drivers: int | None = None) -> float:
    """Least price of the drivers of any layout."""
    best_loading = max(facts.supply_loading)
    total = 0.0
    for cluster in driver_clusters(facts, loads):
        offers = [loads.models[model] for model in sorted(cluster.models)]
        whole = math.floor(cluster.watts)
        best = [0.0] + [math.inf] * whole
        for w in range(1, whole + 1):
            best[w] = min(m.price + best[max(0, w - math.ceil(m.max_w * best_loading))] for m in offers)
        total += best[whole] if whole else min(m.price for m in offers)
    if num_drivers is not None and loads.models:
        total = max(total, num_drivers * min(model.price for model in loads.models.values()))
    return total
