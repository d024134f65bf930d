"""The ground stage. In: Job, Survey. Out: Ground: a graph of places and trench lines, and the land it was made from."""

from .build import build_ground, lamps_without_joint
from .model import Ground
from .refining import refine
from .zones import Land

__all__ = ["Ground", "Land", "build_ground", "lamps_without_joint", "refine"]
