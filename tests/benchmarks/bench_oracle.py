"""How long the exact oracle takes for one circuit, how often it proves its answer, and what the plain search misses.

``python -m tests.benchmarks.bench_oracle [--lamps 5 8 10 12] [--seeds N] [--spend W]`` draws gardens of one circuit
each: 40 x 30 m of lawn with a house, a bed, lamps anywhere, one driver beside the house; once with loads at which thin
cable nearly does, once with loads at which voltage binds hard. Prices are invented. Printed: nodes and edges of the
ground graph, processor seconds of the oracle, its interval, and how much dearer the search by moves alone is after
about two seconds.
"""

from __future__ import annotations

import argparse
import io
import math
import random
import time

import numpy as np

from optimiser.ground import build_ground
from optimiser.job_folder import JobFolder
from optimiser.search.construct import construct, straighten_all
from optimiser.search.effort import Effort
from optimiser.search.facts import Facts, gather_facts
from optimiser.search.improve import improve
from optimiser.search.oracle import cheapest_circuit, price_of
from optimiser.search.state import Bench

from .plain_ground import folder_of
from .results import Table

_JOB = """title = "one circuit"
base_ground = "lawn"
prices_are_invented = true
[grounds]
lawn = { per_m = 9 }
bed = { per_m = 6 }
house = { kind = "no_dig" }
[lamps.spike]
watts = WATTS
volts = 12
window_v = [9, 15]
[cables]
"2 x 1.5" = { mm2 = 1.5, price_per_m = 1.40, rating_a = 12 }
"2 x 2.5" = { mm2 = 2.5, price_per_m = 2.10, rating_a = 20 }
"2 x 4" = { mm2 = 4, price_per_m = 3.30, rating_a = 26 }
[drivers.box]
taps_v = [12]
rated_w = 200
limit_a = 11
limit_mode = "hiccup"
short_rms_a = 2.5
price = 120
[joints.kits]
"3 way" = { max_ways = 3, price = 6, labour = 5 }
"5 way" = { max_ways = 5, price = 9, labour = 6 }
"""


def garden(lamps: int, watts: float, seed: int) -> JobFolder:
    """A site with so many lamps of so many watts."""
    rng = random.Random(seed)
    text = io.StringIO()
    text.write("point,kind,of,x,y\n")
    house, bed = [(8, 10), (18, 10), (18, 18), (8, 18)], [(24, 4), (34, 4), (34, 9), (24, 9)]
    for name, corners in (("house", house), ("bed", bed)):
        for x, y in corners:
            text.write(f",corner,{name},{x},{y}\n")
    text.write("S,supply,,7.5,14\n")
    done = 0
    while done < lamps:
        x, y = rng.uniform(0, 40), rng.uniform(0, 30)
        if not (7 < x < 19 and 9 < y < 19):
            done += 1
            text.write(f"L{done},lamp,spike,{x:.2f},{y:.2f}\n")
    return folder_of(_JOB.replace("WATTS", f"{watts:g}"), text.getvalue())


def by_moves(facts: Facts, work: float) -> float:
    """Price of the one circuit that the search by moves finds; infinite where it finds no single circuit."""
    bench = Bench(facts, Effort(work), num_drivers=1)
    rng = random.Random(1)
    state = straighten_all(bench, improve(bench, construct(bench, rng), rng))
    if len(state.circuits) != 1 or state.missing:
        return math.inf
    return price_of(bench, state.circuits[0], np.zeros(facts.graph.num_edges))


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--lamps", type=int, nargs="+", default=[5, 8, 10, 12])
    parser.add_argument("--seeds", type=int, default=3)
    parser.add_argument("--spend", type=float, default=20_000, help="most work of one call")
    parser.add_argument("--keep", action="store_true", help="write the table beside the benchmarks")
    args = parser.parse_args()
    table = Table("oracle")
    table.line("lamps  load  seed  nodes  edges  seconds      bound      price   gap %  proven  moves alone")
    for lamps in args.lamps:
        for load, all_watts in (("mild", 24.0), ("hard", 60.0)):
            for seed in range(args.seeds):
                folder = garden(lamps, all_watts / lamps, seed)
                graph = build_ground(folder.job, folder.survey, file="survey.csv").graph
                facts = gather_facts(folder.job, folder.survey, graph)
                bench = Bench(facts, Effort(math.inf))
                begin = time.process_time()
                found = cheapest_circuit(bench, 0, 0, range(lamps), spend=args.spend)
                seconds = time.process_time() - begin
                gap = 100 * (found.price - found.price_bound) / found.price if found.fed is not None else math.nan
                moves = by_moves(facts, 4000) if found.fed is not None else math.nan
                table.line(
                    f"{lamps:5d}  {load}  {seed:4d}  {graph.num_nodes:5d}  {graph.num_edges:5d}  {seconds:7.2f}"
                    f"  {found.price_bound:9.2f}  {found.price:9.2f}  {gap:6.2f}  {'yes' if found.proven else 'no':>6}"
                    f"  {100 * (moves / found.price - 1):+10.2f} %"
                )
    if args.keep:
        table.keep()


if __name__ == "__main__":
    main()
