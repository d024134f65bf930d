"""Cables of one circuit side by side in a trench: hand-worked savings, and no harm on random jobs."""

from __future__ import annotations

import math
import random
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, assume, given, settings

from optimiser.ground import build_ground
from optimiser.ground.graph import GroundGraph, LeadArc
from optimiser.job_folder import JobFolder, open_job
from optimiser.problems import BadInput
from optimiser.search.circuit import feed_traced
from optimiser.search.construct import construct
from optimiser.search.effort import Effort
from optimiser.search.facts import gather_facts
from optimiser.search.pieces import feed_pieces
from optimiser.search.side_by_side import lay_side_by_side, split_lines
from optimiser.search.state import Bench, State
from optimiser.search.trace import trace
from tests.properties.random_jobs import Files, folder_of, random_files

JOB = """
title = "hand"
[grounds]
lawn = { per_m = 10 }
[lamps]
spike = { watts = 3, volts = 12, window_v = [9, 14] }
[cables]
"2 x 1.5" = { mm2 = 1.5, price_per_m = 1.5, rating_a = 12, reels_m = [500] }
[drivers]
box = { taps_v = [12], rated_w = 60, limit_a = 6, limit_mode = "hiccup", short_rms_a = 1, price = 80 }
[slack]
per_cent = 3
joint_end_m = 0.4
driver_end_m = 1.2
[joints.kits]
two = { max_ways = 2, price = 5 }
four = { max_ways = 4, price = 8 }
six = { max_ways = 6, price = 20 }
"""


def lines(lengths: dict[tuple[int, int], float], joints: list[int]) -> tuple[JobFolder, GroundGraph]:
    """Ground lines between nodes, node 0 the supply point; lamp i hangs on node ``joints[i]``."""
    return folder_of_lines(JOB, lengths, joints)


def folder_of_lines(
    job: str, lengths: dict[tuple[int, int], float], joints: list[int]
) -> tuple[JobFolder, GroundGraph]:
    """``lines`` of another job."""
    rows = "S,supply,,0,0\n" + "".join(f"L{i},lamp,spike,{5 + i},5\n" for i in range(len(joints)))
    folder = folder_of(job, "point,kind,of,x,y\n" + rows)
    ends, n = np.array(list(lengths)), 1 + max(max(pair) for pair in lengths)
    m, length = len(ends), np.array(list(lengths.values()))
    graph = GroundGraph(
        xyz=np.array([(i, i % 3, 0) for i in range(n)], dtype=float),
        kind=np.array([0] + [2] * (n - 1)),
        may_joint=np.arange(n) > 0,
        post_lamp=np.full(n, -1),
        ends=ends,
        length_m=length,
        sun_m=np.zeros(m),
        trench_price=10 * length,
        pull_price=np.zeros(m),
        capacity=np.full(m, 99),
        sleeve=np.full(m, -1),
        stub=np.zeros(m, dtype=bool),
        supply_node=np.array([0]),
        leads=tuple(LeadArc(lamp, node, 0.0, 0.0) for lamp, node in enumerate(joints)),
        num_lamps=len(joints),
    )
    return folder, graph


def joined(folder: JobFolder, graph: GroundGraph, tree: dict[int, int]) -> tuple[Bench, State]:
    """The circuit with a joint at every fork."""
    facts = gather_facts(folder.job, folder.survey, graph)
    bench = Bench(facts, Effort(math.inf))
    leads = {lamp: lamp for lamp in range(facts.num_lamps)}
    traced = trace(facts, bench.ways, 0, tree, leads)
    assert traced is not None
    fed = feed_traced(facts, 0, 0, bench.palette, tree, traced, None, leads)
    assert fed is not None
    state = bench.compose([fed])
    assert state is not None
    return bench, state


