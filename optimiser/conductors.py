"""Copper conductors: resistance by size, class and temperature; default current ratings. In: sizes. Out: ohm, A.

Sources: IEC 60228 maximum d.c. resistance at 20 °C (third-party copies of its tables that agree with one another);
ASTM B258 diameters with the IACS resistivity 1/58 ohm mm²/m (IEC 60028) for AWG; temperature coefficient 0.00393 /K at
20 °C (IEC 60287-1-1, table 1). Ratings: BS 7671 table 4F3A (two-core flexible, 60 °C) up to 4 mm², table 4D1A method 1
(two single PVC cables clipped direct) above; for AWG, 33 CFR 183.425 table 5, 60 °C insulation.
"""

from __future__ import annotations

import math

ALPHA_20 = 0.00393
"""Temperature coefficient of copper's resistance at 20 °C, per K."""
RHO_20 = 1 / 58
"""Resistivity of annealed copper at 20 °C, in ohm mm²/m."""

# size in mm²: class 2 plain, class 5 plain, class 5 tinned, in ohm/km of one core at 20 °C
_IEC_60228: dict[float, tuple[float, float, float]] = {
    0.5: (36.0, 39.0, 40.1),
    0.75: (24.5, 26.0, 26.7),
    1.0: (18.1, 19.5, 20.0),
    1.5: (12.1, 13.3, 13.7),
    2.5: (7.41, 7.98, 8.21),
    4.0: (4.61, 4.95, 5.09),
    6.0: (3.08, 3.30, 3.39),
    10.0: (1.83, 1.91, 1.95),
    16.0: (1.15, 1.21, 1.24),
}
# Class 1 (solid) has the same maximum as class 2 at these sizes.
_RATING_A = {0.5: 3.0, 0.75: 6.0, 1.0: 10.0, 1.5: 16.0, 2.5: 25.0, 4.0: 32.0, 6.0: 47.0, 10.0: 65.0, 16.0: 87.0}
_AWG_RATING_A = {18: 10.0, 16: 15.0, 14: 20.0, 12: 25.0, 10: 40.0, 8: 55.0}


def temperature_factor(temperature_c: float) -> float:
    """Resistance at this temperature over that at 20 °C."""
    return 1 + ALPHA_20 * (temperature_c - 20)


def awg_mm2(awg: int) -> float:
    """Area of a solid AWG conductor, in mm²: d = 0.127 mm x 92^((36 - n)/39) (ASTM B258)."""
    diameter_mm: float = 0.127 * 92 ** ((36 - awg) / 39)
    return math.pi / 4 * diameter_mm**2


def is_known(mm2: float | None, awg: int | None, conductor: int, tinned: bool) -> bool:
    """Whether the tables hold this conductor."""
    if awg is not None:
        return True
    return mm2 in _IEC_60228 and not (tinned and conductor != 5)


def ohm_per_m(
    mm2: float | None,
    conductor: int = 5,
    *,
    awg: int | None = None,
    tinned: bool = False,
    temperature_c: float = 20.0,
) -> float:
    """
    Resistance of one core of one metre, in ohm.

    Parameters
    ----------
    mm2, awg
        Conductor size, one of them.
    conductor
        IEC 60228 class, 1, 2 or 5.
    tinned
        Whether its copper is tinned (class 5 only).
    temperature_c
        Copper temperature, in °C.

    Raises
    ------
    KeyError
        The tables have no such conductor.

    Examples
    --------
    >>> round(2 * ohm_per_m(2.5, 5) * 1000, 2)  # loop, ohm/km
    15.96
    """
    factor = temperature_factor(temperature_c)
    if awg is not None:
        return RHO_20 / awg_mm2(awg) * factor
    if mm2 is None or not is_known(mm2, None, conductor, tinned):
        raise KeyError(f"no resistance in the tables for {mm2} mm², class {conductor}{', tinned' if tinned else ''}")
    plain_2, plain_5, tinned_5 = _IEC_60228[mm2]
    per_km = tinned_5 if tinned else plain_5 if conductor == 5 else plain_2
    return per_km / 1000 * factor


def default_rating_a(mm2: float | None, awg: int | None) -> float | None:
    """Current rating where a job states none, in A; None where the tables have none."""
    return _AWG_RATING_A.get(awg) if awg is not None else _RATING_A.get(mm2 or 0.0)


def default_lead_rating_a(mm2: float) -> float:
    """Rating of a lamp's lead: the flexible-cable table, the next smaller size where it has none, in A."""
    sizes = [size for size in _RATING_A if size <= mm2]
    return _RATING_A[max(sizes)] if sizes else 0.0
