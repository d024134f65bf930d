"""No label on another: the promise of the layout, on real sheets and on heaps of labels."""

from __future__ import annotations

import math
from collections.abc import Callable
from itertools import combinations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from optimiser.documents import labels
from optimiser.documents.drawing import lay_out
from optimiser.documents.labels import Ink, Label, Placed, place_labels
from optimiser.documents.map_view import view_map
from optimiser.documents.sheet import Box, possible_sheets
from optimiser.plan.model import Plan
from tests.documents.drawn import laid
from tests.documents.sample import courtyard, many_circuits, one_lamp, park, with_names


def overlapping(placed: list[Placed]) -> list[tuple[str, str]]:
    return [
        (a.label.key, b.label.key)
        for a, b in combinations(placed, 2)
        if a.box.left < b.box.right
        and b.box.left < a.box.right
        and a.box.top < b.box.bottom
        and b.box.top < a.box.bottom
    ]


def assert_apart_and_inside(placed: list[Placed], area: Box) -> None:
    assert overlapping(placed) == []
    for label in placed:
        assert area.left <= label.box.left <= label.box.right <= area.right + 1e-9
        assert area.top <= label.box.top <= label.box.bottom <= area.bottom + 1e-9


@pytest.mark.parametrize("sample", [courtyard, park, many_circuits, one_lamp])
def test_labels_of_a_sheet_are_apart_and_none_is_left_out(sample: Callable[[], Plan]) -> None:
    plan, view = sample(), laid(sample)
    assert_apart_and_inside(view.placed, view.sheet.map)
    assert view.left_out == []
    keys = {placed.label.key for placed in view.placed}
    assert keys >= {f"lamp {lamp.id}" for lamp in plan.lamps}
    assert keys >= {f"joint {joint.id}" for joint in plan.joints if joint.post is None}
    assert keys >= {f"cable {cable.id}" for cable in plan.cables}
    assert keys >= {f"drivers {driver.supply}" for driver in plan.drivers}


def test_labels_of_long_names_are_apart() -> None:
    view, _ = lay_out(with_names(courtyard(), lambda name: name + " by the long wall behind the old stone oven"))
    assert_apart_and_inside(view.placed, view.sheet.map)


def test_labels_stand_near_what_they_name() -> None:
    """On a sheet with room nothing needs a leader, and every lamp's volts stand within 8 mm of the lamp."""
    view = laid(courtyard)
    for placed in view.placed:
        if placed.label.key.startswith("lamp"):
            x = min(max(placed.anchor[0], placed.box.left), placed.box.right)
            y = min(max(placed.anchor[1], placed.box.top), placed.box.bottom)
            assert (x - placed.anchor[0]) ** 2 + (y - placed.anchor[1]) ** 2 <= 8.0**2


spots = st.tuples(st.floats(0, 80), st.floats(0, 60))
sizes = st.tuples(st.floats(1, 20), st.floats(1, 6))


@settings(max_examples=30, deadline=None)
@given(st.lists(st.tuples(spots, sizes), max_size=25))
def test_any_heap_of_labels_is_spread_or_left_out(
    things: list[tuple[tuple[float, float], tuple[float, float]]],
) -> None:
    area = Box(-5, -5, 90, 70)
    heap = [Label(f"n{i}", *size, (at,), 1.0, i % 3) for i, (at, size) in enumerate(things)]
    placed, left_out = place_labels(heap, Ink(area))
    assert_apart_and_inside(placed, area)
    assert len(placed) + len(left_out) == len(heap)
    assert place_labels(heap, Ink(area)) == (placed, left_out)


def test_a_full_sheet_says_what_it_leaves_out() -> None:
    """A check that can fail: ten labels of 40 mm² cannot all stand on 100 mm²."""
    heap = [Label(f"n{i}", 8, 5, ((5.0, 5.0),), 0.0, 0) for i in range(10)]
    placed, left_out = place_labels(heap, Ink(Box(0, 0, 10, 10)))
    assert_apart_and_inside(placed, Box(0, 0, 10, 10))
    assert left_out
    assert len(placed) + len(left_out) == 10


def test_labels_keep_off_ink() -> None:
    ink = Ink(Box(0, 0, 60, 40))
    ink.line([(0, 20), (60, 20)], 1.0)
    placed, _ = place_labels([Label("n", 10, 3, ((30.0, 20.0),), 0.5, 0)], ink)
    assert placed[0].box.bottom < 20 or placed[0].box.top > 20


def test_what_is_nearer_than_labels_may_be_is_found_wherever_on_the_sheet() -> None:
    """Also from one of the squares by which labels were once looked up, 16 mm wide, into the next."""
    for begin in (13.1, 16.05, 20.0, 32.1):
        taken = labels._Taken(2)
        stands = np.array([begin, 5.0, begin + 10, 8.0])
        taken.put(0, labels._Fan(stands[None], np.zeros(1), stands[None, :2], np.zeros(1, dtype=bool)), 0)
        for gap, found in ((0.1, [0]), (0.34, [0]), (0.36, [])):
            box = np.array([begin - gap - 10, 5.0, begin - gap, 8.0])
            assert taken.overlapping(box, but=1) == found
            assert len(list(labels._free(box[None], taken, 1))) == (not found)
        taken.clear(0)
        assert taken.overlapping(stands, but=1) == []


def test_a_label_without_a_place_pushes_another_aside() -> None:
    """The short label first stands in the middle, and neither end then has room for the long one."""
    area = Box(0, 0, 36, 4)
    short = Label("short", 10, 3, ((18.0, 2.0),), 0.0, 0, over=True)
    long = Label("long", 14, 3, ((9.0, 2.0), (27.0, 2.0)), 0.0, 1, over=True)
    placed, left_out = place_labels([short, long], Ink(area))
    assert not left_out
    assert_apart_and_inside(placed, area)


def test_labels_pushed_aside_stand_better(monkeypatch: pytest.MonkeyPatch) -> None:
    """On a crowded sheet the leaders are shorter in all."""

    def leaders_mm() -> float:
        view = view_map(park(), possible_sheets(park())[0])
        return sum(math.dist(*placed.leader) for placed in view.placed if placed.leader)

    pushed = leaders_mm()
    monkeypatch.setattr(labels, "_push", lambda *_: None)
    assert pushed < 0.9 * leaders_mm()
