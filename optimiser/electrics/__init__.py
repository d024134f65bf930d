"""Volts, amps and faults of trees of cables and loads. In: resistances, lamps, drivers. Out: states and verdicts.

Knows no geometry: a circuit is a tree of resistances (``circuit.CircuitTree``) with lamps at some of its nodes.

``network``
    one tree of loads behind one EMF: solved to convergence, or said to collapse
``sources``
    a driver's tap as an EMF behind a resistance
``circuit``
    all circuits of one driver together: what every lamp gets, what every cable carries, what a short draws
``bands``
    what may be measured at a sound circuit
``protection``
    what protects a circuit: the driver's limit, a breaker, a fuse
``limits``
    every limit that a driver with its circuits breaks
``variants``
    many variants of one driver with its circuits, in one call
``interval``, ``tolerance``
    what volts are certain where data stray within limits, with the proofs; chances by sampling
"""

from .circuit import CircuitTree, DriverState, solve_driver

__all__ = ["CircuitTree", "DriverState", "solve_driver"]
