"""Evenly spread surface samples with normals, for registration.

Normals are used as undirected lines, so that a scan with inverted or mixed
winding compares like any other.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numba import njit
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from geometry.errors import GeometryError
from geometry.frame.surface import main_faces
from geometry.mesh import Mesh


@dataclass(frozen=True, slots=True)
class Samples:
    """Points on a surface and the directions of its normals there.

    Attributes
    ----------
    points, normals : (n, 3) float64
        mm; the sign of a normal means nothing.
    border : (n,) bool
        True near the end of the surface.
    tree : cKDTree
        Over ``points``.
    """

    points: NDArray[np.float64]
    normals: NDArray[np.float64]
    border: NDArray[np.bool_]
    tree: cKDTree

    @staticmethod
    def of(
        points: NDArray[np.float64], normals: NDArray[np.float64], border: NDArray[np.bool_]
    ) -> Samples:
        """Build the tree as well."""
        return Samples(points, normals, border, cKDTree(points))

    def thinned(self, count: int) -> NDArray[np.int64]:
        """Return at most ``count`` row numbers, the same ones every time."""
        n = self.points.shape[0]
        order = np.random.default_rng(11).permutation(n)
        return np.sort(order[: min(n, count)])


@njit(cache=True, nogil=True)
def _cell_samples(vertices, faces, border, cell, low, shape):  # type: ignore[no-untyped-def]
    """Area-weighted centroid, normal spread and border mark of the surface in each cell."""
    size = shape[0] * shape[1] * shape[2]
    slot = np.full(size, -1, dtype=np.int32)
    room = 4096
    total = np.zeros((room, 11), dtype=np.float64)
    n = 0
    for f in range(faces.shape[0]):
        a, b, c = faces[f, 0], faces[f, 1], faces[f, 2]
        ux = vertices[b, 0] - vertices[a, 0]
        uy = vertices[b, 1] - vertices[a, 1]
        uz = vertices[b, 2] - vertices[a, 2]
        wx = vertices[c, 0] - vertices[a, 0]
        wy = vertices[c, 1] - vertices[a, 1]
        wz = vertices[c, 2] - vertices[a, 2]
        nx = uy * wz - uz * wy
        ny = uz * wx - ux * wz
        nz = ux * wy - uy * wx
        area = 0.5 * np.sqrt(nx * nx + ny * ny + nz * nz)
        if area <= 0.0:
            continue
        mx = (vertices[a, 0] + vertices[b, 0] + vertices[c, 0]) / 3.0
        my = (vertices[a, 1] + vertices[b, 1] + vertices[c, 1]) / 3.0
        mz = (vertices[a, 2] + vertices[b, 2] + vertices[c, 2]) / 3.0
        i = int((mx - low[0]) / cell)
        j = int((my - low[1]) / cell)
        k = int((mz - low[2]) / cell)
        at = (i * shape[1] + j) * shape[2] + k
        if slot[at] < 0:
            if n == room:
                grown = np.zeros((2 * room, 11), dtype=np.float64)
                grown[:room] = total
                total = grown
                room *= 2
            slot[at] = n
            n += 1
        row = total[slot[at]]
        row[0] += area
        row[1] += area * mx
        row[2] += area * my
        row[3] += area * mz
        # Second moments of the normals: independent of the winding.
        w = 0.25 / area
        row[4] += w * nx * nx
        row[5] += w * nx * ny
        row[6] += w * nx * nz
        row[7] += w * ny * ny
        row[8] += w * ny * nz
        row[9] += w * nz * nz
        if border[a] or border[b] or border[c]:
            row[10] = 1.0
    return total[:n]


def take_samples(mesh: Mesh, cell: float) -> Samples:
    """Sample the main parts of a mesh once per cell of a grid.

    Parameters
    ----------
    mesh : Mesh
    cell : float
        Edge of the cells, mm.

    Raises
    ------
    GeometryError
        When nothing with an area is left.
    """
    vertices, faces, border, _ = main_faces(mesh)
    low = vertices[faces].reshape(-1, 3).min(axis=0) - cell
    extent = vertices[faces].reshape(-1, 3).max(axis=0) - low
    shape = np.floor(extent / cell).astype(np.int64) + 3
    if shape.prod() > 200_000_000:
        raise GeometryError("the scan is far larger than an arch; check its units")
    total = _cell_samples(vertices, faces, border, cell, low, shape)
    spread = np.empty((total.shape[0], 3, 3))
    for place, (r, c) in enumerate(((0, 0), (0, 1), (0, 2), (1, 1), (1, 2), (2, 2))):
        spread[:, r, c] = spread[:, c, r] = total[:, 4 + place]
    _, vectors = np.linalg.eigh(spread)
    points = total[:, 1:4] / total[:, :1]
    normals = np.ascontiguousarray(vectors[:, :, 2])
    return Samples.of(points, normals, total[:, 10] > 0)
