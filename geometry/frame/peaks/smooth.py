"""How smooth the surface is around a peak: gum behind the last teeth is round, cusps are not.

Seen from above a tuberosity or the pad behind a lower molar has its peak, and falls away on all
sides like a cusp. But it is one smooth hill as broad as a tooth, which a quadratic describes, and
the cusps and fissures of a molar are not.
"""

from __future__ import annotations

import numpy as np
from numba import njit
from numpy.typing import NDArray

from geometry.frame.relief import Relief

Array = NDArray[np.float64]

AROUND_MM, DOWN_MM = 3.0, 2.0
"""Looked at so far around a peak, and so far down from it."""

SMOOTH_MM, ROUGH_MM = 0.055, 0.095
"""Root mean square distance from the best quadratic. Of the pads in generated mouths none had more
than 0.05, of the cusps of half erupted teeth none less than 0.1."""

LEAST_CELLS = 20


@njit(cache=True, nogil=True)
def _off_quadratic(z, index, cell, rows, columns, heights, around, down, least):  # type: ignore[no-untyped-def]
    """Root mean square distance of the cells around each place from their quadratic, mm."""
    out = np.full(rows.shape[0], np.inf)
    reach = int(np.ceil(around / cell))
    for p in range(rows.shape[0]):
        normal = np.zeros((6, 6))
        right = np.zeros(6)
        terms = np.empty(6)
        square = 0.0
        count = 0
        for dr in range(-reach, reach + 1):
            for dc in range(-reach, reach + 1):
                r, c = rows[p] + dr, columns[p] + dc
                if r < 0 or c < 0 or r >= z.shape[0] or c >= z.shape[1] or index[r, c] < 0:
                    continue
                x, y = dc * cell / around, dr * cell / around
                height = z[r, c] - heights[p]
                if x * x + y * y > 1.0 or height < -down:
                    continue
                terms[0], terms[1], terms[2] = 1.0, x, y
                terms[3], terms[4], terms[5] = x * x, x * y, y * y
                for a in range(6):
                    right[a] += terms[a] * height
                    for b in range(6):
                        normal[a, b] += terms[a] * terms[b]
                square += height * height
                count += 1
        if count < least:
            continue
        for a in range(6):
            normal[a, a] += 1e-9 * count
        fit = np.linalg.solve(normal, right)
        out[p] = np.sqrt(max(square - (fit * right).sum(), 0.0) / count)
    return out


def roughness(relief: Relief, points: Array) -> Array:
    """Return how far the surface around peaks is from one smooth hill, (n,) mm.

    Infinite where too little of it is seen.

    Parameters
    ----------
    relief : Relief
    points : (n, 3) float64
        In the axes of the relief, mm.
    """
    columns = np.round((points[:, 0] - relief.x0) / relief.cell).astype(np.int64)
    rows = np.round((points[:, 1] - relief.y0) / relief.cell).astype(np.int64)
    heights = np.ascontiguousarray(points[:, 2])
    found = _off_quadratic(
        relief.z,
        relief.index,
        relief.cell,
        rows,
        columns,
        heights,
        AROUND_MM,
        DOWN_MM,
        LEAST_CELLS,
    )
    return np.asarray(found)


def crown_shares(relief: Relief, points: Array) -> Array:
    """Return for each peak how little it looks like gum, (n,) 0 to 1; see :func:`roughness`."""
    off = (roughness(relief, points) - SMOOTH_MM) / (ROUGH_MM - SMOOTH_MM)
    return np.asarray(np.clip(off, 0.0, 1.0))
