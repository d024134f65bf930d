"""Take a GeoJSON text (RFC 7946). In: bytes. Out: Table, with longitude and latitude for each position.

A feature's ``kind`` says what it is, as in the CSV: a Point is one lamp, supply point, tree or peg, a MultiPoint
several; a LineString is a sleeve or a mains line; a Polygon is a zone with its holes, and needs no kind. ``name`` (or
``point``, or the feature's id) names a point, ``of`` the lamp type, ``name`` or ``of`` the zone, the sleeve or the
line; other columns of the CSV are properties of the same name. Positions are longitude, latitude and, where there,
height, on WGS 84, as the RFC has it.
"""

from __future__ import annotations

import json
import math
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import PurePath
from typing import Any

from ..problems import BadInput, Problem
from .table import COLUMNS, MOST_ROWS, Cells, Table, clean, fold_column

Position = tuple[float, ...]
_GEOMETRIES = ("Point", "MultiPoint", "LineString", "MultiLineString", "Polygon", "MultiPolygon", "GeometryCollection")
_MEND = "export it as GeoJSON (RFC 7946), a FeatureCollection in WGS 84"
_DEEPEST = 20
_WGS84 = ("CRS84", "EPSG::4326", "EPSG:4326")


@dataclass
class _Reading:
    file: str
    rows: list[Cells] = field(default_factory=list)
    problems: list[Problem] = field(default_factory=list)
    labels: dict[int, str] = field(default_factory=dict)
    unused: dict[str, None] = field(default_factory=dict)
    empty: int = 0


def read_geojson(data: bytes, file: str) -> Table:
    """
    Rows of a GeoJSON text: one for each point, and one for each corner of zones and lines.

    Raises
    ------
    BadInput
        It is no JSON, or no GeoJSON, or holds no feature.
    """
    root = _parse(data, file)
    _refuse_other_grids(root, file)
    reading = _Reading(file)
    for number, feature in enumerate(_features(root, file), start=1):
        _read_feature(reading, number, feature)
        if len(reading.rows) > MOST_ROWS:
            found = f"has more than {MOST_ROWS} positions"
            raise BadInput([Problem(file, 0, "", found, "keep the points of one site, and nothing else, in it")])
    if not reading.rows and not reading.problems:
        raise BadInput([Problem(file, 0, "", "has no features with a geometry", "export the points of the site")])
    name = PurePath(file).name
    notes = [f"{name}: property '{key}' is not used" for key in list(reading.unused)[:10]]
    notes += [f"{name}: {reading.empty} features without a geometry were left out"] * (reading.empty > 0)
    return Table(tuple(reading.rows), ",", tuple(reading.problems), tuple(notes), reading.labels)


def _parse(data: bytes, file: str) -> Any:
    def no_constant(word: str) -> float:
        raise ValueError(f"{word} is no JSON")

    try:
        return json.loads(data.decode("utf-8-sig"), parse_constant=no_constant)
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1
        found = f"found byte 0x{data[error.start]:02x}, which is not UTF-8"
        raise BadInput([Problem(file, line, "", found, "save it as UTF-8")]) from None
    except json.JSONDecodeError as error:
        found = f"is not JSON from here on ({error.msg[0].lower()}{error.msg[1:]})"
        raise BadInput([Problem(file, error.lineno, "", found, _MEND)]) from None
    except RecursionError:
        raise BadInput([Problem(file, 0, "", "is nested too deeply", _MEND)]) from None
    except ValueError as error:
        raise BadInput([Problem(file, 0, "", f"is not JSON ({error})"[:200], _MEND)]) from None


def _refuse_other_grids(root: Any, file: str) -> None:
    """The RFC has no ``crs`` any more; where one is named, the positions are of that grid."""
    crs = root.get("crs") if isinstance(root, dict) else None
    properties = crs.get("properties") if isinstance(crs, dict) else None
    name = properties.get("name") if isinstance(properties, dict) else None
    if crs is not None and not str(name).endswith(_WGS84):
        found = f"found '{str(name)[:60]}', another grid than the WGS 84 of RFC 7946"
        raise BadInput([Problem(file, 0, "crs", found, "export it in WGS 84 (EPSG:4326)")])


def _features(root: Any, file: str) -> Iterator[dict[str, Any]]:
    """Features of whatever the text holds; a bare geometry is a feature without properties."""
    sort = root.get("type") if isinstance(root, dict) else None
    if sort == "FeatureCollection":
        features = root.get("features")
        if not isinstance(features, list):
            raise BadInput([Problem(file, 0, "features", "is not a list", _MEND)])
        for number, feature in enumerate(features, start=1):
            if not isinstance(feature, dict) or feature.get("type") != "Feature":
                raise BadInput([Problem(file, 0, f"feature {number}", "is not a Feature", _MEND)])
            yield feature
    elif sort == "Feature":
        yield root
    elif sort in _GEOMETRIES:
        yield {"type": "Feature", "geometry": root, "properties": None}
    else:
        found = (
            "is not GeoJSON: it has no type" if sort is None else f"found type {str(sort)[:40]!r}, which is not GeoJSON"
        )
        raise BadInput([Problem(file, 0, "", found, _MEND)])


def _text(value: Any) -> str:
    """A property as a cell of a table."""
    if value is None or isinstance(value, dict | list):
        return ""
    if isinstance(value, bool):
        return str(value).lower()
    return clean(str(value))[:500]


