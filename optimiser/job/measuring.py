"""How the survey was measured, and how a drawing is to be read. In: parsed TOML tables. Out: Measuring, Dxf, frozen."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import AfterValidator, Field

from .base import Model, NonNegative, Positive

DrawnKind = Literal["lamp", "supply", "zone", "sleeve", "tree", "peg", "mains", "ignore"]


def _flatten(value: float) -> float:
    if value > 1:
        raise ValueError("is above 1 m; write by how much a drawn curve may be cut short, such as 0.02")
    return value


class Measuring(Model):
    """How far single measurements stray, each as a standard error (about two in three are better)."""

    tape_m: Positive = Field(0.02, description="standard error of a taped distance (common practice, no source)")
    tape_pct: NonNegative = Field(
        0.1, lt=10, description="added to it, in per cent of the distance (common practice, no source)"
    )
    offset_m: Positive = Field(
        0.05, description="standard error of chainage and offset, square set by eye (common practice, no source)"
    )
    receiver_m: Positive = Field(
        5.0, description="accuracy of latitude and longitude where a point states none (from memory, a phone)"
    )


class DxfLayer(Model):
    """What the entities of a layer are."""

    kind: DrawnKind = Field(description="what is drawn there")
    of: str = Field("", description="lamp type, or name of the zones, sleeves or mains lines; default the layer's name")
    group: str = Field("", description="dim group of its lamps")
    stem_mm: Positive | None = Field(None, description="stem of its trees, where a block states none (STEM_MM)")


class DxfBlock(Model):
    """What each insertion of a block is."""

    kind: Literal["lamp", "supply", "tree", "peg", "ignore"] = Field("lamp", description="what the block stands for")
    of: str = Field("", description="lamp type; default the block's name")
    group: str = Field("", description="dim group of its lamps")
    stem_mm: Positive | None = Field(None, description="stem of its trees, where the block states none (STEM_MM)")


class Dxf(Model):
    """How a survey drawn in DXF is read; needed for such a survey only."""

    units: Literal["mm", "cm", "m", "in", "ft"] | None = Field(
        None, description="unit of the drawing, where it states none or a wrong one ($INSUNITS)"
    )
    flatten_m: Annotated[Positive, AfterValidator(_flatten)] = Field(
        0.02, description="how far a straight piece may lie from the arc or spline it stands for"
    )
    heights: bool = Field(False, description="whether the drawing's z are measured heights")
    layers: dict[str, DxfLayer] = Field(default_factory=dict, description="layers by name; others are left out")
    blocks: dict[str, DxfBlock] = Field(default_factory=dict, description="blocks by name, on whatever layer")


class GridPosition(Model):
    """Where the survey's x and y lie on Earth, for GeoJSON; a survey in degrees tells it itself."""

    latitude: float = Field(ge=-90, le=90, description="of the place x, y: degrees on WGS 84, south with a minus")
    longitude: float = Field(ge=-180, le=180, description="likewise; west of Greenwich with a minus")
    x: float = Field(0.0, description="of the place on the survey's grid whose latitude and longitude are given, in m")
    y: float = Field(0.0, description="likewise, in m")
    y_bearing: float = Field(
        0.0, ge=-360, le=360, description="where the y axis points: degrees from true north, clockwise"
    )