@pytest.mark.parametrize(
    ("lengths", "tree", "joints", "saved"),
    [
        # A joint 2 m before the fork. Joints: 8 + 8 + 5 + 5 to 8 + 5 + 5. Cables (1.03 m a metre, ends, up to 0.1 m):
        # 2.86, 4.92, 4.92 to 2 x 6.98 m, that is 2.9 + 5.0 + 5.0 = 12.9 to 14.0 m at 1.50.
        ({(0, 1): 5.0, (1, 2): 2.0, (2, 3): 4.0, (2, 4): 4.0}, {1: 0, 2: 1, 3: 2, 4: 2}, [1, 3, 4], 8 - 1.1 * 1.5),
        # Out and back: a lamp 1 m off the trench. Joints 8 + 5 + 5 to 8 + 5; cables 9.84, 1.83, 6.98 to 10.87, 8.01 m:
        # 9.9 + 1.9 + 7.0 = 18.8 to 10.9 + 8.1 = 19.0 m at 1.50.
        ({(0, 1): 8.0, (1, 2): 1.0, (1, 3): 6.0}, {1: 0, 2: 1, 3: 1}, [2, 3], 5 - 0.2 * 1.5),
        # The joint before is 20 m away: more cable than the joint costs.
        ({(0, 1): 5.0, (1, 2): 20.0, (2, 3): 14.0, (2, 4): 14.0}, {1: 0, 2: 1, 3: 2, 4: 2}, [1, 3, 4], 0.0),
    ],
)
def test_saves_what_hand_arithmetic_says(
    lengths: dict[tuple[int, int], float], tree: dict[int, int], joints: list[int], saved: float
) -> None:
    folder, graph = lines(lengths, joints)
    bench, before = joined(folder, graph, tree)
    after = lay_side_by_side(bench, before)
    assert before.price - after.price == pytest.approx(saved, abs=1e-6)
    assert (after.use > 0).tolist() == (before.use > 0).tolist()  # no trench is opened or closed


@pytest.mark.parametrize(("before_m", "saved"), [(2.0, 8 - 1.1 * 1.5), (20.0, 0.0)])
def test_a_tree_is_priced_with_forks_passed_where_that_is_cheaper(before_m: float, saved: float) -> None:
    lengths = {(0, 1): 5.0, (1, 2): before_m, (2, 3): 4.0, (2, 4): 4.0}
    tree = {1: 0, 2: 1, 3: 2, 4: 2}
    bench, state = joined(*lines(lengths, [1, 3, 4]), tree)
    fed = bench.feed(0, 0, tree, {0: 0, 1: 1, 2: 2})
    assert fed is not None
    assert state.circuits[0].price - fed.price == pytest.approx(saved, abs=1e-6)


def test_forks_behind_a_sleeve_are_joined() -> None:
    folder, graph = lines({(0, 1): 5.0, (1, 2): 2.0, (2, 3): 9.0, (2, 4): 9.0}, [1, 3, 4])
    tree = {1: 0, 2: 1, 3: 2, 4: 2}
    sleeved = replace(graph, sleeve=np.array([-1, 0, -1, -1]), capacity=np.array([99, 1, 99, 99]))
    bench, state = joined(folder, sleeved, tree)
    fed = bench.feed(0, 0, tree, {0: 0, 1: 1, 2: 2})
    assert fed is not None
    assert fed.price == pytest.approx(state.circuits[0].price)
    assert lay_side_by_side(bench, state).price == pytest.approx(state.price)  # one cable is all it takes


def test_a_post_passes_one_cable_on() -> None:
    """The joint 2 m before the fork is a post's terminals, which hold a cable in and a cable out."""
    folder, graph = lines({(0, 1): 5.0, (1, 2): 2.0, (2, 3): 4.0, (2, 4): 4.0}, [1, 3, 4])
    posted = replace(graph, post_lamp=np.array([-1, 0, -1, -1, -1]), may_joint=np.arange(5) > 1)
    bench, before = joined(folder, posted, {1: 0, 2: 1, 3: 2, 4: 2})
    after = lay_side_by_side(bench, before)
    assert [walk[0] for _, walk in after.circuits[0].pieces].count(1) == 1


def test_counts_every_cable_in_a_trench() -> None:
    folder, graph = lines({(0, 1): 5.0, (1, 2): 2.0, (2, 3): 4.0, (2, 4): 4.0}, [1, 3, 4])
    bench, before = joined(folder, graph, {1: 0, 2: 1, 3: 2, 4: 2})
    assert lay_side_by_side(bench, before).use.tolist() == [1, 2, 1, 1]


