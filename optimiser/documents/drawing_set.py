"""The plan to scale for the site: as many sheets as it takes, with a key. In: Plan, paper. Out: sheets of SVG.

One sheet where its labels can be read at the scale that fits; else a key with the sheets' edges, sheets at the scale at
which they can be read, and notes where the words find no room beside the maps. Drawn from the plan alone; the same plan
and options give the same bytes.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

from ..plan.model import Plan
from . import site_panel
from .blocks import Heading
from .crowd import readable_scale
from .map_view import MapView, view_map
from .map_words import Detail, Window, unnamed_trenches
from .page import map_page, page
from .plan_file import plan_digest
from .sheet import BESIDE_MM, PAPERS_MM, ROUND_SCALES, Box, Sheet, scale_for, seen_extent
from .site_panel import Frame, Notes
from .tiles import built_places, cover
from .words import counted, isolated, plain

_FACTOR = 1.35  # letters and signs against their least size: pieces and trenches in 2 mm, lamps in 2.6 mm
_LARGER = (2.0, 1.8, 1.6)  # tried first where they crowd the sheet no more
_LAP_MM = 10.0  # what neighbouring sheets show both, on each side
_STEP_MM = 4.0
_FEW_SHEETS, _LAMPS_A_SHEET = 4, 8


@dataclass(frozen=True)
class DrawingOptions:
    """
    Attributes
    ----------
    paper
        ``A4``, ``A3`` or ``Letter``; which way up is chosen.
    date, revision
        Printed as they are; empty ones leave a field to write in.
    """

    paper: str = "A3"
    date: str = ""
    revision: str = ""

    def __post_init__(self) -> None:
        if self.paper not in PAPERS_MM:
            raise ValueError(f"paper is {self.paper!r}, and must be one of {', '.join(PAPERS_MM)}")


@dataclass(frozen=True)
class Page:
    """One sheet of the set; ``view`` is None on sheets of notes."""

    heading: Heading
    sheet: Sheet
    view: MapView | None
    svg: str


def svg_files(pages: Iterable[Page]) -> list[tuple[str, bytes]]:
    """File names and SVG of sheets that are drawn."""
    return [(f"drawing-{page.heading.number:02d}.svg", page.svg.encode()) for page in pages]


def draw_set(plan: Plan, options: DrawingOptions) -> list[Page]:
    """The sheets: map, or key and maps; then notes."""
    maker = _Maker(plan, options, plan_digest(plan))
    scales = ROUND_SCALES[::-1]
    first = scales.index(readable_scale(plan, _FACTOR))
    while first and maker.num_sheets(scales[first]) > max(_FEW_SHEETS, len(plan.lamps) / _LAMPS_A_SHEET):
        first -= 1  # rather a crowd than a heap of paper
    best = maker.maps(scales[first])
    for scale in scales[first + 1 : first + 4]:  # where labels find no room, larger sheets
        if not best.num_left_out:
            break
        finer = maker.maps(scale)
        if finer.num_left_out < best.num_left_out:
            best = finer
    return maker.pages(best)


@dataclass(frozen=True)
class _Maps:
    scale: int
    views: list[MapView]
    windows: list[Window]
    """Each sheet's map on the ground, in metres: ``top`` is its south edge."""

    @property
    def num_left_out(self) -> int:
        return sum(len(view.left_out) for view in self.views)


