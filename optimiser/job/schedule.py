"""When the lamps are on, where, and on which mains. In: parsed TOML tables. Out: Mains, Place, Schedule, frozen.

A night runs from noon to noon and belongs to the day on which it begins: times from 12:00 on are the evening's, times
before 12:00 the next morning's.
"""

from __future__ import annotations

import datetime
import re
from typing import Annotated, Any, Literal, NamedTuple, Self

from pydantic import AfterValidator, BeforeValidator, Field, model_validator

from ..problems import nearest
from .base import Model, PerCent, Positive, Price

MOST_OFFSET_MIN = 360
FARTHEST_FROM_NOON_H = 5.0
"""No clock on Earth is farther from the sun than some 4 hours, summer time included."""


_MACHINES_OWN = "localtime"
"""A file beside the data base, which is another zone on every machine."""


class Moment(NamedTuple):
    """A time of the night: of the clock, or so many minutes after (before: negative) dusk or dawn."""

    of: Literal["clock", "dusk", "dawn"]
    minutes: int
    """Of the clock: counted from the noon before."""


def read_moment(text: str) -> Moment:
    """
    Read ``"22:30"``, ``"dusk"``, ``"dawn - 20 min"`` or ``"dusk + 1:15"``.

    Raises
    ------
    ValueError
        It is none of these; the text says how to write it.

    Examples
    --------
    >>> read_moment("00:30"), read_moment("dawn - 20 min").minutes
    (Moment(of='clock', minutes=750), -20)
    """
    clock = re.fullmatch(r"\s*(\d{1,2}):(\d{2})\s*", text)
    if clock:
        hour, minute = int(clock[1]), int(clock[2])
        if hour > 23 or minute > 59:
            raise ValueError('is no time of the day; write one from "00:00" to "23:59"')
        return Moment("clock", (60 * hour + minute - 720) % 1440)
    sun = re.fullmatch(r"\s*(dusk|dawn)\s*(?:([-+−])\s*(?:(\d{1,2}):([0-5]\d)|(\d{1,4})\s*(?:min)?))?\s*", text)
    if sun is None:
        raise ValueError('is no time of the night; write "22:30", "dusk", or "dawn - 20 min"')
    minutes = int(sun[5] or 0) + 60 * int(sun[3] or 0) + int(sun[4] or 0)
    if minutes > MOST_OFFSET_MIN:
        raise ValueError(f"is more than {MOST_OFFSET_MIN} minutes off; write a time of the clock instead")
    return Moment("dusk" if sun[1] == "dusk" else "dawn", minutes if sun[2] == "+" else -minutes)


def _text_of(value: Any) -> Any:
    """TOML's own times as text: ``22:30:00`` stands for ``"22:30"``."""
    return value.strftime("%H:%M") if isinstance(value, datetime.time) else value


def _checked_moment(text: str) -> str:
    read_moment(text)
    return " ".join(text.split())


def _zone(name: str) -> str:
    from zoneinfo import ZoneInfo, available_timezones

    try:
        if name == _MACHINES_OWN:
            raise KeyError(name)
        ZoneInfo(name)
    except (KeyError, ValueError, OSError):
        near = nearest(name, sorted(available_timezones() - {_MACHINES_OWN}))
        mend = f"did you mean '{near}'?" if near else "write one such as Europe/Berlin"
        raise ValueError(f"is no time zone of the IANA data base; {mend}") from None
    return name


class Mains(Model):
    """What the drivers are plugged into."""

    volts: Positive = Field(230.0, description="nominal volts of the mains (IEC 60038, from memory)")


class Place(Model):
    """Where the job is, for the times of the sun."""

    latitude: float = Field(
        ge=-89, le=89, description="north of the equator positive, in degrees; nearer to a pole there is no noon"
    )
    longitude: float = Field(ge=-180, le=180, description="east of Greenwich positive, in degrees")
    time_zone: Annotated[str, AfterValidator(_zone)] = Field(
        description="name in the IANA data base, such as Europe/Berlin; summer time comes with it"
    )

    @model_validator(mode="after")
    def _zone_goes_with_longitude(self) -> Self:
        from zoneinfo import ZoneInfo

        offset = datetime.datetime(2025, 1, 1, tzinfo=ZoneInfo(self.time_zone)).utcoffset()
        assert offset is not None
        noon_h = (12 - self.longitude / 15 + offset.total_seconds() / 3600) % 24
        if abs(noon_h - 12) > FARTHEST_FROM_NOON_H:
            clock = f"{int(noon_h):02d}:{int(noon_h % 1 * 60):02d}"
            raise ValueError(
                f"has longitude {self.longitude:g} and time_zone {self.time_zone}, where the sun would stand highest "
                f"at {clock}; write longitudes west of Greenwich with a minus, or another time_zone"
            )
        return self


Weekday = Literal["mon", "tue", "wed", "thu", "fri", "sat", "sun"]
Month = Literal["jan", "feb", "mar", "apr", "may", "jun", "jul", "aug", "sep", "oct", "nov", "dec"]
WEEKDAYS: tuple[Weekday, ...] = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")
MONTHS: tuple[Month, ...] = ("jan", "feb", "mar", "apr", "may", "jun", "jul", "aug", "sep", "oct", "nov", "dec")
TimeOfNight = Annotated[str, BeforeValidator(_text_of), AfterValidator(_checked_moment)]


class Schedule(Model):
    """When all lamps are on, at which level, and what a kilowatt-hour costs."""

    on: TimeOfNight = Field(
        description='when the lamps come on: "22:30", "dusk" or "dawn", or so many minutes off, as "dusk + 20 min"'
    )
    off: TimeOfNight = Field(
        description="when they go off, written likewise; times before 12:00 are the next morning's"
    )
    weekdays: tuple[Weekday, ...] = Field(
        WEEKDAYS, min_length=1, description="nights that begin on these days of the week"
    )
    months: tuple[Month, ...] = Field(MONTHS, min_length=1, description="nights that begin in these months")
    dim_pct: PerCent = Field(100.0, description="level the lamps are dimmed to, in per cent of their full power")
    dusk_deg: float = Field(
        6.0,
        ge=0,
        le=18,
        description="dusk and dawn are when the sun's centre is so far below the horizon; 6 = civil twilight, "
        "0.833 = sunset and sunrise (US Naval Observatory)",
    )
    year: int = Field(2025, ge=1950, le=2050, description="the year that is reckoned; never today's")
    standby: bool = Field(
        True, description="whether drivers stay on the mains while lamps are off; false where a timer cuts it"
    )
    price_per_kwh: Price | None = Field(None, description="tariff; without it no annual cost is reckoned")

    @property
    def on_at(self) -> Moment:
        return read_moment(self.on)

    @property
    def off_at(self) -> Moment:
        return read_moment(self.off)

    @property
    def uses_sun(self) -> bool:
        return self.on_at.of != "clock" or self.off_at.of != "clock"

    @model_validator(mode="after")
    def _ends_after_it_begins(self) -> Self:
        begin, end = self.on_at, self.off_at
        if (begin.of == end.of and end.minutes <= begin.minutes) or (begin.of, end.of) == ("dawn", "dusk"):
            raise ValueError(
                f"has a night that ends ({self.off}) before it begins ({self.on}), noon to noon; "
                "write on before off: times from 12:00 on are the evening's, those before it the next morning's"
            )
        return self
