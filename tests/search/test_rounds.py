"""What rounds go on from, and what counts as a state where a supply point takes few drivers. Expected by counting."""

from __future__ import annotations

import random
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from optimiser.ground import build_ground
from optimiser.job_folder import open_job
from optimiser.make_plan import Options, make_plan
from optimiser.search import find
from optimiser.search.construct import construct
from optimiser.search.crew import Crew
from optimiser.search.effort import Effort
from optimiser.search.facts import Facts, gather_facts
from optimiser.search.find import FEW_ROUNDS, MOST_SETS, _unlike, supply_sets
from optimiser.search.graft import drivers_cost
from optimiser.search.improve import improve
from optimiser.search.state import Bench, State
from optimiser.search.tasks import Done
from tests.properties.random_jobs import folder_of
from tests.running.test_year import JOB, ROW

# Each of the four lamps fills a driver of its own (12 W of the 24 W that may be loaded: see test_mains_limits).


@pytest.fixture(scope="module")
def facts() -> Facts:
    folder = folder_of(JOB, ROW)
    return gather_facts(folder.job, folder.survey, build_ground(folder.job, folder.survey).graph)


def limited(facts: Facts, most: int) -> Facts:
    return replace(facts, supply_max_drivers=[most] * len(facts.supply_price))


@pytest.mark.parametrize("most", [1, 2, 3, 4])
def test_too_many_drivers_are_no_state_where_the_limit_is_kept(facts: Facts, most: int) -> None:
    tight = limited(facts, most)
    all_at_one = construct(Bench(facts, Effort(1e9), supplies=(0,)), random.Random(1))
    needed = len(all_at_one.drivers)
    assert needed == 4
    mild = Bench(tight, Effort(1e9))
    penalised = mild.compose(all_at_one.circuits)
    assert penalised is not None and penalised.is_whole == (needed <= most)
    strict = Bench(tight, Effort(1e9), keeps_max_drivers=True)
    assert (strict.compose(all_at_one.circuits) is None) == (needed > most)
    assert np.isinf(drivers_cost(strict, list(all_at_one.circuits))) == (needed > most)


@pytest.mark.parametrize("most", [1, 2, 3])
def test_the_search_leaves_lamps_out_instead(facts: Facts, most: int) -> None:
    bench = Bench(limited(facts, most), Effort(300), supplies=(0,), keeps_max_drivers=True)
    rng = random.Random(1)
    state = improve(bench, construct(bench, rng), rng)
    assert len(state.missing) == 4 - most and len(state.drivers) == most
    assert drivers_cost(bench, list(state.circuits)) < np.inf


@pytest.mark.parametrize("count", [1, 2, 3, 5, 7, 8, 40, 500])
def test_sets_of_supply_points_to_start_from(count: int) -> None:
    """A few whatever the number, each once; all there are while those are few."""
    sets = supply_sets(count, 1)
    assert len(sets) == len(set(sets)) == min(MOST_SETS, 2**count - 1)
    assert all(0 <= supply < count for chosen in sets for supply in chosen)
    assert sets == supply_sets(count, 1)
    if count <= MOST_SETS:
        assert {(supply,) for supply in range(count)} <= set(sets)


def done(state: State, *, price: float, penalty: float = 0.0, missing: bool = False) -> Done:
    lost = frozenset({0}) if missing else frozenset()
    return Done(replace(state, price=price, penalty=penalty, missing=lost), 0.0, 0.0, False)


def test_rounds_go_on_from_layouts_that_hold_if_there_are_any(facts: Facts) -> None:
    near, far = (construct(Bench(facts, Effort(1e9), supplies=(s,)), random.Random(1)) for s in (0, 1))
    good = [done(near, price=100), done(near, price=120)]
    over = done(far, price=90, penalty=5000)
    bare = done(far, price=80, penalty=9000, missing=True)
    assert _unlike([*good, over, bare], 4) == good
    assert _unlike([good[0], over], 1) == good[:1]
    assert _unlike([over, bare], 2) == [over, bare], "with none that holds, the search must go on from something"
    other = done(far, price=150)
    assert _unlike([*good, other, over], 2) == [good[0], other], "unlike ones first"


def test_only_what_the_search_goes_on_from_is_slid(cases: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    searched: list[int] = []
    slid: list[int] = []

    class Counting(Crew):
        def do(self, facts: Facts, tasks: Sequence[Any]) -> list[Done]:
            searched.append(len(tasks))
            return super().do(facts, tasks)

        def slide(self, facts: Facts, land: Any, done: Sequence[Done]) -> list[Any]:
            found = super().slide(facts, land, done)
            assert len(found) == len(done)
            assert all(two.work > 0 for two in found)
            slid.append(len(done))
            return found

    monkeypatch.setattr(find, "Crew", Counting)
    make_plan(open_job(cases / "terrace"), Options(effort=0.05, prove=False))
    kept = [min(one.keep, many) for one, many in zip(FEW_ROUNDS, searched, strict=False)]
    assert searched[1:] == [max(2, number) for number in kept], "each goes on from what was kept, or twice from one"
    assert slid == [*kept, 1], "the last time the cheapest alone"


DEAR_LAWN = """
title = "three lamps behind a bed"
base_ground = "lawn"
[voltage]
max_drop = "15 %"
[grounds]
lawn = { per_m = 40 }
bed = { per_m = 6, crossing = 2 }
paving = { per_m = 100, crossing = 200, leads = true }
house = { kind = "no_dig", keep_off_m = 0 }
[zones."bed along the wall"]
ground = "bed"
[zones.terrace]
ground = "paving"
[zones.house]
ground = "house"
keep_off_m = 0.6
[lamps.sub]
watts = 6
volts = 12
window_v = [9.5, 15.5]
lead_m = 5
[cables]
"1.5" = { mm2 = 1.5, price_per_m = 1.2 }
"4" = { mm2 = 4, price_per_m = 3 }
[drivers]
large = { taps_v = [12], rated_w = 60, limit_a = 6, limit_mode = "hiccup", short_rms_a = 1, price = 95 }
tiny = { taps_v = [12], rated_w = 15, limit_a = 2, limit_mode = "hiccup", short_rms_a = 1, price = 6 }
[supplies.S1]
price = 55
max_drivers = 4
[joints.kits.any]
max_ways = 8
price = 40
"""
AT_THE_BED = """point,kind,of,x,y
S1,supply,,0.4,6
L1,lamp,sub,2.2,9
L2,lamp,sub,5.7,8.9
L3,lamp,sub,5.3,9
,corner,bed along the wall,-1,5
,corner,bed along the wall,13,5
,corner,bed along the wall,13,6.2
,corner,bed along the wall,-1,6.2
,corner,terrace,5.2,4.1
,corner,terrace,7.7,4.1
,corner,terrace,7.7,6.4
,corner,terrace,5.2,6.4
,corner,house,4.4,2.7
,corner,house,7.6,2.7
,corner,house,7.6,6.1
,corner,house,4.4,6.1
"""


def test_a_layout_of_fewer_drivers_is_not_lost_before_it_is_refined() -> None:
    # On the first graph three tiny drivers seem the cheapest; one large one is, once its trenches are refined.
    folder = folder_of(DEAR_LAWN, AT_THE_BED)
    free, one = (make_plan(folder, Options(effort=0.5, num_drivers=n, prove=False)) for n in (None, 1))
    assert free.cost.total <= 1.001 * one.cost.total
