"""The biting surface of back teeth that lie beside the arch line or lean outwards.

Going down from a high cusp, the profile of such a tooth meets a groove and runs out nearly level to
a cusp that lies lower: a crease and a step as sharp as the gum line's, but between cusps.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from geometry.dentition.row.sheets import STEP_S_MM, STEP_Z_MM

Array = NDArray[np.float64]
Marks = NDArray[np.bool_]

ROWS, OUT_MM = 3, 2.0
"""Within so many rows the surface runs out by this: gum's edges stand out by less than half."""
BELOW_TIP_MM = 3.0
"""Cusps of a crown, however it leans, begin above this; a ledge of gum may lie below."""
UNDER_MM = 0.4
CORE, MOSTLY = 0.25, 0.5
"""At this share of the crown's columns, so far to either side of its middle as shares of its
width; else it is a neighbour that is seen beside it."""


def biting_surface(
    wall: Array, z: Array, start: Array, stop: Array, tip: Array, back: NDArray[np.bool_]
) -> Marks:
    """Mark what lies above such a run of the surface, and the run itself, (n, m).

    Parameters
    ----------
    wall : (n, m) float64
        How far out the surface lies, rising away from the arch, mm; NaN unknown.
    z : (m,) float64
        Falling heights of its rows, mm.
    start, stop, tip : (k,) float64
        Ends of the teeth along the arch and heights of their tips, mm.
    back : (k,) bool
        Whether it is a premolar or molar.
    """
    marks = np.zeros(wall.shape, dtype=np.bool_)
    at = np.arange(len(wall)) * STEP_S_MM
    rows = np.arange(len(z))
    for k in np.flatnonzero(back):
        own = np.flatnonzero((at >= start[k]) & (at <= stop[k]))
        upper = np.flatnonzero(z > tip[k] - BELOW_TIP_MM)
        here = wall[own, : len(upper) + ROWS]
        level: Marks = np.asarray(here[:, ROWS:] - here[:, :-ROWS] > OUT_MM)
        middle = np.abs(at[own] - 0.5 * (start[k] + stop[k])) <= CORE * (stop[k] - start[k])
        ends: Marks = np.asarray(level.any(axis=1))
        if not middle.any() or ends[middle].mean() < MOSTLY:
            continue
        last = level.shape[1] - 1 - level[:, ::-1].argmax(axis=1)
        under = ROWS + round(UNDER_MM / STEP_Z_MM)
        marks[own] = ends[:, None] & (rows <= last[:, None] + under)
    return marks
