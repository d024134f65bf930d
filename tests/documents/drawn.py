"""Drawings of the sample plans for tests that only look at them: each is made once, whoever asks for it first.

A sample is named by the function that makes it.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import cache

from optimiser.documents.drawing import draw_plan, lay_out
from optimiser.documents.map_view import MapView
from optimiser.plan.model import Plan


@cache
def laid(sample: Callable[[], Plan]) -> MapView:
    """Where everything on the map is; not to be changed."""
    return lay_out(sample())[0]


@cache
def drawn(sample: Callable[[], Plan]) -> str:
    """The SVG."""
    return draw_plan(sample())
