"""Which lamp may hang on which driver (DEVELOPERS.md; the rules are trade.md's common practice, no source)."""

import pytest

from optimiser.job import Driver, LampType
from optimiser.matching import fits, misfit


def lamp(**changes: object) -> LampType:
    return LampType.model_validate({"watts": 5, "volts": 12} | changes)


def driver(**changes: object) -> Driver:
    return Driver.model_validate({"taps_v": [12, 13], "rated_w": 75, "price": 1} | changes)


WOUND = {"kind": "wound", "regulation_pct": 5}


@pytest.mark.parametrize(
    ("lamp_type", "model", "why_not"),
    [
        (lamp(), driver(), ""),
        (lamp(volts=24), driver(), "is for 12 V lamps, not 24 V"),
        (lamp(volts=24), driver(taps_v=[24]), ""),
        (lamp(), driver(taps_v=[13, 14], volts=12), ""),  # raised taps for 12 V lamps
        (lamp(), driver(taps_v=[13, 14]), "is for 13 V lamps, not 12 V"),
        (lamp(), driver(**WOUND), "gives ac, not dc"),
        (lamp(supply="ac"), driver(), "gives dc, not ac"),
        (lamp(supply="ac"), driver(**WOUND), ""),
        (lamp(supply="either"), driver(**WOUND), ""),
        (lamp(supply="either"), driver(), ""),
        (lamp(supply="ac"), driver(output="ac"), ""),
        (
            lamp(),
            driver(dims_by_voltage=True),
            "dims by lowering its volts, which a lamp with its own converter does not follow",
        ),
        (lamp(load="resistance"), driver(dims_by_voltage=True), ""),
    ],
)
def test_fits(lamp_type: LampType, model: Driver, why_not: str) -> None:
    assert misfit(lamp_type, model) == why_not
    assert fits(lamp_type, model) == (why_not == "")
