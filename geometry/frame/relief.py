"""Height map of a surface seen along one axis, and the tips that stand out of it.

A tip is a place that is highest within ``TIP_RADIUS_MM`` and from which the
surface falls away around it: a cusp, or the highest place of an incisal edge.
Only heights are used, so the result does not depend on normals or winding.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numba import njit
from numpy.typing import NDArray

from geometry.frame.surface import Surface

TIP_RADIUS_MM = 2.0
RING_MM = 2.2
"""Distance at which the fall around a tip is measured."""

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


@dataclass(frozen=True, slots=True)
class Tips:
    """Places that stand out of the relief.

    Attributes
    ----------
    points : (n, 3) float64
        In the coordinates of the surface, mm.
    fall : (n,) float64
        Mean drop of the surface 2.2 mm around the tip, mm, each direction
        counted up to 3 mm.
    """

    points: NDArray[np.float64]
    fall: NDArray[np.float64]


def basis_of(axis: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return a right-handed rotation whose third row is ``axis``."""
    w = axis / np.linalg.norm(axis)
    helper = np.zeros(3)
    helper[int(np.argmin(np.abs(w)))] = 1.0
    u = np.cross(helper, w)
    u /= np.linalg.norm(u)
    return np.stack([u, np.cross(w, u), w])


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


@njit(cache=True, nogil=True)
def _tips(z, index, border, radius_cells, ring_cells, least_fall):  # type: ignore[no-untyped-def]
    rows, columns = z.shape
    reach = int(np.ceil(radius_cells))
    found = np.empty(rows * columns, dtype=np.int32)
    fall = np.empty(rows * columns, dtype=np.float64)
    n = 0
    sectors = 16
    for r in range(rows):
        for c in range(columns):
            here = index[r, c]
            if here < 0 or border[here]:
                continue
            top = z[r, c]
            highest = True
            for dr in range(-reach, reach + 1):
                rr = r + dr
                if rr < 0 or rr >= rows:
                    continue
                for dc in range(-reach, reach + 1):
                    cc = c + dc
                    if cc < 0 or cc >= columns or (dr == 0 and dc == 0):
                        continue
                    if dr * dr + dc * dc > radius_cells * radius_cells:
                        continue
                    other = z[rr, cc]
                    # Equal heights: the first cell in reading order is the tip.
                    if other > top or (other == top and (dr < 0 or (dr == 0 and dc < 0))):
                        highest = False
                        break
                    # A border just beside it, nearly as high: the surface is cut here.
                    if (
                        index[rr, cc] >= 0
                        and border[index[rr, cc]]
                        and dr * dr + dc * dc <= 9
                        and top - other < 0.5
                    ):
                        highest = False
                        break
                if not highest:
                    break
            if not highest:
                continue
            total = 0.0
            for s in range(sectors):
                angle = 2.0 * np.pi * s / sectors
                rr = int(np.floor(r + ring_cells * np.sin(angle) + 0.5))
                cc = int(np.floor(c + ring_cells * np.cos(angle) + 0.5))
                drop = 3.0
                if 0 <= rr < rows and 0 <= cc < columns and index[rr, cc] >= 0:
                    drop = min(3.0, top - z[rr, cc])
                total += drop
            total /= sectors
            if total >= least_fall:
                found[n] = here
                fall[n] = total
                n += 1
    return found[:n], fall[:n]


def relief_of(
    surface: Surface, rotation: NDArray[np.float64], cell: float
) -> tuple[Relief, NDArray[np.float64]]:
    """Return the height map along the third row of ``rotation`` and the turned points."""
    local, z, index, x0, y0 = _highest(surface.points, rotation, cell)
    return Relief(z, index, float(x0), float(y0), cell), local


def tips_of(surface: Surface, relief: Relief, least_fall: float = 0.35) -> Tips:
    """Return the tips of a relief, in the coordinates of the surface."""
    found, fall = _tips(
        relief.z,
        relief.index,
        surface.border,
        TIP_RADIUS_MM / relief.cell,
        RING_MM / relief.cell,
        least_fall,
    )
    return Tips(surface.points[found], fall)
