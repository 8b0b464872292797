"""Edges and areas of a triangle list."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Faces = NDArray[np.int32]


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


def face_areas(vertices: NDArray[np.float64], faces: Faces) -> NDArray[np.float64]:
    """Area of each face, mm²."""
    p = vertices[faces]
    cross = np.cross(p[:, 1] - p[:, 0], p[:, 2] - p[:, 0])
    return np.asarray(0.5 * np.linalg.norm(cross, axis=1))


def signed_volume(vertices: NDArray[np.float64], faces: Faces) -> float:
    """Volume that a closed surface encloses, mm³; negative when wound inwards."""
    p = vertices[faces] - vertices[faces[0, 0]]
    return float(np.einsum("ij,ij->i", p[:, 0], np.cross(p[:, 1], p[:, 2])).sum() / 6.0)


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
