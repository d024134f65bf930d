"""Labels for the ends of the cables, to print. In: Plan. Out: Pages of A4, 21 labels each.

Two labels a piece, one beside the other, in the order of the cut list: the next label is that of the next cut. The
grid is that of label sheets with 3 x 7 labels of 63.5 x 38.1 mm, which are sold everywhere (common practice, no
source); plain paper and tape do as well.
"""

from __future__ import annotations

from collections.abc import Sequence

from ..plan.model import CablePlan, Plan
from .canvas import A4, FAINT, Page, Rect, Words
from .svg import wrap
from .words import number

ACROSS, DOWN = 3, 7
LABEL_W, LABEL_H = 63.5, 38.1
_LEFT, _TOP, _PITCH = 7.2, 15.15, 66.0
_INSIDE = 3.0


def label_pages(plan: Plan, date: str, digest: str, caution: str) -> list[Page]:
    """Sheets of labels: the piece, this end, the other end, circuit, size, length, reel and number of the cut."""
    cuts = [(piece, reel, cut) for reel, one in enumerate(plan.cuts, 1) for cut, piece in enumerate(one.pieces, 1)]
    cables = {cable.id: cable for cable in plan.cables}
    labels = [(cables[piece], reel, cut, end) for piece, reel, cut in cuts for end in ("from", "to")]
    per_page = ACROSS * DOWN
    pages: list[Page] = []
    count = max(1, -(-len(labels) // per_page))
    for start in range(0, max(1, len(labels)), per_page):
        page = Page(*A4, "Cable labels")
        when = f", date {date}" if date else ""
        head = f"Cable labels {len(pages) + 1} of {count}, plan {digest}{when}: {plan.job.title}"
        shown = labels[start : start + per_page]
        page.add(Words(_LEFT, 7.5, head, 2.8, bold=True, room=A4[0] - 2 * _LEFT))
        page.add(Words(_LEFT, 12.0, _which(shown), 2.8, room=A4[0] - 2 * _LEFT))
        for i, line in enumerate(wrap(caution, A4[0] - 2 * _LEFT - 6, 2.1)):
            page.add(Words(_LEFT, A4[1] - 11.5 + 2.7 * i, line, 2.1))
        for slot, (cable, reel, cut, end) in enumerate(shown):
            x = _LEFT + _PITCH * (slot % ACROSS)
            y = _TOP + LABEL_H * (slot // ACROSS)
            _draw_label(page, plan, cable, f"reel {reel}, cut {cut}", end, x, y)
        if not labels:
            page.add(Words(_LEFT, _TOP + 6, "No cable is cut for this plan.", 3.0))
        pages.append(page)
    return pages


def _which(labels: Sequence[tuple[CablePlan, int, int, str]]) -> str:
    """Which cuts of which reels a sheet has labels for."""
    cuts: dict[int, list[int]] = {}
    for _, reel, cut, _ in labels:
        cuts.setdefault(reel, []).append(cut)
    spans = [
        f"reel {reel}, " + (f"cuts {found[0]} to {found[-1]}" if found[0] < found[-1] else f"cut {found[0]}")
        for reel, found in cuts.items()
    ]
    return f"In the order of the cut list: {'; '.join(spans)}." if spans else ""


def _draw_label(page: Page, plan: Plan, cable: CablePlan, cut: str, end: str, x: float, y: float) -> None:
    here, there = (cable.from_, cable.to) if end == "from" else (cable.to, cable.from_)
    used = plan.cables_used.get(cable.cable)
    size = used.size if used else cable.cable
    room = LABEL_W - 2 * _INSIDE
    left, right = x + _INSIDE, x + LABEL_W - _INSIDE
    page.add(Rect(x, y, LABEL_W, LABEL_H, None, FAINT, 0.1))
    page.add(Words(left, y + 9.0, cable.id, 6.5, bold=True, room=room * 0.55))
    page.add(Words(right, y + 9.0, f"circuit {cable.circuit}", 3.4, anchor="end", room=room * 0.43))
    page.add(Words(left, y + 17.0, f"this end: {here}", 4.4, bold=True, room=room))
    page.add(Words(left, y + 23.0, f"other end: {there}", 3.6, room=room))
    page.add(Words(left, y + 29.0, f"{size}, {number(cable.cut_m, 1)} m", 3.6, room=room * 0.56))
    page.add(Words(right, y + 29.0, cut, 3.0, anchor="end", room=room * 0.42))
    run = f"; uncut run {cable.run}" if cable.run is not None else ""
    page.add(Words(left, y + 34.0, f"{cable.cable}{run}", 2.7, room=room))