def test_cables_side_by_side_become_one_as_far_as_a_fork() -> None:
    """The fork after 20 m, passed before, is cheaper than 20 m of a second cable."""
    folder, graph = lines({(0, 1): 5.0, (1, 2): 20.0, (2, 3): 5.0, (2, 4): 5.0}, [1, 3, 4])
    bench, state = joined(folder, graph, {1: 0, 2: 1, 3: 2, 4: 2})
    fed = state.circuits[0]
    walks, at = [(0, 1), (1, 2, 3), (1, 2, 4)], {0: 0, 1: 1, 2: 2}
    apart = feed_pieces(bench, 0, 0, bench.palette, walks, [-1, 0, 0], fed.leads, at)
    assert apart is not None
    before = bench.compose([apart])
    assert before is not None
    # 1.03 x 25 + 0.8 = 26.55, cut at 26.6 m, twice, to 21.4, 6.0 and 6.0 m; joints 8 + 5 + 5 to 8 + 8 + 5 + 5.
    assert lay_side_by_side(bench, before).price == pytest.approx(before.price - (53.2 - 33.4) * 1.5 + 8)


def test_lines_are_split_where_cables_lie_side_by_side() -> None:
    rows = "S,supply,,0,0\nL0,lamp,spike,5,5\nL1,lamp,spike,30,8\nL2,lamp,spike,30,-8\n"
    folder = folder_of(JOB.replace("watts = 3", "watts = 3, lead_m = 1"), "point,kind,of,x,y\n" + rows)
    ground = build_ground(folder.job, folder.survey)
    bench = Bench(gather_facts(folder.job, folder.survey, ground.graph), Effort(math.inf))
    whole = construct(bench, random.Random(1))
    assert split_lines(bench, whole, ground) is ground  # a tree: nothing lies side by side
    fed, roots = whole.circuits[0], bench.facts.roots
    root, far = roots[0], max(fed.tree, key=lambda v: float(ground.graph.xyz[v, 0]))
    way = [far]
    while way[-1] != root:
        way.append(fed.tree[way[-1]])
    way.reverse()
    near = bench.facts.near[far]
    other = next(v for v, _ in near if v not in way and bench.facts.may_joint[v])
    twice = replace(fed, pieces=((0, tuple(way)), (0, (*way, other))), leads={})
    state = replace(whole, circuits=(twice,))
    split = split_lines(bench, state, ground)
    new = split.graph.xyz[ground.graph.num_nodes :, :2]
    assert len(new) and split.graph.num_edges > ground.graph.num_edges
    a, b = ground.graph.xyz[way[:-1], :2], ground.graph.xyz[way[1:], :2]
    for point in new:  # each on one of the lines
        longer = np.hypot(*(point - a).T) + np.hypot(*(point - b).T) - np.hypot(*(b - a).T)
        assert longer.min() < 0.002


def keeps_its_word(folder: JobFolder, seed: int) -> None:
    ground = build_ground(folder.job, folder.survey)
    facts = gather_facts(folder.job, folder.survey, ground.graph)
    if not (facts.feeds and all(facts.lamp_feeds)):
        return
    bench = Bench(facts, Effort(math.inf))
    before = construct(bench, random.Random(seed), noise=0.3)
    after = lay_side_by_side(bench, before)
    assert after.cost <= before.cost + 1e-9
    assert sorted(lamp for fed in after.circuits for lamp in fed.leads) == sorted(
        lamp for fed in before.circuits for lamp in fed.leads
    )
    assert ((after.use > 0) <= (before.use > 0)).all()
    assert (after.use == bench.use_of(after.circuits)).all()
    capped = [e for e, sleeve in enumerate(facts.sleeve) if sleeve >= 0]
    assert all(after.use[e] <= facts.capacity[e] for e in capped)


@settings(max_examples=25, deadline=None, suppress_health_check=list(HealthCheck))
@given(random_files())
def test_is_never_dearer_and_opens_no_trench(files: Files) -> None:
    try:
        folder = files.open()
        keeps_its_word(folder, files.seed)
    except BadInput:
        assume(False)


@pytest.mark.parametrize("case", ["terrace", "courtyard", "orchard"])
def test_is_never_dearer_on_the_cases(cases: Path, case: str) -> None:
    keeps_its_word(open_job(cases / case), 1)
