"""Every way a schedule, a place or the mains can be unusable, with the whole text that says so."""

import pytest

from optimiser.job import Schedule
from optimiser.job.schedule import read_moment
from optimiser.read_job import read_job
from tests.test_read_job import JOB, complaint, spoil

PLACE = '[place]\nlatitude = 47.4\nlongitude = 8.5\ntime_zone = "Europe/Zurich"\n'
SCHEDULE = '[schedule]\non = "dusk"\noff = "23:00"\n'


def changed(*changes: str, more: str = "", place: str = PLACE) -> str:
    """The good job with place and schedule, each ``old -> new`` changed in these, and lines added at the end."""
    text = place + SCHEDULE
    for change in changes:
        old, new = change.split(" -> ")
        assert text.count(old) == 1, old
        text = text.replace(old, new)
    return JOB + text + more


NOON_TO_NOON = (
    "    mend: write on before off: times from 12:00 on are the evening's, those before it the next morning's"
)
BAD = {
    "ends before it begins": (
        changed('"dusk" -> "22:00"', "23:00 -> 20:00"),
        f"job.toml:27:schedule: has a night that ends (20:00) before it begins (22:00), noon to noon\n{NOON_TO_NOON}",
    ),
    "ends the evening before": (
        changed('"dusk" -> "06:00"', "23:00 -> 22:00"),
        f"job.toml:27:schedule: has a night that ends (22:00) before it begins (06:00), noon to noon\n{NOON_TO_NOON}",
    ),
    "lasts no time": (
        changed('"dusk" -> "dusk + 10"', "23:00 -> dusk+0:10"),
        "job.toml:27:schedule: has a night that ends (dusk+0:10) before it begins (dusk + 10), noon to noon\n"
        + NOON_TO_NOON,
    ),
    "dawn to dusk": (
        changed('"dusk" -> "dawn"', "23:00 -> dusk"),
        f"job.toml:27:schedule: has a night that ends (dusk) before it begins (dawn), noon to noon\n{NOON_TO_NOON}",
    ),
    "dusk without place": (
        changed(place=""),
        "job.toml:24:schedule.on: found 'dusk', and the job does not say where it is\n"
        "    mend: add [place] with latitude, longitude and time_zone, or write a time of the clock",
    ),
    "dawn without place": (
        changed('"dusk" -> "22:00"', "23:00 -> dawn - 20 min", place=""),
        "job.toml:25:schedule.off: found 'dawn - 20 min', and the job does not say where it is\n"
        "    mend: add [place] with latitude, longitude and time_zone, or write a time of the clock",
    ),
    "unknown time zone": (
        changed("Europe/Zurich -> Europe/Zuerich"),
        "job.toml:26:place.time_zone: found 'Europe/Zuerich', which is no time zone of the IANA data base\n"
        "    mend: did you mean 'Europe/Zurich'?",
    ),
    "the machine's own time zone": (
        changed("Europe/Zurich -> localtime"),
        "job.toml:26:place.time_zone: found 'localtime', which is no time zone of the IANA data base\n"
        "    mend: write one such as Europe/Berlin",
    ),
    "latitude out of range": (
        changed("47.4 -> -91"),
        "job.toml:24:place.latitude: found -91, which is below -89\n"
        "    mend: write -89 or more (north of the equator positive, in degrees; nearer to a pole there is no noon)",
    ),
    "longitude out of range": (
        changed("8.5 -> 188"),
        "job.toml:25:place.longitude: found 188, which is above 180\n"
        "    mend: write 180 or less (east of Greenwich positive, in degrees)",
    ),
    "longitude of another zone": (
        changed("8.5 -> 122.3", "Europe/Zurich -> America/Los_Angeles"),
        "job.toml:23:place: has longitude 122.3 and time_zone America/Los_Angeles, where the sun would stand highest "
        "at 19:50\n    mend: write longitudes west of Greenwich with a minus, or another time_zone",
    ),
    "half a place": (
        changed("longitude = 8.5\n -> "),
        "job.toml:23:place.longitude: is missing\n"
        "    mend: write longitude = ... (east of Greenwich positive, in degrees)",
    ),
    "dim level of nought": (
        changed(more="dim_pct = 0\n"),
        "job.toml:30:schedule.dim_pct: found 0, which is not above 0\n"
        "    mend: write more than 0 (level the lamps are dimmed to, in per cent of their full power)",
    ),
    "dim level too high": (
        changed(more="dim_pct = 140\n"),
        "job.toml:30:schedule.dim_pct: found 140, which is above 100\n"
        "    mend: write 100 or less (level the lamps are dimmed to, in per cent of their full power)",
    ),
    "dim level as a share": (
        changed(more="dim_pct = 0.4\n"),
        "job.toml:30:schedule.dim_pct: found 0.4, which is below one per cent\n    mend: for 40 per cent write 40",
    ),
    "no such time": (
        changed("23:00 -> 24:00"),
        "job.toml:29:schedule.off: found '24:00', which is no time of the day\n"
        '    mend: write one from "00:00" to "23:59"',
    ),
    "words": (
        changed("23:00 -> midnight"),
        "job.toml:29:schedule.off: found 'midnight', which is no time of the night\n"
        '    mend: write "22:30", "dusk", or "dawn - 20 min"',
    ),
    "a time without quotes": (
        changed('"23:00" -> 23:00'),
        'job.toml:29:schedule.off: found 23:00 without quotes\n    mend: write "23:00"',
    ),
    "far from dusk": (
        changed('"dusk" -> "dusk + 400 min"'),
        "job.toml:28:schedule.on: found 'dusk + 400 min', which is more than 360 minutes off\n"
        "    mend: write a time of the clock instead",
    ),
    "unknown weekday": (
        changed(more='weekdays = ["fri", "sut"]\n'),
        "job.toml:30:schedule.weekdays: found 'sut', which is none of mon, tue, wed, thu, fri, sat, sun\n"
        "    mend: did you mean 'sun'?",
    ),
    "one unknown month": (
        changed(more='months = ["june"]\n'),
        "job.toml:30:schedule.months: found 'june', which is none of jan, feb, mar, apr, may, jun, jul, aug, sep, oct, "
        "nov, dec\n    mend: did you mean 'jun'?",
    ),
    "no month": (
        changed(more="months = []\n"),
        "job.toml:30:schedule.months: found [], which is empty\n"
        "    mend: write at least one value (nights that begin in these months)",
    ),
    "a year too far": (
        changed(more="year = 2060\n"),
        "job.toml:30:schedule.year: found 2060, which is above 2050\n"
        "    mend: write 2050 or less (the year that is reckoned; never today's)",
    ),
    "efficiency as a share": (
        spoil("price = 80 -> price = 80\nefficiency_pct = 0.9"),
        "job.toml:20:drivers.small.efficiency_pct: found 0.9, which is below one per cent\n"
        "    mend: for 90 per cent write 90",
    ),
    "power factor": (
        spoil("price = 80 -> price = 80\ninput_power_factor = 90"),
        "job.toml:20:drivers.small.input_power_factor: found 90, which is above 1\n"
        "    mend: write 1 or less (of its mains input, the load's own apart (common practice, no source))",
    ),
    "no timer at all": (
        spoil(extra="[supplies.S1]\ntimer_a = 0\n"),
        "job.toml:24:supplies.S1.timer_a: found 0, which is not above 0\n"
        "    mend: write more than 0 (rating of the timer, relay or contactor in its mains; the drivers here may not "
        "draw more)",
    ),
}


