"""The sheets that go to site: labels apart, all named, to scale, with cautions, the same every time, safe to open."""

from __future__ import annotations

import io
import re
from functools import cache
from itertools import combinations, pairwise
from xml.etree import ElementTree

import numpy as np
import pypdf
import pypdfium2
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely import LineString, box, union_all

from optimiser.documents.drawing_set import DrawingOptions, Page, draw_set, svg_files
from optimiser.documents.map_words import unnamed_trenches
from optimiser.documents.papers import PaperOptions, choose_papers, make_papers
from optimiser.documents.pdf import pdf_of
from optimiser.documents.plan_file import plan_digest, plan_json
from optimiser.documents.sheet import PAPERS_MM, ROUND_SCALES
from optimiser.documents.svg import cut_middle, text_width
from optimiser.documents.tiles import built_places, cover
from optimiser.documents.words import isolated, plain
from optimiser.plan.model import Plan
from tests.case_plans import case_plan
from tests.documents.sample import NASTY, courtyard, many_circuits, one_lamp, park, with_names

SVG = "{http://www.w3.org/2000/svg}"
SAMPLES = {"courtyard sample": courtyard, "park sample": park, "posts": lambda: many_circuits(24), "doorstep": one_lamp}
LARGE = ("orchard", "riverside")
PLANS = [
    *SAMPLES,
    "terrace",
    "courtyard",
    *[pytest.param(name, marks=pytest.mark.slow) for name in LARGE],
]


@cache
def plan_of(name: str) -> Plan:
    return SAMPLES[name]() if name in SAMPLES else case_plan(name)


OPTIONS = {paper: DrawingOptions(paper, "12 May 2031", "C") for paper in PAPERS_MM}


@cache
def pages_of(name: str, paper: str) -> list[Page]:
    return draw_set(plan_of(name), OPTIONS[paper])


def texts(svg: str) -> list[str]:
    return ["".join(node.itertext()) for node in ElementTree.fromstring(svg).iter(f"{SVG}text")]


@pytest.mark.parametrize("paper", PAPERS_MM)
@pytest.mark.parametrize("name", PLANS)
def test_no_label_lies_on_another_and_none_is_missing(name: str, paper: str) -> None:
    for page in pages_of(name, paper):
        if page.view is None:
            continue
        area = page.sheet.map
        assert not page.view.left_out
        for label in page.view.placed:
            assert area.left <= label.box.left <= label.box.right <= area.right + 1e-9
            assert area.top <= label.box.top <= label.box.bottom <= area.bottom + 1e-9
        boxes = [label.box for label in page.view.placed]
        overlaps = [
            (a, b)
            for a, b in combinations(boxes, 2)
            if a.left < b.right and b.left < a.right and a.top < b.bottom and b.top < a.bottom
        ]
        assert not overlaps


@pytest.mark.parametrize("paper", ["A4", "A3"])
@pytest.mark.parametrize("name", PLANS)
def test_everything_is_named_on_some_sheet(name: str, paper: str) -> None:
    plan, pages = plan_of(name), pages_of(name, paper)
    sheets = [page.view for page in pages if page.view is not None and page.view.scene.detail.value == "site"]
    keys = {label.label.key for view in sheets for label in view.placed}
    assert keys >= {f"lamp {lamp.id}" for lamp in plan.lamps}
    assert keys >= {f"joint {joint.id}" for joint in plan.joints if joint.post is None}
    assert keys >= {f"cable {cable.id}" for cable in plan.cables}
    assert keys >= {f"drivers {driver.supply}" for driver in plan.drivers}
    said = " ".join(words for page in pages for words in texts(page.svg))
    unnamed = set(unnamed_trenches(plan, sheets[0].sheet.scale))
    for trench in plan.trenches:
        if trench.sleeve is None:
            assert (f"trench {trench.id}" in keys) == (trench.id not in unnamed)
            assert trench.id in said
    for lamp in plan.lamps:
        assert f"{lamp.volts:.2f} V" in said
    for cable in plan.cables:
        size = plan.cables_used[cable.cable].size.removesuffix(" mm²")
        assert f"{cable.id} · {size} · {cable.cut_m:,.1f} m" in said
    for trench in plan.trenches:
        if f"trench {trench.id}" in keys:
            assert f"{trench.id} {trench.ground} {trench.depth_mm:,.0f} mm" in said
    for driver in plan.drivers:
        assert driver.model in said and f"load {driver.load_w:,.0f} W" in said
    for warning in plan.warnings:
        assert warning.replace(" ", "") in said.replace(" ", "").replace("–", "")
    for ground in {zone.ground for zone in plan.site.zones}:
        assert ground in said


