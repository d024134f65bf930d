"""Load flow of many variants of one layout: seconds and ratios against pandapower and a plain loop over networkx.

``python -m tests.benchmarks.bench_flow [lamps ...] [--variants B]`` solves the same variants (cable resistance, load,
source volts, lamps on and off) of the same made layouts with each, in one run, compares their volts, and prints the
time of a variant and how many times as long that is as ours in one call. The others get as many variants as take some
seconds.

What is compared with: pandapower's Newton-Raphson and its backward-forward sweep (``bfsw``), tables changed in place
between variants, with numba where it is installed; and the sweep as one would write it down, with a dictionary of volts
over a ``networkx.DiGraph``.
"""

from __future__ import annotations

import argparse
import time
import warnings
from collections.abc import Callable
from dataclasses import dataclass
from importlib.metadata import version
from importlib.util import find_spec

import networkx as nx
import numpy as np

from optimiser.electrics.network import Network, solve

from .results import Table

_MOST_S = 6.0  # for each of the others, at each size


@dataclass(frozen=True)
class Case:
    """A layout of n nodes and B variants of it: (B, n) ohm and watts, (B,) EMF, (B, n) which loads are on."""

    network: Network
    ohm: np.ndarray
    watts: np.ndarray
    emf_v: np.ndarray
    on: np.ndarray


def made_case(lamps: int, variants: int, seed: int = 1) -> Case:
    """A trunk with side branches, a joint and a lead for each lamp; 4 W lamps of constant power, all 12 V."""
    rng = np.random.default_rng(seed)
    parent, load, base, joints = [-1], [0], [0.0], [0]
    for _ in range(lamps):
        parent.append(joints[int(rng.integers(max(0, len(joints) - 4), len(joints)))])
        joints.append(len(parent) - 1)
        load.append(0)
        base.append(float(rng.uniform(0.5, 1.5)))
        parent.append(joints[-1])
        load.append(1)
        base.append(0.0)
    n = len(parent)
    lead = np.array(load) == 1
    network = Network(np.array(parent), np.array(load), np.where(lead, 4.0, 0.0), np.full(n, 12.0), np.ones(n))
    ohm = np.where(lead, 0.06, 1e-3 * np.array(base))
    while not solve(network, 1.1 * ohm, 11.7, watts=1.1 * network.watts).volts.min() >= 10.5:
        ohm = np.where(lead, ohm, 0.9 * ohm)  # thicker trunk until the last lamp is lit well in every variant
    return Case(
        network,
        ohm * rng.uniform(0.95, 1.05, (variants, n)),
        network.watts * rng.uniform(0.95, 1.05, (variants, n)),
        rng.uniform(11.8, 12.2, variants),
        rng.random((variants, n)) < 0.95,
    )


def one_call(case: Case) -> np.ndarray:
    return solve(case.network, case.ohm, case.emf_v, case.on, watts=case.watts).volts


def one_by_one(case: Case) -> Callable[[int], np.ndarray]:
    def volts(row: int) -> np.ndarray:
        emf_v = float(case.emf_v[row])
        return solve(case.network, case.ohm[row], emf_v, case.on[row], watts=case.watts[row]).volts

    return volts


def networkx_loop(case: Case) -> Callable[[int], np.ndarray]:
    """Sweep currents to the source and volts from it, until no node moves by 1e-9 V."""
    tree = nx.DiGraph((above, node) for node, above in enumerate(case.network.parent.tolist()) if node)
    down = list(nx.topological_sort(tree))

    def volts(row: int) -> np.ndarray:
        for node in tree:
            tree.nodes[node]["watts"] = float(
                case.watts[row, node] * (case.network.load[node] > 0) * case.on[row, node]
            )
        for above, node in tree.edges:
            tree.edges[above, node]["ohm"] = float(case.ohm[row, node])
        volt = dict.fromkeys(tree, float(case.emf_v[row]))
        while True:
            amps = {node: tree.nodes[node]["watts"] / volt[node] for node in tree}
            for node in reversed(down):
                for above in tree.predecessors(node):
                    amps[above] += amps[node]
            moved = 0.0
            for above in down:
                for node in tree.successors(above):
                    new = volt[above] - tree.edges[above, node]["ohm"] * amps[node]
                    moved = max(moved, abs(new - volt[node]))
                    volt[node] = new
            if moved < 1e-9:
                return np.array([volt[node] for node in range(len(volt))])

    return volts


