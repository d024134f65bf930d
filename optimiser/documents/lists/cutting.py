"""The cut list, reel by reel in cutting order. In: Plan. Out: Table."""

from __future__ import annotations

from ...plan.model import Plan
from ..tables import Column, Part, Table
from ..words import counted, isolated, listed, number

COLUMNS = (
    Column("reel", "reel", 0),
    Column("cable", "cable", 0),
    Column("size", "size", 0),
    Column("reel_m", "reel, m", 0, 1),
    Column("order", "no.", 0.5),
    Column("piece", "piece", 1),
    Column("circuit", "circuit", 1),
    Column("from", "from", 1),
    Column("to", "to", 1),
    Column("cut_m", "cut, m", 0.9, 1),
    Column("left_m", "left, m", 0.9, 1),
    Column("uncut_with", "uncut with", 1.2),
    Column("", "cut", 0.5, to_fill=True),
    Column("", "both ends marked", 0.9, to_fill=True),
)


def cut_table(plan: Plan) -> Table:
    """
    Each piece once, in the order in which it comes off its reel; ``left_m`` is what then remains on it.

    Pieces of one run are one length: they are listed one under the other, and not cut apart.
    """
    cables = {cable.id: cable for cable in plan.cables}
    runs: dict[str, list[str]] = {}
    for cable in plan.cables:
        if cable.run is not None:
            runs.setdefault(cable.run, []).append(cable.id)
    parts = []
    for reel_number, reel in enumerate(plan.cuts, 1):
        used = plan.cables_used.get(reel.cable)
        size = used.size if used else ""
        left_m, rows = reel.reel_m, []
        for order, piece in enumerate(reel.pieces, 1):
            cable = cables[piece]
            left_m = round(left_m - cable.cut_m, 1) + 0.0
            with_ = ", ".join(other for other in runs.get(cable.run or "", ()) if other != piece)
            rows.append(
                (reel_number, reel.cable, size, reel.reel_m, order, piece, cable.circuit, cable.from_, cable.to,
                 cable.cut_m, left_m, with_, None, None)
            )  # fmt: skip
        title = f"Reel {reel_number}: {isolated(reel.cable)} ({size}), {reel.reel_m:g} m; {counted(len(rows), 'piece')}"
        parts.append(Part(title, tuple(rows)))
    return Table(
        "cut_list",
        "Cut list",
        COLUMNS,
        tuple(parts),
        before=(
            "Cut in this order. Lengths hold the slack for both ends and are rounded up to 0.1 m. Mark both ends of "
            "every piece with its label before it leaves the reel's place.",
            *_runs(plan, runs),
        ),
        after=(
            "Before the first cut: walk the pegged trenches with a tape along the ground. Where a route as dug is "
            "longer than planned, the piece must be longer too.",
        ),
    )


def _runs(plan: Plan, runs: dict[str, list[str]]) -> list[str]:
    """How long each run is that is cut as one: a piece cut off alone has no slack at that end, and is too short."""
    if not runs:
        return []
    cut_m = {cable.id: cable.cut_m for cable in plan.cables}
    lengths = listed(
        f"{run} of {number(sum(cut_m[piece] for piece in pieces), 1)} m ({', '.join(pieces)})"
        for run, pieces in runs.items()
    )
    return [
        f"Runs are cut as one length, not apart: {lengths}. They pass through the joints between their pieces uncut, "
        "where they are tapped; slack is at the two ends of a run only."
    ]
