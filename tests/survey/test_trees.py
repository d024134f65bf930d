"""Root ground and trunk strips against BS 5837:2012 and AS 4970, as quoted by third parties."""

import math

import pytest
from shapely import Point
from small_job import JOB, SURVEY, job, survey

from optimiser.job import TRUNK_STRIP, TreeRule
from optimiser.survey.zones import polygon_round, root_radius_m, strip_radius_m

# AS 4970 (2009 and 2025, cl. 3.2): 12 x stem diameter, at least 2 m, at most 15 m (stem in mm, radius in m).
AS_4970 = [(100, 2.0), (150, 2.0), (200, 2.4), (300, 3.6), (500, 6.0), (800, 9.6), (1000, 12.0), (1500, 15.0)]
# BS 5837:2012: circle of 12 x stem diameter, no least radius (stem in mm, area in m²). 500 mm is a county council's
# example; the others follow from the standard's formula; 1500 mm meets its cap of 707 m².
BS_5837 = [(100, 4.5), (150, 10.2), (200, 18.1), (300, 40.7), (500, 113.1), (800, 289.5), (1000, 452.4), (1500, 706.9)]
# A polygon of n sides drawn round a circle exceeds it by n tan(pi / n) / pi: 0.32 % for 32 sides.
EXCESS_32 = 32 * math.tan(math.pi / 32) / math.pi


@pytest.mark.parametrize(("stem_mm", "radius_m"), AS_4970)
def test_root_radius_is_that_of_as_4970(stem_mm: float, radius_m: float) -> None:
    assert root_radius_m(stem_mm, TreeRule()) == pytest.approx(radius_m, abs=1e-9)


@pytest.mark.parametrize(("stem_mm", "area_m2"), BS_5837)
def test_root_ground_has_the_area_of_bs_5837(stem_mm: float, area_m2: float) -> None:
    """Within the 0.05 m² that the areas are rounded by, and the polygon's known excess (corners lie within 1 mm)."""
    radius_m = root_radius_m(stem_mm, TreeRule(root_min_m=0))
    assert math.pi * radius_m**2 == pytest.approx(area_m2, abs=0.05)
    polygon = polygon_round(3.2, -1.7, radius_m, 32)
    assert polygon.area == pytest.approx(math.pi * radius_m**2 * EXCESS_32, rel=2e-3 / radius_m)


def test_polygons_lie_round_their_circles() -> None:
    """No point of the circle is outside by more than the rounding of corners to the millimetre."""
    for sides, radius_m in ((16, 1.11), (32, 6.0), (32, 15.0)):
        polygon = polygon_round(4.7, 4.55, radius_m, sides)
        assert len(polygon.exterior.coords) == sides + 1
        distance = polygon.exterior.distance(Point(4.7, 4.55))
        assert radius_m - 1e-3 <= distance <= radius_m + 1e-3


def test_trunk_strip_is_a_metre_from_the_trunks_face() -> None:
    """NJUG Vol. 4: no digging within 1 m of the trunk. A 440 mm stem: 0.22 + 1.0 m from its centre."""
    assert strip_radius_m(440, TreeRule()) == pytest.approx(1.22)


def test_a_tree_is_two_zones() -> None:
    site = survey(SURVEY + "T1,tree,,20,20,,,,500\n")
    strip, root = site.zones
    assert (strip.of, strip.ground, strip.keep_off_m) == ("trunk", TRUNK_STRIP, 0)
    assert (root.of, root.ground, root.keep_off_m) == ("root", "root", 0)
    assert root.polygon.contains(strip.polygon)
    grounds = job().grounds
    assert grounds["root"].per_m == 16  # twice the base ground's
    assert not grounds["root"].no_dig
    assert (grounds[TRUNK_STRIP].no_dig, grounds[TRUNK_STRIP].leads) == (True, True)
    assert grounds[TRUNK_STRIP].lead_price_per_m == 16


def test_strict_rule_keeps_out_of_root_ground() -> None:
    strict = job(JOB + '\n[trees]\nrule = "strict"\n')
    root = strict.grounds["root"]
    assert (root.no_dig, root.joints, root.leads) == (True, False, False)
    assert strict.grounds[TRUNK_STRIP].leads


def test_a_job_keeps_its_own_root_ground() -> None:
    own = job(JOB.replace("pond = {}", "pond = {}\nroot = { per_m = 5, lead_per_m = 2, depth_mm = 80 }"))
    assert (own.grounds["root"].per_m, own.grounds["root"].depth_mm) == (5, 80)
    assert own.grounds[TRUNK_STRIP].lead_price_per_m == 2
