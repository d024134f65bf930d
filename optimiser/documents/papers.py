"""The papers made of a plan, by name. In: Plan, PaperOptions. Out: bytes of files.

To add a paper: write its maker, from the plan alone, and add one line to ``PAPERS``.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path
from typing import Any, TypeVar, cast

from ..earth_grid import Position
from ..plan.model import Plan
from ..problems import BadInput, Problem, nearest
from .canvas import Page
from .canvas_svg import svg_of
from .cautions import brief
from .cut_list import cut_list_csv
from .drawing import draw_plan
from .drawing_set import DrawingOptions, draw_set, svg_files
from .drawing_set import Page as DrawnPage
from .geojson import EARTH_FILE, LOCAL_FILE, plan_geojson
from .label_sheet import label_pages
from .lists import (
    LISTS,
    all_tables,
    before_table,
    crossing_table,
    customer_quote_table,
    fixed_point_table,
    joint_table,
    joint_volts_table,
    purchase_table,
    quote_table,
    set_out_table,
    terminals_table,
    trench_table,
)
from .pdf import pdf_of
from .pdf_fonts import font_fault
from .plan_file import plan_digest
from .single_line import single_line_pages
from .svg_to_pdf import Painted
from .table_pages import Heading, table_pages
from .tables import Table, csv_of
from .words import INVENTED, plain
from .workbook import workbook_of

T = TypeVar("T")

SHOWN = 12
"""Digits of the plan's digest on sheets: enough to tell which plan a sheet is of."""


@dataclass(frozen=True)
class PaperOptions:
    """
    What papers need besides the plan.

    Attributes
    ----------
    date
        Printed as it is; the clock is never asked.
    fonts
        TrueType fonts for signs that the program's own lack, in PDF.
    size
        Paper of the drawing: ``A4``, ``A3`` or ``Letter``.
    revision
        Printed on the drawing as it is.
    position
        Where the plan lies on Earth, instead of what it says itself.
    """

    date: str = ""
    fonts: tuple[Path, ...] = field(default=())
    size: str = "A3"
    revision: str = ""
    position: Position | None = None
    kept: dict[str, tuple[Plan, Any]] = field(default_factory=dict, compare=False, repr=False)
    """What several papers hold, with the plan it is of: made once."""

    def once(self, what: str, plan: Plan, make: Callable[[], T]) -> T:
        """What ``make`` gives, made once for each plan; nobody may change it."""
        if what not in self.kept or self.kept[what][0] is not plan:
            self.kept[what] = plan, make()
        return cast("T", self.kept[what][1])


@dataclass(frozen=True)
class Paper:
    """
    One file, or several of a kind.

    Attributes
    ----------
    name
        What ``--only`` takes.
    file
        Its name in the folder; with a ``*`` where there are several, and then ``make`` names each.
    sentence
        What it is.
    make
        From the plan and the options to the file's bytes.
    everyday
        Whether it is also written beside every new plan.
    quotes
        Whether it needs the plan's quote, which only jobs with rates have.
    """

    name: str
    file: str
    sentence: str
    make: Callable[[Plan, PaperOptions], bytes | list[tuple[str, bytes]]]
    everyday: bool = False
    quotes: bool = False
    instead: str = ""
    """Name of the file where the plan does not know enough for ``file``."""


def heading_of(plan: Plan, options: PaperOptions) -> Heading:
    """What stands at the head and foot of every sheet."""
    invented = INVENTED if plan.prices_are_invented else ""
    return Heading(plan.job.title, plain(options.date), plan_digest(plan)[:SHOWN], invented, brief())


def _lists_pdf(plan: Plan, options: PaperOptions) -> bytes:
    return pdf_of(_lists(plan, options), f"{plan.job.title}: lists", options.fonts)


def _tables(plan: Plan, options: PaperOptions) -> list[Table]:
    return options.once("tables", plan, lambda: all_tables(plan))


def _lists(plan: Plan, options: PaperOptions) -> list[Page]:
    return options.once("lists", plan, lambda: table_pages(_tables(plan, options), heading_of(plan, options)))


def _workbook(plan: Plan, options: PaperOptions) -> bytes:
    notes = [INVENTED] if plan.prices_are_invented else []
    return workbook_of(_tables(plan, options), plan.job.title, brief(), notes)


def _labels(plan: Plan, options: PaperOptions) -> list[Page]:
    return label_pages(plan, plain(options.date), plan_digest(plan)[:SHOWN], brief())


def _single_line(plan: Plan, options: PaperOptions) -> list[Page]:
    return options.once("single line", plan, lambda: single_line_pages(plan, heading_of(plan, options)))


