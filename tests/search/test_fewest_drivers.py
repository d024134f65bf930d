"""The fewest drivers where some mix dim groups and some do not: never more than the fewest by trying all ways."""

from __future__ import annotations

import itertools
import random
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from optimiser.search.bound.drivers import driver_clusters

LAMPS, MODELS = 5, 3


def draw(seed: int) -> tuple[Any, Any]:
    """Lamps with dim groups and the models that feed them; models with their load, outlets and whether they mix."""
    chance = random.Random(seed)
    models = {
        model: SimpleNamespace(
            max_w=chance.choice([6.0, 10.0, 14.0, 25.0]),
            outlets=chance.randint(1, 3),
            mixes_groups=chance.random() < 0.5,
        )
        for model in range(MODELS)
    }
    fed = np.full((MODELS, 1, LAMPS), np.inf)
    for lamp in range(LAMPS):
        own = [model for model in range(MODELS) if chance.random() < 0.6] or [0]
        fed[own, 0, lamp] = 0.5
    facts = SimpleNamespace(
        num_lamps=LAMPS, supply_loading=[1.0], lamp_group=[chance.choice(["", "a", "b", "c"]) for _ in range(LAMPS)]
    )
    watts = np.array([chance.choice([2.0, 4.0, 6.0]) for _ in range(LAMPS)])
    ways = [SimpleNamespace(model=model, amps=fed[model]) for model in range(MODELS)]
    return facts, SimpleNamespace(models=models, ways=ways, watts=watts)


def carries(facts: Any, loads: Any, lamps: list[int]) -> bool:
    """Whether one driver of some model feeds these: its load, the lamps it fits, one group or an outlet for each."""
    groups = {facts.lamp_group[lamp] for lamp in lamps}
    return any(
        loads.watts[lamps].sum() <= model.max_w
        and all(loads.ways[m].amps[0, lamp] < 1 for lamp in lamps)
        and (len(groups) == 1 or (model.mixes_groups and len(groups) <= model.outlets))
        for m, model in loads.models.items()
    )


def fewest_by_trying(facts: Any, loads: Any) -> int | None:
    """Over all ways to share the lamps out; None where a lamp is too heavy for any driver."""
    found = [
        len(set(shares))
        for shares in itertools.product(range(LAMPS), repeat=LAMPS)
        if max(shares) < len(used := set(shares))  # numbered without gaps
        and all(carries(facts, loads, [lamp for lamp in range(LAMPS) if shares[lamp] == one]) for one in used)
    ]
    return min(found, default=None)


def test_no_count_is_above_the_fewest_and_most_are_that() -> None:
    exact = tried = mixed = 0
    for seed in range(150):
        facts, loads = draw(seed)
        fewest = fewest_by_trying(facts, loads)
        if fewest is None:
            continue
        clusters = driver_clusters(facts, loads)
        counted = sum(cluster.fewest(facts, loads) for cluster in clusters)
        assert counted <= fewest, seed
        tried += 1
        exact += counted == fewest
        mixed += any(cluster.fewest(facts, loads) > cluster.by_load(facts, loads) for cluster in clusters)
    assert tried > 100 and mixed > 20
    assert exact > 0.6 * tried  # 106 of 150; by load alone 56


@pytest.mark.parametrize(("outlets", "fewest"), [(1, 3), (2, 2), (3, 1)])
def test_a_driver_serves_no_more_groups_than_it_has_outlets(outlets: int, fewest: int) -> None:
    """Three groups of 2 W on drivers of 25 W, by hand."""
    facts, loads = draw(0)
    facts.lamp_group, loads.watts = ["a", "b", "c", "a", "b"], loads.watts * 0 + 2.0
    loads.models = {m: SimpleNamespace(max_w=25.0, outlets=outlets, mixes_groups=True) for m in range(MODELS)}
    for way in loads.ways:
        way.amps[:] = 0.5
    assert sum(cluster.fewest(facts, loads) for cluster in driver_clusters(facts, loads)) == fewest
