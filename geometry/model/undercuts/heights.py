"""Height field of a solid seen from above, and the surfaces that columns cross."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numba import njit
from numpy.typing import NDArray

from geometry.model.surface.halfedges import Faces
from geometry.topology.adjacency import extent


@dataclass(frozen=True, slots=True)
class Grid:
    """A square grid of columns: column (i, j) stands at ``(x0 + i·pitch, y0 + j·pitch)``."""

    x0: float
    y0: float
    pitch: float
    nx: int
    ny: int

    @classmethod
    def over(cls, points: NDArray[np.float64], pitch: float, margin: float) -> Grid:
        """Return the grid that covers the points in plan with a margin, mm."""
        low, high = extent(points)[:, :2] + [[-margin], [margin]]
        # An offset that no coordinate of a file is likely to share keeps columns
        # from running exactly along edges.
        low = np.floor(low / pitch) * pitch + 0.4142 * pitch
        nx, ny = (np.ceil((high - low) / pitch).astype(int) + 1).tolist()
        return cls(float(low[0]), float(low[1]), pitch, nx, ny)


@njit(cache=True, nogil=True)
def _top(
    vertices: NDArray[np.float64],
    faces: NDArray[np.int32],
    x0: float,
    y0: float,
    pitch: float,
    out: NDArray[np.float32],
) -> None:
    nx, ny = out.shape
    for f in range(len(faces)):
        a, b, c = faces[f, 0], faces[f, 1], faces[f, 2]
        ax, ay, az = vertices[a, 0], vertices[a, 1], vertices[a, 2]
        bx, by, bz = vertices[b, 0], vertices[b, 1], vertices[b, 2]
        cx, cy, cz = vertices[c, 0], vertices[c, 1], vertices[c, 2]
        area = (bx - ax) * (cy - ay) - (by - ay) * (cx - ax)
        if area <= 0.0:
            continue  # faces down or stands upright: never the top
        i0 = max(0, int(np.ceil((min(ax, bx, cx) - x0) / pitch)))
        i1 = min(nx - 1, int(np.floor((max(ax, bx, cx) - x0) / pitch)))
        j0 = max(0, int(np.ceil((min(ay, by, cy) - y0) / pitch)))
        j1 = min(ny - 1, int(np.floor((max(ay, by, cy) - y0) / pitch)))
        for i in range(i0, i1 + 1):
            x = x0 + i * pitch
            for j in range(j0, j1 + 1):
                y = y0 + j * pitch
                u = (bx - x) * (cy - y) - (by - y) * (cx - x)
                v = (cx - x) * (ay - y) - (cy - y) * (ax - x)
                w = area - u - v
                if u >= 0.0 and v >= 0.0 and w >= 0.0:
                    z = (u * az + v * bz + w * cz) / area
                    if z > out[i, j]:
                        out[i, j] = z


def top_heights(
    vertices: NDArray[np.float64], faces: Faces, grid: Grid, empty: float = -1.0
) -> NDArray[np.float32]:
    """Return the highest upward-facing surface over each column, mm.

    Returns
    -------
    (nx, ny) float32
        ``empty`` where no surface lies over the column.
    """
    out = np.full((grid.nx, grid.ny), empty, dtype=np.float32)
    _top(vertices, faces, grid.x0, grid.y0, grid.pitch, out)
    return out


@njit(cache=True, nogil=True)
def _crossings(
    vertices: NDArray[np.float64],
    faces: NDArray[np.int32],
    x0: float,
    y0: float,
    pitch: float,
    nx: int,
    ny: int,
    count: NDArray[np.int32],
    start: NDArray[np.int64],
    z_out: NDArray[np.float32],
    up_out: NDArray[np.int8],
    write: bool,
) -> None:
    for f in range(len(faces)):
        a, b, c = faces[f, 0], faces[f, 1], faces[f, 2]
        ax, ay, az = vertices[a, 0], vertices[a, 1], vertices[a, 2]
        bx, by, bz = vertices[b, 0], vertices[b, 1], vertices[b, 2]
        cx, cy, cz = vertices[c, 0], vertices[c, 1], vertices[c, 2]
        area = (bx - ax) * (cy - ay) - (by - ay) * (cx - ax)
        if area == 0.0:
            continue
        up = 1 if area > 0.0 else -1
        i0 = max(0, int(np.ceil((min(ax, bx, cx) - x0) / pitch)))
        i1 = min(nx - 1, int(np.floor((max(ax, bx, cx) - x0) / pitch)))
        j0 = max(0, int(np.ceil((min(ay, by, cy) - y0) / pitch)))
        j1 = min(ny - 1, int(np.floor((max(ay, by, cy) - y0) / pitch)))
        for i in range(i0, i1 + 1):
            x = x0 + i * pitch
            for j in range(j0, j1 + 1):
                y = y0 + j * pitch
                u = up * ((bx - x) * (cy - y) - (by - y) * (cx - x))
                v = up * ((cx - x) * (ay - y) - (cy - y) * (ax - x))
                w = up * area - u - v
                if u >= 0.0 and v >= 0.0 and w >= 0.0:
                    cell = i * ny + j
                    if write:
                        at = start[cell] + count[cell]
                        z_out[at] = (u * az + v * bz + w * cz) / (up * area)
                        up_out[at] = up
                    count[cell] += 1


@njit(cache=True, nogil=True)
def _sort_columns(start: NDArray[np.int64], z: NDArray[np.float32], up: NDArray[np.int8]) -> None:
    """Sort each column's crossings from the highest to the lowest."""
    for cell in range(len(start) - 1):
        for k in range(start[cell] + 1, start[cell + 1]):
            zk, uk = z[k], up[k]
            m = k - 1
            while m >= start[cell] and z[m] < zk:
                z[m + 1] = z[m]
                up[m + 1] = up[m]
                m -= 1
            z[m + 1] = zk
            up[m + 1] = uk


@dataclass(frozen=True, slots=True)
class Columns:
    """Where the surfaces of a solid cross each column of a grid.

    Attributes
    ----------
    grid : Grid
    start : (nx·ny + 1,) int64
        Column ``i·ny + j`` owns ``z[start[k]:start[k + 1]]``.
    z : (c,) float32
        Heights of the crossings, highest first, mm.
    up : (c,) int8
        +1 where the surface faces up (material below), −1 where it faces down.
    """

    grid: Grid
    start: NDArray[np.int64]
    z: NDArray[np.float32]
    up: NDArray[np.int8]


def column_crossings(vertices: NDArray[np.float64], faces: Faces, grid: Grid) -> Columns:
    """Return all surface crossings of the columns of a grid."""
    cells = grid.nx * grid.ny
    count = np.zeros(cells, dtype=np.int32)
    start = np.zeros(cells + 1, dtype=np.int64)
    none_z, none_up = np.empty(0, dtype=np.float32), np.empty(0, dtype=np.int8)
    args = (vertices, faces, grid.x0, grid.y0, grid.pitch, grid.nx, grid.ny)
    _crossings(*args, count, start, none_z, none_up, False)
    np.cumsum(count, out=start[1:])
    count[:] = 0
    z = np.empty(start[-1], dtype=np.float32)
    up = np.empty(start[-1], dtype=np.int8)
    _crossings(*args, count, start, z, up, True)
    _sort_columns(start, z, up)
    return Columns(grid, start, z, up)
