"""What is printed, read back by other programs: pypdf and PDFium for PDF, openpyxl for XLSX, expat for SVG."""

from __future__ import annotations

import io
import re
import subprocess
import sys
import unicodedata
import zipfile
from collections.abc import Iterator
from functools import cache
from importlib import import_module
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import numpy as np
import openpyxl
import pypdf
import pypdfium2
import pytest

from optimiser.documents.canvas import A4, Page, Words
from optimiser.documents.cautions import brief
from optimiser.documents.label_sheet import label_pages
from optimiser.documents.lists import all_tables
from optimiser.documents.papers import PAPERS, PaperOptions, choose_papers, make_papers
from optimiser.documents.pdf import pdf_of
from optimiser.documents.pdf_fonts import font_fault, unseen
from optimiser.documents.plan_file import plan_digest
from optimiser.documents.single_line import single_line_pages
from optimiser.documents.svg import text_width
from optimiser.documents.table_pages import _NARROWER, Heading, table_pages
from optimiser.documents.tables import Column, Part, Table
from optimiser.documents.words import isolated, plain
from optimiser.plan.model import Plan
from tests.documents.sample import NASTY, courtyard, many_circuits, one_lamp, park, with_names

ROOT = Path(__file__).resolve().parents[2]
FORMULAE = ["=HYPERLINK(1)", "+1", "-1", "@x", "\t=1"]
PLANS = {"courtyard": courtyard, "park": park, "lane": many_circuits, "doorstep": one_lamp}


@cache
def made(name: str, paper: str, date: str = "17 May") -> bytes:
    return choose_papers([paper])[0].make(PLANS[name](), PaperOptions(date=date))


def squeezed(text: str) -> str:
    """Without spaces: how words are set apart is a reader's guess."""
    return re.sub(r"\s+", "", text)


def pages_of(data: bytes) -> list[str]:
    return [squeezed(page.extract_text()) for page in pypdf.PdfReader(io.BytesIO(data)).pages]


@pytest.mark.parametrize("name", PLANS)
@pytest.mark.parametrize("paper", ["lists", "single-line", "labels"])
def test_every_sheet_names_job_date_plan_and_cautions(name: str, paper: str) -> None:
    plan = PLANS[name]()
    for text in pages_of(made(name, paper)):
        for needed in (plan.job.title, "17 May", plan_digest(plan)[:12], brief()):
            assert squeezed(needed) in text


@pytest.mark.parametrize("name", PLANS)
def test_every_word_of_the_lists_can_be_selected(name: str) -> None:
    text = "".join(pages_of(made(name, "lists")))
    for table in all_tables(PLANS[name]()):
        assert squeezed(table.title) in text
        for row in table.rows:
            for cell, column in zip(row, table.columns, strict=True):
                if isinstance(cell, str) and column.share and len(cell) < 12:
                    assert squeezed(cell) in text, cell


@pytest.mark.parametrize("name", PLANS)
def test_the_diagram_shows_all_that_is_wired(name: str) -> None:
    plan = PLANS[name]()
    text = "".join(pages_of(made(name, "single-line")))
    for part in (plan.drivers, plan.circuits, plan.joints, plan.cables, plan.lamps):
        for thing in part:
            assert thing.id in text
    svg = made_svg(name)
    words = [element.text for element in svg.iter("{http://www.w3.org/2000/svg}text")]
    for cable in plan.cables:
        assert words.count(cable.id) == 1


def made_svg(name: str) -> ElementTree.Element:
    return ElementTree.fromstring(made(name, "single-line-svg"))


@pytest.mark.parametrize("name", PLANS)
def test_each_piece_has_a_label_for_both_ends(name: str) -> None:
    plan = PLANS[name]()
    pages = label_pages(plan, "", "0", brief())
    words = [mark.text for page in pages for mark in page.marks if isinstance(mark, Words)]
    for cable in plan.cables:
        assert words.count(cable.id) == 2
    this = [word.removeprefix("this end: ") for word in words if word.startswith("this end: ")]
    assert sorted(this) == sorted([end for cable in plan.cables for end in (cable.from_, cable.to)])


def boxes(page: pypdfium2.PdfPage) -> Iterator[tuple[float, float, float, float, str]]:
    """Of each run of text as PDFium finds it: left, bottom, right, top in points, words."""
    text = page.get_textpage()
    for i in range(text.count_rects()):
        left, bottom, right, top = text.get_rect(i)
        yield left, bottom, right, top, text.get_text_bounded(left, bottom, right, top)


