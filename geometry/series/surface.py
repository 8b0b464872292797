"""A triangle surface that tells quickly, and exactly, what of it is nearest to a point."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numba import njit
from numpy.typing import NDArray

from geometry.mesh import Mesh

CELL_MM = 0.6
MOST_CELLS = 30_000_000


@njit(cache=True, nogil=True)
def _fill_cells(points, faces, low, cell, shape, start, members, count_only):  # type: ignore[no-untyped-def]
    """Count, then list, the triangles whose box touches each cell."""
    for f in range(faces.shape[0]):
        a, b, c = points[faces[f, 0]], points[faces[f, 1]], points[faces[f, 2]]
        first = np.empty(3, dtype=np.int64)
        last = np.empty(3, dtype=np.int64)
        for k in range(3):
            first[k] = int((min(a[k], b[k], c[k]) - low[k]) / cell)
            last[k] = int((max(a[k], b[k], c[k]) - low[k]) / cell)
        for i in range(first[0], last[0] + 1):
            for j in range(first[1], last[1] + 1):
                for k in range(first[2], last[2] + 1):
                    at = (i * shape[1] + j) * shape[2] + k
                    if not count_only:
                        members[start[at + 1] - 1] = f
                        start[at + 1] -= 1
                    else:
                        start[at + 1] += 1


@njit(cache=True, nogil=True)
def _foot(px, py, pz, a, b, c):  # type: ignore[no-untyped-def]
    """Nearest point of a triangle (Ericson 2005, Real-Time Collision Detection, 5.1.5)."""
    abx, aby, abz = b[0] - a[0], b[1] - a[1], b[2] - a[2]
    acx, acy, acz = c[0] - a[0], c[1] - a[1], c[2] - a[2]
    apx, apy, apz = px - a[0], py - a[1], pz - a[2]
    d1 = abx * apx + aby * apy + abz * apz
    d2 = acx * apx + acy * apy + acz * apz
    u = v = 0.0
    bpx, bpy, bpz = px - b[0], py - b[1], pz - b[2]
    d3 = abx * bpx + aby * bpy + abz * bpz
    d4 = acx * bpx + acy * bpy + acz * bpz
    cpx, cpy, cpz = px - c[0], py - c[1], pz - c[2]
    d5 = abx * cpx + aby * cpy + abz * cpz
    d6 = acx * cpx + acy * cpy + acz * cpz
    va, vb, vc = d3 * d6 - d5 * d4, d5 * d2 - d1 * d6, d1 * d4 - d3 * d2
    if d1 <= 0.0 and d2 <= 0.0:
        pass
    elif d3 >= 0.0 and d4 <= d3:
        u = 1.0
    elif d6 >= 0.0 and d5 <= d6:
        v = 1.0
    elif vc <= 0.0 and d1 >= 0.0 and d3 <= 0.0 and d1 > d3:
        u = d1 / (d1 - d3)
    elif vb <= 0.0 and d2 >= 0.0 and d6 <= 0.0 and d2 > d6:
        v = d2 / (d2 - d6)
    elif va <= 0.0 and d4 - d3 >= 0.0 and d5 - d6 >= 0.0 and d4 - d3 + d5 - d6 > 0.0:
        v = (d4 - d3) / (d4 - d3 + d5 - d6)
        u = 1.0 - v
    elif va + vb + vc > 0.0:
        u, v = vb / (va + vb + vc), vc / (va + vb + vc)
    return (
        a[0] + u * abx + v * acx,
        a[1] + u * aby + v * acy,
        a[2] + u * abz + v * acz,
    )


@njit(cache=True, nogil=True)
def _beyond(value, low, size):  # type: ignore[no-untyped-def]
    """How far a coordinate lies outside an interval."""
    return max(0.0, low - value, value - low - size)


@njit(cache=True, nogil=True)
def _nearest(points, faces, low, cell, shape, start, members, queries, reach, feet, face):  # type: ignore[no-untyped-def]
    """Foot point and triangle of each query; triangle −1 where none is within reach."""
    rings = int(np.ceil(reach / cell))
    for q in range(queries.shape[0]):
        x, y, z = queries[q, 0], queries[q, 1], queries[q, 2]
        ci = int(np.floor((x - low[0]) / cell))
        cj = int(np.floor((y - low[1]) / cell))
        ck = int(np.floor((z - low[2]) / cell))
        best = reach * reach
        face[q] = -1
        for ring in range(rings + 1):
            # Cells of this ring are at least (ring - 1) cells away from the point.
            if ring > 1 and best <= ((ring - 1) * cell) ** 2:
                break
            for i in range(max(0, ci - ring), min(shape[0], ci + ring + 1)):
                off_x = _beyond(x, low[0] + i * cell, cell)
                if off_x * off_x >= best:
                    continue
                for j in range(max(0, cj - ring), min(shape[1], cj + ring + 1)):
                    off_y = _beyond(y, low[1] + j * cell, cell)
                    if off_x * off_x + off_y * off_y >= best:
                        continue
                    inner = abs(i - ci) < ring and abs(j - cj) < ring
                    for k in range(max(0, ck - ring), min(shape[2], ck + ring + 1)):
                        if inner and abs(k - ck) < ring:
                            continue
                        off_z = _beyond(z, low[2] + k * cell, cell)
                        if off_x * off_x + off_y * off_y + off_z * off_z >= best:
                            continue
                        at = (i * shape[1] + j) * shape[2] + k
                        for m in range(start[at], start[at + 1]):
                            f = members[m]
                            fx, fy, fz = _foot(
                                x, y, z, points[faces[f, 0]], points[faces[f, 1]],
                                points[faces[f, 2]],
                            )  # fmt: skip
                            d = (fx - x) ** 2 + (fy - y) ** 2 + (fz - z) ** 2
                            if d < best:
                                best = d
                                face[q] = f
                                feet[q, 0], feet[q, 1], feet[q, 2] = fx, fy, fz


@dataclass(frozen=True, slots=True)
class Surface:
    """A mesh and a grid over its triangles.

    Attributes
    ----------
    mesh : Mesh
    normals : (m, 3) float64
        Unit normals of the triangles, zero where one has no area.
    areas : (m,) float64
    """

    mesh: Mesh
    normals: NDArray[np.float64]
    areas: NDArray[np.float64]
    _low: NDArray[np.float64]
    _cell: float
    _shape: NDArray[np.int64]
    _start: NDArray[np.int64]
    _members: NDArray[np.int32]

    @staticmethod
    def of(mesh: Mesh) -> Surface:
        """Build the grid."""
        corners = mesh.triangles
        cross = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
        length = np.linalg.norm(cross, axis=1)
        normals = np.divide(
            cross, length[:, None], out=np.zeros_like(cross), where=length[:, None] > 0
        )
        points = np.ascontiguousarray(mesh.vertices)
        low = points.min(axis=0) - 1e-6
        extent = points.max(axis=0) - low + 1e-6
        cell = max(CELL_MM, float(np.cbrt(extent.prod() / MOST_CELLS)))
        shape = np.floor(extent / cell).astype(np.int64) + 1
        counts = np.zeros(int(shape.prod()) + 1, dtype=np.int64)
        nothing = np.empty(0, dtype=np.int32)
        _fill_cells(points, mesh.faces, low, cell, shape, counts, nothing, True)
        start = np.cumsum(counts)
        members = np.empty(int(start[-1]), dtype=np.int32)
        # Filled from the end of each cell's stretch, which leaves `ends` at its beginning.
        ends = start.copy()
        _fill_cells(points, mesh.faces, low, cell, shape, ends, members, False)
        return Surface(mesh, normals, length / 2.0, low, cell, shape, start, members)

    def nearest(
        self, queries: NDArray[np.float64], reach: float
    ) -> tuple[NDArray[np.float64], NDArray[np.int64]]:
        """Return foot points (n, 3) and triangle numbers, −1 where none is within ``reach``."""
        feet = np.zeros((len(queries), 3))
        face = np.empty(len(queries), dtype=np.int64)
        _nearest(
            self.mesh.vertices, self.mesh.faces, self._low, self._cell, self._shape,
            self._start, self._members, np.ascontiguousarray(queries), reach, feet, face,
        )  # fmt: skip
        return feet, face

    def scatter(
        self, count: int, among: NDArray[np.bool_] | None = None
    ) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Return evenly scattered surface points and their normals, the same every time.

        Parameters
        ----------
        count : int
        among : (m,) bool, optional
            Triangles to use.
        """
        weight = self.areas if among is None else self.areas * among
        total = np.cumsum(weight)
        if len(total) == 0 or total[-1] <= 0.0:
            return np.zeros((0, 3)), np.zeros((0, 3))
        rng = np.random.default_rng(17)
        # One draw in each of `count` equal shares of the area.
        marks = (np.arange(count) + rng.random(count)) / count * total[-1]
        chosen = np.minimum(np.searchsorted(total, marks), len(total) - 1)
        u, v = rng.random(count), rng.random(count)
        fold = u + v > 1.0
        u, v = np.where(fold, 1.0 - u, u), np.where(fold, 1.0 - v, v)
        corners = self.mesh.vertices[self.mesh.faces[chosen]]
        points = (
            corners[:, 0]
            + u[:, None] * (corners[:, 1] - corners[:, 0])
            + v[:, None] * (corners[:, 2] - corners[:, 0])
        )
        return points, self.normals[chosen]