@pytest.mark.parametrize(("text", "said"), BAD.values(), ids=BAD)
def test_says_what_is_wrong_and_what_mends_it(text: str, said: str) -> None:
    assert complaint(text) == said


def test_a_good_schedule_and_its_defaults() -> None:
    job = read_job(changed().encode(), "job.toml")
    assert job.place is not None and job.schedule is not None
    assert (job.schedule.year, job.schedule.dim_pct, job.schedule.dusk_deg) == (2025, 100, 6)
    assert job.schedule.standby and job.schedule.price_per_kwh is None
    driver = job.drivers["small"]
    assert (driver.efficiency, driver.idle_w, driver.input_power_factor) == (0.85, 0.5, 0.9)
    assert job.mains.volts == 230
    assert job.mains_limit_va("S1") == float("inf")


def test_clock_times_need_no_place() -> None:
    assert complaint(changed('"dusk" -> "18:00"', place="")) == ""


def test_times_as_toml_writes_them() -> None:
    job = read_job(changed('"23:00" -> 23:00:00').encode(), "job.toml")
    assert job.schedule is not None and job.schedule.off == "23:00"


def test_the_least_of_timer_and_dimmer_holds() -> None:
    more = "[mains]\nvolts = 120\n[supplies]\nA = { timer_a = 2 }\nB = { timer_a = 2, dimmer_va = 200 }\n"
    job = read_job((JOB + more).encode(), "job.toml")
    assert (job.mains_limit_va("A"), job.mains_limit_va("B")) == (240, 200)


@pytest.mark.parametrize(
    ("text", "of", "minutes"),
    [
        ("12:00", "clock", 0),
        ("23:59", "clock", 719),
        ("00:00", "clock", 720),
        ("11:59", "clock", 1439),
        ("7:05", "clock", 1145),
        ("dusk", "dusk", 0),
        (" dawn -20min ", "dawn", -20),
        ("dusk + 1:15", "dusk", 75),
        ("dawn − 5", "dawn", -5),
    ],
)
def test_moments_count_from_noon_dusk_or_dawn(text: str, of: str, minutes: int) -> None:
    assert read_moment(text) == (of, minutes)


def test_any_times_of_the_clock_in_their_order_make_a_night() -> None:
    assert Schedule(on="23:59", off="00:00").off_at.minutes == 720
    assert Schedule(on="12:00", off="11:59").on_at.minutes == 0
