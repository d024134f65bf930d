"""A job too far from its only supply point: what is said names the lamp and the way."""

from __future__ import annotations

from pathlib import Path

import pytest

from optimiser.ground import build_ground
from optimiser.job_folder import open_job
from optimiser.search.obstacles import find_obstacles


def test_the_farthest_lamp_is_named_with_its_way(cases: Path, tmp_path: Path) -> None:
    for name in ("job.toml", "survey.csv"):
        (tmp_path / name).write_bytes((cases / "terrace" / name).read_bytes())
    rows = (tmp_path / "survey.csv").read_text().splitlines()
    moved = [
        "S1,supply,,100,100" + ",".join([""] * (row.count(",") - 3)) if row.startswith("S1,") else row for row in rows
    ]
    (tmp_path / "survey.csv").write_text("\n".join(moved) + "\n")
    folder = open_job(tmp_path)
    ground = build_ground(folder.job, folder.survey)
    (obstacle,), proven = find_obstacles(folder.job, folder.survey, ground, None, frozenset())
    assert not proven
    assert "some limit broke each time" in obstacle.what
    far = max(folder.survey.lamps, key=lambda lamp: (lamp.place[0] - 100) ** 2 + (lamp.place[1] - 100) ** 2)
    way_m = ((far.place[0] - 100) ** 2 + (far.place[1] - 100) ** 2) ** 0.5
    assert f"supply point is {far.name}: " in obstacle.detail
    assert way_m - 2 < float(obstacle.detail.split(f"{far.name}: ")[1].split(" m")[0]) < way_m + 15


@pytest.mark.parametrize(("drop", "said"), [(10, ["a greater voltage.max_drop, which is 10 %"]), ("off", [])])
def test_a_limit_of_drop_is_among_what_may_be_loosened(cases: Path, drop: object, said: list[str]) -> None:
    """Whoever asked for a small drop must be told that this may be the reason."""
    folder = open_job(cases / "terrace", {"voltage.max_drop": drop})
    ground = build_ground(folder.job, folder.survey)
    (obstacle,), _ = find_obstacles(folder.job, folder.survey, ground, None, frozenset())
    assert [mend for mend in obstacle.mends if "max_drop" in mend] == said
