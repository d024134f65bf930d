"""Lamps that stand where nothing is dug. In: Job, Survey. Out: the zone that each stands deepest in, and how deep."""

from __future__ import annotations

from typing import NamedTuple

import shapely

from ..job import Job
from ..survey.model import Lamp, Survey, Zone


class Standing(NamedTuple):
    """Where a lamp stands: ``depth_m`` from the nearest border of a no-dig zone, or from a trunk's face."""

    zone: Zone
    depth_m: float

    @property
    def says(self) -> str:
        """The zone in words: its own name, or its tree's."""
        if self.zone.of == "survey":
            return f"no-dig zone '{self.zone.name}'"
        tree = self.zone.name.removesuffix(f" {self.zone.of}")
        return f"the {'trunk' if self.zone.of == 'trunk' else 'no-dig root ground'} of tree '{tree}'"


def deep_in_no_dig(job: Job, survey: Survey, lamp: Lamp) -> Standing | None:
    """
    The trunk, or the no-dig zone other than water, that a lamp stands deepest in; None where there is none.

    No-dig roots count where it stands in nothing else: they reach far round the trunk or the wall that matters more.

    It may well stand there (a light let into a slab), but a slip of the tape looks the same. So zones count from
    ``border_tolerance_m`` on. Of a trunk's strip only the stem counts: a light beside the trunk is where it should be.
    Lamps in water are ordinary: they float, or are made for it.
    """
    place = shapely.Point(lamp.place[:2])
    found = []
    for zone in survey.zones:
        ground = job.grounds[zone.ground]
        if ground.no_dig and not ground.is_water and zone.polygon.contains(place):
            depth_m = float(zone.polygon.boundary.distance(place))
            if zone.of == "trunk":
                depth_m -= job.trees.strip_m
                if depth_m > 1e-9:
                    found.append(Standing(zone, depth_m))
            elif depth_m > job.rules.border_tolerance_m + 1e-9:
                found.append(Standing(zone, depth_m))
    return max(found, key=lambda standing: (standing.zone.of != "root", standing.depth_m), default=None)
