"""Faces with one common corner that pass through each other.

A search for crossings leaves pairs with a common corner out, since nearly all of them
only touch there. Patches and walls can fold over a neighbour all the same, and what a
union makes of such a place crosses itself in earnest.
"""

from __future__ import annotations

import numpy as np
from numba import njit
from numpy.typing import NDArray

from geometry.mesh import Mesh


@njit(cache=True, nogil=True)
def _side(v: NDArray[np.float64], i: int, j: int, k: int, p: int) -> float:
    """Six times the signed volume of the tetrahedron i, j, k, p."""
    ax, ay, az = v[i, 0] - v[p, 0], v[i, 1] - v[p, 1], v[i, 2] - v[p, 2]
    bx, by, bz = v[j, 0] - v[p, 0], v[j, 1] - v[p, 1], v[j, 2] - v[p, 2]
    cx, cy, cz = v[k, 0] - v[p, 0], v[k, 1] - v[p, 1], v[k, 2] - v[p, 2]
    return ax * (by * cz - bz * cy) + ay * (bz * cx - bx * cz) + az * (bx * cy - by * cx)


@njit(cache=True, nogil=True)
def _pierces(v: NDArray[np.float64], p: int, q: int, a: int, b: int, c: int) -> bool:
    """Tell whether the inside of the segment p–q passes through the inside of a–b–c."""
    sp, sq = _side(v, a, b, c, p), _side(v, a, b, c, q)
    if sp * sq >= 0.0:
        return False
    x, y, z = _side(v, p, q, a, b), _side(v, p, q, b, c), _side(v, p, q, c, a)
    return (x > 0.0 and y > 0.0 and z > 0.0) or (x < 0.0 and y < 0.0 and z < 0.0)


@njit(cache=True, nogil=True)
def _clearly_beside(
    normal: NDArray[np.float64],
    m: int,
    one: NDArray[np.float64],
    two: NDArray[np.float64],
    k: int,
    scale: float,
) -> bool:
    """Tell quickly whether two points (k) surely lie on one side of the plane (m) through 0.

    ``scale`` bounds the coordinates, for what rounding can do to the sums.
    """
    x, y, z = normal[m, 0], normal[m, 1], normal[m, 2]
    a = x * one[k, 0] + y * one[k, 1] + z * one[k, 2]
    b = x * two[k, 0] + y * two[k, 1] + z * two[k, 2]
    doubt = 1e-12 * (abs(x) + abs(y) + abs(z)) * scale
    return ((a > doubt) & (b > doubt)) | ((a < -doubt) & (b < -doubt))


@njit(cache=True, nogil=True)
def _search_corners(
    v: NDArray[np.float64],
    faces: NDArray[np.int32],
    chosen: NDArray[np.bool_],
    pairs: NDArray[np.int64],
) -> int:
    count = len(v)
    near = np.zeros(count, dtype=np.bool_)
    for f in range(len(faces)):
        if chosen[f]:
            for k in range(3):
                near[faces[f, k]] = True
    # The corners at each vertex of a chosen face, all in a row.
    start = np.zeros(count + 1, dtype=np.int64)
    for f in range(len(faces)):
        for k in range(3):
            if near[faces[f, k]]:
                start[faces[f, k] + 1] += 1
    for vertex in range(count):
        start[vertex + 1] += start[vertex]
    cursor = start[:-1].copy()
    member = np.empty(start[count], dtype=np.int64)
    for f in range(len(faces)):
        for k in range(3):
            vertex = faces[f, k]
            if near[vertex]:
                member[cursor[vertex]] = 3 * f + k
                cursor[vertex] += 1
    most = 0
    for vertex in range(count):
        most = max(most, start[vertex + 1] - start[vertex])
    # The two other corners of each face at a vertex, seen from it, and the face's normal.
    one = np.empty((most, 3))
    two = np.empty((most, 3))
    normal = np.empty((most, 3))
    scale = 12.0 * max(abs(v.min()), abs(v.max()))
    found = 0
    for vertex in range(count):
        first, size = start[vertex], start[vertex + 1] - start[vertex]
        x, y, z = v[vertex, 0], v[vertex, 1], v[vertex, 2]
        for m in range(size):
            s, k = member[first + m] // 3, member[first + m] % 3
            a, b = faces[s, (k + 1) % 3], faces[s, (k + 2) % 3]
            ax, ay, az = v[a, 0] - x, v[a, 1] - y, v[a, 2] - z
            bx, by, bz = v[b, 0] - x, v[b, 1] - y, v[b, 2] - z
            one[m, 0], one[m, 1], one[m, 2] = ax, ay, az
            two[m, 0], two[m, 1], two[m, 2] = bx, by, bz
            normal[m, 0] = ay * bz - az * by
            normal[m, 1] = az * bx - ax * bz
            normal[m, 2] = ax * by - ay * bx
        for m in range(size):
            s, k = member[first + m] // 3, member[first + m] % 3
            a, b = faces[s, (k + 1) % 3], faces[s, (k + 2) % 3]
            for n in range(m + 1, size):
                t, k = member[first + n] // 3, member[first + n] % 3
                if not (chosen[s] or chosen[t]):
                    continue
                c, d = faces[t, (k + 1) % 3], faces[t, (k + 2) % 3]
                if (a == c) | (a == d) | (b == c) | (b == d):
                    continue
                if _clearly_beside(normal, m, one, two, n, scale) and _clearly_beside(
                    normal, n, one, two, m, scale
                ):
                    continue
                if _pierces(v, a, b, vertex, c, d) or _pierces(v, c, d, vertex, a, b):
                    if found < len(pairs):
                        pairs[found, 0], pairs[found, 1] = s, t
                    found += 1
    return found


def find_folds(mesh: Mesh, chosen: NDArray[np.bool_], most: int = 1000) -> NDArray[np.int64]:
    """Return pairs of faces with one common corner that pass through each other.

    Parameters
    ----------
    mesh : Mesh
    chosen : (m,) bool
        At least one face of a pair must be chosen.
    most : int
        No more pairs than this are returned.

    Returns
    -------
    (k, 2) int64
    """
    vertices = mesh.vertices - mesh.vertices.mean(axis=0)
    pairs = np.empty((most, 2), dtype=np.int64)
    found = _search_corners(vertices, mesh.faces, chosen, pairs)
    return pairs[: min(found, most)]
