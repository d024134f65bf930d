"""What the plan says may be measured on site. In: Index, solved cases, nodes of joints. Out: cases on bands.

A band runs from the least to the most of four cases, all lamps on: source at its lowest or highest, copper hot or cold.
"""

from __future__ import annotations

from collections.abc import Sequence

from ..plan.model import Band, CircuitPlan
from .index import Index
from .limits import AMP, VOLT
from .nodal import Floats
from .report import Book


def judge_bands(
    index: Index,
    circuits: Sequence[CircuitPlan],
    idle_v: Sequence[tuple[float, float]],
    cases: Sequence[tuple[Floats, Floats] | None],
    joint_node: dict[str, int],
    book: Book,
) -> None:
    """
    Compare the bands printed with those of the cases.

    Parameters
    ----------
    circuits
        Of one driver; node i is the outlet of circuit i.
    idle_v
        Lowest and highest volts of each circuit's tap with nothing connected.
    cases
        Volts of the nodes and amps of the circuits; None where a case has no operating point.
    joint_node
        Node of each joint.
    """
    solved = [case for case in cases if case is not None]
    whole = len(solved) == len(cases)
    for i, circuit in enumerate(circuits):
        if not prints_bands(index, circuit):
            continue
        text = f"{circuit.id}: a band is printed, and one of its cases has no operating point"
        if not book.claim("printed bands", circuit.id, whole, text):
            continue
        text = f"{circuit.id}: some of its bands are printed, others are not"
        book.claim("printed bands", circuit.id, None not in _bands(index, circuit), text)
        _same(book, circuit.id, "idle_band_v", circuit.idle_band_v, idle_v[i], "V", VOLT)
        _same(book, circuit.id, "out_band_v", circuit.out_band_v, [volts[i] for volts, _ in solved], "V", VOLT)
        _same(book, circuit.id, "amps_band", circuit.amps_band, [amps[i] for _, amps in solved], "A", AMP)
        for joint in index.joints_of[circuit.id]:
            drops = [volts[i] - volts[joint_node[joint.id]] for volts, _ in solved]
            _same(book, joint.id, "drop_band_v", joint.drop_band_v, drops, "V", VOLT)


def prints_bands(index: Index, circuit: CircuitPlan) -> bool:
    """Whether any band of the circuit or of its joints is printed."""
    return any(band is not None for band in _bands(index, circuit))


def _bands(index: Index, circuit: CircuitPlan) -> list[Band | None]:
    own = [circuit.idle_band_v, circuit.out_band_v, circuit.amps_band]
    return own + [joint.drop_band_v for joint in index.joints_of[circuit.id]]


def _same(book: Book, where: str, what: str, printed: Band | None, own: Sequence[float], unit: str, tol: float) -> None:
    if printed is None:
        return
    # rounded outwards, so up to one unit in the last digit more than the half that others may be off
    for end, value, right in (("least", printed[0], min(own)), ("most", printed[1], max(own))):
        book.same("printed bands", where, f"{end} of {what}", value, float(right), unit, tol)