@pytest.mark.parametrize("name", PLANS)
@pytest.mark.parametrize("paper", ["lists", "single-line", "labels"])
def test_no_text_leaves_its_sheet_or_covers_other_text(name: str, paper: str) -> None:
    document = pypdfium2.PdfDocument(made(name, paper))
    for number in range(len(document)):
        page = document[number]
        width, height = page.get_size()
        found = list(boxes(page))
        assert found
        for left, bottom, right, top, words in found:
            assert left > 0 and right < width and bottom > 0 and top < height, words
        edges = np.array([box[:4] for box in found])
        left, bottom, right, top = (edges[:, k] for k in range(4))
        # a point of grace for accents that reach above their line
        meet = (right[:, None] > left[None] + 1) & (right[None] > left[:, None] + 1)
        meet &= (top[:, None] > bottom[None] + 1) & (top[None] > bottom[:, None] + 1)
        np.fill_diagonal(meet, val=False)
        assert not meet.any(), [(number, found[i][4], found[j][4]) for i, j in np.argwhere(meet)[:3]]


@pytest.mark.parametrize("nasty", NASTY, ids=ascii)
def test_names_of_every_kind_come_out_right_and_harmless(nasty: str) -> None:
    plan = with_names(courtyard(), lambda name: nasty + name)
    options = PaperOptions(date=nasty)
    files = make_papers(plan, choose_papers(["lists", "labels", "single-line", "single-line-svg", "workbook"]), options)
    for file in ("lists.pdf", "labels.pdf", "single_line.pdf"):
        assert len(pypdfium2.PdfDocument(files[file])) >= 1
    text = "".join(pages_of(files["lists.pdf"]))
    # readers give right-to-left words in the order in which they stand on paper or in that of speech
    letters = {char for char in plain(nasty) if not (char.isspace() or unicodedata.combining(char) or unseen(char))}
    assert letters <= set(text)
    svg = ElementTree.fromstring(files["single_line.svg"])
    assert {element.tag.split("}")[1] for element in svg.iter()} <= {
        "svg",
        "title",
        "g",
        "rect",
        "line",
        "circle",
        "text",
    }
    # a name as a whole, or its beginning before an ellipsis
    begins = plain(nasty + "D1")[:3]
    assert any((element.text or "").startswith(begins) for element in svg.iter() if element.tag.endswith("text"))
    book = openpyxl.load_workbook(io.BytesIO(files["lists.xlsx"]))
    joints = [row[1].value for row in book["joint_list"].iter_rows(min_row=2)]
    assert [plain(joint.id) for joint in plan.joints] == [value for value in joints if value][: len(plan.joints)]


@pytest.mark.parametrize("start", [*FORMULAE, "{=1}", "http://example.org/"], ids=ascii)
def test_no_cell_of_the_workbook_is_a_formula_or_a_link(start: str) -> None:
    plan = with_names(courtyard(), lambda name: start + name)
    data = choose_papers(["workbook"])[0].make(plan, PaperOptions())
    book = openpyxl.load_workbook(io.BytesIO(data))
    texts = []
    for sheet in book:
        for row in sheet.iter_rows():
            for cell in row:
                assert cell.data_type in ("s", "n")
                assert cell.hyperlink is None
                texts.append(cell.value)
    assert plain(start + "J01") in texts
    with zipfile.ZipFile(io.BytesIO(data)) as parts:
        assert not [name for name in parts.namelist() if "externalLink" in name]
        assert b"<f>" not in b"".join(parts.read(name) for name in parts.namelist())


@pytest.mark.parametrize("start", FORMULAE, ids=ascii)
def test_no_cell_of_any_csv_is_a_formula(start: str) -> None:
    import csv

    plan = with_names(courtyard(), lambda name: start + name)
    papers = [paper for paper in PAPERS if paper.file.endswith(".csv")]
    assert len(papers) >= 8
    for file, data in make_papers(plan, papers, PaperOptions()).items():
        for row in csv.reader(io.StringIO(data.decode("utf-8-sig"), newline="")):
            for cell in row:
                assert not re.match(r"\s*[=+@]", cell), (file, cell)
                assert not cell.startswith("-") or re.fullmatch(r"-\d+(\.\d+)?", cell), (file, cell)


@pytest.mark.parametrize("name", PLANS)
def test_the_workbook_holds_every_list_with_numbers_as_numbers(name: str) -> None:
    tables = all_tables(PLANS[name]())
    book = openpyxl.load_workbook(io.BytesIO(made(name, "workbook")))
    assert book.sheetnames == ["lists", *(table.name for table in tables)]
    for table in tables:
        assert brief() in (book[table.name].oddFooter.left.text or "")
        rows = list(book[table.name].iter_rows(min_row=2, max_row=1 + len(table.rows), values_only=True))
        for read, row in zip(rows if table.rows else [], table.rows, strict=True):
            for value, cell in zip(read, row, strict=True):
                if isinstance(cell, int | float):
                    assert value == pytest.approx(cell)
                else:
                    assert (value or "") == plain(cell or "")


