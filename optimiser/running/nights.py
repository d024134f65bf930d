"""How long the lamps are on in a year. In: Schedule, Place. Out: Nights.

A night runs from noon to noon and belongs to the day on which it begins. Dusk and dawn of a night are where the sun's
centre, seen from the place without refraction, passes ``dusk_deg`` below the horizon on its way to and from its lowest
point, the one nearest to midnight of the clock. Where it never gets so low, that night has no dusk and no dawn and a
schedule that asks for one lights nothing; where it is lower all day, dusk is the noon before and dawn the noon after.

Between two times of the clock the hours are those of the clock. With dusk or dawn they are those that pass: a time of
the clock is then one of the place's time zone, summer time included.
"""

from __future__ import annotations

import datetime
import math
from collections.abc import Iterator
from dataclasses import dataclass
from functools import lru_cache

from ..job import Moment, Place, Schedule
from ..job.schedule import MONTHS, WEEKDAYS

_WITHIN_DAYS = 1e-8
"""How near dusk and dawn are found: a millisecond."""


@dataclass(frozen=True)
class Nights:
    """Nights of a year on which lamps are on, and the hours they are on in all."""

    count: int
    hours: float


def dates_of(schedule: Schedule) -> Iterator[datetime.date]:
    """Days of the reckoned year on which a night of the schedule begins."""
    day = datetime.date(schedule.year, 1, 1)
    while day.year == schedule.year:
        if WEEKDAYS[day.weekday()] in schedule.weekdays and MONTHS[day.month - 1] in schedule.months:
            yield day
        day += datetime.timedelta(days=1)


@lru_cache(maxsize=16)
def count_nights(schedule: Schedule, place: Place | None) -> Nights:
    """
    Nights and hours of the schedule's year.

    Raises
    ------
    ValueError
        The schedule asks for dusk or dawn, and there is no place.
    """
    lit = [hours for day in dates_of(schedule) if (hours := night_hours(schedule, place, day)) > 0]
    return Nights(len(lit), math.fsum(lit))


def night_hours(schedule: Schedule, place: Place | None, day: datetime.date) -> float:
    """Hours the lamps are on in the night that begins on this day; 0 where they would go off before they come on."""
    if not schedule.uses_sun:
        return (schedule.off_at.minutes - schedule.on_at.minutes) / 60
    if place is None:
        raise ValueError("dusk and dawn need a place")
    sun = dusk_and_dawn(place, schedule.dusk_deg, day)
    if sun is None:
        return 0.0
    on, off = (_instant(moment, place, sun, day) for moment in (schedule.on_at, schedule.off_at))
    return max(0.0, (off - on).total_seconds() / 3600)


def _instant(
    moment: Moment, place: Place, sun: tuple[datetime.datetime, datetime.datetime], day: datetime.date
) -> datetime.datetime:
    """The moment in universal time."""
    minutes = datetime.timedelta(minutes=moment.minutes)
    if moment.of == "clock":
        return _universal(datetime.datetime.combine(day, datetime.time(12)) + minutes, place)
    return sun[0 if moment.of == "dusk" else 1] + minutes


def _universal(clock: datetime.datetime, place: Place) -> datetime.datetime:
    """Universal time, without a zone, of a time of the place's clocks."""
    from zoneinfo import ZoneInfo

    return clock.replace(tzinfo=ZoneInfo(place.time_zone)).astimezone(datetime.UTC).replace(tzinfo=None)


def dusk_and_dawn(
    place: Place, dusk_deg: float, day: datetime.date
) -> tuple[datetime.datetime, datetime.datetime] | None:
    """
    Dusk and dawn of the night that begins on this day, in universal time; None where the sun never gets so low.

    References
    ----------
    .. [1] PyEphem, whose sun is that of VSOP87; twilight as in its chapter "Rising, Transit, Setting".
    """
    import ephem
    from scipy.optimize import brentq

    observer, sun = ephem.Observer(), ephem.Sun()
    observer.lat, observer.lon = math.radians(place.latitude), math.radians(place.longitude)
    observer.pressure = 0

    def altitude_deg(at: float) -> float:
        observer.date = at
        sun.compute(observer)
        return math.degrees(sun.alt)

    midnight = _universal(datetime.datetime.combine(day, datetime.time()) + datetime.timedelta(days=1), place)
    start = float(ephem.Date(midnight))
    lowest = min(
        (float(observer.previous_antitransit(sun, start=start)), float(observer.next_antitransit(sun, start=start))),
        key=lambda at: abs(at - start),
    )
    if altitude_deg(lowest) >= -dusk_deg:
        return None
    found: list[datetime.datetime] = []
    for noon in (observer.previous_transit(sun, start=lowest), observer.next_transit(sun, start=lowest)):
        at = float(noon)
        if altitude_deg(at) >= -dusk_deg:
            at = float(brentq(lambda time: altitude_deg(time) + dusk_deg, at, lowest, xtol=_WITHIN_DAYS))
        found.append(ephem.Date(at).datetime())
    return found[0], found[1]
