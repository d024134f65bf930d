"""A survey reads the same however a spreadsheet writes it: random sites in random dialects, and the ones named."""

import csv
import io
from dataclasses import dataclass

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from small_job import SURVEY, complaint, job, survey

from optimiser.survey import Survey, read_survey
from optimiser.survey.table import clean

JOB = job()
COLUMNS = ("point", "kind", "of", "x", "y", "z", "group", "ring", "stem_mm")
NUMBERS = ("x", "y", "z", "stem_mm")


@dataclass(frozen=True)
class Dialect:
    encoding: str
    separator: str
    comma: bool
    end: str
    quote_all: bool
    columns: tuple[str, ...]
    header: int
    pad: str
    extra: bool
    blanks: tuple[int, ...]
    sep_line: bool


@st.composite
def dialects(draw: st.DrawFn) -> Dialect:
    separator = draw(st.sampled_from(",;\t"))
    return Dialect(
        encoding=draw(st.sampled_from(["utf-8", "utf-8-sig", "utf-16"])),
        separator=separator,
        comma=separator != "," and draw(st.booleans()),
        end=draw(st.sampled_from(["\n", "\r\n", "\r"])),
        quote_all=draw(st.booleans()),
        columns=tuple(draw(st.permutations(COLUMNS))),
        header=draw(st.integers(0, 3)),
        pad=draw(st.sampled_from(["", " ", "\u00a0"])),
        extra=draw(st.booleans()),
        blanks=tuple(draw(st.lists(st.integers(0, 30), max_size=4))),
        sep_line=draw(st.booleans()),
    )


def write(rows: list[dict[str, str]], dialect: Dialect) -> bytes:
    style = [str, str.upper, lambda name: f" {name.title()} ", lambda name: name.replace("_", " ")][dialect.header]
    out = io.StringIO()
    if dialect.sep_line:
        out.write(f"sep={dialect.separator}{dialect.end}")
    quoting = csv.QUOTE_ALL if dialect.quote_all else csv.QUOTE_MINIMAL
    writer = csv.writer(out, delimiter=dialect.separator, lineterminator=dialect.end, quoting=quoting)
    tail = ["colour"] if dialect.extra else []
    writer.writerow([style(column) for column in dialect.columns] + tail)
    for number, row in enumerate(rows):
        for _ in range(dialect.blanks.count(number)):
            out.write(dialect.separator * (len(COLUMNS) - 1) + dialect.end)
        cells = []
        for column in dialect.columns:
            text = row.get(column, "")
            text = text.replace(".", ",") if dialect.comma and column in NUMBERS else text
            cells.append(f"{dialect.pad}{text}{dialect.pad}")
        writer.writerow(cells + ["red"] * len(tail))
    out.write(dialect.end * len(dialect.blanks))
    return out.getvalue().encode(dialect.encoding)


metres = st.integers(-50_000, 50_000).map(lambda millimetres: millimetres / 1000)
words = (
    st.text(alphabet="abcXYZ äß0129-_.,;\"'/()", min_size=1, max_size=8)
    .map(clean)
    .filter(lambda name: bool(name) and not name.startswith("sep="))
)


@st.composite
def sites(draw: st.DrawFn) -> list[dict[str, str]]:
    """Rows of a site that has nothing wrong with it: zones lie 200 m east of lamps and supply points."""
    names = draw(st.lists(words, min_size=2, max_size=12, unique_by=str.casefold))
    heights = draw(st.booleans())
    places = draw(st.lists(st.tuples(metres, metres), min_size=len(names), max_size=len(names), unique=True))
    rows = []
    for number, (name, (x, y)) in enumerate(zip(names, places, strict=True)):
        kind = ("lamp", "supply")[number] if number < 2 else draw(st.sampled_from(["lamp", "supply", "tree", "peg"]))
        row = {"point": name, "kind": kind, "x": f"{x:.3f}", "y": f"{y:.3f}"}
        if kind == "lamp":
            row |= {
                "of": draw(st.sampled_from(["spike", "post", "float"])),
                "group": draw(st.sampled_from(["", "a b"])),
            }
        if kind == "tree":  # 150 m west: no supply point may stand in a trunk strip
            row |= {"x": f"{x - 150:.3f}", "stem_mm": f"{draw(st.integers(20, 1500))}.0"}
        rows.append(row)
    for number, ground in enumerate(draw(st.lists(st.sampled_from(["bed", "pond", "paving"]), max_size=3))):
        west, south = 200 + 40 * number, draw(metres)
        holes = draw(st.booleans())
        for ring, (inset, side) in enumerate([(0, 30.5), (5, 3.25)][: 1 + holes]):
            for x, y in ((0, 0), (side, 0), (side, side), (0, side)):
                row = {"kind": "corner", "of": f"{ground} {number}", "ring": str(ring) if ring else ""}
                rows.append(row | {"x": f"{west + inset + x:.3f}", "y": f"{south + inset + y:.3f}"})
    if draw(st.booleans()):
        rows += [{"kind": "sleeve", "of": "duct", "x": f"{300 + x:.3f}", "y": "7.125"} for x in (0, 4, 9)]
    if draw(st.booleans()):
        rows += [{"kind": "mains", "of": "feed", "x": f"{300 + x:.3f}", "y": "-7.125"} for x in (0, 4)]
    if heights:
        at: dict[tuple[str, str], str] = {}
        for row in rows:
            row["z"] = at.setdefault((row["x"], row["y"]), f"{draw(metres):.3f}")
    return rows


