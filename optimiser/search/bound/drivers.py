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

import numpy as np

from ..facts import Facts
from .loads import Loads, gather_loads


def driver_clusters(facts: Facts, loads: Loads) -> list[tuple[set[int], float]]:
    """Models that may feed each cluster, its least load in W or VA; lamps that nothing feeds are left out."""
    mixes = any(model.mixes_groups for model in loads.models.values())
    need: dict[tuple[tuple[int, ...], str], float] = {}
    for lamp in range(facts.num_lamps):
        models = tuple(sorted({way.model for way in loads.ways if np.isfinite(way.amps[:, lamp]).any()}))
        if models:
            key = (models, "" if mixes else facts.lamp_group[lamp])
            need[key] = need.get(key, 0.0) + float(loads.watts[lamp])
    clusters: list[tuple[set[int], str, float]] = []
    for (models, group), watts in sorted(need.items()):
        joined, load = set(models), watts
        for other in [c for c in clusters if c[1] == group and c[0] & joined]:
            clusters.remove(other)
            joined |= other[0]
            load += other[2]
        clusters.append((joined, group, load))
    return [(joined, load) for joined, _, load in clusters]


def fewest_drivers(facts: Facts) -> int:
    """No layout has fewer drivers."""
    loads = gather_loads(facts)
    best_loading = max(facts.supply_loading)
    count = 0
    for models, watts in driver_clusters(facts, loads):
        most_w = max(loads.models[model].max_w for model in models) * best_loading
        count += max(1, math.ceil(watts / most_w - 1e-9))
    return count


def drivers_bound(facts: Facts, loads: Loads, num_drivers: int | None = None) -> float:
    """Least price of the drivers of any layout."""
    best_loading = max(facts.supply_loading)
    total = 0.0
    for models, watts in driver_clusters(facts, loads):
        offers = [loads.models[model] for model in sorted(models)]
        whole = math.floor(watts)
        best = [0.0] + [math.inf] * whole
        for w in range(1, whole + 1):
            best[w] = min(m.price + best[max(0, w - math.ceil(m.max_w * best_loading))] for m in offers)
        total += best[whole] if whole else min(m.price for m in offers)
    if num_drivers is not None and loads.models:
        total = max(total, num_drivers * min(model.price for model in loads.models.values()))
    return total
