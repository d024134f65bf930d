"""Circuits as trees, and pieces that are one uncut run. In: Index. Out: cases.

Sorts ``Index.cables_of`` from the outlet outwards and fills ``Index.uncut``.
"""

from __future__ import annotations

from collections import defaultdict
from itertools import pairwise

from ..plan.model import CablePlan, CircuitPlan
from .index import Index
from .report import Book


def judge_trees(index: Index, book: Book) -> None:
    """Each circuit hangs together, from its outlet outwards, each joint reached once, a lamp at every end."""
    for circuit in index.plan.circuits:
        held = _judge_tree(index, circuit, book)
        index.trees_hold &= held
    for joint in index.plan.joints:
        strangers = [k.id for k in index.ends_at[joint.id] if k.circuit != joint.circuit]
        strangers += [
            lamp.id
            for circuit in index.plan.circuits
            if circuit.id != joint.circuit
            for lamp in index.lamps_at[joint.id]
            if lamp.id in circuit.lamps
        ]
        text = f"{joint.id}: the joint is of circuit {joint.circuit}, but {', '.join(strangers)} of another meets in it"
        book.claim("one circuit a joint", joint.id, not strangers, text)
        index.trees_hold &= not strangers
    _judge_runs(index, book)


def _judge_tree(index: Index, circuit: CircuitPlan, book: Book) -> bool:
    def so(ok: bool, where: str, text: str) -> bool:
        return book.claim("circuit trees", where, ok, text)

    cables = index.cables_of[circuit.id]
    leaving: dict[str, list[CablePlan]] = defaultdict(list)
    arriving: dict[str, int] = defaultdict(int)
    for cable in cables:
        leaving[cable.from_].append(cable)
        arriving[cable.to] += 1
    held = so(bool(cables), circuit.id, f"circuit {circuit.id} has no cable")
    for cable in cables:
        ok = cable.from_ not in index.drivers or cable.from_ == circuit.driver
        held &= so(ok, cable.id, f"{cable.id} starts at driver {cable.from_}, its circuit hangs on {circuit.driver}")
    for joint in index.joints_of[circuit.id]:
        times = arriving[joint.id]
        held &= so(times == 1, joint.id, f"joint {joint.id} is reached by {times} cables of its circuit, not by one")
        ends = len(leaving[joint.id]) + len(index.lamps_at[joint.id])
        so(ends > 0, joint.id, f"{joint.id} is the end of a cable, but no lamp hangs there")
    so(bool(circuit.lamps), circuit.id, f"circuit {circuit.id} feeds no lamp")

    ordered: list[CablePlan] = []
    reached, frontier = {circuit.driver}, [circuit.driver]
    while frontier:
        for cable in leaving[frontier.pop()]:
            if cable.to not in reached:
                reached.add(cable.to)
                frontier.append(cable.to)
                ordered.append(cable)
    for cable in cables:
        ok = any(cable is other for other in ordered)
        held &= so(ok, cable.id, f"{cable.id} is not reached from the outlet of {circuit.id}, or closes a ring")
    if held:
        index.cables_of[circuit.id] = ordered
    return held


def _judge_runs(index: Index, book: Book) -> None:
    """Pieces of one run are of one cable and circuit and follow one another; the joints between are passed uncut."""
    runs: dict[str, list[CablePlan]] = defaultdict(list)
    for cable in index.plan.cables:
        if cable.run is not None:
            runs[cable.run].append(cable)
    for name, pieces in runs.items():
        alike = len({(piece.cable, piece.circuit) for piece in pieces}) == 1
        taps = index.job.joints.method == "tap"
        starts = {piece.from_: piece for piece in pieces}
        first = [piece for piece in pieces if piece.from_ not in {other.to for other in pieces}]
        row: list[CablePlan] = first[:1]
        while row and row[-1].to in starts and len(row) <= len(pieces):
            row.append(starts[row[-1].to])
        in_a_row = len(row) == len(pieces) == len(starts) > 1
        ids = ", ".join(piece.id for piece in pieces)
        ok = alike and taps and in_a_row
        why = "it takes two pieces or more, one after another" if alike and taps else "they differ in cable or circuit"
        why = why if taps else "this job cuts its cables at every joint"
        if book.claim("runs", name, ok, f"{ids} cannot be one uncut run {name}: {why}"):
            for before, after in pairwise(row):
                index.uncut |= {(before.id, before.to), (after.id, after.from_)}
