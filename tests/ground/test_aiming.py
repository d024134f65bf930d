"""Leads that reach their lamp anywhere within its aim reserve: by hand, against sampled ways, and in a whole job."""

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely import LineString, Point, Polygon, box

from optimiser.check import check_plan
from optimiser.ground.aiming import ways_are_free
from optimiser.ground.zones import Land
from optimiser.make_plan import Options, make_plan
from optimiser.problems import BadInput
from tests.properties.random_jobs import folder_of

HOUSE_FRONT = box(-5, 0.1, 5, 5)
"""A long wall 0.1 m beside the lamp at (0, 0)."""
CORNER = box(0.1, 0.1, 5, 5)
THIN_WALL = box(-5, 0.1, 5, 0.15)
"""It cuts the circle of 0.3 m apart."""
STAKE = box(-0.02, -0.22, 0.02, -0.18)
"""Inside the circle, between the lamp and what lies south of it."""


@pytest.mark.parametrize(
    ("barred", "joint", "free"),
    [
        (Polygon(), (0.0, 3.0), True),
        (HOUSE_FRONT, (0.8, -0.5), True),  # a half plane hides nothing of itself
        (HOUSE_FRONT, (3.0, 0.1), True),  # along the wall: touching is not crossing
        (CORNER, (0.0, -0.5), True),
        # To (0.28, 0.05) the way from (-0.5, 0.5) is at y = 0.154 where x = 0.1: inside the house.
        (CORNER, (-0.5, 0.5), False),
        (THIN_WALL, (0.0, -0.5), True),  # beyond the wall the lamp cannot be moved
        (THIN_WALL, (0.0, 0.5), False),
        (STAKE, (0.0, 0.5), False),  # behind the stake, within the circle
        (box(0.0, 0.5, 0.1, 0.6), (0.05, 1.0), False),  # outside the circle, on the straight way
        (box(-1.0, 0.9, -0.5, 1.0), (0.0, 1.0), True),  # near, and in no way
    ],
)
def test_by_hand(barred: Polygon, joint: tuple[float, float], free: bool) -> None:
    assert bool(ways_are_free(barred, np.zeros(2), 0.3, np.array([joint]))[0]) == free


def test_without_reserve_or_joints_nothing_is_asked() -> None:
    assert ways_are_free(THIN_WALL, np.zeros(2), 0.0, np.array([[0.0, 0.5]])).all()
    assert len(ways_are_free(THIN_WALL, np.zeros(2), 0.3, np.zeros((0, 2)))) == 0


COORDINATE = st.integers(-20, 20).map(lambda n: n / 20)


@settings(max_examples=200, deadline=None)
@given(
    st.lists(st.tuples(COORDINATE, COORDINATE, st.integers(1, 8)), min_size=1, max_size=3),
    st.tuples(COORDINATE, COORDINATE),
)
def test_no_sampled_way_crosses_where_all_are_said_free(
    boxes: list[tuple[float, float, int]], joint: tuple[float, float]
) -> None:
    barred = shapely.union_all([box(x, y, x + n / 20, y + 0.1) for x, y, n in boxes])
    if barred.distance(Point(0, 0)) == 0 or barred.distance(Point(joint)) == 0:
        return
    free = bool(ways_are_free(barred, np.zeros(2), 0.3, np.array([joint]))[0])
    inner = barred.buffer(-1e-6)
    crossed = False
    for turn in np.linspace(0, 2 * np.pi, 60, endpoint=False):
        for far in (0.1, 0.2, 0.3):
            moved = far * np.array([np.cos(turn), np.sin(turn)])
            if inner.intersects(LineString([(0, 0), moved])):
                continue
            crossed |= bool(inner.intersects(LineString([moved, joint])))
    assert not (free and crossed)


