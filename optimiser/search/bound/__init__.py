"""A proven lower bound on the price of any layout on the ground graph. In: Facts. Out: Bound, by part.

The space of layouts is the one the search chooses from: circuits are trees of joints fed by the feeds that ``Facts``
lists, each cable follows any way along the graph with any one gauge, cables of the same or of other circuits may
share a trench and pass nodes and joints unjoined.

Three bounds, of which the greatest holds (each is proven in the modules named):

* *By parts*, for jobs of any size (``parts.py``). Trench, leads, supply points and cable: dual ascent (``ascent.py``,
  ``start.py``), with one cheapest cable in each trench, or with the copper that drop forces on the ways to all lamps
  (``copper.py``), whichever proves more; for few lamps the cheapest trees themselves (``cheapest_tree.py``), with
  prices of copper that suit what flows in each edge (``copper_trees.py``). Joints, ends of cables, drivers and fuses: a
  linear program without ground, branched to whole drivers and circuits (``counting.py``, ``branch.py``); for very many
  lamps without telling which lamp hangs on what, drivers being one sum that covers the load. No price is counted twice,
  so the sum is a bound; on small jobs one for each set of supply points that may be used, of which the least holds.
* *Network*, for more lamps than *whole* takes: trench, cable, joints at their places and drivers in one program that
  counts cables at nodes (``network.py``). It begins with dual ascent's cuts and columns, which leave little to add.
* *Whole*, for few lamps (more with more effort): all parts in one linear program on the ground graph
  (``relaxation.py``) that grows by directed cuts and columns (``cuts.py``, ``program.py``), branched likewise. What a
  program proves is computed from its prices, so that a solver's tolerances cannot spoil it (``Program.prove``).

Currents are taken at their least and allowances at their most (``loads.py``). Not counted: that lamps which share a
cable lose the same volts in it (``copper.py`` lets each make its own use of its volts), drop in the two programs on the
ground beyond a lamp's own current over its shortest way, and the rounding up of cuts.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from ..facts import Facts
from .drivers import Cluster, driver_clusters, driver_w, drivers_bound, fewest_drivers
from .loads import Loads, feed_watts, gather_loads, least_watts, shortest_m
from .start import dual_ascent

if TYPE_CHECKING:
    from .program import Cut, Program
    from .solve import CutAndPrice

SAYS = (
    "the cheapest trenches with cable in them, the thinnest or as much copper as drop forces on the ways to all lamps, "
    "joints and cable ends, drivers and circuits that the loads need; what else drop forces is not in it"
)
COUNT_SIZE = 30_000
"""Lamps x ways to feed them x supply points up to which the program without ground says which lamp hangs on what: that
of 250 lamps (33,000) took most of a minute, and the bound was hardly higher with it (measured once, no command)."""
WHOLE_LAMPS = 5
"""Lamps up to which the whole program is solved at effort 1. Of six gardens of 6 and 8 lamps in one circuit it proved
a little more than the network in three, in three no more, and took many times as long (measured once, no command)."""
WHOLE_WORK = 10_000
"""Simplex iterations at effort 1."""
NETWORK_LAMPS = 40
"""Lamps up to which the network program is solved at effort 1."""
NETWORK_SIZE = 40_000
"""Lamps x edges of the graph up to which it is tried at effort 1: beyond, it takes long for a per cent or none."""
NETWORK_CUTS, NETWORK_WORK = 2_500, 6_000
"""Simplex iterations at effort 1 until which cuts are added, and branches opened."""
NODES = 200


@dataclass(frozen=True)
class Bound:
    """``total`` is the sum of ``parts``; no layout on this ground graph costs less."""

    total: float
    parts: dict[str, float]
    says: str = SAYS


def lower_bound(
    facts: Facts,
    *,
    num_drivers: int | None = None,
    stop: Callable[[], bool] | None = None,
    effort: float = 1.0,
) -> Bound:
    """
    Bound the price of every layout from below.

    Parameters
    ----------
    facts
        Look-ups of the job on its ground graph.
    num_drivers
        So many drivers exactly, where asked for.
    stop
        Asked now and then; stopping early only weakens the bound.
    effort
        Work, counted in simplex iterations and nodes; 1 is the default, 0 is dual ascent with the thinnest cable and
        the program without ground.

    Returns
    -------
    Bound
        ``total`` is infinite where no layout exists.
    """
    loads = gather_loads(facts)
    if not np.isfinite(loads.share).all():
        return Bound(math.inf, {})  # some lamp cannot be fed from anywhere
    drivers = drivers_bound(facts, loads, num_drivers)
    best = _by_parts(facts, loads, drivers, num_drivers, effort, stop)
    for most_lamps, method in ((WHOLE_LAMPS, _whole), (NETWORK_LAMPS, _network)):
        if facts.num_lamps <= most_lamps * effort:
            if method is _network and facts.num_lamps * facts.graph.num_edges > NETWORK_SIZE * effort:
                break
            if math.isfinite(best.total) and not (stop is not None and stop()):
                best = max(best, method(facts, loads, drivers, num_drivers, effort, stop), key=lambda b: b.total)
            break
    return best


def quick_bound(facts: Facts, num_drivers: int | None = None) -> Bound:
    """
    A weaker bound at once: dual ascent, joints, and drivers that cover the load.

    Infinite where no layout exists.
    """
    loads = gather_loads(facts)
    if not np.isfinite(loads.share).all():
        return Bound(math.inf, {})
    return _by_sums(facts, loads, drivers_bound(facts, loads, num_drivers), None)


def _by_sums(facts: Facts, loads: Loads, drivers: float, stop: Callable[[], bool] | None) -> Bound:
    from .counting import relax_joints
    from .program import Program
    from .relaxation import PARTS

    trench = dual_ascent(facts, stop, cable_m=loads.cable_m)
    program = Program(relax_joints(facts, loads, drivers))
    program.activate(np.arange(len(program.relaxation.cost)))
    if program.solve() != "optimal":  # the drivers alone are a bound
        return _bound(named_parts(trench, {"drivers": drivers}))
    counted, _ = program.prove()
    return _bound(
        named_parts(trench, dict(zip(PARTS, program.parts().tolist(), strict=True))), trench + max(counted, drivers)
    )


def named_parts(trench: float, counts: dict[str, float]) -> dict[str, float]:
    """Parts as they are shown: of dual ascent, and of the program without ground."""
    return {
        "trench, leads, cable, supply points": trench,
        "joints": counts.get("joints", 0.0),
        "cable ends": counts.get("cable", 0.0),
        "drivers": counts.get("drivers", 0.0),
        "fuses": counts.get("fuses", 0.0),
    }


def _by_parts(
    facts: Facts,
    loads: Loads,
    drivers: float,
    num_drivers: int | None,
    effort: float,
    stop: Callable[[], bool] | None,
) -> Bound:
    from .parts import ByParts

    if facts.num_lamps * len(loads.ways) * len(facts.supply_price) > COUNT_SIZE:
        return _by_sums(facts, loads, drivers, stop)
    found = ByParts(facts, loads, drivers, num_drivers, _nodes(facts, effort), effort, stop).prove()
    return _bound(named_parts(found.trench, found.counts), found.total)


def _whole(
    facts: Facts,
    loads: Loads,
    drivers: float,
    num_drivers: int | None,
    effort: float,
    stop: Callable[[], bool] | None,
) -> Bound:
    from .cuts import Separator
    from .program import Program
    from .relaxation import relax
    from .solve import CutAndPrice
    from .start import first_columns, first_cuts

    relaxation = relax(facts, loads, num_drivers=num_drivers, least_drivers_price=drivers)
    cuts, cheap = first_cuts(relaxation, stop)
    columns = np.concatenate([first_columns(facts, relaxation), cheap])
    program = Program(relaxation)
    work = WHOLE_WORK * effort
    tighten = CutAndPrice(program, Separator(program, loads), work, stop)
    return _branched(program, columns, cuts, tighten, work, _nodes(facts, effort), stop)


def _network(
    facts: Facts,
    loads: Loads,
    drivers: float,
    num_drivers: int | None,
    effort: float,
    stop: Callable[[], bool] | None,
) -> Bound:
    from .cuts import Separator
    from .network import relax_network
    from .program import Program
    from .solve import CutAndPrice
    from .start import network_start

    relaxation = relax_network(facts, loads, num_drivers=num_drivers, least_drivers_price=drivers)
    cuts, columns = network_start(facts, relaxation, stop)
    program = Program(relaxation)
    work = NETWORK_WORK * effort
    separator = Separator(program, loads, nested=1)
    tighten = CutAndPrice(program, separator, NETWORK_CUTS * effort, stop, most=work, columns_first=True)
    return _branched(program, columns, cuts, tighten, work, _nodes(facts, effort), stop)


def _branched(
    program: Program,
    columns: np.ndarray,
    cuts: Sequence[Cut],
    tighten: CutAndPrice,
    work: float,
    most_nodes: int,
    stop: Callable[[], bool] | None,
) -> Bound:
    """What branching proves of a program, begun with these columns and cuts, within this many simplex iterations."""
    from .branch import branch

    program.activate(columns)
    for cut in cuts:
        program.add_cut(cut)

    def spent() -> bool:
        return program.iterations > work or (stop is not None and stop())

    total = branch(program, program.relaxation.whole, tighten, most_nodes, stop=spent)
    return _bound(tighten.part_of(total), total)


def _nodes(facts: Facts, effort: float) -> int:
    """Nodes of branching: fewer where each takes longer."""
    return max(1, int(NODES * effort * min(1.0, 10 / facts.num_lamps)))


def _bound(parts: dict[str, float], total: float | None = None) -> Bound:
    """
    A bound whose parts add up to it: what branching and rounding change is shown apart.

    The parts are those of a solution, which may cost a little more than what its prices prove: ``total``, where given,
    is what is proven and is never exceeded. A difference too small to show is taken into the largest part.
    """
    listed = math.fsum(parts.values())
    if total is None or not math.isfinite(total):
        return Bound(listed if total is None else total, parts)
    rest = total - listed
    shown = dict(parts)
    if abs(rest) > 0.02:
        shown["whole numbers"] = rest
    elif shown:
        shown[max(shown, key=lambda name: shown[name])] += rest
    return Bound(total, shown)


__all__ = [
    "SAYS",
    "Bound",
    "Cluster",
    "Loads",
    "driver_clusters",
    "driver_w",
    "dual_ascent",
    "feed_watts",
    "fewest_drivers",
    "gather_loads",
    "least_watts",
    "lower_bound",
    "named_parts",
    "quick_bound",
    "shortest_m",
]
