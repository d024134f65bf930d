"""Whether every lamp can be reached at all. In: Land, GroundGraph. Out: Problem records with distance and mend."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

import numpy as np
import shapely

from ..problems import Problem
from .graph import Bools, GroundGraph, Ints, LeadArc
from .joint_places import joint_area
from .standing import deep_in_no_dig
from .zones import Land


def parts_of(graph: GroundGraph) -> Ints:
    """(n,) number of the connected part that each node lies in."""
    from scipy.sparse import coo_matrix
    from scipy.sparse.csgraph import connected_components

    ones = np.ones(graph.num_edges)
    matrix = coo_matrix((ones, (graph.ends[:, 0], graph.ends[:, 1])), shape=(graph.num_nodes, graph.num_nodes))
    return np.asarray(connected_components(matrix, directed=False)[1], dtype=np.int64)


def problems(land: Land, graph: GroundGraph, file: str) -> list[Problem]:
    """Every supply point and lamp that is cut off; supply points only where all of them are."""
    survey = land.survey
    part = parts_of(graph)
    degree = np.bincount(graph.ends.ravel(), minlength=graph.num_nodes)
    open_supply = degree[graph.supply_node] > 0
    found = []
    tolerance = f"border_tolerance_m {land.job.rules.border_tolerance_m:g} m"
    if not open_supply.any():
        for supply in survey.supplies:
            said = (
                f"supply point {supply.name} is cut off: no straight way out of its no-dig zone or keep-off reaches "
                f"ground that may be dug within {tolerance}"
            )
            mend = "move it to the border of its zone, make the keep-off smaller, or add a sleeve from it"
            found.append(Problem(file, supply.row, "x", said, mend))
    fed = set(part[graph.supply_node[open_supply]].tolist())
    hung: dict[int, list[int]] = {}
    for arc in graph.leads:
        hung.setdefault(arc.lamp, []).append(arc.node)
    found += without_joint(land, graph.leads, file)
    for idx, nodes in hung.items():
        if open_supply.any() and not fed & set(part[nodes].tolist()):
            found.append(_walled_off(land, idx, degree[nodes] > 0, file))
    return found


def without_joint(land: Land, arcs: Iterable[LeadArc], file: str) -> list[Problem]:
    """Every lamp that none of the lead arcs hangs."""
    hung = {arc.lamp for arc in arcs}
    none = [idx for idx in range(len(land.survey.lamps)) if idx not in hung]
    area = joint_area(land) if none else None
    return [_no_joint(land, idx, area, file) for idx in none]


def _walled_off(land: Land, idx: int, has_edges: Bools, file: str) -> Problem:
    lamp = land.survey.lamps[idx]
    if land.job.lamps[lamp.type].terminals and not has_edges.any():
        return Problem(
            file,
            lamp.row,
            "x",
            f"post {lamp.name} cannot be reached: it stands more than border_tolerance_m "
            f"{land.job.rules.border_tolerance_m:g} m inside ground where no cable may run",
            "move it to the border of its zone, or let a sleeve end at it",
        )
    said = f"lamp {lamp.name} is walled off from every supply point by no-dig zones and their keep-off"
    mend = (
        "add a sleeve through the wall, leave a gap between the zones, make a keep-off smaller, or add a supply point "
        "on its side"
    )
    return Problem(file, lamp.row, "x", said, mend)


def _no_joint(land: Land, idx: int, area: Any, file: str) -> Problem:
    lamp = land.survey.lamps[idx]
    kind = land.job.lamps[lamp.type]
    own = np.array([lamp.place[:2]])
    base_depth = float(land.depth_m[land.base])
    line = shapely.get_coordinates(shapely.shortest_line(shapely.Point(own[0]), area))
    if not len(line):
        return Problem(
            file,
            lamp.row,
            "x",
            f"lamp {lamp.name} has no ground nearby that a joint may stand on",
            "mark ground near it with joints = true, or move the lamp",
        )
    far = float(np.hypot(*(line[1] - line[0])))
    if land.may_joint(own)[0]:
        place, depth, far = "its own place", float(land.depth_m[land.ground_at(own)][0]), 0.0
    else:
        place, depth = f"the nearest ground that a joint may stand on, {far:.2f} m away", base_depth
        beyond = line[1:] + (line[1:] - line[:1]) / max(far, 1e-9) * 0.01
        if land.may_joint(beyond)[0]:
            depth = float(land.depth_m[land.ground_at(beyond)][0])
    reach = float(land.made_reach_m[idx]) - depth
    if far <= reach:
        aimed = land.job.rules.aim_anywhere
        moved = " from somewhere within its aim reserve (rules.aim_anywhere)" if aimed else ""
        return Problem(
            file,
            lamp.row,
            "x",
            f"the lead of lamp {lamp.name} would have to cross ground that leads may not cross to reach {place}{moved}",
            "move the lamp, or set leads = true for the ground between"
            + (", or rules.aim_anywhere = false" if aimed else ""),
        )
    # What a lead must be: rounded up to whole centimetres, with one to spare.
    short = far - reach
    need = np.ceil((kind.lead_m + short) * 100) / 100 + 0.01
    allowed = f" even with joints.extension_m = {land.job.joints.extension_m:g}" if land.job.joints.extension_m else ""
    standing = deep_in_no_dig(land.job, land.survey, lamp)
    whose = f"the lead of lamp {lamp.name}"
    if standing is not None:
        whose = f"lamp {lamp.name} stands {standing.depth_m:.2f} m inside {standing.says}, and its lead"
    said = (
        f"{whose} ({kind.lead_m:g} m) is {short:.2f} m too short for {place}{allowed}: of its "
        f"length {kind.aim_reserve_m:g} m is aim reserve, {kind.exit_height_m:g} m the height of its exit, {depth:g} m "
        f"the depth there and {land.job.joints.tail_m:g} m the tail inside the joint"
    )
    longer = f"give lamp type {lamp.type} a lead_m of at least {need:.2f}"
    flex = f"set joints.extension_m to at least {np.ceil(short * 100) / 100 + 0.01:.2f}"
    mend = f"{longer}, {flex}, or move the lamp"
    if standing is not None:  # a longer lead would hide that it was measured wrongly
        mend = f"move the lamp out of {standing.says}; only if it does belong there, {longer}, or {flex}"
    return Problem(file, lamp.row, "x", said, mend)
