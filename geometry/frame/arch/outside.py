"""Teeth that stand out of the row: blocked out towards lips or cheek, or behind towards the tongue.

A row of teeth is followed along its crowns, and a tooth that stands beside it is not one of
them. Its tip is a peak like the others, but between it and the row lies a valley as deep as
crowns are high; between the two rows of cusps of one tooth lies but a fissure.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from geometry.frame.arch.unroll import STEP_S_MM, Unrolled

Array = NDArray[np.float64]

BESIDE_MM, FARTHEST_MM = 3.5, 11.0
ALONG_MM = 30.0
"""From the midline to the premolars: teeth that come before the second molar are crowded out."""

VALLEY_MM, WIDE_MM = 2.5, 1.25
"""Depth of the valley, and how far it goes on to either side: behind a wire only the embrasure
between two crowns is so deep."""

NARROW_MM = 0.1
"""A tooth that stands close before two others that meet behind it leaves no wider a valley; only
where the row lacks a tooth is that believed."""

IN_ROW_MM, CROWN_MM = 2.5, -3.0
"""There is a row only where crowns stand on its line; upright incisors may all lie behind it."""

LOWEST_MM = -7.0
FALL_MM = 0.8
ONE_MM = 5.0
"""Peaks nearer to each other than this are of one tooth."""


def outside_row(
    row: Unrolled, height: Array, places: Array, fall: Array, wide_mm: float = WIDE_MM
) -> NDArray[np.int64]:
    """Return which peaks are the tips of teeth that stand out of the row, the highest of each.

    Parameters
    ----------
    row : Unrolled
    height : (n,) float64
        Of the peaks over the occlusal plane, mm.
    places : (n, 2) float64
        Where they lie along and across the row, mm.
    fall : (n,) float64
        Mean drop of the surface around each, mm.
    wide_mm : float
        How far the valley goes on to either side.
    """
    across = np.abs(places[:, 1])
    may = (across > BESIDE_MM) & (across < FARTHEST_MM) & (np.abs(places[:, 0]) < ALONG_MM)
    may &= (height > LOWEST_MM) & (fall > FALL_MM)
    ground = np.where(np.isfinite(row.height), row.height, -np.inf)
    reach, far = round(wide_mm / STEP_S_MM), round(ONE_MM / STEP_S_MM)
    found: list[int] = []
    for k in np.flatnonzero(may)[np.argsort(-height[may], kind="stable")]:
        at = min(int(np.searchsorted(row.s, places[k, 0])), len(row.s) - 1)
        low, high = sorted((0.0, float(places[k, 1])))
        row_here = ground[max(at - far, 0) : at + far + 1, np.abs(row.t) < IN_ROW_MM]
        if row_here.max() < CROWN_MM:
            continue
        near = slice(max(at - reach, 0), at + reach + 1)
        between = ground[near, (row.t >= low) & (row.t <= high)].max(axis=0)
        if height[k] - between.min() < VALLEY_MM:
            continue
        if all(np.linalg.norm(places[k] - places[other]) >= ONE_MM for other in found):
            found.append(int(k))
    return np.array(found, dtype=np.int64)
