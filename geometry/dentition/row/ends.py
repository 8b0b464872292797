"""Where a scan ends on a crown instead of on the gum behind the last tooth."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from geometry.dentition.gum.section import Relief
from geometry.dentition.result import CutEnd
from geometry.dentition.row.archline import project
from geometry.dentition.row.spaces import CELL_MM
from geometry.dentition.row.spaces import HALF_MM as SHADOW_HALF_MM

Array = NDArray[np.float64]

OVER_GUM_MM, UNDER_TIP_MM = 1.5, 3.0
"""A border this far over the gum line and this near to the height of the cusps is on a crown."""
HALF_MM, STEP_MM, LEAST_MM = 3.5, 0.5, 6.0
"""Across the middle of the row, it runs over the crown for at least this much of its width: a
border that merely climbs a cheek's or a tongue's side does not."""
BEHIND_MM = 1.0
"""What ends this far behind the last tooth found is another one."""
PAD_FOOT, PAD_RISE, CREST_MM, AWAY_MM = 0.35, 1.5, 2.0, 1.0
"""Unless it is the retromolar pad, which climbs from the gum behind the last molar (Nelson,
*Wheeler's Dental Anatomy*, from memory). Along its crest it begins this low, as a share of the
last crown's height, and rises by no more than this in a millimetre: nine pads rose by 0.6 to 1.1.
A crown's wall behind a groove as deep rises by 1.7 and more."""


def cut_ends(
    relief: Relief,
    start: Array,
    stop: Array,
    tip: Array,
    gum: Array,
    numbers: NDArray[np.int64],
    shadow: Array,
    file: Callable[[Array], Array],
) -> tuple[CutEnd, ...]:
    """Return the ends of the row at which the scan ends on a crown.

    Parameters
    ----------
    relief : Relief
        With the scan's outer border.
    start, stop, tip, gum : (k,) float64
        Ends of the teeth along the arch, height of their tips and of their gum line, mm.
    numbers : (k,) int64
        Tentative ISO 3950 numbers.
    shadow : (n, m) float64
        The row from above, see :func:`geometry.dentition.row.spaces.shadow_map`.
    file : callable
        From (right, anterior, occlusal) axes to file coordinates, (3,).
    """
    if not len(relief.edge):
        return ()
    along, across = project(relief.line, relief.edge[:, :2]).T
    height = relief.edge[:, 2]
    found = []
    for k in (0, len(numbers) - 1):
        outer = along < stop[k] if k == 0 else along > start[k]
        high = height > max(gum[k] + OVER_GUM_MM, tip[k] - UNDER_TIP_MM)
        on = outer & high & (np.abs(across) < HALF_MM)
        if STEP_MM * len(np.unique(np.round(across[on] / STEP_MM))) < LEAST_MM:
            continue
        at = np.median(along[on])
        middle = np.flatnonzero(on)[np.abs(across[on]).argmin()]
        behind = abs(at - 0.5 * (start[k] + stop[k])) > 0.5 * (stop[k] - start[k]) + BEHIND_MM
        end = stop[k] if at > stop[k] else start[k]
        if behind and is_pad(shadow, float(end), float(at), float(gum[k]), float(tip[k])):
            continue
        over = float(np.median(height[on]) - gum[k])
        found.append(CutEnd(int(numbers[k]), bool(behind), over, file(relief.edge[middle])))
    return tuple(found)


def is_pad(shadow: Array, end: float, border: float, gum: float, tip: float) -> bool:
    """Whether gum climbs from the end of a crown to a border, both places along the arch."""
    a, b = sorted((round(end / CELL_MM), round(border / CELL_MM)))
    near = np.abs(np.arange(shadow.shape[1]) * CELL_MM - SHADOW_HALF_MM) < CREST_MM
    crest = shadow[max(a, 0) : b + 1, near].max(axis=1, initial=-np.inf)
    crest = crest[:: 1 if border > end else -1]
    away = round(AWAY_MM / CELL_MM)
    if len(crest) <= away + 1:
        return False
    foot = int(np.argmin(crest[:-away]))
    rises = crest[foot + away :] - crest[foot:-away]
    low = crest[foot] - gum < PAD_FOOT * (tip - gum)
    return bool(low and rises.max() < PAD_RISE)
