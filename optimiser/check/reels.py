"""The cut list and the reels to buy. In: Index. Out: cases. That no fewer reels would do is not judged."""

from __future__ import annotations

import math
from collections import Counter, defaultdict

from .index import Index
from .limits import CENT, PLACE_M
from .report import Book


def judge_reels(index: Index, book: Book) -> None:
    plan, job = index.plan, index.job
    lengths: dict[str, float] = defaultdict(float)
    cable_of: dict[str, str] = {}
    for cable in plan.cables:
        # Pieces of a run are cut as one.
        name = f"run {cable.run}" if cable.run is not None else cable.id
        lengths[name] += cable.cut_m
        cable_of[name] = cable.cable
    for name, length_m in lengths.items():
        longest_m = job.cables[cable_of[name]].longest_reel_m
        book.at_most("longest cut", name, "cut", length_m, longest_m, "m", 1e-6)

    counts = Counter(piece for cut in plan.cuts for piece in cut.pieces)
    for cable in plan.cables:
        times = counts[cable.id]
        text = f"{cable.id} is cut {times} times, not once"
        book.claim("cut list", cable.id, times == 1, text, value=times, allowed=1)
    for name in counts.keys() - index.cables.keys():
        book.claim("cut list", name, False, f"the cut list holds {name}, which is no cable of the plan")
    reel_of: dict[str, set[int]] = defaultdict(set)
    for number, cut in enumerate(plan.cuts, start=1):
        where = f"reel {number}"
        model = job.cables[cut.cable]
        ok = any(math.isclose(cut.reel_m, length_m, abs_tol=1e-6) for length_m in model.reels_m)
        book.claim("cut list", where, ok, f"{where}: {cut.cable} is not sold on reels of {cut.reel_m:g} m")
        book.claim("cut list", where, bool(cut.pieces), f"{where}: nothing is cut from it")
        used_m = 0.0
        for piece in cut.pieces:
            known = index.cables.get(piece)
            if known is None:
                continue
            used_m += known.cut_m
            text = f"{where}: {piece} is of {known.cable}, the reel of {cut.cable}"
            book.claim("cut list", piece, known.cable == cut.cable, text)
            if known.run is not None:
                reel_of[known.run].add(number)
        book.at_most("cut list", where, "pieces", used_m, cut.reel_m, "m", 1e-6)
        book.same("cut list", where, "left_m", cut.left_m, cut.reel_m - used_m, "m", PLACE_M)
    for run, reels in reel_of.items():
        book.claim(
            "cut list", f"run {run}", len(reels) == 1, f"run {run} is one length, but lies on {len(reels)} reels"
        )
    _judge_purchase(index, book)


def _judge_purchase(index: Index, book: Book) -> None:
    plan = index.plan
    needed = Counter((cut.cable, round(cut.reel_m, 3)) for cut in plan.cuts)
    bought: Counter[tuple[str, float]] = Counter()
    for reel in plan.reels:
        key = (reel.cable, round(reel.reel_m, 3))
        bought[key] += reel.count
        model = index.job.cables[reel.cable]
        prices = model.reel_prices or tuple(length_m * model.price_per_m for length_m in model.reels_m)
        unit = [
            price
            for length_m, price in zip(model.reels_m, prices, strict=True)
            if math.isclose(length_m, reel.reel_m, abs_tol=1e-6)
        ]
        where = f"reels of {reel.cable}"
        if book.claim("reels", where, bool(unit), f"{where}: none of {reel.reel_m:g} m is sold"):
            book.same("reels", where, "price", reel.price, reel.count * min(unit), "", CENT * max(1, reel.count))
    for key in needed.keys() | bought.keys():
        where = f"reels of {key[0]}"
        text = f"{where}: {bought[key]} of {key[1]:g} m to buy, the cut list uses {needed[key]}"
        book.claim("reels", where, needed[key] == bought[key], text, value=bought[key], allowed=needed[key])
