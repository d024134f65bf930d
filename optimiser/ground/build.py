"""The ground graph by rule. In: Job, Survey. Out: Ground (graph, land), or every Problem that walls a lamp off.

Nodes by rule, in the order in which they win where two would stand closer than a spade's width (nodes.py):

1. supply points, posts with terminals, sleeve ends, at their surveyed places; the feet of their stubs
   (border_places.py);
2. convex corners of no-dig zones, pushed out by keep-off and 2 mm;
3. each lamp's nearest joint place, places where two reaches meet, rings in reach (joint_places.py);
4. corners of the borders between grounds, where the best ways between neighbouring terminals cross these
   (refraction.py), and places along them;
5. hub places: Fermat points of neighbouring triples (hub_places.py).

Edges by rule: edges.py; coordinates are rounded to the millimetre before anything is priced. Last, ways between
neighbouring terminals are pulled taut on that graph (taut_ways.py), which puts in places at borders and corners that
they bend at. ``refining.py`` adds nodes, edges and lead arcs behind those that are there, by the same rules.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from ..job import Job
from ..problems import BadInput, Problem
from ..survey.model import Survey
from . import edges, reachable
from .border_places import Corners, border_places, border_rings, stub_feet
from .graph import Bools, Floats, GroundGraph, Ints, LeadArc, NodeKind
from .hub_places import delaunay_triangles, fermat_points, neighbour_triples, pairs_of_triangles
from .joint_places import MANY_LAMPS, joint_area, meeting_places, nearest_places, ring_places
from .leads import cheapest_extension_kit, lead_arcs
from .model import NO_LIMIT, Ground
from .nodes import NodeList
from .refraction import crossing_ways
from .taut_ways import pull_taut
from .zones import Land

_OWN_GAP_M = 0.02
"""A lamp's own joint place gives way only to a node that is as good as at the same place."""


@dataclass(frozen=True)
class _Stub:
    node: int
    foot: int


