"""Every way a job file can be unusable, with the whole text that says so; and what a good one means."""

from collections.abc import Mapping

import pytest

from optimiser.job import Job, describe_keys
from optimiser.problems import BadInput
from optimiser.read_job import read_job
from optimiser.toml_lines import find_lines, join_key, line_of, split_key

JOB = """\
title = "Small garden"
currency = "EUR"

[grounds]
lawn = { per_m = 8 }
bed = { per_m = 6 }
pond = {}

[lamps.spike]
watts = 5
volts = 12

[cables]
thin = { mm2 = 1.5, price_per_m = 1.2 }

[drivers.small]
taps_v = [12]
rated_w = 60
price = 80

[joints.kits]
three = { max_ways = 3, price = 6 }
"""


def complaint(text: str | bytes, overrides: Mapping[str, object] = {}) -> str:
    try:
        read_job(text if isinstance(text, bytes) else text.encode(), "job.toml", overrides)
    except BadInput as error:
        return str(error)
    return ""


def spoil(*changes: str, extra: str = "") -> str:
    """The good job with each ``old -> new`` changed and lines added at its end."""
    text = JOB
    for change in changes:
        old, new = change.split(" -> ")
        assert text.count(old) == 1, old
        text = text.replace(old, new)
    return text + extra


BAD: dict[str, tuple[str | bytes, str]] = {
    "empty file": (
        b"",
        "job.toml: is empty\n    mend: write the job's settings, as in the README",
    ),
    "not UTF-8": (
        JOB.replace("garden", "g\u00e4rden").encode("latin-1"),
        "job.toml:1: found byte 0xe4, which is not UTF-8\n    mend: save the file as UTF-8 text",
    ),
    "decimal comma": (
        spoil("watts = 5 -> watts = 5,5"),
        "job.toml:10:lamps.spike.watts: found '5,5', which is not a number\n    mend: write 5.5",
    ),
    "several decimal commas and words without quotes": (
        spoil(
            'currency = "EUR" -> currency = EUR   # it\'s printed beside prices',
            "watts = 5 -> watts = 8,5  # by its maker's sheet",
            "volts = 12 -> volts = 12\nlead_m = 1,5\nsupply = dc",
            "thin = { mm2 = 1.5, price_per_m = 1.2 } -> thin = { mm2 = 1,5, price_per_m = 1,2, tinned = True }",
            "price = 80 -> price =",
            extra='[zones."bed, 2"]\nground = "bed"\nkeep_off_m = 0,3\n[schedule]\non = 18:30\noff = "23:00"\n',
        ),
        "job.toml:2:currency: found EUR without quotes\n"
        '    mend: write "EUR"\n'
        "job.toml:10:lamps.spike.watts: found '8,5', which is not a number\n"
        "    mend: write 8.5\n"
        "job.toml:12:lamps.spike.lead_m: found '1,5', which is not a number\n"
        "    mend: write 1.5\n"
        "job.toml:13:lamps.spike.supply: found dc without quotes\n"
        '    mend: write "dc"\n'
        "job.toml:16:cables.thin.mm2: found '1,5', which is not a number\n"
        "    mend: write 1.5\n"
        "job.toml:16:cables.thin.price_per_m: found '1,2', which is not a number\n"
        "    mend: write 1.2\n"
        "job.toml:16:cables.thin.tinned: found True, which TOML writes small\n"
        "    mend: write true\n"
        "job.toml:21:drivers.small.price: has no value\n"
        "    mend: write the value behind the equals sign, or remove the line\n"
        "job.toml:27:zones.\"bed, 2\".keep_off_m: found '0,3', which is not a number\n"
        "    mend: write 0.3\n"
        "job.toml:29:schedule.on: found 18:30 without quotes\n"
        '    mend: write "18:30"',
    ),
    "a decimal comma and a key twice": (
        spoil("watts = 5 -> watts = 5\nwatts = 6\nlead_m = 1,5"),
        "job.toml:11: found 'watts = 6', which gives a key or table a second time\n"
        "    mend: keep one of the two\n"
        "job.toml:12:lamps.spike.lead_m: found '1,5', which is not a number\n"
        "    mend: write 1.5",
    ),
    "lists and texts over several lines are no faults of their own": (
        spoil(
            'title = "Small garden" -> title = """\nwatts = 8,5\n[no table]"""',
            "taps_v = [12] -> taps_v = [\n  12,  # on = dusk\n]",
            "price = 80 -> price = 80,5",
        ),
        "job.toml:23:drivers.small.price: found '80,5', which is not a number\n    mend: write 80.5",
    ),
    "text without quotes": (
        spoil('currency = "EUR" -> currency = EUR'),
        'job.toml:2:currency: found EUR without quotes\n    mend: write "EUR"',
    ),
    "True": (
        spoil(extra="[lamps.post]\nwatts = 3\nvolts = 12\nterminals = True\n"),
        "job.toml:26:lamps.post.terminals: found True, which TOML writes small\n    mend: write true",
    ),
    "no value": (
        spoil("watts = 5 -> watts ="),
        "job.toml:10:lamps.spike.watts: has no value\n"
        "    mend: write the value behind the equals sign, or remove the line",
    ),
    "no equals sign": (
        spoil("watts = 5 -> watts 5"),
        "job.toml:10: found 'watts 5', which is neither [table] nor key = value\n    mend: write key = value",
    ),
    "header not closed": (
        spoil("[lamps.spike] -> [lamps.spike"),
        "job.toml:9: found '[lamps.spike', a table that is not closed\n    mend: end it with ]",
    ),
    "key twice": (
        spoil("watts = 5 -> watts = 5\nwatts = 6"),
        "job.toml:11: found 'watts = 6', which gives a key or table a second time\n    mend: keep one of the two",
    ),
    "table twice": (
        spoil(extra="[lamps.spike]\nlead_m = 2\n"),
        "job.toml:23: found '[lamps.spike]', which gives a key or table a second time\n    mend: keep one of the two",
    ),
    "text not closed": (
        spoil('title = "Small garden" -> title = "Small garden'),
        "job.toml:1: found 'title = \"Small garden', whose text is not closed\n    mend: end the text with a quote",
    ),
    "list not closed": (
        spoil("taps_v = [12] -> taps_v = [12"),
        "job.toml:18: stands below a list or table that is not closed\n    mend: close it with ] or } above",
    ),
    "unknown key": (
        spoil("watts = 5 -> watts = 5\nwats = 5"),
        "job.toml:11:lamps.spike.wats: unknown key\n    mend: did you mean 'watts'?",
    ),
    "unknown key, none near": (
        spoil("watts = 5 -> watts = 5\ncolour = 5"),
        "job.toml:11:lamps.spike.colour: unknown key\n"
        "    mend: remove it; known here: watts, volts, supply, load, power_factor, window_v, lead_m, "
        "lead_mm2, lead_rating_a, aim_reserve_m, exit_height_m, terminals, terminal_mm2, submersible, "
        "inrush_a, input_uf",
    ),
    "lead in millimetres": (
        spoil("watts = 5 -> watts = 5\nlead_mm = 1500"),
        "job.toml:11:lamps.spike.lead_mm: unknown key\n    mend: write lead_m = 1.5, in metres",
    ),
    "size of a lead without its square": (
        spoil("watts = 5 -> watts = 5\nlead_mm = 1.5"),
        "job.toml:11:lamps.spike.lead_mm: unknown key\n    mend: did you mean 'lead_mm2'?",
    ),
    "keep-off in millimetres": (
        spoil(extra='[zones.bed]\nground = "bed"\nkeep_off_mm = 300\n'),
        "job.toml:25:zones.bed.keep_off_mm: unknown key\n    mend: write keep_off_m = 0.3, in metres",
    ),
    "spare load as a share": (
        spoil(extra="[rules]\ngrowth = 0.2\n"),
        "job.toml:24:rules.growth: found 0.2, which is below one per cent\n    mend: for 20 per cent write 20",
    ),
    "spare load beyond all measure": (
        spoil(extra="[rules]\ngrowth = 250\n"),
        "job.toml:24:rules.growth: found 250, which is above 200\n    mend: write 200 or less (spare load of every "
        "circuit, in per cent: every limit that depends on load holds with all lamps drawing so much more)",
    ),
    "copper no hotter than what is round it": (
        spoil(extra="[cables.warm]\nmm2 = 2.5\nprice_per_m = 2\nmax_c = 50\nrated_c = 55\n"),
        "job.toml:23:cables.warm: may be 50 °C hot and is rated in surroundings of 55 °C\n"
        "    mend: write a higher max_c or a lower rated_c",
    ),
    "unknown table": (
        spoil(extra="[lamp.spike]\nwatts = 3\n"),
        "job.toml:23:lamp: unknown key\n    mend: did you mean 'lamps'?",
    ),
    "key below a table": (
        spoil(extra="title = 3\n"),
        "job.toml:23:joints.kits.title: found 3, where a table belongs\n"
        "    mend: move title to the top of the file, above the first [table]",
    ),
    "missing key": (
        spoil("watts = 5\n -> "),
        "job.toml:9:lamps.spike.watts: is missing\n    mend: write watts = ... (power at nominal volts, in W)",
    ),
    "missing tables": (
        'title = "Bare"\n',
        "job.toml:cables: is missing\n"
        "    mend: add [cables.NAME] (cables by name)\n"
        "job.toml:drivers: is missing\n"
        "    mend: add [drivers.NAME] (driver models by name)\n"
        "job.toml:grounds: is missing\n"
        "    mend: add [grounds.NAME] (grounds by name; a name that is a kind needs no kind)\n"
        "job.toml:joints: is missing\n"
        "    mend: add [joints]\n"
        "job.toml:lamps: is missing\n"
        "    mend: add [lamps.NAME] (lamp types by name)",
    ),
    "empty tables": (
        'title = "Bare"\n[grounds]\n[lamps]\n[cables]\n[drivers]\n[joints.kits]\n',
        "job.toml:2:grounds: is empty\n"
        "    mend: add [grounds.NAME] (grounds by name; a name that is a kind needs no kind)\n"
        "job.toml:3:lamps: is empty\n"
        "    mend: add [lamps.NAME] (lamp types by name)\n"
        "job.toml:4:cables: is empty\n"
        "    mend: add [cables.NAME] (cables by name)\n"
        "job.toml:5:drivers: is empty\n"
        "    mend: add [drivers.NAME] (driver models by name)\n"
        "job.toml:6:joints.kits: is empty\n"
        "    mend: add [joints.kits.NAME] (joint kits by name)",
    ),
    "empty title": (
        spoil('title = "Small garden" -> title = ""'),
        "job.toml:1:title: is empty\n    mend: write title (name of the job)",
    ),
    "negative prices": (
        spoil("per_m = 8 -> per_m = -8", "price_per_m = 1.2 -> price_per_m = -1.2", "price = 80 -> price = -80"),
        "job.toml:5:grounds.lawn.per_m: found -8, which is below 0\n"
        "    mend: write 0 or more (price of a metre of trench; needed unless no_dig)\n"
        "job.toml:14:cables.thin.price_per_m: found -1.2, which is below 0\n"
        "    mend: write 0 or more (price of a metre)\n"
        "job.toml:19:drivers.small.price: found -80, which is below 0\n"
        "    mend: write 0 or more (price of one, mounted)",
    ),
    "window upside down": (
        spoil("watts = 5 -> watts = -5\nwindow_v = [15, 10]"),
        "job.toml:10:lamps.spike.watts: found -5, which is not above 0\n"
        "    mend: write more than 0 (power at nominal volts, in W)\n"
        "job.toml:11:lamps.spike.window_v: found [15, 10], which runs from 15 V to 10 V, upside down\n"
        "    mend: write the lowest volts first",
    ),
    "window of three": (
        spoil("watts = 5 -> watts = 5\nwindow_v = [9, 10, 15]"),
        "job.toml:11:lamps.spike.window_v: found [9, 10, 15], which has too many values\n"
        "    mend: write 2 of them (lowest and highest volts it may run at; default nominal ± 10 %)",
    ),
    "window of one": (
        spoil("watts = 5 -> watts = 5\nwindow_v = [9]"),
        "job.toml:11:lamps.spike.window_v: has too few values\n"
        "    mend: write all of them (lowest and highest volts it may run at; default nominal ± 10 %)",
    ),
    "nan and inf": (
        spoil("watts = 5 -> watts = nan", "rated_w = 60 -> rated_w = inf"),
        "job.toml:10:lamps.spike.watts: found nan, which is not a finite number\n"
        "    mend: write a number (power at nominal volts, in W)\n"
        "job.toml:18:drivers.small.rated_w: found inf, which is not a finite number\n"
        "    mend: write a number (rated output, in W (VA for wound))",
    ),
    "number in quotes": (
        spoil('watts = 5 -> watts = "5"'),
        "job.toml:10:lamps.spike.watts: found '5', which is text in quotes\n    mend: write 5",
    ),
    "number with comma in quotes": (
        spoil('watts = 5 -> watts = "5,5"'),
        "job.toml:10:lamps.spike.watts: found '5,5', which is not a number\n    mend: write 5.5",
    ),
    "true for a number": (
        spoil("watts = 5 -> watts = true"),
        "job.toml:10:lamps.spike.watts: found true, which is not a number\n"
        "    mend: write a number (power at nominal volts, in W)",
    ),
    "date for a number": (
        spoil("watts = 5 -> watts = 2024-05-01"),
        "job.toml:10:lamps.spike.watts: found 2024-05-01, which is not a number\n"
        "    mend: write a number (power at nominal volts, in W)",
    ),
    "number for text": (
        spoil('title = "Small garden" -> title = 5'),
        'job.toml:1:title: found 5, which is not text\n    mend: write it in quotes: "5"',
    ),
    "word for true": (
        spoil('watts = 5 -> watts = 5\nterminals = "yes"'),
        "job.toml:11:lamps.spike.terminals: found 'yes', which is neither true nor false\n"
        "    mend: write true or false, without quotes (a post with terminals: cable loops in and out, no "
        "lead, no kit)",
    ),
    "word out of a list": (
        spoil('watts = 5 -> watts = 5\nload = "powr"'),
        "job.toml:11:lamps.spike.load: found 'powr', which is none of power, current, resistance\n"
        "    mend: did you mean 'power'?",
    ),
    "number out of a list": (
        spoil("mm2 = 1.5 -> mm2 = 1.5, conductor = 3"),
        "job.toml:14:cables.thin.conductor: found 3, which is none of 1, 2, 5\n    mend: write one of them",
    ),
    "no whole number": (
        spoil("max_ways = 3 -> max_ways = 3.5"),
        "job.toml:22:joints.kits.three.max_ways: found 3.5, which is not a whole number\n"
        "    mend: write a whole number (most cables and leads it takes)",
    ),
    "number for a list": (
        spoil("taps_v = [12] -> taps_v = 12"),
        "job.toml:17:drivers.small.taps_v: found 12, which is not a list\n"
        "    mend: write [12] (its output voltages; wound: at rated load and mains)",
    ),
    "empty list": (
        spoil("taps_v = [12] -> taps_v = []"),
        "job.toml:17:drivers.small.taps_v: found [], which is empty\n"
        "    mend: write at least one value (its output voltages; wound: at rated load and mains)",
    ),
    "number for a table": (
        spoil("lawn = { per_m = 8 } -> lawn = 8"),
        "job.toml:5:grounds.lawn: found 8, where a table belongs\n    mend: write [grounds.lawn] and its keys below it",
    ),
    "drop as a fraction": (
        spoil(extra="[voltage]\nmax_drop = 0.1\n"),
        "job.toml:24:voltage.max_drop: found 0.1, which is below one per cent\n    mend: for 10 per cent write 10",
    ),
    "drop in words": (
        spoil(extra='[voltage]\nmax_drop = "ten"\n'),
        "job.toml:24:voltage.max_drop: found 'ten', which is not a number of per cent\n"
        '    mend: write "10 %" or "off"',
    ),
    "base ground unknown": (
        spoil('currency = "EUR" -> base_ground = "lwan"'),
        "job.toml:2:base_ground: found 'lwan', which is not under [grounds]\n    mend: did you mean 'lawn'?",
    ),
    "base ground not given": (
        spoil("lawn = { per_m = 8 }\n -> "),
        "job.toml:base_ground: is not given, and 'lawn' is not under [grounds]\n"
        "    mend: write base_ground, one of bed, pond",
    ),
    "ground without kind": (
        spoil("bed = { per_m = 6 } -> patio = { per_m = 6 }"),
        "job.toml:6:grounds.patio.kind: is missing\n"
        "    mend: write kind, one of lawn, bed, gravel, mulch, paving, drive, root, no_dig, pond, pool, fountain",
    ),
    "ground without price": (
        spoil("bed = { per_m = 6 } -> bed = {}"),
        "job.toml:6:grounds.bed: has no per_m\n    mend: write what a metre of trench costs here",
    ),
    "ground with joints and no dig": (
        spoil("pond = {} -> pond = { joints = true }"),
        "job.toml:7:grounds.pond: is no_dig, so joints cannot stand on it\n    mend: remove joints = true",
    ),
    "the trees' own name": (
        spoil('pond = {} -> "trunk strip" = { kind = "bed", per_m = 3 }'),
        'job.toml:7:grounds."trunk strip": is a name that the trees\' own strip has\n'
        "    mend: give this ground another name",
    ),
    "zone of unknown ground": (
        spoil(extra='[zones]\n"bed 2" = { ground = "bad" }\nhut = { ground = "concrete" }\n'),
        "job.toml:24:zones.\"bed 2\".ground: found 'bad', which is not under [grounds]\n"
        "    mend: did you mean 'bed'?\n"
        "job.toml:25:zones.hut.ground: found 'concrete', which is not under [grounds]\n"
        "    mend: write one of lawn, bed, pond, or add [grounds.concrete]",
    ),
    "sleeve without room": (
        spoil(extra="[sleeves]\nduct = {}\n"),
        "job.toml:24:sleeves.duct: has neither capacity nor bore_mm\n    mend: write how many cables it may take",
    ),
    "thin cable": (
        spoil("mm2 = 1.5 -> mm2 = 1", extra='[cables."AWG 16"]\nawg = 16\nprice_per_m = 1\n'),
        "job.toml:14:cables.thin.mm2: found 1, thinner than the 1.5 mm² of rules.min_buried_mm2\n"
        "    mend: write a thicker cable, or lower rules.min_buried_mm2\n"
        'job.toml:24:cables."AWG 16".awg: found 16 (1.31 mm²), thinner than the 1.5 mm² of rules.min_buried_mm2\n'
        "    mend: write a thicker cable, or lower rules.min_buried_mm2",
    ),
    "cable of no known size": (
        spoil("mm2 = 1.5 -> mm2 = 3"),
        "job.toml:14:cables.thin: has no resistance in the tables for this size\n    mend: write ohm_per_km",
    ),
    "cable of two sizes": (
        spoil("mm2 = 1.5 -> mm2 = 1.5, awg = 14"),
        "job.toml:14:cables.thin: needs mm2 or awg, one of them\n    mend: write the conductor size",
    ),
    "lead of no known size": (
        spoil("watts = 5 -> watts = 5\nlead_mm2 = 0.6"),
        "job.toml:11:lamps.spike.lead_mm2: found 0.6, which is no size in the tables of IEC 60228\n"
        "    mend: write 0.5, 0.75, 1, 1.5, 2.5 or 4",
    ),
    "reels and prices": (
        spoil("mm2 = 1.5 -> mm2 = 1.5, reels_m = [50, 100], reel_prices = [60]"),
        "job.toml:14:cables.thin: has not one price for each length in reels_m\n"
        "    mend: write as many reel_prices as reels_m",
    ),
    "wound without regulation": (
        spoil('rated_w = 60 -> rated_w = 60\nkind = "wound"'),
        "job.toml:16:drivers.small: is wound and has no regulation_pct\n"
        "    mend: write the rise from rated load to no load",
    ),
    "electronic with regulation": (
        spoil("rated_w = 60 -> rated_w = 60\nregulation_pct = 5"),
        "job.toml:16:drivers.small: is electronic, which holds its voltage\n    mend: remove regulation_pct",
    ),
    "kit sizes": (
        spoil("max_ways = 3 -> max_ways = 3, min_mm2 = 6, max_mm2 = 4"),
        "job.toml:22:joints.kits.three: has min_mm2 above max_mm2\n    mend: write the thinnest conductor in min_mm2",
    ),
    "root radii": (
        spoil(extra="[trees]\nroot_min_m = 20\n"),
        "job.toml:23:trees: has root_min_m above root_max_m\n    mend: write the smaller in root_min_m",
    ),
    "survey elsewhere": (
        spoil('currency = "EUR" -> survey = "../points.csv"'),
        "job.toml:2:survey: found '../points.csv', which is not the name of a file beside the job file\n"
        "    mend: put it beside the job file and write 'points.csv'",
    ),
    "survey is the job": (
        spoil('currency = "EUR" -> survey = "job.toml"'),
        "job.toml:2:survey: found 'job.toml', which is not the name of a file beside the job file\n"
        "    mend: name the survey's CSV file",
    ),
    "survey empty": (
        spoil('currency = "EUR" -> survey = ""'),
        "job.toml:2:survey: is empty\n    mend: name the survey's CSV file",
    ),
    "derating": (
        spoil(extra="[rules]\nbunched = [1.0, 1.2]\n"),
        "job.toml:24:rules.bunched: found 1.2, which is above 1\n"
        "    mend: write 1 or less (rating factor of cables in one sleeve by their number (from memory); the "
        "last holds for more)",
    ),
}