@dataclass(frozen=True)
class _Maker:
    plan: Plan
    options: DrawingOptions
    digest: str
    frames: dict[int, list[Frame]] = field(default_factory=dict)
    """By scale, as they are wanted."""

    def heading(self, subject: str, number: int, of: int) -> Heading:
        return Heading(subject, number, of, self.options.date, self.options.revision, self.digest)

    def maps(self, most: int) -> _Maps:
        """Sheets at scale 1 : ``most``, or one at a larger scale; letters as large as all labels have room for."""
        frames = self._frames(most)
        scale, i = min((self._single_scale(frame), i) for i, frame in enumerate(frames))
        if scale <= most:
            west, south, east, north = seen_extent(self.plan)
            sheet = frames[i].sheet(scale, (west + east) / 2, (south + north) / 2)
            return self._largest(scale, [sheet], [])
        middles, frame = self._cover(most)
        sheets = [frame.sheet(most, x, y) for x, y in middles]
        windows = [_window(sheet, number) for number, sheet in enumerate(sheets, 2)]
        return self._largest(most, sheets, windows)

    def _largest(self, scale: int, sheets: Sequence[Sheet], windows: list[Window]) -> _Maps:
        """Maps on these sheets with the largest letters that leave no label out."""
        for factor in (*(f for f in _LARGER if readable_scale(self.plan, f) >= scale), _FACTOR):
            views: list[MapView] = []
            for number, sheet in enumerate(sheets, 2):
                others = _others(sheet, windows, number)
                views.append(view_map(self.plan, sheet, Detail.SITE, factor=factor, windows=others))
                if views[-1].left_out and factor != _FACTOR:
                    break
            else:
                break
        return _Maps(scale, views, windows)

    def num_sheets(self, scale: int) -> int:
        if min(map(self._single_scale, self._frames(scale))) <= scale:
            return 1
        return len(self._cover(scale)[0])

    def _frames(self, scale: int) -> list[Frame]:
        if scale not in self.frames:
            heading, notes = self.heading("Sheet 99: x", 99, 99), self._notes_at(scale)
            self.frames[scale] = site_panel.frames(self.plan, self.options.paper, heading, notes)
        return self.frames[scale]

    def _cover(self, scale: int) -> tuple[list[tuple[float, float]], Frame]:
        """Middles of the fewest sheets at this scale, and how each is divided."""
        places = built_places(self.plan, _STEP_MM * scale / 1000)
        covers = []
        for i, frame in enumerate(self._frames(scale)):
            if not frame.whole:
                room = frame.map.shrunk(_LAP_MM)
                covers.append((cover(places, room.width * scale / 1000, room.height * scale / 1000), i))
        middles, i = min(covers, key=lambda found: (len(found[0]), found[1]))
        return middles, self._frames(scale)[i]

    def _notes_at(self, scale: int, left_out: Sequence[str] = ()) -> Notes:
        return Notes([isolated(trench) for trench in unnamed_trenches(self.plan, scale)], left_out)

    def _single_scale(self, frame: Frame) -> int:
        west, south, east, north = seen_extent(self.plan)
        width, height = frame.map.width - 2 * BESIDE_MM, frame.map.height - 2 * BESIDE_MM
        return scale_for(1000 * max((east - west) / width, (north - south) / height), ROUND_SCALES)

    def pages(self, maps: _Maps) -> list[Page]:
        left_out = [view.words[label.key].full for view in maps.views for label in view.left_out]
        notes = self._notes_at(maps.scale, left_out)
        if len(maps.views) > 1:
            return self._key_and_maps(maps, notes)
        view = maps.views[0]
        subject = "Plan of trenches, cables, joints and lamps"
        panel = site_panel.whole_panel(self.plan, view.sheet, self.heading(subject, 1, 1), notes)
        if panel is not None:
            return [self._map_page(self.heading(subject, 1, 1), view, panel)]
        of = 1 + self._num_notes(notes)
        heading = self.heading(subject, 1, of)
        panel = site_panel.map_panel(self.plan, view.sheet, heading, self.plan.circuits, [])
        return [self._map_page(heading, view, panel), *self._notes(notes, 2, of)]

    def _key_and_maps(self, maps: _Maps, notes: Notes) -> list[Page]:
        says = f"Key to {counted(len(maps.views), 'sheet')} at 1 : {maps.scale}"
        key = self._key(maps, notes, says, 1 + len(maps.views))
        count = 0 if key is not None else self._num_notes(notes)
        of = 1 + len(maps.views) + count
        key = key or self._key(maps, None, says, of)
        if key is None:
            raise ValueError("no frame holds the key")
        pages = [key]
        for number, view in enumerate(maps.views, 2):
            heading = self.heading(f"Sheet {number}: trenches, cables, joints and lamps", number, of)
            seen = {label.label.key for label in view.placed}
            cables = [cable for cable in self.plan.cables if f"cable {cable.id}" in seen]
            names = {cable.circuit for cable in cables}
            circuits = [circuit for circuit in self.plan.circuits if circuit.id in names]
            panel = site_panel.map_panel(self.plan, view.sheet, heading, circuits, maps.windows)
            pages.append(self._map_page(heading, view, panel))
        return pages + self._notes(notes, len(pages) + 1, of) if count else pages

    def _key(self, maps: _Maps, notes: Notes | None, says: str, of: int) -> Page | None:
        """The whole plan with the edges of the sheets; with ``notes`` all words beside it, or None if too many."""
        heading = self.heading(says, 1, of)
        west, south, east, north = seen_extent(self.plan)
        found: list[tuple[int, int, Frame]] = []
        frames = site_panel.frames(self.plan, self.options.paper, heading, notes or self._notes_at(maps.scale))
        for i, frame in enumerate(frames):
            width, height = frame.map.width - BESIDE_MM, frame.map.height - BESIDE_MM
            found.append((scale_for(1000 * max((east - west) / width, (north - south) / height)), i, frame))
        largest = min(found)[0]
        for scale, _, frame in sorted(found, key=lambda one: one[:2]):
            if frame.whole != (notes is not None) or (frame.whole and scale > 1.5 * largest):
                continue
            sheet = frame.sheet(scale, (west + east) / 2, (south + north) / 2)
            if notes is not None:
                panel = site_panel.whole_panel(self.plan, sheet, heading, notes)
            else:
                panel = site_panel.map_panel(self.plan, sheet, heading, self.plan.circuits, [])
            if panel is None:
                continue
            windows = _others(sheet, maps.windows, 0)
            return self._map_page(heading, view_map(self.plan, sheet, Detail.KEY, factor=1.2, windows=windows), panel)
        return None

    def _map_page(self, heading: Heading, view: MapView, panel: str) -> Page:
        return Page(heading, view.sheet, view, map_page(self.plan, view, panel))

    def _num_notes(self, notes: Notes) -> int:
        return len(site_panel.note_panels(self.plan, self.options.paper, [self.heading("Notes", 1, 1)], notes))

    def _notes(self, notes: Notes, first: int, of: int) -> list[Page]:
        headings = [self.heading("Notes to the sheets", number, of) for number in range(first, of + 1)]
        panels = site_panel.note_panels(self.plan, self.options.paper, headings, notes)
        says = f"Notes to the plan of {plain(self.plan.job.title)}"
        return [
            Page(heading, sheet, None, page(says, sheet.width, sheet.height, [], [panel]))
            for heading, (sheet, panel) in zip(headings, panels, strict=True)
        ]


def _window(sheet: Sheet, number: int) -> Window:
    """The sheet's map on the ground; ``top`` is its south edge, so that the box has no negative sides."""
    west, north = sheet.ground_at(sheet.map.left, sheet.map.top)
    east, south = sheet.ground_at(sheet.map.right, sheet.map.bottom)
    return Window(number, Box(west, south, east - west, north - south))


def _others(sheet: Sheet, windows: Sequence[Window], number: int) -> list[Window]:
    """Edges of the other sheets, in mm on this one."""
    found = []
    for window in windows:
        if window.number != number:
            left, top = sheet.at(window.box.left, window.box.bottom)
            right, bottom = sheet.at(window.box.right, window.box.top)
            found.append(Window(window.number, Box(left, top, right - left, bottom - top)))
    return found
