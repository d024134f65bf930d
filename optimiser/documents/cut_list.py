"""The cut list as a table for spreadsheets. In: Plan. Out: text of ``cut_list.csv``.

UTF-8 with a byte-order mark, because spreadsheets otherwise read names in other scripts wrongly; commas between cells,
points in decimals, lines ended as RFC 4180 asks. Two tables with the same number of columns: first the pieces in the
order in which they are cut, then the reels to buy. A name that a spreadsheet would take for a formula is written with
an apostrophe before it.
"""

from __future__ import annotations

import csv
import io

from ..plan.model import Plan
from .tables import safe
from .words import INVENTED

PIECES_HEAD = ("reel", "cable", "reel_m", "piece", "from", "to", "cut_m", "left_m", "uncut_with")
REELS_HEAD = ("buy", "cable", "reel_m", "count", "price", "currency", "least_price", "", "")


def cut_list_csv(plan: Plan) -> str:
    """
    One row for each piece in cutting order, then one for each kind of reel to buy.

    ``left_m`` is what remains on the reel after the cut; ``uncut_with`` names the run whose pieces are one length,
    never cut between them. ``least_price`` is ``proven`` or ``best found``.
    """
    cables = {cable.id: cable for cable in plan.cables}
    out = io.StringIO()
    table = csv.writer(out, lineterminator="\r\n")
    table.writerow(PIECES_HEAD)
    for number, reel in enumerate(plan.cuts, 1):
        left_m = reel.reel_m
        for piece in reel.pieces:
            cable = cables[piece]
            left_m -= cable.cut_m
            names = [safe(piece), safe(cable.from_), safe(cable.to)]
            row = [
                number,
                safe(reel.cable),
                _m(reel.reel_m),
                *names,
                _m(cable.cut_m),
                _m(left_m),
                safe(cable.run or ""),
            ]
            table.writerow(row)
    table.writerow([])
    table.writerow(REELS_HEAD)
    for reels in plan.reels:
        proven = "proven" if reels.proven_least else "best found"
        cells = [reels.count, f"{reels.price:.2f}", safe(plan.currency), proven, "", ""]
        table.writerow(["buy", safe(reels.cable), _m(reels.reel_m), *cells])
    if plan.prices_are_invented:
        table.writerow([INVENTED])
    return "\ufeff" + out.getvalue()


def _m(length_m: float) -> str:
    """Whole decimetres; the sum of many may stray by a rounding error, which must not print as -0.0."""
    return f"{round(length_m * 10) / 10 + 0.0:.1f}"
