"""Open gingival embrasures: daylight between two crowns below their contact."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
from numpy.typing import NDArray

from geometry.dentition.crowns import sextant_of
from geometry.dentition.result import Embrasure
from geometry.dentition.sheets import STEP_S_MM, STEP_Z_MM, Sheets

Array = NDArray[np.float64]

LEAST_MM = 1.0
THIN_MM = 0.6
REACH_MM = 0.6
BELOW_TIP_MM = 2.0


def open_embrasures(sheets: Sheets, numbers: NDArray[np.int64], start: Array, stop: Array,
                    tip: Array, gaps: Sequence[tuple[int, int]],
                    lift: Callable[[float, float, float], Array]) -> tuple[Embrasure, ...]:
    """Find where horizontal light passes between neighbours that touch.

    Parameters
    ----------
    sheets : Sheets
    numbers, start, stop, tip
        The row of teeth.
    gaps : pairs of neighbours with no contact, which are left out
    lift : turns (arc length, outward distance, height) into file coordinates
    """
    out = []
    for k in range(len(numbers) - 1):
        pair = (int(numbers[k]), int(numbers[k + 1]))
        if pair in gaps or start[k + 1] - stop[k] > 1.0:
            continue
        middle = 0.5 * (stop[k] + start[k + 1])
        found = _opening(sheets, middle, min(float(tip[k]), float(tip[k + 1])))
        if found is None:
            continue
        high, low, n = found
        if high - low >= LEAST_MM:
            out.append(Embrasure(high - low, lift(float(middle), n, 0.5 * (high + low)), pair,
                                 sextant_of(pair[0])))
    return tuple(out)


def _opening(sheets: Sheets, middle: float, tip: float) -> tuple[float, float, float] | None:
    """Top, bottom and outward distance of the opening at a boundary, or None."""
    m = int(round(middle / STEP_S_MM))
    reach = int(round(REACH_MM / STEP_S_MM))
    facial = sheets.facial[max(m - reach, 0) : m + reach + 1]
    lingual = sheets.lingual[max(m - reach, 0) : m + reach + 1]
    if len(facial) == 0:
        return None
    thickness = np.where(np.isnan(facial - lingual), 0.0, facial - lingual)
    thin = (thickness < THIN_MM).any(axis=0)
    solid = (thickness > 1.0).all(axis=0)
    first = int((sheets.z[0] - (tip - BELOW_TIP_MM)) / STEP_Z_MM)
    last = int((sheets.z[0] - (tip - 12.0)) / STEP_Z_MM)
    rows = np.arange(len(thin))
    window = (rows >= first) & (rows <= min(last, len(thin) - 1))
    # Solid contact above, open, solid tissue below.
    best = None
    j = first
    while j < min(last, len(thin)):
        if thin[j] and window[j]:
            a = j
            while j < len(thin) and thin[j]:
                j += 1
            above = solid[max(first - 4, 0) : a].any() or not thin[max(a - 1, 0)]
            below = solid[j : j + 8].any()
            if above and below and (best is None or j - a > best[1] - best[0]):
                best = (a, j)
        j += 1
    if best is None:
        return None
    n = float(np.nanmean([np.nanmedian(sheets.facial[m]), np.nanmedian(sheets.lingual[m])]))
    return float(sheets.z[best[0]]), float(sheets.z[min(best[1], len(sheets.z) - 1)]), n
