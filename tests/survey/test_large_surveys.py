"""Surveys of thousands of points, good and bad: answered without work that grows with the square of their number."""

from __future__ import annotations

import json
import math
import random
from typing import Any

import pytest
from small_job import JOB, job

from optimiser.job import Dxf, Measuring
from optimiser.problems import BadInput
from optimiser.survey import read_survey, reduce_file
from optimiser.survey import zones as zones_module
from optimiser.survey.lines import Heights
from optimiser.survey.readers import MOST_BYTES, read_rows

N = 4000
HEAD = "point,kind,of,x,y,from1,dist1,from2,dist2,side\n"


def complaint(data: bytes, name: str = "survey.csv") -> list[str]:
    with pytest.raises(BadInput) as caught:
        read_survey(data, name, job(JOB))
    return [str(problem) for problem in caught.value.problems]


@pytest.mark.parametrize("name", ["survey.csv", "survey.xlsx", "survey.geojson", "survey.dxf"])
def test_a_huge_file_is_refused_by_its_size(name: str) -> None:
    assert complaint(b"x" * (MOST_BYTES + 1), name) == [
        f"{name}: is larger than 32 MB\n    mend: keep the points of one site, and nothing else, in it"
    ]


def test_more_rows_than_any_site_has_are_refused() -> None:
    text = "point,kind,of,x,y\n" + "L,lamp,spike,1,1\n" * 200_001
    with pytest.raises(BadInput, match="has more than 200000 rows"):
        read_rows(text.encode(), "survey.csv", Dxf())


def test_thousands_of_points_in_a_circle_are_told_once() -> None:
    """Each lamp taped from the next two; the first thirty are explained, the others counted, none said to have no x."""
    rows = "".join(f"L{i},lamp,spike,,,L{(i + 1) % N},3,L{(i + 2) % N},4,\n" for i in range(N))
    said = complaint((HEAD + "S1,supply,,0,0,,,,,\n" + rows).encode())
    assert len(said) == 31
    assert f"and {N - 30} more points from here on hang on each other" in said[-1]


def test_a_group_too_large_for_its_cofactors_is_adjusted_all_the_same() -> None:
    """2,000 points in a row, each taped from the two before: places, no errors, and no claim on misfits."""
    row = [f"L{i},lamp,spike,,,L{i - 1},1,L{i - 2},1,{'left' if i % 2 else 'right'}\n" for i in range(2, 2000)]
    text = HEAD + "L0,peg,,0,0,,,,,\nL1,peg,,1,0,,,,,\n" + "".join(row)
    result = reduce_file(text.encode(), "survey.csv", Measuring(), Dxf())
    assert not result.problems and result.num_redundant == 0
    assert math.isnan(result.placed[1999].error_m) and math.isnan(result.s0)
    x, y = (float(result.table.rows[1999][column]) for column in "xy")
    assert math.hypot(x, y) == pytest.approx(1000, abs=1), "the triangles of side 1 advance by half a metre each"


def test_a_long_ring_that_crosses_itself_late(monkeypatch: pytest.MonkeyPatch) -> None:
    """Only sides whose boxes meet are looked at, so few of the eight million pairs."""
    looked = 0
    meeting = zones_module._meeting

    def counted(*args: Any) -> Any:
        nonlocal looked
        looked += 1
        return meeting(*args)

    monkeypatch.setattr(zones_module, "_meeting", counted)
    turns = [i * 2 * math.pi / N for i in range(N)]
    turns[-2], turns[-3] = turns[-3], turns[-2]
    rows = "".join(f",corner,bed,{200 + 190 * math.cos(t):.3f},{200 + 190 * math.sin(t):.3f}\n" for t in turns)
    text = "point,kind,of,x,y\nS1,supply,,0,0\nL1,lamp,spike,1,1\n" + rows
    [said] = complaint(text.encode())
    assert "found zone 'bed' crossing itself at " in said
    assert looked < 3 * N


def test_the_nearest_height_is_the_same_with_and_without_a_tree() -> None:
    rng = random.Random(4)
    few = {(round(rng.uniform(0, 9), 1), round(rng.uniform(0, 9), 1)): rng.random() for _ in range(400)}
    many = Heights(few | {(1000.0 + k, 0.0): 0.0 for k in range(600)})
    for _ in range(200):
        x, y = round(rng.uniform(0, 9), 1), round(rng.uniform(0, 9), 2)
        assert many.nearest(x, y) == Heights(few).nearest(x, y)


def test_thousands_of_features_are_read() -> None:
    def point(k: int, **properties: Any) -> dict[str, Any]:
        position = [8.5 + k % 70 * 1e-5, 47 + k // 70 * 1e-5]
        geometry = {"type": "Point", "coordinates": position}
        return {"type": "Feature", "geometry": geometry, "properties": {"accuracy_m": 0.01, **properties}}

    features = [point(k, kind="lamp", of="spike", name=f"L{k}") for k in range(N)]
    data = {"type": "FeatureCollection", "features": [*features, point(N, kind="supply", name="S1")]}
    survey = read_survey(json.dumps(data).encode(), "site.geojson", job(JOB))
    assert len(survey.lamps) == N and len(survey.notes) < 10
