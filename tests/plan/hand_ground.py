"""Ground graphs drawn by hand, for tests of the plan stage. In: job and survey as text, nodes, lines. Out: HandGround.

Prices are invented and round: lawn 10 a metre with 2 for each end on a border (crossing 4), paving 30 with 10 (20).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from optimiser.ground import Ground, Land
from optimiser.ground.graph import GroundGraph, LeadArc, NodeKind
from optimiser.job_folder import JobFolder
from optimiser.search.layout import Circuit, DriverUse, Layout, Piece
from tests.properties.random_jobs import folder_of

JOB = """
title = "by hand"
[grounds]
lawn = { per_m = 10, crossing = 4 }
paving = { per_m = 30, crossing = 20 }
mulch = { per_m = 5, depth_mm = 0 }
house = { kind = "no_dig", keep_off_m = 0.2 }
[lamps]
spike = { watts = 5, volts = 12 }
post = { watts = 5, volts = 12, terminals = true }
[cables]
thin = { mm2 = 1.5, price_per_m = 2, reels_m = [20] }
thick = { mm2 = 4, price_per_m = 5, reels_m = [20, 50] }
[drivers]
box = { taps_v = [12], rated_w = 100, limit_a = 10, limit_mode = "hiccup", short_rms_a = 2, outlets = 2, price = 90 }
[supplies]
S = { price = 25 }
[slack]
per_cent = 5
joint_end_m = 0.4
driver_end_m = 1.0
[joints.kits]
two = { max_ways = 2, price = 6 }
four = { max_ways = 4, price = 9, labour = 1 }
"""
HEADER = "point,kind,of,x,y,z\n"


@dataclass
class HandGround:
    """A job with a graph of its own; ``edge_of`` finds edges by their nodes, either way."""

    folder: JobFolder
    ground: Ground
    edge_of: dict[tuple[int, int], int]

    def piece(self, cable: int, *nodes: int) -> Piece:
        return Piece(cable, nodes, tuple(self.edge_of[u, v] for u, v in pairwise(nodes)))

    def layout(self, *circuits: Sequence[Piece], fed: Sequence[Sequence[int]]) -> Layout:
        """Circuits of these pieces, all on one driver; ``fed`` are the lamps of each."""
        arc_of = {arc.lamp: i for i, arc in enumerate(self.ground.graph.leads)}
        whole = tuple(
            Circuit(0, 0, 12.0, tuple(lamps), tuple(arc_of[lamp] for lamp in lamps), tuple(pieces), None)
            for pieces, lamps in zip(circuits, fed, strict=True)
        )
        return Layout((DriverUse(0, 0, tuple(range(len(whole)))),), whole)


def hand_ground(
    survey_text: str,
    nodes: Sequence[tuple[float, float]],
    lines: Sequence[tuple[int, int]],
    *,
    job: str = JOB,
    lamps_at: Sequence[int] = (),
    sleeves: Sequence[tuple[int, int]] = (),
    stubs: Sequence[tuple[int, int]] = (),
) -> HandGround:
    """
    Draw a graph.

    Parameters
    ----------
    survey_text
        Rows ``point,kind,of,x,y,z``; the first supply point stands at node 0.
    nodes, lines
        Places in m, and pairs of nodes, whichever first.
    lamps_at
        The node of each lamp's joint.
    sleeves, stubs
        Which of the lines are the survey's sleeves, in order, and which are stubs from their first node to their foot.
    """
    folder = folder_of(job, HEADER + survey_text)
    land = Land(folder.job, folder.survey)
    xy = np.array(nodes, dtype=float)
    z = land.height(xy)
    xyz = np.round(np.column_stack([xy, z]), 3)
    ends = np.array([(min(line), max(line)) for line in lines], dtype=np.int64)
    a, b = ends.T
    priced = land.price_lines(xy[a], xy[b], xyz[a, 2], xyz[b, 2])
    kind = np.full(len(xy), int(NodeKind.HUB_PLACE), dtype=np.int64)
    kind[0] = NodeKind.SUPPLY
    post = np.full(len(xy), -1)
    for lamp, node in enumerate(lamps_at):
        if folder.job.lamps[folder.survey.lamps[lamp].type].terminals:
            kind[node], post[node] = NodeKind.POST, lamp
    kind[[foot for _, foot in stubs]] = NodeKind.FOOT
    sleeve = np.array([sleeves.index(line) if line in sleeves else -1 for line in lines])
    leads = []
    for lamp, node in enumerate(lamps_at):
        line = land.lead_lines(np.array([lamp]), xy[[node]])
        leads.append(LeadArc(lamp, node, float(line.length_m[0]), float(line.price[0])))
    m = len(lines)
    graph = GroundGraph(
        xyz=xyz,
        kind=kind,
        may_joint=land.may_joint(xy),
        post_lamp=post,
        ends=ends,
        length_m=priced.length_m,
        sun_m=priced.sun_m,
        trench_price=np.where(sleeve >= 0, 0.0, priced.trench_price),
        pull_price=np.array([folder.survey.sleeves[s].pull_price if s >= 0 else 0.0 for s in sleeve]),
        capacity=np.full(m, 99),
        sleeve=sleeve,
        stub=np.array([line in stubs for line in lines]),
        supply_node=np.array([0]),
        leads=tuple(leads),
        num_lamps=len(lamps_at),
    )
    edge_of = {pair: e for e, (u, v) in enumerate(ends.tolist()) for pair in ((u, v), (v, u))}
    return HandGround(folder, Ground(graph, land, len(xy), m), edge_of)
