"""What a place costs in thicker cables further up: hand-worked."""

from __future__ import annotations

import itertools
from dataclasses import replace

import numpy as np
import pytest

from optimiser.search.circuit import Fed
from optimiser.search.effort import Effort
from optimiser.search.facts import gather_facts
from optimiser.search.state import Bench
from optimiser.search.upstream import TOO_MUCH, upstream_of
from tests.search.test_side_by_side import JOB, folder_of_lines

CABLES = """[cables]
thin = { mm2 = 1.5, price_per_m = 1, rating_a = 1.2 }
thick = { mm2 = 2.5, price_per_m = 3, rating_a = 2.4 }
"""


def bench_and_circuit(joints: list[int]) -> tuple[Bench, Fed]:
    """A row 0 - 1 - 2 - 3 of 10 m each; a lamp of 5.4 W (0.45 A at 12 V) at each of ``joints``."""
    job = JOB.replace("watts = 3", "watts = 5.4")
    start = job.index("[cables]")
    job = job[:start] + CABLES + job[job.index("[drivers]") :]
    job = job.replace("limit_a = 6", "limit_a = 0.9") + '[voltage]\nmax_drop = "off"\n'
    folder, graph = folder_of_lines(job, {(0, 1): 10.0, (1, 2): 10.0, (2, 3): 10.0}, joints)
    bench = Bench(gather_facts(folder.job, folder.survey, graph), Effort(1e9))
    tree = {v: v - 1 for v in range(1, max(joints) + 1)}
    fed = bench.feed(0, 0, tree, dict(enumerate(range(len(joints)))), bench.all_cables)
    assert fed is not None
    return bench, fed


def test_no_price_where_the_ratings_leave_room() -> None:
    bench, fed = bench_and_circuit([2])  # 0.45 A of about 1.1 A, derated
    found = upstream_of(bench.facts, fed).price(np.array([1, 2]), 0.4)
    assert found.tolist() == [0.0, 0.0]


def test_what_needs_thicker_cable_pays_for_it_up_to_the_driver() -> None:
    """0.4 A more on two cables that carry 0.9 A and 0.45 A: the first, of 10 m, must be thick, 2 a metre dearer."""
    bench, fed = bench_and_circuit([1, 2])
    upstream = upstream_of(bench.facts, fed)
    first = 2.0 * (1.03 * 10 + 2 * 0.4)
    assert upstream.price(np.array([0, 1, 2]), 0.4) == pytest.approx([0.0, first, first])
    second = 2.0 * (1.03 * 10 + 2 * 0.4)
    assert upstream.price(np.array([2]), 0.8) == pytest.approx([first + second])
    assert upstream.price(np.array([1]), 2.5)[0] >= TOO_MUCH


def test_half_way_along_a_cable_half_of_it_is_paid() -> None:
    bench, fed = bench_and_circuit([2])  # one cable of 20 m
    whole = 2.0 * (1.03 * 20 + 2 * 0.4)
    assert upstream_of(bench.facts, fed).price(np.array([1, 2]), 0.8) == pytest.approx([whole / 2, whole])


def test_cables_may_be_listed_in_any_order() -> None:
    bench, fed = bench_and_circuit([1, 2, 3])
    expected = upstream_of(bench.facts, fed).price(np.array([1, 2, 3]), 0.3)
    for order in itertools.permutations(range(3)):
        shuffled = replace(fed, pieces=tuple(fed.pieces[i] for i in order))
        assert upstream_of(bench.facts, shuffled).price(np.array([1, 2, 3]), 0.3) == pytest.approx(expected)
