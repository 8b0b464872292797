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
from geometry.model.halfedges import Faces


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
def _search_runs(
    v: NDArray[np.float64],
    faces: NDArray[np.int32],
    chosen: NDArray[np.bool_],
    start: NDArray[np.int64],
    member: NDArray[np.int64],
    pairs: NDArray[np.int64],
) -> int:
    found = 0
    for run in range(len(start) - 1):
        for m in range(start[run], start[run + 1]):
            s = member[m] // 3
            k = member[m] % 3
            vertex = faces[s, k]
            a, b = faces[s, (k + 1) % 3], faces[s, (k + 2) % 3]
            for n in range(m + 1, start[run + 1]):
                t = member[n] // 3
                if not (chosen[s] or chosen[t]):
                    continue
                k = member[n] % 3
                c, d = faces[t, (k + 1) % 3], faces[t, (k + 2) % 3]
                if (a == c) | (a == d) | (b == c) | (b == d):
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
    near = np.zeros(len(mesh.vertices), dtype=bool)
    near[mesh.faces[chosen].ravel()] = True
    around = np.flatnonzero(near[mesh.faces].any(axis=1))
    faces: Faces = mesh.faces[around]
    flat = faces.ravel()
    corner = np.argsort(flat, kind="stable")
    corner = corner[near[flat[corner]]]
    if not len(corner):
        return np.empty((0, 2), dtype=np.int64)
    run = np.flatnonzero(np.diff(flat[corner], prepend=-1))
    start = np.append(run, len(corner)).astype(np.int64)
    vertices = mesh.vertices - mesh.vertices.mean(axis=0)
    pairs = np.empty((most, 2), dtype=np.int64)
    found = _search_runs(vertices, faces, chosen[around], start, corner.astype(np.int64), pairs)
    return np.asarray(around[pairs[: min(found, most)]], dtype=np.int64)