def pandapower_loop(case: Case, algorithm: str) -> Callable[[int], np.ndarray]:
    """No reactance, kV and MW standing for V and W."""
    import pandapower

    n = len(case.network.parent)
    net = pandapower.create_empty_network()
    pandapower.create_buses(net, n, vn_kv=12.0)
    pandapower.create_ext_grid(net, 0)
    pandapower.create_lines_from_parameters(
        net,
        case.network.parent[1:].tolist(),
        list(range(1, n)),
        length_km=1.0,
        r_ohm_per_km=case.ohm[0, 1:].tolist(),
        x_ohm_per_km=0.0,
        c_nf_per_km=0.0,
        max_i_ka=1.0,
    )
    at = np.flatnonzero(case.network.load)
    pandapower.create_loads(net, at.tolist(), case.watts[0, at].tolist())
    numba = find_spec("numba") is not None

    def volts(row: int) -> np.ndarray:
        net.line["r_ohm_per_km"] = case.ohm[row, 1:]
        net.load["p_mw"] = case.watts[row, at] * case.on[row, at]
        net.ext_grid["vm_pu"] = case.emf_v[row] / 12
        pandapower.runpp(
            net, algorithm=algorithm, tolerance_mva=1e-8, max_iteration=500, numba=numba, calculate_voltage_angles=False
        )
        return net.res_bus.vm_pu.to_numpy() * 12

    return volts


def timed(volts: Callable[[int], np.ndarray], ours: np.ndarray) -> tuple[float, int, float]:
    """Seconds a variant, variants solved, greatest difference in V; the first variant, which warms up, not counted."""
    apart = float(np.abs(volts(0) - ours[0]).max())
    begin = time.perf_counter()
    done = 0
    while done < len(ours) and time.perf_counter() - begin < _MOST_S:
        apart = max(apart, float(np.abs(volts(done) - ours[done]).max()))
        done += 1
    return (time.perf_counter() - begin) / done, done, apart


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("lamps", nargs="*", type=int, default=[12, 120, 500])
    parser.add_argument("--variants", type=int, default=1000)
    args = parser.parse_args()
    warnings.simplefilter("ignore")  # pandapower warns of its own dependencies
    table = Table("flow")
    numba = f"with numba {version('numba')}" if find_spec("numba") is not None else "without numba"
    table.line(f"{args.variants} variants of each layout in one call; pandapower {version('pandapower')} {numba}")
    table.line()
    table.line(f"{'lamps':>5} {'nodes':>6}  {'by':<34} {'solved':>6} {'ms each':>9} {'times ours':>11} {'apart, V':>9}")
    for lamps in args.lamps:
        case = made_case(lamps, args.variants)
        one_call(case)
        spans = []
        for _ in range(5):
            begin = time.perf_counter()
            ours = one_call(case)
            spans.append(time.perf_counter() - begin)
        each = float(np.median(spans)) / args.variants
        head = f"{lamps:>5} {len(case.network.parent):>6}"
        table.line(f"{head}  {'ours, one call (median of 5)':<34} {args.variants:>6} {1e3 * each:>9.4f} {1:>11}")
        others = {
            "ours, call after call": one_by_one(case),
            "networkx, plain loop": networkx_loop(case),
            "pandapower, Newton-Raphson": pandapower_loop(case, "nr"),
            "pandapower, backward-forward sweep": pandapower_loop(case, "bfsw"),
        }
        for name, volts in others.items():
            seconds, done, apart = timed(volts, ours)
            table.line(f"{head}  {name:<34} {done:>6} {1e3 * seconds:>9.3f} {seconds / each:>11.0f} {apart:>9.0e}")
    table.keep()


if __name__ == "__main__":
    main()