def _as_pdf(pages: Callable[[Plan, PaperOptions], list[Page]], plan: Plan, options: PaperOptions) -> bytes:
    made = pages(plan, options)
    return pdf_of(made, f"{plan.job.title}: {made[0].title}", options.fonts)


def _as_svg(pages: Callable[[Plan, PaperOptions], list[Page]], plan: Plan, options: PaperOptions) -> bytes:
    made = pages(plan, options)
    return svg_of(made, f"{plan.job.title}: {made[0].title}").encode()


def _drawing(plan: Plan, options: PaperOptions) -> list[DrawnPage]:
    wanted = DrawingOptions(options.size, plain(options.date), plain(options.revision))
    return options.once("drawing", plan, lambda: draw_set(plan, wanted))


def _painted(plan: Plan, options: PaperOptions) -> list[Painted]:
    """The drawing's sheets as PDFs take them."""
    return options.once("painted", plan, lambda: [Painted(page.svg) for page in _drawing(plan, options)])


def _drawing_pdf(plan: Plan, options: PaperOptions) -> bytes:
    return pdf_of(_painted(plan, options), f"{plan.job.title}: plan", options.fonts)


def _dxf(plan: Plan, options: PaperOptions) -> bytes:
    from .dxf import plan_dxf

    del options
    return plan_dxf(plan)


def _report(plan: Plan, options: PaperOptions) -> bytes:
    from .report import ReportOptions, report_html

    wanted = ReportOptions(plain(options.date), plain(options.revision))
    return report_html(plan, _single_line(plan, options), _tables(plan, options), wanted).encode()


def _report_pdf(plan: Plan, options: PaperOptions) -> bytes:
    sheets: list[Page | Painted] = [*_painted(plan, options), *_single_line(plan, options), *_lists(plan, options)]
    return pdf_of(sheets, f"{plan.job.title}: report", options.fonts)


def _table_pdf(make: Callable[[Plan], Table], plan: Plan, options: PaperOptions) -> bytes:
    table = make(plan)
    pages = table_pages([table], heading_of(plan, options))
    return pdf_of(pages, f"{plan.job.title}: {table.title}", options.fonts)


def _csv(make: Callable[[Plan], Table], plan: Plan, options: PaperOptions) -> bytes:
    tables = _tables(plan, options) if make in LISTS else [make(plan)]
    return csv_of(tables[LISTS.index(make) if make in LISTS else 0]).encode()


PAPERS: tuple[Paper, ...] = (
    Paper("cut-list-csv", "cut_list.csv", "cut list with the reels to buy", lambda plan, _: cut_list_csv(plan).encode(),
          everyday=True),
    Paper("plan", "plan.svg", "the plan to scale, to dig by", lambda plan, _: draw_plan(plan).encode(), everyday=True),
    Paper("drawing", "drawing.pdf", "the plan to scale on sheets to print, with a key where there are several",
          _drawing_pdf),
    Paper("drawing-svg", "drawing-*.svg", "the same sheets, each as SVG",
          lambda plan, options: svg_files(_drawing(plan, options))),
    Paper("report", "report.html", "everything in one page for phone and desk: plan to zoom and tap, lists", _report),
    Paper("report-pdf", "report.pdf", "the same to print: drawing, diagram and lists in one file", _report_pdf),
    Paper("dxf", "plan.dxf", "the plan for drawing programs, in metres", _dxf),
    Paper("geojson", EARTH_FILE, f"the plan as GeoJSON; {LOCAL_FILE} where its place on Earth is not known",
          lambda plan, options: [plan_geojson(plan, options.position)], instead=LOCAL_FILE),
    Paper("lists", "lists.pdf", "all lists, to print", _lists_pdf, everyday=True),
    Paper("workbook", "lists.xlsx", "all lists, one sheet each, for a spreadsheet", _workbook),
    Paper("labels", "labels.pdf", "labels for the ends of the cables", partial(_as_pdf, _labels)),
    Paper("single-line", "single_line.pdf", "drivers, circuits, protection, loads", partial(_as_pdf, _single_line)),
    Paper("single-line-svg", "single_line.svg", "the same as a drawing", partial(_as_svg, _single_line)),
    Paper("set-out-csv", "set_out.csv", "places with tape ties", partial(_csv, set_out_table)),
    Paper("fixed-points-csv", "fixed_points.csv", "what the set-out measures from", partial(_csv, fixed_point_table)),
    Paper("trench-list-csv", "trench_list.csv", "trenches by ground", partial(_csv, trench_table)),
    Paper("crossings-csv", "crossings.csv", "changes of ground, sleeves, mains lines", partial(_csv, crossing_table)),
    Paper("joint-list-csv", "joint_list.csv", "joints with ways and kits", partial(_csv, joint_table)),
    Paper("tests-before-csv", "tests_before.csv", "pieces to test before the lamps", partial(_csv, before_table)),
    Paper("terminals-csv", "terminals.csv", "volts and amps at the drivers", partial(_csv, terminals_table)),
    Paper("joint-volts-csv", "joint_volts.csv", "volts at joints and lamps", partial(_csv, joint_volts_table)),
    Paper("purchase-list-csv", "purchase_list.csv", "what to buy, with prices", partial(_csv, purchase_table)),
    Paper("quote", "quote.pdf", "quote with costs and margin, for the office", partial(_table_pdf, quote_table),
          quotes=True),
    Paper("quote-csv", "quote.csv", "the same for a spreadsheet", partial(_csv, quote_table), quotes=True),
    Paper("quote-customer", "quote_customer.pdf", "quote for the customer, without costs",
          partial(_table_pdf, customer_quote_table), quotes=True),
    Paper("quote-customer-csv", "quote_customer.csv", "the same for a spreadsheet", partial(_csv, customer_quote_table),
          quotes=True),
)  # fmt: skip
"""In the order in which they are listed and written; ``plan`` writes the everyday ones beside ``plan.json``."""


