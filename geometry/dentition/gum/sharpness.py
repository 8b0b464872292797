"""How sharply a scan shows creases, and the walls as a sharper scan would have shown them.

Scanning software smooths, each at its own strength. A step of gum a tenth of a millimetre high
becomes a wave, and what turns more slowly, such as the foot of the attached gum, looks like the
clearer margin. Creases themselves tell how sharp a scan is: across a sharp one the wall turns
within a fraction of a millimetre by nearly as much as within a whole one, whatever its height.
Smoothed walls are sharpened until their creases turn as those of most scans: what one more
smoothing takes away is added again and again (van Cittert 1931, from memory).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter, maximum_filter1d

from geometry.dentition.gum.creases import plainness
from geometry.dentition.gum.margin import edge_step
from geometry.dentition.row.sheets import STEP_S_MM, STEP_Z_MM, smoothed

Array = NDArray[np.float64]

FINE_ROWS, COARSE_ROWS = 2, 5
"""A wall's turn is compared within so many rows above and below."""
CREASE_RAD = (0.2, 0.45)
"""Turn within the coarse reach of creases that tell; those that turn more are mostly jumps from one
surface to another behind it."""
FEWEST = 30
"""So many creases tell the sharpness."""
BLUNT, SHARP = 0.64, 0.75
"""Share of the turn that lies within the fine reach: scans with less are sharpened, until they have
more than the second. Without smoothing nine of ten have more than the first, and half of them about
the second."""
SPREAD_MM = 0.4
"""The smoothing undone in each round."""
ROUNDS = 5
PLAIN_ENOUGH = 0.5
"""Sharpened walls are taken where their crowns are still so plain: on others sharpening brings out
the ripples."""


def turn_within(value: Array, rows: int) -> Array:
    """By how much the profile turns outwards within so many rows, radians; NaN unknown."""
    out = np.full(value.shape, np.nan)
    mid = value[:, rows:-rows]
    reach = rows * STEP_Z_MM
    out[:, rows:-rows] = np.arctan((value[:, : -2 * rows] - mid) / reach) + np.arctan(
        (value[:, 2 * rows :] - mid) / reach
    )
    return out


def sharpness(walls: list[Array]) -> float:
    """Share of creases' turn that lies within the fine reach; NaN where there are too few.

    Parameters
    ----------
    walls : list of (n, m) float64
        Distance towards the observer at each column and falling height, mm; NaN unknown.
    """
    shares = []
    for wall in walls:
        value, _ = smoothed(wall, 0.35, 0.1)
        coarse = np.nan_to_num(turn_within(value, COARSE_ROWS), nan=-9.0)
        fine = np.nan_to_num(turn_within(value, FINE_ROWS), nan=-9.0)
        crease = (coarse > CREASE_RAD[0]) & (coarse < CREASE_RAD[1])
        crease &= coarse == maximum_filter1d(coarse, 7, axis=1)
        shares.append(maximum_filter1d(fine, 5, axis=1)[crease] / coarse[crease])
    every = np.concatenate(shares)
    return float(np.median(every)) if len(every) >= FEWEST else float("nan")


def sharper(
    facial: Array, lingual: Array, z: Array, start: Array, stop: Array, tip: Array, length: Array
) -> tuple[Array, Array]:
    """Both walls as the margin is best looked for on them: sharpened where the scan was smoothed.

    Parameters
    ----------
    facial, lingual : (n, m) float64
        Outward distance at each column and height, mm; NaN unknown.
    z : (m,) float64
        Falling heights, mm.
    start, stop, tip, length : (k,) float64
        Ends of the teeth along the arch, heights of their tips and expected height of their
        crowns, mm.
    """
    outer, inner = sharpened([facial, -lingual])
    if outer is facial:
        return facial, lingual
    plain = plainness(edge_step(outer, 1.0), z, start, stop, tip, length)
    return (outer, -inner) if plain >= PLAIN_ENOUGH else (facial, lingual)


def sharpened(walls: list[Array]) -> list[Array]:
    """The walls as sharp as scans usually are; those that are come back as they were.

    Parameters
    ----------
    walls : list of (n, m) float64
        As :func:`sharpness` takes them.
    """
    now = walls
    for _ in range(ROUNDS):
        if not sharpness(now) < (BLUNT if now is walls else SHARP):
            break
        now = [_closer(wall, value) for wall, value in zip(walls, now, strict=True)]
    return now


def _closer(wall: Array, value: Array) -> Array:
    """``value`` with what its smoothing still lacks of ``wall``."""
    there = ~np.isnan(value)
    sigma = (SPREAD_MM / STEP_S_MM, SPREAD_MM / STEP_Z_MM)
    support = gaussian_filter(there.astype(np.float64), sigma, truncate=3.0)
    total = gaussian_filter(np.where(there, value, 0.0), sigma, truncate=3.0)
    # What was not scanned lacks nothing.
    return np.asarray(value + support * wall - total)
