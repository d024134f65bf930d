"""Optima of tiny jobs as their plain enumerations found them, so that no run need repeat them. In: a seed. Out: prices.

What an enumeration finds hangs on the numbers that it is given and on its own code, not on the program that is held to
it. ``known_optima.json`` keeps what was found beside a digest of both. Where either is another now, and for every
tenth seed, the enumeration is done; what it finds for these must be what is kept (``test_known_optima.py``).

``python -m tests.search.known_optima`` enumerates all anew, in some minutes: after a change of an enumeration or of
what its jobs are drawn from.
"""

from __future__ import annotations

import hashlib
import json
import math
from collections.abc import Callable
from functools import cache
from pathlib import Path
from typing import Any

from tests.search import tiny_circuits, tiny_graphs, tiny_layouts

FILE = Path(__file__).with_suffix(".json")
AGAIN = 10
"""Seeds that this number divides are enumerated in each run."""
NEAR = 1e-6
"""Prices may differ by rounding on another machine."""

Optima = tuple[float, ...]


def digest(text: str) -> str:
    return hashlib.sha256(text.encode()).hexdigest()[:16]


class Kind:
    """One enumeration: the module that holds it, what it is given for a seed, and what it finds."""

    def __init__(self, name: str, module: Any, given: Callable[[int], str], enumerate_it: Callable[[int], Optima]):
        self.name = name
        self.code = digest(Path(module.__file__).read_text(encoding="utf-8"))
        self.given = given
        self.enumerate_it = enumerate_it

    def kept(self, seed: int) -> Optima | None:
        """What the file holds for this seed; None where it is of another code or of other numbers."""
        found = _file().get(self.name, {"code": "", "optima": {}})
        row = found["optima"].get(str(seed))
        if found["code"] != self.code or row is None or row[0] != digest(self.given(seed)):
            return None
        return tuple(math.inf if price is None else price for price in row[1:])

    def optima(self, seed: int) -> Optima:
        kept = self.kept(seed)
        if kept is not None and seed % AGAIN:
            return kept
        found = self.enumerate_it(seed)
        if kept is not None:
            assert same(found, kept), f"{self.name}, seed {seed}: {found} is found and {kept} was kept"
        return found


def same(one: Optima, two: Optima) -> bool:
    return len(one) == len(two) and all(a == b or abs(a - b) <= NEAR for a, b in zip(one, two, strict=True))


@cache
def _file() -> dict[str, Any]:
    found: dict[str, Any] = json.loads(FILE.read_text(encoding="utf-8")) if FILE.exists() else {}
    return found


def _graph_given(seed: int) -> str:
    folder, graph = tiny_graphs.tiny(seed)
    arrays = [
        each.tolist() for each in (graph.ends, graph.length_m, graph.trench_price, graph.supply_node, graph.may_joint)
    ]
    leads = [(arc.lamp, arc.node, arc.length_m, arc.price) for arc in graph.leads]
    return repr((sorted(folder.files.items()), arrays, leads))


def _graph_optima(seed: int) -> Optima:
    folder, graph = tiny_graphs.tiny(seed)
    return tiny_graphs.optimum(folder, graph), tiny_graphs.optimum(folder, graph, tiny_graphs.SPARE_V)


def _circuit_optima(seed: int) -> Optima:
    tiny = tiny_circuits.tiny_circuit(seed)
    return tuple(tiny_circuits.enumerate_circuit(tiny, share=share) for share in (False, True))


GRAPHS = Kind("graphs", tiny_graphs, _graph_given, _graph_optima)
LAYOUTS = Kind(
    "layouts",
    tiny_layouts,
    lambda seed: repr(tiny_layouts.tiny_job(seed)),
    lambda seed: (tiny_layouts.Enumeration(tiny_layouts.tiny_job(seed)).optimum(),),
)
CIRCUITS = Kind("circuits", tiny_circuits, lambda seed: repr(tiny_circuits.tiny_circuit(seed)), _circuit_optima)


@cache
def graph_optima(seed: int) -> tuple[float, float]:
    """The cheapest of all layouts of ``tiny_graphs.tiny(seed)``, and of those with volts to spare; inf: none."""
    every, spare = GRAPHS.optima(seed)
    return every, spare


@cache
def layout_optimum(seed: int) -> float:
    """The cheapest layout of ``tiny_layouts.tiny_job(seed)``; inf: there is none."""
    return LAYOUTS.optima(seed)[0]


@cache
def circuit_optima(seed: int) -> tuple[float, float]:
    """The cheapest of ``tiny_circuits.tiny_circuit(seed)`` with each trench to one cable, and of all; inf: none."""
    apart, any_way = CIRCUITS.optima(seed)
    return apart, any_way


def wanted() -> list[tuple[Kind, list[int]]]:
    """Every seed that the tests ask for."""
    from tests.search import test_bound, test_bound_layouts, test_oracle, test_oracle_priced

    circuits = {*test_oracle.SEEDS, *test_oracle_priced.SEEDS}
    layouts = {*test_bound_layouts.QUICK, *test_bound_layouts.LONG, test_bound_layouts.TWO_CABLES}
    return [(GRAPHS, sorted(test_bound.SEEDS)), (LAYOUTS, sorted(layouts)), (CIRCUITS, sorted(circuits))]


def _row(task: tuple[str, int]) -> list[Any]:
    kind = next(one for one in (GRAPHS, LAYOUTS, CIRCUITS) if one.name == task[0])
    found = kind.enumerate_it(task[1])
    return [digest(kind.given(task[1])), *(price if math.isfinite(price) else None for price in found)]


def main() -> None:
    from multiprocessing import get_context

    with get_context("spawn").Pool() as pool:
        lines = []
        for kind, seeds in wanted():
            rows = pool.map(_row, [(kind.name, seed) for seed in seeds], chunksize=4)
            held = ",\n".join(f'  "{seed}": {json.dumps(row)}' for seed, row in zip(seeds, rows, strict=True))
            lines.append(f'"{kind.name}": {{"code": "{kind.code}", "optima": {{\n{held}\n}}}}')
    FILE.write_text("{" + ",\n".join(lines) + "}\n", encoding="utf-8")


if __name__ == "__main__":
    main()