def choose_papers(names: Iterable[str]) -> list[Paper]:
    """
    The papers of these names, in the registry's order; all where no name is given.

    Raises
    ------
    BadInput
        With every name that no paper has.
    """
    wanted = list(names)
    known = [paper.name for paper in PAPERS]
    problems = []
    for name in dict.fromkeys(wanted):
        if name not in known:
            near = nearest(name, known)
            mend = f"did you mean '{near}'?" if near else f"write one of {', '.join(known)}"
            problems.append(Problem("--only", 0, "", f"found '{plain(name)}', which is no paper", mend))
    if problems:
        raise BadInput(problems)
    return [paper for paper in PAPERS if not wanted or paper.name in wanted]


def papers_of(plan: Plan, names: Iterable[str]) -> list[Paper]:
    """
    The papers of these names; where no name is given, all that this plan can have.

    Raises
    ------
    BadInput
        With every name that no paper has, or that asks for a quote of a plan that has none.
    """
    wanted = list(names)
    chosen = choose_papers(wanted)
    if plan.quote is not None:
        return chosen
    mend = "add [quote] to the job (lampspur schema --job lists its keys) and plan it again"
    problems = [
        Problem("--only", 0, "", f"found '{paper.name}', and the job of this plan states no rates for a quote", mend)
        for paper in chosen
        if paper.quotes and wanted
    ]
    if problems:
        raise BadInput(problems)
    return [paper for paper in chosen if not paper.quotes]


def make_papers(plan: Plan, papers: Iterable[Paper], options: PaperOptions) -> dict[str, bytes]:
    """Bytes by file name, in order."""
    files: dict[str, bytes] = {}
    for paper in papers:
        made = paper.make(plan, options)
        files.update([(paper.file, made)] if isinstance(made, bytes) else made)
    return files


def read_position(text: str) -> Position:
    """
    Read ``LATITUDE,LONGITUDE`` or ``LATITUDE,LONGITUDE,BEARING``: of x = 0, y = 0, and of the y axis.

    Raises
    ------
    BadInput
        It is neither, or no place on Earth.
    """
    mend = "write latitude,longitude in degrees, south and west with a minus, such as 48.1374,11.5762"
    try:
        numbers = [float(part) for part in text.split(",")]
        latitude, longitude, bearing = [*numbers, 0.0][:3] if len(numbers) in (2, 3) else []
        return Position(longitude, latitude, y_bearing=bearing)
    except ValueError:
        raise BadInput([Problem("--position", 0, "", f"found '{plain(text)}', which is no position", mend)]) from None


def read_fonts(paths: Iterable[Path]) -> tuple[Path, ...]:
    """
    The paths, once each is known to hold a font.

    Raises
    ------
    BadInput
        With every file that cannot be read as one TrueType or OpenType font.
    """
    paths = list(paths)
    problems = []
    for path in paths:
        why = font_fault(path)
        if why:
            problems.append(Problem(str(path), 0, "", why, "name a TrueType font (.ttf)"))
    if problems:
        raise BadInput(problems)
    return tuple(paths)
