"""Where the public instances lie. In: the environment. Out: a folder, or a reason why not."""

from __future__ import annotations

import csv
import os
import re
from pathlib import Path

import numpy as np

WHY_NOT = (
    "public instances not found: set LAMPSPUR_INSTANCES to their folder "
    "(default ../shared/benchmarks beside the project)"
)


def folder() -> Path | None:
    """Folder of the public instances, or None where there is none."""
    root = Path(__file__).resolve().parents[2]
    path = Path(os.environ.get("LAMPSPUR_INSTANCES", root.parent / "shared" / "benchmarks"))
    return path if path.is_dir() else None


def is_estimated(size: int) -> bool:
    """Whether optima of the problems with so many points are not published one by one."""
    return size >= 250


def _estimates(path: Path, size: int) -> dict[str, float]:
    """Length of each problem's optimum, from a published heuristic's and both means over all problems."""
    with (path / "published_geosteiner_means.csv").open(encoding="utf-8") as file:
        mean = next(row for row in csv.DictReader(file) if int(row["n"]) == size)
    less = float(mean["mean_rho_GeoSteiner_exact"]) / float(mean["mean_rho_DB"])
    with (path / "published_heuristics.csv").open(encoding="utf-8") as file:
        return {
            row["name"]: less * float(row["smt_DB_heuristic"])
            for row in csv.DictReader(file)
            if row["smt_DB_heuristic"]
        }


def euclidean(size: int) -> list[tuple[str, np.ndarray, float | None, float]]:
    """(name, points, Steiner optimum or None, spanning tree) of the problems with so many points.

    Where no optimum is published for a problem, but a heuristic's length is, and for all problems of this size the
    mean shares of the spanning tree that both come to: the heuristic's length less its mean excess (``is_estimated``).
    """
    path = folder()
    assert path is not None, WHY_NOT
    table = (path / "estein" / "optima.csv").read_text(encoding="utf-8").splitlines()
    values = {row["name"]: row for row in csv.DictReader(table)}
    lengths = _estimates(path / "estein", size) if is_estimated(size) else {}
    text = (path / "estein" / f"estein{size}.stp").read_text()
    problems = []
    for block in text.split("33D32945")[1:]:
        name = re.search(r'Name\s+"([^"]+)"', block)
        assert name is not None
        points = np.array([[float(x), float(y)] for x, y in re.findall(r"^DD \d+ (\S+) (\S+)", block, re.M)])
        row = values[name[1]]
        optimum = float(row["smt_euclid_opt"]) if row["smt_euclid_opt"] else lengths.get(name[1])
        problems.append((name[1], points, optimum, float(row["mst_euclid_computed"])))
    return problems
