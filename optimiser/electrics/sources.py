"""A driver's tap as an EMF behind a resistance. In: a driver model and a tap. Out: Source.

Electronic: the EMF is the tap, give or take its tolerance; no resistance. Wound: the stated volts are those at rated
load and rated mains, so the EMF is tap x (1 + regulation) and the resistance regulation x tap² / rated VA, which gives
the tap again at rated amps; the mains' band scales the EMF.
"""

from __future__ import annotations

from dataclasses import dataclass

from ..job import Driver, LampType


@dataclass(frozen=True)
class Source:
    """EMF as stated, at its lowest and at its highest, in V; internal resistance in ohm."""

    emf_v: float
    low_emf_v: float
    high_emf_v: float
    internal_ohm: float


def source_of(driver: Driver, tap_v: float) -> Source:
    """
    The source that this tap of the driver is.

    Parameters
    ----------
    driver
        Its model.
    tap_v
        One of ``driver.taps_v``, in V.

    Examples
    --------
    >>> wound = Driver(kind="wound", taps_v=(12,), rated_w=150, regulation_pct=10, price=0)
    >>> source = source_of(wound, 12)
    >>> round(source.emf_v, 6), round(source.internal_ohm, 6), round(source.emf_v - 150 / 12 * source.internal_ohm, 6)
    (13.2, 0.096, 12.0)
    """
    if driver.kind == "electronic":
        stray = driver.tol_pct / 100
        return Source(tap_v, tap_v * (1 - stray), tap_v * (1 + stray), 0.0)
    regulation = (driver.regulation_pct or 0.0) / 100
    emf_v = tap_v * (1 + regulation)
    return Source(
        emf_v,
        emf_v * (1 + driver.mains_low_pct / 100),
        emf_v * (1 + driver.mains_high_pct / 100),
        regulation * tap_v**2 / driver.rated_w,
    )


def keeps_window(lamp_type: LampType, driver: Driver, tap_v: float) -> bool:
    """
    Whether some cable could keep a lamp of this type inside its window at both ends of the source's band.

    What the cable takes off the highest volts, cold and alone, is no more than what it takes off the lowest, hot and
    with all on (in proportion to the source for a resistance). The latter must leave the window's lower end.
    """
    source = source_of(driver, tap_v)
    low, high = lamp_type.window
    ratio = source.high_emf_v / source.low_emf_v if lamp_type.load == "resistance" else 1.0
    return source.low_emf_v >= low and source.high_emf_v - ratio * (source.low_emf_v - low) <= high
