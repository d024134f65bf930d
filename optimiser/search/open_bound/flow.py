"""The open ground of a job as triangles and arcs. In: Facts, Land. Out: OpenGround, Prices.

Potentials are 0 at supply points that cost nothing or are paid in any case; from a root at 0 an arc leads to each other
one, priced at what using it costs. Sleeves are arcs both ways between their ends. A lamp's *landing* is every triangle
that its joint may stand in.
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import shapely

from ...ground.graph import Bools, Floats, Ints
from ...ground.zones import Land
from ..facts import Facts
from .mesh import Mesh, grounds_of, make_mesh

REACH_SPARE_M = 0.002
"""Leads are taken to reach so much farther: places are whole millimetres."""


class Landing(NamedTuple):
    """Where a lamp's joint may stand: in these triangles, or (a post) at its place; price of a metre of its lead."""

    triangles: Ints
    place: Floats
    lead_per_m: float
    post: int
    """Its place in the mesh, where it is a post; else -1."""


@dataclass(frozen=True, eq=False)
class OpenGround:
    """
    Attributes
    ----------
    mesh, slopes, area
        The triangles; see ``Mesh.slopes``.
    supply
        Place in the mesh of each supply point.
    sleeves
        (k, 2) places of their ends; ``sleeve_m``, ``sleeve_price``: (k,) length in m, and what a cable pays besides.
    landings
        Of each lamp.
    reach_m
        (N,) how far each lead reaches at most.
    """

    mesh: Mesh
    slopes: Floats
    area: Floats
    supply: Ints
    sleeves: Ints
    sleeve_m: Floats
    sleeve_price: Floats
    landings: tuple[Landing, ...]
    reach_m: Floats


def lay_open(facts: Facts, land: Land, fineness: float = 1.0) -> OpenGround:
    """The open ground of one job."""
    survey = land.survey
    lamps = np.array([lamp.place[:2] for lamp in survey.lamps]).reshape(-1, 2)
    supplies = np.array([supply.place[:2] for supply in survey.supplies]).reshape(-1, 2)
    ducts = np.array([[s.route[0][:2], s.route[-1][:2]] for s in survey.sleeves]).reshape(-1, 2)
    reach = reach_of(facts, land)
    terminals = np.vstack([lamps, supplies, ducts])
    every_reach = np.concatenate([reach, np.zeros(len(terminals) - len(lamps))])
    posts = lamps[[is_post(land, lamp) for lamp in range(len(lamps))]]
    mesh = make_mesh(land, terminals, every_reach, np.vstack([posts, supplies, ducts]), fineness)
    slopes, area = mesh.slopes()
    num = len(lamps)
    ends = mesh.terminals[num + len(supplies) :].reshape(-1, 2)
    duct_edges = [int(np.flatnonzero(facts.graph.sleeve == idx)[0]) for idx in range(len(survey.sleeves))]
    return OpenGround(
        mesh,
        slopes,
        area,
        mesh.terminals[num : num + len(supplies)],
        ends,
        facts.graph.length_m[duct_edges],
        facts.graph.pull_price[duct_edges],
        tuple(_landing(facts, land, mesh, lamp, float(reach[lamp])) for lamp in range(num)),
        reach,
    )


def is_post(land: Land, lamp: int) -> bool:
    """Whether a lamp's joint is its own terminals."""
    return land.job.lamps[land.survey.lamps[lamp].type].terminals


def reach_of(facts: Facts, land: Land) -> Floats:
    """(N,) how far each lead reaches at most, extended where the ground stage extends it; 0 for posts."""
    shallow = float(land.depth_m[land.joints].min(initial=np.inf))
    reach = np.maximum(land.made_reach_m - (shallow if np.isfinite(shallow) else 0.0), 0.0)
    for arc in facts.graph.leads:
        if arc.extension_m:
            reach[arc.lamp] = max(reach[arc.lamp], land.made_reach_m[arc.lamp] + land.job.joints.extension_m)
    reach += REACH_SPARE_M
    reach[[is_post(land, lamp) for lamp in range(len(reach))]] = 0.0
    return reach


def _landing(facts: Facts, land: Land, mesh: Mesh, lamp: int, reach_m: float) -> Landing:
    place = np.array(land.survey.lamps[lamp].place[:2], dtype=float)
    if is_post(land, lamp):
        return Landing(np.zeros(0, dtype=np.int64), place, 0.0, int(mesh.terminals[lamp]))
    extended = any(arc.extension_m for arc in facts.graph.leads if arc.lamp == lamp)
    depth = np.where(mesh.grounds & land.joints, land.depth_m, np.inf).min(axis=1)
    reach = np.full(len(depth), reach_m)
    if not extended:
        reach = np.minimum(reach, land.made_reach_m[lamp] - np.where(np.isfinite(depth), depth, 0.0) + REACH_SPARE_M)
    box_low, box_high = (mesh.places[mesh.corners].min(axis=1), mesh.places[mesh.corners].max(axis=1))
    near: Bools = ((box_low <= place + reach_m) & (box_high >= place - reach_m)).all(axis=1) & np.isfinite(depth)
    found = np.flatnonzero(near)
    far = shapely.distance(shapely.polygons(mesh.places[mesh.corners[found]]), shapely.Point(place))
    found = found[far <= reach[found]]
    disc = shapely.buffer(shapely.Point(place), reach_m + REACH_SPARE_M, quad_segs=16)
    met = grounds_of(land, np.array([disc], dtype=object))[0]
    return Landing(found, place, float(land.lead_per_m[met].min()), -1)


@dataclass(frozen=True)
class Prices:
    """
    What is asked for.

    Attributes
    ----------
    cable_m, weight
        (T,) price of a metre of cable in the trenches of each triangle, as cut; what a metre counts for in ways.
    duct_m
        Price of a metre of cable in sleeves, which count for nothing in ways.
    way_m
        (N,) price of a metre of each lamp's way, as cut.
    supply
        (S,) what the first use of each costs; infinite where none may start.
    less
        Taken off the sum.
    """

    cable_m: Floats
    weight: Floats
    duct_m: float
    way_m: Floats
    supply: Floats
    less: float = 0.0


def supply_prices(facts: Facts, used: Collection[int], unused: Collection[int]) -> Floats:
    """(S,) what the first use of each costs where those ``used`` are paid in any case."""
    price = np.array(facts.supply_price, dtype=float)
    price[sorted(used)] = 0.0
    price[sorted(unused)] = np.inf
    return price
