"""Edges and areas of a triangle list."""

from __future__ import annotations

import numpy as np
from numba import njit
from numpy.typing import NDArray
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components

Faces = NDArray[np.int32]
SIDES = ((0, 1), (1, 2), (2, 0))


def edge_keys(faces: Faces) -> NDArray[np.int64]:
    """Return an undirected key for each of the 3m half-edges.

    Half-edge ``3 f + k`` runs from corner ``k`` to corner ``k + 1`` of face
    ``f``; both half-edges of an edge have the same key, ``low · (n + 1) + high``
    with ``n`` the highest vertex index in use.
    """
    a = faces.astype(np.int64).ravel()
    b = np.roll(faces, -1, axis=1).astype(np.int64).ravel()
    base = np.int64(faces.max(initial=0)) + 1
    return np.asarray(np.minimum(a, b) * base + np.maximum(a, b))


@njit(cache=True, nogil=True)
def face_areas(vertices: NDArray[np.float64], faces: Faces) -> NDArray[np.float64]:
    """Area of each face, mm²."""
    out = np.empty(len(faces))
    for f in range(len(faces)):
        a, b, c = vertices[faces[f, 0]], vertices[faces[f, 1]], vertices[faces[f, 2]]
        ux, uy, uz = b[0] - a[0], b[1] - a[1], b[2] - a[2]
        vx, vy, vz = c[0] - a[0], c[1] - a[1], c[2] - a[2]
        x, y, z = uy * vz - uz * vy, uz * vx - ux * vz, ux * vy - uy * vx
        out[f] = 0.5 * np.sqrt(x * x + y * y + z * z)
    return out


@njit(cache=True, nogil=True)
def _six_volumes(vertices: NDArray[np.float64], faces: Faces) -> float:
    o = vertices[faces[0, 0]]
    total = 0.0
    for f in range(len(faces)):
        a, b, c = vertices[faces[f, 0]], vertices[faces[f, 1]], vertices[faces[f, 2]]
        ax, ay, az = a[0] - o[0], a[1] - o[1], a[2] - o[2]
        bx, by, bz = b[0] - o[0], b[1] - o[1], b[2] - o[2]
        cx, cy, cz = c[0] - o[0], c[1] - o[1], c[2] - o[2]
        total += ax * (by * cz - bz * cy) + ay * (bz * cx - bx * cz) + az * (bx * cy - by * cx)
    return total


def signed_volume(vertices: NDArray[np.float64], faces: Faces) -> float:
    """Volume that a closed surface encloses, mm³; negative when wound inwards."""
    return float(_six_volumes(vertices, faces)) / 6.0


@njit(cache=True, nogil=True)
def rise(vertices: NDArray[np.float64], faces: Faces) -> float:
    """Twice the area that a surface shows from above, less what it shows from below, mm²."""
    total = 0.0
    for f in range(len(faces)):
        a, b, c = vertices[faces[f, 0]], vertices[faces[f, 1]], vertices[faces[f, 2]]
        total += (b[0] - a[0]) * (c[1] - a[1]) - (b[1] - a[1]) * (c[0] - a[0])
    return total


def genus(faces: Faces) -> int:
    """Genus of a closed, connected, oriented surface."""
    used = int(np.count_nonzero(np.bincount(faces.ravel())))
    return 1 - (used - len(faces) // 2) // 2


def compact(
    vertices: NDArray[np.float64], faces: Faces
) -> tuple[NDArray[np.float64], Faces, NDArray[np.int64]]:
    """Drop unused vertices; also return the old index of each kept one."""
    used = np.zeros(len(vertices), dtype=bool)
    used[faces.ravel()] = True
    old = np.flatnonzero(used)
    new = np.full(len(vertices), -1, dtype=np.int32)
    new[old] = np.arange(len(old), dtype=np.int32)
    return vertices[old], new[faces], old


def pieces_of(faces: Faces, chosen: NDArray[np.bool_]) -> NDArray[np.int64]:
    """Number the vertices by what hangs together, by edges, among the chosen ones."""
    mine = chosen[faces]
    edges = np.concatenate([faces[:, [a, b]][mine[:, a] & mine[:, b]] for a, b in SIDES])
    graph = coo_matrix((np.ones(len(edges), dtype=bool), edges.T), shape=(len(chosen),) * 2)
    return np.asarray(connected_components(graph, directed=False)[1])


@njit(cache=True, nogil=True)
def corners_at(faces: Faces, count: int) -> tuple[NDArray[np.int64], NDArray[np.int32]]:
    """Return the corners (3 t + k) at each vertex, all in a row, and where each begins."""
    start = np.zeros(count + 1, dtype=np.int64)
    for t in range(len(faces)):
        for k in range(3):
            start[faces[t, k] + 1] += 1
    for v in range(count):
        start[v + 1] += start[v]
    cursor = start[:-1].copy()
    member = np.empty(3 * len(faces), dtype=np.int32)
    for t in range(len(faces)):
        for k in range(3):
            v = faces[t, k]
            member[cursor[v]] = 3 * t + k
            cursor[v] += 1
    return start, member
