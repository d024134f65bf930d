"""Nights and hours of a schedule once more, with a sun of its own. In: Schedule, Place. Out: Span, least and most.

The sun is that of the Astronomical Almanac's low-precision formulas (good to 0.01° from 1950 to 2050; from memory, and
compared with printed tables in the tests), sidereal time likewise. All nights are reckoned at once. Since 0.01° may
decide whether a night has a dusk at all, each is reckoned a little to both sides of the depression asked for.
"""

from __future__ import annotations

import datetime
from dataclasses import dataclass
from functools import lru_cache
from zoneinfo import ZoneInfo

import numpy as np
from numpy.typing import NDArray

from ..job import Moment, Place, Schedule

Floats = NDArray[np.float64]

_NAMES = ("jan", "feb", "mar", "apr", "may", "jun", "jul", "aug", "sep", "oct", "nov", "dec")
_DAYS = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")
_EPOCH = datetime.datetime(2000, 1, 1, 12)
_TURN_DEG = 360.98564737
"""What the Earth turns against the stars in a day."""
SUN_DEG = 0.02
"""How far two suns may differ: twice what the formulas are good to."""
SUN_S = 2.0
"""And how far apart their noons may lie, which end a night that is dark all day."""
_STEPS = 8


@dataclass(frozen=True)
class Span:
    """Least and most that nights and hours can be."""

    least_nights: int
    most_nights: int
    least_h: float
    most_h: float


@lru_cache(maxsize=16)
def span_of(schedule: Schedule, place: Place | None) -> Span:
    """What a plan may print for the year of a schedule; ``place`` is there where dusk or dawn is asked for."""
    first = datetime.date(schedule.year, 1, 1)
    days = (first + datetime.timedelta(days=i) for i in range(366))
    dates = [
        day
        for day in days
        if day.year == first.year
        and _DAYS[day.weekday()] in schedule.weekdays
        and _NAMES[day.month - 1] in schedule.months
    ]
    if not dates:
        return Span(0, 0, 0.0, 0.0)
    if not schedule.uses_sun or place is None:
        each = np.full(len(dates), (schedule.off_at.minutes - schedule.on_at.minutes) / 60)
        lit = int((each > 0).sum())
        return Span(lit, lit, float(each.sum()), float(each.sum()))
    deep = [_hours(schedule, place, dates, schedule.dusk_deg + off) for off in (-SUN_DEG, 0.0, SUN_DEG)]
    least, most = np.min(deep, axis=0), np.max(deep, axis=0)
    few, many = int((least > 0).sum()), int((most > 0).sum())
    return Span(few, many, float(least.sum()) - few * SUN_S / 3600, float(most.sum()) + many * SUN_S / 3600)


def _hours(schedule: Schedule, place: Place, dates: list[datetime.date], deg: float) -> Floats:
    """(n,) hours that lamps are on in the nights that begin on these dates."""
    dark, dusk, dawn = dusks_and_dawns(place, deg, dates)

    def days(moment: Moment) -> Floats:
        if moment.of == "clock":
            return _days_of(place, dates, moment.minutes)
        return (dusk if moment.of == "dusk" else dawn) + moment.minutes / 1440

    length: Floats = 24 * (days(schedule.off_at) - days(schedule.on_at))
    return np.where(dark, np.maximum(length, 0.0), 0.0)


def _days_of(place: Place, dates: list[datetime.date], minutes: int) -> Floats:
    """(n,) days since the epoch, universal time, of so many minutes of the clock after each date's noon."""
    zone, found = ZoneInfo(place.time_zone), []
    for day in dates:
        clock = datetime.datetime(day.year, day.month, day.day, 12) + datetime.timedelta(minutes=minutes)
        offset = clock.replace(tzinfo=zone).utcoffset() or datetime.timedelta()
        found.append((clock - offset - _EPOCH) / datetime.timedelta(days=1))
    return np.array(found)


def dusks_and_dawns(place: Place, deg: float, dates: list[datetime.date]) -> tuple[NDArray[np.bool_], Floats, Floats]:
    """
    Dusk and dawn of the nights that begin on these dates.

    Returns
    -------
    (n,) whether the sun gets so low at all, and (n,) dusk and dawn in days since noon of 1 January 2000, universal
    time; where it is so low all day, the noons before and after.
    """
    lowest = _days_of(place, dates, 720)
    for _ in range(_STEPS):
        lowest = lowest + _turn(180 - _hour_angle(place, lowest)) / _TURN_DEG
    _, declination = _sun(lowest)
    north = np.radians(place.latitude)
    lowest_sine = np.sin(north) * np.sin(declination) - np.cos(north) * np.cos(declination)
    sine = -np.sin(np.radians(deg))

    def passes(side: int) -> Floats:
        at = lowest - side * 0.25
        for _ in range(_STEPS):
            _, dec = _sun(at)
            flat = np.maximum(np.cos(north) * np.cos(dec), 1e-9)
            angle = np.degrees(np.arccos(np.clip((sine - np.sin(north) * np.sin(dec)) / flat, -1, 1)))
            wanted = lowest - side * (180 - angle) / _TURN_DEG
            at = wanted + _turn(side * angle - _hour_angle(place, wanted)) / _TURN_DEG
        return at

    return lowest_sine < sine, passes(1), passes(-1)


def _turn(angle_deg: Floats) -> Floats:
    """The same angle from -180° to 180°."""
    return (angle_deg + 180) % 360 - 180


def _sun(days: Floats) -> tuple[Floats, Floats]:
    """Right ascension in degrees and declination in radians."""
    mean = 280.460 + 0.9856474 * days
    anomaly = np.radians(357.528 + 0.9856003 * days)
    along = np.radians(mean + 1.915 * np.sin(anomaly) + 0.020 * np.sin(2 * anomaly))
    tilt = np.radians(23.439 - 0.0000004 * days)
    ascension = np.degrees(np.arctan2(np.cos(tilt) * np.sin(along), np.cos(along)))
    return ascension, np.arcsin(np.sin(tilt) * np.sin(along))


def _hour_angle(place: Place, days: Floats) -> Floats:
    """Of the sun, in degrees, west of the meridian positive."""
    ascension, _ = _sun(days)
    return 280.46061837 + _TURN_DEG * days + place.longitude - ascension
