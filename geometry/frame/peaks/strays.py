"""Peaks that are no part of a tooth: folds beside the front teeth, gum behind the last ones."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from geometry.frame.arch.unroll import STEP_S_MM, Unrolled

Array = NDArray[np.float64]

NEARBY_MM, HALF_BREADTH_MM = 1.0, 7.0
UNDER_MM, FAR_UNDER_MM = 1.5, 2.5
"""An incisor bites with its edge alone: what lies so far under it, before or behind, does not. Of
the tips of generated incisors nineteen of twenty lay less than 0.5 mm under the highest place of
their row, half of the other peaks there more than 4."""

HIGH_MM, LOW_MM, BEHIND_MM = -0.8, -1.6, 2.0
"""A peak may be gum the more, the farther it lies under the plane and behind all that do not."""

TOGETHER_MM, APART_MM = 6.5, 8.5
ALIKE_MM, UNLIKE_MM = 2.0, 3.0
"""A tooth behind the others that stands lower than they do shows three or four cusps so near to
each other and of about one height; gum shows one peak. Of the cusps of generated ones nineteen of
twenty had two peaks within 6.5 mm, of peaks of gum nineteen of twenty at most one."""


def edge_alone_shares(row: Unrolled, height: Array, places: Array, reach_mm: float) -> Array:
    """Return for each peak how much it counts for being as high as the incisor there, (n,) 0 to 1.

    Parameters
    ----------
    row : Unrolled
    height : (n,) float64
        Of the peaks over the plane, mm.
    places : (n, 2) float64
        Where they lie along and across the row, mm.
    reach_mm : float
        How far the incisors go from the midline.
    """
    crown = np.where(np.isnan(row.height), -np.inf, row.height)[:, np.abs(row.t) < HALF_BREADTH_MM]
    top = crown.max(axis=1)
    half = round(NEARBY_MM / STEP_S_MM)
    padded = np.pad(top, half, constant_values=-np.inf)
    top = np.lib.stride_tricks.sliding_window_view(padded, 2 * half + 1).max(axis=1)
    at = np.searchsorted(row.s, places[:, 0]).clip(max=row.s.size - 1)
    under = np.where(np.abs(places[:, 0]) < reach_mm, top[at] - height, 0.0)
    return np.asarray(np.clip((FAR_UNDER_MM - under) / (FAR_UNDER_MM - UNDER_MM), 0.0, 1.0))


def behind_shares(points: Array, height: Array, places: Array) -> Array:
    """Return for each peak how much it counts for not being gum behind the last teeth, (n,) 0 to 1.

    Parameters
    ----------
    points : (n, 3) float64
        Peaks, mm.
    height, places
        As above.
    """
    away = np.linalg.norm(points[:, None] - points[None], axis=2)
    near = np.clip((APART_MM - away) / (APART_MM - TOGETHER_MM), 0.0, 1.0)
    apart = np.abs(height[:, None] - height[None])
    near *= np.clip((UNLIKE_MM - apart) / (UNLIKE_MM - ALIKE_MM), 0.0, 1.0)
    company = near.sum(axis=1) - 1.0
    company = np.clip(company - 1.0, 0.0, 1.0)
    high = np.clip((height - LOW_MM) / (HIGH_MM - LOW_MM), 0.0, 1.0)
    out = np.ones(len(points))
    for along in (places[:, 0], -places[:, 0]):
        beside = np.clip(1.0 - (along[:, None] - along[None]) / BEHIND_MM, 0.0, 1.0) * high
        # Nothing on the other side of the midline lies behind the teeth of this one.
        across = np.clip(1.0 - along / BEHIND_MM, 0.0, 1.0)
        out = np.minimum(out, np.maximum(company, np.maximum(beside.max(axis=1), across)))
    return out
