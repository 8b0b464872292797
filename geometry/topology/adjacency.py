"""Neighbourhoods and normals of an indexed mesh."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numba import njit
from numpy.typing import NDArray

from geometry.mesh import Mesh
from geometry.topology.triangles import cross_of


@dataclass(frozen=True, slots=True)
class Neighbours:
    """Vertices joined by an edge, as compressed rows.

    Attributes
    ----------
    start : (n + 1,) int32
    vertex : (start[n],) int32
        ``vertex[start[v]:start[v + 1]]`` are the neighbours of ``v``, each once.
    """

    start: NDArray[np.int32]
    vertex: NDArray[np.int32]


@njit(cache=True, nogil=True)
def bounds(points, low, high):  # type: ignore[no-untyped-def]
    """Fill the smallest and the largest coordinates of points (n, 3)."""
    for axis in range(3):
        low[axis] = points[0, axis]
        high[axis] = points[0, axis]
    for row in range(points.shape[0]):
        for axis in range(3):
            value = points[row, axis]
            if value < low[axis]:
                low[axis] = value
            if value > high[axis]:
                high[axis] = value


def extent(points: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the smallest and the largest coordinates of points (n, 3), shape (2, 3).

    Compiled, as reducing along the long axis of an array is slow.
    """
    reach = np.empty((2, 3))
    bounds(points, reach[0], reach[1])
    return reach


@njit(cache=True, nogil=True)
def _neighbours(faces, opposite, vertex_count):  # type: ignore[no-untyped-def]
    start = np.zeros(vertex_count + 1, dtype=np.int32)
    for t in range(faces.shape[0]):
        for k in range(3):
            start[faces[t, k] + 1] += 1
            if opposite[3 * t + k] < 0:
                start[faces[t, (k + 1) % 3] + 1] += 1
    for v in range(vertex_count):
        start[v + 1] += start[v]
    vertex = np.empty(start[vertex_count], dtype=np.int32)
    cursor = start[:-1].copy()
    for t in range(faces.shape[0]):
        for k in range(3):
            a, b = faces[t, k], faces[t, (k + 1) % 3]
            vertex[cursor[a]] = b
            cursor[a] += 1
            if opposite[3 * t + k] < 0:
                vertex[cursor[b]] = a
                cursor[b] += 1
    return start, vertex


@njit(cache=True, nogil=True)
def _vertex_normals(vertices, faces, normals):  # type: ignore[no-untyped-def]
    normals[:] = 0.0
    for t in range(faces.shape[0]):
        i, j, k = faces[t, 0], faces[t, 1], faces[t, 2]
        nx, ny, nz = cross_of(vertices, i, j, k)
        for v in (i, j, k):
            normals[v, 0] += nx
            normals[v, 1] += ny
            normals[v, 2] += nz
    for v in range(normals.shape[0]):
        length = np.sqrt(normals[v, 0] ** 2 + normals[v, 1] ** 2 + normals[v, 2] ** 2)
        if length > 0.0:
            for axis in range(3):
                normals[v, axis] /= length


def neighbours(mesh: Mesh, opposite: NDArray[np.int32]) -> Neighbours:
    """Return the edge neighbours of each vertex.

    Parameters
    ----------
    mesh : Mesh
        Manifold and wound alike, so that each inner edge has two half-edges.
    opposite : (3 m,) int32
        Paired half-edges; negative on the border.
    """
    return Neighbours(*_neighbours(mesh.faces, opposite, len(mesh.vertices)))


def vertex_normals(mesh: Mesh) -> NDArray[np.float64]:
    """Return area-weighted unit normals (n, 3); zero where the triangles have no area."""
    normals = np.empty_like(mesh.vertices)
    _vertex_normals(mesh.vertices, mesh.faces, normals)
    return normals
