"""Peaks that stand on the cheek's or lips' side of a crown: brackets, tubes, attachments.

Seen from the biting side a bonded block is a peak like a cusp, but it hangs lower on the
outer wall of a crown: a little farther in the same crown stands higher, and no valley lies
between, as a fissure does between cusps.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from geometry.frame.arch.unroll import STEP_S_MM, Unrolled
from geometry.frame.relief import Relief

Array = NDArray[np.float64]

INWARD_MM, ALONG_MM = 1.5, 3.5
"""The crown stands at least so far in from what is bonded to it, and about beside it."""

NEAR_MM, FAR_MM = 4.2, 5.2
"""Within the one distance two peaks are block and crown, beyond the other two rows of cusps."""

LOWER_MM, SURELY_LOWER_MM = 0.3, 0.7
VALLEY_MM, FISSURE_MM = 0.5, 1.0
"""How far a valley lies under the lower of the two: the notches of a bracket, and a fissure."""

BESIDE_MM, HALF_BREADTH_MM = 2.0, 6.0
HANGING_MM, SURELY_HANGING_MM = 0.9, 1.5
OUTSIDE_MM, SURELY_OUTSIDE_MM = 1.2, 2.0
"""A wire runs on between two brackets, where no crown is right behind it: so far under what
stands highest nearby in the row, and so far outside of it."""

SAMPLES = 16


def bonded_shares(
    relief: Relief, points: Array, places: Array, crowns: Array, crown_places: Array
) -> Array:
    """Return for each peak how far it looks like a block bonded to a crown, (n,) 0 to 1.

    All peaks in the axes of ``relief``.

    Parameters
    ----------
    relief : Relief
    points : (n, 3) float64
        Peaks, mm.
    places : (n, 2) float64
        Where they lie along and across the row (positive outwards), mm.
    crowns, crown_places : (m, 3), (m, 2) float64
        Peaks that they may stand before.
    """
    out = np.zeros(len(points))
    along = np.abs(places[:, None, 0] - crown_places[None, :, 0])
    inward = places[:, None, 1] - crown_places[None, :, 1]
    low = crowns[None, :, 2] - points[:, None, 2]
    one, other = np.nonzero((along < ALONG_MM) & (inward > INWARD_MM) & (low > LOWER_MM))
    a, b = points[one], crowns[other]
    away = np.linalg.norm(a[:, :2] - b[:, :2], axis=1)
    near = away < FAR_MM
    one, a, b, away, low = one[near], a[near], b[near], away[near], low[one, other][near]
    if not len(one):
        return out
    part = np.linspace(0.0, 1.0, SAMPLES)[None, :, None]
    between = a[:, None, :2] * (1.0 - part) + b[:, None, :2] * part
    column, row = np.moveaxis(
        np.round((between - (relief.x0, relief.y0)) / relief.cell).astype(np.int64), -1, 0
    )
    rows, columns = relief.z.shape
    floor = relief.z[row.clip(0, rows - 1), column.clip(0, columns - 1)].min(axis=1)
    valley = a[:, 2] - floor
    share = np.clip((FAR_MM - away) / (FAR_MM - NEAR_MM), 0.0, 1.0)
    share *= np.clip((low - LOWER_MM) / (SURELY_LOWER_MM - LOWER_MM), 0.0, 1.0)
    share *= np.clip((FISSURE_MM - valley) / (FISSURE_MM - VALLEY_MM), 0.0, 1.0)
    np.maximum.at(out, one, share)
    return out


def hanging_shares(row: Unrolled, points: Array, places: Array) -> Array:
    """Return for each peak how far it hangs outside the row like a wire, (n,) 0 to 1.

    Parameters
    ----------
    row : Unrolled
    points : (n, 3) float64
        Peaks, their heights over the plane last, mm.
    places : (n, 2) float64
        Where they lie along and across the row, mm.
    """
    band = np.abs(row.t) < HALF_BREADTH_MM
    crowns = np.where(np.isnan(row.height), -np.inf, row.height)[:, band]
    reach = round(BESIDE_MM / STEP_S_MM)
    at = np.searchsorted(row.s, places[:, 0]).clip(max=row.s.size - 1)
    near = (at[:, None] + np.arange(-reach, reach + 1)).clip(0, row.s.size - 1)
    around = crowns[near].reshape(len(at), -1)
    best = around.argmax(axis=1)
    low = around[np.arange(len(at)), best] - points[:, 2]
    out = places[:, 1] - row.t[band][best % band.sum()]
    share = np.clip((low - HANGING_MM) / (SURELY_HANGING_MM - HANGING_MM), 0.0, 1.0)
    share *= np.clip((out - OUTSIDE_MM) / (SURELY_OUTSIDE_MM - OUTSIDE_MM), 0.0, 1.0)
    share *= np.clip((FAR_MM - out) / (FAR_MM - NEAR_MM), 0.0, 1.0)
    return np.asarray(share)
