"""Take a drawing (DXF). In: bytes, the job's Dxf settings. Out: Table.

``dxf.layers`` says what each layer holds, ``dxf.blocks`` what each block stands for; the rest is left out, with a note.
Insertions of blocks, points and circles are lamps, supply points, trees or pegs; closed lines are zones, as are open
pieces that join to a closed one, and a closed line within another of its layer is a hole in it; open lines are sleeves
or mains lines. Arcs and splines are flattened. The drawing's unit is its own ($INSUNITS) or ``dxf.units``. Points are
named by the block's attribute NAME, or else counted.
"""

from __future__ import annotations

import io
from collections import Counter
from collections.abc import Iterator
from pathlib import PurePath
from typing import Any

from ..job import Dxf, DxfBlock, DxfLayer
from ..problems import BadInput, Problem, nearest
from .points import fold
from .table import MOST_ROWS, Cells, Table, clean

METRES = {"mm": 0.001, "cm": 0.01, "m": 1.0, "in": 0.0254, "ft": 0.3048}
_BY_CODE = {1: "in", 2: "ft", 4: "mm", 5: "cm", 6: "m"}  # $INSUNITS
_DEEPEST = 8
_JOIN_M = 0.001
_MEND = "export it anew as DXF"
_PLACES = {"POINT", "CIRCLE", "INSERT"}
_LINES = {"LINE", "LWPOLYLINE", "POLYLINE", "ARC", "CIRCLE", "ELLIPSE", "SPLINE"}
_NAMES = ("NAME", "POINT", "ID", "NO", "NUMBER", "TAG")
Spot = tuple[float, float, float]


def read_dxf(data: bytes, file: str, dxf: Dxf) -> Table:
    """
    Rows of a drawing: one for each point, and one for each corner of zones and lines.

    Raises
    ------
    BadInput
        It is no DXF, has no units, or nothing in it is named in the job.
    """
    drawing = _load(data, file)
    reading = _Reading(drawing, file, dxf)
    try:
        reading.read()
    except BadInput:
        raise
    except Exception as error:  # entities that only look whole fail in the library in many ways
        raise _broken(file, error) from None
    return reading.table()


def _load(data: bytes, file: str) -> Any:
    import ezdxf
    from ezdxf import recover

    if not data.strip():
        raise BadInput([Problem(file, 0, "", "is empty", _MEND)])
    try:
        if data.startswith(b"AutoCAD Binary DXF"):
            from ezdxf.lldxf.tagger import binary_tags_loader

            return ezdxf.document.Drawing.load(iter(binary_tags_loader(data)))
        return recover.read(io.BytesIO(data))[0]
    except Exception as error:  # of many sorts on a broken file
        raise _broken(file, error) from None


def _broken(file: str, error: Exception) -> BadInput:
    reason = clean(str(error).split("\n")[0])[:100].rstrip(".") or type(error).__name__
    return BadInput([Problem(file, 0, "", f"cannot be read as DXF ({reason})", _MEND)])


def layers_and_blocks(data: bytes, file: str) -> tuple[Counter[str], Counter[str]]:
    """
    How many entities each layer of a drawing holds, and how often each block is inserted, blocks within blocks aside.

    Raises
    ------
    BadInput
        It is no DXF.
    """
    space = _load(data, file).modelspace()
    layers = Counter(str(entity.dxf.get("layer", "0")) for entity in space)
    return layers, Counter(str(insert.dxf.name) for insert in space.query("INSERT"))


