"""x and y changed over in the rows of the lamps: said where the zones tell, and nowhere else."""

import pytest
from small_job import HEADER, complaint, job

from optimiser.survey import read_survey

HOUSE = "".join(f",corner,house,{x},{y}\n" for x, y in ((0, 0), (20, 0), (20, 4), (0, 4)))
LAWN = "".join(f",corner,bed,{x},{y}\n" for x, y in ((0, 6), (20, 6), (20, 9), (0, 9)))
LAMPS = ((13, 6.5), (15, 8.5), (17, 5.5), (19, 7.5))
SUPPLY = "S1,supply,,14,4\n"


def survey(lamps: tuple[tuple[float, float], ...], *more: str) -> str:
    return HEADER + SUPPLY + "".join(f"L{k},lamp,spike,{x},{y}\n" for k, (x, y) in enumerate(lamps)) + "".join(more)


def doubts(text: str) -> list[str]:
    return [note for note in read_survey(text.encode(), "survey.csv", job()).notes if "swapped" in note]


def test_lamps_outside_all_zones_that_would_lie_among_them() -> None:
    changed = tuple((y, x) for x, y in LAMPS)
    assert doubts(survey(changed, HOUSE, LAWN)) == [
        "all 4 lamps lie outside all zones, and none would with x and y changed over: "
        "are x and y swapped in their rows?"
    ]


@pytest.mark.parametrize(
    "text",
    [
        survey(LAMPS, HOUSE, LAWN),
        survey(tuple((y, x) for x, y in LAMPS)),  # no zones: nothing tells
        survey((*((y, x) for x, y in LAMPS[1:]), LAMPS[0]), HOUSE, LAWN),  # one lies well: the others stand outside
        survey(tuple((x + 30, y) for x, y in LAMPS), HOUSE, LAWN),  # astray either way
        survey(tuple((y, x) for x, y in LAMPS[:2]), HOUSE, LAWN),  # two prove nothing
        survey(((5, 5), (6, 6), (7, 7)), HOUSE, LAWN),
    ],
)
def test_no_doubt_without_evidence(text: str) -> None:
    assert doubts(text) == []


def test_supply_points_in_ground_that_may_not_be_dug() -> None:
    """Supply points deep in a house are problems anyway: the likely reason stands above them."""
    places = "".join(f"S{k},supply,,{x},{y}\n" for k, (x, y) in enumerate(((2, 14), (3, 15), (1, 16))))
    house = "".join(f",corner,house,{x},{y}\n" for x, y in ((0, 12), (5, 12), (5, 20), (0, 20)))
    bed = "".join(f",corner,bed,{x},{y}\n" for x, y in ((0, 0), (20, 0), (20, 9), (0, 9)))
    said = complaint(HEADER + places + "L1,lamp,spike,9,3\n" + house + bed).splitlines()
    assert said[:3] == [
        "survey.csv:x, y: found that all 3 supply points lie in ground that may not be dug, and none would with x and "
        "y changed over: are x and y swapped in their rows?",
        "    mend: look at both columns again",
        "survey.csv:2:x, y: found supply point 'S0' 2.00 m inside no-dig zone 'house'; rules.border_tolerance_m allows "
        "0.3 m",
    ]