@pytest.mark.parametrize("paper", PAPERS_MM)
@pytest.mark.parametrize("name", PLANS)
def test_every_sheet_says_what_it_is_and_what_to_beware_of(name: str, paper: str) -> None:
    plan, pages = plan_of(name), pages_of(name, paper)
    digest = plan_digest(plan)
    for number, page in enumerate(pages, 1):
        words = texts(page.svg)
        joined = " ".join(words)
        for needed in (
            "licensed electrician", "30 mA", "what lies buried", "Local wiring rules come before",
            "Measure every circuit", plan.job.title, "12 May 2031", f"{number} of {len(pages)}", digest[:12],
        ):  # fmt: skip
            assert needed in joined
        assert "C" in words  # the revision
        assert plan.currency not in joined and "Cost" not in joined  # no money on what lies about on site
        if page.view is not None:
            assert f"1 : {page.sheet.scale:,} on {paper}" in words
            assert "y of the survey" in words and "true north" not in joined and "grid north" not in joined
        if any(zone.of == "root" for zone in plan.site.zones):
            assert "Near trees dig by hand" in joined


@pytest.mark.parametrize("paper", PAPERS_MM)
@pytest.mark.parametrize("name", PLANS)
def test_sheets_are_of_the_papers_size_and_drawn_to_the_scale_they_state(name: str, paper: str) -> None:
    """The numbers on the map's edge are as far apart on the paper as the stated scale makes them."""
    for page in pages_of(name, paper):
        root = ElementTree.fromstring(page.svg)
        sides = sorted(float(root.get(key, "").removesuffix("mm")) for key in ("width", "height"))
        assert sides == pytest.approx(PAPERS_MM[paper], abs=0.01)
        if page.view is None:
            continue
        if page.view.scene.detail.value == "site":
            assert page.sheet.scale in ROUND_SCALES
        edge = next(node for node in root.iter(f"{SVG}g") if node.get("id") == "edge")
        for turned, axis, sign in ((False, "x", 1), (True, "y", -1)):
            found = [
                (float("".join(node.itertext())), float(node.get(axis, "")))
                for node in edge.iter(f"{SVG}text")
                if (node.get("transform") is not None) == turned
            ]
            for (metres, at), (more, further) in pairwise(found):
                assert sign * (further - at) * page.sheet.scale / 1000 == pytest.approx(
                    more - metres, abs=0.011 * page.sheet.scale / 1000
                )


@pytest.mark.parametrize("paper", PAPERS_MM)
@pytest.mark.parametrize("name", PLANS)
def test_the_sheets_show_all_that_is_built(name: str, paper: str) -> None:
    shown = []
    for page in pages_of(name, paper):
        if page.view is not None and page.view.scene.detail.value == "site":
            area = page.sheet.map
            west, north = page.sheet.ground_at(area.left, area.top)
            east, south = page.sheet.ground_at(area.right, area.bottom)
            shown.append(box(west, south, east, north))
    ground = union_all(shown)
    for trench in plan_of(name).trenches:
        if len(trench.route) > 1:
            assert ground.covers(LineString([place[:2] for place in trench.route]))


def test_a_large_plan_has_a_key_and_a_small_one_is_one_sheet() -> None:
    large = pages_of("park sample", "A4")
    assert large[0].view is not None and large[0].view.scene.detail.value == "key"
    maps = [page for page in large if page.view is not None][1:]
    assert len(maps) > 1
    words = texts(large[0].svg)
    assert {str(page.heading.number) for page in maps} <= set(words)
    assert len(pages_of("doorstep", "A4")) <= 2
    assert [page.heading.number for page in large] == list(range(1, len(large) + 1))
    for page in maps:  # the neighbours are named where they go on
        assert any(re.fullmatch(r"sheet \d+", said) for said in texts(page.svg))