@pytest.mark.parametrize(("text", "said"), BAD.values(), ids=BAD)
def test_says_what_is_wrong_and_what_mends_it(text: str | bytes, said: str) -> None:
    assert complaint(text) == said


def test_good_job_has_no_problems_and_documented_defaults() -> None:
    job = read_job(JOB.encode(), "job.toml")
    assert complaint(JOB) == ""
    assert job.grounds["lawn"].depth_mm == 200
    assert job.grounds["pond"].no_dig
    assert job.grounds["root"].per_m == 16
    assert job.lamps["spike"].window == pytest.approx((10.8, 13.2))
    assert job.driver_end_m("any") == 1.2  # mount height 0.5 + depth 0.2 + 0.5
    assert job.drivers["small"].current_limit_a == 7.5


def test_byte_order_mark_and_windows_line_ends_are_taken() -> None:
    plain = read_job(JOB.encode(), "job.toml")
    assert read_job(b"\xef\xbb\xbf" + JOB.replace("\n", "\r\n").encode(), "job.toml") == plain


def test_ground_closed_by_the_job_needs_no_other_key() -> None:
    lawn = read_job(spoil("bed = { per_m = 6 } -> bed = { no_dig = true }").encode(), "job.toml").grounds["bed"]
    assert (lawn.no_dig, lawn.joints, lawn.leads, lawn.keep_off_m) == (True, False, False, 0.1)


