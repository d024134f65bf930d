"""The single-line diagram: supply points, drivers, circuits with what protects them, cables, joints, lamps. In: Plan.

Out: Pages of A4 across. A circuit runs from left to right along its longest way; other branches hang below the joint
they leave from. Where a row is full it goes on in the next, which names the joint again. One line stands for both
cores; the circuit's head says what they are: + and − of a dc driver, or ac.
"""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass, field

from ..plan.model import CablePlan, CircuitPlan, DriverPlan, LampPlan, Plan
from .canvas import A4_WIDE, INK, TINT, Disc, Line, Page, Rect, Words
from .summary import protection
from .svg import cut_middle, text_width
from .table_pages import MARGIN, Heading, frame
from .words import isolated, number

_TOP, _BOTTOM = MARGIN + 16.0, A4_WIDE[1] - MARGIN - 12.0
_DRIVER_W, _HEAD_W, _STEP = 46.0, 29.0, 27.0
_HEAD_END = MARGIN + _DRIVER_W + _HEAD_W
_FIRST = _HEAD_END + _STEP
_ACROSS = int((A4_WIDE[0] - MARGIN - _FIRST) // _STEP)
"""Joints in one row."""
_ABOVE, _LAMP_MM, _BELOW = 11.0, 4.2, 4.5
_AGAIN_MM = 13.0
_ASIDE = 3.2
"""Lamps hang this far right of their joint, clear of the branch below it."""


@dataclass
class _Row:
    """Joints from left to right. ``hangs``: (row, column) it hangs from; ``goes_on``: the joint named again."""

    start: int
    joints: list[str] = field(default_factory=list)
    hangs: tuple[int, int] | None = None
    goes_on: str | None = None


def single_line_pages(plan: Plan, heading: Heading) -> list[Page]:
    """Sheets, each driver beginning below the one before where there is room."""
    drawing = _Drawing(plan)
    for driver in plan.drivers:
        drawing.driver(driver)
    for number_, page in enumerate(drawing.pages, 1):
        frame(page, heading, f"page {number_} of {len(drawing.pages)}")
    return drawing.pages


_Start = tuple[str, int, tuple[int, int] | None, str | None]
"""Where a row begins: its first joint, its column, what it hangs from, the joint named again."""


class _Drawing:
    def __init__(self, plan: Plan) -> None:
        self.plan = plan
        self.pages: list[Page] = []
        self.y = self.rail = 0.0
        """``rail``: how far down this sheet's driver is drawn, with the line that its circuits leave from."""
        self.cable_to = {cable.to: cable for cable in plan.cables}
        self.below: dict[tuple[str, str], list[CablePlan]] = defaultdict(list)
        for cable in plan.cables:
            self.below[cable.circuit, cable.from_].append(cable)
        self.lamps: dict[tuple[str, str], list[LampPlan]] = defaultdict(list)
        circuit_of = {lamp: circuit.id for circuit in plan.circuits for lamp in circuit.lamps}
        for lamp in plan.lamps:
            self.lamps[circuit_of[lamp.id], lamp.joint].append(lamp)
        self.joints = {joint.id: joint for joint in plan.joints}
        self._next_page()
        self._key()

    @property
    def page(self) -> Page:
        return self.pages[-1]

    def _next_page(self) -> None:
        self.pages.append(Page(*A4_WIDE, "Single-line diagram" + (", continued" if self.pages else "")))
        self.y = _TOP

    def _key(self) -> None:
        """What the signs mean."""
        y, x = self.y + 2.0, MARGIN
        self.page.add(Disc(x + 1.2, y - 1.0, 1.0, INK, None), Words(x + 3.6, y, "joint", 2.5))
        self.page.add(Rect(x + 15.0, y - 2.1, 2.2, 2.2, INK, None), Words(x + 18.6, y, "hub", 2.5))
        self.page.add(Rect(x + 28.0, y - 2.1, 2.2, 2.2, "#ffffff", INK), Words(x + 31.6, y, "post's terminals", 2.5))
        self._lamp_sign(x + 57.0, y - 0.9)
        self.page.add(Words(x + 59.8, y, "lamp, with its volts", 2.5))
        says = "One line is both cores of a cable. Volts: all lamps on, hot copper. Over a line: piece, size, length."
        self.page.add(Words(x + 92.0, y, says, 2.5))
        self.y += 7.0

    def _lamp_sign(self, x: float, y: float) -> None:
        self.page.add(Disc(x, y, 1.3, "#ffffff", INK, 0.2))
        for sign in (-1, 1):
            self.page.add(Line(x - 0.9, y - 0.9 * sign, x + 0.9, y + 0.9 * sign, 0.2))

    def driver(self, driver: DriverPlan) -> None:
        circuits = [circuit for circuit in self.plan.circuits if circuit.driver == driver.id]
        first = self._heights(circuits[0], self._rows(circuits[0]))[0] if circuits else 0.0
        if self.y + max(34.0, first) > _BOTTOM and self.y > _TOP:
            self._next_page()
        top, height = self.y, self._driver_box(driver)
        page, below = self.page, top + height + 4.0
        self.rail = top + height
        for circuit in circuits:
            self._circuit(driver, circuit)
        if page is self.page:
            self.y = max(self.y, below)
        self.y += 3.0

    def _continued(self, driver: DriverPlan, circuit: CircuitPlan | None) -> None:
        """The driver named again on a sheet that goes on with its circuits; ``circuit`` where one is broken."""
        said = "continued" if circuit is None else f"{circuit.id}, continued"
        self.page.add(Rect(MARGIN, self.y, _DRIVER_W, _AGAIN_MM, TINT, INK, 0.4))
        self.page.add(
            Words(
                MARGIN + 2, self.y + 5.6, f"{driver.id}  {isolated(driver.model)}", 3.4, bold=True, room=_DRIVER_W - 4
            ),
            Words(MARGIN + 2, self.y + 9.8, said, 2.6, room=_DRIVER_W - 4),
        )
        self.rail = self.y + _AGAIN_MM

    def _driver_box(self, driver: DriverPlan) -> float:
        """Draw it at the left; its height."""
        x, y = MARGIN, self.y
        unit = "VA" if driver.kind == "wound" else "W"
        rated = "" if driver.rated_w is None else f", {driver.rated_w:g} {unit}"
        output = driver.output or ""
        lines = [
            (f"{driver.id}  {isolated(driver.model)}", 3.4, True),
            (f"{driver.kind or 'driver'}{rated}", 2.6, False),
            (f"at supply point {isolated(driver.supply)}", 2.6, False),
            (f"tap {driver.tap_v:g} V {output}".rstrip(), 2.6, False),
            (f"load {number(driver.load_w, 1)} {unit} = {driver.load_pct:.0f} %", 2.6, False),
            (f"dim group {driver.dim_group}" if driver.dim_group else "", 2.6, False),
            ("mains side: licensed electrician,", 2.2, False),
            ("a 30 mA residual-current device", 2.2, False),
        ]  # fmt: skip
        lines = [line for line in lines if line[0]]
        height = 4.0 + sum(size * 1.4 for _, size, _ in lines)
        self.page.add(Rect(x, y, _DRIVER_W, height, TINT, INK, 0.4))
        at = y + 1.2
        for words, size, bold in lines:
            at += size * 1.4
            self.page.add(Words(x + 2, at, words, size, bold=bold, room=_DRIVER_W - 4))
        return height

    def _rows(self, circuit: CircuitPlan) -> list[_Row]:
        """Joints in rows: on along the branch with most joints in line, the others below."""
        rows: list[_Row] = []
        depths: dict[str, int] = {}
        for cable in reversed(self._from_driver(circuit)):
            depths[cable.to] = 1 + max((depths[c.to] for c in self.below[circuit.id, cable.to]), default=0)

        def deepest_first(at: str) -> list[CablePlan]:
            return sorted(self.below[circuit.id, at], key=lambda cable: -depths[cable.to])

        waiting: list[_Start] = [(cable.to, 0, None, None) for cable in deepest_first(circuit.driver)]
        while waiting:
            joint, start, hangs, goes_on = waiting.pop(0)
            row = _Row(start, [], hangs, goes_on)
            rows.append(row)
            later: list[_Start] = []
            at: str | None = joint
            while at is not None:
                row.joints.append(at)
                column = start + len(row.joints) - 1
                after = deepest_first(at)
                here, at = at, None
                for i, cable in enumerate(after):
                    if i == 0 and column + 1 < _ACROSS:
                        at = cable.to
                    elif i > 0 and column + 1 < _ACROSS:
                        later.insert(0, (cable.to, column + 1, (len(rows) - 1, column), None))
                    else:
                        later.append((cable.to, 1, None, here))
            waiting = later + waiting
        return rows

    def _from_driver(self, circuit: CircuitPlan) -> list[CablePlan]:
        """Cables so that each comes after the one it hangs on."""
        order, reached = [], [circuit.driver]
        while reached:
            cables = self.below[circuit.id, reached.pop(0)]
            order += cables
            reached += [cable.to for cable in cables]
        return order

    def _heights(self, circuit: CircuitPlan, rows: list[_Row]) -> list[float]:
        """Of each row: room for the most lamps that hang on one of its joints."""
        most = [max(len(self.lamps[circuit.id, joint]) for joint in row.joints) for row in rows]
        if not most:
            most = [len(self.lamps[circuit.id, circuit.driver])]
        return [_ABOVE + _BELOW + _LAMP_MM * max(1, lamps) for lamps in most]

    def _circuit(self, driver: DriverPlan, circuit: CircuitPlan) -> None:
        rows = self._rows(circuit)
        drawn: dict[int, tuple[Page, float]] = {}
        for index, height in enumerate(self._heights(circuit, rows)):
            if self.y + height > _BOTTOM:
                self._next_page()
                self._continued(driver, circuit if index else None)
            y = self.y + _ABOVE
            if index == 0:
                self._circuit_head(driver, circuit, y)
            if rows:
                self._row(circuit, rows, index, y, drawn)
            self.y += height

    def _circuit_head(self, driver: DriverPlan, circuit: CircuitPlan, y: float) -> None:
        x, end = MARGIN + _DRIVER_W, _HEAD_END
        poles = {"dc": "+ / −", "ac": "ac"}.get(driver.output or "", "2 cores")
        self.page.add(Line(x, y, end, y, 0.5))
        if y > self.rail:
            self.page.add(Line(x, self.rail, x, y + 0.25, 0.5))
            self.rail = y
        says = f"{circuit.id}  outlet {circuit.outlet}  {poles}"
        self.page.add(Words(x + 1, y - 4.9, says, 2.6, bold=True, room=end - x - 1))
        values = f"{number(circuit.out_v, 2)} V  {number(circuit.amps, 2)} A"
        self.page.add(Words(x + 1, y - 1.4, values, 2.5, room=end - x - 1))
        rating = circuit.fuse_a if circuit.fuse_a is not None else circuit.breaker_a
        if rating is not None:
            self.page.add(Rect(end - 7, y - 1.0, 6, 2, "#ffffff", INK, 0.3))
            if circuit.fuse_a is not None:
                self.page.add(Line(end - 7, y, end - 1, y, 0.2))
        self.page.add(Words(x + 1, y + 4.0, protection(circuit), 2.2, room=end - x + _STEP - 2))
        at_driver = self.lamps[circuit.id, driver.id]
        for i, lamp in enumerate(at_driver):
            self._lamp(lamp, end, y, i)

    def _row(
        self, circuit: CircuitPlan, rows: list[_Row], index: int, y: float, drawn: dict[int, tuple[Page, float]]
    ) -> None:
        row = rows[index]
        drawn[index] = (self.page, y)
        x = _FIRST + _STEP * row.start
        before = x - _STEP
        if row.goes_on is not None:
            self.page.add(Disc(before, y, 1.0, "#ffffff", INK, 0.25))
            self.page.add(Words(before + 1.6, y - 7.6, f"from {row.goes_on}", 2.5, bold=True, room=_STEP - 3))
        elif row.hangs is not None:
            page, above = drawn[row.hangs[0]]
            if page is self.page:
                self.page.add(Line(before, above, before, y, 0.4))
            else:
                parent = rows[row.hangs[0]].joints[row.hangs[1] - rows[row.hangs[0]].start]
                page.add(Line(before, above, before, above + 6.0, 0.4, dash=(0.8, 0.6)))
                self.page.add(Disc(before, y, 1.0, "#ffffff", INK, 0.25))
                self.page.add(Words(before + 1.6, y - 7.6, f"from {parent}", 2.5, bold=True, room=_STEP - 3))
        elif row.start == 0:
            before = _HEAD_END
            if index:
                self.page.add(Disc(before, y, 1.0, "#ffffff", INK, 0.25))
                says = f"from {circuit.driver}, {circuit.id}"
                self.page.add(Words(before - 1.6, y + 0.9, says, 2.5, bold=True, anchor="end", room=40))
        for k, joint_id in enumerate(row.joints):
            at = x + _STEP * k
            cable = self.cable_to[joint_id]
            used = self.plan.cables_used.get(cable.cable)
            size = used.size if used else cable.cable
            self.page.add(Line(before, y, at, y, 0.4))
            room = at - before - 3.4
            first = before + 1.7
            self.page.add(Words(first, y - 1.3, f"{size} {number(cable.cut_m, 1)} m", 2.1, room=room))
            self.page.add(Words(first, y - 4.2, cable.id, 2.3, room=room))
            self._joint(joint_id, at, y)
            for i, lamp in enumerate(self.lamps[circuit.id, joint_id]):
                self._lamp(lamp, at, y, i)
            before = at
            ends_full = k == len(row.joints) - 1 and bool(self.below[circuit.id, joint_id])
            if ends_full:
                self.page.add(Line(at, y, at + 3.6, y, 0.4, dash=(0.8, 0.6)))

    def _joint(self, joint_id: str, x: float, y: float) -> None:
        joint = self.joints[joint_id]
        if joint.post is not None:
            self.page.add(Rect(x - 1.1, y - 1.1, 2.2, 2.2, "#ffffff", INK, 0.3))
        elif joint.hub:
            self.page.add(Rect(x - 1.1, y - 1.1, 2.2, 2.2, INK, None))
        else:
            self.page.add(Disc(x, y, 1.0, INK, None))
        volts = "" if joint.volts is None else f" {number(joint.volts, 2)} V"
        self.page.add(Words(x, y - 7.6, f"{joint_id}{volts}", 2.4, bold=True, anchor="middle", room=_STEP - 1))

    def _lamp(self, lamp: LampPlan, x: float, y: float, place: int) -> None:
        """The lamp at this place in the stack that hangs on a joint."""
        at, middle = x + _ASIDE, y + 4.2 + _LAMP_MM * place
        if place == 0:
            self.page.add(Line(x, y, at, y + 2.0, 0.2))
        self.page.add(Line(at, middle - (2.2 if place == 0 else 2.9), at, middle - 1.3, 0.2))
        self._lamp_sign(at, middle)
        room, size = _STEP - _ASIDE - 2.4, 2.0
        says = f" {lamp.watts:g} W {number(lamp.volts, 2)} V"
        name = cut_middle(isolated(lamp.id), room - text_width(says, size), size)
        self.page.add(Words(at + 2.0, middle + 0.7, name + says, size, room=room))