MAKE = """
import hashlib, sys
from optimiser.documents.papers import PAPERS, PaperOptions, make_papers
from optimiser.earth_grid import Position
from tests.documents.sample import courtyard, with_names
plan = with_names(courtyard(), lambda name: "\\u05de <&> \\u706f \\U0001f4a1 " + name)
options = PaperOptions(date="17 May", position=Position(longitude=11.5, latitude=48.1))
for file, data in make_papers(plan, PAPERS, options).items():
    print(file, hashlib.sha256(data).hexdigest())
"""


def test_the_same_plan_gives_the_same_bytes_whatever_hash_seed_clock_or_zone() -> None:
    said = {
        subprocess.run(
            [sys.executable, "-c", MAKE],
            cwd=ROOT,
            env={"PYTHONHASHSEED": seed, "TZ": zone, "PYTHONPATH": str(ROOT), "PATH": "", "HOME": "/"},
            check=True,
            capture_output=True,
            text=True,
        ).stdout
        for seed, zone in (("1", "UTC"), ("77", "Asia/Tokyo"))
    }
    assert len(said) == 1
    assert len(said.pop().splitlines()) >= len(PAPERS)


def test_only_the_date_given_is_printed() -> None:
    assert made("courtyard", "lists") != made("courtyard", "lists", "18 May")
    without = "".join(pages_of(made("courtyard", "lists", "")))
    assert "date" not in without.split("byhand")[0].replace("by,date", "")
    for entry in (pypdf.PdfReader(io.BytesIO(made("courtyard", "lists"))).metadata or {}).values():
        assert not re.search(r"20[12]\d", str(entry).removeprefix("D:19700101000000Z"))


def test_signs_without_a_glyph_stand_in_numbered_boxes_and_a_font_given_draws_them(tmp_path: Path) -> None:
    font = tmp_path / "lamp.ttf"
    make_font(font, {0x706F: "lamp"})
    assert font_fault(font) == ""
    page = Page(*A4, "t", [Words(20, 20, "灯 x a\U000e0061b", 4.0)])
    fonts = []
    for given in ([], [font]):
        data = pdf_of([page], "t", given)
        assert "灯xab" in "".join(pages_of(data)), "what is copied is what was named"
        resources: Any = pypdf.PdfReader(io.BytesIO(data)).pages[0]["/Resources"]
        fonts.append("".join(str(one.get_object()["/BaseFont"]) for one in resources["/Font"].values()))
    assert "Numbered" in fonts[0] and "Numbered" not in fonts[1]


def test_a_name_from_right_to_left_turns_no_words_beside_it_in_pdf() -> None:
    """Where each sign stands, by PDFium: the name from right to left, what follows it to its right (UAX #9, 2.4.2)."""
    page = Page(200, 50, "t")
    page.add(Words(10, 20, f"cable {isolated('😀 שלום')}, 4 mm²", 4.0))
    text = pypdfium2.PdfDocument(pdf_of([page], "t"))[0].get_textpage()
    signs = [chr(pypdfium2.raw.FPDFText_GetUnicode(text.raw, i)) for i in range(text.count_chars())]
    at = {sign: text.get_charbox(i)[0] for i, sign in enumerate(signs)}
    assert at["c"] < at["ם"] < at["ו"] < at["ל"] < at["ש"] < at[","] < at["4"] < at["m"]


def test_a_column_just_as_wide_as_its_number_does_not_break_it() -> None:
    """Long names in other columns leave the numbers no more room than they need."""
    columns = (Column("n", "name", 2), *(Column(f"x{i}", "x, m", 1, 3) for i in range(6)), Column("m", "note", 2))
    rows = tuple((f"{'n' * 80}", *(18.6 + i / 7 for i in range(6)), f"{'m' * 80}") for _ in range(3))
    pages = table_pages([Table("t", "t", columns, (Part("", rows),))], Heading("job", "", "0", "", brief()))
    texts = [mark.text for page in pages for mark in page.marks if isinstance(mark, Words)]
    for i in range(6):
        assert texts.count(f"{18.6 + i / 7:.3f}") == 3


def test_one_file_holds_sheets_of_every_sort_in_one_set_of_letters() -> None:
    """The report in PDF: drawing, diagram and lists as they are printed alone, each font embedded once."""
    alone = [page for paper in ("drawing", "single-line", "lists") for page in pages_of(made("courtyard", paper))]
    assert pages_of(made("courtyard", "report-pdf")) == alone
    names = set()
    for page in pypdf.PdfReader(io.BytesIO(made("courtyard", "report-pdf"))).pages:
        resources: Any = page["/Resources"]
        names |= {str(one.get_object()["/BaseFont"]) for one in resources["/Font"].values()}
    assert 2 <= len(names) <= 3 and all("Fira" in name for name in names)


