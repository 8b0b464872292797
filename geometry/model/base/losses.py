"""What closing a scan costs: how much of it lies beyond its new border."""

from __future__ import annotations

import numpy as np
from numba import njit
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from geometry.model.bodies.solids import shared
from geometry.model.surface.halfedges import Faces
from geometry.model.surface.skin import Skin, tails

Array = NDArray[np.float64]
Marks = NDArray[np.bool_]


def gone(skin: Skin, rest: Skin, tag: int) -> Array:
    """Return the vertices (k, 3) of faces with a tag that a surface has lost.

    Parameters
    ----------
    skin, rest : Skin
        Before and after.
    tag : int
    """
    count = len(skin.vertices)
    own = _tagged(skin.faces, skin.kind, tag, count)
    left = _tagged(rest.faces, rest.kind, tag, len(rest.vertices))
    if np.array_equal(rest.vertices[:count], skin.vertices):
        return skin.vertices[own & ~left[:count]]
    # Numbered anew where it was cut by a plane.
    points = skin.vertices[own]
    return points[~shared(points, rest.vertices[left])]


def cost(rest: Skin, points: Array) -> float:
    """Sum the squares of how far, mm, points that are gone lie from the border that is left."""
    if not len(points):
        return 0.0
    rim = rest.vertices[tails(rest, np.flatnonzero(rest.opposite < 0))]
    return float((cKDTree(rim).query(points)[0] ** 2).sum())


@njit(cache=True, nogil=True)
def _tagged(faces: Faces, kind: NDArray[np.int8], tag: int, count: int) -> Marks:
    """Mark the vertices of faces with a tag."""
    out = np.zeros(count, dtype=np.bool_)
    for f in range(len(faces)):
        if kind[f] == tag:
            for k in range(3):
                out[faces[f, k]] = True
    return out
