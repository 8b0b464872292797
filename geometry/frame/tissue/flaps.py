"""Soft tissue scanned along with an arch: a fold of cheek or lip beside it, a tongue within it.

Going out from the crowns a scan falls to the gum and ends there. Where it rises again and ends
high, over some length of the row, it goes on over something that is no part of the arch, and
the arch ends in the valley between. Teeth that stand out of the row rise too, but beyond them
comes gum again.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import binary_closing, binary_opening, median_filter

from geometry.frame.arch.row_curve import RowCurve
from geometry.frame.arch.unroll import STEP_S_MM, Unrolled, beside
from geometry.frame.arch.vault import Vault

Array = NDArray[np.float64]

RISE_MM = 3.0
"""A valley this deep beside a high end: gum folds and ridges at a scan's border stay below."""

VALLEY_MM = -4.0
"""The valley lies at least this far under the occlusal plane: beside crowns, not on them."""

FROM_MM = 3.0
"""Valleys are looked for from this far outside the centre line of the crowns on."""

SHORTEST_MM = 10.0
"""A fold is at least this long along the row; a tooth is not."""

GAP_MM, WIDER_MM, SMOOTH_MM = 3.0, 2.0, 2.0
NEARLY_MM, CLEAR_MM = 0.5, 0.6


@dataclass(frozen=True, slots=True)
class Flaps:
    """Where an arch ends and soft tissue begins, in the frame's own plane.

    Attributes
    ----------
    centre : (3,) float64, mm
        What is subtracted from a point of the file.
    rotation : (3, 3) float64
        Turns what is left so that the third axis is the occlusal one.
    form : RowCurve
    line : (n, 2) float64
        Centre line of the crowns, (across, anterior) from the apex, mm.
    facial, lingual : (n,) float64
        Distance outward and inward from the line at which soft tissue begins, mm; inf
        where there is none.
    """

    centre: Array
    rotation: Array
    form: RowCurve
    line: Array
    facial: Array
    lingual: Array

    def beyond(self, points: Array) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
        """Mark points (n, 3) of the file on soft tissue within the arch, and outside of it."""
        flat = self.form.to_arch((points - self.centre) @ self.rotation[:2].T)
        nearest, t = beside(self.line, flat)
        return -t > self.lingual[nearest], t > self.facial[nearest]


def find_flaps(
    centre: Array, rotation: Array, form: RowCurve, row: Unrolled, vault: Vault
) -> Flaps | None:
    """Return where soft tissue was scanned along; None where there is none.

    Parameters
    ----------
    centre : (3,) float64, mm
    rotation : (3, 3) float64
    form : RowCurve
    row : Unrolled
        Heights over the occlusal plane along and across the row.
    vault : Vault
        What lies between the back teeth: on the tongue's side only what stands up to the
        biting surfaces is soft tissue.
    """
    facial = _limits(row.height, row.t, row.covered)
    lingual = np.full(row.s.shape, np.inf)
    if vault.tongue:
        lingual = _limits(row.height[:, ::-1], -row.t[::-1], row.covered)
    if not (np.isfinite(facial).any() or np.isfinite(lingual).any()):
        return None
    return Flaps(centre, rotation, form, row.line, facial, lingual)


def _limits(height: Array, t: Array, covered: NDArray[np.bool_]) -> Array:
    """Return at which t (n,) soft tissue begins along the row; inf where there is none."""
    out = t >= FROM_MM
    t, height = t[out], height[:, out]
    seen = np.isfinite(height)
    last = t.size - 1 - np.argmax(seen[:, ::-1], axis=1)
    end = np.where(seen.any(axis=1), height[np.arange(len(height)), last], np.nan)
    before = np.where(seen & (np.arange(t.size) <= last[:, None]), height, np.inf)
    lowest = before.min(axis=1)
    found = covered & np.isfinite(end) & (end - lowest > RISE_MM) & (lowest < VALLEY_MM)
    runs = _long_runs(found)
    if not runs.any():
        return np.full(len(height), np.inf)
    # The last place that is nearly as low is the valley's far side, where the fold begins; a
    # little before it, so that none of the fold stays.
    low = before < lowest[:, None] + NEARLY_MM
    valley = t[t.size - 1 - np.argmax(low[:, ::-1], axis=1)] - CLEAR_MM
    places = np.flatnonzero(found & runs)
    along = np.interp(np.arange(len(height)), places, valley[places])
    smooth = median_filter(along, 1 + 2 * round(SMOOTH_MM / STEP_S_MM), mode="nearest")
    return np.where(runs, smooth, np.inf)


def _long_runs(found: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Join what is near, drop what is short, and widen the rest a little."""

    def wide(mm: float) -> NDArray[np.bool_]:
        return np.ones(1 + 2 * round(0.5 * mm / STEP_S_MM), dtype=np.bool_)

    pad = round(GAP_MM / STEP_S_MM)
    padded = np.pad(found, pad)
    joined = binary_closing(padded, wide(GAP_MM))[pad:-pad]
    long = binary_opening(joined, wide(SHORTEST_MM))
    result: NDArray[np.bool_] = np.convolve(long, wide(2 * WIDER_MM), mode="same") > 0
    return result