class _Builder:
    """Gathers nodes and edges for one base graph."""

    def __init__(self, job: Job, survey: Survey, file: str) -> None:
        self.job, self.survey, self.file = job, survey, file
        self.land = Land(job, survey)
        self.nodes = NodeList()
        self.stubs: list[_Stub] = []
        self.problems: list[Problem] = []
        self.sleeve_ends: list[tuple[int, int]] = []
        self.links: list[tuple[int, int]] = []
        lamps = [lamp.place[:2] for lamp in survey.lamps]
        self.lamp_xy = np.array(lamps, dtype=float).reshape(-1, 2)
        self.terminals = np.array(lamps + [s.place[:2] for s in survey.supplies], dtype=float).reshape(-1, 2)
        self.is_post = np.array([job.lamps[lamp.type].terminals for lamp in survey.lamps], dtype=bool)

    def place_fixed(self) -> None:
        """Supply points, posts and sleeve ends, then the feet of those that stand on no free ground."""
        survey, nodes = self.survey, self.nodes
        self.supply_node = [nodes.add(s.place[:2], NodeKind.SUPPLY, 0) for s in survey.supplies]
        self.terminal_node = np.full(len(self.terminals), -1, dtype=np.int64)
        self.terminal_node[len(survey.lamps) :] = self.supply_node
        for idx in np.flatnonzero(self.is_post):
            self.terminal_node[idx] = nodes.add(survey.lamps[idx].place[:2], NodeKind.POST, 0, post_lamp=int(idx))
        for sleeve in survey.sleeves:
            first, last = (nodes.add(sleeve.route[end][:2], NodeKind.SLEEVE_END, 0) for end in (0, -1))
            self.sleeve_ends.append((first, last))
        self.z_fixed = {node: s.place[2] for node, s in zip(self.supply_node, survey.supplies, strict=True)}
        for idx in np.flatnonzero(self.is_post):
            self.z_fixed[int(self.terminal_node[idx])] = survey.lamps[idx].place[2]
        for sleeve, ends in zip(survey.sleeves, self.sleeve_ends, strict=True):
            self.z_fixed |= {ends[0]: sleeve.route[0][2], ends[1]: sleeve.route[-1][2]}
        stuck = np.flatnonzero(~self.land.off_no_dig(nodes.array()))
        for node in stuck:
            for foot in stub_feet(self.land, nodes.xy[node]):
                self.stubs.append(_Stub(int(node), nodes.add((foot[0], foot[1]), NodeKind.FOOT, 0.005)))

    def place_corners(self) -> None:
        self.corners = Corners.of_forbidden(self.land)
        self.corner_node = self._add_corners(self.corners, 0.01)

    def _add_corners(self, corners: Corners, gap_m: float) -> Ints:
        """Node of each corner; -1 for those on ground that is not free."""
        node = np.full(len(corners.xy), -1, dtype=np.int64)
        free = np.flatnonzero(self.land.free(np.round(corners.xy, 3)))
        node[free] = self.nodes.add_all(corners.xy[free], NodeKind.CORNER, gap_m)
        return node

    def place_own_joints(self) -> None:
        """The nearest joint places of each lamp that is no post, and whether its lead must be extended."""
        land = self.land
        hung = np.flatnonzero(~self.is_post)
        self.extension = np.zeros(len(self.survey.lamps))
        if not len(hung):
            return
        area = joint_area(land)
        for idx in hung:
            near = nearest_places(land, int(idx), area)
            places = np.round(near, 3)
            lamps = np.full(len(places), idx)
            lead = land.lead_lines(lamps, places)
            may = land.may_joint(places) & lead.lawful
            if not (may & lead.allowed).any():
                self.extension[idx] = self.job.joints.extension_m
            # The nearest by the way its lead must go; nearer ones the lead may not take are no use.
            good = np.flatnonzero(may & (lead.length_m <= lead.reach_m + self.extension[idx] + 1e-9))
            for place in places[good][:2]:
                node = self._own_joint(int(idx), place)
                if self.terminal_node[idx] < 0:
                    self.terminal_node[idx] = node

    def place_more_joints(self) -> None:
        """Joint places where two reaches meet, and all round in reach."""
        land = self.land
        hung = np.flatnonzero(~self.is_post)
        if not len(hung):
            return
        pairs = edges.unique_pairs(neighbour_pairs(self.lamp_xy, 6))
        pairs = pairs[~self.is_post[pairs].any(axis=1)]
        self._add_joints(meeting_places(land, pairs))
        for idx in hung:
            others = np.delete(self.terminals, idx, axis=0)
            apart = np.hypot(*(others - self.lamp_xy[idx]).T)
            toward = self.lamp_xy[idx] + [1, 0]
            if (apart > 0).any():
                toward = others[np.argmin(np.where(apart > 0, apart, np.inf))]
            self._add_joints(ring_places(land, int(idx), toward, float(self.extension[idx])))

    def _own_joint(self, lamp_idx: int, place: Floats) -> int:
        """The node for a lamp's nearest joint place; beside a supply point, post or sleeve end a step away from it."""
        nodes, land = self.nodes, self.land
        no_joint = (NodeKind.SUPPLY, NodeKind.POST, NodeKind.SLEEVE_END)
        steps = [np.zeros(2), *(1.5 * _OWN_GAP_M * np.array(step) for step in ((1, 0), (0, 1), (-1, 0), (0, -1)))]
        for step in steps:
            x, y = (float(value) for value in np.round(place + step, 3))
            there = nodes.nearest_within(x, y, _OWN_GAP_M)
            at = np.array([(x, y) if there < 0 else nodes.xy[there]])
            lead = land.lead_lines(np.array([lamp_idx]), at)
            reaches = lead.length_m[0] <= lead.reach_m[0] + self.extension[lamp_idx] + 1e-9
            if (
                land.may_joint(at)[0]
                and lead.lawful[0]
                and reaches
                and (there < 0 or nodes.kind[there] not in no_joint)
            ):
                return there if there >= 0 else nodes.add((x, y), NodeKind.JOINT_PLACE, 0)
        # Nothing but the very place will do, whatever stands there.
        return nodes.add((float(place[0]), float(place[1])), NodeKind.JOINT_PLACE, 0)

    def _add_joints(self, places: Floats) -> None:
        places = np.round(places, 3)
        self.nodes.add_all(places[self.land.may_joint(places)], NodeKind.JOINT_PLACE)

    def place_borders(self) -> None:
        rings = border_rings(self.land)
        most = 30 + 2 * len(self.survey.lamps)
        between = Corners.of_borders(self.land, rings, most)
        crossing = border_places(self.land, rings, between, self.terminals, most)
        self.corner_node = np.concatenate([self.corner_node, self._add_corners(between, 0.05)])
        self.corners = self.corners.and_also(between)
        if rings:
            self._place_ways()
        self.nodes.add_all(crossing, NodeKind.BORDER)

    def _place_ways(self) -> None:
        """Best crossing places between neighbouring terminals, and the lines that use them."""
        have = np.flatnonzero(self.terminal_node >= 0)
        at = self.nodes.array()[self.terminal_node[have]]
        pairs = edges.unique_pairs(np.vstack([neighbour_pairs(at, 4), pairs_of_triangles(delaunay_triangles(at))]))
        for pair, way in crossing_ways(self.land, at, pairs):
            stops = [int(self.terminal_node[have[pair[0]]])]
            stops += self.nodes.add_all(way, NodeKind.BORDER, 0.05)
            stops.append(int(self.terminal_node[have[pair[1]]]))
            self.links += list(pairwise(stops))

    def place_hubs(self) -> None:
        count = 3 if len(self.survey.lamps) > MANY_LAMPS else 4
        triples = neighbour_triples(self.terminals, count)
        if not len(triples):
            return
        at = self.terminals[triples]
        points, inner = fermat_points(at[:, 0], at[:, 1], at[:, 2])
        points, triples = np.round(points[inner], 3), triples[inner]
        free = self.land.free(points)
        for point, triple in zip(points[free], triples[free], strict=True):
            hub = self.nodes.add((point[0], point[1]), NodeKind.HUB_PLACE)
            self.links += [(hub, int(node)) for node in self.terminal_node[triple] if node >= 0]

    def heights(self, xy: Floats) -> Floats:
        """(n,) heights of the nodes, in m."""
        z = np.round(self.land.height(xy), 3)
        for node, fixed in self.z_fixed.items():
            z[node] = fixed
        return z

    def hang(self, xyz: Floats, kind: Ints) -> tuple[Bools, Ints, list[LeadArc]]:
        """Which nodes may hold a joint, whose post each is (-1: none), and the lead arcs to them."""
        may_joint = self.land.may_joint(xyz[:, :2])
        may_joint[np.isin(kind, [NodeKind.SUPPLY, NodeKind.SLEEVE_END])] = False
        may_joint[kind == NodeKind.POST] = True
        post_lamp = np.array(self.nodes.post_lamp, dtype=np.int64)
        every, kit_price = np.arange(len(xyz)), cheapest_extension_kit(self.job)
        arcs = lead_arcs(self.land, xyz, may_joint, post_lamp, every, self.extension, kit_price)
        return may_joint, post_lamp, arcs

    def join(self) -> GroundGraph:
        """Edges, lead arcs, and the finished graph."""
        land, nodes = self.land, self.nodes
        xy = nodes.array()
        kind = np.array(nodes.kind, dtype=np.int64)
        pool = np.flatnonzero(land.passable(xy, kind))
        self.terminal_node = np.where(np.isin(self.terminal_node, pool), self.terminal_node, -1)
        pairs = [edges.near_pairs(land, xy, pool, pool, 1, 5)]
        pairs.append(edges.visible_pairs(land, xy, pool[pairs_of_triangles(delaunay_triangles(xy[pool]))]))
        turning = np.isin(kind, [NodeKind.SLEEVE_END, NodeKind.FOOT])
        ends = np.union1d(self.terminal_node[self.terminal_node >= 0], np.flatnonzero(turning))
        ends = ends[np.isin(ends, pool)]
        pairs.append(edges.near_pairs(land, xy, ends, ends, 1, 6))
        # The rings of joint places crowd out far neighbours: the same rule once more without them.
        sparse = np.union1d(ends, np.flatnonzero(kind != NodeKind.JOINT_PLACE))
        sparse = sparse[np.isin(sparse, pool)]
        pairs.append(edges.near_pairs(land, xy, sparse, sparse, 1, 3))
        links = np.array(self.links, dtype=np.int64).reshape(-1, 2)
        links = links[np.isin(links, pool).all(axis=1)]
        pairs.append(edges.visible_pairs(land, xy, edges.unique_pairs(links)))
        most = max(10, min(40, 12_000 // max(len(xy), 1)))
        pairs.append(edges.tangent_pairs(land, xy, self.corners, self.corner_node, ends, most))
        every = edges.unique_pairs(np.vstack(pairs))
        every = edges.unique_pairs(np.vstack([every, edges.joining_pairs(land, xy, pool, every)]))
        price = land.price_lines(xy[every[:, 0]], xy[every[:, 1]]).trench_price
        turning_at = sparse if len(ends) * len(sparse) < 40_000 else ends
        every = edges.unique_pairs(np.vstack([every, edges.dear_detours(land, xy, every, price, ends, turning_at)]))
        # A sleeve is the line between its two ends: no trench beside it, and no two edges between the same nodes.
        ducts = edges.unique_pairs(np.array(self.sleeve_ends, dtype=np.int64).reshape(-1, 2))
        every = every[~np.isin(edges.key_of(every), edges.key_of(ducts))]
        return assemble(self, xy, kind, every)


def neighbour_pairs(points: Floats, count: int) -> Ints:
    """(m, 2) pairs of each point with its ``count`` nearest, lower first."""
    from .hub_places import nearest_neighbours

    near = nearest_neighbours(points, count)
    frm = np.repeat(np.arange(len(points)), near.shape[1] if len(points) else 0)
    to = near.ravel()
    return edges.unique_pairs(np.column_stack([frm[to >= 0], to[to >= 0]]))


def assemble(builder: _Builder, xy: Floats, kind: Ints, pairs: Ints) -> GroundGraph:
    """Price the trench lines, add stubs and sleeves, hang the lamps."""
    land, survey = builder.land, builder.survey
    z = builder.heights(xy)
    priced = land.price_lines(xy[pairs[:, 0]], xy[pairs[:, 1]], *land.ends_z(z, pairs))
    keep = priced.allowed & ~edges.beside_others(xy, pairs, priced.trench_price)
    pairs = pairs[keep]
    num = len(pairs)
    length, sun, price = (list(values[keep]) for values in (priced.length_m, priced.sun_m, priced.trench_price))
    ends = [tuple(pair) for pair in pairs]
    pull, capacity, sleeve, stub = [0.0] * num, [NO_LIMIT] * num, [-1] * num, [False] * num
    xyz = np.column_stack([xy, z])
    for way in builder.stubs:
        ground = int(land.ground_at(xy[way.foot])[0])
        far = float(np.linalg.norm(xyz[way.node] - xyz[way.foot]))
        ends.append((min(way.node, way.foot), max(way.node, way.foot)))
        length.append(far)
        sun.append(far if land.depth_m[ground] == 0 else 0.0)
        price.append(far * float(land.per_m[ground]))
        pull.append(0.0)
        capacity.append(NO_LIMIT)
        sleeve.append(-1)
        stub.append(True)
    for idx, (duct, (first, last)) in enumerate(zip(survey.sleeves, builder.sleeve_ends, strict=True)):
        route = np.array(duct.route, dtype=float)
        if not survey.has_heights:
            route[:, 2] = 0.0
        ends.append((min(first, last), max(first, last)))
        length.append(float(np.linalg.norm(np.diff(route, axis=0), axis=1).sum()))
        sun.append(0.0)
        price.append(0.0)
        pull.append(duct.pull_price)
        capacity.append(duct.capacity)
        sleeve.append(idx)
        stub.append(False)
    may_joint, post_lamp, arcs = builder.hang(xyz, kind)
    return GroundGraph(
        xyz=xyz,
        kind=kind,
        may_joint=may_joint,
        post_lamp=post_lamp,
        ends=np.array(ends, dtype=np.int64).reshape(-1, 2),
        length_m=np.array(length, dtype=float),
        sun_m=np.array(sun, dtype=float),
        trench_price=np.array(price, dtype=float),
        pull_price=np.array(pull, dtype=float),
        capacity=np.array(capacity, dtype=np.int64),
        sleeve=np.array(sleeve, dtype=np.int64),
        stub=np.array(stub, dtype=bool),
        supply_node=np.array(builder.supply_node, dtype=np.int64),
        leads=tuple(sorted(arcs, key=lambda arc: (arc.lamp, arc.price, arc.node))),
        num_lamps=len(survey.lamps),
    )


def build_ground(job: Job, survey: Survey, *, file: str = "survey.csv") -> Ground:
    """
    Build the ground graph of a job.

    Raises
    ------
    BadInput
        A lamp whose lead reaches no ground that a joint may stand on, a post that cannot be reached, a lamp walled
        off from every supply point, or supply points that are all cut off. All of them at once.
    """
    builder = _Builder(job, survey, file)
    builder.place_fixed()
    builder.place_corners()
    builder.place_own_joints()
    builder.place_more_joints()
    builder.place_borders()
    builder.place_hubs()
    graph = builder.join()
    problems = reachable.problems(builder.land, graph, file)
    if problems:
        raise BadInput(problems)
    return pull_taut(Ground(graph, builder.land, graph.num_nodes, graph.num_edges))


def lamps_without_joint(job: Job, survey: Survey, *, file: str = "survey.csv") -> list[Problem]:
    """The problems of lamps whose leads reach no joint place, as ``build_ground`` has them; no line is looked at."""
    builder = _Builder(job, survey, file)
    found: list[Problem] = []
    # Most leads reach a joint place of their own; others may yet reach one between two, at a border, or a hub.
    for places in (
        (builder.place_fixed, builder.place_corners, builder.place_own_joints),
        (builder.place_more_joints,),
        (builder.place_borders, builder.place_hubs),
    ):
        for place in places:
            place()
        xy, kind = builder.nodes.array(), np.array(builder.nodes.kind, dtype=np.int64)
        arcs = builder.hang(np.column_stack([xy, np.zeros(len(xy))]), kind)[2]  # leads ask the land for heights
        found = reachable.without_joint(builder.land, arcs, file)
        if not found:
            break
    return found
