"""The joint list: ways, what meets there, kit. In: Plan. Out: Table."""

from __future__ import annotations

from ...plan.model import JointPlan, Plan
from ..tables import Column, Part, Table
from ..words import counted, isolated, listed

COLUMNS = (
    Column("circuit", "circuit", 0),
    Column("joint", "joint", 0.9),
    Column("is", "is", 0.75),
    Column("ways", "ways", 0.6),
    Column("cable_in", "cable in", 1.3),
    Column("cables_out", "cables out", 2.0),
    Column("leads", "leads of lamps", 2.0),
    Column("kit", "kit", 1.6),
    Column("x_m", "x, m", 0.95, 2),
    Column("y_m", "y, m", 0.95, 2),
    Column("", "made", 0.65, to_fill=True),
    Column("", "photo", 0.65, to_fill=True),
)


def joint_table(plan: Plan) -> Table:
    """Joints by circuit, in the order in which the current reaches them as the plan lists them."""
    cables = {cable.id: cable for cable in plan.cables}
    sizes = {name: used.size for name, used in plan.cables_used.items()}

    def with_size(piece: str) -> str:
        cable = cables[piece]
        return f"{piece} ({sizes.get(cable.cable, cable.cable)})"

    def row(joint: JointPlan) -> tuple[str | float | int | None, ...]:
        into = [with_size(piece) for piece in joint.cables if cables[piece].to == joint.id]
        passing = {cables[piece].run for piece in joint.cables if cables[piece].to == joint.id} - {None}
        out = [
            with_size(piece) + (" uncut" if cables[piece].run in passing else "")
            for piece in joint.cables
            if cables[piece].to != joint.id
        ]
        what = "post" if joint.post is not None else "hub" if joint.hub else "joint"
        kit = f"terminals of {isolated(joint.post)}" if joint.post is not None else joint.kit or ""
        leads = ", ".join(map(isolated, joint.leads))
        return (joint.circuit, joint.id, what, joint.ways, ", ".join(into), ", ".join(out), leads, kit,
                joint.x, joint.y, None, None)  # fmt: skip

    parts = []
    for circuit in plan.circuits:
        rows = tuple(row(joint) for joint in plan.joints if joint.circuit == circuit.id)
        if rows:
            parts.append(Part(f"Circuit {circuit.id} from {circuit.driver}: {counted(len(rows), 'joint')}", rows))
    extended = [lamp for lamp in plan.lamps if lamp.extension_m > 0]
    after = [
        "A hub is a joint where the circuit branches. Put each joint where it can be reached again; photograph it, "
        "with its number, before it is closed and once more before the trench is filled.",
        "A bad joint heats without opening any fuse. Only measuring finds it.",
    ]
    if any(cable.run is not None for cable in plan.cables):
        after.insert(
            0,
            "Uncut: the cable in goes on through the joint as this piece. Do not cut it there; bare it and tap it, as "
            "the maker of the kit says.",
        )
    if extended:
        names = listed(f"{isolated(lamp.id)} by {lamp.extension_m:.2f} m" for lamp in extended)
        after.insert(0, f"Leads to extend, each with a joint of two ways more: {names}.")
    return Table("joint_list", "Joint list", COLUMNS, tuple(parts), after=tuple(after), wide=True)
