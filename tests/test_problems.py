"""Problems stay apart on their way between processes."""

from __future__ import annotations

import pickle

from optimiser.problems import BadInput, Problem


def test_bad_input_survives_the_way_between_processes() -> None:
    error = BadInput([Problem("survey.csv", 3, "x", "found 'a', which is not a number", "write a number")] * 2)
    sent = pickle.loads(pickle.dumps(error))
    assert sent.problems == error.problems
    assert str(sent) == str(error)