@pytest.mark.parametrize(("value", "per_cent"), [("5 %", 5), ("7,5%", 7.5), (6, 6), (2.5, 2.5), ("off", None)])
def test_override_replaces_the_files_value(value: object, per_cent: float | None) -> None:
    job = read_job(JOB.encode(), "job.toml", {"voltage.max_drop": value})
    assert job.voltage.max_drop == per_cent


def test_override_reaches_names_and_tables_that_have_defaults() -> None:
    job = read_job(JOB.encode(), "job.toml", {"grounds.lawn.per_m": 9, 'supplies."S 1".max_drivers': 2})
    assert job.grounds["lawn"].per_m == 9
    assert job.supply("S 1").max_drivers == 2


def test_faults_of_overrides_are_the_command_lines() -> None:
    overrides = {"rules.max_gauges": 0, "lamps.spik.watts": 3, "voltage.max_dorp": 3, "title.x": 1, "colour": "red"}
    assert complaint(JOB, overrides) == (
        "command line:colour: unknown key\n"
        "    mend: remove it; known here: title, currency, survey, prices_are_invented, voltage, base_ground, grounds, "
        "zones, sleeves, trees, lamps, cables, drivers, supplies, joints, slack, fuses, rules, mains, measuring, dxf, "
        "position, place, schedule, tolerance, quote, alternatives\n"
        "command line:lamps.spik.watts: found 'spik', which the job file does not have\n"
        "    mend: did you mean 'spike'?\n"
        "command line:rules.max_gauges: found 0, which is below 1\n"
        "    mend: write 1 or more (how many sizes of cable one job may use)\n"
        "command line:title.x: is not below a table of the job\n"
        "    mend: write a key of the job file\n"
        "command line:voltage.max_dorp: unknown key\n"
        "    mend: did you mean 'max_drop'?"
    )


