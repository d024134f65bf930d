"""Begin from layouts found for a like job. In: layouts with their graphs and names, this job's ground. Out: states.

A layout is carried over by the places of its nodes, not by their numbers, so it may come from a job with another
ground. Its places go into this job's ground graph with the lines between them; then each circuit is priced anew with
this job's gauges and limits. Lamps of circuits that do not hold here are hung anew.
"""

from __future__ import annotations

import random
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from ..ground import Ground, refine
from ..ground.graph import Floats, GroundGraph
from ..job import Job
from ..survey.model import Survey
from .circuit import Fed
from .graft import Draft, recreate
from .layout import Circuit, Layout
from .state import Bench, State
from .trace import Tree


@dataclass(frozen=True, eq=False)
class Warm:
    """
    One layout to begin from, told apart from the graph it was found on.

    Attributes
    ----------
    circuits
        Names of supply point and driver model, tap, nodes as child -> parent, joint's node of each lamp's name.
    xy
        Places of the nodes used, by node, in m.
    """

    circuits: tuple[tuple[str, str, float, dict[int, int], dict[str, int]], ...]
    xy: dict[int, tuple[float, float]]


def carry(job: Job, survey: Survey, graph: GroundGraph, layout: Layout) -> Warm:
    """A layout as a start for another search."""
    models = list(job.drivers)
    circuits = []
    used: set[int] = set()
    for circuit in layout.circuits:
        up = _parents(circuit)
        joints = {
            survey.lamps[lamp].name: graph.leads[arc].node
            for lamp, arc in zip(circuit.lamps, circuit.leads, strict=True)
        }
        used.update(up, up.values(), joints.values())
        circuits.append((survey.supplies[circuit.supply].name, models[circuit.model], circuit.tap_v, up, joints))
    xy = {v: (round(float(graph.xyz[v, 0]), 3), round(float(graph.xyz[v, 1]), 3)) for v in sorted(used)}
    return Warm(tuple(circuits), xy)


def _parents(circuit: Circuit) -> Tree:
    """Each node's next one towards the driver; cables side by side give the same."""
    up: Tree = {}
    for piece in circuit.pieces:
        for above, below in zip(piece.nodes, piece.nodes[1:], strict=False):
            up.setdefault(below, above)
    return up


def with_places(ground: Ground, warm: Sequence[Warm]) -> Ground:
    """The ground graph with the places and lines of these layouts, as far as the ground allows them."""
    for one in warm:
        places, number = list(one.xy.values()), {v: i for i, v in enumerate(one.xy)}
        node_at = _node_at(ground.graph)
        lines: list[tuple[int, int]] = []
        for _, _, _, up, _ in one.circuits:
            for child, parent in up.items():
                old = node_at.get(one.xy[parent])
                lines.append((number[child], old if old is not None else -1 - number[parent]))
                if old is not None:  # where the child is the node that is there already
                    lines.append((number[parent], node_at.get(one.xy[child], -1 - number[child])))
                elif one.xy[child] in node_at:
                    lines.append((number[parent], node_at[one.xy[child]]))
        ground = refine(ground, np.array(places, dtype=float).reshape(-1, 2), lines)
    return ground


def _node_at(graph: GroundGraph) -> dict[tuple[float, float], int]:
    rounded: Floats = np.round(graph.xyz[:, :2], 3)
    return {(float(x), float(y)): i for i, (x, y) in reversed(list(enumerate(rounded)))}


def warm_states(bench: Bench, job: Job, survey: Survey, warm: Sequence[Warm], rng: random.Random) -> list[State]:
    """Each layout as a state of this job in its cheapest set of gauges, lamps that lost their circuit hung anew."""
    states = []
    finder = _Finder(job, survey, _node_at(bench.facts.graph)) if warm else None
    for one in warm:
        assert finder is not None
        tries = [state for palette in bench.facts.palettes for state in _in_palette(bench, finder, one, palette, rng)]
        if tries:
            states.append(min(tries, key=lambda state: state.cost))
    return states


class _Finder:
    """What names and places are in this job."""

    def __init__(self, job: Job, survey: Survey, node_at: dict[tuple[float, float], int]) -> None:
        self.node_at = node_at
        self.supplies = {point.name: i for i, point in enumerate(survey.supplies)}
        self.models = {name: i for i, name in enumerate(job.drivers)}
        self.lamps = {lamp.name: i for i, lamp in enumerate(survey.lamps)}


def _in_palette(bench: Bench, finder: _Finder, warm: Warm, palette: tuple[int, ...], rng: random.Random) -> list[State]:
    every = frozenset(range(bench.facts.num_lamps))
    bench.palette = palette
    fed = [_fed(bench, finder, warm, circuit) for circuit in warm.circuits]
    kept = [one for one in fed if one is not None]
    missing = every.difference(*(one.leads for one in kept))
    whole = bench.compose(kept, missing)
    if whole is None:  # too many drivers, or a sleeve too full: begin with the circuit of most lamps
        kept = sorted(kept, key=lambda one: -len(one.leads))[:1]
        missing = every.difference(*(one.leads for one in kept))
        whole = bench.compose(kept, missing)
    if whole is None:
        return []
    if not missing:
        return [whole]
    hung = recreate(bench, Draft(list(kept), bench.use_of(kept), 0.0, set(missing)), rng)
    return [whole] if hung is None else [hung]


def _fed(
    bench: Bench, finder: _Finder, warm: Warm, circuit: tuple[str, str, float, dict[int, int], dict[str, int]]
) -> Fed | None:
    """One circuit at this job's prices and limits, on its own tap where that holds; None where it does not hold."""
    facts, ways = bench.facts, bench.ways
    supply, model, tap_v, up, joints = circuit
    if supply not in finder.supplies or model not in finder.models:
        return None
    tree: Tree = {}
    for child, parent in up.items():
        a, b = finder.node_at.get(warm.xy[child]), finder.node_at.get(warm.xy[parent])
        if a is None or b is None or a in tree or not ways.has_edge(a, b):
            return None
        tree[a] = b
    leads: dict[int, int] = {}
    for name, node in joints.items():
        at, lamp = finder.node_at.get(warm.xy[node]), finder.lamps.get(name)
        if at is None or lamp is None or not ways.has_lead(lamp, at):
            return None
        leads[lamp] = ways.lead_between(lamp, at)
    feeds = [f for f in bench.feeds if facts.feeds[f].model == finder.models[model]]
    feeds.sort(key=lambda f: (facts.feeds[f].tap_v != tap_v, facts.feeds[f].tap_v))
    made = (bench.feed(finder.supplies[supply], f, tree, leads) for f in feeds)
    return next((one for one in made if one is not None), None)