def test_letters_on_site_sheets_can_be_read() -> None:
    """At least 1.85 mm, 5¼ point; what says what to dig and to cut at least 1.95 mm. Common practice, no source."""
    for name in ("courtyard sample", "park sample", "posts"):
        for page in pages_of(name, "A4"):
            sizes = [float(node.get("font-size", "")) for node in ElementTree.fromstring(page.svg).iter(f"{SVG}text")]
            assert min(sizes) >= 1.85


def test_what_finds_no_room_stands_in_the_notes() -> None:
    """Lamps 7 cm apart all round one another: no scale spreads them, and nothing is dropped in silence."""
    plan = courtyard()
    many = [
        plan.lamps[0].model_copy(
            update={"id": f"X{i:03d}", "x": 2.0 + 0.07 * (i % 14), "y": 2.6 + 0.07 * (i // 14), "lead_route": []}
        )
        for i in range(126)
    ]
    crowded = plan.model_copy(update={"lamps": [*plan.lamps, *many]})
    said = " ".join(" ".join(texts(page.svg)) for page in draw_set(crowded, DrawingOptions("A4")))
    for lamp in crowded.lamps:
        assert lamp.id in said


def test_very_many_warnings_and_circuits_go_on_over_sheets() -> None:
    plan = courtyard()
    circuits = [plan.circuits[i % 3].model_copy(update={"id": f"C{i:03d}"}) for i in range(250)]
    warnings = [f"W{i:03d} " + "words to be read before digging " * 3 for i in range(90)]
    plan = plan.model_copy(update={"circuits": [*plan.circuits, *circuits], "warnings": warnings})
    pages = draw_set(plan, DrawingOptions("A4"))
    said = " ".join(" ".join(texts(page.svg)) for page in pages)
    assert all(f"W{i:03d}" in said for i in range(90))
    assert all(f"C{i:03d}" in said for i in range(250))
    assert [page.heading.of for page in pages] == [len(pages)] * len(pages)


def test_a_paper_that_is_not_known_is_an_error() -> None:
    with pytest.raises(ValueError, match="'A5', and must be one of A4, A3, Letter"):
        DrawingOptions("A5")


def test_without_date_and_revision_the_fields_are_empty() -> None:
    svg = draw_set(courtyard(), DrawingOptions())[0].svg
    words = texts(svg)
    assert {"date", "revision", "sheet"} <= set(words)
    assert not re.search(r"\b20\d\d\b", svg.replace("http://www.w3.org/2000/svg", ""))


def test_names_of_files_and_digest() -> None:
    files = svg_files(pages_of("park sample", "A4"))
    assert [name for name, _ in files] == [f"drawing-{i:02d}.svg" for i in range(1, len(files) + 1)]
    import hashlib

    assert plan_digest(park()) == hashlib.sha256(plan_json(park()).encode()).hexdigest()


# PDF


def drawing_pdf(plan: Plan, options: DrawingOptions) -> bytes:
    """The paper as it is written."""
    wanted = PaperOptions(options.date, size=options.paper, revision=options.revision)
    return make_papers(plan, choose_papers(["drawing"]), wanted)["drawing.pdf"]


@pytest.mark.parametrize(("name", "paper"), [("park sample", "A4"), ("courtyard sample", "A3"), ("posts", "Letter")])
def test_pdf_has_the_sheets_in_their_size_with_text(name: str, paper: str) -> None:
    """Read by a reader that is not ours (pypdf): every word of the SVG is text in the PDF."""
    pages = pages_of(name, paper)
    reader = pypdf.PdfReader(io.BytesIO(drawing_pdf(plan_of(name), OPTIONS[paper])))
    assert len(reader.pages) == len(pages)
    assert reader.root_object["/ViewerPreferences"]["/PrintScaling"] == "/None"
    for found, page in zip(reader.pages, pages, strict=True):
        size = (float(found.mediabox.width), float(found.mediabox.height))
        assert size == pytest.approx((page.sheet.width * 72 / 25.4, page.sheet.height * 72 / 25.4), abs=0.01)
        said = re.sub(r"\s", "", found.extract_text())
        for words in set(texts(page.svg)):
            assert re.sub(r"\s", "", words) in said


@pytest.mark.parametrize("nasty", NASTY, ids=ascii)
def test_any_name_can_be_drawn_and_is_only_text(nasty: str) -> None:
    plan = with_names(courtyard(), lambda name: f"{nasty}{name}")
    options = DrawingOptions("A3", f"{nasty}date", f"{nasty}B")
    for page in draw_set(plan, options):
        root = ElementTree.fromstring(page.svg)
        assert {node.tag.removeprefix(SVG) for node in root.iter()} <= {
            "svg", "g", "defs", "clipPath", "rect", "circle", "path", "polyline", "text", "title"
        }  # fmt: skip
        assert page.view is not None and not page.view.left_out
    made = drawing_pdf(plan, options)
    reader = pypdf.PdfReader(io.BytesIO(made))
    assert isinstance(reader.root_object["/OpenAction"], list)  # a place to show first, no action
    assert "/Names" not in reader.root_object and "/AcroForm" not in reader.root_object
    for name in (b"/JavaScript", b"/JS", b"/Launch", b"/URI"):
        assert name not in made
    said = re.sub(r"\s", "", "".join(page.extract_text() for page in reader.pages))
    assert "11.85V" in said
    if nasty == NASTY[2]:  # emoji come out of the PDF as they went in
        assert re.sub(r"\s", "", plain(nasty)) + "L01" in said


def test_names_from_right_to_left_leave_numbers_in_their_order() -> None:
    """Isolated as the Unicode bidirectional algorithm (UAX #9) provides; overriding characters are taken out."""
    name = NASTY[3].split()[0]
    plan = with_names(courtyard(), lambda said: name if said == "garden 2.5" else said)
    plan = plan.model_copy(
        update={"cables_used": {k: v.model_copy(update={"size": name}) for k, v in plan.cables_used.items()}}
    )
    words = texts(draw_set(plan, DrawingOptions())[0].svg)
    cable = plan.cables[0]
    assert f"{cable.id} · \u2068{name}\u2069 · {cable.cut_m:.1f} m" in words
    assert plain("left \u202eturned\u202c \u2066x\u2069") == "left turned x\u2069"
    assert isolated("L01") == "L01" and isolated(f"\u2069{name}") == f"\u2068{name}\u2069"


def painted(body: str) -> np.ndarray:
    """A sheet of 40 by 30 mm as PDF, as another program (pdfium) paints it: 10 dots a millimetre."""
    svg = f'<svg xmlns="http://www.w3.org/2000/svg" width="40mm" height="30mm" fill="#000000">{body}</svg>'
    page = pypdfium2.PdfDocument(pdf_of([svg], "test"))[0]
    return np.array(page.render(scale=254 / 72).to_pil().convert("RGB"))


@pytest.mark.parametrize(
    ("body", "inside", "outside"),
    [
        ('<rect x="10" y="5" width="20" height="10" fill="#ff0000"/>', [(11, 6), (29, 14)], [(9, 6), (11, 16)]),
        ('<rect x="10" y="5" width="20" height="10" rx="3" fill="#ff0000"/>', [(20, 6)], [(10.3, 5.3), (29.7, 14.7)]),
        ('<circle cx="20" cy="15" r="10" fill="#ff0000"/>', [(11, 15), (20, 24)], [(12, 7), (28, 23)]),
        ('<path d="M10 15 A10 10 0 0 0 30 15 Z" fill="#ff0000"/>', [(20, 20), (14, 18)], [(20, 13), (11, 24)]),
        ('<path d="M10 15 A10 10 0 0 1 30 15 Z" fill="#ff0000"/>', [(20, 10)], [(20, 17)]),
        ('<path d="M10 10a5 5 0 1 0 10 0a5 5 0 1 0-10 0" fill="#ff0000"/>', [(15, 6), (15, 14)], [(21, 10), (10, 5)]),
        ('<path d="M5 5h20v10h-20Z" fill="#ff0000"/>', [(6, 6), (24, 14)], [(26, 6)]),
        ('<path d="M5 5l10 10" stroke="#ff0000" stroke-width="2" fill="none"/>', [(10, 10)], [(14, 6)]),
        ('<path d="M5 20q10-15 20 0" fill="#ff0000"/>', [(15, 16)], [(15, 11), (6, 14)]),
        ('<polyline points="5,5 25,5" stroke="#ff0000" stroke-width="2" fill="none"/>', [(15, 5)], [(15, 7), (27, 5)]),
        (
            '<polyline points="5,5 35,5" stroke="#ff0000" stroke-width="2" stroke-dasharray="4 4" fill="none"/>',
            [(7, 5), (15, 5)],
            [(11, 5), (19, 5)],
        ),
        (
            '<path d="M5 5H25V25H5ZM10 10H20V20H10Z" fill-rule="evenodd" fill="#ff0000"/>',
            [(7, 7), (23, 15)],
            [(15, 15), (27, 7)],
        ),
        (
            '<clipPath id="c"><path clip-rule="evenodd" d="M5 5H15V15H5Z"/></clipPath>'
            '<g clip-path="url(#c)"><rect x="0" y="0" width="40" height="30" fill="#ff0000"/></g>'
            '<rect x="30" y="20" width="5" height="5" fill="#ff0000"/>',
            [(6, 6), (14, 14), (32, 22)],
            [(4, 4), (16, 10)],
        ),
        ('<g transform="translate(10 5)"><rect width="5" height="5" fill="#ff0000"/></g>', [(12, 7)], [(2, 2)]),
    ],
)
def test_pdf_paints_what_the_svg_says(
    body: str, inside: list[tuple[float, float]], outside: list[tuple[float, float]]
) -> None:
    """Where the SVG standard (SVG 1.1, chapters 8 and 9) has colour there is colour, elsewhere paper."""
    dots = painted(body)
    for x, y in inside:
        assert dots[round(10 * y), round(10 * x)].tolist() == [255, 0, 0]
    for x, y in outside:
        assert dots[round(10 * y), round(10 * x)].tolist() == [255, 255, 255]


def test_pdf_sets_text_where_the_svg_says() -> None:
    """From its anchor on, to the left of it, or to both sides; turned about a point."""
    ink = {}
    for anchor in ("start", "middle", "end"):
        dots = painted(f'<text x="20" y="15" font-size="4" text-anchor="{anchor}">lamp</text>')
        ink[anchor] = np.argwhere(dots[..., 0] < 128)
    assert 200 <= ink["start"][:, 1].min() <= 206 and ink["end"][:, 1].max() <= 200
    assert abs(ink["middle"][:, 1].mean() - 200) < 8
    assert 110 < ink["start"][:, 0].min() < 125 and 145 < ink["start"][:, 0].max() < 165  # l above, p below the line
    turned = '<text x="20" y="15" font-size="4" transform="rotate(-90 20 15)">lamp</text>'
    up = np.argwhere(painted(turned)[..., 0] < 128)
    assert up[:, 0].max() <= 150 and up[:, 0].min() < 80


@pytest.mark.parametrize(
    "body",
    [
        "<image/>",
        '<rect x="0" style="fill:red"/>',
        '<path d="M0 0C1 1 2 2 3 3"/>',
        '<path d="M0 0A5 3 0 0 0 9 9"/>',
        '<g transform="scale(2)"/>',
        '<rect width="1" height="1" fill="red"/>',
    ],
)
def test_pdf_leaves_nothing_out_unseen(body: str) -> None:
    with pytest.raises(ValueError, match=r"cannot be written|half circles"):
        painted(body)


# Parts


places = st.lists(st.tuples(st.floats(-200, 200), st.floats(-200, 200)), min_size=1, max_size=60)


@settings(max_examples=60, deadline=None)
@given(places, st.floats(5, 150), st.floats(5, 150))
def test_windows_cover_all_places(found: list[tuple[float, float]], width_m: float, height_m: float) -> None:
    array = np.array(found)
    middles = np.array(cover(array, width_m, height_m))
    dx = np.abs(array[:, None, 0] - middles[None, :, 0]) <= width_m / 2 + 1e-6
    dy = np.abs(array[:, None, 1] - middles[None, :, 1]) <= height_m / 2 + 1e-6
    assert (dx & dy).any(axis=1).all()
    assert len(middles) <= len(found)


def test_built_places_are_dense() -> None:
    array = built_places(courtyard(), 0.25)
    for trench in courtyard().trenches:
        for place in trench.route:
            assert np.min(np.hypot(*(array - np.array(place[:2])).T)) < 1e-9
    assert len(built_places(courtyard(), 0.1)) > 2 * len(array) - 60


def test_long_names_keep_both_ends() -> None:
    name = "by the long wall behind the old stone oven L01"
    shown = cut_middle(name, 20, 2)
    assert shown.startswith("by") and shown.endswith("L01") and "…" in shown
    assert text_width(shown, 2) <= 20
    assert cut_middle("L01", 20, 2) == "L01"
    assert cut_middle("x" * 500, 1, 2) == "…"
