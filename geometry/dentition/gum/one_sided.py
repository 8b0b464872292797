"""Lines that end a crown far too high on one side only: mostly no margins.

Half-erupted and primary crowns are short on both sides. Where one side alone ends millimetres
above where it is expected, something on the crown has been taken for its margin: composite on its
cusps, the shoulder of a cingulum, an edge of what is bonded to it. There the most likely line below
is told instead, if one is seen, and the doubt between the two stays in the odds.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from geometry.dentition.gum.margin import Path, is_seen, middle_column
from geometry.dentition.row.sheets import STEP_S_MM

Array = NDArray[np.float64]
SIDES = ("facial", "lingual")

OVER_MM, MORE_MM = 2.2, 2.7
"""So far above its expected place, and by so much more than the other side's: of 21 such lines in
scans of four makers 17 were wrong."""
BELOW_MM = 0.6
"""The other line is looked for from so far below."""


def one_sided(
    paths: dict[str, Path], expected: dict[str, Array], start: Array, stop: Array
) -> dict[str, NDArray[np.int64]]:
    """Indices of such teeth by side.

    Parameters
    ----------
    paths, expected : dict
        For ``facial`` and ``lingual`` the line found, and (n,) the height expected at each column,
        mm; NaN away from teeth.
    start, stop : (k,) float64
        Ends of the teeth along the arch, mm.
    """
    at = [middle_column(a, b) for a, b in zip(start, stop, strict=True)]
    over = [paths[side].height[at] - expected[side][at] for side in SIDES]
    return {
        side: np.flatnonzero((own > OVER_MM) & (own - other > MORE_MM))
        for side, own, other in zip(SIDES, over, over[::-1], strict=True)
    }


def without_line(path: Path, image: Array, z: Array) -> Array:
    """An image of creases or steps, (n, m), that shows none at the line and above it.

    ``z`` (m,) are its rows' falling heights, mm.
    """
    above = z > (path.height - BELOW_MM)[:, None]
    return np.where(above & ~np.isnan(image), 0.0, image)


def either(path: Path, lower: Path, border: Array, start: Array, stop: Array) -> Path:
    """The line with the lower one at these teeth, and with the odds of both.

    Parameters
    ----------
    path, lower : Path
    border : (n,) float64
        Lowest scanned height of each column, mm.
    start, stop : (k,) float64
        Ends of the teeth in question along the arch, mm.
    """
    at = np.arange(len(border)) * STEP_S_MM
    costs = [each.cost - each.cost.min(axis=1, keepdims=True) for each in (path, lower)]
    height, cost = path.height.copy(), path.cost.copy()
    for a, b in zip(start, stop, strict=True):
        own = (at >= a) & (at <= b)
        cost[own] = np.minimum(*costs)[own]
        m = middle_column(a, b)
        if is_seen(lower, m) and lower.height[m] > border[m]:
            height[own] = lower.height[own]
    return replace(path, height=height, cost=cost)