LINES = '''\
a = 1
# [not] = a header
"b c".d = """
[not.a.header]
e = 2
"""
[t]  # [comment]
x = [
  1,  # one
  { y = 2 },
]
z = { p = 1, q = "[" }
[t."u v".w]
k = '# no comment'
[[many]]
n = 1
[[many]]
n = 2
[many.sub]
m = 3
'''


@pytest.mark.parametrize(
    ("path", "line"),
    [
        (("a",), 1), (("b c", "d"), 3), (("b c",), 3), (("e",), 0), (("t",), 7), (("t", "x"), 8), (("t", "x", 1), 8),
        (("t", "z", "q"), 12), (("t", "u v"), 13), (("t", "u v", "w", "k"), 14), (("t", "missing"), 7),
        (("many", 0, "n"), 16), (("many", 1, "n"), 18), (("many", 1, "sub", "m"), 20), (("nowhere",), 0),
    ],
)  # fmt: skip
def test_finds_the_line_of_every_key(path: tuple[str | int, ...], line: int) -> None:
    assert line_of(path, find_lines(LINES)) == line


def test_dotted_keys_split_and_join_as_toml_does() -> None:
    assert split_key('lamps."spike 3.5".watts') == ("lamps", "spike 3.5", "watts")
    assert split_key("lamps.spike 3.watts") == ("lamps", "spike 3", "watts")
    assert join_key(("lamps", "spike 3.5", "window_v", 1)) == 'lamps."spike 3.5".window_v'


