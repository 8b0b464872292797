"""Biting surfaces without a tip: worn flat, or cut by the border of the scan.

A plane of tips alone leaves such teeth out, and a row that is worn on one side or at
one end then tilts towards the teeth that still have cusps. Here every stretch of the
row without a tip gives the highest place of its facial and of its lingual half.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from geometry.frame.unroll import STEP_S_MM, Unrolled

TIP_NEAR_MM, TIP_FAR_MM = 2.2, 4.4
"""A tip this near along the row stands for a place; from the farther distance on none does.
In between the place counts in part, so that no tip more or less tips the plane over."""

STEP_MM = 1.5
COUNTS = 0.17
"""Half a tip for about every cusp's breadth (4.5 mm) of the row."""

HALF_BREADTH_MM = 5.5
LEVEL_MM = 0.8
"""A half lower than the other by more than this has no biting surface of its own."""

LOWEST_MM = -2.2


def table_places(
    row: Unrolled, along: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Find biting surfaces without a tip.

    Parameters
    ----------
    row : Unrolled
    along : (n,) float64
        Where the tips lie along the row, mm.

    Returns
    -------
    places : (k, 3) float64
        Across, anterior, height over the plane, mm.
    share : (k,) float64
        How much each counts, as a share of a tip.
    """
    half = round(STEP_MM / STEP_S_MM)
    crown = np.where(np.isfinite(row.height), row.height, -1e3)
    tangent = np.gradient(row.line, axis=0)
    tangent /= np.maximum(np.linalg.norm(tangent, axis=1), 1e-9)[:, None]
    places, share = [], []
    for at in range(half, row.s.shape[0] - half, half):
        stretch = slice(at - half, at + half + 1)
        distance = float(np.abs(along - row.s[at]).min(initial=TIP_FAR_MM))
        weight = (min(distance, TIP_FAR_MM) - TIP_NEAR_MM) / (TIP_FAR_MM - TIP_NEAR_MM)
        if weight <= 0.0 or not row.covered[stretch].all():
            continue
        lowest = LOWEST_MM
        sides = []
        for side in (row.t > 0.0, row.t < 0.0):
            where = np.flatnonzero(side & (np.abs(row.t) < HALF_BREADTH_MM))
            block = crown[stretch][:, where]
            place, across = divmod(int(np.argmax(block)), where.size)
            sides.append(
                (float(block[place, across]), place + at - half, float(row.t[where[across]]))
            )
            lowest = max(lowest, sides[-1][0] - LEVEL_MM)
        for height, i, t in sides:
            if height >= lowest:
                outward = np.array([-tangent[i, 1], tangent[i, 0]])
                places.append([*(row.line[i] + t * outward), height])
                share.append(COUNTS * weight)
    return np.array(places).reshape(-1, 3), np.array(share)
