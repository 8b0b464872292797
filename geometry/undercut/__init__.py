"""Undercuts along a path of removal: depth, volume, and the direction that has least."""

from geometry.undercut.directions import FINE_CELL_MM, BestDirection, best_direction, survey
from geometry.undercut.measure import GAUGES_MM, Undercut, measure
from geometry.undercut.warm import warm

__all__ = [
    "FINE_CELL_MM",
    "GAUGES_MM",
    "BestDirection",
    "Undercut",
    "best_direction",
    "measure",
    "survey",
    "warm",
]