def test_every_key_is_described() -> None:
    table = describe_keys()
    for line in (
        "| `lamps.NAME.watts` | W | required | power at nominal volts, in W |",
        "| `joints.kits.NAME.max_ways` |  | required | most cables and leads it takes |",
        "| `slack.per_cent` | % | 3 | added to every route |",
        "| pool | 0 | no | no | yes | 3.5 | 3 | 3.5 | 3.5 |",
    ):
        assert line in table.splitlines()
    assert len([line for line in table.splitlines() if line.startswith("| `")]) > 80
    assert all(f"`{key}" in table for key in Job.model_fields)


QUOTE = """
[quote]
hour_cost = 40
trench_min_per_m = 8
cable_min_per_m = 1
joint_min = 10
lamp_min = 15
margin_pct = 20
tax_pct = 19
"""


def test_a_quote_has_rates_for_grounds_and_lamps_that_are_there() -> None:
    job = read_job((JOB + QUOTE + "grounds = { lawn = 6, root = 20 }\n").encode(), "job.toml")
    assert job.quote is not None and job.quote.grounds == {"lawn": 6, "root": 20} and job.quote.tax_name == "tax"
    line = (JOB + QUOTE).count("\n") + 1
    assert complaint(JOB + QUOTE + "grounds = { lawm = 6 }\nlamps = { spik = 3 }\n") == (
        f"job.toml:{line}:quote.grounds.lawm: found 'lawm', which is not under [grounds]\n"
        "    mend: did you mean 'lawn'?\n"
        f"job.toml:{line + 1}:quote.lamps.spik: found 'spik', which is not under [lamps]\n"
        "    mend: did you mean 'spike'?"
    )


def test_a_quote_without_its_rates_is_refused() -> None:
    text = JOB + QUOTE.replace("hour_cost = 40\n", "").replace("margin_pct = 20", "margin_pct = 100")
    head = JOB.count("\n") + 2
    assert complaint(text) == (
        f"job.toml:{head}:quote.hour_cost: is missing\n"
        "    mend: write hour_cost = ... (what an hour of work costs, before margin)\n"
        f"job.toml:{head + 5}:quote.margin_pct: found 100, which is not below 100\n"
        "    mend: write less than 100 (part of the price before tax that is not cost, in per cent: "
        "price = cost / (1 - margin))"
    )


def test_a_range_written_as_one_value_is_asked_for_both() -> None:
    said = complaint(JOB, {"tolerance.cable_pct": "200 %"})
    assert "tolerance.cable_pct: found '200 %', which is not a pair\n    mend: write the lowest and the highest" in said
