"""Nights, dusk and dawn against printed tables, another astronomy library and counting by hand; both suns of ours."""

from __future__ import annotations

import datetime
from collections.abc import Callable
from zoneinfo import ZoneInfo

import astral
import astral.sun
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from optimiser.check.nights import dusks_and_dawns, span_of
from optimiser.job import Place, Schedule
from optimiser.running.nights import count_nights, dates_of, dusk_and_dawn, night_hours

SUNSET_DEG = 50 / 60
"""The sun's centre at sunset and sunrise as the US Naval Observatory reckons them: 34' of refraction, 16' of radius."""
ZURICH = Place(latitude=47.4, longitude=8.5, time_zone="Europe/Zurich")
TROMSO = Place(latitude=69.65, longitude=18.96, time_zone="Europe/Oslo")
LONGYEAR = Place(latitude=78.22, longitude=15.65, time_zone="Arctic/Longyearbyen")

# Sunset of the day and sunrise of the next, in the zone's standard time. Atlanta, 2007: US Naval Observatory, "Rise and
# Set for the Sun for 2007, Atlanta, Georgia, W084 25, N33 46", as printed in the tests of the PyEphem package
# (ephem/tests/usno/riset_sun.txt), first and fifteenth of each month and the sixteenth's sunrise.
ATLANTA = [
    ("01-01", "17:40", "07:43"), ("01-15", "17:52", "07:42"), ("02-01", "18:08", "07:33"), ("02-15", "18:22", "07:21"),
    ("03-01", "18:34", "07:05"), ("03-15", "18:45", "06:47"), ("04-01", "18:58", "06:24"), ("04-15", "19:09", "06:06"),
    ("05-01", "19:21", "05:48"), ("05-15", "19:31", "05:36"), ("06-01", "19:43", "05:28"), ("06-15", "19:50", "05:27"),
    ("07-01", "19:52", "05:31"), ("07-15", "19:49", "05:39"), ("08-01", "19:38", "05:50"), ("08-15", "19:24", "06:00"),
    ("09-01", "19:04", "06:12"), ("09-15", "18:45", "06:21"), ("10-01", "18:22", "06:33"), ("10-15", "18:04", "06:43"),
    ("11-01", "17:46", "06:57"), ("11-15", "17:35", "07:10"), ("12-01", "17:29", "07:25"), ("12-15", "17:31", "07:36"),
]  # fmt: skip

# (latitude, longitude), depression, what it is, universal time as printed.
PRINTED = [
    # US Naval Observatory for Bluffton, Ohio, as printed in the tests of the Skyfield package (test_almanac.py).
    ((40.8939, -83.8917), SUNSET_DEG, "dawn", "2018-09-12 11:13"),
    ((40.8939, -83.8917), SUNSET_DEG, "dusk", "2018-09-12 23:50"),
    # US Naval Observatory, civil, nautical and astronomical twilight at Defiance, Ohio: the same file.
    ((41.281944, -84.362778), 6, "dawn", "2019-11-08 11:48"),
    ((41.281944, -84.362778), 6, "dusk", "2019-11-08 22:54"),
    ((41.281944, -84.362778), 12, "dawn", "2019-11-08 11:15"),
    ((41.281944, -84.362778), 12, "dusk", "2019-11-08 23:27"),
    ((41.281944, -84.362778), 18, "dawn", "2019-11-08 10:42"),
    ((41.281944, -84.362778), 18, "dusk", "2019-11-08 23:59"),
    # US Naval Observatory, civil twilight at Atlanta on 6 September 2009, as printed in PyEphem's chapter on rising and
    # setting: 6:50 and 20:21 daylight time.
    ((33.8, -84.4), 6, "dawn", "2009-09-06 10:50"),
    ((33.8, -84.4), 6, "dusk", "2009-09-07 00:21"),
]


def of_the_plan(place: Place, deg: float, day: datetime.date) -> list[datetime.datetime]:
    found = dusk_and_dawn(place, deg, day)
    assert found is not None
    return list(found)


def of_the_check(place: Place, deg: float, day: datetime.date) -> list[datetime.datetime]:
    dark, dusk, dawn = dusks_and_dawns(place, deg, [day])
    assert dark[0]
    return [datetime.datetime(2000, 1, 1, 12) + datetime.timedelta(days=float(days[0])) for days in (dusk, dawn)]


Sun = Callable[[Place, float, datetime.date], list[datetime.datetime]]
SUNS = pytest.mark.parametrize("sun", [of_the_plan, of_the_check])


def to_the_minute(at: datetime.datetime) -> datetime.datetime:
    return (at + datetime.timedelta(seconds=30)).replace(second=0, microsecond=0)


