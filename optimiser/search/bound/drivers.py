"""Fewest drivers, and their least price. In: Facts, Loads. Out: a count, a price.

Lamps are grouped by what may feed them and by dim group; two such groups that some model may serve at once (the same
dim group, or a model that mixes them) are taken together. So no two of these clusters have a driver in common, and
their counts and prices add up.

* Count: each cluster's least load over what its largest driver may carry, rounded up. With several dim groups in it,
  also by who mixes them: of ``m`` drivers that serve several groups and ``n`` that serve one each, the former carry no
  more than ``m`` of the largest model that mixes, only lamps that such a model feeds, and no more groups than they have
  outlets; so the latter must carry what is left. The least ``m + n``, with everything taken where it is kindest. One
  driver does only where one model has the load, the outlets and all lamps.
* Price: the drivers' allowed loads must add up to the cluster's least load: an unbounded knapsack cover, solved
  exactly over whole watts with loads rounded down and allowances rounded up. Where a number of drivers is asked for,
  so many of the cheapest model is a bound too.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from ..facts import Facts
from .loads import Loads, gather_loads


class Alike(NamedTuple):
    """Lamps of one dim group that the same models may feed, and their least load in W or VA."""

    models: frozenset[int]
    group: str
    watts: float
    lamps: list[int]


@dataclass(frozen=True)
class Cluster:
    """Lamps that share no driver with others."""

    parts: tuple[Alike, ...]

    @property
    def models(self) -> frozenset[int]:
        """Models that may feed some of them."""
        return frozenset[int]().union(*(part.models for part in self.parts))

    @property
    def groups(self) -> list[str]:
        """Their dim groups; "" are those without one."""
        return sorted({part.group for part in self.parts})

    @property
    def watts(self) -> float:
        """Their least load in W or VA."""
        return sum(part.watts for part in self.parts)

    @property
    def lamps(self) -> list[int]:
        return sorted(lamp for part in self.parts for lamp in part.lamps)

    def most_w(self, facts: Facts, loads: Loads) -> float:
        """What the largest of its drivers may be loaded with where it may be loaded most."""
        return max(driver_w(facts, loads, model) for model in self.models)

    def mixing(self, loads: Loads) -> list[int]:
        """Models that serve several dim groups at once."""
        return [model for model in sorted(self.models) if loads.models[model].mixes_groups]

    def not_fed_by(self, model: int) -> list[int]:
        """Lamps that a model does not feed."""
        return sorted(lamp for part in self.parts if model not in part.models for lamp in part.lamps)

    def by_load(self, facts: Facts, loads: Loads, at_least_w: float = 0.0) -> int:
        """Fewest drivers that carry it, whatever dim groups they serve; ``at_least_w`` as in ``fewest``."""
        return max(1, math.ceil(self.watts / max(self.most_w(facts, loads), at_least_w) - 1e-9))

    def fewest(self, facts: Facts, loads: Loads, at_least_w: float = 0.0) -> int:
        """
        Fewest drivers that carry it.

        With ``at_least_w``, had the job a driver that feeds all of them and may be loaded with so much; where they are
        of several dim groups, one that mixes these, with outlets enough.
        """
        least = self.by_load(facts, loads, at_least_w)
        groups = self.groups
        if len(groups) == 1:
            return least
        mixing = self.mixing(loads)
        mixed_w = at_least_w or max(driver_w(facts, loads, model) for model in mixing)
        outlets = max((loads.models[model].outlets for model in mixing), default=0)
        any_w = max(self.most_w(facts, loads), at_least_w)
        needs, alone = [], []  # by group: its load, and of it that of lamps which no model that mixes feeds
        for group in groups:
            own = [part for part in self.parts if part.group == group]
            needs.append(sum(part.watts for part in own))
            alone.append(0.0 if at_least_w else sum(part.watts for part in own if part.models.isdisjoint(mixing)))
        most = sum(max(1, math.ceil(watts / any_w - 1e-9)) for watts in needs)
        for mixed in range(1, most):
            single = _beside(needs, alone, any_w, mixed * mixed_w)
            single = max(single, 0 if at_least_w else len(groups) - mixed * outlets)
            most = min(most, mixed + single)
        if most == 1 and not at_least_w and not any(self._carries(facts, loads, model) for model in mixing):
            most = 2
        return max(least, most)

    def _carries(self, facts: Facts, loads: Loads, model: int) -> bool:
        """Whether one driver of a model that mixes dim groups may do for all of them."""
        enough_w = self.watts <= driver_w(facts, loads, model) * (1 + 1e-9)
        return enough_w and len(self.groups) <= loads.models[model].outlets and not self.not_fed_by(model)


def driver_w(facts: Facts, loads: Loads, model: int) -> float:
    """What a driver of a model may be loaded with where it may be loaded most, in W or VA."""
    return loads.models[model].max_w * max(facts.supply_loading)


def _beside(needs: list[float], alone: list[float], any_w: float, mixed_w: float) -> int:
    """Fewest drivers of ``any_w``, each for one group, that leave no more than ``mixed_w`` of all groups together."""
    counts = [math.ceil(watts / any_w - 1e-9) for watts in alone]
    left = [max(0.0, need - count * any_w) for need, count in zip(needs, counts, strict=True)]
    # Each further driver takes off any_w, or the rest of its group: never more than the one before it in that group.
    for count in range(math.ceil(sum(left) / any_w) + len(left) + 1):
        if sum(left) <= mixed_w * (1 + 1e-9):
            return sum(counts) + count
        largest = left.index(max(left))
        left[largest] = max(0.0, left[largest] - any_w)
    return sum(counts) + len(left)


def driver_clusters(facts: Facts, loads: Loads, *, mixed: bool = False) -> list[Cluster]:
    """Every cluster; lamps that nothing feeds are left out. ``mixed``: as if all lamps were of one dim group."""
    mixing = {model for model, one in loads.models.items() if one.mixes_groups}
    alike: dict[tuple[tuple[int, ...], str], list[int]] = {}
    for lamp in range(facts.num_lamps):
        models = tuple(sorted({way.model for way in loads.ways if np.isfinite(way.amps[:, lamp]).any()}))
        if models:
            alike.setdefault((models, "" if mixed else facts.lamp_group[lamp]), []).append(lamp)
    clusters: list[Cluster] = []
    for (models, group), lamps in sorted(alike.items()):
        new = Alike(frozenset(models), group, float(loads.watts[lamps].sum()), lamps)
        meet = [
            cluster
            for cluster in clusters
            if any(one.models & new.models & (mixing if one.group != group else new.models) for one in cluster.parts)
        ]
        clusters = [cluster for cluster in clusters if cluster not in meet]
        clusters.append(Cluster((*(part for cluster in meet for part in cluster.parts), new)))
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
