"""Biting surfaces without a tip: worn flat, leaning, or cut by the border of the scan.

A plane of tips alone leaves such teeth out, and a row that is worn on one side or at
one end then tilts towards the teeth that still have cusps; so it does where lower
molars lean to the tongue and their worn lingual cusps are no peaks any more. Here the
facial and the lingual half of every stretch of the row without a tip of their own give
the place that stands highest when one leans with them.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from geometry.frame.arch.unroll import STEP_S_MM, Unrolled

TIP_NEAR_MM, TIP_FAR_MM = 2.2, 4.4
"""A tip this near along the row stands for a place; from the farther distance on none does.
In between the place counts in part, so that no tip more or less tips the plane over."""

STEP_MM = 1.5
COUNTS = 0.25
"""One tip for about every cusp's breadth (6 mm) of the row."""

HALF_BREADTH_MM = 6.5
LEAN = 0.42
"""Slope by which a half may fall to its side and still bite, about 23°."""

TABLE_BREADTH_MM = 3.2
"""Rims nearer to each other than this are one edge, not two rows of cusps."""

CUSPS_MM, APART_MM = 7.0, 10.0
"""Between two tips of one half as near as that lies a groove or the place where two teeth meet, not
a worn surface; between tips as far apart as this a tooth may have lost its cusps."""

RIDGE_MM, TOOTH_MM = 5.0, 8.0
"""Past the last tip the row goes on over the end of that tooth and the gum behind it; it goes on
this far where a worn tooth follows."""

LOWEST_MM = -2.2
LOWEST_BESIDE_MM = -4.5
"""Deeper surfaces may be gum; beside a tip of the same tooth they may lie deeper than else."""


def table_places(
    row: Unrolled, tips: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Find biting surfaces without a tip.

    Parameters
    ----------
    row : Unrolled
    tips : (n, 2) float64
        Where the tips lie along and across the row, mm.

    Returns
    -------
    places : (k, 3) float64
        Across, anterior, height over the plane, mm.
    share : (k,) float64
        How much each counts, as a share of a tip.
    """
    half = round(STEP_MM / STEP_S_MM)
    band = np.abs(row.t) < HALF_BREADTH_MM
    t = row.t[band]
    crown = np.where(np.isfinite(row.height[:, band]), row.height[:, band], -1e3)
    tangent = np.gradient(row.line, axis=0)
    tangent /= np.maximum(np.linalg.norm(tangent, axis=1), 1e-9)[:, None]
    ends = _past_the_last_tip(row, crown.max(axis=1), tips[:, 0])
    places, share = [], []
    for at in range(half, row.s.shape[0] - half, half):
        stretch = slice(at - half, at + half + 1)
        if not row.covered[stretch].all():
            continue
        block = crown[stretch]
        rims = []
        for lean in (LEAN * t, -LEAN * t):
            i, j = divmod(int(np.argmax(block + lean)), t.size)
            rims.append((float(block[i, j]), i + at - half, float(t[j])))
        breadth = rims[0][2] - rims[1][2]
        near = np.abs(tips[:, 0] - row.s[at])
        lowest = LOWEST_BESIDE_MM if near.min(initial=TIP_FAR_MM) < TIP_NEAR_MM else LOWEST_MM
        middle = 0.5 * (rims[0][2] + rims[1][2])
        if breadth < TABLE_BREADTH_MM:
            rims = [max(rims)]
            own = [np.ones(near.shape[0], dtype=np.bool_)]
        else:
            own = [tips[:, 1] >= middle, tips[:, 1] < middle]
        for (height, i, across), mine in zip(rims, own, strict=True):
            distance = float(near[mine].min(initial=TIP_FAR_MM))
            weight = (distance - TIP_NEAR_MM) / (TIP_FAR_MM - TIP_NEAR_MM)
            weight *= _room_between(tips[mine, 0], row.s[i]) * ends[i]
            if weight > 0.0 and height >= lowest:
                outward = np.array([-tangent[i, 1], tangent[i, 0]])
                places.append([*(row.line[i] + across * outward), height])
                share.append(COUNTS * weight)
    return np.array(places).reshape(-1, 3), np.array(share)


def _room_between(along: NDArray[np.float64], s: float) -> float:
    """How far the tips (n,) on either side of a place leave room for a tooth, 0 to 1."""
    before, after = s - along[along <= s], along[along > s] - s
    if not before.size or not after.size:
        return 1.0
    room = float(before.min() + after.min())
    return float(np.clip((room - CUSPS_MM) / (APART_MM - CUSPS_MM), 0.0, 1.0))


def _past_the_last_tip(
    row: Unrolled, top: NDArray[np.float64], along: NDArray[np.float64]
) -> NDArray[np.float64]:
    """How much each place of the row (n,) counts for where it ends; 1 but past the last tip."""
    out = np.ones(row.s.size)
    if not along.size:
        return out
    high = row.covered & (top >= LOWEST_MM)
    for past in (np.flatnonzero(row.s > along.max()), np.flatnonzero(row.s < along.min())[::-1]):
        goes_on = STEP_S_MM * int(np.cumprod(high[past]).sum())
        out[past] = np.clip((goes_on - RIDGE_MM) / (TOOTH_MM - RIDGE_MM), 0.0, 1.0)
    return out