@SUNS
def test_sunset_and_sunrise_are_those_of_the_naval_observatory(sun: Sun) -> None:
    atlanta = Place(latitude=33 + 46 / 60, longitude=-84 - 25 / 60, time_zone="Etc/GMT+5")
    off = []
    for day, sunset, sunrise in ATLANTA:
        date = datetime.date.fromisoformat(f"2007-{day}")
        found = [to_the_minute(at - datetime.timedelta(hours=5)) for at in sun(atlanta, SUNSET_DEG, date)]
        printed = [
            datetime.datetime.combine(date, datetime.time.fromisoformat(sunset)),
            datetime.datetime.combine(date + datetime.timedelta(days=1), datetime.time.fromisoformat(sunrise)),
        ]
        off += [abs((a - b).total_seconds()) for a, b in zip(found, printed, strict=True)]
    # The place is printed to a minute of arc, 4 s of time: a minute may round the other way.
    assert max(off) <= 60
    assert sum(o == 0 for o in off) >= 44


@SUNS
@pytest.mark.parametrize(("at", "deg", "what", "printed"), PRINTED)
def test_twilight_is_as_printed(at: tuple[float, float], deg: float, what: str, printed: str, sun: Sun) -> None:
    place = Place(latitude=at[0], longitude=at[1], time_zone="America/New_York")
    wanted = datetime.datetime.fromisoformat(printed)
    # The night that begins on the local day of a dusk, and on the day before that of a dawn.
    local = (wanted - datetime.timedelta(hours=5)).date() - datetime.timedelta(days=what == "dawn")
    found = sun(place, deg, local)[what == "dawn"]
    assert abs((found - wanted).total_seconds()) <= 35  # printed to the minute; 5 s for the check's plain formulas


@SUNS
@settings(max_examples=60, deadline=None)
@given(
    st.floats(-64, 64), st.floats(-180, 180), st.dates(datetime.date(1990, 1, 1), datetime.date(2040, 12, 31)),
    st.sampled_from([0.833, 6.0, 12.0]),
)  # fmt: skip
def test_at_dusk_and_dawn_another_library_sees_the_sun_so_low(
    sun: Sun, latitude: float, longitude: float, day: datetime.date, deg: float
) -> None:
    """Astral's elevation (NOAA's formulas, refraction left out) at the instants found."""
    zone = f"Etc/GMT{-round(longitude / 15):+d}"
    place = Place(latitude=latitude, longitude=longitude, time_zone=zone)
    if dusk_and_dawn(place, deg + 0.1, day) is None:
        return
    observer = astral.Observer(latitude, longitude, 0)
    for at in sun(place, deg, day):
        seen_deg = astral.sun.elevation(observer, at.replace(tzinfo=datetime.UTC), with_refraction=False)
        assert seen_deg == pytest.approx(-deg, abs=0.03)


ZONES = [("Europe/Berlin", 13.4), ("America/New_York", -74.0), ("Asia/Shanghai", 80.0), ("Pacific/Auckland", 175.0)]
TIMES = [
    ("dusk", "dawn"), ("dusk", "23:00"), ("22:00", "dawn"), ("dusk + 20 min", "dawn - 1:00"), ("dusk", "dusk + 90"),
    ("18:00", "dusk"), ("dawn - 60", "dawn"), ("16:30", "00:30"),
]  # fmt: skip


@settings(max_examples=12, deadline=None)
@given(
    st.floats(-89, 89), st.sampled_from(ZONES), st.sampled_from(TIMES), st.integers(1950, 2050),
    st.sampled_from([0.0, 0.833, 6.0, 12.0]),
)  # fmt: skip
def test_plan_and_check_reckon_the_same_hours(
    latitude: float, zone: tuple[str, float], times: tuple[str, str], year: int, deg: float
) -> None:
    place = Place(latitude=latitude, longitude=zone[1], time_zone=zone[0])
    schedule = Schedule(on=times[0], off=times[1], year=year, dusk_deg=deg, months=("jan", "apr", "jun", "oct"))
    nights, span = count_nights(schedule, place), span_of(schedule, place)
    assert span.least_nights <= nights.count <= span.most_nights
    assert span.least_h - 0.001 <= nights.hours <= span.most_h + 0.001
    assert span.most_h - span.least_h < 0.02 * nights.hours + 30  # or anything would lie between


# --- by counting


def test_clock_times_are_counted_by_hand() -> None:
    # 18:00 to 00:30 are 6.5 h; 2025 has 365 nights: 2372.5 h.
    every = count_nights(Schedule(on="18:00", off="00:30"), None)
    assert (every.count, every.hours) == (365, 2372.5)
    # 2024 is a leap year.
    assert count_nights(Schedule(on="18:00", off="00:30", year=2024), None).hours == 366 * 6.5
    # 2025 begins on a Wednesday (any calendar), so it has 53 Wednesdays and 52 of each other day.
    assert count_nights(Schedule(on="18:00", off="00:30", weekdays=("wed",)), None).count == 53
    assert count_nights(Schedule(on="18:00", off="00:30", weekdays=("fri", "sat")), None).count == 104
    # November to February: 30 + 31 + 31 + 28 nights.
    winter = Schedule(on="16:00", off="22:00", months=("nov", "dec", "jan", "feb"))
    assert count_nights(winter, None) == count_nights(winter, ZURICH)
    assert count_nights(winter, None).hours == 120 * 6
    # Fridays of August 2025: 1, 8, 15, 22, 29.
    few = Schedule(on="20:00", off="21:00", months=("aug",), weekdays=("fri",))
    assert [day.day for day in dates_of(few)] == [1, 8, 15, 22, 29]
    assert span_of(few, None).least_h == span_of(few, None).most_h == 5


