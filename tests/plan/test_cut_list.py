"""The cut list against a published cutting-stock instance and against exhaustive search."""

from __future__ import annotations

import importlib
import itertools
import math
import signal
import threading
from collections import Counter
from collections.abc import Iterator, Sequence

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from optimiser.plan.cut_list import Packing, pack_cuts

Piece = tuple[str, float]
Reel = tuple[float, float]


def assert_cuts_hold(packing: Packing, pieces: Sequence[Piece], reels: Sequence[Reel]) -> None:
    """Every piece once, nothing cut beyond a reel's end, sums right."""
    assert Counter(name for reel in packing.reels for name in reel.pieces) == Counter(name for name, _ in pieces)
    length_m = dict(pieces)
    for reel in packing.reels:
        assert any(math.isclose(reel.reel_m, offered_m) for offered_m, _ in reels)
        cut_m = sum(math.ceil(length_m[name] * 10 - 1e-6) for name in reel.pieces) / 10
        assert reel.left_m == pytest.approx(reel.reel_m - cut_m, abs=1e-9)
        assert reel.left_m >= 0
    assert packing.price == pytest.approx(sum(reel.price for reel in packing.reels))
    assert packing.bound <= packing.price
    assert packing.proven == (packing.bound == packing.price)


def partitions(items: list[int]) -> Iterator[list[list[int]]]:
    if not items:
        yield []
        return
    first, rest = items[0], items[1:]
    for partition in partitions(rest):
        for i, block in enumerate(partition):
            yield [*partition[:i], [first, *block], *partition[i + 1 :]]
        yield [[first], *partition]


def exhaustive(pieces: Sequence[Piece], reels: Sequence[Reel]) -> tuple[float, int, float]:
    """Least price, number, metres over all ways to group the pieces and all reels for each group."""
    sizes = [round(length_m * 10) for _, length_m in pieces]
    best = (math.inf, 0, math.inf)
    for partition in partitions(list(range(len(sizes)))):
        choices = [
            [(price, length_m) for length_m, price in reels if round(length_m * 10) >= sum(sizes[i] for i in block)]
            for block in partition
        ]
        for chosen in itertools.product(*choices):
            key = (round(sum(p for p, _ in chosen), 6), len(chosen), round(sum(m for _, m in chosen), 6))
            best = min(best, key)
    return best


def test_published_instance_takes_73_rolls() -> None:
    """
    Stock 5600 mm, 219 pieces of 13 widths; the published optimum is 73 rolls with 0.401 % waste.

    Source: the example of Wikipedia's article "Cutting stock problem"
    (a copy: hitchhikersgui.de/Cutting_stock_problem).
    Ten millimetres there are one metre here: lengths count in decimetres.
    """
    widths = [1380, 1520, 1560, 1710, 1820, 1880, 1930, 2000, 2050, 2100, 2140, 2150, 2200]
    counts = [22, 25, 12, 14, 18, 18, 20, 10, 12, 14, 16, 18, 20]
    pieces = [(f"{w}.{i}", w / 10) for w, n in zip(widths, counts, strict=True) for i in range(n)]
    assert len(pieces) == 219
    packing = pack_cuts(pieces, [(560.0, 1.0)])
    assert_cuts_hold(packing, pieces, [(560.0, 1.0)])
    assert len(packing.reels) == 73
    assert packing.proven
    waste = sum(reel.left_m for reel in packing.reels) / (73 * 560.0)
    assert waste == pytest.approx(0.00401, abs=5e-6)


lengths = st.integers(min_value=1, max_value=60).map(lambda dm: dm / 10)


@settings(max_examples=60, deadline=None)
@given(
    st.lists(lengths, min_size=1, max_size=6),
    st.lists(st.tuples(st.integers(10, 60), st.integers(0, 40)), min_size=1, max_size=3),
)
def test_tiny_jobs_match_exhaustive_search(cuts: list[float], offered: list[tuple[int, int]]) -> None:
    reels = [(dm / 10, price / 4) for dm, price in offered] + [(6.0, 20.0)]
    pieces = [(f"K{i:02d}", length_m) for i, length_m in enumerate(cuts)]
    packing = pack_cuts(pieces, reels)
    assert_cuts_hold(packing, pieces, reels)
    found = (packing.price, len(packing.reels), sum(reel.reel_m for reel in packing.reels))
    assert found == pytest.approx(exhaustive(pieces, reels))
    assert packing.proven


