"""Cables as they are laid and cut: lengths worked out by hand from the rules of account."""

from __future__ import annotations

import math

import numpy as np
import pytest

from optimiser.plan.laying import CannotLay, Laid, lay
from optimiser.search.layout import Layout
from tests.plan.hand_ground import JOB, HandGround, hand_ground

TAP = JOB.replace("[joints.kits]", '[joints]\nmethod = "tap"\n[joints.kits]')


def laid_of(site: HandGround, layout: Layout) -> Laid:
    return lay(site.folder.job, site.folder.survey, site.ground, layout)


def zone(name: str, *corners: tuple[float, float]) -> str:
    return "".join(f",corner,{name},{x},{y},\n" for x, y in corners)


def test_cut_is_route_with_slack_and_both_ends_rounded_up() -> None:
    """
    To the first lamp 3 x 1.05 + 1.0 + 0.4 = 4.55 -> 4.6 m; on to the second 5 x 1.05 + 2 x 0.4 = 6.05 -> 6.1 m.
    """
    site = hand_ground(
        "S,supply,,0,0,\nL1,lamp,spike,3,0,\nL2,lamp,spike,6,4,\n",
        [(0, 0), (3, 0), (6, 4)],
        [(0, 1), (1, 2)],
        lamps_at=[1, 2],
    )
    laid = laid_of(site, site.layout([site.piece(0, 0, 1), site.piece(0, 1, 2)], fed=[[0, 1]]))
    assert [(c.route_m, c.cut_m) for c in laid.cables] == [(3.0, 4.6), (5.0, 6.1)]
    assert [c.above for c in laid.cables] == [-1, 0]
    assert laid.cables[0].start is None
    assert laid.cables[1].start == laid.cables[0].end == (0, 1, 0)
    assert laid.leads_at == {(0, 1, 0): [0], (0, 2, 0): [1]}


def test_lengths_follow_the_slope() -> None:
    """Three across and four up are five along."""
    site = hand_ground(
        "S,supply,,0,0,0\nL1,lamp,spike,3,0,4\nL2,lamp,spike,0,5,0\n", [(0, 0), (3, 0)], [(0, 1)], lamps_at=[1, 0]
    )
    laid = laid_of(site, site.layout([site.piece(0, 0, 1)], fed=[[0]]))
    assert laid.cables[0].route == [(0.0, 0.0, 0.0), (3.0, 0.0, 4.0)]
    assert laid.cables[0].route_m == 5.0


@pytest.mark.parametrize("turned", [False, True])
def test_a_way_longer_than_the_reel_gets_straight_joints_where_they_may_stand(turned: bool) -> None:
    """
    45 m on reels of 20 m, paving (no joints) from 15 to 19 m: the first joint must stand before the paving.

    The last cut of 20 m spans at most (20 - 0.8) / 1.05 = 18.28 m. ``turned``: the line runs from a higher node to a
    lower one, the joints stay where they are.
    """
    far, near = (45.0, 0.0), (10.0, 0.0)
    nodes = [(0.0, 0.0), far, near] if turned else [(0.0, 0.0), near, far]
    end, middle = (1, 2) if turned else (2, 1)
    site = hand_ground(
        "S,supply,,0,0,\nL1,lamp,spike,45,0,\n" + zone("paving", (15, -5), (19, -5), (19, 5), (15, 5)),
        nodes,
        [(0, middle), (middle, end)],
        lamps_at=[end],
    )
    laid = laid_of(site, site.layout([site.piece(0, 0, middle, end)], fed=[[0]]))
    ends = [cable.route[-1][0] for cable in laid.cables]
    assert len(ends) == 3
    assert 14.7 <= ends[0] <= 15.0
    assert ends[1] > 19
    assert ends[2] == 45
    assert all(cable.cut_m <= 20 for cable in laid.cables)
    assert sum(cable.route_m for cable in laid.cables) == pytest.approx(45, abs=0.002)
    assert [cable.above for cable in laid.cables] == [-1, 0, 1]
    for cable, after in zip(laid.cables, laid.cables[1:], strict=False):
        assert cable.end == after.start
        assert cable.route[-1] == after.route[0] == laid.place[cable.end]
        assert site.ground.land.may_joint(np.array([cable.route[-1][:2]]))[0]
    # The spans tile the graph's edges, walked either way.
    covered = np.zeros(2)
    for cable in laid.cables:
        for span in cable.spans:
            assert span.frm < span.to
            covered[span.edge] += span.to - span.frm
    assert covered == pytest.approx([1, 1])


def test_no_straight_joint_stands_at_the_very_end() -> None:
    """
    17.9 m need one joint: (20 - 1.4) / 1.05 = 17.71 m are the most of the first cut; both cuts are longer than 0.5 m.
    """
    for length in (17.9, 17.714, 17.715, 17.72):
        site = hand_ground(
            f"S,supply,,0,0,\nL1,lamp,spike,{length},0,\n", [(0, 0), (length, 0)], [(0, 1)], lamps_at=[1]
        )
        laid = laid_of(site, site.layout([site.piece(0, 0, 1)], fed=[[0]]))
        assert len(laid.cables) == 2
        assert min(cable.route_m for cable in laid.cables) >= 0.5