def test_times_that_never_meet_light_nothing() -> None:
    never = Schedule(on="dawn", off="23:00")
    assert count_nights(never, ZURICH).count == span_of(never, ZURICH).most_nights == 0


def test_the_two_parts_of_a_night_are_the_night() -> None:
    # At 47° civil dusk is always before 23:00 and dawn after it: what lies on both sides of 23:00 adds up.
    def hours(on: str, off: str) -> float:
        return count_nights(Schedule(on=on, off=off, months=("jan", "jun")), ZURICH).hours

    assert hours("dusk", "23:00") + hours("23:00", "dawn") == pytest.approx(hours("dusk", "dawn"), abs=1e-6)
    assert hours("dusk", "dusk + 45 min") == pytest.approx(61 * 0.75, abs=1e-9)
    assert hours("dusk + 30", "dawn - 30") == pytest.approx(hours("dusk", "dawn") - 61, abs=1e-6)


def test_deeper_dusk_is_a_shorter_night() -> None:
    lengths = [count_nights(Schedule(on="dusk", off="dawn", dusk_deg=deg), ZURICH).hours for deg in (0, 0.833, 6, 12)]
    assert lengths == sorted(lengths, reverse=True)
    # With refraction and the sun's own width left out, light and dark of a year are even but for the orbit: in the
    # north the sun stays high a little longer (aphelion in July). Half of 8760 h is 4380 h.
    assert lengths[0] == pytest.approx(4380, abs=40)


def test_the_night_on_which_clocks_change() -> None:
    # In the night of 29 March 2025 clocks in Zurich go from 02:00 to 03:00. 22:00 is 21:00 universal time before, 20:00
    # after: from 22:00 to dawn is an hour less than dawn's universal time and 22:00 winter time would make it.
    schedule = Schedule(on="22:00", off="dawn")
    for day, universal in ((29, 21), (30, 20)):
        date = datetime.date(2025, 3, day)
        sun = dusk_and_dawn(ZURICH, 6, date)
        assert sun is not None
        wanted = sun[1] - datetime.datetime(2025, 3, day, universal)
        assert night_hours(schedule, ZURICH, date) == pytest.approx(wanted.total_seconds() / 3600)
    assert datetime.datetime(2025, 3, 30, 3, tzinfo=ZoneInfo("Europe/Zurich")).utcoffset() == datetime.timedelta(
        hours=2
    )


def test_white_nights_and_polar_night() -> None:
    june, december = datetime.date(2025, 6, 21), datetime.date(2025, 12, 21)
    # 69.65° + 23.44° - 90°: the midsummer midnight sun of Tromsø stands 3° high, and no lamp that waits for dusk burns.
    assert dusk_and_dawn(TROMSO, 6, june) is None
    for on, off in (("dusk", "dawn"), ("22:00", "dawn"), ("dusk", "23:30")):
        assert night_hours(Schedule(on=on, off=off), TROMSO, june) == 0
    assert night_hours(Schedule(on="22:00", off="23:30"), TROMSO, june) == 1.5
    # 90° - 78.22° - 23.44° = -11.7°: in Longyearbyen it is dark at noon too, from one noon to the next.
    assert night_hours(Schedule(on="dusk", off="dawn"), LONGYEAR, december) == pytest.approx(24, abs=0.02)
    assert not dusks_and_dawns(TROMSO, 6, [june])[0][0]


@SUNS
def test_dusk_may_come_after_midnight(sun: Sun) -> None:
    # At 62° N, 25° E the sun of late May is lowest at about 01:17 summer time, 28° - 21° = 7° down: 6° down only after
    # midnight. The night is still that of the day before.
    helsinki = Place(latitude=62, longitude=25, time_zone="Europe/Helsinki")
    dusk, dawn = sun(helsinki, 6, datetime.date(2025, 5, 26))
    local = [at + datetime.timedelta(hours=3) for at in (dusk, dawn)]
    assert local[0].date() == local[1].date() == datetime.date(2025, 5, 27)
    assert local[0] < local[1]


def test_dusk_needs_a_place() -> None:
    with pytest.raises(ValueError, match="need a place"):
        count_nights(Schedule(on="dusk", off="23:00"), None)
