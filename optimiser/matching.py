"""Which lamp may hang on which driver. In: a lamp type and a driver model. Out: yes, or the reason why not.

One rule for the reader (which refuses a lamp that no driver fits) and for the search (which builds only what fits).
"""

from __future__ import annotations

import math

from .job import Driver, LampType


def misfit(lamp_type: LampType, driver: Driver) -> str:
    """
    Why this lamp may not hang on this driver: a clause, empty where it may.

    Volts must be the same nominal volts (a raised tap of a driver still counts as its lamps' nominal volts), dc lamps
    want dc and ac lamps ac. A lamp with a converter of its own holds its light as the volts fall, so a driver that
    dims by lowering them would only drive it out of its window.
    """
    if not math.isclose(lamp_type.volts, driver.nominal_v, rel_tol=1e-9):
        return f"is for {driver.nominal_v:g} V lamps, not {lamp_type.volts:g} V"
    kind = "ac" if driver.ac else "dc"
    if lamp_type.supply not in (kind, "either"):
        return f"gives {kind}, not {lamp_type.supply}"
    if driver.dims_by_voltage and lamp_type.load == "power":
        return "dims by lowering its volts, which a lamp with its own converter does not follow"
    return ""


def fits(lamp_type: LampType, driver: Driver) -> bool:
    """Whether a lamp of this type may hang on a driver of this model (see ``misfit``)."""
    return not misfit(lamp_type, driver)
