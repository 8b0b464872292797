"""Open gingival embrasures: daylight between two crowns below their contact."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from geometry.dentition.result import Embrasure
from geometry.dentition.row.crowns import sextant_of
from geometry.dentition.row.sheets import STEP_S_MM, STEP_Z_MM, Sheets

Array = NDArray[np.float64]

LEAST_MM = 1.1
THIN_MM = 0.3
SOLID_MM = 1.0
REACH_MM = 1.2
BELOW_TIP_MM = 1.5
DEEPEST_MM = 13.0


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
    for k, (one, two) in enumerate(pairwise(numbers.tolist())):
        if (one, two) in gaps or start[k + 1] - stop[k] > 1.0:
            continue
        middle = float(0.5 * (stop[k] + start[k + 1]))
        found = _opening(sheets, middle, min(float(tip[k]), float(tip[k + 1])))
        if found is None:
            continue
        high, low = found
        out.append(Embrasure(high - low, lift(middle, 0.0, 0.5 * (high + low)), (one, two),
                             sextant_of(one)))
    return tuple(out)


def _opening(sheets: Sheets, middle: float, tip: float) -> tuple[float, float] | None:
    """Top and bottom of the tallest opening at a boundary, mm; None when it is closed.

    An opening has the contact above it and tissue below it, in the same place.
    """
    m = round(middle / STEP_S_MM)
    reach = round(REACH_MM / STEP_S_MM)
    part = slice(max(m - reach, 0), m + reach + 1)
    facial, lingual = sheets.facial[part], sheets.lingual[part]
    # Where a ray meets neither surface it goes through; where it meets one, the other was
    # not scanned or faces the ray edge on, and nothing can be said.
    through = np.isnan(facial) & np.isnan(lingual)
    thickness = np.where(through, 0.0, facial - lingual)
    first = int((sheets.z[0] - tip + BELOW_TIP_MM) / STEP_Z_MM)
    last = min(int((sheets.z[0] - tip + DEEPEST_MM) / STEP_Z_MM), thickness.shape[1])
    if len(thickness) == 0 or first >= last:
        return None
    with np.errstate(invalid="ignore"):
        open_rows = np.any(thickness < THIN_MM, axis=0).tolist()
        closed_rows = np.all((thickness > SOLID_MM) | np.isnan(thickness), axis=0).tolist()
    best: tuple[float, float] | None = None
    top = -1
    for row in range(first, last):
        if open_rows[row]:
            top = row if top < 0 else top
            continue
        if top > first and any(closed_rows[first:top]) and any(closed_rows[row:]):
            height = (row - top) * STEP_Z_MM
            if height >= LEAST_MM and (best is None or height > best[0] - best[1]):
                best = (float(sheets.z[top]), float(sheets.z[row]))
        top = -1
    return best
