"""Random small jobs as files, for hypothesis. In: draws. Out: JobFolder, read by the readers that read everybody's.

Everything a garden may hold is here, seldom all at once: ponds, houses, paving with a duct under it, trees, mains, a
slope, posts, dim groups, two voltages, wound and electronic drivers, short reels, few joint kits. Prices are invented.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from pathlib import Path

from hypothesis import strategies as st

from optimiser.job_folder import JobFolder, digest_of
from optimiser.read_job import read_job
from optimiser.survey import read_survey

_HOLD_5A = 'taps_v = [12], rated_w = 60, limit_a = 15, limit_mode = "hold"'
_DRIVERS_12 = {
    "hiccup 40": 'taps_v = [12], rated_w = 40, limit_a = 5, limit_mode = "hiccup", short_rms_a = 2, '
    "start_a = 30, inrush_a = 12, price = 60",
    "hiccup 100": 'taps_v = [12], rated_w = 100, limit_a = 11, limit_mode = "hiccup", short_rms_a = 3, price = 120',
    "hold 60": f"{_HOLD_5A}, outlets = 2, start_uf = 900, inrush_a = 25, price = 85",
    "breaker 60": f"{_HOLD_5A}, outlets = 3, breaker_a = 4, independent_outlets = true, price = 95",
    "wound 60": 'kind = "wound", taps_v = [12], rated_w = 60, regulation_pct = 8, outlets = 2, price = 50',
    "wound taps": 'kind = "wound", taps_v = [12, 13, 14], volts = 12, rated_w = 150, regulation_pct = 5, outlets = 3, '
    "outlet_a = 10, tap_per_outlet = true, breaker_a = 5, start_a = 40, inrush_a = 30, price = 110",
    "two cables": 'taps_v = [12], rated_w = 75, limit_a = 6, limit_mode = "foldback", short_rms_a = 2, '
    "terminal_cables = 2, terminal_mm2 = 4, price = 90",
}
_DRIVERS_24 = {
    "24 V 60": 'taps_v = [24], rated_w = 60, limit_a = 4, limit_mode = "latch", short_rms_a = 1, price = 80',
    "24 V hold": 'taps_v = [24], rated_w = 120, limit_a = 12, limit_mode = "hold", outlets = 2, price = 115',
}
_LAMPS = {
    "spike": 'watts = 5, volts = 12, supply = "either", window_v = [9.5, 15], inrush_a = 7',
    "bright": 'watts = 14, volts = 12, supply = "either", window_v = [10, 15.5], lead_mm2 = 1.0, lead_m = 1.6, '
    "inrush_a = 14, input_uf = 330",
    "steady": 'watts = 4, volts = 12, supply = "either", load = "current", power_factor = 0.8, window_v = [9, 15.5]',
    "halogen": 'watts = 10, volts = 12, supply = "either", load = "resistance", window_v = [10, 15.5], lead_m = 2',
    "narrow": 'watts = 3, volts = 12, supply = "either", input_uf = 220, window_v = [11.2, 14.6]',
    "post": 'watts = 8, volts = 12, supply = "either", terminals = true, terminal_mm2 = 4, window_v = [9.5, 15]',
    "short lead": 'watts = 4, volts = 12, supply = "either", lead_m = 0.7, aim_reserve_m = 0.25, window_v = [9.5, 15]',
    "flood": "watts = 12, volts = 24, window_v = [20, 27]",
    "post 24": "watts = 6, volts = 24, terminals = true, window_v = [20, 27]",
}
_CABLES = {
    "1.5": "mm2 = 1.5, price_per_m = 1.2",
    "2.5": "mm2 = 2.5, price_per_m = 1.9",
    "4": "mm2 = 4, price_per_m = 3.0",
    "6": "mm2 = 6, price_per_m = 4.4",
    "awg 12": "awg = 12, price_per_m = 2.4",
}
_KITS = {
    "two": "max_ways = 2, price = 5, labour = 4",
    "three": "max_ways = 3, price = 7, labour = 4",
    "five": "max_ways = 5, max_mm2 = 4, price = 9, labour = 6",
    "eight": "max_ways = 8, min_mm2 = 0.75, price = 14, labour = 6",
}
_GROUNDS = {
    "lawn": "per_m = 10",
    "bed": "per_m = 6, crossing = 2",
    "gravel": "per_m = 9, crossing = 3",
    "paving": "per_m = 32, crossing = 11",
    "mulch": 'kind = "mulch", per_m = 4, depth_mm = 0',
    "pond": "",
    "house": 'kind = "no_dig"',
}


@dataclass(frozen=True)
class Files:
    """A job as text, with what the search is asked for."""

    job: str
    survey: str
    num_drivers: int | None
    seed: int

    def open(self) -> JobFolder:
        return folder_of(self.job, self.survey)

    def __repr__(self) -> str:
        return f"Files(num_drivers={self.num_drivers}, seed={self.seed})\n{self.job}\n{self.survey}"


def folder_of(job_text: str, survey_text: str) -> JobFolder:
    """Open a job given as text."""
    job_data, survey_data = job_text.encode(), survey_text.encode()
    job = read_job(job_data, "job.toml")
    return JobFolder(
        path=Path(),
        job=job,
        survey=read_survey(survey_data, "survey.csv", job),
        digest=digest_of(job_data, survey_data, {}),
        files={"job.toml": job_data, "survey.csv": survey_data},
        overrides={},
    )


def _table(name: str, rows: dict[str, str]) -> str:
    return f"[{name}]\n" + "".join(f'"{key}" = {{ {row} }}\n' for key, row in rows.items())


def _some(draw: st.DrawFn, table: dict[str, str], least: int, most: int) -> dict[str, str]:
    names = draw(st.lists(st.sampled_from(sorted(table)), min_size=least, max_size=most, unique=True))
    return {name: table[name] for name in names}


@st.composite
def random_files(draw: st.DrawFn, *, max_lamps: int = 6) -> Files:
    """Job and survey of a small site."""
    both = draw(st.booleans())
    lamp_types = _some(draw, {k: v for k, v in _LAMPS.items() if both or "24" not in v}, 1, 3)
    volts = {24 if "volts = 24" in row else 12 for row in lamp_types.values()}
    drivers: dict[str, str] = {}
    if 12 in volts:
        drivers |= _some(draw, _DRIVERS_12, 1, 3)
    if 24 in volts:
        drivers |= _some(draw, _DRIVERS_24, 1, 2)
    cables = _some(draw, _CABLES, 1, 4)
    reels = draw(st.sampled_from(["", "", ", reels_m = [15]", ", reels_m = [10, 25]", ", reels_m = [50.05]"]))
    cables = {name: row + reels for name, row in cables.items()}
    kits = _some(draw, _KITS, 1, 3)
    num_supplies = draw(st.integers(1, 2))
    grounds = dict(_GROUNDS)
    if draw(st.booleans()):
        grounds["lawn"] = "per_m = 10, crossing = 4"

    text = ['title = "random job"', 'currency = "EUR"', "prices_are_invented = true"]
    text.append(f'base_ground = "{draw(st.sampled_from(["lawn", "lawn", "lawn", "gravel", "mulch"]))}"')
    text.append(_voltage(draw))
    text.append(_table("grounds", grounds))
    text.append(_table("lamps", lamp_types))
    text.append(_table("cables", cables))
    text.append(_table("drivers", drivers))
    supplies_at = len(text)
    text.append(
        _table(
            "supplies",
            {
                f"S{i + 1}": f"price = {draw(st.sampled_from([0, 20, 55]))}, max_drivers = {draw(st.integers(1, 4))}, "
                f"loading_pct = {draw(st.sampled_from([100, 100, 85]))}"
                for i in range(num_supplies)
            },
        )
    )
    text.append(_joints(draw))
    text.append(_table("joints.kits", kits))
    text.append(_slack(draw))
    text.append(_fuses(draw))
    text.append(_rules(draw))
    text.append(f'[trees]\nrule = "{draw(st.sampled_from(["careful", "careful", "strict"]))}"\n')
    rows, settings = _survey(draw, list(lamp_types), num_supplies, max_lamps)
    text += settings
    text.append(_running(draw))
    text[supplies_at] = text[supplies_at].replace(" }\n", f"{_rated(draw)} }}\n", 1)
    header = "point,kind,of,x,y,z,group,ring,stem_mm\n"
    num_drivers = draw(st.sampled_from([None, None, None, None, 1, 2, 3]))
    return Files("\n".join(text), header + "".join(rows), num_drivers, draw(st.integers(0, 5)))


def _voltage(draw: st.DrawFn) -> str:
    drop = draw(st.sampled_from(["10 %", "10 %", "5 %", "3 %", "off"]))
    return f'[voltage]\nmax_drop = "{drop}"\ndrop_from = "{draw(st.sampled_from(["driver", "driver", "nominal"]))}"\n'


def _joints(draw: st.DrawFn) -> str:
    method = draw(st.sampled_from(["cut", "cut", "tap"]))
    extension = draw(st.sampled_from([0, 0, 1.5]))
    ohm = draw(st.sampled_from([0.002, 0.0, 0.01]))
    return f'[joints]\nmethod = "{method}"\nextension_m = {extension}\nextension_per_m = 2\nend_ohm = {ohm}\n'


def _slack(draw: st.DrawFn) -> str:
    if draw(st.booleans()):
        return ""
    end = draw(st.sampled_from(["", "driver_end_m = 0\n", "driver_end_m = 1.25\n"]))
    joint_end = draw(st.sampled_from([0, 0.4, 0.55]))
    return f"[slack]\nper_cent = {draw(st.sampled_from([0, 3, 7.5]))}\njoint_end_m = {joint_end}\n{end}"


def _fuses(draw: st.DrawFn) -> str:
    ratings = draw(st.sampled_from(["", "ratings_a = [2, 3, 5, 10]\n", "ratings_a = [7.5]\n"]))
    return f"[fuses]\nprice = {draw(st.sampled_from([0, 6.5]))}\n{ratings}"


def _rules(draw: st.DrawFn) -> str:
    text = f"[rules]\nmax_gauges = {draw(st.integers(1, 4))}\n"
    text += f"border_tolerance_m = {draw(st.sampled_from([0.3, 0.3, 0.1]))}\n"
    if draw(st.integers(0, 3)) == 0:
        text += "trench_bunched = [1.0, 0.9, 0.8]\n"
    text += draw(st.sampled_from(["", "", "", "ground_c = 45\nair_c = 52\n", "air_c = 40\n"]))
    text += draw(st.sampled_from(["", "", "", "", "aim_anywhere = true\n"]))
    return text + draw(st.sampled_from(["", "", "", "growth = 10\n", "growth = 30\n"]))


def _rated(draw: st.DrawFn) -> str:
    """A timer or a dimmer for the first supply point, now and then."""
    rated = [", timer_a = 0.2", ", timer_a = 16", ", dimmer_va = 30", ", inrush_a = 28"]
    return draw(st.sampled_from(["", "", "", "", *rated]))


def _running(draw: st.DrawFn) -> str:
    """A schedule, for two jobs of five."""
    times = draw(st.sampled_from([None, None, None, ("18:00", "23:30"), ("dusk", "dawn - 20 min")]))
    if times is None:
        return ""
    level = draw(st.sampled_from([100, 55]))
    place = '[place]\nlatitude = 47.4\nlongitude = 8.5\ntime_zone = "Europe/Zurich"\n'
    return f'{place}[schedule]\non = "{times[0]}"\noff = "{times[1]}"\ndim_pct = {level}\nprice_per_kwh = 0.3\n'


def _survey(draw: st.DrawFn, lamp_types: list[str], num_supplies: int, max_lamps: int) -> tuple[list[str], list[str]]:
    wide = draw(st.sampled_from([12, 20, 20, 40, 90]))
    slope = draw(st.sampled_from([None, None, None, (0.08, -0.05, 0.6)]))
    named: list[str] = []
    settings: list[str] = []

    def dm(low: float, high: float) -> float:
        return draw(st.integers(round(low * 10), round(high * 10))) / 10

    def row(point: str, kind: str, of: str, x: float, y: float, group: str = "", stem: str = "") -> str:
        z = ""
        if slope is not None:
            z = f"{slope[0] * x + slope[1] * y + slope[2] * math.sin(x / 5):.3f}"
        return f"{point},{kind},{of},{x:.3f},{y:.3f},{z},{group},,{stem}\n"

    def polygon(name: str, corners: list[tuple[float, float]]) -> None:
        named.extend(row("", "corner", name, x, y) for x, y in corners)

    high = wide * 0.75
    for kind in draw(st.lists(st.sampled_from(["pond", "house", "bed", "paving", "gravel", "mulch"]), max_size=4)):
        name = f"{kind} {len(settings) + 1}"
        settings.append(f'[zones."{name}"]\nground = "{kind}"\n')
        x, y = dm(0, wide * 0.8), dm(0, high * 0.8)
        w, h = dm(1, wide * 0.4), dm(1, high * 0.4)
        shape = draw(st.sampled_from(["box", "box", "diamond", "ell"]))
        if kind == "paving" and draw(st.booleans()):  # a path right across
            polygon(name, [(x, -1), (x + 1.4, -1), (x + 1.4, high + 1), (x, high + 1)])
            if draw(st.booleans()):
                duct = f"duct {len(settings)}"
                at = dm(1, high - 1)
                more = dm(-0.2, 0.3)
                named.append(row("", "sleeve", duct, round(x - more, 3), at))
                named.append(row("", "sleeve", duct, round(x + 1.4 + more, 3), at + 0.2))
                settings.append(
                    f'[sleeves."{duct}"]\ncapacity = {draw(st.integers(1, 3))}\n'
                    f"pull_price = {draw(st.sampled_from([0, 3.5]))}\n"
                )
        elif shape == "box":
            polygon(name, [(x, y), (x + w, y), (x + w, y + h), (x, y + h)])
        elif shape == "diamond":
            polygon(name, [(x, y - h / 2), (x + w / 2, y), (x, y + h / 2), (x - w / 2, y)])
        else:
            half = x + w / 2, y + h / 2
            polygon(name, [(x, y), (x + w, y), (x + w, y + h), (half[0], y + h), half, (x, half[1])])
    if draw(st.integers(0, 2)) == 0:
        named.append(row("T1", "tree", "", dm(0, wide), dm(0, high), stem=str(draw(st.sampled_from([120, 300])))))
    if draw(st.integers(0, 4)) == 0:
        settings.append("")
        x = dm(0, wide)
        named += [row("", "mains", "feed", x, 0), row("", "mains", "feed", x + 1, high)]
    touched = [tuple(map(float, line.split(",")[3:5])) for line in named]

    def place() -> tuple[float, float]:
        """Anywhere, or now and then on the very spot of a corner, a sleeve's end, a mains line's."""
        if touched and draw(st.integers(0, 11)) == 0:
            return draw(st.sampled_from(touched))
        return dm(0, wide), dm(0, high)

    points = [row(f"S{i + 1}", "supply", "", *place()) for i in range(num_supplies)]
    groups = draw(st.sampled_from([[""], [""], [""], ["", "front"], ["front", "back"]]))
    for i in range(draw(st.integers(1, max_lamps))):
        of, group = draw(st.sampled_from(lamp_types)), draw(st.sampled_from(groups))
        points.append(row(f"L{i + 1}", "lamp", of, *place(), group))
    return points + named, settings