class _Reading:
    def __init__(self, drawing: Any, file: str, dxf: Dxf) -> None:
        self.drawing, self.file, self.dxf = drawing, file, dxf
        self.layers = {fold(name): (name, layer) for name, layer in dxf.layers.items()}
        self.blocks = {fold(name): (name, block) for name, block in dxf.blocks.items()}
        self.rows: list[Cells] = []
        self.labels: dict[int, str] = {}
        self.problems: list[Problem] = []
        self.notes: list[str] = []
        self.left_out: Counter[str] = Counter()
        self.seen_layers: dict[str, None] = {}
        self.counts: Counter[str] = Counter()
        self.taken: set[str] = set()
        self.pieces: dict[str, list[tuple[list[Spot], str]]] = {}
        """Open lines of zone layers, to be joined, each with its label."""
        self.closed: dict[str, list[tuple[list[Spot], str]]] = {}
        self.visited = 0
        self.metres = self._unit()

    def _unit(self) -> float:
        code = int(self.drawing.header.get("$INSUNITS", 0))
        own = _BY_CODE.get(code)
        unit = self.dxf.units or own
        if unit is None:
            size = self._size()
            found = f"has no unit that is known ($INSUNITS is {code})" + (
                f", and is {size} of its units large" if size else ""
            )
            mend = 'write units = "m", "cm", "mm", "ft" or "in" under [dxf] of the job file'
            raise BadInput([Problem(self.file, 0, "", found, mend)])
        if own and self.dxf.units and own != self.dxf.units:
            self.notes.append(f"the drawing says that its unit is {own}, dxf.units says {self.dxf.units}")
        return METRES[unit]

    def _size(self) -> str:
        from ezdxf import bbox

        try:
            box = bbox.extents(list(self.drawing.modelspace())[:2000], fast=True)
            return f"{box.size.x:.4g} x {box.size.y:.4g}" if box.has_data else ""
        except Exception:  # it only helps the message
            return ""

    def read(self) -> None:
        if not self.layers and not self.blocks:
            self._ask_for_layers()
        for entity in self.drawing.modelspace():
            self._read(entity, 0)
        self._zones()
        known = [str(layer.dxf.name) for layer in self.drawing.layers]
        known = list(dict.fromkeys([*known, *self.seen_layers]))
        for name in self.dxf.layers:
            if fold(name) not in {fold(other) for other in known}:
                near = nearest(name, known)
                mend = f"did you mean '{near}'?" if near else f"write one of {', '.join(known[:12])}"
                self.problems.append(Problem(self.file, 0, f"layer {name}", "is not in the drawing", mend))
        if not self.rows and not self.problems:
            self._ask_for_layers()

    def _ask_for_layers(self) -> None:
        layers = Counter(str(entity.dxf.get("layer", "0")) for entity in self.drawing.modelspace())
        shown = ", ".join(f"{name} ({count})" for name, count in layers.most_common(12))
        if not layers:
            raise BadInput([Problem(self.file, 0, "", "holds no entities in its model space", _MEND)])
        found = f"has nothing that the job names; its layers are {shown}"
        mend = 'add [dxf.layers] with a line for each, such as "LAMPS" = { kind = "lamp", of = "spike" }'
        raise BadInput([Problem(self.file, 0, "", found, mend)])

    # --- entities

    def _read(self, entity: Any, depth: int) -> None:
        self.visited += 1
        if len(self.rows) > MOST_ROWS or self.visited > 2 * MOST_ROWS:
            found = f"has more than {MOST_ROWS} points"
            raise BadInput([Problem(self.file, 0, "", found, "export the layers of the site, and nothing else")])
        sort = entity.dxftype()
        layer_name = str(entity.dxf.get("layer", "0"))
        self.seen_layers.setdefault(layer_name)
        listed = self.layers.get(fold(layer_name))
        if sort == "INSERT":
            block = self.blocks.get(fold(str(entity.dxf.name)))
            setting: DxfBlock | DxfLayer | None = block[1] if block else None
            if setting is None and listed and listed[1].kind not in ("zone", "sleeve", "mains"):
                setting = listed[1]
            if setting is not None:
                of = setting.of or (block[0] if block else "")
                for insert in self._repeated(entity):
                    self._insertion(insert, setting, of or layer_name)
                return
            if depth < _DEEPEST:
                for insert in self._repeated(entity):
                    for inner in insert.virtual_entities():
                        self._read(inner, depth + 1)
            return
        if listed is None:
            self.left_out[layer_name] += 1
            return
        name, layer = listed
        if layer.kind == "ignore":
            return
        if layer.kind in ("lamp", "supply", "tree", "peg"):
            if sort == "POINT":
                self._point(entity, entity.dxf.location, layer, layer.of or name, "")
            elif sort == "CIRCLE":
                self._point(entity, entity.ocs().to_wcs(entity.dxf.center), layer, layer.of or name, "")
            else:
                self.left_out[layer_name] += 1
        elif sort in _LINES:
            self._line(entity, layer, layer.of or name)
        else:
            self.left_out[layer_name] += 1

    def _repeated(self, insert: Any) -> Iterator[Any]:
        """An insertion in rows and columns as single ones."""
        count = max(1, int(insert.dxf.get("row_count", 1))) * max(1, int(insert.dxf.get("column_count", 1)))
        if count > MOST_ROWS:
            raise BadInput([Problem(self.file, 0, "", f"inserts a block {count} times at once", _MEND)])
        return iter(insert.multi_insert()) if count > 1 else iter((insert,))

    def _insertion(self, insert: Any, setting: DxfBlock | DxfLayer, of: str) -> None:
        if setting.kind == "ignore":
            return
        attributes = {attribute.dxf.tag.upper(): clean(attribute.dxf.text) for attribute in insert.attribs}
        name = next((attributes[tag] for tag in _NAMES if attributes.get(tag)), "")
        self._point(insert, insert.ocs().to_wcs(insert.dxf.insert), setting, of, name, attributes.get("STEM_MM", ""))

    def _label(self, entity: Any) -> str:
        handle = entity.dxf.get("handle")
        return f"{entity.dxftype()}{f' {handle}' if handle else ''} on layer {entity.dxf.get('layer', '0')}"

    def _spot(self, point: Any) -> Spot:
        return point[0] * self.metres, point[1] * self.metres, point[2] * self.metres if len(point) > 2 else 0.0

    def _point(
        self, entity: Any, place: Any, setting: DxfBlock | DxfLayer, of: str, name: str, stem_mm: str = ""
    ) -> None:
        letter = {"lamp": "L", "supply": "S", "tree": "T", "peg": "P"}[setting.kind]
        while not name or fold(name) in self.taken:
            self.counts[letter] += 1
            given, name = name, f"{letter}{self.counts[letter]:02d}"
            if given:
                self.notes.append(f"two blocks are named '{given}'; the second is called '{name}'")
        self.taken.add(fold(name))
        texts = {"point": name, "kind": setting.kind, "of": of if setting.kind == "lamp" else ""}
        texts["group"] = setting.group
        if setting.kind == "tree":
            texts["stem_mm"] = stem_mm or (f"{setting.stem_mm:g}" if setting.stem_mm else "")
        self._add(texts, self._spot(place), self._label(entity))

    def _add(self, texts: dict[str, str], spot: Spot, label: str) -> None:
        number = len(self.rows) + 1
        self.labels[number] = label
        cells = {**texts, "x": f"{spot[0]:.3f}", "y": f"{spot[1]:.3f}"}
        if self.dxf.heights:
            cells["z"] = f"{spot[2]:.3f}"
        self.rows.append(Cells(number, cells))

    def _line(self, entity: Any, layer: DxfLayer, of: str) -> None:
        spots = [self._spot(vertex) for vertex in _flat(entity, self.dxf.flatten_m / self.metres)]
        if len(spots) < 2:
            return
        spots = [spot for before, spot in zip([None, *spots], spots, strict=False) if spot != before]
        label = self._label(entity)
        if layer.kind == "zone":
            closes = len(spots) > 3 and _apart(spots[0], spots[-1]) < _JOIN_M
            there = self.closed if closes else self.pieces
            there.setdefault(of, []).append((spots[:-1] if closes else spots, label))
            return
        self.counts[of] += 1
        name = of if self.counts[of] == 1 else f"{of} {self.counts[of]}"
        for spot in spots:
            self._add({"kind": layer.kind, "of": name, "point": ""}, spot, label)

    # --- zones

    def _zones(self) -> None:
        for of, pieces in self.pieces.items():
            joined, loose = _join(pieces)
            self.closed.setdefault(of, []).extend(joined)
            for spots, label in loose:
                gap = _apart(spots[0], spots[-1])
                found = f"is an open line (its ends lie {gap:.3f} m apart), and a zone's edge is closed"
                self.problems.append(Problem(self.file, 0, label, found, "close it in the drawing"))
        for of, rings in self.closed.items():
            for count, (outer, holes) in enumerate(_nested([spots for spots, _ in rings]), start=1):
                name = of if count == 1 else f"{of} {count}"
                if holes:
                    self.notes.append(f"zone '{name}' has {len(holes)} closed lines within it, which are holes")
                for ring, k in enumerate([outer, *holes]):
                    spots, label = rings[k]
                    for spot in spots:
                        texts = {"kind": "corner", "of": name, "point": "", "ring": str(ring or "")}
                        self._add(texts, spot, label)

    def table(self) -> Table:
        notes = list(self.notes)
        if self.left_out:
            shown = ", ".join(f"{name} ({count})" for name, count in self.left_out.most_common(8))
            more = f" and {len(self.left_out) - 8} more" if len(self.left_out) > 8 else ""
            notes.append(f"entities that the job gives no meaning were left out, by layer: {shown}{more}")
        name = PurePath(self.file).name
        notes = [f"{name}: {note}" for note in dict.fromkeys(notes)]
        return Table(tuple(self.rows), ",", tuple(self.problems), tuple(notes), self.labels)


