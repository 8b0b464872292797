"""Seams between crowns, seen from above, and how broad the crowns are.

Crowded teeth stand one behind the other, so that no cut straight across the row meets the
groove between them. Here a cut may turn on its way from the tongue to the lips; the one
through the least of the crowns follows the groove.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numba import njit
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d, maximum_filter1d, median_filter

from geometry.dentition.row.spaces import CELL_MM, HALF_MM

Array = NDArray[np.float64]

CUT_DEPTH_MM = 3.5
CUT_HALF_MM = 7.5
AROUND_MM = 3.6
STEEPEST = 2
"""A cut moves along the row by at most this many cells for each one across it."""

SHOULDER_MM = 1.8
LEAST_CUT_MM2 = 0.5
LOWEST_MM = -6.0
BREADTH_DEPTH_MM = 3.0
STAGGER_NEAR_MM, STAGGER_FAR_MM = 1.0, 2.5
STAGGER_MOST_MM = 4.0


@dataclass(frozen=True, slots=True)
class Seams:
    """What is seen from above, each ``CELL_MM`` along the row.

    Attributes
    ----------
    valley : (n,) float64
        How much less of the crowns the best cut there meets than those beside it, 0 to 1.
    breadth : (n,) float64
        Breadth of the crowns ``BREADTH_DEPTH_MM`` below edge or cusp, mm; 0 without crowns.
    stagger : (n,) float64
        How far the crowns on one side stand in front of those on the other, mm.
    shadow : (n, m) float64
        What they were read from.
    """

    valley: Array
    breadth: Array
    stagger: Array
    shadow: Array


@njit(cache=True, nogil=True)
def _sweep(over, forward):  # type: ignore[no-untyped-def]
    """Least sum over ways from one edge to each cell, weighted by their length."""
    rows, columns = over.shape
    out = np.empty_like(over)
    for step in range(columns):
        j = step if forward else columns - 1 - step
        before = j - 1 if forward else j + 1
        for i in range(rows):
            if step == 0:
                out[i, j] = over[i, j]
                continue
            best = out[i, before] + over[i, j]
            for d in range(-STEEPEST, STEEPEST + 1):
                if d != 0 and 0 <= i + d < rows:
                    best = min(best, out[i + d, before] + over[i, j] * np.sqrt(1.0 + d * d))
            out[i, j] = best
    return out


def find_seams(shadow: Array) -> Seams:
    """Cut the crowns everywhere along the row.

    Parameters
    ----------
    shadow : (n, m) float64
        From :func:`geometry.dentition.row.spaces.shadow_map`.
    """
    across = np.arange(shadow.shape[1]) * CELL_MM - HALF_MM
    core = np.abs(across) < CUT_HALF_MM
    height, across = np.ascontiguousarray(shadow[:, core]), across[core]
    crest = height.max(axis=1)
    around = np.maximum(maximum_filter1d(crest, round(AROUND_MM / CELL_MM) | 1), LOWEST_MM)
    level = gaussian_filter1d(around, 1.2 / CELL_MM)
    over = np.clip(height - (level - CUT_DEPTH_MM)[:, None], 0.0, CUT_DEPTH_MM)
    # Cuts are told apart by where they pass the middle of the crowns.
    weight = over**2
    total = gaussian_filter1d(weight.sum(axis=1), 0.9 / CELL_MM)
    middle = gaussian_filter1d(weight @ across, 0.9 / CELL_MM) / np.maximum(total, 1e-6)
    over = over * CELL_MM + 1e-3
    j = np.clip(np.round((middle - across[0]) / CELL_MM).astype(np.int64), 0, len(across) - 1)
    i = np.arange(len(height))
    cut = _sweep(over, True)[i, j] + _sweep(over, False)[i, j] - over[i, j]
    crown = height > (crest - BREADTH_DEPTH_MM)[:, None]
    breadth = np.where(crest > LOWEST_MM - 1.0, CELL_MM * crown.sum(axis=1), 0.0)
    facial = np.where(crown, across, -np.inf).max(axis=1)
    lingual = np.where(crown, across, np.inf).min(axis=1)
    return Seams(_valley(cut), breadth, _stagger(facial, lingual), shadow)


def _valley(cut: Array) -> Array:
    """By how much each cut is less than the greater ones on both of its sides, 0 to 1."""
    reach = round(SHOULDER_MM / CELL_MM)
    padded = np.pad(cut, reach, mode="edge")
    windows = np.lib.stride_tricks.sliding_window_view(padded, reach + 1).max(axis=1)
    shoulder = np.minimum(windows[: len(cut)], windows[reach : reach + len(cut)])
    return np.asarray(np.clip(1.0 - cut / np.maximum(shoulder, LEAST_CUT_MM2), 0.0, 1.0))


def _stagger(facial: Array, lingual: Array) -> Array:
    """How far both outlines of the crowns step to the same side, mm.

    Next to a broad premolar only one outline of a canine steps.
    """
    size = round((STAGGER_FAR_MM - STAGGER_NEAR_MM) / CELL_MM) | 1
    shift = round(0.5 * (STAGGER_FAR_MM + STAGGER_NEAR_MM) / CELL_MM)
    steps = []
    for outline in (facial, lingual):
        calm = np.pad(median_filter(outline, size, mode="nearest"), shift, mode="edge")
        steps.append(calm[2 * shift :] - calm[: -2 * shift])
    one, two = steps
    both = np.where(one * two > 0.0, np.minimum(np.abs(one), np.abs(two)), 0.0)
    return np.asarray(np.minimum(both, STAGGER_MOST_MM))