def place(row: dict[str, str]) -> tuple[float, float, float]:
    return float(row["x"]), float(row["y"]), float(row.get("z", "0"))


def facts(site: Survey) -> dict[str, object]:
    """All that a survey says, without rows and notes."""
    return {
        "lamp": [(lamp.name, lamp.type, lamp.group, lamp.place) for lamp in site.lamps],
        "supply": [(supply.name, supply.place) for supply in site.supplies],
        "tree": [(tree.name, tree.stem_mm, tree.place) for tree in site.trees],
        "peg": [(peg.name, peg.place) for peg in site.pegs],
        "sleeve": [(sleeve.name, sleeve.route) for sleeve in site.sleeves],
        "mains": [(line.name, line.route) for line in site.mains],
        "zone": [
            (zone.name, [list(ring.coords)[:-1] for ring in (zone.polygon.exterior, *zone.polygon.interiors)])
            for zone in site.zones
            if zone.of == "survey"
        ],
        "heights": site.heights,
    }


def meant(rows: list[dict[str, str]]) -> dict[str, object]:
    """The same, from the rows before they were written."""

    def of(kind: str, *keys: str) -> list[tuple[object, ...]]:
        return [(*(row.get(key, "") for key in keys), place(row)) for row in rows if row["kind"] == kind]

    def lines(kind: str) -> list[tuple[str, tuple[tuple[float, float, float], ...]]]:
        names = dict.fromkeys(row["of"] for row in rows if row["kind"] == kind)
        return [(name, tuple(place(row) for row in rows if row.get("of") == name)) for name in names]

    zones: dict[str, dict[str, list[tuple[float, float]]]] = {}
    for row in rows:
        if row["kind"] == "corner":
            zones.setdefault(row["of"], {}).setdefault(row["ring"], []).append(place(row)[:2])
    return {
        "lamp": of("lamp", "point", "of", "group"),
        "supply": of("supply", "point"),
        "tree": [(row["point"], float(row["stem_mm"]), place(row)) for row in rows if row["kind"] == "tree"],
        "peg": of("peg", "point"),
        "sleeve": lines("sleeve"),
        "mains": lines("mains"),
        "zone": [(name, list(rings.values())) for name, rings in zones.items()],
        "heights": tuple(dict.fromkeys(place(row) for row in rows)) if "z" in rows[0] else (),
    }


@settings(max_examples=150, deadline=None)
@given(sites(), dialects())
def test_reads_back_what_a_spreadsheet_writes(rows: list[dict[str, str]], dialect: Dialect) -> None:
    site = read_survey(write(rows, dialect), "survey.csv", JOB)
    assert facts(site) == meant(rows)
    assert site.has_heights == ("z" in rows[0])
    assert ("survey.csv: column 'colour' is not used" in site.notes) == dialect.extra


def test_rows_are_numbered_as_the_spreadsheet_shows_them() -> None:
    """Blank rows count, ``sep=`` does not, and a quoted line break does not start a row."""
    text = 'sep=;\npoint;kind;of;x;y;note\n;;;;;\nS1;supply;;0;0;"by the\ndoor"\n\nL1;lamp;spyke;4;3;\n'
    assert complaint(text).startswith("survey.csv:5:of: found 'spyke'")


def test_decimal_commas_in_a_comma_separated_file() -> None:
    """Quoted by some spreadsheets; not believed where every one of them may be a thousand."""
    head = "point,kind,of,x,y\nS1,supply,,0,0\n"
    assert survey(head + 'L1,lamp,spike,"4,25","3,5"\n').lamps[0].place == (4.25, 3.5, 0.0)
    assert complaint(head + 'L1,lamp,spike,"4,250","3,500"\n') == (
        "survey.csv:3:x: found '4,250', which is not a number\n"
        "    mend: write 4.250\n"
        "survey.csv:3:y: found '3,500', which is not a number\n"
        "    mend: write 3.500"
    )


@pytest.mark.parametrize(
    ("text", "x"),
    [
        ("4", 4.0),
        ("+4.5", 4.5),
        ("\u22124.5", -4.5),
        (".5", 0.5),
        ("4.", 4.0),
        ("4.5e1", 45.0),
        ("4.00049", 4.0),
        ("-0", 0.0),
    ],
)
def test_numbers_that_are_taken(text: str, x: float) -> None:
    assert survey(SURVEY.replace("lamp,spike,4,3", f"lamp,spike,{text},3")).lamps[0].place[0] == x


def test_kinds_names_and_types_in_any_case() -> None:
    site = survey("point,kind,of,x,y\ns1,Supply,,0,0\nL1,LAMP,Spike,4,3\n")
    assert (site.supplies[0].name, site.lamps[0].type) == ("S1", "spike")  # as the job spells them
