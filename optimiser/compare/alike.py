"""Whether two plans are one layout. In: two Plans. Out: bool.

The same drivers, circuits, cables, joints and trenches in the same places: what would be bought, dug and made alike.
Names and the order of parts do not count, nor do prices, volts and what else follows from the job.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Hashable, Sequence

from ..plan.model import Plan


def same_layout(a: Plan, b: Plan) -> bool:
    """Whether both would be built alike, to the millimetre."""
    return _built(a) == _built(b)


def _built(plan: Plan) -> Counter[Hashable]:
    drivers = {one.id: (one.supply, one.model) for one in plan.drivers}
    circuits = {
        one.id: (drivers[one.driver], one.tap_v, one.fuse_a, one.breaker_a, tuple(sorted(one.lamps)))
        for one in plan.circuits
    }
    joints = {one.id: (one.x, one.y, one.kit, one.post) for one in plan.joints}
    parts: list[Hashable] = [("driver", one) for one in drivers.values()]
    parts += [("circuit", one) for one in circuits.values()]
    parts += [("joint", circuits[one.circuit], joints[one.id]) for one in plan.joints]
    parts += [("cable", circuits[one.circuit], one.cable, one.cut_m, _way(one.route)) for one in plan.cables]
    parts += [("trench", one.ground, one.sleeve, len(one.cables), _way(one.route)) for one in plan.trenches]
    parts += [("lamp", one.id, joints[one.joint], one.lead_m, one.extension_m) for one in plan.lamps]
    return Counter(parts)


def _way(route: Sequence[Sequence[float]]) -> tuple[tuple[float, ...], ...]:
    """The route, from whichever end it is told."""
    there = tuple(tuple(place) for place in route)
    return min(there, there[::-1])
