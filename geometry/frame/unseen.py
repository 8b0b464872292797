"""How far the plane of the teeth seen may lie off the plane of the whole arch.

Cusps and edges do not lie in a plane but on a bowl: the curves of Spee and of Wilson.
Where a part of the row is not in the scan, the plane of the rest is tilted against
that of the whole row, by more the less there is of it. Monson, "Occlusion as applied
to crown and bridge-work", Journal of the National Dental Association 1920;7:399-413,
gives the bowl a radius of four inches (from memory); mouths differ about that.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from geometry.frame.arch.row_curve import RowCurve

Array = NDArray[np.float64]

BOWL = 1.0 / (2.0 * 101.6)
"""Rise of Monson's bowl over its tangent plane for each square millimetre away, 1/mm."""

EITHER_WAY = 0.4
"""Rows bend along and across, and are twisted, this much of the bowl apart from it."""

ROW_MM = 44.0
"""From the midline past the first molar, which nearly every arch has."""

STEP_MM = 2.0
"""One tip for about so much of the row: two or three for an incisor, four for a molar."""

SEEN_MM = 6.0
"""A place of the row this near to a tip is seen."""


def _slopes(points: Array) -> Array:
    """Matrix (2, n) that takes heights at points (n, 2) to the slopes of their mean plane."""
    return np.linalg.pinv(np.concatenate([np.ones((len(points), 1)), points], axis=1))[1:]


def _bends(points: Array) -> Array:
    """Heights (n, 3) of the three ways in which a plane bends."""
    x, y = points.T
    return np.stack([x * x, x * y, y * y], axis=1)


def unseen_tilt_deg(tips: Array, form: RowCurve) -> float:
    """Return the standard deviation of the whole arch's plane about that of its tips, degrees.

    About the direction in which it is largest; 0 where the whole row is seen.

    Parameters
    ----------
    tips : (n, 2) float64
        (across, anterior) from the apex of the arch form, mm; at least three, not in line.
    form : RowCurve
    """
    row = form.places(ROW_MM, STEP_MM)
    away, _ = cKDTree(tips).query(row)
    whole = np.concatenate([tips, row[away > SEEN_MM]])
    change = _slopes(tips) @ _bends(tips) - _slopes(whole) @ _bends(whole)
    bowl = change @ np.array([BOWL, 0.0, BOWL])
    apart = EITHER_WAY * BOWL * change
    spread = np.outer(bowl, bowl) + apart @ apart.T
    return float(np.degrees(np.arctan(np.sqrt(np.linalg.eigvalsh(spread)[1]))))
