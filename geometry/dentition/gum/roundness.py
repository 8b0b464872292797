"""How round crowns are from mesial to distal, which gum is not.

Under its gingival margin a tooth no longer stands out between its neighbours: from one side
of it to the other the gum runs on nearly as even as the arch. So the height at which the
crown's roundness ends tells the margin where neither a crease nor a step does, as on the
cingulum of front teeth, which slopes into the gum.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from geometry.dentition.row.sheets import STEP_S_MM, STEP_Z_MM

Array = NDArray[np.float64]

CORE, FLANK = 0.08, (0.14, 0.26)
"""Parts of a crown compared, as shares of its width from its middle."""
SEEN_SHARE = 0.5
CROWN_MM = (2.0, 0.6)
"""Roundness of the crown itself: from so far below the tip to this share of its length."""
GUM_MM = (1.5, 4.0)
"""And of the gum: so far below the expected margin."""
THRESHOLD, SOFTNESS = 0.4, 0.25
"""Roundness between the two that tells nothing, and how far from it a row tells all it can,
as shares of their difference."""
CONTRAST = (0.02, 0.08)
"""Contrast of the two, 1/mm, from which it tells something, and everything it can."""


def roundness(sheet: Array, start: float, stop: float) -> Array:
    """How far a tooth's middle bulges over its sides at each height, (m,) 1/mm; NaN unknown."""
    at = np.arange(len(sheet)) * STEP_S_MM
    q = (at - 0.5 * (start + stop)) / (stop - start)
    parts = []
    for first, last in ((-CORE, CORE), (-FLANK[1], -FLANK[0]), FLANK):
        part = sheet[(q >= first) & (q <= last)]
        known = ~np.isnan(part)
        count = known.sum(axis=0)
        mean = np.where(known, part, 0.0).sum(axis=0) / np.maximum(count, 1)
        parts.append(np.where(count > SEEN_SHARE * len(part), mean, np.nan))
    wide = 0.5 * (FLANK[0] + FLANK[1]) * (stop - start)
    return np.asarray((parts[0] - 0.5 * (parts[1] + parts[2])) / wide**2)


def ends_of_crowns(
    round_at: list[Array],
    z: Array,
    start: Array,
    stop: Array,
    tip: Array,
    length: Array,
    weight: Array,
    middle: Array,
) -> Array:
    """Evidence for a margin at each column and height, (n, m), in log odds.

    Parameters
    ----------
    round_at : list of (m,) float64
        Of each tooth, from :func:`roundness`, rows of ``z``.
    z : (m,) float64
        Falling heights, mm.
    start, stop, tip, length : (k,) float64
        Ends of the teeth along the arch, height of their tips, expected height of the
        crowns, mm.
    weight : (k,) float64
        Log odds for a millimetre of round crown.
    middle : (n,) float64
        Expected scallop, NaN away from teeth; it is followed from the tooth's middle, and
        gum that reaches the tooth's sides higher up does not end the crown.
    """
    out = np.zeros((len(middle), len(z)))
    at = np.arange(len(out)) * STEP_S_MM
    rows = np.arange(len(z))
    for k, values in enumerate(round_at):
        own = np.flatnonzero((at >= start[k]) & (at <= stop[k]) & ~np.isnan(middle))
        if not len(own):
            continue
        surplus = weight[k] * _surplus(values, z, float(tip[k]), float(length[k]))
        q = (at[own] - 0.5 * (start[k] + stop[k])) / (stop[k] - start[k])
        beside = middle[own[np.abs(np.abs(q) - 0.5 * sum(FLANK)).argmin()]]
        shift = np.round((middle[own] - beside) / STEP_Z_MM).astype(np.int64)
        out[own] = surplus[np.clip(rows[None] + shift[:, None], 0, len(z) - 1)]
    return out


def _surplus(round_at: Array, z: Array, tip: float, length: float) -> Array:
    """By how much more of the wall above each height is round than is not, (m,) mm."""
    below = tip - z
    crown = _median(round_at[(below > CROWN_MM[0]) & (below < CROWN_MM[1] * length)])
    gum = _median(round_at[(below > length + GUM_MM[0]) & (below < length + GUM_MM[1])])
    gum = 0.0 if np.isnan(gum) else gum
    contrast = crown - gum
    if not contrast > CONTRAST[0]:
        return np.zeros(len(z))
    trust = min((contrast - CONTRAST[0]) / (CONTRAST[1] - CONTRAST[0]), 1.0)
    off = (round_at - gum - THRESHOLD * contrast) / (SOFTNESS * contrast)
    sign = np.where(np.isnan(off) | (below < CROWN_MM[0]), 0.0, np.clip(off, -1.0, 1.0))
    return np.asarray(trust * STEP_Z_MM * np.cumsum(sign))


def _median(values: Array) -> float:
    known = values[~np.isnan(values)]
    return float(np.median(known)) if len(known) else float("nan")
