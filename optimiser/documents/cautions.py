"""What the reader of a plan must be told. In: Plan. Out: sentences, printed on the drawing and in the folder."""

from __future__ import annotations

from ..plan.model import Plan

_ALWAYS = (
    "Local wiring rules come before this plan: where they ask for more, do more.",
    "Mains side: a licensed electrician only, on a circuit with a 30 mA residual-current device.",
    "Before any digging, find out what lies buried (mains, gas, water, telephone) and mark it on the ground.",
    "Drivers are isolating SELV sources. Their outputs are never joined to one another, and never earthed.",
    "Mount drivers where they can be reached and air can pass, clear of the ground; outdoors IP44 or better.",
    "A bad joint heats without opening any fuse. Only measuring finds it: measure volts and amps at full load.",
    "This plan is a calculation. Measure every circuit with all its lamps on before the trenches are filled.",
)
_ROOTS = "Near trees dig by hand, go under or round roots, and cut none thicker than 25 mm."
_MAINS = "Mains lines are drawn as surveyed, which may be wrong: expose them by hand before crossing them."
_WATER = "Clearances from water are the job's; where people bathe, local rules may ask for far more."


def cautions(plan: Plan) -> list[str]:
    """
    Sentences in the order to be read.

    Some concern only sites with trees, mains lines or water. The figures (30 mA, IP44, roots of 25 mm) are common
    practice; the job's own rules are listed in the plan's ``rules``.
    """
    found = list(_ALWAYS)
    site = plan.site
    if site.trees:
        found.insert(3, _ROOTS)
    if site.mains:
        found.insert(3, _MAINS)
    if any(zone.water for zone in site.zones):
        found.append(_WATER)
    return found


def brief() -> str:
    """The same in one paragraph, for the foot of every sheet that goes to site; ``cautions`` has them in full."""
    return (
        "Local wiring rules come first. Mains work: a licensed electrician only. Locate buried services before any "
        "digging. Near trees dig by hand, cut no root over 25 mm. A calculation: measure with all lamps on "
        "before closing up."
    )
