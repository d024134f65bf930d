"""A search of one round, for tests that need plans which hold and are the same each time, and no better ones.

At little effort most of a search's time goes into its rounds of refining, however few steps each has. Other tests hold
whole searches to what they promise; never ask for a shared plan (``case_plans.py``) while this is on.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace

import pytest

from optimiser.search import find


@contextmanager
def brief_search() -> Iterator[None]:
    """In this process alone: tasks that others do refine as often as ever."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(find, "FEW_ROUNDS", (replace(find.FEW_ROUNDS[0], keep=2),))
        yield