@settings(max_examples=25, deadline=None)
@given(st.lists(lengths, min_size=1, max_size=7), st.sampled_from([0.0, 1.0]))
def test_a_bound_is_never_above_the_optimum(cuts: list[float], effort: float) -> None:
    reels = [(6.0, 5.0), (9.0, 7.2), (13.0, 10.1)]
    pieces = [(f"K{i:02d}", length_m) for i, length_m in enumerate(cuts)]
    packing = pack_cuts(pieces, reels, effort=effort)
    assert_cuts_hold(packing, pieces, reels)
    best = exhaustive(pieces, reels)[0]
    assert packing.bound <= best + 1e-9
    assert packing.price >= best - 1e-9


def test_a_purchase_too_small_in_metres_alone_is_not_taken() -> None:
    """Three pieces of 30 m hold 90 m, yet no two of them come from 50 m, and a hundred holds three."""
    pieces = [("a", 30.0), ("b", 30.0), ("c", 30.0)]
    assert [reel.reel_m for reel in pack_cuts(pieces, [(50.0, 40.0)]).reels] == [50.0, 50.0, 50.0]
    assert [reel.reel_m for reel in pack_cuts(pieces, [(50.0, 40.0), (100.0, 110.0)]).reels] == [100.0]


def test_ties_take_fewer_reels_then_fewer_metres() -> None:
    packing = pack_cuts([("a", 30.0), ("b", 10.0)], [(20.0, 10.0), (30.0, 15.0), (40.0, 25.0), (50.0, 25.0)])
    assert [(reel.reel_m, reel.pieces) for reel in packing.reels] == [(40.0, ("a", "b"))]


def test_same_answer_every_time_and_hard_jobs_say_what_they_are() -> None:
    """A tight job of three reel lengths: whatever is found, the bound stands below it and nothing is claimed."""
    pieces = [(f"K{i:02d}", 15.0 + (i * 7919 % 331) / 10) for i in range(40)]
    reels = [(25.0, 22.0), (50.0, 40.0), (100.0, 70.5)]
    first = pack_cuts(pieces, reels, effort=0.3)
    assert_cuts_hold(first, pieces, reels)
    assert pack_cuts(pieces, reels, effort=0.3) == first


def test_no_pieces_need_no_reels() -> None:
    assert pack_cuts([], [(50.0, 40.0)]) == Packing((), 0.0, 0.0, True)


@pytest.mark.parametrize(
    ("pieces", "reels", "says"),
    [
        ([("K01", 100.1)], [(50.0, 1.0), (100.0, 2.0)], "K01 of 100.1 m is longer than the longest reel, 100.0 m"),
        ([("K01", 0.0)], [(50.0, 1.0)], "piece K01 has a length of 0.0 m"),
        ([("K01", math.nan)], [(50.0, 1.0)], "piece K01 has a length of nan m"),
        ([("K01", 5.0)], [], "no reels"),
        ([("K01", 5.0)], [(50.0, -1.0)], "cannot be used"),
        ([("K01", 5.0)], [(math.inf, 1.0)], "cannot be used"),
    ],
)
def test_what_cannot_be_cut_is_refused(pieces: list[Piece], reels: list[Reel], says: str) -> None:
    with pytest.raises(ValueError, match=says):
        pack_cuts(pieces, reels)


def test_interrupt_during_a_solve_is_passed_on_and_python_keeps_its_handler() -> None:
    """CP-SAT by itself swallows Ctrl-C and leaves SIGINT at the system's default; here neither happens."""
    pieces = [(f"K{i:03d}", 15.0 + (i * 7919 % 331) / 10) for i in range(150)]
    importlib.import_module("ortools.sat.python.cp_model")  # so that the signal comes during the solve
    before = signal.signal(signal.SIGINT, signal.default_int_handler)  # a shell's background jobs ignore it
    try:
        timer = threading.Timer(0.7, signal.raise_signal, [signal.SIGINT])
        timer.start()
        with pytest.raises(KeyboardInterrupt):
            pack_cuts(pieces, [(25.0, 22.0), (50.0, 40.0), (100.0, 70.5)], effort=50.0)
        timer.join()
        assert signal.getsignal(signal.SIGINT) is signal.default_int_handler
        with pytest.raises(KeyboardInterrupt):
            signal.raise_signal(signal.SIGINT)
    finally:
        signal.signal(signal.SIGINT, before)