def _flat(entity: Any, sagitta: float) -> list[Any]:
    """Corners of a line, in the drawing's units and within ``sagitta`` of it; closed: the first comes again."""
    sort = entity.dxftype()
    if sort == "LINE":
        return [entity.dxf.start, entity.dxf.end]
    if sort == "SPLINE" and entity.closed:
        return _closed_spline(entity, sagitta)
    if sort in ("ARC", "CIRCLE", "ELLIPSE", "SPLINE"):
        return list(entity.flattening(sagitta))
    if sort == "POLYLINE" and not (entity.is_2d_polyline or entity.is_3d_polyline):
        return []  # a mesh
    corners: list[Any] = []
    for piece in entity.virtual_entities():  # lines and arcs, whose direction may be turned round
        flat = _flat(piece, sagitta)
        if corners and flat and corners[-1].distance(flat[0]) > corners[-1].distance(flat[-1]):
            flat.reverse()
        elif not corners and flat:
            start = _first(entity)
            if start is not None and start.distance(flat[0]) > start.distance(flat[-1]):
                flat.reverse()
        corners += flat[1:] if corners else flat
    return corners


def _closed_spline(entity: Any, sagitta: float) -> list[Any]:
    """The same for a spline whose knots run round: it holds between the knots that all its control points share."""
    import numpy as np

    curve = entity.construction_tool()
    knots, degree = curve.knots(), curve.degree
    first, last = knots[degree], knots[-degree - 1]
    pieces = 8
    while True:
        fine = list(curve.points(np.linspace(first, last, 2 * pieces + 1)))
        off = max(fine[k].distance((fine[k - 1] + fine[k + 1]) / 2) for k in range(1, 2 * pieces, 2))
        if off <= sagitta or pieces > 4000:
            return fine[::2]
        pieces *= 2