def make_font(path: Path, glyphs: dict[int, str]) -> None:
    """A font of square boxes."""
    from fontTools.fontBuilder import FontBuilder
    from fontTools.pens.ttGlyphPen import TTGlyphPen

    builder = FontBuilder(1000, isTTF=True)
    names = [".notdef", *glyphs.values()]
    builder.setupGlyphOrder(names)
    builder.setupCharacterMap(glyphs)
    pen = TTGlyphPen(None)
    pen.moveTo((100, 0))
    for point in ((900, 0), (900, 800), (100, 800)):
        pen.lineTo(point)
    pen.closePath()
    box: Any = pen.glyph()
    builder.setupGlyf(dict.fromkeys(names, box))
    builder.setupHorizontalMetrics(dict.fromkeys(names, (1000, 100)))
    builder.setupHorizontalHeader(ascent=800, descent=-200)
    builder.setupNameTable({"familyName": "Boxes", "styleName": "Regular"})
    builder.setupOS2()
    builder.setupPost()
    builder.save(path)


def test_widths_are_reckoned_no_less_than_the_font_needs() -> None:
    """The layout reckons with ``svg.text_width``; the PDF's font must need no more than 0.95 of it."""
    from fontTools.ttLib import TTFont

    for face, bold in (("FiraGO_Regular", False), ("FiraGO_Bold", True)):
        with TTFont(io.BytesIO(import_module(f"pymupdf_fonts.{face}").fontbuffer)) as font:
            signs, advances, per_em = font.getBestCmap(), font["hmtx"].metrics, font["head"].unitsPerEm
        for word in ("K05", "driver", "Circuit C12 from D03: 14 joints", "2.5 mm², 100 m", "12.04 to 12.36", "°", "−"):
            width = sum(advances[signs[ord(char)]][0] for char in word) / per_em
            assert width <= _NARROWER * text_width(word, 1.0, bold=bold), word
        for char in map(chr, range(33, 127)):  # what needs no measuring, see canvas_to_pdf
            assert advances[signs[ord(char)]][0] / per_em <= 1.25 * text_width(char, 1.0), char


def test_a_row_longer_than_a_sheet_goes_on_over_the_page() -> None:
    names = [f"K{i:04d}" for i in range(2500)]
    table = Table("t", "Long", (Column("a", "pieces", 1), Column("b", "n", 1)), (Part("", ((", ".join(names), 1),)),))
    heading = Heading("job", "", "0", "", brief())
    pages = table_pages([table], heading)
    assert len(pages) > 1
    words = " ".join(mark.text for page in pages for mark in page.marks if isinstance(mark, Words))
    assert all(name in words for name in names)
    for page in pages:
        lowest = max(mark.y for mark in page.marks if isinstance(mark, Words) and mark.size > 2.7)
        assert lowest < page.height - 18


def test_no_mark_of_a_very_long_chain_leaves_the_sheet() -> None:
    """Sixty joints in a row, each with a branch."""
    from tests.documents.sample import Circuit, Driver, Scene, make_plan

    pieces = [("driver" if i == 0 else f"J{i:03d}", f"J{i + 1:03d}", [(float(i), 0.0), (i + 1.0, 0.0)], "garden 4")
              for i in range(60)]  # fmt: skip
    pieces += [(f"J{i + 1:03d}", f"J{i + 101:03d}", [(i + 1.0, 0.0), (i + 1.0, 2.0)], "garden 2.5") for i in range(60)]
    lamps = {f"L{i:03d}": ((i + 1.2, 2.0), f"J{i + 101:03d}") for i in range(60)}
    plan = make_plan(Scene("Chain", {"S1": (0.0, 0.0)}, [Driver("S1", [Circuit(pieces, lamps)])]))
    pages = single_line_pages(plan, Heading("job", "", "0", "", brief()))
    words = [mark.text for page in pages for mark in page.marks if isinstance(mark, Words)]
    for cable in plan.cables:
        assert words.count(cable.id) == 1
    for page in pages:
        for mark in page.marks:
            if isinstance(mark, Words):
                assert 0 <= mark.x <= page.width and 0 <= mark.y <= page.height - 10


def test_no_paper_changes_the_plan_it_is_made_of() -> None:
    plan: Plan = courtyard()
    before = plan.model_dump()
    make_papers(plan, PAPERS, PaperOptions())
    assert plan.model_dump() == before
