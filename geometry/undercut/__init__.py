"""Undercuts along a path of removal: depth, volume, and the direction that has least."""

from geometry.undercut.directions import BestDirection, best_direction, survey
from geometry.undercut.measure import GAUGES_MM, Undercut, measure
from geometry.undercut.warm import warm

__all__ = ["GAUGES_MM", "BestDirection", "Undercut", "best_direction", "measure", "survey", "warm"]