def _first(entity: Any) -> Any:
    """Where a polyline begins, in world coordinates."""
    if entity.dxftype() == "LWPOLYLINE":
        return next(iter(entity.vertices_in_wcs()), None)
    return next(iter(entity.points_in_wcs()), None)


def _apart(a: Spot, b: Spot) -> float:
    return max(abs(a[0] - b[0]), abs(a[1] - b[1]))


Piece = tuple[list[Spot], str]


def _join(pieces: list[Piece]) -> tuple[list[Piece], list[Piece]]:
    """Open lines put end to end where their ends meet: closed ones, and what stays open."""
    ends: dict[tuple[int, int], list[int]] = {}

    def key(spot: Spot) -> tuple[int, int]:
        return round(spot[0] / _JOIN_M), round(spot[1] / _JOIN_M)

    for k, (spots, _) in enumerate(pieces):
        for spot in (spots[0], spots[-1]):
            ends.setdefault(key(spot), []).append(k)
    used = [False] * len(pieces)
    closed: list[Piece] = []
    loose: list[Piece] = []
    for k, (first, label) in enumerate(pieces):
        if used[k]:
            continue
        used[k] = True
        chain = list(first)
        while key(chain[0]) != key(chain[-1]):
            then = next((j for j in ends[key(chain[-1])] if not used[j]), None)
            if then is None:
                break
            used[then] = True
            spots = pieces[then][0]
            chain += (spots if key(spots[0]) == key(chain[-1]) else spots[::-1])[1:]
        whole = key(chain[0]) == key(chain[-1]) and len(chain) > 3
        (closed if whole else loose).append((chain[:-1] if whole else chain, label))
    return closed, loose


def _nested(rings: list[list[Spot]]) -> list[tuple[int, list[int]]]:
    """Outer rings, each with the rings directly within it, by index: a ring within a hole is an outer one again."""
    import shapely
    from shapely import Polygon, STRtree

    shapes = [Polygon([spot[:2] for spot in ring]) if len(ring) > 2 else Polygon() for ring in rings]
    inside: list[list[int]] = [[] for _ in rings]
    if len(shapes) > 1:
        tree = STRtree(shapes)
        whole = shapely.is_valid(shapes)
        for inner, outer in zip(*tree.query(shapes, predicate="within"), strict=True) if whole.all() else ():
            if inner != outer and not shapes[inner].equals(shapes[outer]):
                inside[int(inner)].append(int(outer))
    found: list[tuple[int, list[int]]] = [(k, []) for k in range(len(rings)) if len(inside[k]) % 2 == 0]
    at = dict(found)
    for k, around in enumerate(inside):
        if len(around) % 2:
            parent = max(around, key=lambda outer: len(inside[outer]))
            at[parent].append(k)
    return found
