"""Creases too sharp to be a fold of the gum.

Where gum has receded the margin lies millimetres below where crowns usually end, often below
a neck that looks like one. But the crease in which gum and root meet is then sharper than
anything that a smooth wall or the gum's own relief shows, so it tells the margin whatever
the usual length of a crown. That holds on the cheek's and lips' side; inside, cingula and
the floor of the mouth fold as sharply.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import maximum_filter1d

from geometry.dentition.sheets import STEP_S_MM, STEP_Z_MM

Array = NDArray[np.float64]

CORE = 0.2
"""Part of a crown looked at, as a share of its width to either side of its middle."""
LOOSE_MM = 0.4
"""The crease may leave the expected scallop by this."""
SHARP_RAD = (0.25, 0.35)
"""Mean concavity from which a crease is sharp, front and back teeth: buccal gum rolls out
towards the vestibule."""
SHARPER_RAD = 0.1
"""It tells all it can from this much more."""
LOG_ODDS = 8.0


def sharp_creases(
    crease: Array, z: Array, start: Array, stop: Array, front: NDArray[np.bool_], middle: Array
) -> Array:
    """Evidence for a margin at each column and height, (n, m), in log odds of a whole tooth.

    Parameters
    ----------
    crease : (n, m) float64
        Concavity, radians, from :func:`geometry.dentition.margin.crease_angle`.
    z : (m,) float64
        Falling heights, mm.
    start, stop : (k,) float64
        Ends of the teeth along the arch, mm.
    front : (k,) bool
        Whether it is an incisor or canine.
    middle : (n,) float64
        Expected scallop, mm; NaN away from teeth.
    """
    out = np.zeros(crease.shape)
    at = np.arange(len(crease)) * STEP_S_MM
    rows = np.arange(len(z))
    loose = 2 * round(LOOSE_MM / STEP_Z_MM) + 1
    turn = maximum_filter1d(np.nan_to_num(crease, nan=-1.0), loose, axis=1)
    least = np.where(front, *SHARP_RAD)
    for k in range(len(start)):
        off = np.abs(at - 0.5 * (start[k] + stop[k])) / (stop[k] - start[k])
        own = np.flatnonzero((off <= 0.5) & ~np.isnan(middle))
        core = own[off[own] <= CORE]
        if not len(core):
            continue
        # Rows are counted along the scallop, from its lowest place.
        lower = np.round((middle[own] - middle[own].min()) / STEP_Z_MM).astype(np.int64)
        there = rows[None] - lower[off[own] <= CORE, None]
        mean = turn[core[:, None], np.clip(there, 0, len(z) - 1)].mean(axis=0)
        gain = LOG_ODDS * np.clip((mean - least[k]) / SHARPER_RAD, 0.0, 1.0)
        out[own] = gain[np.clip(rows[None] + lower[:, None], 0, len(z) - 1)]
    return out
