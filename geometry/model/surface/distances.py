"""Exact distance from points to a triangle surface."""

from __future__ import annotations

import numpy as np
from numba import njit
from numpy.typing import NDArray
from scipy import ndimage
from scipy.spatial import cKDTree

from geometry.mesh import Mesh

_NEIGHBOURS = 12
BOX = 2.0
LARGE = 1.0
"""Faces with a longer box, mm, are tried for every point."""


@njit(cache=True, nogil=True)
def _to_triangle(
    p: NDArray[np.float64], a: NDArray[np.float64], b: NDArray[np.float64], c: NDArray[np.float64]
) -> float:
    """Distance of a point from a triangle (Ericson 2005, Real-Time Collision Detection, 5.1.5)."""
    ab, ac, ap = b - a, c - a, p - a
    d1, d2 = ab @ ap, ac @ ap
    if d1 <= 0.0 and d2 <= 0.0:
        return float(np.sqrt(ap @ ap))
    bp = p - b
    d3, d4 = ab @ bp, ac @ bp
    if d3 >= 0.0 and d4 <= d3:
        return float(np.sqrt(bp @ bp))
    vc = d1 * d4 - d3 * d2
    if vc <= 0.0 and d1 >= 0.0 and d3 <= 0.0 and d1 > d3:
        q = ap - (d1 / (d1 - d3)) * ab
        return float(np.sqrt(q @ q))
    cp = p - c
    d5, d6 = ab @ cp, ac @ cp
    if d6 >= 0.0 and d5 <= d6:
        return float(np.sqrt(cp @ cp))
    vb = d5 * d2 - d1 * d6
    if vb <= 0.0 and d2 >= 0.0 and d6 <= 0.0 and d2 > d6:
        q = ap - (d2 / (d2 - d6)) * ac
        return float(np.sqrt(q @ q))
    va = d3 * d6 - d5 * d4
    if va <= 0.0 and d4 - d3 >= 0.0 and d5 - d6 >= 0.0 and (d4 - d3) + (d5 - d6) > 0.0:
        w = (d4 - d3) / ((d4 - d3) + (d5 - d6))
        q = bp - w * (c - b)
        return float(np.sqrt(q @ q))
    total = va + vb + vc
    if total <= 0.0:
        return float(min(np.sqrt(ap @ ap), np.sqrt(bp @ bp), np.sqrt(cp @ cp)))
    q = ap - (vb / total) * ab - (vc / total) * ac
    return float(np.sqrt(q @ q))


@njit(cache=True, nogil=True)
def _nearest(
    points: NDArray[np.float64],
    vertices: NDArray[np.float64],
    faces: NDArray[np.int32],
    near: NDArray[np.int64],
    out: NDArray[np.float64],
) -> None:
    for n in range(len(points)):
        best = np.inf
        for k in range(near.shape[1]):
            f = near[n, k]
            d = _to_triangle(
                points[n], vertices[faces[f, 0]], vertices[faces[f, 1]], vertices[faces[f, 2]]
            )
            if d < best:
                best = d
        out[n] = best


@njit(cache=True, nogil=True)
def _nearer(
    points: NDArray[np.float64],
    vertices: NDArray[np.float64],
    faces: NDArray[np.int32],
    large: float,
    out: NDArray[np.float64],
) -> None:
    """Take faces with a box larger than ``large`` that are nearer than ``out`` (in place)."""
    for f in range(len(faces)):
        a, b, c = vertices[faces[f, 0]], vertices[faces[f, 1]], vertices[faces[f, 2]]
        x0, x1 = min(a[0], b[0], c[0]), max(a[0], b[0], c[0])
        y0, y1 = min(a[1], b[1], c[1]), max(a[1], b[1], c[1])
        z0, z1 = min(a[2], b[2], c[2]), max(a[2], b[2], c[2])
        if max(x1 - x0, y1 - y0, z1 - z0) <= large:
            continue
        for n in range(len(points)):
            x, y, z = points[n]
            dx = max(x0 - x, x - x1, 0.0)
            dy = max(y0 - y, y - y1, 0.0)
            dz = max(z0 - z, z - z1, 0.0)
            if dx * dx + dy * dy + dz * dz < out[n] * out[n]:
                out[n] = min(out[n], _to_triangle(points[n], a, b, c))


def distance_to_surface(points: NDArray[np.float64], mesh: Mesh) -> NDArray[np.float64]:
    """Distance of each point from a surface, mm.

    The triangles tried are those whose middles lie nearest, those around the nearest
    vertex, and all large ones; for surfaces of else even triangles that is exact,
    elsewhere an upper bound.

    Parameters
    ----------
    points : (n, 3) float64
    mesh : Mesh

    Returns
    -------
    (n,) float64
    """
    if not len(points):
        return np.empty(0)
    near = _around(points, mesh)
    out = _distances(points, mesh, near) if len(near) else np.full(len(points), np.inf)
    # What is farther than the neighbourhood reaches is looked for everywhere.
    far = out > BOX
    if len(near) < len(mesh.faces) and far.any():
        out[far] = _distances(points[far], mesh, np.arange(len(mesh.faces)))
    # The middles of a tall wall's triangles lie far from their corners.
    _nearer(points, mesh.vertices, mesh.faces, LARGE, out)
    return out


def _around(points: NDArray[np.float64], mesh: Mesh) -> NDArray[np.int64]:
    """Return the faces that come within a box of some point."""
    low = np.minimum(mesh.vertices.min(axis=0), points.min(axis=0)) - 2.0 * BOX
    shape = ((np.maximum(mesh.vertices.max(axis=0), points.max(axis=0)) - low) / BOX + 4.0).astype(
        np.int64
    )
    marked = np.zeros(shape.tolist(), dtype=bool)
    i, j, k = ((points - low) / BOX).astype(np.int64).T
    marked[i, j, k] = True
    marked = ndimage.binary_dilation(marked, np.ones((3, 3, 3), dtype=bool))
    i, j, k = ((mesh.vertices - low) / BOX).astype(np.int64).T
    return np.flatnonzero(marked[i, j, k][mesh.faces].any(axis=1))


def _distances(
    points: NDArray[np.float64], mesh: Mesh, rows: NDArray[np.int64]
) -> NDArray[np.float64]:
    faces = mesh.faces[rows]
    corners = mesh.vertices[faces]
    count = min(_NEIGHBOURS, len(faces))
    near = cKDTree(corners.mean(axis=1)).query(points, k=count)[1].reshape(len(points), count)
    out = np.empty(len(points))
    _nearest(points, mesh.vertices, faces, near.astype(np.int64), out)
    at_vertex = cKDTree(corners.reshape(-1, 3)).query(points)[0]
    return np.minimum(out, at_vertex)
