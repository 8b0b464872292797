"""Height map of a surface seen along one axis.

Only heights are used, so nothing here depends on normals or winding.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numba import njit
from numpy.typing import NDArray

from geometry.frame.surface import Surface

EMPTY = -1e9


@dataclass(frozen=True, slots=True)
class Relief:
    """Highest point in each cell of a grid across an axis.

    Attributes
    ----------
    z : (rows, columns) float64
        Height along the axis, mm; ``EMPTY`` where nothing was hit.
    index : (rows, columns) int32
        Row of the surface point in that cell, or -1.
    x0, y0, cell : float
        Cell (r, c) is centred at ``x0 + c·cell``, ``y0 + r·cell``, mm.
    """

    z: NDArray[np.float64]
    index: NDArray[np.int32]
    x0: float
    y0: float
    cell: float


def _cross(a: NDArray[np.float64], b: NDArray[np.float64]) -> NDArray[np.float64]:
    # np.cross costs thirty times as much for one pair of vectors.
    return np.array(
        [a[1] * b[2] - a[2] * b[1], a[2] * b[0] - a[0] * b[2], a[0] * b[1] - a[1] * b[0]]
    )


def basis_of(axis: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return a right-handed rotation whose third row is ``axis``."""
    w = axis / np.linalg.norm(axis)
    helper = np.zeros(3)
    helper[int(np.argmin(np.abs(w)))] = 1.0
    u = _cross(helper, w)
    u /= np.linalg.norm(u)
    return np.stack([u, _cross(w, u), w])


@njit(cache=True, nogil=True)
def _highest(points, rotation, cell):  # type: ignore[no-untyped-def]
    n = points.shape[0]
    local = np.empty((n, 3), dtype=np.float64)
    x_low = y_low = 1e18
    x_high = y_high = -1e18
    for i in range(n):
        for d in range(3):
            local[i, d] = (
                rotation[d, 0] * points[i, 0]
                + rotation[d, 1] * points[i, 1]
                + rotation[d, 2] * points[i, 2]
            )
        x_low = min(x_low, local[i, 0])
        x_high = max(x_high, local[i, 0])
        y_low = min(y_low, local[i, 1])
        y_high = max(y_high, local[i, 1])
    columns = int((x_high - x_low) / cell) + 2
    rows = int((y_high - y_low) / cell) + 2
    z = np.full((rows, columns), -1e9, dtype=np.float64)
    index = np.full((rows, columns), -1, dtype=np.int32)
    for i in range(n):
        c = int((local[i, 0] - x_low) / cell + 0.5)
        r = int((local[i, 1] - y_low) / cell + 0.5)
        if local[i, 2] > z[r, c]:
            z[r, c] = local[i, 2]
            index[r, c] = i
    return local, z, index, x_low, y_low


def relief_of(
    surface: Surface, rotation: NDArray[np.float64], cell: float
) -> tuple[Relief, NDArray[np.float64]]:
    """Return the height map along the third row of ``rotation`` and the turned points."""
    local, z, index, x0, y0 = _highest(surface.points, rotation, cell)
    return Relief(z, index, float(x0), float(y0), cell), local