def test_where_no_joint_may_stand_for_longer_than_a_reel_nothing_is_laid() -> None:
    site = hand_ground(
        "S,supply,,0,0,\nL1,lamp,spike,45,0,\n" + zone("paving", (5, -5), (30, -5), (30, 5), (5, 5)),
        [(0, 0), (45, 0)],
        [(0, 1)],
        lamps_at=[1],
    )
    layout = site.layout([site.piece(0, 0, 1)], fed=[[0]])
    with pytest.raises(CannotLay, match=r"no place for a straight joint within 18\.3 m"):
        laid_of(site, layout)
    thick = site.layout([site.piece(1, 0, 1)], fed=[[0]])
    assert len(laid_of(site, thick).cables) == 1  # reels of 50 m


@pytest.mark.parametrize("turned", [False, True])
def test_metres_on_the_surface_are_those_in_ground_of_depth_zero(turned: bool) -> None:
    """Mulch (depth 0) from 10 to 30 m of 40: 20 m in all, however the reel cuts them."""
    nodes = [(0.0, 0.0), (40.0, 0.0)]
    survey = "S,supply,,0,0,\nL1,lamp,spike,40,0,\n" + zone("mulch", (10, -5), (30, -5), (30, 5), (10, 5))
    lines = [(0, 1)]
    if turned:
        nodes, lines = [(0.0, 0.0), (40.0, 0.0), (1.0, 0.0)], [(0, 2), (2, 1)]
    site = hand_ground(survey, nodes, lines, lamps_at=[1])
    ways = [0, 2, 1] if turned else [0, 1]
    laid = laid_of(site, site.layout([site.piece(0, *ways)], fed=[[0]]))
    assert len(laid.cables) == 3
    assert sum(cable.sun_m for cable in laid.cables) == pytest.approx(20, abs=0.003)
    for cable in laid.cables:
        first, last = cable.route[0][0], cable.route[-1][0]
        assert cable.sun_m == pytest.approx(max(0.0, min(last, 30) - max(first, 10)), abs=0.002)


def chain(count: int, step: float, job: str, *, post: int = -1) -> HandGround:
    lamps = "".join(
        f"L{i},lamp,{'post' if i == post else 'spike'},{round((i + 1) * step, 3)},0,\n" for i in range(count)
    )
    nodes = [(round(i * step, 3), 0.0) for i in range(count + 1)]
    return hand_ground(
        "S,supply,,0,0,\n" + lamps,
        nodes,
        [(i, i + 1) for i in range(count)],
        job=job,
        lamps_at=list(range(1, count + 1)),
    )


def test_a_tapped_trunk_is_one_uncut_length() -> None:
    """
    Three lamps 4 m apart on one gauge: one run; only the driver's end and the last joint take cable of their own.

    4 x 1.05 + 1.0 = 5.2; 4 x 1.05 = 4.2; 4.2 + 0.4 = 4.6 m.
    """
    site = chain(3, 4.0, TAP)
    laid = laid_of(site, site.layout([site.piece(0, i, i + 1) for i in range(3)], fed=[[0, 1, 2]]))
    assert [cable.cut_m for cable in laid.cables] == [5.2, 4.2, 4.6]
    assert len({cable.run for cable in laid.cables}) == 1
    assert laid.cables[0].run >= 0
    assert [(c.through_start, c.through_end) for c in laid.cables] == [(False, True), (True, True), (True, False)]


def test_a_run_ends_where_the_gauge_changes_at_a_post_and_at_the_reel() -> None:
    site = chain(3, 4.0, TAP)
    laid = laid_of(site, site.layout([site.piece(1, 0, 1), site.piece(1, 1, 2), site.piece(0, 2, 3)], fed=[[0, 1, 2]]))
    assert [cable.run >= 0 for cable in laid.cables] == [True, True, False]
    assert laid.cables[2].cut_m == 5.0  # 4.2 + 2 x 0.4
    posts = chain(3, 4.0, TAP, post=1)
    laid = laid_of(posts, posts.layout([posts.piece(0, i, i + 1) for i in range(3)], fed=[[0, 1, 2]]))
    assert [cable.run >= 0 for cable in laid.cables] == [True, True, False]
    long = chain(4, 6.0, TAP)  # 7.3 + 6.3 + 6.3 + 6.7 > 20
    laid = laid_of(long, long.layout([long.piece(0, i, i + 1) for i in range(4)], fed=[[0, 1, 2, 3]]))
    runs = {cable.run for cable in laid.cables if cable.run >= 0}
    for run in runs:
        assert sum(cable.cut_m for cable in laid.cables if cable.run == run) <= 20 + 1e-9
    assert len(runs) == 2


def test_at_a_fork_the_run_goes_on_into_the_branch_with_more_watts() -> None:
    """Node 1 is a joint of lamp 0; lamp 1 hangs on one branch, lamps 2 and 3 on the other."""
    site = hand_ground(
        "S,supply,,0,0,\nL0,lamp,spike,4,0,\nL1,lamp,spike,4,4,\nL2,lamp,spike,8,0,\nL3,lamp,spike,12,0,\n",
        [(0, 0), (4, 0), (4, 4), (8, 0), (12, 0)],
        [(0, 1), (1, 2), (1, 3), (3, 4)],
        job=TAP,
        lamps_at=[1, 2, 3, 4],
    )
    pieces = [site.piece(0, 0, 1), site.piece(0, 1, 2), site.piece(0, 1, 3), site.piece(0, 3, 4)]
    laid = laid_of(site, site.layout(pieces, fed=[[0, 1, 2, 3]]))
    assert [cable.run >= 0 for cable in laid.cables] == [True, False, True, True]
    assert math.isclose(laid.cables[1].cut_m, 5.0)