def _read_feature(reading: _Reading, number: int, feature: dict[str, Any]) -> None:
    properties = feature.get("properties")
    texts: dict[str, str] = {}
    title = ""
    for key, value in (properties if isinstance(properties, dict) else {}).items():
        column = COLUMNS.get(fold_column(str(key)))
        if fold_column(str(key)) == "name":
            title = _text(value)
        elif column is None or column in ("x", "y"):
            reading.unused.setdefault(str(key)[:60])
        else:
            texts[column] = _text(value)
    title = title or texts.get("point", "")
    label = f"feature {number}" + (f" ({title})" if title else "")
    reading.labels[number] = label
    try:
        parts = list(_parts(feature.get("geometry"), 0))
    except _NotGeoJson as error:
        reading.problems.append(Problem(reading.file, 0, f"{label}, geometry", str(error), _MEND))
        return
    if not parts:
        reading.empty += 1
        return
    title = title or _text(feature.get("id"))
    for count, (sort, rings) in enumerate(parts, start=1):
        suffix = f" {count}" if len(parts) > 1 else ""
        if sort == "Point":
            kind = texts.get("kind", "")
            _add(reading, number, {**texts, "kind": kind, "point": title and title + suffix}, rings[0][0])
            continue
        named = (title or texts.get("of", "")) and (title or texts["of"]) + suffix
        kind = texts.get("kind", "").casefold()
        if sort == "Polygon" and kind in ("", "zone", "corner"):
            kind = "corner"
        elif sort == "LineString" and kind in ("sleeve", "mains"):
            pass
        else:
            word = "line" if sort == "LineString" else "polygon"
            ways = "sleeve or mains" if sort == "LineString" else "zone, or leave it empty"
            found = f"found '{texts.get('kind', '')}' for a {word}"
            reading.problems.append(Problem(reading.file, 0, f"{label}, kind", found, f"write {ways}"))
            continue
        for ring, positions in enumerate(rings):
            around = positions[:-1] if sort == "Polygon" else positions
            for position in around:
                corner = {**texts, "kind": kind, "point": "", "of": named, "ring": str(ring or "")}
                _add(reading, number, corner, position)


def _add(reading: _Reading, number: int, texts: dict[str, str], position: Position) -> None:
    longitude, latitude = position[:2]
    cells = {**texts, "longitude": repr(longitude), "latitude": repr(latitude)}
    if len(position) > 2 and not cells.get("z"):
        cells["z"] = f"{position[2]:.3f}"
    reading.rows.append(Cells(number, cells))


# --- geometries


class _NotGeoJson(Exception):
    """What a geometry has that the RFC does not allow, as a clause."""


def _parts(geometry: Any, depth: int) -> Iterator[tuple[str, list[list[Position]]]]:
    """Points, lines and polygons of a geometry, each as ``Point``, ``LineString`` or ``Polygon`` with its rings."""
    if geometry is None:
        return
    if depth > _DEEPEST:
        raise _NotGeoJson("is nested too deeply")
    sort = geometry.get("type") if isinstance(geometry, dict) else None
    if sort == "GeometryCollection":
        inner = geometry.get("geometries")
        if not isinstance(inner, list):
            raise _NotGeoJson("has no list of geometries")
        for part in inner:
            yield from _parts(part, depth + 1)
        return
    if sort not in _GEOMETRIES:
        raise _NotGeoJson("has no type" if sort is None else f"found type {str(sort)[:40]!r}, which is no geometry")
    coordinates = geometry.get("coordinates")
    if not isinstance(coordinates, list):
        raise _NotGeoJson("has no coordinates")
    several = sort.startswith("Multi")
    for item in coordinates if several else [coordinates]:
        if not item and not several:
            continue  # RFC 7946, 3.1: an empty array may stand for no geometry
        if sort.endswith("Point"):
            yield "Point", [[_position(item)]]
        elif sort.endswith("LineString"):
            yield "LineString", [_line(item, 2)]
        else:
            yield "Polygon", [_ring(ring) for ring in _list(item)]


def _list(value: Any) -> list[Any]:
    if not isinstance(value, list):
        raise _NotGeoJson("has coordinates that are not nested as its type asks")
    return value


def _position(value: Any) -> Position:
    numbers = _list(value)
    if len(numbers) < 2 or not all(isinstance(n, int | float) and not isinstance(n, bool) for n in numbers[:3]):
        raise _NotGeoJson(f"found {str(value)[:60]}, which is no position")
    try:
        position = tuple(float(n) for n in numbers[:3])
    except OverflowError:
        raise _NotGeoJson(f"found {str(value)[:60]}, which is no position") from None
    if not all(map(math.isfinite, position)):
        raise _NotGeoJson(f"found {str(value)[:60]}, which is no position")
    return position


def _line(value: Any, least: int) -> list[Position]:
    positions = [_position(item) for item in _list(value)]
    if len(positions) < least:
        raise _NotGeoJson(f"has {len(positions)} positions where at least {least} belong")
    return positions


def _ring(value: Any) -> list[Position]:
    ring = _line(value, 4)
    if ring[0] != ring[-1]:
        raise _NotGeoJson("has a ring that does not end where it begins")
    return ring