JOB = """title = "aim"
base_ground = "lawn"
[grounds]
lawn = { per_m = 10, lead_per_m = 1 }
house = { kind = "no_dig", keep_off_m = 0.0 }
[lamps.spike]
watts = 5
volts = 12
window_v = [10, 14]
lead_m = 1.5
[cables]
"1.5" = { mm2 = 1.5, price_per_m = 1 }
[drivers]
d = { taps_v = [12], rated_w = 60, limit_a = 6, limit_mode = "hiccup", short_rms_a = 2, price = 50 }
[joints.kits]
k = { max_ways = 4, price = 5 }
[rules]
border_tolerance_m = 0.05
"""
# The house's corner is at (5, 0); the lamp stands 0.1 m before its front, the supply point round the corner.
SURVEY = """point,kind,of,x,y
S1,supply,,5.4,2.0
L1,lamp,spike,4.85,-0.1
,corner,house,0,0
,corner,house,5,0
,corner,house,5,4
,corner,house,0,4
"""


@pytest.mark.parametrize("anywhere", [False, True])
def test_a_job_that_asks_for_it(anywhere: bool) -> None:
    """
    Round the corner the joint may stand nearer to the supply point; asked to, the search keeps it where all is seen.

    From a joint at x > 5 and y > 0 the ways to places before the front cross the house's corner.
    """
    text = JOB + ("aim_anywhere = true\n" if anywhere else "")
    folder = folder_of(text, SURVEY)
    plan = make_plan(folder, Options(effort=0.1))
    report = check_plan(plan, folder.job, folder.survey, folder.digest)
    assert report.holds
    asked = folder_of(JOB + "aim_anywhere = true\n", SURVEY)
    found = {finding.limit for finding in check_plan(plan, asked.job, asked.survey, folder.digest).violations}
    assert found == (set() if anywhere else {"aiming"})
    assert (plan.joints[0].y <= 0.001) == anywhere
    assert any(rule.name == "aiming" for rule in plan.rules) == anywhere


def test_a_lamp_that_no_joint_sees_from_everywhere_is_refused() -> None:
    # Two walls leave a slot of 0.14 m round the lamp; whatever the joint, a wall hides part of the circle beyond it.
    walls = "\n".join(
        f",corner,house {n},{x},{y}"
        for n, (x0, x1) in enumerate([(9.83, 9.93), (10.07, 10.17)], start=2)
        for x, y in [(x0, -0.2), (x1, -0.2), (x1, 0.2), (x0, 0.2)]
    )
    survey = f"point,kind,of,x,y\nS1,supply,,0,0\nL1,lamp,spike,10,0\n{walls}\n"
    zones = '[zones."house 2"]\nground = "house"\n[zones."house 3"]\nground = "house"\n'
    make_plan(folder_of(JOB + zones, survey), Options(effort=0.02))
    with pytest.raises(BadInput, match=r"from somewhere within its aim reserve \(rules.aim_anywhere\)"):
        make_plan(folder_of(JOB + "aim_anywhere = true\n" + zones, survey), Options(effort=0.02))


def test_a_slope_takes_some_of_the_reserve() -> None:
    """
    Up and down a slope of 1 in 2 the rim of the reserve lies 0.3 x √1.25 away: 0.3 x (√1.25 - 1) of reach are lost.

    Along the contour the way to the rim's far end is 0.8 + 0.3 m, and the rim's other places are no farther: nothing.
    """
    survey = "point,kind,of,x,y,z\n" + "".join(
        f"P{i},peg,,{x},{y},{x / 2}\n" for i, (x, y) in enumerate([(-9, -9), (9, -9), (9, 9), (-9, 9)])
    )
    survey += "S1,supply,,5,5,2.5\nL1,lamp,spike,0,0,0\n"
    joints = np.array([[0.8, 0.0], [-0.8, 0.0], [0.0, 0.8]])
    reach = []
    for rule in ("", "aim_anywhere = true\n"):
        folder = folder_of(JOB + rule, survey)
        reach.append(Land(folder.job, folder.survey).lead_lines(np.zeros(3, dtype=int), joints).reach_m)
    lost = 0.3 * (1.25**0.5 - 1)
    along = max(
        np.hypot(np.hypot(0.3 * np.cos(t), 0.8 - 0.3 * np.sin(t)), 0.15 * np.cos(t)) for t in np.linspace(0, 7, 500)
    )
    assert along == pytest.approx(1.1, abs=1e-4)
    assert reach[0] - reach[1] == pytest.approx([lost, lost, 0.0], abs=1e-4)
