"""The optima that are kept are those of the enumerations as they are now, and a wrong one would be found."""

from __future__ import annotations

from typing import Any

import pytest

from tests.search import known_optima
from tests.search.known_optima import AGAIN, CIRCUITS, GRAPHS, LAYOUTS, Kind, wanted


def test_every_optimum_that_the_tests_ask_for_is_kept_and_of_todays_enumeration() -> None:
    for kind, seeds in wanted():
        lost = [seed for seed in seeds if kind.kept(seed) is None]
        assert not lost, f"{kind.name}: run python -m tests.search.known_optima"
        assert len(seeds) >= 200
        assert sum(seed % AGAIN == 0 for seed in seeds) >= 20  # enumerated by the tests that ask for them


@pytest.mark.parametrize(
    ("kind", "seed"), [(GRAPHS, 100), (LAYOUTS, 1000), (CIRCUITS, 10)], ids=["graphs", "layouts", "circuits"]
)
def test_a_kept_optimum_that_is_wrong_is_found(kind: Kind, seed: int, monkeypatch: pytest.MonkeyPatch) -> None:
    kept = kind.kept(seed)
    assert kept is not None and seed % AGAIN == 0
    wrong: dict[str, Any] = {
        kind.name: {"code": kind.code, "optima": {str(seed): [known_optima.digest(kind.given(seed)), *kept[1:], 0.5]}}
    }
    monkeypatch.setattr(known_optima, "_file", lambda: wrong)
    with pytest.raises(AssertionError, match="was kept"):
        kind.optima(seed)


def test_other_numbers_or_another_enumeration_are_enumerated_anew(monkeypatch: pytest.MonkeyPatch) -> None:
    seed = 11
    kept = CIRCUITS.kept(seed)
    assert kept is not None
    for code, given in ((CIRCUITS.code, "other"), ("other", known_optima.digest(CIRCUITS.given(seed)))):
        other = {"circuits": {"code": code, "optima": {str(seed): [given, 1.0, 1.0]}}}
        monkeypatch.setattr(known_optima, "_file", lambda other=other: other)
        assert known_optima.same(CIRCUITS.optima(seed), kept)
